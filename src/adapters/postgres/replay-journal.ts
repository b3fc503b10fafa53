/**
 * What the world reads, made anew from the journal: which versions each resource had, since when, and who may see it.
 * Apart from the code that writes it, so that the one is held against the other.
 */
import type { FhirResource } from 'fhir/r4.js'
import {
  recordsOfGap,
  recordsOfLink,
  recordsOfMovedLink,
  recordsOfMovedOrder,
  recordsOfNotApplied,
} from '../../flow/apply-device/records.ts'
import type { Context } from '../../flow/step.ts'
import type { Instant, OrderState, State } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import { readerToken, resourcesOf, type Scope, scopeOf, siteToken } from './shapes.ts'

/** A row of the journal. */
export interface Recorded {
  readonly at: Instant
  readonly who: string
  readonly requestId: string
  readonly fact: string
  readonly state: State
}

export interface Version {
  readonly updated: Instant
  /** What is in it; of somebody else's words their hash, for the journal does not hold the words. */
  readonly content: { readonly text: string } | { readonly digest: string; readonly byHand: boolean }
}

export interface Replayed {
  readonly versions: Version[]
  readonly seen: Set<string>
}

/** A resource without what our storage adds, whatever the order of its elements. */
export const contentText = (resource: FhirResource): string => {
  const { id: _id, meta, ...rest } = resource
  const { versionId: _v, lastUpdated: _l, ...kept } = meta ?? {}
  return canonical({ ...rest, ...(Object.keys(kept).length > 0 && { meta: kept }) })
}

const typeOf = (s: State): string | undefined =>
  s.kind === 'order' ? 'ServiceRequest' : s.kind === 'patient' ? 'Patient' : s.kind === 'kept' ? s.type : undefined

const sameContent = (a: Version['content'], b: Version['content']): boolean =>
  'text' in a ? 'text' in b && a.text === b.text : 'digest' in b && a.digest === b.digest

/** What people said of gaps. */
const recordedGaps = ['gap-acknowledged', 'gap-resolved']

/** Provenance and AuditEvent of each fact that has them; their ids are not in the journal. */
const recordsOf = ({ fact, state, at, who, requestId }: Recorded): readonly FhirResource[] => {
  const ctx = { now: at, newId: () => '', caller: { id: who, role: 'operator' }, requestId } as unknown as Context
  if (state.kind === 'gap') return recordedGaps.includes(fact) ? recordsOfGap(state, ctx) : []
  if (fact === 'link-doubted') return []
  if (fact === 'link-moved' && state.kind === 'link') return recordsOfMovedLink(state, ctx)
  if (fact === 'order-moved' && state.kind === 'order') return recordsOfMovedOrder(state, ctx)
  if (state.kind === 'link') return recordsOfLink(state, fact === 'device-linked' ? 'CREATE' : 'UPDATE', ctx)
  if (state.kind !== 'order' || fact !== 'not-applied' || state.notApplied === undefined) return []
  return recordsOfNotApplied(state, state.notApplied, ctx)
}

interface Kept {
  readonly type: string
  readonly content: string
  readonly seen: Set<string>
}

/** How a record is known again: by its type, what it says, and who may see it. */
export const recordKey = (type: string, content: string, seen: Iterable<string>): string =>
  [type, content, ...[...seen].toSorted()].join(' ')

const isReader = (token: string): boolean => token.startsWith(readerToken(''))

export interface Replay {
  /** By `Type/id`. */
  readonly resources: ReadonlyMap<string, Replayed>
  /** How many there are of each record, by `recordKey`. */
  readonly records: ReadonlyMap<string, number>
  /** Takes what one step wrote at once, in the order of its facts. */
  take(writing: readonly Recorded[]): void
}

/** Needs about a kilobyte of memory for each resource. */
export const replay = (): Replay => {
  const resources = new Map<string, Replayed>()
  const records = new Map<string, number>()
  const orders = new Map<string, OrderState>()
  const ordersOf = new Map<string, Set<string>>()
  /** What was recorded of an order goes where the order goes. */
  const recordedOf = new Map<string, Kept[]>()
  /** And what a source said of it: by the name of the resource, the order. */
  const saidOf = new Map<string, string | undefined>()

  const seenOf = (name: string): ReadonlySet<string> => resources.get(name)?.seen ?? new Set()

  /** What whoever may see the order may see besides. */
  const inherited = ({ inherits, orderId }: Scope): readonly string[] => {
    if (inherits === 'nothing' || orderId === undefined) return []
    const all = [...seenOf(`ServiceRequest/${orderId}`)]
    return inherits === 'order' ? all : all.filter((t) => !isReader(t))
  }

  const contentOf = (s: State): Version['content'] | undefined =>
    s.kind === 'order' || s.kind === 'patient' || s.kind === 'kept'
      ? { digest: s.content.digest, byHand: s.kind === 'order' && s.byHand }
      : undefined

  /** The versions that the states of this writing make. */
  const written = (states: readonly Recorded[]): Map<string, Version> => {
    const versions = new Map<string, Version>()
    for (const { state, at } of states) {
      const [type, theirs] = [typeOf(state), contentOf(state)]
      if (type !== undefined && theirs) versions.set(`${type}/${state.id}`, { updated: at, content: theirs })
      else
        for (const r of resourcesOf(state, undefined))
          versions.set(`${r.resourceType}/${r.id}`, { updated: at, content: { text: contentText(r) } })
    }
    return versions
  }

  /** Whom this writing lets see what, judged by what could be seen before it. */
  const grants = (writing: readonly Recorded[], own: ReadonlyMap<string, Version>): [string, readonly string[]][] => {
    const states = writing.map((w) => w.state)
    const readers = (orderId: string | undefined) =>
      states.flatMap((s) => (s.kind === 'task' && s.orderId === orderId ? [readerToken(s.readingService)] : []))
    const ordered = (orderId: string | undefined) =>
      states.flatMap((s) => (s.kind === 'order' && s.id === orderId ? scopeOf(s).own : []))
    return states.flatMap((s): [string, readonly string[]][] => {
      const scope = scopeOf(s)
      const along = scope.inherits === 'nothing' ? [] : ordered(scope.orderId)
      const all = [
        ...scope.own,
        ...inherited(scope),
        ...along,
        ...(scope.inherits === 'order' ? readers(scope.orderId) : []),
      ]
      const type = typeOf(s)
      const mine = (type === undefined ? resourcesOf(s, undefined) : [{ resourceType: type, id: s.id }]).map(
        (r): [string, readonly string[]] => [`${r.resourceType}/${r.id}`, all],
      )
      // an order that is noted anew without new words is not written
      return [...mine.filter(([name]) => own.has(name)), ...grantsTo(s, scope, all)]
    })
  }

  const count = ({ type, content, seen }: Kept, by: 1 | -1): void => {
    const key = recordKey(type, content, seen)
    records.set(key, (records.get(key) ?? 0) + by)
  }

  const leave = (before: OrderState, now: OrderState): void => {
    if (before.site === now.site) return
    const token = siteToken(before.site)
    for (const record of recordedOf.get(now.id) ?? []) {
      count(record, -1)
      record.seen.delete(token)
      record.seen.add(siteToken(now.site))
      count(record, 1)
    }
    for (const [name, orderId] of saidOf)
      if (orderId === now.id && resources.get(name)?.seen.delete(token))
        resources.get(name)?.seen.add(siteToken(now.site))
    resources.get(`ServiceRequest/${now.id}`)?.seen.delete(token)
    const others = [...(ordersOf.get(now.patientId) ?? [])].filter((id) => id !== now.id)
    if (!others.some((id) => seenOf(`ServiceRequest/${id}`).has(token)))
      resources.get(`Patient/${now.patientId}`)?.seen.delete(token)
  }

  const remember = (order: OrderState): void => {
    const before = orders.get(order.id)
    if (before) ordersOf.get(before.patientId)?.delete(order.id)
    orders.set(order.id, order)
    ordersOf.set(order.patientId, (ordersOf.get(order.patientId) ?? new Set()).add(order.id))
    if (before) leave(before, order)
  }

  /** Who may see what was recorded of a state. */
  const readersOfRecord = (state: State): readonly string[] => {
    const scope = scopeOf(state)
    return [...scope.own, ...(state.kind === 'order' ? [] : inherited({ ...scope, inherits: 'clinic' }))]
  }

  const keepRecords = (recorded: Recorded): void => {
    const { state } = recorded
    for (const resource of recordsOf(recorded)) {
      const type = resource.resourceType
      const seen = new Set(type === 'AuditEvent' ? [] : readersOfRecord(state))
      const record = { type, content: contentText(resource), seen }
      count(record, 1)
      if (state.kind === 'order' && type === 'Provenance')
        recordedOf.set(state.id, [...(recordedOf.get(state.id) ?? []), record])
    }
  }

  const take = (writing: readonly Recorded[]): void => {
    for (const recorded of writing) keepRecords(recorded)
    const versions = written(writing)
    for (const [name, version] of versions) {
      const last = resources.get(name)?.versions.at(-1)
      if (last && sameContent(last.content, version.content) && 'digest' in version.content) versions.delete(name)
    }
    const granted = grants(writing, versions)
    for (const [name, version] of versions) {
      const there = resources.get(name)
      if (there === undefined) resources.set(name, { versions: [version], seen: new Set() })
      else if (!sameContent((there.versions.at(-1) as Version).content, version.content)) there.versions.push(version)
    }
    for (const [name, tokens] of granted) for (const token of tokens) resources.get(name)?.seen.add(token)
    for (const { state } of writing) if (state.kind === 'kept') saidOf.set(`${state.type}/${state.id}`, state.orderId)
    for (const { state } of writing) if (state.kind === 'order') remember(state)
  }
  return { resources, records, take }
}

/** Whom a state lets see what is written already: the order and its patient, the device. */
const grantsTo = (s: State, { own }: Scope, all: readonly string[]): [string, readonly string[]][] => {
  switch (s.kind) {
    case 'order':
      return [[`Patient/${s.patientId}`, own]]
    case 'link':
      return [
        [`Device/${s.deviceId}`, all],
        [`Patient/${s.patientId}`, own],
      ]
    case 'task':
      return [
        [`ServiceRequest/${s.orderId}`, [readerToken(s.readingService)]],
        [`Patient/${s.patientId}`, [readerToken(s.readingService)]],
      ]
    case 'application':
    case 'return':
      return [[`Device/${s.deviceId}`, own]]
    default:
      return []
  }
}
