/** What the operations at the bedside have to know: the order, the device, and everything that touches them. */
import type { Patient } from 'fhir/r4.js'
import { type DeviceClaim, deviceMeant } from '../../flow/apply-device/device-claim.ts'
import type { Situation } from '../../flow/apply-device/make-link.ts'
import type { Context } from '../../flow/step.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import { type DeviceState, type LinkState, type OrderState, ofKind, type State } from '../../model/states.ts'
import { instantSql } from '../clock.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { readResource, type Sight } from './find-resources.ts'
import { statesAround, statesById } from './load-states.ts'
import { resourceText, type StoredResource } from './resource-text.ts'

/** The ids of the visible orders with this placer number; `preferred` is the source whose own order wins over others'. */
export const ordersNamed = async (
  tx: Tx,
  name: { system?: string | undefined; value?: string | undefined },
  sight: Sight,
  preferred: string,
): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string; owner: string }>(
    `select distinct i.id, i.owner from identities i join resources r on r.type = 'ServiceRequest' and r.id = i.id
     where i.type = 'ServiceRequest' and ($1::text is null or i.system = $1) and i.value = $2 and ($3::text[] is null or r.seen_by && $3)`,
    [name.system ?? null, name.value ?? '', sight ?? null],
  )
  const own = rows.filter((r) => r.owner === preferred)
  return [...new Set((own.length > 0 ? own : rows).map((r) => r.id))]
}

/** Whether the caller may see it; not there and not visible are the same. */
export const visible = async (tx: Tx, type: string, id: string, sight: Sight): Promise<boolean> =>
  (await readResource(tx, type, id, sight)) !== undefined

export const devicesWithSerial = async (tx: Tx, serialNumber: string): Promise<readonly DeviceState[]> =>
  (await tx.query<{ state: DeviceState }>('select state from devices where serial_number = $1', [serialNumber])).map(
    (r) => r.state,
  )

export const linkById = async (tx: Tx, id: string): Promise<LinkState | undefined> =>
  (await statesById(tx, 'link', [id])).find((s): s is LinkState => s.kind === 'link')

export const deviceById = async (tx: Tx, id: string): Promise<DeviceState | undefined> =>
  (await statesById(tx, 'device', [id])).find((s): s is DeviceState => s.kind === 'device')

/** The patient of an order, looked for together with what else is asked for. */
const patientOf = async (tx: Tx, orderId: string): Promise<Patient | undefined> => {
  const [row] = await tx.query<StoredResource>(
    `select r.type, r.id, r.version, ${instantSql('r.updated')} as updated, r.body from orders o
     join resources r on r.type = 'Patient' and r.id = (o.state->>'patientId')::uuid where o.id = $1`,
    [orderId],
  )
  return row && (parseExactly(resourceText(row)) as Patient)
}

/** An order with its patient and the source that the patient came from. */
export interface OrderedPatient {
  readonly order: OrderState
  readonly patient: Patient
  readonly owner: string
}

export const ordersWithPatients = async (tx: Tx, ids: readonly string[]): Promise<readonly OrderedPatient[]> => {
  const rows = await tx.query<StoredResource & { state: OrderState; owner: string }>(
    `select o.state, p.state->>'source' as owner, r.type, r.id, r.version, ${instantSql('r.updated')} as updated, r.body
     from orders o join patients p on p.id = (o.state->>'patientId')::uuid
     join resources r on r.type = 'Patient' and r.id = p.id where o.id = any($1::uuid[])`,
    [ids],
  )
  return rows.map((r) => ({ order: r.state, patient: parseExactly(resourceText(r)) as Patient, owner: r.owner }))
}

/** The order, the device that the claim means, and every link and loose return of either. */
export const loadSituation = async (
  tx: Tx,
  orderId: string,
  device: DeviceClaim | DeviceState,
  begun: Promise<Context>,
): Promise<Checked<Situation & { readonly around: readonly State[] }>> => {
  const asked = 'kind' in device ? [] : devicesWithSerial(tx, device.serialNumber)
  const [known, ctx] = await Promise.all([asked, begun])
  const meant = 'kind' in device ? accept(device) : deviceMeant(device, known, ctx)
  if (!meant.ok) return meant
  const [around, patient] = await Promise.all([statesAround(tx, [orderId], [meant.value.id]), patientOf(tx, orderId)])
  const order = ofKind(around, 'order').find((o) => o.id === orderId)
  if (order === undefined || patient === undefined) return refuse([refusal('not-known')])
  const returns = ofKind(around, 'return').filter((r) => r.linkId === undefined && r.deviceId === meant.value.id)
  return accept({
    order,
    patient,
    device: meant.value,
    links: ofKind(around, 'link'),
    returns,
    tasks: ofKind(around, 'task').filter((t) => t.orderId === orderId),
    conflicts: ofKind(around, 'conflict').filter((c) => c.orderId === orderId),
    around,
  })
}
