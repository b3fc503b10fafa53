/**
 * A backlog: a thousand messages wait for one destination that is slow, one that is down and one that takes calls and
 * never answers, and a fourth gets its own as if there were none. Then nothing overtakes, nothing comes twice.
 */
import { setTimeout as pause } from 'node:timers/promises'
import type { DeviceUseStatement, FhirResource, ServiceRequest } from 'fhir/r4.js'
import { afterAll, afterEach, describe, expect, test } from 'vitest'
import { defaultTakes } from '../../src/model/systems.ts'
import type { FaultKind, FaultOptions } from '../../src/testkit/faults.ts'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { type Ask, testSources, useTestService } from '../support/service.ts'
import {
  inDatabase,
  label,
  link,
  newSerial,
  type Ordered,
  type OrderOptions,
  operate,
  out,
  seconds,
  sendOrder,
} from './bedside.ts'

const [slow, down, mute, quick] = await Promise.all(
  ['Slow', 'Down', 'Mute', 'Quick'].map((name) => startReadingService({ name: `${name} Reading Room` })),
)
if (!slow || !down || !mute || !quick) throw new Error('four counterparts')
const troubled: Readonly<Record<string, ReadingServiceCounterpart>> = { slow, down, mute }
const all: Readonly<Record<string, ReadingServiceCounterpart>> = { ...troubled, quick }

/** A code of the source's own for each, so that each order goes where its test wants it. */
const codeFor = (destination: string) => ({ system: 'https://harbour.example/codes', code: destination })

const service = useTestService({
  sources: testSources.map((s) => ({ ...s, takes: [...defaultTakes, ...Object.keys(all).map(codeFor)] })),
  readingServices: Object.entries(all).map(([id, { base }]) => ({
    id,
    fhir: base,
    accept: 'PT4H',
    takes: [{ code: codeFor(id) }],
  })),
  roundMs: 100,
  deliveryDeadlineMs: 10_000,
  patience: { first: 0.5, longest: 2, age: 3600, attempts: 400 },
})

const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const ops: Ask = (...asked) => service().as('ops')(...asked)

afterEach(async () => {
  await Promise.all(Object.values(all).map((r) => r.clearFaults()))
})
afterAll(async () => {
  await Promise.all(Object.values(all).map((r) => r.stop()))
})

const asked = async <T extends object>(text: string, ...values: unknown[]): Promise<T> => {
  const [row] = await inDatabase<T>(service().database, text, values)
  if (row === undefined) throw new Error('no row')
  return row
}

const ago = (s: number): string => seconds(Date.now(), -s)

const linkedTo = async (...destinations: readonly string[]): Promise<Ordered & { readonly link: string }> => {
  const ordered = await sendOrder(ehr, { codings: destinations.map(codeFor) })
  const answer = await link(bay, ordered, { scan: label(newSerial()), appliedAt: ago(3600) })
  return { ...ordered, link: out<DeviceUseStatement>(answer, 'link').id ?? '' }
}

const arrived = (at: ReadingServiceCounterpart, { order }: Ordered) =>
  at.received.filter(({ bundle }) => JSON.stringify(bundle).includes(order))

/** Milliseconds from the answer at the bedside to the arrival at the quick one, for each of so many links. */
const latencies = async (count: number): Promise<readonly number[]> => {
  const took: number[] = []
  for (let i = 0; i < count; i += 1) {
    const ordered = await linkedTo('quick')
    const since = performance.now()
    await expect.poll(() => arrived(quick, ordered).length, { interval: 2 }).toBe(1)
    took.push(performance.now() - since)
  }
  return took.sort((a, b) => a - b)
}

const median = (sorted: readonly number[]): number => sorted[Math.floor(sorted.length / 2)] ?? Number.NaN

const waitingFor = async (destination: string): Promise<number> =>
  (
    await asked<{ n: number }>(
      `select count(*)::int as n from deliveries where destination = $1 and fate in ('queued', 'unsure')`,
      destination,
    )
  ).n

describe('a thousand messages that wait', () => {
  const each = 340
  const inTrouble = Object.keys(troubled)

  /** Copies of one real message, each for an order of its own, as if a thousand had been linked just now. */
  const backlog = async (): Promise<void> => {
    for (const id of inTrouble) await ops('POST', `/destinations/${id}/pause`)
    const { order } = await linkedTo(...inTrouble)
    await inDatabase(
      service().database,
      `insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, queued_at)
       select m.id, destination, gen_random_uuid(), replace(body, d.id::text, m.id::text), 'backlog', fate, next_attempt, queued_at
       from deliveries d, lateral (select gen_random_uuid() as id, d.seq from generate_series(2, $2)) m where order_id = $1`,
      [order, each],
    )
    await slow.fault('slow', { afterMs: 5_000 })
    await down.fault('down')
    await mute.fault('hang')
    for (const id of inTrouble) await ops('POST', `/destinations/${id}/resume`)
  }

  test('for three destinations in trouble do not delay a fourth, and go out once when the trouble is over', async () => {
    await latencies(5)
    const before = await latencies(15)
    await backlog()
    // all three are being tried, and are in the trouble that they are in
    await expect.poll(() => slow.requests.length).toBeGreaterThan(0)
    await expect
      .poll(
        async () =>
          (await asked<{ n: number }>('select count(*)::int as n from destinations where closed_until is not null')).n,
      )
      .toBe(2)
    const first = await latencies(1)
    const left = await Promise.all(inTrouble.map(waitingFor))
    // it has its message while nine in ten of the others still wait
    expect(left.reduce((a, b) => a + b)).toBeGreaterThan(0.9 * each * inTrouble.length)
    const during = [...first, ...(await latencies(14))].sort((a, b) => a - b)
    expect(median(during), `${median(before)} ms before`).toBeLessThan(Math.max(20 * median(before), 200))

    // nobody holds a connection to the database while the slow one is waited for, for five seconds: of two looks that
    // are two seconds apart, one falls later than into the first of those
    const held = `select count(*)::int as n from pg_stat_activity where datname = current_database()
      and state like 'idle in transaction%' and state_change < clock_timestamp() - interval '1 s'`
    expect((await asked<{ n: number }>(held)).n).toBe(0)
    await pause(2_000)
    expect((await asked<{ n: number }>(held)).n).toBe(0)
    // one message tells for all whether a destination is there again
    const tries = `select coalesce(sum(attempts), 0)::int as n from deliveries where destination = $1`
    expect((await asked<{ n: number }>(tries, 'down')).n).toBeLessThan(each / 3)
    expect((await asked<{ n: number }>(tries, 'mute')).n).toBeLessThan(each / 3)
    // however long they wait, the queue stays short
    const jobs = await asked<{ n: number }>(
      `select count(*)::int as n from daybind_queue.job where state < 'completed'`,
    )
    expect(jobs.n).toBeLessThan(50)

    await expect.poll(() => waitingFor('quick')).toBe(0)
    const destinations = await ops<{ destinations: { id: string; waiting: number; trouble: string | null }[] }>(
      'GET',
      '/destinations',
    )
    expect(destinations.body.destinations).toMatchObject([
      { id: 'slow', paused: false, trouble: null, closedUntil: null },
      { id: 'down', trouble: expect.stringMatching(/No connection could be made/), waiting: each },
      { id: 'mute', trouble: expect.stringMatching(/not complete within the deadline/), waiting: each },
      { id: 'quick', trouble: null, waiting: 0 },
    ])

    await Promise.all(Object.values(troubled).map((r) => r.clearFaults()))
    for (const id of inTrouble) await expect.poll(() => waitingFor(id), { timeout: 240_000, interval: 250 }).toBe(0)
    for (const [id, counterpart] of Object.entries(troubled)) {
      const { n } = await asked<{ n: number }>(
        `select count(*)::int as n from deliveries where destination = $1 and fate = 'sent'`,
        id,
      )
      expect([id, n, counterpart.received.length]).toEqual([id, each, each])
    }
    for (const { complaints } of Object.values(all)) expect(complaints).toEqual([])
  }, 600_000)
})

/** What a message says of the order: the number of its revision, and whether the recorder is still worn. */
const said = (resources: readonly FhirResource[]): string => {
  const order = resources.find((r): r is ServiceRequest => r.resourceType === 'ServiceRequest')
  const wear = resources.find((r): r is DeviceUseStatement => r.resourceType === 'DeviceUseStatement')
  return `${order?.note?.[0]?.text ?? 'as ordered'} ${wear?.status}`
}

const heard = (at: ReadingServiceCounterpart, ordered: Ordered): readonly string[] =>
  arrived(at, ordered)
    .filter(({ stored }) => stored)
    .map(({ bundle }) => said((bundle.entry ?? []).flatMap((e) => e.resource ?? [])))

const facts = ['as ordered active', ...[1, 2, 3, 4, 5, 6].map((n) => `revision ${n} active`), 'revision 6 completed']

const revise = (ordered: Ordered, codings: OrderOptions['codings'], n: number) =>
  sendOrder(ehr, {
    person: ordered.person,
    placer: ordered.placer.value ?? '',
    note: `revision ${n}`,
    ...(codings && { codings }),
  })

const fatesOf = async (order: string): Promise<readonly string[]> =>
  (
    await inDatabase<{ fate: string }>(
      service().database,
      'select fate from deliveries where order_id = $1 order by seq',
      [order],
    )
  ).map((r) => r.fate)

/** Links, revises six times and ends the link, with a little time in between; what was before is not waited for. */
const live = async (destination: string): Promise<Ordered> => {
  const ordered = await linkedTo(destination)
  for (let n = 1; n <= 6; n += 1) {
    await pause(n * 40)
    await revise(ordered, [codeFor(destination)], n)
  }
  const ended = await operate(bay, `DeviceUseStatement/${ordered.link}/$end-link`, { endedAt: ago(10), why: 'removed' })
  expect(ended.status, ended.text).toBe(200)
  return ordered
}

const settled = async (ordered: Ordered): Promise<void> => {
  await expect
    .poll(async () => (await fatesOf(ordered.order)).filter((f) => f !== 'superseded' && f !== 'sent'), {
      timeout: 120_000,
    })
    .toEqual([])
  expect((await fatesOf(ordered.order)).at(-1)).toBe('sent')
}

/** In the order of the facts: each at most once, none after a later one, the last one surely. */
const expectInOrder = (told: readonly string[]): void => {
  const places = told.map((t) => facts.indexOf(t))
  expect(places, told.join(', ')).toEqual([...new Set(places)].sort((a, b) => a - b))
  expect(told.at(-1)).toBe(facts.at(-1))
}

describe('the revisions of one order', () => {
  const trouble: [string, FaultKind, FaultOptions][] = [
    ['answers late', 'slow', { afterMs: 300 }],
    ['is down for a while', 'down', {}],
    ['takes some and never answers', 'hang', { times: 2 }],
    ['keeps some and cuts the line', 'drop-after-store', { times: 3, writesOnly: true }],
    ['cuts the line before it keeps anything', 'drop-before-store', { times: 3 }],
    ['keeps some and has an error in its answer', 'lost-entry', { times: 3, writesOnly: true }],
    ['asks to come back later', 'error-503', { times: 2, retryAfter: '1' }],
    ['has errors of its own', 'error-500', { times: 4 }],
  ]

  test.each(trouble)('reach a destination that %s in their order, each once', async (_, kind, options) => {
    const before = down.received.length
    await down.fault(kind, options)
    const ordered = await live('down')
    await down.clearFaults()
    await settled(ordered)
    const told = heard(down, ordered)
    expectInOrder(told)
    // what was superseded did not go, and what went came once
    const fates = await fatesOf(ordered.order)
    expect(fates.filter((f) => f === 'sent')).toHaveLength(told.length)
    expect(down.received.length - before).toBe(told.length)
    expect(down.complaints).toEqual([])
  })

  test('reach a destination that was paused as the last of them alone, and another one has its own meanwhile', async () => {
    expect((await ops('POST', '/destinations/slow/pause')).status).toBe(200)
    const ordered = await live('slow')
    const other = await linkedTo('quick')
    await expect.poll(() => arrived(quick, other).length).toBe(1)
    expect(arrived(slow, ordered)).toEqual([])
    expect(await fatesOf(ordered.order)).toEqual([...Array.from({ length: 7 }, () => 'superseded'), 'queued'])
    await ops('POST', '/destinations/slow/resume')
    await settled(ordered)
    expect(heard(slow, ordered)).toEqual(['revision 6 completed'])
  })

  test('are not overtaken by a replay: it waits behind one that may be there', async () => {
    await slow.fault('drop-before-store', { times: 1, writesOnly: true })
    await slow.fault('error-500')
    const ordered = await linkedTo('slow')
    await expect.poll(() => fatesOf(ordered.order)).toEqual(['unsure'])
    await revise(ordered, [codeFor('slow')], 1)
    const listed = await ops<{ deliveries: { id: string }[] }>('GET', `/deliveries?order=${ordered.order}`)
    const [newest, oldest] = listed.body.deliveries.map((d) => d.id)
    expect((await ops('POST', `/deliveries/${oldest}/replay`)).status).toBe(409)
    expect((await ops('POST', `/deliveries/${newest}/replay`)).status).toBe(202)
    expect(await fatesOf(ordered.order)).toEqual(['unsure', 'queued'])
    await slow.clearFaults()
    await settled(ordered)
    expect(heard(slow, ordered)).toEqual(['as ordered active', 'revision 1 active'])
  })
})

describe('a new message', () => {
  const other = useTestService({ pebble: quick.base, roundMs: 600_000 })

  test('is announced by the step that made it, and waits for no round', async () => {
    const ordered = await sendOrder(other().as('harbour-ehr'))
    const answer = await link(other().as('bay-3'), ordered, { scan: label(newSerial()), appliedAt: ago(60) })
    expect(answer.status, answer.text).toBe(200)
    await expect.poll(() => arrived(quick, ordered).length).toBe(1)
  })
})

describe('one message that always fails', () => {
  test('closes no destination for the others', async () => {
    await mute.fault('error-500')
    const bad = await linkedTo('mute')
    await expect
      .poll(
        async () =>
          (await asked<{ n: number }>('select attempts as n from deliveries where order_id = $1', bad.order)).n,
      )
      .toBeGreaterThan(1)
    const closed = await asked<{ closed: boolean }>(
      `select closed_until is not null as closed from destinations where id = 'mute'`,
    )
    expect(closed).toEqual({ closed: false })
  })
})

describe('a message that waits for a destination longer than any may', () => {
  test('is parked with the reason, tried or not, and one that may be there is known as such', async () => {
    await down.fault('down')
    const tried = await linkedTo('down')
    await expect.poll(() => waitingFor('down')).toBe(1)
    const never = await linkedTo('down')
    await expect
      .poll(
        async () => (await asked<{ t: string | null }>(`select trouble as t from destinations where id = 'down'`)).t,
      )
      .toMatch(/No connection/)
    await inDatabase(
      service().database,
      `update destinations set closed_until = clock_timestamp() + interval '1 hour' where id = 'down'`,
    )
    await inDatabase(
      service().database,
      `update deliveries set next_attempt = clock_timestamp() - interval '61 minutes',
         fate = case when order_id = $1 then 'unsure' else fate end
       where order_id = any($2::uuid[]) and fate in ('queued', 'unsure')`,
      [tried.order, [tried.order, never.order]],
    )
    for (const { order } of [tried, never]) await expect.poll(() => fatesOf(order)).toEqual(['parked'])
    const rows = await inDatabase<{ reason: string; there: boolean }>(
      service().database,
      'select reason, may_be_there as there from deliveries where order_id = any($1::uuid[]) order by seq',
      [[tried.order, never.order]],
    )
    expect(rows.map((r) => r.there)).toEqual([true, false])
    for (const { reason } of rows) expect(reason).toMatch(/No connection could be made.* Given up after 1 h\.$/)

    // a person asks: the destination is tried at once, and what may be there is looked for first
    await down.clearFaults()
    const before = down.requests.length
    for (const ordered of [tried, never]) {
      const listed = await ops<{ deliveries: { id: string }[] }>('GET', `/deliveries?order=${ordered.order}`)
      expect((await ops('POST', `/deliveries/${listed.body.deliveries[0]?.id}/replay`)).status).toBe(202)
      await settled(ordered)
    }
    expect(down.requests.slice(before)).toEqual(['GET /fhir/Task', 'POST /fhir', 'POST /fhir'])
  })
})

describe('the list of messages', () => {
  interface Page {
    readonly deliveries: readonly { readonly id: string; readonly queuedAt: string }[]
    readonly next?: string
  }

  test('comes in pages that miss nothing and repeat nothing while new ones arrive', async () => {
    const whole = await ops<Page>('GET', '/deliveries?destination=quick&count=1000')
    expect(whole.body.next).toBeUndefined()
    const before = whole.body.deliveries.map((d) => d.id)
    expect(before.length).toBeGreaterThan(10)
    const seen: string[] = []
    let next: string | undefined = '/deliveries?destination=quick&count=7'
    while (next !== undefined) {
      const page: Page = (await ops<Page>('GET', next)).body
      expect(page.deliveries.length).toBeLessThanOrEqual(7)
      seen.push(...page.deliveries.map((d) => d.id))
      if (seen.length < 20) await linkedTo('quick')
      next = page.next
    }
    expect(seen).toEqual(before)
  })

  test('is the same by order, by fate and by all of them', async () => {
    const { order } = await linkedTo('quick', 'slow')
    await expect.poll(() => fatesOf(order)).toEqual(['sent', 'sent'])
    const ids = async (query: string) =>
      (await ops<Page>('GET', `/deliveries?${query}`)).body.deliveries.map((d) => d.id)
    const both = await ids(`order=${order}`)
    expect(both).toHaveLength(2)
    expect(await ids('count=2')).toEqual(both)
    expect(await ids('fate=sent&count=2')).toEqual(both)
    const [one] = await ids(`order=${order}&destination=quick`)
    expect(await ids('fate=sent&destination=quick&count=1')).toEqual([one])
    expect(await ids(`order=${order}&fate=parked`)).toEqual([])
  })
})
