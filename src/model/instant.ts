/**
 * Instants as text in one form, UTC with microseconds: `2026-11-25T08:30:00.000000Z`. One form, so that they sort as
 * text, print without loss and compare with what the database stamps.
 */
import type { Instant } from './states.ts'

const first = Date.parse('0001-01-01T00:00:00Z')
const last = Date.parse('9999-12-31T23:59:59.999Z')

/**
 * @param ms milliseconds since 1970-01-01T00:00:00Z. What this form cannot write is the nearest that it can: the last
 *   local day of year 9999 ends in the year 10000, the first one of year 1 begins in the year before it.
 */
export const instantOf = (ms: number): Instant =>
  new Date(Math.min(Math.max(ms, first), last)).toISOString().replace('Z', '000Z')

/** Milliseconds since 1970-01-01T00:00:00Z; what lies below a millisecond is cut off. */
export const msOf = (instant: Instant): number => Date.parse(`${instant.slice(0, 23)}Z`)

export const addSeconds = (instant: Instant, seconds: number): Instant =>
  instantOf(msOf(instant) + Math.round(seconds * 1000)).slice(0, 23) + instant.slice(23)

export const laterOf = (a: Instant, b: Instant): Instant => [a, b].sort()[1] ?? a
