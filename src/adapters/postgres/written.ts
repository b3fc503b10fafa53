/** What we know of the other side's ids: those it gave to what we wrote, and those under which a source knows its own. */
import type { Patient } from 'fhir/r4.js'
import { patientNames, urlIdentity } from '../../flow/accept-order/incoming.ts'
import type { SystemValue } from '../../model/configuration.ts'
import type { DeviceState } from '../../model/states.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { readResource } from './find-resources.ts'
import { ordersById, statesById } from './load-states.ts'
import { resourceText } from './resource-text.ts'

/** Where something of ours is over there. */
export interface TheirPlace {
  readonly type: string
  /** Ours. */
  readonly id: string
  readonly theirId: string
  readonly theirVersion?: string
}

/** Their ids of what was written there before, by ours. */
export const theirIds = async (
  tx: Tx,
  destination: string,
  ids: readonly string[],
): Promise<ReadonlyMap<string, string>> => {
  const rows = await tx.query<{ type: string; id: string; their_id: string }>(
    `select w.type, w.id, w.their_id from unnest($2::uuid[]) x (id)
     cross join lateral (select * from written w where w.destination = $1 and w.type = any($3) and w.id = x.id offset 0) w`,
    [destination, ids, writtenTypes],
  )
  return new Map(rows.map((r) => [`${r.type}/${r.id}`, r.their_id]))
}

const writtenTypes = [
  ...['Patient', 'ServiceRequest', 'Device', 'DeviceUseStatement'],
  ...['Procedure', 'Task', 'Observation', 'DiagnosticReport', 'Media'],
]

export const rememberPlaces = (tx: Tx, destination: string, places: readonly TheirPlace[]) =>
  tx.query(
    `insert into written (destination, type, id, their_id, their_version)
     select $1, x.type, x.id, x.their_id, x.their_version
     from jsonb_to_recordset($2) as x(type text, id uuid, their_id text, their_version text)
     on conflict (destination, type, id) do update
       set their_id = excluded.their_id, their_version = excluded.their_version, written_at = now()`,
    [
      destination,
      JSON.stringify(
        places.map((p) => ({ type: p.type, id: p.id, their_id: p.theirId, their_version: p.theirVersion ?? null })),
      ),
    ],
  )

/** An order or a patient as its source may know it. */
export interface KnownThere {
  readonly type: 'ServiceRequest' | 'Patient'
  /** Ours. */
  readonly id: string
  /** Their ids, from addresses below their base. */
  readonly ids: readonly string[]
  /** The surest name first. */
  readonly names: readonly SystemValue[]
}

/** Those that are in use, the official one first. */
const namesInUse = (patient: Patient): readonly SystemValue[] => {
  const old = new Set((patient.identifier ?? []).filter((i) => i.use === 'old').map((i) => `${i.system}|${i.value}`))
  const first = new Set(
    (patient.identifier ?? [])
      .filter((i) => i.use === 'official' || i.use === 'usual')
      .map((i) => `${i.system}|${i.value}`),
  )
  const key = ({ system, value }: SystemValue) => `${system}|${value}`
  return patientNames(patient)
    .filter((n) => !old.has(key(n)))
    .map(({ system, value }) => ({ system, value }))
    .sort((a, b) => Number(first.has(key(b))) - Number(first.has(key(a))))
}

/** What has to be known of an order before its source, or another, is written to. */
export interface OrderThere {
  readonly patientId: string
  readonly known: readonly KnownThere[]
}

/** @param base of the source's FHIR server */
export const orderAtSource = async (
  tx: Tx,
  { source, base, orderId }: { readonly source: string; readonly base: string; readonly orderId: string },
): Promise<OrderThere | undefined> => {
  const [order] = await ordersById(tx, [orderId])
  if (order === undefined) return undefined
  const { patientId, placer } = order
  const row = await readResource(tx, 'Patient', patientId, undefined)
  const addresses = await tx.query<{ type: string; id: string; value: string }>(
    `select i.type, i.id, i.value from unnest($1::uuid[]) x (id)
     cross join lateral (select * from identities i
       where i.system = '${urlIdentity}' and i.id = x.id and i.owner = $2 offset 0) i`,
    [[orderId, patientId], source],
  )
  const idsOf = (type: string, id: string): readonly string[] =>
    addresses.flatMap((a) => {
      const start = `${base}/${type}/`
      return a.type === type && a.id === id && a.value.startsWith(start) ? [a.value.slice(start.length)] : []
    })
  return {
    patientId,
    known: [
      { type: 'ServiceRequest', id: orderId, ids: idsOf('ServiceRequest', orderId), names: [placer] },
      {
        type: 'Patient',
        id: patientId,
        ids: idsOf('Patient', patientId),
        names: row === undefined ? [] : namesInUse(parseExactly(resourceText(row)) as Patient),
      },
    ],
  }
}

/** Whom each recorder is on now: a message may be older than that. */
export const holdersNow = async (
  tx: Tx,
  devices: readonly string[],
): Promise<ReadonlyMap<string, string | undefined>> =>
  new Map(
    (await statesById(tx, 'device', devices))
      .filter((s): s is DeviceState => s.kind === 'device')
      .map((d) => [d.id, d.patientId]),
  )
