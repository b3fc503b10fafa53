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

export const usualPatience: Patience = { first: 2, longest: 900, age: 48 * 3600, attempts: 300 }

export interface Trouble {
  readonly fate: 'try-again' | 'unsure' | 'final'
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
  const wait = Math.min(patience.longest, patience.first * 2 ** Math.min(attempt - 1, 30))
  const delaySeconds = Math.max(wait * (0.5 + luck / 2), asked)
  return { fate: trouble.fate === 'unsure' ? 'unsure' : 'queued', reason: trouble.reason, delaySeconds }
}
