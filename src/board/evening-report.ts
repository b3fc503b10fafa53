/**
 * The evening for people and spreadsheets: one row for each gap, with whose turn it is and what to do. It names orders
 * by placer number and recorders by serial number; names of patients stay in the chart.
 */
import { stringify } from 'csv-stringify/sync'
import type { Count, Evening } from '../flow/watch-flow/evening.ts'
import { detailOf, ruleOf } from '../flow/watch-flow/gaps.ts'
import { msOf } from '../model/instant.ts'
import { printInstant } from '../model/moment.ts'

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
  readonly turn: string
  readonly what: string
  readonly id: string
}

export interface EveningReport {
  readonly site: string
  readonly name: string
  readonly date: string
  readonly timeZone: string
  readonly cutOff: string
  readonly asOf: string
  readonly tzdata: string
  readonly linked: Count
  readonly taken: Count
  readonly gaps: readonly ReportRow[]
  /** The moments at which this evening was issued by itself; its bytes are kept. */
  readonly issued: readonly { readonly moment: string; readonly asOf: string }[]
  readonly caution: string
}

export const caution =
  'Not for emergencies. Daybind makes no diagnosis; follow the device’s labelling, local policy and licensed clinicians.'

export const eveningReport = (e: Evening, labels: Labels, issued: EveningReport['issued']): EveningReport => {
  const local = (instant: string) => printInstant(msOf(instant), e.site.timeZone).replace(/\.\d+/, '')
  return {
    site: e.site.id,
    name: e.site.name,
    date: e.day,
    timeZone: e.site.timeZone,
    cutOff: e.site.cutOff ?? 'end of the day',
    asOf: e.asOf,
    tzdata: e.tzdata,
    linked: e.linked,
    taken: e.taken,
    gaps: e.gaps.map((g): ReportRow => {
      const { severity, turn } = ruleOf(g.code)
      const [order, recorder] = [labels.orders.get(g.orderId ?? ''), labels.devices.get(g.deviceId ?? '')]
      return {
        gap: g.code,
        severity,
        status: g.mended ? 'mended' : 'open',
        final: g.status === 'final',
        ...(order !== undefined && { order }),
        ...(recorder !== undefined && { recorder }),
        since: local(g.since),
        ...(g.mended && { mended: local(g.mended.at) }),
        turn,
        what: detailOf(g),
        id: g.id,
      }
    }),
    issued,
    caution,
  }
}

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
export const reportCsv = (r: EveningReport): string =>
  stringify(
    r.gaps.map((gap) => {
      const row: Record<string, unknown> = { site: r.site, date: r.date, ...gap }
      return columns.map((c) => plain(row[c]))
    }),
    { header: true, columns: [...columns], record_delimiter: 'windows' },
  )
