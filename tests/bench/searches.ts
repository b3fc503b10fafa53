/** Searches at eight callers, beside one look-up of the same bytes by an indexed key. */
import { harbourOrders } from '../support/messages.ts'
import { openClient } from './client.ts'
import { copyNumber } from './copies.ts'
import { linkPath, linkText } from './link-message.ts'
import { drive, inTurns, median } from './load.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { ask } from './server.ts'
import type { World } from './world.ts'

const callers = 8
const rounds = 5
const page = 50

const floorIs = 'one indexed SELECT of the same bytes'

interface Search {
  readonly name: string
  readonly paths: readonly string[]
}

/** So many different ones of each, spread over all orders. */
const variants = 40

const spread = (w: World): readonly number[] =>
  Array.from({ length: variants }, (_, i) => 1 + Math.floor((i * (w.orders.count() - 1)) / variants))

const byIdentifier = (number: string): string =>
  `/fhir/ServiceRequest?identifier=${encodeURIComponent(`${harbourOrders}|HE-${number}`)}`

interface Found {
  readonly entry?: readonly {
    readonly resource: {
      readonly meta: { readonly lastUpdated: string }
      readonly subject: { readonly reference: string }
    }
  }[]
}

const searchesOf = async (w: World, get: (path: string) => Promise<string>): Promise<readonly Search[]> => {
  const numbers = spread(w).map(copyNumber)
  const orders = await Promise.all(
    numbers.map(async (n) => (JSON.parse(await get(byIdentifier(n))) as Found).entry?.[0]),
  )
  const of = (pick: (order: NonNullable<(typeof orders)[0]>['resource']) => string) =>
    orders.flatMap((o) => (o === undefined ? [] : [pick(o.resource)]))
  return [
    { name: 'search, order by identifier', paths: numbers.map(byIdentifier) },
    { name: 'search, orders of a patient', paths: of((o) => `/fhir/ServiceRequest?patient=${o.subject.reference}`) },
    { name: `search, gaps by status, ${page}`, paths: [`/fhir/DetectedIssue?status=final&_count=${page}`] },
    {
      name: `search, changed since, ${page}`,
      paths: of((o) => `/fhir/ServiceRequest?_lastUpdated=ge${encodeURIComponent(o.meta.lastUpdated)}&_count=${page}`),
    },
  ]
}

/** What ours answers goes to the floor, under the same path. */
const teachFloor = async (w: World, answers: ReadonlyMap<string, string>): Promise<void> => {
  const text = 'insert into answers (key, body) select * from unnest($1::text[], $2::text[]) on conflict do nothing'
  await ask(w.floorDatabase, text, [[...answers.keys()], [...answers.values()]])
  await ask(w.floorDatabase, 'analyze answers')
}

/** Gaps are needed to be found: recorders whose date has passed are linked. */
const makeGaps = async (w: World): Promise<void> => {
  const bedside = openClient(w.ours.url, callers, tokenOf('bay-3'))
  const links = Array.from({ length: page }, () => bedside.post(linkPath, linkText(w.orders.take(), '200131')))
  await Promise.all(links).finally(() => bedside.close())
}

export const measureSearches = async (w: World): Promise<readonly Line[]> => {
  await w.orders.atLeast(w.scale.few)
  await w.orders.spare(page)
  w.say('searches')
  await makeGaps(w)
  const ours = openClient(w.ours.url, callers, tokenOf('ops'))
  const floor = openClient(w.floor.url, callers)
  const lines: Line[] = []
  try {
    for (const { name, paths } of await searchesOf(w, ours.get)) {
      const answers = new Map(await Promise.all(paths.map(async (p) => [p, await ours.get(p)] as const)))
      await teachFloor(w, answers)
      let next = 0
      const path = () => paths[next++ % paths.length] ?? ''
      const [mine = [], theirs = []] = await inTurns(rounds, [
        () => drive(callers, w.scale.seconds / rounds / 2, () => ours.get(path())),
        () =>
          drive(callers, w.scale.seconds / rounds / 2, () => floor.get(`/answers?key=${encodeURIComponent(path())}`)),
      ])
      const rate = (slices: typeof mine) => median(slices.map((s) => s.perSecond))
      lines.push(against(name, '/s', rate(mine), rate(theirs), floorIs))
    }
    return lines
  } finally {
    await Promise.all([ours.close(), floor.close()])
  }
}
