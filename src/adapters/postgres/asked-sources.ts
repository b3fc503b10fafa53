/** The rows of sources that are asked, and of what was seen there. Their pace is real time. */
import { randomBytes } from 'node:crypto'
import type { EvidenceType } from '../../model/configuration.ts'
import type { Tx } from './database.ts'

/** A source that is known from now on is asked at once. */
export const knowSources = (tx: Tx, ids: readonly string[]) =>
  tx.query(
    `insert into asked_sources (id, hook_secret) select x.id, x.secret
     from json_to_recordset($1) as x(id text, secret text) on conflict (id) do nothing`,
    [JSON.stringify(ids.map((id) => ({ id, secret: randomBytes(24).toString('base64url') })))],
  )

/** Those of these that are to be asked now and that nobody is asking. */
export const dueSources = async (tx: Tx, ids: readonly string[]): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string }>(
    `select id from asked_sources where id = any($1) and next_at <= clock_timestamp()
       and (leased_until is null or leased_until < clock_timestamp())`,
    [ids],
  )
  return rows.map((r) => r.id)
}

/** Moments are milliseconds since 1970. */
export interface Leased {
  readonly id: string
  /** Each lease gets the next one: whoever was overtaken writes nothing any more. */
  readonly fence: number
  readonly watermark: number | null
  readonly swept: number | null
  readonly hinted: number | null
  readonly found: number | null
  readonly failures: number
  readonly secret: string
  readonly subscription: string | null
  readonly subscriptionStatus: string | null
  readonly subscriptionSince: number | null
  readonly subscriptionChecked: number | null
}

const ms = (column: string): string => `(extract(epoch from ${column}) * 1000)::float8`

const leased = `id, fence, failures, hook_secret as secret, subscription, subscription_status as "subscriptionStatus",
  ${ms('watermark')} as watermark, ${ms('swept_at')} as swept,
  ${ms('hinted_at')} as hinted, ${ms('found_at')} as found, ${ms('subscription_since')} as "subscriptionSince",
  ${ms('subscription_checked')} as "subscriptionChecked"`

/** Takes a source that is due, for so many seconds; undefined where another instance was quicker. */
export const leaseSource = async (tx: Tx, id: string, seconds: number): Promise<Leased | undefined> => {
  const [row] = await tx.query<Leased>(
    `update asked_sources set leased_until = clock_timestamp() + make_interval(secs => $2), fence = fence + 1,
       tried_at = clock_timestamp()
     where id = $1 and next_at <= clock_timestamp() and (leased_until is null or leased_until < clock_timestamp())
     returning ${leased}`,
    [id, seconds],
  )
  return row
}

/** @returns whether it is still ours */
export const renewLease = async (tx: Tx, { id, fence }: Leased, seconds: number): Promise<boolean> => {
  const rows = await tx.query(
    `update asked_sources set leased_until = clock_timestamp() + make_interval(secs => $3)
     where id = $1 and fence = $2 returning 1 as x`,
    [id, fence, seconds],
  )
  return rows.length > 0
}

export interface Asked {
  /** Seconds until it is asked again. */
  readonly pause: number
  /** Absent: it went well. */
  readonly trouble?: string
  readonly warnings: readonly string[]
  readonly watermark?: number
  readonly skew?: number
  readonly swept: boolean
  /** A search by time has found something new. */
  readonly found: boolean
}

/** Gives the source back with what came of asking it; a hint that came meanwhile has it asked again at once. */
export const settleSource = (tx: Tx, { id, fence, hinted }: Leased, asked: Asked) =>
  tx.query(
    `update asked_sources set leased_until = null, trouble = $3, warnings = $4,
       failures = case when $3::text is null then 0 else failures + 1 end,
       good_at = case when $3::text is null then clock_timestamp() else good_at end,
       watermark = greatest(watermark, to_timestamp($5::float8 / 1000)),
       swept_at = case when $7 then clock_timestamp() else swept_at end,
       skew_seconds = coalesce($6, skew_seconds),
       found_at = case when $10 then clock_timestamp() else found_at end,
       next_at = case when $3::text is null and coalesce(${ms('hinted_at')}, 0) > coalesce($9::float8, 0)
         then clock_timestamp() else clock_timestamp() + make_interval(secs => $8) end
     where id = $1 and fence = $2`,
    [
      id,
      fence,
      asked.trouble ?? null,
      asked.warnings,
      asked.watermark ?? null,
      asked.skew ?? null,
      asked.swept,
      asked.pause,
      hinted,
      asked.found,
    ],
  )

/** Somebody says that something changed there: it is asked as soon as nobody is asking. */
export const hintAt = (tx: Tx, id: string) =>
  tx.query(
    `update asked_sources set hinted_at = clock_timestamp(),
       next_at = case when failures = 0 then least(next_at, clock_timestamp()) else next_at end
     where id = $1`,
    [id],
  )

/** What a notification of this source has to carry; undefined for one that is not asked. */
export const hookSecret = async (tx: Tx, id: string): Promise<string | undefined> => {
  const [row] = await tx.query<{ secret: string }>('select hook_secret as secret from asked_sources where id = $1', [
    id,
  ])
  return row?.secret
}

export interface Subscribed {
  readonly subscription: string | null
  readonly status: string | null
  /** It was made, or made anew. */
  readonly made: boolean
  /** It has to tell of changes as of now. */
  readonly since: boolean
  readonly trouble?: string
}

export const noteSubscription = (tx: Tx, { id, fence }: Leased, s: Subscribed) =>
  tx.query(
    `update asked_sources set subscription = $3, subscription_status = $4, subscription_checked = clock_timestamp(),
       subscription_since = case when $5 then clock_timestamp() else subscription_since end,
       subscription_made = subscription_made + case when $6 then 1 else 0 end, subscription_trouble = $7
     where id = $1 and fence = $2`,
    [id, fence, s.subscription, s.status, s.since, s.made, s.trouble ?? null],
  )

export type Fate = 'taken' | 'not-ours' | 'refused'

export interface Seen {
  readonly type: 'ServiceRequest' | 'Patient' | EvidenceType
  readonly id: string
  readonly version: string
  readonly fate: Fate
  /** Of an order: it may still be worked on. */
  readonly open: boolean
  /** Their id of an order's patient, or of the record that takes the place of a patient's. */
  readonly patient?: string
  /** Codes of ours, with places. */
  readonly problems: readonly string[]
}

/** It is tried again, whatever comes of it. */
export const noteTried = (tx: Tx, source: string, { type, id }: Pick<Seen, 'type' | 'id'>) =>
  tx.query(
    `update seen_at_sources set tries = tries + 1, seen_at = clock_timestamp()
     where source = $1 and type = $2 and id = $3`,
    [source, type, id],
  )

/** What was seen of these, by their ids. */
export const seenBefore = async (
  tx: Tx,
  source: string,
  type: Seen['type'],
  ids: readonly string[],
): Promise<ReadonlyMap<string, Pick<Seen, 'version' | 'fate'>>> => {
  const rows = await tx.query<Seen>(
    'select id, version, fate from seen_at_sources where source = $1 and type = $2 and id = any($3)',
    [source, type, ids],
  )
  return new Map(rows.map((r) => [r.id, r]))
}

export const noteSeen = (tx: Tx, source: string, s: Seen) =>
  tx.query(
    `insert into seen_at_sources (source, type, id, version, fate, open, patient, problems)
     values ($1, $2, $3, $4, $5, $6, $7, $8)
     on conflict (source, type, id) do update set version = excluded.version, seen_at = clock_timestamp(),
       tries = case when seen_at_sources.version = excluded.version then seen_at_sources.tries else 0 end,
       fate = excluded.fate, open = excluded.open, patient = excluded.patient, problems = excluded.problems`,
    [source, s.type, s.id, s.version, s.fate, s.open, s.patient ?? null, s.problems],
  )

/** Among the problems of what was taken without a part of it. */
export const notRead = 'not-read'

/**
 * What was refused, or taken without something that could not be read, and is to be tried again: a minute after the
 * first time, later after each.
 * @param anyPause at once, however often it was tried: the configuration may be another one
 */
export const toAskAgain = async (tx: Tx, source: string, anyPause: boolean): Promise<readonly Seen[]> => {
  const rows = await tx.query<Omit<Seen, 'patient'> & { patient: string | null }>(
    `select type, id, version, fate, open, patient, problems from seen_at_sources
     where source = $1 and problems <> '{}' and (fate = 'refused' or array_to_string(problems, ' ') like '%${notRead}%')
       and ($2 or seen_at < clock_timestamp() - least(interval '1 minute' * 2 ^ least(tries, 11), interval '1 day'))
     order by seen_at limit case when $2 then 200 else 20 end`,
    [source, anyPause],
  )
  return rows.map(({ patient, ...seen }) => ({ ...seen, ...(patient !== null && { patient }) }))
}

/** Their ids of the orders that may still be worked on. */
export const openThere = async (tx: Tx, source: string): Promise<readonly string[]> =>
  (
    await tx.query<{ id: string }>('select id from seen_at_sources where source = $1 and open order by id', [source])
  ).map((r) => r.id)

/**
 * Those of them that may be ours, and those that were closed of late: an EHR may complete an order together with the act
 * that it asks for.
 */
export const openOrdersThere = async (tx: Tx, source: string): Promise<readonly string[]> =>
  (
    await tx.query<{ id: string }>(
      `select id from seen_at_sources where source = $1 and open and fate <> 'not-ours'
       union select id from seen_at_sources where source = $1 and type = 'ServiceRequest' and fate = 'taken'
         and not open and seen_at > clock_timestamp() - interval '2 days'
       order by id`,
      [source],
    )
  ).map((r) => r.id)

/** Their ids of the patients of those orders, and of the records that took the place of one. */
export const openPatientsThere = async (tx: Tx, source: string): Promise<readonly string[]> =>
  (
    await tx.query<{ id: string }>(
      `with recursive p (id) as (
         select patient from seen_at_sources where source = $1 and open and patient is not null
         union select s.patient from p join seen_at_sources s on s.source = $1 and s.type = 'Patient' and s.id = p.id
           where s.patient is not null)
       select id from p order by id`,
      [source],
    )
  ).map((r) => r.id)

/** Orders of others are known so that each is counted once; after a day nobody asks about them again. */
export const forgetOthers = (tx: Tx, source: string) =>
  tx.query(
    `delete from seen_at_sources where source = $1 and fate = 'not-ours' and seen_at < clock_timestamp() - interval '1 day'`,
    [source],
  )

export interface AskedSource {
  readonly id: string
  readonly [column: string]: unknown
}

/** For the operator: how far each source is known, what stands in the way, and what was not taken. No patient data. */
export const listAskedSources = async (tx: Tx, ids: readonly string[]): Promise<readonly AskedSource[]> =>
  tx.query<AskedSource>(
    `select a.id, a.watermark as "knownUpTo", a.tried_at as "askedAt", a.good_at as "goodAt", a.next_at as "nextAt",
       a.swept_at as "sweptAt", a.failures, a.trouble, a.warnings, a.skew_seconds as "clockAheadBySeconds",
       a.hinted_at as "notifiedAt",
       json_build_object('id', a.subscription, 'status', a.subscription_status, 'checkedAt', a.subscription_checked,
         'made', a.subscription_made, 'trouble', a.subscription_trouble) as subscription,
       (select coalesce(json_object_agg(n.fate, n.n), '{}') from (select fate, count(*)::int as n from seen_at_sources s
          where s.source = a.id and s.type = 'ServiceRequest' group by fate) n) as orders,
       (select coalesce(json_agg(r), '[]') from (select type, id, version, seen_at as "seenAt", problems
          from seen_at_sources s where s.source = a.id and s.fate = 'refused' order by seen_at desc limit 50) r) as refused,
       (select coalesce(json_agg(r), '[]') from (select type, id, version, seen_at as "seenAt", problems
          from seen_at_sources s where s.source = a.id and s.fate = 'taken' and s.problems <> '{}'
          order by seen_at desc limit 50) r) as odd
     from asked_sources a where a.id = any($1) order by a.id`,
    [ids],
  )
