/** Several evenings together: the days of a range, or all sites of one day. A line each, and every gap. */
import { type Share, shareOf } from '../flow/watch-flow/figures/share.ts'
import { caution, csvOf, gapsCsv, type ReportedEvening } from './evening-report.ts'

export interface EveningLine {
  readonly site: string
  readonly name: string
  readonly date: string
  readonly applied: number
  readonly due: number
  readonly inTime: number
  readonly share?: Share
  readonly median?: number
  readonly ninetyPercent?: number
  readonly open: number
  readonly mended: number
}

export interface SeveralEvenings {
  readonly of: 'days' | 'sites'
  readonly from: string
  readonly to: string
  readonly asOf: string
  readonly since?: string
  readonly lines: readonly EveningLine[]
  /** All of them together. */
  readonly total: { readonly due: number; readonly inTime: number; readonly share?: Share; readonly open: number }
  readonly evenings: readonly ReportedEvening[]
  readonly caution: string
}

const lineOf = (r: ReportedEvening): EveningLine => {
  const { denominator: due, numerator: inTime, initial: applied } = r.linked
  const share = shareOf({ denominator: due, numerator: inTime })
  const { median, ninetyPercent } = r.inTime
  const open = r.gaps.filter((g) => g.status === 'open').length
  const mended = r.gaps.filter((g) => g.status === 'mended' && g.change !== 'no more').length
  return {
    site: r.site,
    name: r.name,
    date: r.date,
    applied,
    due,
    inTime,
    ...(share && { share }),
    ...(median !== undefined && { median }),
    ...(ninetyPercent !== undefined && { ninetyPercent }),
    open,
    mended,
  }
}

const sum = (lines: readonly EveningLine[], pick: (l: EveningLine) => number): number =>
  lines.reduce((total, l) => total + pick(l), 0)

/** @param reports at least one, all as of one moment */
export const severalEvenings = (
  of: SeveralEvenings['of'],
  reports: readonly ReportedEvening[],
  asOf: string,
  since: string | undefined,
): SeveralEvenings => {
  const lines = reports.map(lineOf)
  const [due, inTime] = [sum(lines, (l) => l.due), sum(lines, (l) => l.inTime)]
  const share = shareOf({ denominator: due, numerator: inTime })
  const dates = reports.map((r) => r.date).toSorted()
  return {
    of,
    from: dates[0] ?? '',
    to: dates.at(-1) ?? '',
    asOf,
    ...(since !== undefined && { since }),
    lines,
    total: { due, inTime, ...(share && { share }), open: sum(lines, (l) => l.open) },
    evenings: reports,
    caution,
  }
}

const columns = [
  'site',
  'date',
  'applied',
  'due',
  'in time',
  'share',
  'share at least',
  'share at most',
  'median seconds',
  '90 % within seconds',
  'open',
  'mended',
] as const

const four = (value: number | undefined): string => (value === undefined ? '' : value.toFixed(4))

/** Of a range a line a day; of all sites a line a gap, as of one site. */
export const severalCsv = (s: SeveralEvenings): string =>
  s.of === 'sites'
    ? gapsCsv(s.evenings)
    : csvOf(
        columns,
        s.lines.map((l) => ({
          ...l,
          'in time': l.inTime,
          share: four(l.share?.share),
          'share at least': four(l.share?.low),
          'share at most': four(l.share?.high),
          'median seconds': l.median,
          '90 % within seconds': l.ninetyPercent,
        })),
      )
