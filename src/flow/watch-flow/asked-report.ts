/** What a report is asked for: days, and moments as of which they are told; every mistake at once. Pure. */
import { nextDate } from '../../model/local-day.ts'
import { accept, type Checked, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import { type Known, readAsOf, readDay, recorded } from './reconcile-day.ts'

/** A quarter of a year, and so many evenings in one answer: each is computed from the journal. */
export const most = { days: 92, evenings: 500 } as const

export interface AskedMoments {
  /** Absent: now. */
  readonly asOf?: Instant
  /** The earlier moment, for the difference. */
  readonly since?: Instant
}

/** What is wrong with a part of the address, which no FHIRPath names. */
const at = (location: string, read: Checked<unknown>): readonly Problem[] =>
  problemsOf(read).map((p) => ({ ...p, location }))

/** A moment of the query; a plus sign of an offset may have come as a space. */
const readAt = (text: string | undefined, known: Known): Checked<Instant | undefined> => {
  const read = readAsOf(text === undefined ? undefined : { value: text.replace(' ', '+'), at: '' }, known.present)
  if (!read.ok) return read
  const checked = recorded(read.value, { value: text ?? '', at: '' }, known)
  return checked.ok ? read : checked
}

export const readMoments = (
  { asOf, since }: { readonly asOf: string | undefined; readonly since: string | undefined },
  known: Known,
): Checked<AskedMoments> => {
  const [to, from] = [readAt(asOf, known), readAt(since, known)]
  if (!to.ok || !from.ok) return refuse([...at('http.asOf', to), ...at('http.since', from)])
  if (from.value !== undefined && from.value > (to.value ?? known.present))
    return refuse([
      refusal('ends-before-start', '', {
        found: `${since}, asOf ${asOf ?? 'now'}`,
        expected: 'since at or before asOf',
        location: 'http.since',
      }),
    ])
  return accept({ ...(to.value && { asOf: to.value }), ...(from.value && { since: from.value }) })
}

/** A local date; one that is more than a year ahead is a slip of the pen. */
export const readReportDay = (text: string, location: string, present: Instant): Checked<string> => {
  const read = readDay({ value: text, at: '' }, present)
  return read.ok ? read : refuse(at(location, read))
}

/** `2026-11-01..2026-11-30`, both days included, the oldest first. */
export const readDays = (text: string, present: Instant): Checked<readonly string[]> => {
  const [from = '', to, ...more] = text.split('..')
  if (to === undefined)
    return refuse([refusal('wrong-value', '', { found: text, expected: 'FROM..TO', location: 'http.to' })])
  const [first, last] = [readReportDay(from, 'http.from', present), readReportDay(to, 'http.to', present)]
  const malformed =
    more.length > 0 ? [refusal('wrong-value', '', { found: text, expected: 'FROM..TO', location: 'http.to' })] : []
  if (!first.ok || !last.ok || malformed.length > 0) return refuse([...malformed, ...problemsOf(first, last)])
  if (last.value < first.value)
    return refuse([
      refusal('ends-before-start', '', { found: text, expected: 'FROM at or before TO', location: 'http.to' }),
    ])
  const days = [first.value]
  while ((days.at(-1) ?? last.value) < last.value && days.length <= most.days) days.push(nextDate(days.at(-1) ?? ''))
  if (days.length <= most.days) return accept(days)
  return refuse([
    refusal('too-much-asked', '', { found: text, expected: `at most ${most.days} days`, location: 'http.to' }),
  ])
}
