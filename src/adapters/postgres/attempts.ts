/** Taking deliveries for an attempt, and writing down what became of it. Fenced: of two attempts, the later one counts. */
import type { Tx } from './database.ts'
import type { Fate } from './deliveries.ts'
import { openSql } from './destinations.ts'

export interface Claimed {
  readonly id: string
  readonly destination: string
  /** null: it is about no order. */
  readonly order_id: string | null
  readonly body: string
  readonly request_id: string
  readonly fate: 'queued' | 'unsure'
  /** Counts from 1. */
  readonly attempts: number
  /** Each claim gets the next one: an attempt that was overtaken cannot write any more. */
  readonly fence: number
  readonly age_seconds: number
  /** A person asked for it again. */
  readonly replayed: boolean
  /** They answered its Task although we do not know that it arrived. */
  readonly answered: boolean
  /** They have had a message about this order before. */
  readonly follows: boolean
  /** The one message that is tried at a closed destination. */
  readonly probe: boolean
  /** Messages to this destination failed since the last one that arrived. */
  readonly troubled: boolean
}

/**
 * Takes the next delivery of a destination for one attempt, if any is due. Nothing overtakes: one that follows another
 * for the same order is not due before that one's end. A paused destination gives nothing, a closed one nothing before
 * its time and then one message at a time. A lease that ran out was that of an attempt that nobody finished: what became
 * of it is unknown.
 *
 * Many call it at once, from several instances: rows that another is just taking are passed over. Times are compared
 * with the statement's own, which an index can be asked for.
 */
export const claimNext = async (tx: Tx, destination: string, leaseSeconds: number): Promise<Claimed | undefined> => {
  const [row] = await tx.query<Claimed>(
    `with gate as (select closed_until is not null as closed, closed_until is not null or strikes > 0 as troubled
       from destinations where id = $1),
     due as (select d.id from deliveries d
       where ${openSql('$1')} and d.destination = $1 and d.fate in ('queued', 'unsure')
         and d.next_attempt <= statement_timestamp() and (d.leased_until is null or d.leased_until < statement_timestamp())
         and not exists (select from deliveries o where o.order_id = d.order_id and o.destination = d.destination
           and o.seq < d.seq and o.fate in ('queued', 'unsure'))
       order by d.next_attempt limit 1 for update skip locked),
     probe as (update destinations p set probing_until = statement_timestamp() + make_interval(secs => $2)
       where p.id = $1 and p.closed_until <= statement_timestamp() and exists (select from due)
         and (p.probing_until is null or p.probing_until < statement_timestamp()) returning p.id)
     update deliveries d set leased_until = statement_timestamp() + make_interval(secs => $2), attempts = attempts + 1,
       fence = fence + 1, fate = case when leased_until is null then fate else 'unsure' end
     where d.id = (select id from due)
       and (exists (select from probe) or not coalesce((select closed from gate), false))
     returning id, destination, order_id, body, request_id, fate, attempts, fence, replayed_at is not null as replayed,
       coalesce(answered_at >= queued_at, false) as answered,
       exists (select from deliveries o where o.order_id = d.order_id and o.destination = d.destination and o.seq <= d.seq
         and o.sent_at is not null) as follows,
       extract(epoch from clock_timestamp() - queued_at)::float8 as age_seconds,
       exists (select from probe) as probe, coalesce((select troubled from gate), false) as troubled`,
    [destination, leaseSeconds],
  )
  return row
}

/** A message about an order. */
export type OfOrder = Claimed & { readonly order_id: string }

export const isOfOrder = (claimed: Claimed): claimed is OfOrder => claimed.order_id !== null

export interface Attempted {
  readonly fate: Fate
  readonly reason?: string
  /** Until the next attempt; absent: none. */
  readonly delaySeconds?: number
  /** It was sent, and nobody knows whether it arrived. */
  readonly mayBeThere: boolean
}

/** Writes what became of an attempt, unless a later attempt has begun. What was answered before it arrived is taken now. */
export const settleDelivery = async (tx: Tx, claimed: Claimed, result: Attempted): Promise<void> => {
  const [row] = await tx.query<{ answered: boolean }>(
    `update deliveries set fate = $3, reason = $4, leased_until = null, may_be_there = $6,
       next_attempt = case when $5::float8 is null then null else clock_timestamp() + make_interval(secs => $5::float8) end,
       sent_at = case when $3 in ('sent', 'taken') then clock_timestamp() else sent_at end,
       answered_at = case when $3 = 'taken' then clock_timestamp() else answered_at end
     where id = $1 and fence = $2 and fate in ('queued', 'unsure')
     returning fate = 'sent' and answered_at >= queued_at as answered`,
    [claimed.id, claimed.fence, result.fate, result.reason ?? null, result.delaySeconds ?? null, result.mayBeThere],
  )
  if (claimed.order_id === null && (result.fate === 'refused' || result.fate === 'parked')) await untell(tx, claimed.id)
  // a statement of its own: the first may have waited for the answer to be committed, and does not see its Task
  if (row?.answered) await takeAnswered(tx, claimed.id)
}

/** An alert that is given up was told to nobody: the next moment tells of its gaps. */
const untell = (tx: Tx, id: string) => tx.query('delete from told_gaps where delivery = $1', [id])

/** By what the Tasks of this message say by now. */
const takeAnswered = (tx: Tx, id: string) =>
  tx.query(
    `update deliveries d set fate = case when a.taken then 'taken' else 'refused' end
     from (select bool_or(t.state->>'status' <> 'rejected') as taken from tasks t, deliveries m
       where m.id = $1 and t.order_id = m.order_id and t.state->>'readingService' = m.destination
         and position(t.id::text in m.body) > 0 and t.state->>'asks' = 'fulfill'
         and (t.state->>'status' = 'rejected' or t.state::jsonb ? 'acceptedAt')) a
     where d.id = $1 and d.fate = 'sent' and a.taken is not null`,
    [id],
  )
