/**
 * From the answer to a link until the reading service has the linked order, at a modest and steady rate; beside it one
 * POST of the same bytes to the same reading service, from call to answer.
 */
import { setTimeout as sleep } from 'node:timers/promises'
import type { ReadingServiceCounterpart } from '../../src/testkit/reading-service.ts'
import { openClient } from './client.ts'
import { linkPath, linkText } from './link-message.ts'
import { quantile } from './load.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { ask } from './server.ts'
import type { World } from './world.ts'

const perSecond = 20

/** Milliseconds that everything linked gets to arrive, whatever the machine is doing. */
const patience = 60_000

const floorIs = 'one POST of the same bytes to it, answered'

/** Begins one after the other at a steady pace, whatever became of those before. */
const atPace = async <T>(count: number, once: () => Promise<T>): Promise<T[]> => {
  const began = performance.now()
  const running: Promise<T>[] = []
  for (let i = 0; i < count; i += 1) {
    await sleep(Math.max(0, began + (i * 1000) / perSecond - performance.now()))
    running.push(once())
  }
  return Promise.all(running)
}

/** @throws when it has not come true in time */
const eventually = async (come: () => Promise<boolean>): Promise<void> => {
  const until = Date.now() + patience
  while (!(await come())) {
    if (Date.now() > until) throw new Error(`Something linked has not arrived within ${patience / 1000} s.`)
    await sleep(20)
  }
}

/** What earlier measurements linked is not to arrive among what is measured. */
const unsent = async (w: World): Promise<number> => {
  const text = `select count(*)::int as n from daybind.deliveries where fate in ('queued', 'unsure')`
  const [row] = await ask<{ n: number }>(w.oursDatabase, text)
  return row?.n ?? Number.NaN
}

const arrivals = (pebble: ReadingServiceCounterpart): ReadonlyMap<string, number> =>
  new Map(
    pebble.received.map(({ at, bundle }) => [/"HE-(\d+)"/.exec(JSON.stringify(bundle))?.[1] ?? '', Date.parse(at)]),
  )

const linked = async (w: World, pebble: ReadingServiceCounterpart): Promise<readonly number[]> => {
  const bedside = openClient(w.ours.url, 8, tokenOf('bay-3'))
  const link = async () => {
    const number = w.orders.take()
    await bedside.post(linkPath, linkText(number))
    return { number, answered: Date.now() }
  }
  const links = await atPace(perSecond * w.scale.seconds, link).finally(() => bedside.close())
  await eventually(async () => pebble.received.length >= links.length)
  const arrived = arrivals(pebble)
  // it may be there before the answer has come back
  return links.map(({ number, answered }) => Math.max(0, (arrived.get(number) ?? Infinity) - answered))
}

const posted = async (pebble: ReadingServiceCounterpart, count: number): Promise<readonly number[]> => {
  const client = openClient(pebble.base, 8)
  const bodies = pebble.received.slice(0, count).map(({ bundle }) => JSON.stringify(bundle))
  const once = async () => {
    const body = bodies.shift() ?? ''
    const began = performance.now()
    await client.post('', body)
    return performance.now() - began
  }
  return atPace(bodies.length, once).finally(() => client.close())
}

export const measureDelivery = async (w: World): Promise<readonly Line[]> => {
  await w.orders.atLeast(w.scale.few)
  await w.orders.spare(perSecond * w.scale.seconds)
  await eventually(async () => (await unsent(w)) === 0)
  w.say(`deliveries, ${perSecond} links a second`)
  return w.receiver.strictly(async (pebble) => {
    const ours = await linked(w, pebble)
    if (pebble.complaints.length > 0) throw new Error(pebble.complaints.slice(0, 5).join('\n'))
    const floor = await posted(pebble, ours.length)
    const line = (share: number, most: number): Line => {
      const said = against(
        `link to reading service, p${share * 100}`,
        'ms',
        quantile(ours, share),
        quantile(floor, share),
        floorIs,
      )
      return { ...said, target: { text: `≤ ${most} ms`, holds: said.ours <= most } }
    }
    return [line(0.5, 100), line(0.99, 500)]
  })
}
