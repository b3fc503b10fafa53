/** What is stored, read past the service: summed up in words for a test to compare, and searched for contradictions. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { checkRebuild } from '../../src/adapters/postgres/rebuild.ts'
import { isEqual, rebuildText } from '../../src/adapters/postgres/table-check.ts'
import { factsFrom } from '../../src/flow/watch-flow/day-facts.ts'
import { gapsOf } from '../../src/flow/watch-flow/gaps.ts'
import type { Configuration } from '../../src/model/configuration.ts'
import type { GapState, Kind, State } from '../../src/model/states.ts'
import { inDatabase } from './bedside.ts'

const tableOf: Readonly<Record<Kind, string>> = {
  order: 'orders',
  patient: 'patients',
  kept: 'kept',
  device: 'devices',
  link: 'links',
  application: 'applications',
  conflict: 'conflicts',
  return: 'returns',
  task: 'tasks',
  stub: 'stubs',
  held: 'held_reports',
  gap: 'gaps',
}

type Of<K extends Kind> = Extract<State, { kind: K }>

export interface Stored {
  of<K extends Kind>(kind: K): readonly Of<K>[]
}

export const storedStates = async (url: string): Promise<Stored> => {
  const rows = await inDatabase<{ state: State }>(
    url,
    Object.values(tableOf)
      .map((t) => `select state from ${t}`)
      .join(' union all '),
  )
  const states = rows.map((r) => r.state)
  return { of: <K extends Kind>(kind: K) => states.filter((s): s is Of<K> => s.kind === kind) }
}

/** By which letter a test calls each order (our id or its placer number) and each recorder (its serial number). */
export interface Names {
  readonly orders: Readonly<Record<string, string>>
  readonly recorders: Readonly<Record<string, string>>
}

/**
 * Everything about these orders and recorders, a line each and without ids and moments:
 * `link a x completed returned`, `return x nobody`, `task a x cancelled`, `gap no-link x mended linked`.
 */
export const summary = (stored: Stored, names: Names): readonly string[] => {
  const orders = new Map(
    stored.of('order').flatMap((o) => {
      const letter = Object.entries(names.orders).find(([, name]) => name === o.id || name === o.placer.value)?.[0]
      return letter === undefined ? [] : [[o.id, letter] as const]
    }),
  )
  const devices = new Map(
    stored.of('device').flatMap((d) => {
      const letter = Object.entries(names.recorders).find(([, serial]) => serial === d.serialNumber)?.[0]
      return letter === undefined ? [] : [[d.id, letter] as const]
    }),
  )
  const patients = new Map(
    stored.of('order').flatMap((o) => (orders.has(o.id) ? [[o.patientId, orders.get(o.id)] as const] : [])),
  )
  const links = new Map(stored.of('link').map((l) => [l.id, l]))
  const about = (linkId: string): string => devices.get(links.get(linkId)?.deviceId ?? '') ?? '?'
  const line = (...words: (string | false | undefined)[]): string => words.filter(Boolean).join(' ')
  const order = (id: string | undefined) => orders.get(id ?? '')
  const device = (id: string | undefined) => devices.get(id ?? '')
  return [
    ...stored
      .of('order')
      .filter((o) => orders.has(o.id))
      .map((o) => line('order', order(o.id), o.status, o.notApplied && `not applied: ${o.notApplied.reason}`)),
    ...stored
      .of('device')
      .filter((d) => devices.has(d.id))
      .map((d) => line('recorder', device(d.id), d.patientId ? `on ${patients.get(d.patientId) ?? '?'}` : 'on nobody')),
    ...stored
      .of('link')
      .filter((l) => orders.has(l.orderId) || devices.has(l.deviceId))
      .map((l) => line('link', order(l.orderId), device(l.deviceId), l.status, l.endReason, isBack(l) && 'returned')),
    ...stored
      .of('application')
      .filter((a) => devices.has(a.deviceId))
      .map((a) => line('application', device(a.deviceId), a.evidence)),
    ...stored
      .of('return')
      .filter((r) => devices.has(r.deviceId))
      .map((r) => line('return', device(r.deviceId), r.orderId ? `of ${order(r.orderId) ?? '?'}` : 'of nobody')),
    ...stored
      .of('task')
      .filter((t) => orders.has(t.orderId))
      .map((t) => line('task', order(t.orderId), about(t.linkId), t.asks === 'abort' && 'abort', t.status)),
    ...stored
      .of('stub')
      .filter((s) => orders.has(s.orderId))
      .map((s) => line('stub', order(s.orderId), about(s.linkId), s.status)),
    ...stored
      .of('gap')
      .filter((g) => orders.has(g.orderId ?? '') || devices.has(g.deviceId ?? ''))
      .map((g) =>
        line('gap', g.code, order(g.orderId), device(g.deviceId), g.mended ? `mended: ${g.mended.action}` : 'open'),
      ),
  ].toSorted()
}

/** What was recorded in error keeps the mark of its return, which means nothing any more. */
const isBack = (l: Of<'link'>): boolean => l.status !== 'entered-in-error' && l.returned === true

const same = (what: string, a: unknown, b: unknown): string[] =>
  JSON.stringify(a) === JSON.stringify(b) ? [] : [`${what}: ${JSON.stringify(a)}, not ${JSON.stringify(b)}`]

/** Who wears what, its work, its stubs and its returns have to fit together. */
const contradictions = (stored: Stored): string[] => {
  const links = stored.of('link')
  const standing = links.filter((l) => l.status !== 'entered-in-error')
  return [
    ...stored.of('device').flatMap((d) => {
      const open = standing.filter((l) => l.deviceId === d.id && l.status === 'active')
      return same(
        `patient of device ${d.id}`,
        [d.patientId].filter(Boolean),
        open.map((l) => l.patientId),
      )
    }),
    ...stored.of('order').flatMap((o) => {
      const mine = standing.filter((l) => l.orderId === o.id)
      return [
        ...same(`open links of order ${o.id}`, mine.filter((l) => l.status === 'active').length > 1, false),
        ...mine.flatMap((l) => same(`patient of link ${l.id}`, l.patientId, o.patientId)),
      ]
    }),
    ...links.flatMap((l) => {
      const [tasks, stubs, returns] = [
        stored.of('task').filter((t) => t.linkId === l.id),
        stored.of('stub').filter((s) => s.linkId === l.id),
        stored.of('return').filter((r) => r.linkId === l.id),
      ]
      const stands = l.status !== 'entered-in-error'
      return [
        ...same(`returns of link ${l.id}`, returns.length, stands && l.returned ? 1 : 0),
        ...same(
          `stubs of link ${l.id}`,
          stubs.filter((s) => s.status === 'registered').length,
          stands && l.returned ? 1 : 0,
        ),
        ...(stands
          ? []
          : same(`tasks of link ${l.id}`, tasks.filter((t) => t.status !== 'entered-in-error').length, 0)),
      ]
    }),
  ]
}

const gist = (g: GapState): string => [g.id, g.code, g.orderId, g.deviceId, g.mended?.action ?? 'open'].join(' ')

/** The rules, asked about everything at once, find the gaps that stand open, and no others do. */
const gapFaults = (stored: Stored, asOf: string, { sites, sources, readingServices, tolerances }: Configuration) => {
  const kinds = ['order', 'kept', 'link', 'application', 'conflict', 'return', 'task', 'stub', 'held', 'gap'] as const
  const everything = kinds.flatMap((k): readonly State[] => stored.of(k))
  const parties = { sites, sources, readingServices }
  const found = new Map(gapsOf(factsFrom(everything), { asOf, parties, tolerances }).map((g) => [g.id, gist(g)]))
  const there = new Map(stored.of('gap').map((g) => [g.id, g]))
  return [
    ...[...found].flatMap(([id, text]) =>
      same('gap', there.has(id) ? gist(there.get(id) as GapState) : undefined, text),
    ),
    ...[...there.values()].filter((g) => !g.mended && !found.has(g.id)).map((g) => `open without a fact: ${gist(g)}`),
  ]
}

/**
 * The newest message of each order says what is stored. Both are read by one statement: between two, a step may commit
 * that changes both.
 */
export const messageFaults = async (url: string): Promise<string[]> => {
  const rows = await inDatabase<{ id: string; message: string | null; status: string | null }>(
    url,
    `with newest as (select distinct on (destination, order_id) order_id, body from deliveries
       order by destination, order_id, seq desc)
     select order_id as id, body as message, null as status from newest
     union all select id, null, substring(body from '"status":"([a-z-]+)"') from resources
     where type in ('ServiceRequest', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport')`,
  )
  const newest = rows.flatMap((r) => r.message ?? [])
  const statuses = rows.filter((r) => r.message === null)
  const stored = new Map(statuses.map((s) => [s.id, s.status]))
  return newest.flatMap((message) => {
    const sent = ((JSON.parse(message) as Bundle<FhirResource>).entry ?? []).flatMap((e) =>
      e.resource ? [{ id: (e.fullUrl ?? '').replace('urn:uuid:', ''), ...gistOf(e.resource) }] : [],
    )
    const tasks = sent.filter((r) => r.type === 'Task')
    // who was asked in error alone is told no more of what becomes of the order
    const isWithdrawn = tasks.length > 0 && tasks.every((t) => t.status === 'entered-in-error')
    // a Task that the reading service answered itself is not told to it again
    const passedOver = ['Task', ...(isWithdrawn ? ['ServiceRequest'] : [])]
    return sent.flatMap(({ id, type, status }) =>
      stored.has(id) && !passedOver.includes(type) ? same(`sent ${type}/${id}`, status, stored.get(id)) : [],
    )
  })
}

const gistOf = (resource: FhirResource): { readonly type: string; readonly status?: unknown } => ({
  type: resource.resourceType,
  ...('status' in resource && { status: resource.status }),
})

/** Everything that contradicts itself in a database: nothing, after whatever happened at once. */
export const inconsistencies = async (url: string, configuration: Configuration): Promise<readonly string[]> => {
  const [clock] = await inDatabase<{ now: string }>(
    url,
    `select to_char((clock_timestamp() + offset_by) at time zone 'utc', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') as now from clock`,
  )
  const stored = await storedStates(url)
  const db = openDatabase(url, () => undefined)
  const rebuilt = await checkRebuild(db).finally(() => db.close())
  return [
    ...contradictions(stored),
    ...gapFaults(stored, clock?.now ?? '', configuration),
    ...(await messageFaults(url)),
    ...(rebuilt.every(isEqual) ? [] : [rebuildText(rebuilt.filter((c) => !isEqual(c)))]),
  ]
}
