/** $reconcile-day: what it takes, and as of which moment it may be asked. */
import { instantOf, msOf } from '../../model/instant.ts'
import { readDate, readMoment } from '../../model/moment.ts'
import type { Given, ParameterTable } from '../../model/parameters.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'

export const reconcileDayParameters = {
  site: { type: 'Identifier', min: 1, max: 1, about: 'The site.' },
  date: { type: 'date', min: 1, max: 1, about: 'Its local day.' },
  asOf: { type: 'instant', min: 0, max: 1, about: 'The moment as of which the day is told; absent: now.' },
} as const satisfies ParameterTable

/** What is known of time: the present, and when the first fact was recorded. */
export interface Known {
  readonly present: Instant
  readonly first: Instant
}

const farAheadMs = 366 * 86_400_000

/** A local date; one that is more than a year ahead is a slip of the pen. */
export const readDay = (given: Given<string>, present: Instant): Checked<string> => {
  const read = readDate(given.value, given.at)
  if (!read.ok || Date.parse(`${read.value}T00:00:00Z`) <= msOf(present) + farAheadMs) return read
  return refuse([refusal('in-the-future', given.at, { found: given.value, expected: 'a date at most a year ahead' })])
}

/** Of a moment before the first record nothing can be told: an empty evening would read as a good one. */
export const recorded = (moment: Instant | undefined, given: Given<string>, { first }: Known): Checked<void> =>
  moment !== undefined && moment < first
    ? refuse([refusal('before-first-record', given.at, { found: given.value, expected: `at or after ${first}` })])
    : accept(undefined)

/** Microseconds are kept: the moment of an evening that was issued finds it again. */
export const readAsOf = (given: Given<string> | undefined, present: Instant): Checked<Instant | undefined> => {
  if (given === undefined) return accept(undefined)
  const read = readMoment(given.value, given.at)
  if (!read.ok) return read
  const fraction = /\.(\d+)/.exec(given.value)?.[1] ?? ''
  const asOf = `${instantOf(read.value.ms).slice(0, 20)}${fraction.slice(0, 6).padEnd(6, '0')}Z`
  return asOf <= present
    ? accept(asOf)
    : refuse([refusal('in-the-future', given.at, { found: given.value, expected: `at most ${present}` })])
}
