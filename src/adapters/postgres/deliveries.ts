/** The rows of deliveries: queueing, what the reading service said, and the operator's view. Their pace is real time. */
import { randomUUIDv7 } from 'node:crypto'
import type { Bundle, Patient, ServiceRequest } from 'fhir/r4.js'
import { type LinkedOrder, linkedOrderBundle } from '../../flow/forward-order/linked-order.ts'
import { ordersToTell, toldOf, writeBackBundle } from '../../flow/forward-order/write-back.ts'
import type { Decision } from '../../flow/step.ts'
import type { Source } from '../../model/configuration.ts'
import {
  type DeviceState,
  type LinkState,
  type OrderState,
  ofKind,
  type StubState,
  type TaskState,
} from '../../model/states.ts'
import { parseExactly, writeJson } from '../fhir/door/exact-numbers.ts'
import type { OfOrder } from './attempts.ts'
import type { Database, Tx } from './database.ts'
import { isId, readResource, type Sight } from './find-resources.ts'
import { ordersById, statesAround, statesById } from './load-states.ts'
import { resourceText } from './resource-text.ts'

export const fates = ['queued', 'sent', 'taken', 'refused', 'unsure', 'parked', 'superseded'] as const

export type Fate = (typeof fates)[number]

export interface Queued {
  readonly id: string
  readonly destination: string
}

const everything: Sight = undefined

const wholeResource = async <T>(tx: Tx, type: string, id: string): Promise<T> => {
  const row = await readResource(tx, type, id, everything)
  if (row === undefined) throw new Error(`${type}/${id} is not stored`)
  return parseExactly(resourceText(row)) as T
}

/** The linked order as it stands after the step, with the work of one reading service or, for its source, of all. */
const linkedOrder = async (tx: Tx, orderId: string, readingService?: string): Promise<LinkedOrder> => {
  const states = await statesAround(tx, [orderId], [])
  const order = ofKind(states, 'order').find((o): o is OrderState => o.id === orderId)
  if (order === undefined) throw new Error(`order ${orderId} is not stored`)
  const links: readonly LinkState[] = ofKind(states, 'link')
  const devices = (await statesById(tx, 'device', [...new Set(links.map((l) => l.deviceId))])) as readonly DeviceState[]
  const tasks: readonly TaskState[] = ofKind(states, 'task').filter(
    (t) => readingService === undefined || t.readingService === readingService,
  )
  // their server may hold a newer word of theirs; that a report is withdrawn here they are told all the same
  const stubs: readonly StubState[] = ofKind(states, 'stub').filter(
    (s) => s.status === 'entered-in-error' || readingService === undefined || s.report?.by !== readingService,
  )
  return {
    order,
    orderResource: await wholeResource<ServiceRequest>(tx, 'ServiceRequest', order.id),
    patientResource: await wholeResource<Patient>(tx, 'Patient', order.patientId),
    links,
    devices,
    stubs,
    tasks,
  }
}

interface Message {
  readonly orderId: string
  readonly destination: string
  readonly bundle: (deliveryId: string) => Promise<Bundle>
}

/** What an EHR is told of its orders: of each of which something changed that belongs to a link. */
const writeBacks = async (
  tx: Tx,
  decision: Pick<Decision<unknown>, 'changes'>,
  sources: readonly Source[],
): Promise<readonly Message[]> =>
  (await ordersById(tx, ordersToTell(decision.changes))).flatMap((order): readonly Message[] => {
    const destination = toldOf(order, sources)
    if (destination === undefined) return []
    const bundle = async () => writeBackBundle(await linkedOrder(tx, order.id))
    return [{ orderId: order.id, destination, bundle }]
  })

const messagesOf = async (
  tx: Tx,
  decision: Pick<Decision<unknown>, 'changes' | 'forward'>,
  sources: readonly Source[],
): Promise<readonly Message[]> => [
  ...(decision.forward ?? []).map(({ orderId, readingService }) => ({
    orderId,
    destination: readingService,
    bundle: async (deliveryId: string) => linkedOrderBundle(await linkedOrder(tx, orderId, readingService), deliveryId),
  })),
  ...(await writeBacks(tx, decision, sources)),
]

/**
 * Queues what a step has to tell, in the caller's transaction: one message for each order and destination. Older ones
 * for the same that surely did not arrive are superseded: each message is complete. One that may have arrived is looked
 * for before the new one goes.
 */
export const queueDeliveries = async (
  tx: Tx,
  decision: Pick<Decision<unknown>, 'changes' | 'forward'>,
  sources: readonly Source[],
  requestId: string,
): Promise<readonly Queued[]> => {
  const queued: Queued[] = []
  for (const { orderId, destination, bundle } of await messagesOf(tx, decision, sources)) {
    const id = randomUUIDv7()
    await tx.query(
      `with older as (update deliveries set fate = 'superseded', next_attempt = null
         where destination = $2 and order_id = $3 and (fate = 'parked' or (fate = 'queued' and leased_until is null)))
       insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, queued_at)
       select $1, $2, $3, $4, $5, 'queued', t, t from clock_timestamp() t`,
      [id, destination, orderId, writeJson(await bundle(id)), requestId],
    )
    queued.push({ id, destination })
  }
  return queued
}

/** The message to a reading service made anew from what is known now, after an answer of theirs was read. */
export const renewBody = async (
  db: Database,
  { id, order_id, destination, fence }: Pick<OfOrder, 'id' | 'order_id' | 'destination' | 'fence'>,
): Promise<string> => {
  const body = writeJson(linkedOrderBundle(await linkedOrder(db, order_id, destination), id))
  await db.query('update deliveries set body = $3 where id = $1 and fence = $2', [id, fence, body])
  return body
}

/**
 * The reading service's answer to a Task: the newest message with this Task of which we know that it arrived is taken
 * or refused. Where we know of none, the oldest that is still to arrive is only noted as answered, and goes on: they may
 * have read the Task here and have nothing yet. What is parked and may be there is looked for.
 */
export const answerDelivery = (
  tx: Tx,
  { readingService, orderId, id }: Pick<TaskState, 'readingService' | 'orderId' | 'id'>,
  taken: boolean,
) =>
  tx.query(
    `with asked as (select id, seq, fate in ('sent', 'taken', 'refused') as arrived from deliveries
       where destination = $1 and order_id = $2 and position($3 in body) > 0
         and (fate in ('sent', 'taken', 'refused', 'queued', 'unsure') or (fate = 'parked' and may_be_there))),
     answered as (select id, arrived from asked order by arrived desc, case when arrived then -seq else seq end limit 1)
     update deliveries d set answered_at = clock_timestamp(),
       fate = case when arrived then $4 when fate = 'parked' then 'unsure' else fate end,
       next_attempt = case when arrived then null when fate = 'parked' then clock_timestamp() else next_attempt end,
       attempts = case when fate = 'parked' then 0 else attempts end
     from answered where d.id = answered.id`,
    [readingService, orderId, id, taken ? 'taken' : 'refused'],
  )

export interface DeliveryRow {
  readonly id: string
  readonly destination: string
  /** null: an alert, which is about no order. */
  readonly order: string | null
  readonly fate: Fate
  readonly reason: string | null
  readonly attempts: number
  readonly queuedAt: string
  readonly nextAttempt: string | null
  readonly sentAt: string | null
  readonly answeredAt: string | null
}

export interface DeliveryFilter {
  readonly destination?: string
  readonly fate?: string
  /** An id of ours. */
  readonly order?: string
  /** Only those that were queued before the one with this number. */
  readonly before?: number
}

export interface DeliveryPage {
  readonly deliveries: readonly DeliveryRow[]
  /** The number to go on from; absent: there are no more. */
  readonly next?: number
}

/** Every destination that ever got a message: each found by a step to the next, not among the messages themselves. */
const everyDestination = `select min(destination) from deliveries union all
  select (select min(destination) from deliveries where destination > known.id) from known where known.id is not null`

/** Destinations that messages were queued for, those included that are configured no more. */
export const destinationsOfMessages = async (tx: Tx): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string }>(
    `with recursive known (id) as (${everyDestination}) select id from known where id is not null`,
  )
  return rows.map((r) => r.id)
}

/**
 * The rows asked for, newest first. Those of an order are few. Else the newest of each destination and fate are looked
 * up one after another: few are parked among a million that were taken, and they are found without passing by those.
 */
const rowsAsked = ({ order, destination, before }: DeliveryFilter, value: (v: unknown) => string): string => {
  const older = before === undefined ? '' : `and seq < ${value(before)}::bigint`
  if (order !== undefined)
    return `select * from deliveries where order_id = ${value(order)}::uuid and fate = any($2) ${older}
      ${destination === undefined ? '' : `and destination = ${value(destination)}`}`
  return `with recursive known (id) as (${destination === undefined ? everyDestination : `select ${value(destination)}::text`})
    select m.* from known, unnest($2::text[]) f, lateral (select * from deliveries
      where destination = known.id and fate = f ${older} order by seq desc limit $1) m`
}

/** For the operator, newest first: without the message itself. What waits for a closed destination is due no sooner. */
export const listDeliveries = async (tx: Tx, filter: DeliveryFilter, limit: number): Promise<DeliveryPage> => {
  const values: unknown[] = [limit + 1, filter.fate === undefined ? fates : [filter.fate]]
  const asked = rowsAsked(filter, (v) => `$${values.push(v)}`)
  const rows = await tx.query<DeliveryRow & { seq: number }>(
    `select d.seq, d.id, d.destination, d.order_id as "order", d.fate, d.reason, d.attempts, d.queued_at as "queuedAt",
       greatest(d.next_attempt, case when d.next_attempt is not null then p.closed_until end) as "nextAttempt",
       d.sent_at as "sentAt", d.answered_at as "answeredAt"
     from (${asked}) d left join destinations p on p.id = d.destination order by d.seq desc limit $1`,
    values,
  )
  const shown = rows.slice(0, limit)
  const last = shown.at(-1)
  const deliveries = shown.map(({ seq: _seq, ...row }) => row)
  return { deliveries, ...(rows.length > limit && last && { next: last.seq }) }
}

/**
 * Sends a message again: one that is parked, refused or sent becomes due now, and one that may have arrived is looked
 * for first. Only the newest for its order and destination: an older one would take back what was told since. An
 * attempt that is under way goes on. A destination in trouble is tried at once, since a person asks.
 */
export const replayDelivery = async (tx: Tx, id: string): Promise<Queued | 'not-known' | 'message-superseded'> => {
  if (!isId(id)) return 'not-known'
  const [row] = await tx.query<Queued>(
    `with again as (
       update deliveries d set fate = case when fate = 'unsure' or may_be_there then 'unsure' else 'queued' end,
         next_attempt = clock_timestamp(), attempts = 0, reason = null, queued_at = clock_timestamp(),
         replayed_at = clock_timestamp(), leased_until = case when fate in ('queued', 'unsure') then leased_until end
       where id = $1 and fate <> 'superseded' and not exists (select from deliveries n
         where n.destination = d.destination and n.order_id = d.order_id and n.seq > d.seq) returning id, destination),
     tried as (update destinations p set closed_until = clock_timestamp() from again
       where p.id = again.destination and p.closed_until > clock_timestamp())
     select id, destination from again`,
    [id],
  )
  if (row) return row
  const [there] = await tx.query('select 1 as x from deliveries where id = $1', [id])
  return there ? 'message-superseded' : 'not-known'
}
