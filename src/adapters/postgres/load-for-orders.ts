/** What accept-order has to know: who is behind the names and ids that the incoming resources mention. */
import type { FhirResource, Location, Patient, ServiceRequest } from 'fhir/r4.js'
import { evidenceTypes, mayBeEvidence } from '../../flow/accept-order/evidence.ts'
import { mayConcernOrders, type StoredOrder } from '../../flow/accept-order/follow-patients.ts'
import { type Identity, type Incoming, identitiesOf, identityKey } from '../../flow/accept-order/incoming.ts'
import type { Known } from '../../flow/accept-order/place.ts'
import { recordersStated, type Stated } from '../../flow/accept-order/recorder-stated.ts'
import { identityAsked, mentionsOf, ownAsked } from '../../flow/accept-order/resolve-references.ts'
import { chainFrom, successorOf } from '../../flow/accept-order/successors.ts'
import type { Context } from '../../flow/step.ts'
import type { Source } from '../../model/configuration.ts'
import { msOf } from '../../model/instant.ts'
import { type DeviceState, type KeptState, type OrderState, ofKind, type PatientState } from '../../model/states.ts'
import { instantSql } from '../clock.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { columnsOf, isId, type Sight } from './find-resources.ts'
import { statesAround, statesById } from './load-states.ts'
import { resourceText, type StoredResource } from './resource-text.ts'

/** Every name that the entries carry or ask for. */
const namesIn = (entries: readonly Incoming[], source: Source): readonly Identity[] => {
  const all = entries.flatMap((e) => [
    ...identitiesOf(e, source),
    ...(e.ifNoneExist ? [{ type: e.resource.resourceType, ...e.ifNoneExist }] : []),
    ...mentionsOf(e.resource).flatMap((m) => identityAsked(m, source) ?? []),
  ])
  // PostgreSQL takes no NUL, so there is no name with one
  return [...new Map(all.map((i) => [identityKey(i), i])).values()].filter((i) => !identityKey(i).includes('\0'))
}

/** The names that a step about these entries locks. */
export const namesToLock = (entries: readonly Incoming[], source: Source): readonly string[] =>
  [
    ...entries.flatMap((e) => identitiesOf(e, source)),
    ...subjectNames(entries, source),
    ...ordersAwaited(entries, source),
  ].map(identityKey)

/** The names of the orders of which evidence speaks: whoever brings such an order waits, and finds the evidence. */
const ordersAwaited = (entries: readonly Incoming[], source: Source): readonly Identity[] =>
  entries.flatMap(({ resource }) =>
    mayBeEvidence(resource)
      ? mentionsOf(resource).flatMap((m) => (m.at.startsWith('basedOn[') ? (identityAsked(m, source) ?? []) : []))
      : [],
  )

/** Whatever the day: it decides about the century of dates alone. */
const anyDay = '2000-01-01'

/** What evidence among the entries says of recorders. */
export const recordersIn = (entries: readonly Incoming[]): readonly Stated[] =>
  entries.flatMap(({ resource }) => recordersStated(resource, anyDay).stated)

const recordersOf = async (tx: Tx, stated: readonly Stated[], own: ReadonlySet<string>): Promise<DeviceState[]> => {
  if (stated.length === 0) return []
  const ids = stated.flatMap((s) => ('id' in s && isId(s.id) && own.has(`Device/${s.id}`) ? [s.id] : []))
  const serials = stated.flatMap((s) => ('id' in s ? [] : [s.serialNumber]))
  const rows = await tx.query<{ state: DeviceState }>(
    'select state from devices where id = any($1::uuid[]) or serial_number = any($2)',
    [ids, serials],
  )
  return rows.map(({ state }) => state)
}

interface WaitingRow extends StoredResource {
  readonly state: KeptState
}

/** So much that was said of an order is read again with it, at most; nobody's visit takes more to tell. */
const mostRead = 50

const waitingRows = (tx: Tx, where: string, values: readonly unknown[]): Promise<readonly WaitingRow[]> =>
  tx.query<WaitingRow>(
    `select k.state, ${columnsOf('r')} from (select * from kept where ${where} order by id limit ${mostRead}) k
     join resources r on r.type = k.state->>'type' and r.id = k.id`,
    values,
  )

const ordersIn = (entries: readonly Incoming[]): readonly Incoming[] =>
  entries.filter(({ resource }) => resource.resourceType === 'ServiceRequest')

/** Evidence of this source that came before the orders among the entries. */
const waitingFor = async (tx: Tx, entries: readonly Incoming[], source: Source): Promise<readonly WaitingRow[]> => {
  const names = ordersIn(entries).flatMap((e) => identitiesOf(e, source))
  const keys = names.map(identityKey).filter((name) => !name.includes('\0'))
  return keys.length === 0 ? [] : waitingRows(tx, `awaits = any($1) and state->>'source' = $2`, [keys, source.id])
}

/** Evidence of this source about stored orders among the entries: an order that changes its patient or site changes what it means. */
const saidOfStored = async (
  tx: Tx,
  entries: readonly Incoming[],
  source: Source,
  byIdentity: Known['byIdentity'],
): Promise<readonly WaitingRow[]> => {
  const ids = ordersIn(entries).flatMap((e) => [
    ...identitiesOf(e, source).flatMap((i) => byIdentity.get(identityKey(i)) ?? []),
    ...(e.targetId !== undefined && isId(e.targetId) ? [e.targetId] : []),
  ])
  if (ids.length === 0) return []
  return waitingRows(tx, `order_id = any($1::uuid[]) and state->>'source' = $2 and state->>'type' = any($3)`, [
    ids,
    source.id,
    evidenceTypes,
  ])
}

/** The orders of which evidence among these spoke until now. */
const ordersSpokenOf = async (tx: Tx, entries: readonly Incoming[], stored: Known['stored']): Promise<OrderState[]> => {
  if (!entries.some((e) => mayBeEvidence(e.resource))) return []
  const ids = [...stored.values()].flatMap(({ state }) => (state.kind === 'kept' ? (state.orderId ?? []) : []))
  return ofKind(await statesById(tx, 'order', [...new Set(ids)]), 'order')
}

/** As if it came again: with the version that its source gave it. */
const readAgain = ({ state, ...row }: WaitingRow): Incoming => {
  const resource = parseExactly(resourceText(row)) as FhirResource
  const { datedAt, sourceVersion } = state.content
  const meta = {
    ...resource.meta,
    versionId: undefined,
    lastUpdated: undefined,
    ...(sourceVersion !== undefined && { versionId: sourceVersion }),
    ...(datedAt !== undefined && { lastUpdated: datedAt }),
  }
  return { at: '', method: 'PUT', resource: { ...resource, meta } as FhirResource, targetId: row.id }
}

const subjectsOf = (resource: FhirResource) => mentionsOf(resource).filter((m) => m.at === 'subject')

/** The patients that orders among the entries name by our ids: whoever replaces one of them waits for these orders. */
export const subjectsToLock = (entries: readonly Incoming[]): readonly string[] =>
  entries.flatMap(({ resource }) =>
    resource.resourceType === 'ServiceRequest' ? subjectsOf(resource).flatMap((m) => ownAsked(m) ?? []) : [],
  )

/** The names by which they name them. */
const subjectNames = (entries: readonly Incoming[], source: Source): readonly Identity[] =>
  entries.flatMap(({ resource }) =>
    resource.resourceType === 'ServiceRequest'
      ? subjectsOf(resource).flatMap((m) => identityAsked(m, source) ?? [])
      : [],
  )

const idsByName = async (
  tx: Tx,
  owner: string,
  names: readonly Identity[],
): Promise<ReadonlyMap<string, readonly string[]>> => {
  const rows = await tx.query<Identity & { id: string }>(
    `select x.type, x.system, x.value, i.id from unnest($2::text[], $3::text[], $4::text[]) as x(type, system, value)
     cross join lateral (select id from identities i
       where i.owner = $1 and i.type = x.type and i.system = x.system and i.value = x.value offset 0) i`,
    [owner, names.map((n) => n.type), names.map((n) => n.system), names.map((n) => n.value)],
  )
  const map = new Map<string, string[]>()
  for (const row of rows) map.set(identityKey(row), [...(map.get(identityKey(row)) ?? []), row.id])
  return map
}

type StateRow = StoredResource & { state: OrderState | PatientState | KeptState | null }

const resourcesNamed = async (tx: Tx, names: readonly string[], sight: Sight): Promise<readonly StateRow[]> => {
  const pairs = names.flatMap((n) => {
    const [type, id] = n.split('/')
    return isId(id ?? '') ? [{ type, id }] : []
  })
  if (pairs.length === 0) return []
  return tx.query<StateRow>(
    `select r.type, r.id, r.version, ${instantSql('r.updated')} as updated, case when r.type in ('Location', 'Patient') then r.body else '' end as body,
       case r.type when 'ServiceRequest' then (select state from orders o where o.id = r.id)
         when 'Patient' then (select state from patients p where p.id = r.id) else (select state from kept k where k.id = r.id) end as state
     from jsonb_to_recordset($1) as x(type text, id uuid)
     cross join lateral (select * from resources r where r.type = x.type and r.id = x.id offset 0) r
     where $2::text[] is null or r.seen_by && $2`,
    [JSON.stringify(pairs), sight ?? null],
  )
}

/** Resources that the stored orders refer to, for entries that carry no name by which they could be known again. */
const companionsOf = async (
  tx: Tx,
  entries: readonly Incoming[],
  orders: readonly string[],
): Promise<readonly KeptState[]> => {
  const nameless = entries.some((e) => !('identifier' in e.resource) && e.resource.resourceType !== 'ServiceRequest')
  if (!nameless || orders.length === 0) return []
  const bodies = await tx.query<{ body: string }>(
    `select body from resources where type = 'ServiceRequest' and id = any($1::uuid[])`,
    [orders],
  )
  const ids = bodies.flatMap(({ body }) =>
    [...body.matchAll(/"reference":"[A-Z][A-Za-z]+\/([0-9a-f-]{36})"/g)].map((m) => m[1] ?? ''),
  )
  const states = await statesById(tx, 'kept', [...new Set(ids)].filter(isId))
  return states.filter((s): s is KeptState => s.kind === 'kept')
}

interface PatientRow extends StoredResource {
  readonly source: string
}

const patientsById = (tx: Tx, ids: readonly string[]): Promise<readonly PatientRow[]> =>
  tx.query<PatientRow>(
    `select r.type, r.id, r.version, ${instantSql('r.updated')} as updated, r.body, p.state->>'source' as source
     from unnest($1::uuid[]) as x(id) join patients p on p.id = x.id
     cross join lateral (select * from resources r where r.type = 'Patient' and r.id = x.id offset 0) r`,
    [ids],
  )

interface Patients {
  readonly patients: Map<string, Patient>
  readonly owners: Map<string, string>
}

/** The records to which replaced ones lead, whoever may see them: the caller may refer to no more by that. */
const withSuccessors = async (tx: Tx, known: Patients, more: readonly string[]): Promise<void> => {
  const { patients, owners } = known
  const missing = [...new Set([...more, ...[...patients.values()].flatMap((p) => successorOf(p) ?? [])])].filter(
    (id) => isId(id) && !patients.has(`Patient/${id}`),
  )
  const rows = missing.length === 0 ? [] : await patientsById(tx, missing)
  for (const row of rows) {
    patients.set(`Patient/${row.id}`, parseExactly(resourceText(row)) as Patient)
    owners.set(`Patient/${row.id}`, row.source)
  }
  if (rows.length > 0) await withSuccessors(tx, known, [])
}

/** The patients of whom an entry says something that their orders may have to follow, and those they were merged into. */
const patientsConcerned = (
  entries: readonly Incoming[],
  source: Source,
  byIdentity: Known['byIdentity'],
  patients: Known['patients'],
  { now }: Context,
): readonly string[] => {
  const patientOf = (id: string) => patients.get(`Patient/${id}`)
  return entries.flatMap((entry) => {
    const after = entry.resource
    if (after.resourceType !== 'Patient') return []
    const names = entry.criterion ? [{ type: 'Patient', ...entry.criterion }] : identitiesOf(entry, source)
    const ids = [...names.flatMap((n) => byIdentity.get(identityKey(n)) ?? []), entry.targetId ?? '']
    return ids.flatMap((id) => {
      const before = patientOf(id)
      return before && mayConcernOrders(before, after, msOf(now)) ? chainFrom(id, patientOf) : []
    })
  })
}

/** The orders of these patients, with the words of their sources: by what the orders say, which follows every merge. */
const ordersOfPatients = async (tx: Tx, ids: readonly string[]): Promise<readonly StoredOrder[]> => {
  if (ids.length === 0) return []
  const rows = await tx.query<StoredResource & { state: OrderState }>(
    `select o.state, r.type, r.id, r.version, ${instantSql('r.updated')} as updated, r.body
     from resources r join orders o on o.id = r.id where r.type = 'ServiceRequest' and r.tokens && $1::text[]`,
    [ids.map((id) => `patient=Patient/${id}`)],
  )
  return rows.map((row) => ({ state: row.state, resource: parseExactly(resourceText(row)) as ServiceRequest }))
}

const contentsOf = <T>(rows: readonly StateRow[], type: string): ReadonlyMap<string, T> =>
  new Map(rows.filter((r) => r.type === type).map((r) => [`${type}/${r.id}`, parseExactly(resourceText(r)) as T]))

/** @param begun absent: only whom the entries are about, without what may follow for others */
export const loadForOrders = async (
  tx: Tx,
  entries: readonly Incoming[],
  source: Source,
  sight: Sight,
  begun?: Promise<Context>,
): Promise<Known> => {
  const [named, awaiting] = await Promise.all([
    idsByName(tx, source.id, namesIn(entries, source)),
    waitingFor(tx, entries, source),
  ])
  const waiting = [...awaiting, ...(await saidOfStored(tx, entries, source, named))].map(readAgain)
  const byIdentity =
    waiting.length === 0 ? named : await idsByName(tx, source.id, namesIn([...entries, ...waiting], source))
  const behind = [...byIdentity].flatMap(([key, ids]) => ids.map((id) => `${key.split('|')[0]}/${id}`))
  const asked = [...entries, ...waiting].flatMap((e) => [
    ...(e.targetId ? [`${e.resource.resourceType}/${e.targetId}`] : []),
    ...mentionsOf(e.resource).flatMap((m) => ownAsked(m) ?? []),
  ])
  const rows = await resourcesNamed(tx, [...new Set([...behind, ...asked])], sight)
  const stored = new Map(
    rows.flatMap(({ type, id, state, version, updated }) =>
      state === null ? [] : [[`${type}/${id}`, { state, version, updated }] as const],
    ),
  )
  const people: Patients = {
    patients: new Map(contentsOf<Patient>(rows, 'Patient')),
    owners: new Map(
      [...stored].flatMap(([name, { state }]) => (state.kind === 'patient' ? [[name, state.source]] : [])),
    ),
  }
  await withSuccessors(tx, people, [])
  const concerned = begun ? patientsConcerned(entries, source, byIdentity, people.patients, await begun) : []
  const theirs = await ordersOfPatients(tx, [...new Set(concerned)])
  const orders = rows.filter((r) => r.type === 'ServiceRequest').map((r) => r.id)
  const companions = await companionsOf(tx, entries, orders)
  const all = [...new Set([...orders, ...theirs.map((o) => o.state.id)])]
  const around = all.length > 0 ? await statesAround(tx, all, []) : []
  const links = ofKind(around, 'link')
  await withSuccessors(
    tx,
    people,
    links.map((l) => l.patientId),
  )
  const own = new Set(rows.map((r) => `${r.type}/${r.id}`))
  return {
    byIdentity,
    own,
    stored,
    waiting,
    spokenOf: await ordersSpokenOf(tx, entries, stored),
    recorders: await recordersOf(tx, recordersIn([...entries, ...waiting]), own),
    locations: contentsOf<Location>(rows, 'Location'),
    ...people,
    companions,
    orders: theirs,
    links,
    tasks: ofKind(around, 'task'),
    stubs: ofKind(around, 'stub'),
    devices: ofKind(await statesById(tx, 'device', [...new Set(links.map((l) => l.deviceId))]), 'device'),
  }
}
