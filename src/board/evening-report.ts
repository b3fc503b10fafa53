/**
 * The evening for people and spreadsheets: one row for each gap, with whose turn it is and what to do. It names orders
 * by placer number and recorders by serial number; names of patients stay in the chart.
 */

import { stringify } from 'csv-stringify/sync'
import type { IssuedMoment } from '../flow/watch-flow/archive.ts'
import { isClosed } from '../flow/watch-flow/day-facts.ts'
import { type ChangeOfGap, type Difference, differenceOf, type Standing } from '../flow/watch-flow/difference.ts'
import type { Count, Evening } from '../flow/watch-flow/evening.ts'
import type { Delay } from '../flow/watch-flow/figures/delay.ts'
import type { Figures } from '../flow/watch-flow/figures/trend.ts'
import { detailOf, ruleOf } from '../flow/watch-flow/gaps.ts'
import { msOf } from '../model/instant.ts'
import { cutOffTimeOn, zoneOn } from '../model/local-day.ts'
import { printInstant } from '../model/moment.ts'
import type { GapState } from '../model/states.ts'

/** How orders and recorders are called. */
export interface Labels {
  readonly orders: ReadonlyMap<string, string>
  readonly devices: ReadonlyMap<string, string>
}

export interface ReportRow {
  readonly gap: string
  readonly severity: string
  readonly status: 'open' | 'mended'
  readonly final: boolean
  readonly order?: string
  readonly recorder?: string
  /** Local time of the site, with offset. */
  readonly since: string
  readonly mended?: string
  /** With which word it was closed, and by whom where it was a person. */
  readonly closing?: { readonly action: string; readonly by?: string; readonly note?: string }
  readonly acknowledged: readonly { readonly at: string; readonly by: string; readonly note?: string }[]
  /** Since the earlier moment, where one was asked for. */
  readonly change?: ChangeOfGap
  readonly turn: string
  readonly what: string
  readonly id: string
}

/** What a report is made of; `before` is the same evening as of the earlier moment. */
export interface Told {
  readonly evening: Evening
  readonly before?: Evening
  readonly labels: Labels
  readonly issued: readonly IssuedMoment[]
}

/** One evening, as it is told alone and among others. */
export interface ReportedEvening {
  readonly site: string
  readonly name: string
  readonly date: string
  readonly timeZone: string
  readonly cutOff: string
  /** No visit is expected on this day. */
  readonly closed?: true
  readonly asOf: string
  readonly tzdata: string
  readonly linked: Count
  readonly inTime: Delay
  readonly taken: Count
  readonly gaps: readonly ReportRow[]
  /** What lies between `since` and `asOf`, where an earlier moment was asked for. */
  readonly difference?: { readonly before: Standing; readonly after: Standing }
  /** The moments at which this evening was issued by itself; its bytes are kept. */
  readonly issued: readonly IssuedMoment[]
}

export interface EveningReport extends ReportedEvening {
  readonly figures: Figures
  readonly caution: string
}

export const caution =
  'Not for emergencies. Daybind makes no diagnosis; follow the device’s labelling, local policy and licensed clinicians.'

const rowOf = (g: GapState, labels: Labels, zone: string, change: ChangeOfGap | undefined): ReportRow => {
  const local = (instant: string) => printInstant(msOf(instant), zone).replace(/\.\d+/, '')
  const { severity, turn } = ruleOf(g.code)
  const [order, recorder] = [labels.orders.get(g.orderId ?? ''), labels.devices.get(g.deviceId ?? '')]
  return {
    gap: g.code,
    severity,
    status: g.mended || change === 'no more' ? 'mended' : 'open',
    final: g.status === 'final',
    ...(order !== undefined && { order }),
    ...(recorder !== undefined && { recorder }),
    since: local(g.since),
    ...(g.mended && { mended: local(g.mended.at), closing: closingOf(g.mended) }),
    acknowledged: (g.acknowledged ?? []).map((a) => ({ ...a, at: local(a.at) })),
    ...(change !== undefined && { change }),
    turn,
    what: detailOf(g),
    id: g.id,
  }
}

const closingOf = ({ at: _at, ...closing }: NonNullable<GapState['mended']>) => closing

export const reportedEvening = ({ evening: e, before, labels, issued }: Told): ReportedEvening => {
  const zone = zoneOn(e.day, e.site.timeZone)
  const difference: Difference | undefined = before && differenceOf(before, e)
  const gaps: Difference['changes'] | readonly { gap: GapState; change?: undefined }[] =
    difference?.changes ?? e.gaps.map((gap) => ({ gap }))
  return {
    site: e.site.id,
    name: e.site.name,
    date: e.day,
    timeZone: zone,
    cutOff: cutOffTimeOn(e.day, e.site) ?? 'end of the day',
    ...(isClosed(e.day, e.site) && { closed: true as const }),
    asOf: e.asOf,
    tzdata: e.tzdata,
    linked: e.linked,
    inTime: e.inTime,
    taken: e.taken,
    gaps: gaps.map(({ gap, change }) => rowOf(gap, labels, zone, change)),
    ...(difference && { difference: { before: difference.before, after: difference.after } }),
    issued,
  }
}

export const eveningReport = (told: Told, figures: Figures): EveningReport => ({
  ...reportedEvening(told),
  figures,
  caution,
})

const columns = [
  'site',
  'date',
  'gap',
  'severity',
  'status',
  'order',
  'recorder',
  'since',
  'mended',
  'closed with',
  'closed by',
  'note',
  'acknowledged',
  'change',
  'turn',
  'what',
  'id',
] as const

/** A cell that a spreadsheet would take for a formula gets an apostrophe (OWASP, CSV injection). */
const plain = (value: unknown): string => {
  const text = value === undefined ? '' : String(value)
  return /^[=+\-@\t\r]/.test(text) ? `'${text}` : text
}

/** RFC 4180, with a header line; UTF-8. */
export const csvOf = (columns: readonly string[], rows: readonly Readonly<Record<string, unknown>>[]): string =>
  stringify(
    rows.map((row) => columns.map((c) => plain(row[c]))),
    { header: true, columns: [...columns], record_delimiter: 'windows' },
  )

/** Who has seen it, and when, on one line. */
const seenBy = (g: ReportRow): string =>
  g.acknowledged.map((a) => `${a.by} ${a.at}${a.note === undefined ? '' : ` ${a.note}`}`).join('; ')

/** Line breaks in words of people would break the lines of a spreadsheet's reader that knows no quotes. */
const oneLine = (text: string | undefined): string | undefined => text?.replace(/\s+/g, ' ')

/** The gaps of one or several evenings. */
export const gapsCsv = (reports: readonly Pick<EveningReport, 'site' | 'date' | 'gaps'>[]): string =>
  csvOf(
    columns,
    reports.flatMap((r) =>
      r.gaps.map((gap) => ({
        ...gap,
        site: r.site,
        date: r.date,
        'closed with': gap.closing?.action,
        'closed by': gap.closing?.by,
        note: oneLine(gap.closing?.note),
        acknowledged: oneLine(seenBy(gap)),
      })),
    ),
  )

export const reportCsv = (r: EveningReport): string => gapsCsv([r])
