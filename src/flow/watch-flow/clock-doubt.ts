/** Whether this machine's clock is the one that is wrong: what the clocks of others say, read off their answers. Pure. */

/** A clock is told as wrong from so many seconds on; networks are slow, and `Date` is cut to whole seconds. */
export const clockToTell = 300

/** Others agree where their clocks lie within so many seconds of each other. */
const agreement = 120

/** Seconds by which a clock was ahead of ours, the last time that it was heard. */
export interface Heard {
  readonly peer: string
  readonly ahead: number
}

const middle = (sorted: readonly number[]): number => sorted[Math.floor(sorted.length / 2)] ?? 0

/**
 * @returns seconds by which ours is behind those of others, negative where it is ahead; undefined where they do not
 *   agree, or where ours is close enough to theirs. One that is alone is believed: if it is theirs that is wrong, that
 *   is worth a look too.
 */
export const clockOffBy = (heard: readonly Heard[]): number | undefined => {
  const sorted = heard.map((h) => h.ahead).toSorted((a, b) => a - b)
  const [least, most] = [sorted[0], sorted.at(-1)]
  if (least === undefined || most === undefined || most - least > agreement) return undefined
  const off = middle(sorted)
  return Math.abs(off) >= clockToTell ? off : undefined
}
