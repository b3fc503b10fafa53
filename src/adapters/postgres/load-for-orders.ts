/** What accept-order has to know: who is behind the names and ids that the incoming resources mention. */
import type { Location, Patient } from 'fhir/r4.js'
import { type Identity, type Incoming, identitiesOf, identityKey } from '../../flow/accept-order/incoming.ts'
import type { Known } from '../../flow/accept-order/place.ts'
import { identityAsked, mentionsOf, ownAsked } from '../../flow/accept-order/resolve-references.ts'
import type { Source } from '../../model/configuration.ts'
import type { KeptState, LinkState, OrderState, PatientState, TaskState } from '../../model/states.ts'
import { instantSql } from '../clock.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { isId, type Sight } from './find-resources.ts'
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
  entries.flatMap((e) => identitiesOf(e, source)).map(identityKey)

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

const contentsOf = <T>(rows: readonly StateRow[], type: string): ReadonlyMap<string, T> =>
  new Map(rows.filter((r) => r.type === type).map((r) => [`${type}/${r.id}`, parseExactly(resourceText(r)) as T]))

export const loadForOrders = async (
  tx: Tx,
  entries: readonly Incoming[],
  source: Source,
  sight: Sight,
): Promise<Known> => {
  const byIdentity = await idsByName(tx, source.id, namesIn(entries, source))
  const behind = [...byIdentity].flatMap(([key, ids]) => ids.map((id) => `${key.split('|')[0]}/${id}`))
  const asked = entries.flatMap((e) => [
    ...(e.targetId ? [`${e.resource.resourceType}/${e.targetId}`] : []),
    ...mentionsOf(e.resource).flatMap((m) => ownAsked(m) ?? []),
  ])
  const rows = await resourcesNamed(tx, [...new Set([...behind, ...asked])], sight)
  const stored = new Map(
    rows.flatMap(({ type, id, state, version, updated }) =>
      state === null ? [] : [[`${type}/${id}`, { state, version, updated }] as const],
    ),
  )
  const orders = rows.filter((r) => r.type === 'ServiceRequest').map((r) => r.id)
  const companions = await companionsOf(tx, entries, orders)
  const around = orders.length > 0 ? await statesAround(tx, orders, []) : []
  return {
    byIdentity,
    own: new Set(rows.map((r) => `${r.type}/${r.id}`)),
    stored,
    locations: contentsOf<Location>(rows, 'Location'),
    patients: contentsOf<Patient>(rows, 'Patient'),
    companions,
    links: around.filter((s): s is LinkState => s.kind === 'link'),
    tasks: around.filter((s): s is TaskState => s.kind === 'task'),
  }
}
