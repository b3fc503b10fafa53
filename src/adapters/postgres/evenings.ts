/** Evenings: computing one as of any moment from the journal, and issuing one when its moment has come. */
import { createHash } from 'node:crypto'
import { headOf, type IssuedMoment, noHead } from '../../flow/watch-flow/archive.ts'
import { factsFrom } from '../../flow/watch-flow/day-facts.ts'
import { type Evening, eveningBundle, eveningOf, measureReport } from '../../flow/watch-flow/evening.ts'
import { gapsOf } from '../../flow/watch-flow/gaps.ts'
import type { Moment } from '../../flow/watch-flow/moments-due.ts'
import type { Parties, Site, Tolerances } from '../../model/configuration.ts'
import { instantOf } from '../../model/instant.ts'
import { localDay } from '../../model/local-day.ts'
import type { GapState, Instant, State } from '../../model/states.ts'
import { instantSql, settledNow } from '../clock.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { newestHead, noteHead } from './archive.ts'
import { configurationAsOf } from './configuration-fact.ts'
import type { Database, Tx } from './database.ts'
import { ordersById, statesById, statesOfDay } from './load-states.ts'
import { gapChanges, restingOn, watchAround } from './refresh-gaps.ts'
import { deviceLock, inStep, orderLock, wearerLock } from './run-step.ts'
import { save } from './save.ts'
import { siteToken } from './shapes.ts'

export interface Watching {
  readonly db: Database
  readonly parties: Parties
  readonly tolerances: Tolerances
}

const spanOfDay = (day: string, site: Site): readonly [string, string] => {
  const { start, end } = localDay(day, site.timeZone)
  return [instantOf(start), instantOf(end)]
}

interface Recorded {
  readonly seq: number
  readonly state: State
}

/**
 * The states as of a moment of all that has to do with a site's day, from the journal alone: what is filed under the
 * day, everything else of those orders, and of the devices that they lead to; what a source says may be of another order
 * since. Each step is a look-up by key, so that the cost is that of the day, however long the journal.
 */
const statesAsOf = async (tx: Tx, site: Site, day: string, asOf: Instant): Promise<readonly Recorded[]> =>
  tx.query<Recorded>(
    `with about as (
       select order_id, device_id from journal where site = $1 and day = $2 and recorded_at <= $5::timestamptz
       union select order_id, device_id from journal where site = $1 and due_day = $2 and recorded_at <= $5::timestamptz
       union select order_id, device_id from journal
         where site is null and kind = 'return' and occurred_at >= $3 and occurred_at < $4 and recorded_at <= $5::timestamptz),
     orders as (select distinct order_id as id from about where order_id is not null),
     of_orders as (select j.* from orders o cross join lateral (
       select seq, kind, id, device_id, patient_id from journal where order_id = o.id and recorded_at <= $5::timestamptz offset 0) j),
     devices as (select device_id as id from about where device_id is not null
       union select device_id from of_orders where device_id is not null),
     of_devices as (select j.* from devices d cross join lateral (
       select seq, kind, id from journal where device_id = d.id and recorded_at <= $5::timestamptz offset 0) j),
     patients as (select distinct patient_id as id from of_orders where patient_id is not null),
     their_links as (select distinct j.id from patients p cross join lateral (
       select id from journal where patient_id = p.id and recorded_at <= $5::timestamptz offset 0) j),
     of_patients as (select n.seq, 'link' as kind, l.id from their_links l cross join lateral (
       select seq from journal where kind = 'link' and id = l.id and recorded_at <= $5::timestamptz order by seq desc limit 1) n),
     found as (select seq, kind, id from of_orders union all select seq, kind, id from of_devices
       union all select seq, kind, id from of_patients),
     said as (select n.seq, k.kind, k.id from (select distinct kind, id from found where kind = 'kept') k cross join lateral (
       select seq from journal where kind = k.kind and id = k.id and recorded_at <= $5::timestamptz order by seq desc limit 1) n),
     newest as (select max(seq) as seq from (select * from found where kind <> 'kept' union all select * from said) x
       where kind in ('order', 'kept', 'link', 'application', 'conflict', 'return', 'task', 'stub', 'held', 'gap') group by kind, id)
     select seq, state from journal where seq = any(array(select seq from newest)) order by seq`,
    [site.id, day, ...spanOfDay(day, site), asOf],
  )

/** The version of the time zone rules of this process. */
const tzdata = process.versions.tz ?? 'unknown'

/** When the first fact was recorded: of before, nothing can be told. */
export const firstRecorded = async (tx: Tx): Promise<Instant | undefined> => {
  const [row] = await tx.query<{ at: Instant }>(
    `select ${instantSql('recorded_at')} as at from journal order by seq limit 1`,
  )
  return row?.at
}

/**
 * By the configuration that was in force then.
 * @param known what was recorded up to then is known; before `asOf`, where it is asked what the day would look like if
 *   nothing else came
 */
export const eveningAsOf = async (
  w: Watching,
  site: Site,
  day: string,
  asOf: Instant,
  known: Instant = asOf,
): Promise<Evening> => {
  const { parties, tolerances } = (await configurationAsOf(w.db, asOf)) ?? w
  const then = parties.sites.find((s) => s.id === site.id) ?? site
  const recorded = await statesAsOf(w.db, then, day, known)
  const facts = factsFrom(recorded.map((r) => r.state))
  const seqs = new Map(recorded.map(({ seq, state }) => [`${state.kind} ${state.id}`, Number(seq)]))
  const evening = eveningOf(then, day, facts, { asOf, parties, tolerances }, tzdata)
  return { ...evening, gaps: evening.gaps.map((gap) => restingOn(gap, seqs)) }
}

/** The bytes of an evening. */
export const eveningText = (e: Evening): string => writeJson(eveningBundle(e))

export interface Issued {
  readonly moment: string
  readonly as_of: Instant
  readonly due_at: Instant
  readonly report: string
}

export const issuedEvening = async (
  tx: Tx,
  site: string,
  day: string,
  asOf: Instant | undefined,
): Promise<Issued | undefined> => {
  const [row] = await tx.query<Issued>(
    `select moment, ${instantSql('as_of')} as as_of, ${instantSql('due_at')} as due_at, report from evenings
     where site = $1 and day = $2 and as_of = $3::timestamptz`,
    [site, day, asOf ?? null],
  )
  return row
}

const sha256 = (text: string): string => createHash('sha256').update(text).digest('hex')

/**
 * Opens, changes and mends the stored gaps of a site's day. What differs is found without a lock and settled under the
 * locks of its order and device, in a transaction each, so that no link has to wait for an evening.
 */
export const refreshDay = async (
  w: Watching,
  site: Site,
  day: string,
  asOf: Instant,
  requestId: string,
): Promise<void> => {
  const states = await statesOfDay(w.db, site.id, day, spanOfDay(day, site))
  const facts = factsFrom(states)
  const all = gapsOf(facts, { asOf, parties: w.parties, tolerances: w.tolerances })
  // its recorders have other days, and gaps of those
  const found = all.filter((g) => g.day === day && (g.site === site.id || g.site === undefined))
  const stored = await w.db.query<{ state: GapState }>('select state from gaps where site = $1 and day = $2', [
    site.id,
    day,
  ])
  const changes = gapChanges(
    found,
    stored.map((r) => r.state),
    facts,
    asOf,
  )
  const serials = await serialsOf(
    w.db,
    changes.flatMap(({ state }) => (state.kind === 'gap' && state.deviceId ? [state.deviceId] : [])),
  )
  for (const { state } of changes) {
    if (state.kind !== 'gap') continue
    const { orderId, deviceId, patientId } = state
    const serial = deviceId === undefined ? undefined : serials.get(deviceId)
    const orders = await ordersById(w.db, orderId ? [orderId] : [])
    const locks = [
      ...orders.map(orderLock),
      ...(patientId === undefined ? [] : [wearerLock(patientId)]),
      ...(serial !== undefined ? [deviceLock(serial)] : []),
    ]
    await inStep(w, { locks, caller: { id: 'daybind', role: 'operator' }, requestId }, async (tx, begun) => {
      const held = { orders: orderId ? [orderId] : [], devices: deviceId ? [deviceId] : [] }
      await watchAround(tx, { ...held, wearers: patientId ? [patientId] : [] }, await begun)
      return { end: 'commit' }
    })
  }
}

const serialsOf = async (tx: Tx, ids: readonly string[]): Promise<ReadonlyMap<string, string>> => {
  const devices = await statesById(tx, 'device', [...new Set(ids)])
  return new Map(devices.flatMap((d) => (d.kind === 'device' ? [[d.id, d.serialNumber]] : [])))
}

/**
 * Issues the evening of a site at one of its moments, once however many instances try.
 * @returns false when it was issued already
 */
export const issueEvening = async (w: Watching, due: Moment, requestId: string): Promise<boolean> => {
  const [there] = await w.db.query('select 1 as x from evenings where site = $1 and day = $2 and moment = $3', [
    due.site.id,
    due.day,
    due.moment,
  ])
  if (there) return false
  const asOf = await settledNow(w.db)
  const evening = await eveningAsOf(w, due.site, due.day, asOf)
  const report = eveningText(evening)
  // before the evening is written: a crash in between is made up for by the next try
  await refreshDay(w, due.site, due.day, asOf, requestId)
  let issued = false
  // stamped like a step, so that a report of before never comes to know of it; no link takes the lock of the chain
  const locks = [`evenings ${due.site.id}`]
  await inStep(w, { locks, caller: { id: 'daybind', role: 'operator' }, requestId }, async (tx, begun) => {
    const ctx = await begun
    const before = await newestHead(tx, due.site.id)
    const { day, moment, at: dueAt } = due
    const sealed = { site: due.site.id, day, moment, asOf, dueAt, issuedAt: ctx.now, report }
    const position = (before?.position ?? 0) + 1
    const head = headOf(before?.head ?? noHead, { ...sealed, position })
    const rows = await tx.query(
      `insert into evenings (site, day, moment, as_of, due_at, issued_at, report, sha256, position, head)
       values ($1, $2, $3, $4::timestamptz, $5::timestamptz, $6::timestamptz, $7, $8, $9, $10)
       on conflict (site, day, moment) do nothing returning site`,
      [due.site.id, day, moment, asOf, dueAt, ctx.now, report, sha256(report), position, head],
    )
    issued = rows.length > 0
    const recordScope = { own: [siteToken(due.site.id)], inherits: 'nothing' } as const
    if (!issued) return { end: 'rollback' }
    await noteHead(tx, { site: due.site.id, position, head })
    await save(tx, { step: 'watch-flow', changes: [], records: [measureReport(evening)], recordScope }, ctx)
    return { end: 'commit' }
  })
  return issued
}

/** Since when each site is watched, and which evenings were issued since. */
export const watchedSince = async (
  db: Database,
  sites: readonly Site[],
  from: Instant,
): Promise<ReadonlyMap<string, Instant>> => {
  await db.query(
    'insert into watched (site, since) select unnest($1::text[]), $2::timestamptz on conflict do nothing',
    [sites.map((s) => s.id), from],
  )
  const rows = await db.query<{ site: string; since: string }>(
    `select site, ${instantSql('since')} as since from watched`,
  )
  return new Map(rows.map((r) => [r.site, r.since]))
}

/** The newest evening of each site; they are issued in the order of their moments. */
export const lastIssued = async (db: Database, sites: readonly Site[]): Promise<ReadonlyMap<string, Instant>> => {
  const rows = await db.query<{ site: string; due_at: string }>(
    `select s.site, ${instantSql('e.due_at')} as due_at from unnest($1::text[]) as s(site)
     cross join lateral (select due_at from evenings where site = s.site order by day desc, moment desc limit 1) e`,
    [sites.map((s) => s.id)],
  )
  return new Map(rows.map((r) => [r.site, r.due_at]))
}

/** What is issued later was made up for: the service was down, or its database was. */
const lateAfter = '10 minutes'

/** When the evenings of a site's day were issued, as it was known at a moment. */
export const issuedMoments = async (
  tx: Tx,
  site: string,
  day: string,
  asOf: Instant,
): Promise<readonly IssuedMoment[]> => {
  const rows = await tx.query<Omit<IssuedMoment, 'late'> & { late: boolean }>(
    `select moment, ${instantSql('due_at')} as "dueAt", ${instantSql('as_of')} as "asOf", head,
       as_of > due_at + interval '${lateAfter}' as late from evenings
     where site = $1 and day = $2 and (as_of = $3::timestamptz or issued_at <= $3::timestamptz) order by as_of`,
    [site, day, asOf],
  )
  return rows.map(({ late, ...issued }) => ({ ...issued, ...(late && { late }) }))
}

/** How orders and recorders are called by people: placer number and serial number. */
export const labelsOf = async (tx: Tx, e: Pick<Evening, 'gaps'>, before?: Evening) => {
  const gaps = [...e.gaps, ...(before?.gaps ?? [])]
  const ids = (pick: (g: GapState) => string | undefined) => [...new Set(gaps.flatMap((g) => pick(g) ?? []))]
  const orders = await statesById(
    tx,
    'order',
    ids((g) => g.orderId),
  )
  const devices = await statesById(
    tx,
    'device',
    ids((g) => g.deviceId),
  )
  return {
    orders: new Map(orders.flatMap((s) => (s.kind === 'order' ? [[s.id, s.placer.value] as const] : []))),
    devices: new Map(devices.flatMap((s) => (s.kind === 'device' ? [[s.id, s.serialNumber] as const] : []))),
  }
}
