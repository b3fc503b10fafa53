/** A share of few is uncertain: what is told with it is the interval in which the true one lies. */

export interface Tally {
  /** Of how many. */
  readonly denominator: number
  readonly numerator: number
}

export interface Share {
  readonly share: number
  readonly low: number
  readonly high: number
}

/** Two-sided 95 %: the 0.975 quantile of the standard normal distribution. */
const z = 1.959963984540054

const within = (value: number): number => Math.min(1, Math.max(0, value))

/**
 * A share with its 95 % interval by Wilson's score method, without continuity correction; undefined of none. Good for
 * few and for shares near 0 and 1, where the usual interval leaves the range.
 *
 * @see https://www.itl.nist.gov/div898/handbook/prc/section2/prc241.htm
 */
export const shareOf = ({ denominator: n, numerator }: Tally): Share | undefined => {
  if (n === 0) return undefined
  const share = numerator / n
  const centre = share + z ** 2 / (2 * n)
  const half = z * Math.sqrt((share * (1 - share)) / n + z ** 2 / (4 * n ** 2))
  const scale = 1 + z ** 2 / n
  // at the ends the interval touches them; rounding would miss it by a hair
  return {
    share,
    low: numerator === 0 ? 0 : within((centre - half) / scale),
    high: numerator === n ? 1 : within((centre + half) / scale),
  }
}
