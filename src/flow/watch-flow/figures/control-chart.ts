/** Whether a day's share is one of the usual ones of its site: a p-chart, with limits from the days before. */
import type { Tally } from './share.ts'

/**
 * So many days with at least one application, and so many applications, are needed before limits mean anything. 20 to
 * 25 samples are common practice; 60 applications are three a day.
 */
export const needed = { days: 20, applications: 60 } as const

export interface Baseline {
  readonly days: number
  readonly applications: number
  /** Centre line: the share of all together, so that a day with many counts for more. */
  readonly centre: number
}

export type Base = (Baseline & { readonly enough: true }) | (Omit<Baseline, 'centre'> & { readonly enough: false })

/** What the days before show; days without applications are none. */
export const baseOf = (before: readonly Tally[]): Base => {
  const counted = before.filter((t) => t.denominator > 0)
  const applications = counted.reduce((sum, t) => sum + t.denominator, 0)
  const days = counted.length
  if (days < needed.days || applications < needed.applications) return { enough: false, days, applications }
  return { enough: true, days, applications, centre: counted.reduce((sum, t) => sum + t.numerator, 0) / applications }
}

export interface Limits {
  readonly low: number
  readonly high: number
}

/**
 * Three-sigma limits of a share of n: centre ± 3·√(centre·(1−centre)/n), by the size of that day, cut at 0 and 1.
 *
 * @see https://www.itl.nist.gov/div898/handbook/pmc/section3/pmc332.htm
 */
export const limitsFor = (centre: number, n: number): Limits => {
  const three = 3 * Math.sqrt((centre * (1 - centre)) / n)
  return { low: Math.max(0, centre - three), high: Math.min(1, centre + three) }
}

export type Placed = 'usual' | 'below' | 'above'

/** What lies on a limit is usual. */
export const placed = ({ denominator, numerator }: Tally, { low, high }: Limits): Placed => {
  const share = numerator / denominator
  if (share < low) return 'below'
  return share > high ? 'above' : 'usual'
}
