/**
 * The quantile of values in any order, by definition 7 of Hyndman and Fan (1996): linear between the values at the
 * places (k−1)/(n−1). It is what R, NumPy and spreadsheets give by default; the median is the usual one.
 *
 * @param p from 0 to 1
 * @returns undefined of no values
 * @see https://stat.ethz.ch/R-manual/R-devel/library/stats/html/quantile.html
 */
export const quantile = (values: readonly number[], p: number): number | undefined => {
  const sorted = values.toSorted((a, b) => a - b)
  const place = (sorted.length - 1) * p
  const [below, above] = [sorted[Math.floor(place)], sorted[Math.ceil(place)]]
  if (below === undefined || above === undefined) return undefined
  return below + (place - Math.floor(place)) * (above - below)
}
