/** When a delivery is tried again, and when it is given up and shown to people. */

export interface Patience {
  /** Seconds before the second attempt; each further wait is twice as long, up to `longest`. */
  readonly first: number
  readonly longest: number
  /** A delivery older than this, in seconds, is parked. */
  readonly age: number
  /** After so many attempts it is parked. */
  readonly attempts: number
}

/** As many attempts as fit into its age, a minute apart, and more: the age is what ends a delivery. */
export const usualPatience: Patience = { first: 2, longest: 900, age: 48 * 3600, attempts: 4000 }

/**
 * Whose trouble it is: the destination's, and no other message would fare better; the message's, and they are there; or
 * nobody can tell from one message.
 */
export type Whose = 'destination' | 'message' | 'unclear'

export interface Trouble {
  readonly fate: 'try-again' | 'unsure' | 'final'
  readonly whose: Whose
  readonly reason: string
  readonly retryAfterMs?: number
}

export type Verdict =
  | { readonly fate: 'queued' | 'unsure'; readonly reason: string; readonly delaySeconds: number }
  | { readonly fate: 'parked'; readonly reason: string }

/**
 * @param attempt how many were made, from 1
 * @param luck between 0 and 1: the wait lies between half and all of it, so that many deliveries do not come back together
 */
export const afterTrouble = (
  trouble: Trouble,
  attempt: number,
  ageSeconds: number,
  patience: Patience,
  luck: number,
): Verdict => {
  if (trouble.fate === 'final') return { fate: 'parked', reason: trouble.reason }
  if (ageSeconds >= patience.age)
    return { fate: 'parked', reason: `${trouble.reason} Given up after ${Math.round(ageSeconds / 3600)} h.` }
  if (attempt >= patience.attempts)
    return { fate: 'parked', reason: `${trouble.reason} Given up after ${attempt} attempts.` }
  const asked = (trouble.retryAfterMs ?? 0) / 1000
  if (ageSeconds + asked > patience.age)
    return {
      fate: 'parked',
      reason: `${trouble.reason} Given up: it asks to wait past the limit of ${Math.round(patience.age / 3600)} h.`,
    }
  // a closed destination says itself when; this one waits in its line
  const delaySeconds =
    trouble.whose === 'destination' ? 0 : Math.max(growing(attempt, patience.longest, patience, luck), asked)
  return { fate: trouble.fate === 'unsure' ? 'unsure' : 'queued', reason: trouble.reason, delaySeconds }
}

const growing = (time: number, longest: number, { first }: Patience, luck: number): number =>
  Math.min(longest, first * 2 ** Math.min(time - 1, 30)) * (0.5 + luck / 2)

/** So many different messages in a row, and none that arrived: then the trouble is the destination's. */
export const strikesToClose = 5

/** A destination that came back is found within this many seconds, whatever waits for it. */
const longestClosed = 60

/**
 * For how long a destination stays closed: nothing is sent to it, and then one message, which tells whether all others
 * may follow. It is left alone as long as it asks, unless that is longer than any message waits.
 * @param closing how often it was closed since something arrived there, from 1
 * @returns seconds
 */
export const closedFor = (
  { retryAfterMs = 0 }: Pick<Trouble, 'retryAfterMs'>,
  closing: number,
  patience: Patience,
  luck: number,
): number => {
  const asked = retryAfterMs / 1000
  const wait = growing(closing, Math.min(patience.longest, longestClosed), patience, luck)
  return Math.max(wait, asked <= patience.age ? asked : 0)
}
