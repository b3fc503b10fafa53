/** The rows of deliveries: queueing, claiming, and what became of an attempt. Their pace is real time. */
import { randomUUIDv7 } from 'node:crypto'
import type { Patient, ServiceRequest } from 'fhir/r4.js'
import { type LinkedOrder, linkedOrderBundle } from '../../flow/forward-order/linked-order.ts'
import type { Forward } from '../../flow/step.ts'
import type { DeviceState, LinkState, OrderState, State, StubState, TaskState } from '../../model/states.ts'
import { parseExactly, writeJson } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { isId, readResource, type Sight } from './find-resources.ts'
import { statesAround, statesById } from './load-states.ts'
import { resourceText } from './resource-text.ts'

export type Fate = 'queued' | 'sent' | 'taken' | 'refused' | 'unsure' | 'parked' | 'superseded'

export interface Queued {
  readonly id: string
  readonly destination: string
}

const everything: Sight = undefined

const ofKind = <K extends State['kind']>(states: readonly State[], kind: K) =>
  states.filter((s): s is Extract<State, { kind: K }> => s.kind === kind)

const wholeResource = async <T>(tx: Tx, type: string, id: string): Promise<T> => {
  const row = await readResource(tx, type, id, everything)
  if (row === undefined) throw new Error(`${type}/${id} is not stored`)
  return parseExactly(resourceText(row)) as T
}

/** The linked order as it stands after the step. */
const linkedOrder = async (tx: Tx, { orderId, readingService }: Forward): Promise<LinkedOrder> => {
  const states = await statesAround(tx, [orderId], [])
  const order = ofKind(states, 'order').find((o): o is OrderState => o.id === orderId)
  if (order === undefined) throw new Error(`order ${orderId} is not stored`)
  const links: readonly LinkState[] = ofKind(states, 'link')
  const devices = (await statesById(tx, 'device', [...new Set(links.map((l) => l.deviceId))])) as readonly DeviceState[]
  const tasks: readonly TaskState[] = ofKind(states, 'task').filter((t) => t.readingService === readingService)
  const stubs: readonly StubState[] = ofKind(states, 'stub')
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

/**
 * Queues one message for each destination, in the caller's transaction. Older ones for the same order that were never
 * tried are superseded: each message is complete.
 */
export const queueDeliveries = async (
  tx: Tx,
  forward: readonly Forward[],
  requestId: string,
): Promise<readonly Queued[]> => {
  const queued: Queued[] = []
  for (const f of forward) {
    const id = randomUUIDv7()
    const body = writeJson(linkedOrderBundle(await linkedOrder(tx, f), id))
    await tx.query(
      `with older as (update deliveries set fate = 'superseded', next_attempt = null
         where destination = $2 and order_id = $3 and (fate = 'parked' or (fate = 'queued' and (leased_until is null or leased_until < clock_timestamp()))))
       insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, announced_at, queued_at)
       select $1, $2, $3, $4, $5, 'queued', t, t, t from clock_timestamp() t`,
      [id, f.readingService, f.orderId, body, requestId],
    )
    queued.push({ id, destination: f.readingService })
  }
  return queued
}

export interface Claimed {
  readonly id: string
  readonly destination: string
  readonly order_id: string
  readonly body: string
  readonly request_id: string
  readonly fate: 'queued' | 'unsure'
  /** Counts from 1. */
  readonly attempts: number
  /** Each claim gets the next one: an attempt that was overtaken cannot write any more. */
  readonly fence: number
  readonly age_seconds: number
}

/**
 * Takes a delivery for one attempt, unless it is not due, its destination is paused, or an older message for the same
 * order and destination is still under way: nothing overtakes. A lease that ran out was that of an attempt that nobody
 * finished: what became of it is unknown.
 */
export const claimDelivery = async (tx: Tx, id: string, leaseSeconds: number): Promise<Claimed | undefined> => {
  const [row] = await tx.query<Claimed>(
    `update deliveries d set leased_until = clock_timestamp() + make_interval(secs => $2), attempts = attempts + 1, fence = fence + 1,
       fate = case when leased_until is null then fate else 'unsure' end
     where d.id = $1 and fate in ('queued', 'unsure')
       and (leased_until is null or leased_until < clock_timestamp())
       and next_attempt <= clock_timestamp()
       and not exists (select from destinations p where p.id = d.destination and p.paused)
       and not exists (select from deliveries o where o.destination = d.destination and o.order_id = d.order_id
         and o.seq < d.seq and o.fate in ('queued', 'unsure'))
     returning id, destination, order_id, body, request_id, fate, attempts, fence,
       extract(epoch from clock_timestamp() - queued_at)::float8 as age_seconds`,
    [id, leaseSeconds],
  )
  return row
}

export interface Attempted {
  readonly fate: Fate
  readonly reason?: string
  /** Until the next attempt; absent: none. */
  readonly delaySeconds?: number
}

/** Writes what became of an attempt, unless a later attempt has begun. @returns the next message in line, if any */
export const settleDelivery = async (tx: Tx, claimed: Claimed, result: Attempted): Promise<Queued | undefined> => {
  const rows = await tx.query<{ id: string }>(
    `update deliveries set fate = $3, reason = $4, leased_until = null,
       next_attempt = case when $5::float8 is null then null else clock_timestamp() + make_interval(secs => $5::float8) end,
       sent_at = case when $3 = 'sent' then clock_timestamp() else sent_at end
     where id = $1 and fence = $2 and fate in ('queued', 'unsure') returning id`,
    [claimed.id, claimed.fence, result.fate, result.reason ?? null, result.delaySeconds ?? null],
  )
  if (rows.length === 0 || result.fate === 'queued' || result.fate === 'unsure') return undefined
  const [next] = await tx.query<Queued>(
    `select id, destination from deliveries where destination = $1 and order_id = $2 and fate in ('queued', 'unsure') order by seq limit 1`,
    [claimed.destination, claimed.order_id],
  )
  return next
}

/**
 * Deliveries that are due and have no job: retries whose time has come, and those whose job seems lost. Each is marked,
 * so that a backlog is not announced again and again.
 *
 * @param lostSeconds a job that led to no attempt for so long is missed
 */
export const takeUnannounced = (tx: Tx, limit: number, lostSeconds: number): Promise<readonly Queued[]> =>
  tx.query<Queued>(
    `update deliveries set announced_at = clock_timestamp() where id in (
       select id from deliveries d where fate in ('queued', 'unsure') and next_attempt <= clock_timestamp()
         and (announced_at is null or announced_at < next_attempt or announced_at < clock_timestamp() - make_interval(secs => $2))
         and (leased_until is null or leased_until < clock_timestamp())
         and not exists (select from destinations p where p.id = d.destination and p.paused)
       order by next_attempt limit $1 for update skip locked)
     returning id, destination`,
    [limit, lostSeconds],
  )

/**
 * The reading service's answer to a Task: the newest message with this Task of which we know that it arrived is taken
 * or refused. Where we know of none, the one under way is: they cannot answer what they do not have.
 */
export const answerDelivery = (
  tx: Tx,
  { readingService, orderId, id }: Pick<TaskState, 'readingService' | 'orderId' | 'id'>,
  taken: boolean,
) =>
  tx.query(
    `with answered as (select id from deliveries where destination = $1 and order_id = $2 and position($3 in body) > 0
         and (fate in ('sent', 'taken', 'refused') or (fate in ('queued', 'unsure') and attempts > 0))
         order by fate in ('sent', 'taken', 'refused') desc, seq desc limit 1),
       waiting as (update deliveries set announced_at = null where destination = $1 and order_id = $2
         and fate in ('queued', 'unsure') and id not in (select id from answered))
     update deliveries set fate = $4, answered_at = clock_timestamp(), next_attempt = null,
       sent_at = coalesce(sent_at, clock_timestamp())
     where id in (select id from answered)`,
    [readingService, orderId, id, taken ? 'taken' : 'refused'],
  )

export interface DeliveryRow {
  readonly id: string
  readonly destination: string
  readonly order: string
  readonly fate: Fate
  readonly reason: string | null
  readonly attempts: number
  readonly queuedAt: string
  readonly nextAttempt: string | null
  readonly sentAt: string | null
  readonly answeredAt: string | null
}

/** For the operator: without the message itself. */
export const listDeliveries = (
  tx: Tx,
  filter: { destination?: string; fate?: string; order?: string },
  limit: number,
): Promise<readonly DeliveryRow[]> =>
  filter.order !== undefined && !isId(filter.order)
    ? Promise.resolve([])
    : tx.query<DeliveryRow>(
        `select id, destination, order_id as "order", fate, reason, attempts, queued_at as "queuedAt", next_attempt as "nextAttempt",
       sent_at as "sentAt", answered_at as "answeredAt"
     from deliveries where ($1::text is null or destination = $1) and ($2::text is null or fate = $2) and ($3::uuid is null or order_id = $3)
     order by seq desc limit $4`,
        [filter.destination ?? null, filter.fate ?? null, filter.order ?? null, limit],
      )

/**
 * Sends a message again: one that is parked, refused or sent becomes due now. Only the newest for its order and
 * destination: an older one would take back what was told since. An attempt that is under way goes on.
 */
export const replayDelivery = async (tx: Tx, id: string): Promise<Queued | 'not-known' | 'message-superseded'> => {
  if (!isId(id)) return 'not-known'
  const [row] = await tx.query<Queued>(
    `update deliveries d set fate = case when fate = 'unsure' then 'unsure' else 'queued' end, next_attempt = clock_timestamp(),
       attempts = 0, reason = null, queued_at = clock_timestamp(),
       leased_until = case when leased_until > clock_timestamp() then leased_until end
     where id = $1 and fate <> 'superseded' and not exists (select from deliveries n
       where n.destination = d.destination and n.order_id = d.order_id and n.seq > d.seq) returning id, destination`,
    [id],
  )
  if (row) return row
  const [there] = await tx.query('select 1 as x from deliveries where id = $1', [id])
  return there ? 'message-superseded' : 'not-known'
}

export const pauseDestination = (tx: Tx, id: string, reason: string) =>
  tx.query(
    'insert into destinations (id, paused, reason) values ($1, true, $2) on conflict (id) do update set paused = true, reason = excluded.reason',
    [id, reason],
  )

/** What waited meanwhile is looked at again at once. */
export const resumeDestination = (tx: Tx, id: string) =>
  tx.query(
    `with resumed as (update destinations set paused = false, reason = null where id = $1)
     update deliveries set announced_at = null where destination = $1 and fate in ('queued', 'unsure')`,
    [id],
  )
