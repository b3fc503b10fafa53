/**
 * The rows of destinations: paused by an operator, or closed by trouble of their own, so that a thousand messages do not
 * each find out again that nobody is there. Their pace is real time.
 */
import type { Tx } from './database.ts'

/** SQL: whether a message may go there now. Another one being tried at a closed destination, it may not. */
export const openSql = (destination: string): string =>
  `not exists (select from destinations p where p.id = ${destination} and (p.paused or p.closed_until > statement_timestamp()
     or (p.closed_until is not null and p.probing_until > statement_timestamp())))`

export const pauseDestination = (tx: Tx, id: string, reason: string) =>
  tx.query(
    'insert into destinations (id, paused, reason) values ($1, true, $2) on conflict (id) do update set paused = true, reason = excluded.reason',
    [id, reason],
  )

const forgotten =
  'strikes = 0, struck_by = null, closings = 0, closed_until = null, closed_since = null, probing_until = null, trouble = null'

/** What waited meanwhile goes out at once, trouble or not: a person says that it may. */
export const resumeDestination = async (tx: Tx, id: string): Promise<void> => {
  await tx.query(`update destinations set paused = false, reason = null, ${forgotten} where id = $1`, [id])
  await dueNow(tx, id)
}

/** What waits for its next attempt has it now. */
const dueNow = (tx: Tx, destination: string) =>
  tx.query(
    `update deliveries set next_attempt = statement_timestamp() where destination = $1 and fate in ('queued', 'unsure')
       and next_attempt > statement_timestamp() and leased_until is null`,
    [destination],
  )

/**
 * Something arrived there. Where it was closed, all that waits may follow at once.
 * @param probe whether it was the message that was tried at the closed destination
 */
export const noteArrival = async (tx: Tx, destination: string, probe: boolean): Promise<void> => {
  await tx.query(`update destinations set ${forgotten} where id = $1`, [destination])
  if (probe) await dueNow(tx, destination)
}

export interface Blow {
  readonly destination: string
  readonly delivery: string
  readonly probe: boolean
  /** No other message would fare better. */
  readonly certain: boolean
  readonly reason: string
  /** So many different messages in a row close it. */
  readonly strikesToClose: number
  /** @returns seconds, for the so-manieth closing in a row */
  readonly closedFor: (closing: number) => number
}

/**
 * A message failed there, perhaps by their trouble. Closes the destination where that is certain or too many failed in a
 * row; one message that fails again and again counts once. Those that fail side by side close it once.
 * @returns seconds for which it is closed now; undefined: it was not this that closed it
 */
export const noteTrouble = async (tx: Tx, blow: Blow): Promise<number | undefined> => {
  await tx.query('insert into destinations (id) values ($1) on conflict do nothing', [blow.destination])
  const [row] = await tx.query<{ strikes: number; closings: number }>(
    `update destinations set strikes = strikes + case when struck_by = $2 then 0 else 1 end, struck_by = $2
     where id = $1 returning strikes, closings`,
    [blow.destination, blow.delivery],
  )
  if (row === undefined || !(blow.certain || blow.probe || row.strikes >= blow.strikesToClose)) return undefined
  const wait = blow.closedFor(row.closings + 1)
  const closed = await tx.query(
    `update destinations set closings = $2, closed_until = clock_timestamp() + make_interval(secs => $3),
       closed_since = coalesce(closed_since, clock_timestamp()), probing_until = null, trouble = $4
     where id = $1 and (closed_until is null or $5) returning id`,
    [blow.destination, row.closings + 1, wait, blow.reason, blow.probe],
  )
  return closed.length > 0 ? wait : undefined
}

/** Which of these have a message that may go now. Costs the same for one message and for a hundred thousand. */
export const withWork = async (tx: Tx, destinations: readonly string[]): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string }>(
    `select r.id from unnest($1::text[]) r (id) where ${openSql('r.id')}
       and exists (select from deliveries d where d.destination = r.id and d.fate in ('queued', 'unsure')
         and d.next_attempt <= statement_timestamp() and (d.leased_until is null or d.leased_until < statement_timestamp()))`,
    [destinations],
  )
  return rows.map((r) => r.id)
}

/**
 * Parks what has waited for a closed destination longer than a message may: the tries that go there are of other
 * messages. A few hundred at once.
 */
export const parkTooOld = (tx: Tx, ageSeconds: number) =>
  tx.query(
    `update deliveries d set fate = 'parked', next_attempt = null, may_be_there = d.fate = 'unsure',
       reason = coalesce(d.reason, (select p.trouble from destinations p where p.id = d.destination))
         || ' Given up after ' || round($1::float8 / 3600) || ' h.'
     where d.id = any(array(select old.id from destinations p, lateral (
       select o.id from deliveries o where o.destination = p.id and o.fate in ('queued', 'unsure')
         and o.next_attempt <= statement_timestamp() - make_interval(secs => $1::float8) and o.leased_until is null
       order by o.next_attempt limit 500 for update skip locked) old
     where p.closed_until is not null and not p.paused))`,
    [ageSeconds],
  )

export interface DestinationRow {
  readonly id: string
  readonly paused: boolean
  /** Why it is paused. */
  readonly reason: string | null
  readonly closedSince: string | null
  /** When the next message is tried at a closed destination. */
  readonly closedUntil: string | null
  /** Why it is closed. */
  readonly trouble: string | null
  readonly waiting: number
}

/** For the operator: each destination, what stands in its way, and how many messages wait for it. */
export const listDestinations = (tx: Tx, ids: readonly string[]): Promise<readonly DestinationRow[]> =>
  tx.query<DestinationRow>(
    `select r.id, coalesce(p.paused, false) as paused, p.reason, p.closed_since as "closedSince",
       p.closed_until as "closedUntil", p.trouble,
       (select count(*)::int from deliveries d where d.destination = r.id and d.fate in ('queued', 'unsure')) as waiting
     from unnest($1::text[]) with ordinality r (id, place) left join destinations p on p.id = r.id order by r.place`,
    [ids],
  )
