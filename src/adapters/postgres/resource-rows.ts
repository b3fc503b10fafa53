/** Which resources a writing puts where the world reads them, how they are found there, and who may read them. */
import type { FhirResource } from 'fhir/r4.js'
import type { Change } from '../../flow/step.ts'
import type { State } from '../../model/states.ts'
import { storedText } from './resource-text.ts'
import { indexOf } from './search-parameters.ts'
import { readerToken, resourcesOf, type Scope, scopeOf } from './shapes.ts'

export interface Written {
  readonly changes: readonly Change[]
  readonly records?: readonly FhirResource[]
  /** Who may read the records; by default who may read what they are about. */
  readonly recordScope?: Scope
}

export interface ResourceRow {
  readonly type: string
  readonly id: string
  readonly seen: string[]
  inherits: Scope['inherits']
  /** Orders of whose readers it inherits. */
  readonly order_ids: string[]
  readonly tokens: readonly string[]
  readonly from1: string | null
  readonly until1: string | null
  readonly from2: string | null
  readonly until2: string | null
  readonly body: string
  readonly names: readonly { readonly param: string; readonly value: string }[]
}

const resourceRow = (resource: FhirResource, scope: Scope): ResourceRow => {
  const { tokens, spans, names } = indexOf(resource)
  return {
    type: resource.resourceType,
    id: resource.id ?? '',
    seen: [...scope.own],
    inherits: scope.inherits,
    order_ids: scope.orderId === undefined ? [] : [scope.orderId],
    tokens,
    from1: spans[1]?.[0] ?? null,
    until1: spans[1]?.[1] ?? null,
    from2: spans[2]?.[0] ?? null,
    until2: spans[2]?.[1] ?? null,
    body: storedText(resource),
    names,
  }
}

/** Whom else a change lets see what is written already: the order and its patient, the device. */
export interface Grant {
  readonly type: string
  readonly id: string
  readonly seen: readonly string[]
  readonly inherits: Scope['inherits']
  readonly order_ids: readonly string[]
}

const grantsOf = ({ state }: Change): readonly Grant[] => {
  const { own: seen, inherits, orderId } = scopeOf(state)
  const none = { inherits: 'nothing', order_ids: [] } as const
  switch (state.kind) {
    case 'order':
      return [{ type: 'Patient', id: state.patientId, seen, ...none }]
    case 'link':
      return [
        { type: 'Device', id: state.deviceId, seen, inherits, order_ids: orderId === undefined ? [] : [orderId] },
        { type: 'Patient', id: state.patientId, seen, ...none },
      ]
    case 'task': {
      const reader = [readerToken(state.readingService)]
      return [
        { type: 'ServiceRequest', id: state.orderId, seen: reader, ...none },
        { type: 'Patient', id: state.patientId, seen: reader, ...none },
      ]
    }
    case 'application':
    case 'return':
      return [{ type: 'Device', id: state.deviceId, seen, ...none }]
    default:
      return []
  }
}

export const lastOf = <T>(list: readonly T[], key: (item: T) => string): readonly T[] => [
  ...new Map(list.map((item) => [key(item), item])).values(),
]

/** Readers named in this writing see everything of the order that is written in it. */
const readersOf = (changes: readonly Change[]): ReadonlyMap<string, readonly string[]> => {
  const readers = new Map<string, string[]>()
  for (const { state } of changes)
    if (state.kind === 'task')
      readers.set(state.orderId, [...(readers.get(state.orderId) ?? []), readerToken(state.readingService)])
  return readers
}

/** Who looked at what, and who did it, is the operator's to read. */
const operatorOnly: Scope = { own: [], inherits: 'nothing' }

/** A reading service is not told who recorded what at the clinic. */
const recordScopeOf = (about: State): Scope =>
  about.kind === 'link' ? { ...scopeOf(about), inherits: 'clinic' } : scopeOf(about)

/** A Provenance is for whoever may read what it is about: one step may touch orders of several sites. */
const scopeOfRecord = (record: FhirResource, byId: ReadonlyMap<string, State>): Scope => {
  const targets = record.resourceType === 'Provenance' ? record.target : []
  const about = targets.flatMap((t) => byId.get(t.reference?.split('/')[1] ?? '') ?? [])[0]
  return about ? recordScopeOf(about) : operatorOnly
}

export const resourceRows = (w: Written): readonly ResourceRow[] => {
  const readers = readersOf(w.changes)
  // what comes with its order cannot read yet who may see that
  const ordered = new Map(
    w.changes.flatMap(({ state }) => (state.kind === 'order' ? [[state.id, scopeOf(state).own] as const] : [])),
  )
  const rows = w.changes.flatMap(({ state, content }) => {
    const scope = scopeOf(state)
    const order = scope.inherits === 'nothing' ? '' : (scope.orderId ?? '')
    const more = [...(scope.inherits === 'order' ? (readers.get(order) ?? []) : []), ...(ordered.get(order) ?? [])]
    return resourcesOf(state, content).map((r) => resourceRow(r, { ...scope, own: [...scope.own, ...more] }))
  })
  const byId = new Map(w.changes.map(({ state }) => [state.id, state]))
  const records = (w.records ?? []).map((r) => resourceRow(r, w.recordScope ?? scopeOfRecord(r, byId)))
  return lastOf([...rows, ...records], (r) => `${r.type}/${r.id}`)
}

/** A statement can write a row once: grants to what it writes anyway go into its row, the others become one update each. */
export const settleGrants = (w: Written, rows: readonly ResourceRow[]): readonly Grant[] => {
  const readers = readersOf(w.changes)
  const byName = new Map(rows.map((r) => [`${r.type}/${r.id}`, r]))
  const open: Grant[] = []
  for (const grant of w.changes.flatMap(grantsOf)) {
    const more = grant.inherits === 'order' ? grant.order_ids.flatMap((id) => readers.get(id) ?? []) : []
    const seen = [...grant.seen, ...more]
    const row = byName.get(`${grant.type}/${grant.id}`)
    if (row === undefined) open.push({ ...grant, seen })
    else {
      row.seen.push(...seen)
      row.order_ids.push(...grant.order_ids)
      if (grant.inherits !== 'nothing') row.inherits = grant.inherits
    }
  }
  return [...Map.groupBy(open, (g) => `${g.type}/${g.id}`).values()].map(merged)
}

const merged = (same: readonly Grant[]): Grant => ({
  ...(same[0] as Grant),
  inherits: same.find((g) => g.inherits !== 'nothing')?.inherits ?? 'nothing',
  order_ids: same.flatMap((g) => g.order_ids),
  seen: [...new Set(same.flatMap((g) => g.seen))],
})
