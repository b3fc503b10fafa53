/** What the recorder's own clock showed, against the stated moment. */

import { readMoment } from '../../model/moment.ts'
import { type Problem, warning } from '../../model/problems.ts'
import type { Context } from '../step.ts'

export interface ClockReading {
  /** Seconds, recorder minus true. */
  readonly offset?: number
  readonly problems?: readonly Problem[]
}

const halfDay = 12 * 3600

/** Likeliest cause of an offset; half a day is the classic slip between morning and afternoon (common practice). */
export const causeOf = (offset: number, tolerance: number): 'am-pm' | 'none-of-these' =>
  Math.abs(Math.abs(offset) - halfDay) <= tolerance ? 'am-pm' : 'none-of-these'

/** `10 s fast`, `12 h 0 min slow`: for people. */
export const spoken = (offset: number): string => {
  const seconds = Math.round(Math.abs(offset))
  const [h, m, s] = [Math.floor(seconds / 3600), Math.floor((seconds % 3600) / 60), seconds % 60]
  const parts = h > 0 ? [`${h} h`, `${m} min`] : m > 0 ? [`${m} min`, `${s} s`] : [`${s} s`]
  return `${parts.join(' ')} ${offset < 0 ? 'slow' : 'fast'}`
}

export const inDoubt = (offset: number, tolerance: number): boolean => Math.abs(offset) > tolerance

/** Problems: an unreadable reading (refused), or a clock that is off by more than the tolerance (warned). */
export const clockReading = (
  clock: { readonly text: string; readonly at: string } | undefined,
  appliedAtMs: number,
  ctx: Pick<Context, 'tolerances'>,
): ClockReading => {
  if (clock === undefined) return {}
  const read = readMoment(clock.text, clock.at)
  if (!read.ok) return { problems: read.problems }
  const offset = (read.value.ms - appliedAtMs) / 1000
  const tolerance = ctx.tolerances.recorderClock
  if (!inDoubt(offset, tolerance)) return { offset }
  const twelve =
    causeOf(offset, tolerance) === 'am-pm' ? ' Likeliest cause: morning and afternoon were exchanged (12 hours).' : ''
  const note = `The recorder's clock is ${spoken(offset)}.${twelve} Check the recorder and the stated moment; set the clock only as the labelling says.`
  return { offset, problems: [warning('clock-doubt', clock.at, { found: clock.text, note })] }
}
