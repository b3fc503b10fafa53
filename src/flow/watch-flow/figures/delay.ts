/** How long it took from switch-on to link. Pure. */
import { msOf } from '../../../model/instant.ts'
import type { LinkState } from '../../../model/states.ts'
import { quantile } from './quantile.ts'

/** From switch-on to link, in seconds; absent of no link. */
export interface Delay {
  readonly links: number
  readonly fastest?: number
  readonly median?: number
  readonly ninetyPercent?: number
}

const seconds = (l: LinkState): number => (msOf(l.tiedAt) - msOf(l.appliedAt)) / 1000

const rounded = (value: number | undefined) => (value === undefined ? undefined : Math.round(value))

/** Whole seconds: nobody switches a recorder on by the millisecond. */
export const delayOf = (links: readonly LinkState[]): Delay => {
  const values = links.map(seconds)
  const [fastest, median, ninetyPercent] = [0, 0.5, 0.9].map((p) => rounded(quantile(values, p)))
  return {
    links: values.length,
    ...(fastest !== undefined && { fastest }),
    ...(median !== undefined && { median }),
    ...(ninetyPercent !== undefined && { ninetyPercent }),
  }
}
