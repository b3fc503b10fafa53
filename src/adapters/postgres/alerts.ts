/** Alerts: what was told to whom, and the message of a moment with its delivery, in one transaction. */
import { randomUUIDv7 } from 'node:crypto'
import { type Digest, type Due, digestOf, type ToldGap, toldBy } from '../../flow/watch-flow/alerts/digest.ts'
import { alertMessage, type Labels } from '../../flow/watch-flow/alerts/message.ts'
import type { AlertMoment, AtOnce } from '../../flow/watch-flow/alerts/moments.ts'
import { gapRules } from '../../flow/watch-flow/gaps.ts'
import type { Severity, Site } from '../../model/configuration.ts'
import { msOf } from '../../model/instant.ts'
import { localDateOf } from '../../model/local-day.ts'
import type { GapState, Instant } from '../../model/states.ts'
import { instantSql } from '../clock.ts'
import type { Database, Tx } from './database.ts'
import type { Queued } from './deliveries.ts'
import { labelsOf, type Watching } from './evenings.ts'
import { inStep } from './run-step.ts'

export interface Alerting extends Watching {
  /** Wakes whoever delivers, in the transaction that queues. */
  readonly announce: (tx: Tx, queued: readonly Queued[]) => Promise<void>
  /** For links. */
  readonly publicUrl: () => string
}

/** Up to which moment each recipient was looked after. One that is new is looked after from now on. */
export const lookedUntil = async (
  db: Database,
  recipients: readonly string[],
  now: Instant,
): Promise<ReadonlyMap<string, Instant>> => {
  await db.query(
    `insert into alerts (recipient, moment, looked_at) select r, $2::timestamptz, $2::timestamptz from unnest($1::text[]) r
     where not exists (select from alerts a where a.recipient = r) on conflict do nothing`,
    [recipients, now],
  )
  const rows = await db.query<{ recipient: string; moment: Instant }>(
    `select r as recipient, ${instantSql('m.moment')} as moment from unnest($1::text[]) r
     cross join lateral (select moment from alerts where recipient = r order by moment desc limit 1) m`,
    [recipients],
  )
  return new Map(rows.map((r) => [r.recipient, r.moment]))
}

/** The number of the newest fact about a gap: as long as it stays, no gap has changed. */
export const newestGapFact = async (db: Database): Promise<number> => {
  const [row] = await db.query<{ seq: number }>(
    `select seq::int8 as seq from journal where kind = 'gap' order by seq desc limit 1`,
  )
  return Number(row?.seq ?? 0)
}

/** So many at most go into one digest; those left over come with the next moment. */
const mostAtOnce = 10_000

const codesOf = (severities: readonly Severity[]): readonly string[] =>
  gapRules.filter((r) => severities.includes(r.severity)).map((r) => r.code)

/** The open gaps of these sites, and of no site, of which somebody was not told all there is to tell. */
export const openGaps = async (
  tx: Tx,
  recipient: string,
  sites: readonly string[],
  codes: readonly string[],
): Promise<readonly GapState[]> => {
  const open = (where: string) => `select g.id, g.state from gaps g where g.open and ${where}
    and g.state->>'code' = any($3::text[])
    and g.state->>'acknowledged' is null
    and not exists (select from told_gaps t
      where t.recipient = $1 and t.gap = g.id and t.status in ('final', g.state->>'status'))`
  const rows = await tx.query<{ state: GapState }>(
    `select state from (${open('g.site = any($2::text[])')} union all ${open('g.site is null')}) o order by id limit ${mostAtOnce}`,
    [recipient, sites, codes],
  )
  return rows.map((r) => r.state)
}

/** What a recipient was told of these gaps, up to a moment where one is given. */
export const toldGaps = (tx: Tx, recipient: string, gaps: readonly string[], before?: Instant) =>
  tx.query<ToldGap>(
    `select gap, status from told_gaps where recipient = $1 and gap = any($2::uuid[])
       and ($3::timestamptz is null or told_at < $3::timestamptz)`,
    [recipient, gaps, before ?? null],
  )

/** Present open gaps of a site that belong to other days than one. */
export const openOnOtherDays = async (tx: Tx, site: string, day: string): Promise<readonly GapState[]> => {
  const rows = await tx.query<{ state: GapState }>(
    `select state from gaps where open and site = $1 and state->>'code' = any($3::text[]) and day <> $2::date
     union all select state from gaps where open and site is null and state->>'code' = any($3::text[]) and day <> $2::date`,
    [site, day, gapRules.map((r) => r.code)],
  )
  return rows.map((r) => r.state)
}

/** Only sites that let alerts name orders and recorders have them looked up. */
const labelsFor = (tx: Tx, digest: Digest): Promise<Labels> =>
  labelsOf(tx, {
    gaps: digest.sites.filter((s) => s.site.alertsShow === 'placer').flatMap((s) => s.gaps.map(({ gap }) => gap)),
  })

/** The delivery of a digest, and what its recipient knows by it. */
const queueAlert = async (tx: Tx, w: Alerting, digest: Digest, requestId: string): Promise<string> => {
  const id = randomUUIDv7()
  const body = JSON.stringify(alertMessage(digest, w.publicUrl(), await labelsFor(tx, digest)))
  await tx.query(
    `insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, queued_at)
     select $1, $2, null, $3, $4, 'queued', t, t from clock_timestamp() t`,
    [id, digest.recipient, body, requestId],
  )
  const told = toldBy(digest)
  await tx.query(
    `insert into told_gaps (recipient, gap, status, delivery, told_at)
     select $1, g, s, $4, $5::timestamptz from unnest($2::uuid[], $3::text[]) as x(g, s) on conflict do nothing`,
    [digest.recipient, told.map((t) => t.gap), told.map((t) => t.status), id, digest.asOf],
  )
  await w.announce(tx, [{ id, destination: digest.recipient }])
  return id
}

export interface Telling {
  readonly recipient: string
  /** Moments that may have come; those that somebody looked after meanwhile are passed over. */
  readonly moments: readonly AlertMoment[]
  readonly atOnce: readonly AtOnce[]
  /** As of when the moments were looked up: one that comes after it is not passed over. */
  readonly present: Instant
  readonly requestId: string
}

export interface Told {
  readonly moment: Instant
  /** Absent: there was nothing to tell. */
  readonly delivery?: string
  readonly gaps: number
}

const dueOf = (moments: readonly AlertMoment[], once: readonly AtOnce[], now: Instant): readonly Due[] => [
  ...moments,
  ...once.map(({ site, rule }) => ({ site, rule, day: localDateOf(msOf(now), site.timeZone) })),
]

const sitesOf = (due: readonly Due[]): readonly Site[] => [...new Map(due.map((d) => [d.site.id, d.site])).values()]

/**
 * Tells a recipient what is news to them, under their lock, so that instances take turns: the moment's row, what they
 * know by it and the delivery are committed together or not at all.
 * @returns undefined where another instance was first, or nothing is due
 */
export const tell = async (w: Alerting, telling: Telling): Promise<Told | undefined> => {
  const { recipient, requestId } = telling
  let told: Told | undefined
  const acting = { locks: [`alerts ${recipient}`], caller: { id: 'daybind', role: 'operator' }, requestId } as const
  await inStep(w, acting, async (tx, begun) => {
    const { now } = await begun
    const [last] = await tx.query<{ moment: Instant | null }>(
      `select ${instantSql('max(moment)')} as moment from alerts where recipient = $1`,
      [recipient],
    )
    const moments = telling.moments.filter((m) => m.sendAt > (last?.moment ?? '') && m.sendAt <= now)
    const due = dueOf(moments, telling.atOnce, now)
    if (due.length === 0) return { end: 'rollback' }
    const codes = codesOf(due.flatMap((d) => d.rule.severities))
    const gaps = await openGaps(
      tx,
      recipient,
      sitesOf(due).map((s) => s.id),
      codes,
    )
    const before = await toldGaps(
      tx,
      recipient,
      gaps.map((g) => g.id),
    )
    const moment = moments.at(-1)?.sendAt ?? telling.present
    const digest = digestOf({ recipient, dueAt: moment, asOf: now, due, gaps, told: before })
    if (digest === undefined && moments.length === 0) return { end: 'rollback' }
    const rows = await tx.query(
      `insert into alerts (recipient, moment, looked_at) values ($1, $2::timestamptz, $3::timestamptz)
       on conflict do nothing returning recipient`,
      [recipient, moment, now],
    )
    if (rows.length === 0) return { end: 'rollback' }
    const delivery = digest && (await queueAlert(tx, w, digest, requestId))
    if (delivery !== undefined)
      await tx.query('update alerts set delivery = $3 where recipient = $1 and moment = $2::timestamptz', [
        recipient,
        moment,
        delivery,
      ])
    const count = digest ? toldBy(digest).length : 0
    told = { moment, gaps: count, ...(delivery !== undefined && { delivery }) }
    return { end: 'commit' }
  })
  return told
}
