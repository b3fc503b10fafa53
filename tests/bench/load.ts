/** Callers that call again as soon as they are answered, in slices that take turns. */

export interface Driven {
  readonly perSecond: number
  /** Milliseconds of each call, unsorted. */
  readonly waits: readonly number[]
}

/** So many callers for so long; a call that fails ends the run. */
export const drive = async (callers: number, seconds: number, once: () => Promise<unknown>): Promise<Driven> => {
  const began = performance.now()
  const until = began + seconds * 1000
  const waits: number[] = []
  const caller = async () => {
    for (let at = performance.now(); at < until; at = performance.now()) {
      await once()
      waits.push(performance.now() - at)
    }
  }
  await Promise.all(Array.from({ length: callers }, caller))
  return { perSecond: (waits.length * 1000) / (performance.now() - began), waits }
}

/** Asks each in turn, again and again, so that what else the machine does falls on all of them. */
export const inTurns = async <T>(rounds: number, contestants: readonly (() => Promise<T>)[]): Promise<T[][]> => {
  const results: T[][] = contestants.map(() => [])
  for (let round = 0; round < rounds; round += 1)
    for (const [i, contestant] of contestants.entries()) results[i]?.push(await contestant())
  return results
}

/** The value below which this share lies, by the nearest rank; NaN of none. */
export const quantile = (values: Iterable<number>, share: number): number => {
  const sorted = [...values].sort((a, b) => a - b)
  return sorted[Math.max(0, Math.ceil(share * sorted.length) - 1)] ?? Number.NaN
}

export const median = (values: Iterable<number>): number => quantile(values, 0.5)
