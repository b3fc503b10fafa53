/**
 * Writes a message into a server that holds things of its own: what is there is read first, what is theirs in it is
 * kept, and only what differs is written. So a repetition changes nothing, and what became of an attempt whose fate is
 * unknown is seen by the next one.
 */
import { setTimeout as pause } from 'node:timers/promises'
import type { Bundle, BundleEntry, FhirResource, Reference } from 'fhir/r4.js'
import type { Whose } from '../../flow/forward-order/retry.ts'
import { type Audience, merged } from '../../flow/forward-order/write-merge.ts'
import { logicalTo, type Part, partsOf, placed, urlOf } from '../../flow/forward-order/write-parts.ts'
import type { PlanRow } from '../../flow/forward-order/write-plan.ts'
import type { SystemValue } from '../../model/configuration.ts'
import type { Peer, WriteRequest } from '../fhir/peer.ts'
import { type Place, placesOf, versionOf } from '../fhir/peer-answer.ts'
import type { Failure } from '../fhir/peer-fates.ts'
import type { KnownThere, TheirPlace } from '../postgres/written.ts'

export interface Writing {
  readonly peer: Peer
  readonly plan: readonly PlanRow[]
  readonly to: Audience
  readonly message: Bundle<FhirResource>
  /** What is not written and referred to: the order and the patient. */
  readonly known: readonly KnownThere[]
  /** `Type/our id` → the id that they gave to it. */
  readonly theirIds: ReadonlyMap<string, string>
  /** Elements of a resource of the message, by our id, that are left alone this time. */
  readonly leave: ReadonlyMap<string, readonly string[]>
  readonly requestId: string
  /** Between 0 and 1. */
  readonly luck: () => number
  /** Whether there is time for another call. */
  readonly mayCall: () => boolean
  /** Called with each place that is surely known. */
  readonly remember: (places: readonly TheirPlace[]) => Promise<unknown>
}

/** Something stood in the way that no single answer of theirs tells. */
interface Obstacle {
  readonly fate: 'try-again' | 'final'
  readonly whose: Whose
  readonly reason: string
}

export type WriteOutcome =
  /** What was left out, and why, as sentences. */
  | { readonly done: true; readonly notes: readonly string[] }
  | { readonly done: false; readonly trouble: Failure | Obstacle; readonly mayBeThere: boolean }

const isFailure = (value: object): value is Failure => 'cause' in value

const obstacle = (fate: Obstacle['fate'], reason: string): Obstacle => ({ fate, whose: 'message', reason })

const token = ({ system, value }: SystemValue): string => `${system}|${value}`

const carries = (resource: FhirResource, name: SystemValue): boolean => {
  const { identifier } = resource as { identifier?: SystemValue | SystemValue[] }
  return [identifier ?? []].flat().some((i) => i.system === name.system && i.value === name.value)
}

/** What they have under a name; a server that overlooks the parameter answers with others, which do not count. */
const searched = async (w: Writing, type: string, name: SystemValue): Promise<readonly FhirResource[] | Failure> => {
  const answer = await w.peer.search(type, { identifier: token(name), _count: '10' }, w.requestId)
  if (answer.fate !== 'answered') return answer
  return (answer.body.entry ?? []).flatMap(({ resource }) =>
    resource?.resourceType === type && carries(resource as FhirResource, name) ? [resource as FhirResource] : [],
  )
}

// --- what is referred to

type Referred = Reference | Failure | Obstacle

/** The order or the patient there: by its address, else by what a search finds; nobody is guessed. */
const referredTo = async (w: Writing, known: KnownThere): Promise<Referred> => {
  const { type, ids, names } = known
  if (ids.length === 1) return { reference: `${type}/${ids[0]}` }
  const row = w.plan.find((r) => r.type === type)
  const [first] = names
  if (row?.finds !== true)
    return first ? { type, identifier: first } : obstacle('final', `${missing[type]} has no number.`)
  for (const name of names) {
    const found = await searched(w, type, name)
    if ('cause' in found) return found
    if (found.length > 1) return obstacle('try-again', `Waits: they have ${found.length} of ${missing[type]}.`)
    if (found[0]?.id !== undefined) return { reference: `${type}/${found[0].id}` }
  }
  const by = type === 'Patient' ? `under none of the ${names.length} numbers that we know` : 'under its placer number'
  return obstacle('try-again', `Waits: they have no ${type} ${by}.`)
}

const missing = { Patient: 'this patient', ServiceRequest: 'this order' } as const

const allReferred = async (w: Writing): Promise<ReadonlyMap<string, Reference> | Failure | Obstacle> => {
  const answers = await Promise.all(w.known.map(async (k) => [urlOf(k.id), await referredTo(w, k)] as const))
  const failed = answers.map(([, r]) => r).filter((r): r is Failure | Obstacle => 'fate' in r)
  const failure = failed.find(isFailure)
  if (failure) return failure
  const final = failed.find((f) => f.fate === 'final')
  if (failed[0]) return final ?? { ...failed[0], reason: failed.map((f) => f.reason).join(' ') }
  return new Map(answers.map(([url, r]) => [url, r as Reference]))
}

// --- what is there already

interface There {
  readonly resource: FhirResource & { id: string }
  readonly version?: string
}

type Found = There | 'absent' | Failure | Obstacle

/** What is no id is nothing that can be sent back in a header. */
const versionIn = (resource: FhirResource, etag?: string): { version?: string } => {
  const version = versionOf(etag) ?? resource.meta?.versionId
  return version !== undefined && /^[A-Za-z0-9\-.]{1,64}$/.test(version) ? { version } : {}
}

const byId = async (w: Writing, type: string, id: string): Promise<There | 'absent' | Failure> => {
  const answer = await w.peer.read(type as 'Device', id, w.requestId)
  if (answer.fate !== 'answered') return answer.cause === 'absent' ? 'absent' : answer
  return { resource: { ...answer.body, id }, ...versionIn(answer.body, answer.etag) }
}

/** By the id that they gave, else by our identifier. What they deleted is not there. */
const locate = async (w: Writing, part: Part, row: PlanRow): Promise<Found> => {
  const theirId = w.theirIds.get(`${part.type}/${part.id}`) ?? (row.how === 'client-id' ? part.id : undefined)
  const remembered = theirId === undefined ? 'absent' : await byId(w, part.type, theirId)
  if (remembered !== 'absent' || !row.finds || part.name === undefined) return remembered
  const found = await searched(w, part.type, part.name)
  if ('cause' in found) return found
  const [only, ...others] = found
  if (others.length > 0)
    return obstacle('final', `They have ${found.length} of one ${part.type}: one must go before it can be written.`)
  if (only?.id === undefined) return 'absent'
  // without a version there it has to be asked for, or a change of theirs could be overwritten
  const { version } = versionIn(only)
  return version === undefined ? byId(w, part.type, only.id) : { resource: { ...only, id: only.id }, version }
}

// --- what has to be done

interface Planned {
  readonly part: Part
  readonly row: PlanRow
}

interface Round extends Writing {
  readonly planned: readonly Planned[]
  readonly referred: ReadonlyMap<string, Reference>
  /** By our id; grows while it is written. */
  readonly places: Map<string, string>
  /** Told before anything is sent that changes something there. */
  readonly sends: () => void
}

/** Where the addresses of the message lead; what goes along in one transaction keeps its own. */
const leadsTo =
  (r: Round, along: ReadonlySet<string>, parts: ReadonlyMap<string, Part>) =>
  (url: string): Reference | undefined => {
    const known = r.referred.get(url)
    if (known) return known
    const part = parts.get(url)
    const theirId = part && r.places.get(part.id)
    if (part && theirId !== undefined) return { reference: `${part.type}/${theirId}` }
    if (part === undefined || along.has(url)) return undefined
    return logicalTo(part)
  }

type Operation = WriteRequest & Planned

const criterion = (name: SystemValue): string => `identifier=${encodeURIComponent(token(name))}`

/** How something is made that they do not have. */
const creation = ({ part, row }: Planned, resource: FhirResource): WriteRequest => {
  const { type, name, id } = part
  if (row.how === 'client-id')
    return { method: 'PUT', url: `${type}/${id}`, resource: { ...resource, id } as FhirResource }
  if (row.how === 'conditional-update' && name) return { method: 'PUT', url: `${type}?${criterion(name)}`, resource }
  return { method: 'POST', url: type, resource, ...(row.ifNoneExist && name && { ifNoneExist: criterion(name) }) }
}

const operation = (
  r: Round,
  { part, row }: Planned,
  ours: FhirResource,
  found: There | 'absent',
): Operation | undefined => {
  if (found === 'absent') return { part, row, ...creation({ part, row }, ours) }
  const leave = r.leave.get(part.id)
  const after =
    row.how === 'create-once' ? undefined : merged(found.resource, ours, { to: r.to, ...(leave && { leave }) })
  if (after === undefined) return undefined
  const ifMatch = found.version === undefined ? {} : { ifMatch: `W/"${found.version}"` }
  return { part, row, method: 'PUT', url: `${part.type}/${found.resource.id}`, resource: after, ...ifMatch }
}

/**
 * - `done`: they have everything.
 * - `again`: something of theirs came in between, or was there unseen: look again.
 */
type RoundOutcome = 'done' | 'again' | Failure | Obstacle

const tooLong = obstacle('try-again', 'They answered too slowly to write all of it at once; what was written stays.')

const isConflict = (f: Failure): boolean => f.cause === 'conflict'

const noted = (part: Part, { id, version }: Pick<Place, 'id' | 'version'>): TheirPlace => ({
  type: part.type,
  id: part.id,
  theirId: id,
  ...(version !== undefined && { theirVersion: version }),
})

/** Everything that has to be done in one transaction. */
const together = async (r: Round, operations: readonly Operation[]): Promise<RoundOutcome> => {
  if (!r.mayCall()) return tooLong
  r.sends()
  const entry = operations.map(
    ({ part, resource, method, url, ifNoneExist, ifMatch }): BundleEntry => ({
      fullUrl: part.url,
      resource,
      request: {
        method,
        url,
        ...(ifNoneExist !== undefined && { ifNoneExist }),
        ...(ifMatch !== undefined && { ifMatch }),
      },
    }),
  )
  const answer = await r.peer.transaction({ resourceType: 'Bundle', type: 'transaction', entry }, r.requestId)
  if (answer.fate !== 'answered') return isConflict(answer) ? 'again' : answer
  const places = placesOf(answer.body)
  await r.remember(operations.flatMap(({ part }, i) => (places[i] ? [noted(part, places[i])] : [])))
  // a conditional create that was answered by 200 found what we had not seen
  const unseen = operations.some(
    ({ method }, i) => method === 'POST' && !/^201\b/.test(answer.body.entry?.[i]?.response?.status ?? '201'),
  )
  return unseen ? 'again' : 'done'
}

const single = async (r: Round, op: Operation): Promise<RoundOutcome> => {
  if (!r.mayCall()) return tooLong
  r.sends()
  const { part: _part, row: _row, ...request } = op
  const answer = await r.peer.write(request, r.requestId)
  if (answer.fate !== 'answered') return isConflict(answer) ? 'again' : answer
  const { place, created } = answer.body
  if (place) {
    r.places.set(op.part.id, place.id)
    await r.remember([noted(op.part, place)])
  }
  return op.method === 'POST' && !created ? 'again' : 'done'
}

/** One round: look at everything, then write what differs. */
const round = async (r: Round): Promise<RoundOutcome> => {
  const found = await Promise.all(r.planned.map(async (p) => ({ ...p, found: await locate(r, p.part, p.row) })))
  const bad = found.map((f) => f.found).filter((f): f is Failure | Obstacle => f !== 'absent' && 'fate' in f)
  if (bad[0]) return bad.find(isFailure) ?? bad[0]
  const there = found.flatMap((f) => (f.found !== 'absent' && 'resource' in f.found ? [{ ...f, found: f.found }] : []))
  for (const { part, found: f } of there) r.places.set(part.id, f.resource.id)
  await r.remember(
    there.map(({ part, found: f }) => noted(part, { id: f.resource.id, ...(f.version && { version: f.version }) })),
  )
  const parts = new Map(partsOf(r.message).map((p) => [p.url, p]))
  const at = (f: Found): There | 'absent' => (f !== 'absent' && 'resource' in f ? f : 'absent')

  if (found.every(({ row }) => row.how === 'transaction')) {
    const along = new Set(found.filter((f) => f.found === 'absent').map(({ part }) => part.url))
    const operations = found.flatMap(
      (f) => operation(r, f, placed(f.part.resource, leadsTo(r, along, parts)), at(f.found)) ?? [],
    )
    return operations.length === 0 ? 'done' : together(r, operations)
  }
  for (const f of found) {
    const op = operation(r, f, placed(f.part.resource, leadsTo(r, new Set(), parts)), at(f.found))
    const outcome = op === undefined ? 'done' : await single(r, op)
    if (outcome !== 'done') return outcome
  }
  return 'done'
}

/** How often it is looked again when something of theirs comes in between. */
const rounds = 5

const wait = (n: number, luck: number): Promise<void> => pause(50 * 2 ** n * (0.5 + luck))

const notesOf = (w: Writing, parts: readonly Part[], referred: ReadonlyMap<string, Reference>): readonly string[] => {
  const types = new Set(parts.map((p) => p.type))
  const out = w.plan
    .filter((r) => r.how === 'not-at-all' && types.has(r.type))
    .map((r) => `Left out ${r.type}: ${r.why}`)
  const once = w.plan.filter((r) => r.how === 'create-once' && types.has(r.type)).map((r) => `${r.type}: ${r.why}`)
  const named = [...referred.values()]
    .filter((r) => r.reference === undefined)
    .map((r) => `${r.type} is named by its identifier alone.`)
  const nameless = parts
    .filter((p) => p.name === undefined)
    .map(({ type }) => `Left out ${type}: it has no identifier by which it could be found again.`)
  return [...out, ...once, ...named, ...nameless]
}

/**
 * Writes it, in as many rounds as conflicts ask for, each after a growing pause.
 * @returns what stood in the way; `mayBeThere` when anything was sent
 */
export const writeThere = async (w: Writing): Promise<WriteOutcome> => {
  const parts = partsOf(w.message)
  const rows = new Map(w.plan.map((r) => [r.type, r]))
  const planned = parts.flatMap((part): readonly Planned[] => {
    const row = rows.get(part.type)
    return row === undefined || row.how === 'not-at-all' || (part.name === undefined && row.how !== 'client-id')
      ? []
      : [{ part, row }]
  })
  const nothing = { done: false, mayBeThere: false } as const
  if (planned.length === 0) {
    const why = w.plan.find((r) => r.how === 'not-at-all')?.why ?? ''
    return { ...nothing, trouble: obstacle('final', `They take nothing of what is to be written. ${why}`.trim()) }
  }
  const referred = await allReferred(w)
  if ('fate' in referred) return { ...nothing, trouble: referred as Failure | Obstacle }
  let sent = false
  const sends = () => {
    sent = true
  }
  const theirIds = new Map(w.theirIds)
  const remember = async (places: readonly TheirPlace[]) => {
    for (const { type, id, theirId } of places) theirIds.set(`${type}/${id}`, theirId)
    if (places.length > 0) await w.remember(places)
  }
  for (let n = 0; n < rounds; n += 1) {
    if (n > 0) await wait(n, w.luck())
    if (!w.mayCall()) return { done: false, mayBeThere: sent, trouble: tooLong }
    const outcome = await round({ ...w, theirIds, remember, planned, referred, places: new Map(), sends })
    if (outcome === 'done') return { done: true, notes: notesOf(w, parts, referred) }
    if (outcome !== 'again') return { done: false, trouble: outcome, mayBeThere: sent }
  }
  const reason = `Somebody else changed it there each of the ${rounds} times that we looked and wrote.`
  return { done: false, mayBeThere: sent, trouble: obstacle('try-again', reason) }
}
