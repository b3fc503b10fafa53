/** Luck that can be had again: the same seed gives the same choices. */

export interface Luck {
  /** At least 0, less than 1. */
  next(): number
  /** Whether something of this probability happens. */
  often(probability: number): boolean
  /** A whole number from `from` to `to`, both included. */
  between(from: number, to: number): number
  shuffled<T>(list: readonly T[]): readonly T[]
}

/** The 32 bits of a seed mixed well enough for choices (the mixing steps of mulberry32, a generator in the public domain). */
export const luckOf = (seed: number): Luck => {
  let state = seed >>> 0
  const next = (): number => {
    state = (state + 0x6d2b79f5) >>> 0
    let t = Math.imul(state ^ (state >>> 15), state | 1)
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61)
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32
  }
  const between = (from: number, to: number): number => from + Math.floor(next() * (to - from + 1))
  return {
    next,
    between,
    often: (probability) => next() < probability,
    shuffled: (list) => {
      const left = [...list]
      return list.flatMap(() => left.splice(between(0, left.length - 1), 1))
    },
  }
}
