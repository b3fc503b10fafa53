/** What a source said of a visit, where its server has it no more. */
import { urlIdentity } from '../../flow/accept-order/incoming.ts'
import type { ActingCaller } from '../../flow/step.ts'
import type { EvidenceType } from '../../model/configuration.ts'
import { accept, refusal, refuse } from '../../model/problems.ts'
import { type KeptState, ofKind } from '../../model/states.ts'
import type { Tx } from './database.ts'
import { deviceById } from './load-for-links.ts'
import { ordersById } from './load-states.ts'
import { deviceLock, nameLock, orderLock, runStep, type StepRunner } from './run-step.ts'

/** Addresses at the source of what it says of the visits of these orders, and what counts. */
export const saidThere = async (
  tx: Tx,
  source: string,
  type: EvidenceType,
  orders: readonly string[],
): Promise<readonly string[]> => {
  const rows = await tx.query<{ value: string }>(
    `select i.value from identities o join kept k on k.order_id = o.id
       join identities i on i.id = k.id and i.owner = $1 and i.type = $2 and i.system = '${urlIdentity}'
     where o.owner = $1 and o.type = 'ServiceRequest' and o.system = '${urlIdentity}' and o.value = any($3)
       and k.state->>'type' = $2 and k.state->'says' is not null`,
    [source, type, orders],
  )
  return rows.map((r) => r.value)
}

const keptAt = async (tx: Tx, source: string, type: EvidenceType, address: string): Promise<KeptState | undefined> => {
  const rows = await tx.query<{ state: KeptState }>(
    `select k.state from identities i join kept k on k.id = i.id
     where i.owner = $1 and i.type = $2 and i.system = '${urlIdentity}' and i.value = $3`,
    [source, type, address],
  )
  return ofKind(
    rows.map((r) => r.state),
    'kept',
  )[0]
}

/** It stays readable as it was, and says nothing any more. */
export const withdrawSaid = async (
  runner: StepRunner,
  caller: ActingCaller,
  requestId: string,
  type: EvidenceType,
  address: string,
): Promise<void> => {
  const before = await keptAt(runner.db, caller.id, type, address)
  if (before?.says === undefined) return
  const [order] = await ordersById(runner.db, before.orderId === undefined ? [] : [before.orderId])
  const device = before.says.deviceId === undefined ? undefined : await deviceById(runner.db, before.says.deviceId)
  const locks = [
    nameLock(caller.id, `${type}|${urlIdentity}|${address}`),
    ...(order ? [orderLock(order)] : []),
    ...(device ? [deviceLock(device.serialNumber)] : []),
  ]
  await runStep(
    runner,
    { step: 'accept-order', caller, requestId, locks },
    {
      load: async (tx) => {
        const kept = await keptAt(tx, caller.id, type, address)
        // said again, or of another order, meanwhile: the next look sees
        return kept?.says !== undefined && kept.orderId === before.orderId
          ? accept(kept)
          : refuse([refusal('not-known')])
      },
      decide: ({ says: _withdrawn, ...state }, ctx) =>
        accept({
          changes: [{ fact: 'resource-received', state, occurredAt: ctx.now }],
          answer: undefined,
          warnings: [],
        }),
      tell: () => ({ status: 200, body: '' }),
    },
  )
}
