/**
 * Moments, dates and durations as FHIR R4 and ISO 8601 write them, read to the letter.
 * Nothing is guessed: no offset is supplied, no field rolls over into the next.
 * Source: http://hl7.org/fhir/R4/datatypes.html#dateTime
 */
import { DateTime, Duration } from 'luxon'
import { isLocalDate, localDay, offsetAt, startOfDay } from './local-day.ts'
import { accept, type Checked, type Problem, refusal, refuse } from './problems.ts'

/** A point on the time line, and how the sender wrote it. */
export interface Moment {
  /** Milliseconds since 1970-01-01T00:00Z; finer fractions stay in the text alone. */
  readonly ms: number
  /** `Z` or `±hh:mm`, as written. */
  readonly offset: string
  readonly text: string
}

/** A moment, day, month or year: the instants that it may mean, `until` exclusive. */
export interface Span {
  readonly from: number
  readonly until: number
  readonly precision: 'year' | 'month' | 'day' | 'instant'
}

const expectedMoment = 'YYYY-MM-DDThh:mm:ss with Z or ±hh:mm'
const expectedDate = 'a date of the calendar, YYYY-MM-DD'
const expectedDuration = 'weeks, or days, hours, minutes and seconds, such as P14D or PT90M'

const fields =
  /^(?<date>(?<year>\d{4})-(?<month>\d\d)-(?<day>\d\d))T(?<hour>\d\d):(?<minute>\d\d)(:(?<second>\d\d)(\.(?<fraction>\d+))?)?(?<offset>Z|(?<sign>[+-])(?<offsetHour>\d\d):(?<offsetMinute>\d\d))?$/

const maxOffset = 14 * 60

/** Minutes of an offset as written; undefined when it is further from UTC than FHIR allows. */
const minutesOf = (offset: string): number | undefined => {
  if (offset === 'Z') return 0
  const [, sign, hour, minute] = /^([+-])(\d\d):([0-5]\d)$/.exec(offset) ?? []
  const minutes = Number(hour) * 60 + Number(minute)
  return minutes <= maxOffset ? minutes * (sign === '-' ? -1 : 1) : undefined
}

type Fields = Record<string, string | undefined>

/** What makes the fields of a dateTime no instant, one sentence each. */
const impossible = ({ date = '', hour, minute, second, offset }: Fields): string[] =>
  [
    !isLocalDate(date) && `${date} is not in the calendar.`,
    Number(hour) > 23 && 'Hours run from 00 to 23; midnight is 00:00:00 of the next day.',
    Number(minute) > 59 && 'Minutes run from 00 to 59.',
    second === undefined && 'Seconds must be given.',
    Number(second) === 60 &&
      'A leap second has no place on our time line: give the second before it or the second after it.',
    Number(second) > 60 && 'Seconds run from 00 to 59.',
    offset !== undefined && minutesOf(offset) === undefined && 'Offsets run from -14:00 to +14:00.',
  ].filter((sentence) => sentence !== false)

/** ECMAScript reads this one form from year 0 on, to the millisecond. */
const instantOf = ({ date, hour, minute, second, fraction = '', offset = 'Z' }: Fields): number =>
  Date.parse(`${date}T${hour}:${minute}:${second}.${fraction.slice(0, 3).padEnd(3, '0')}Z`) -
  (minutesOf(offset) ?? 0) * 60_000

const earliest = Date.parse('0001-01-01T00:00:00Z')
const latest = Date.parse('9999-12-31T23:59:59.999Z')

const isPartial = (text: string): boolean =>
  /^\d{4}(-(0[1-9]|1[0-2]))?$/.test(text) ? !text.startsWith('0000') : isLocalDate(text)

/**
 * Reads a dateTime or instant that must be one point in time. Refused, with everything that is wrong at once:
 * no offset (`missing-offset`), a year, month or day alone (`moment-needs-seconds`), and what FHIR does not allow or
 * we cannot place (`wrong-value`): no seconds, 30 February, hour 24, a leap second, an offset beyond 14:00,
 * years outside 0001 to 9999 in UTC. `at` is the FHIRPath of the element.
 */
export const readMoment = (text: string, at: string): Checked<Moment> => {
  const wrong = (note?: string) =>
    refusal('wrong-value', at, { found: text, expected: expectedMoment, ...(note && { note }) })
  if (isPartial(text)) return refuse([refusal('moment-needs-seconds', at, { found: text, expected: expectedMoment })])
  const found = fields.exec(text)?.groups
  if (!found) return refuse([wrong()])
  const problems: Problem[] = []
  const notes = impossible(found)
  if (notes.length > 0) problems.push(wrong(notes.join(' ')))
  if (found.offset === undefined) {
    problems.push(refusal('missing-offset', at, { found: text, expected: expectedMoment }))
  }
  if (problems.length > 0) return refuse(problems)
  const ms = instantOf(found)
  if (ms < earliest || ms > latest) return refuse([wrong('In UTC the year lies outside 0001 to 9999.')])
  return accept({ ms, offset: found.offset ?? '', text })
}

/** Reads a date that must be one day of the calendar; a year or a month alone is a `wrong-value`. */
export const readDate = (text: string, at: string): Checked<string> =>
  isLocalDate(text) ? accept(text) : refuse([refusal('wrong-value', at, { found: text, expected: expectedDate })])

/**
 * Reads a date or dateTime of any precision as the instants that it may mean in the zone: a year, month or day from
 * its first instant there to the first instant after it, a moment as its second (with a fraction: its millisecond).
 */
export const readPartial = (text: string, zone: string, at: string): Checked<Span> => {
  if (isPartial(text)) return accept(spanOf(text, zone))
  const moment = readMoment(text, at)
  if (!moment.ok) return moment
  const from = moment.value.ms
  return accept({ from, until: from + (text.includes('.') ? 1 : 1000), precision: 'instant' })
}

const spanOf = (text: string, zone: string): Span => {
  const precision = ({ 4: 'year', 7: 'month' } as const)[text.length] ?? 'day'
  const first = precision === 'day' ? text : precision === 'month' ? `${text}-01` : `${text}-01-01`
  const last = DateTime.fromISO(first, { zone: 'utc' }).endOf(precision).toFormat('yyyy-MM-dd')
  return { from: startOfDay(first, zone), until: localDay(last, zone).end, precision }
}

const two = (n: number): string => String(n).padStart(2, '0')

const offsetText = (minutes: number): string => {
  const size = Math.abs(minutes)
  return `${minutes < 0 ? '-' : '+'}${two(Math.floor(size / 60))}:${two(size % 60)}`
}

const clockText = (ms: number): string =>
  DateTime.fromMillis(ms, { zone: 'utc' }).toISO({ includeOffset: false, suppressMilliseconds: true }) ?? ''

/**
 * Prints an instant as a FHIR dateTime, milliseconds only where there are any, that reads back to the same instant.
 * `place` is `utc` (printed `Z`), an IANA zone, or an offset as written. What FHIR cannot write there (a local year
 * outside 0001 to 9999, an offset beyond 14:00) is printed in UTC; an offset with seconds (Monrovia had one until 1972)
 * is cut to the minute and the clock with it. Throws RangeError for an instant outside years 0001 to 9999 in UTC,
 * and for an unknown zone.
 */
export const printInstant = (ms: number, place: string): string => {
  if (!(ms >= earliest && ms <= latest)) throw new RangeError(`FHIR cannot write the instant ${ms}`)
  if (place === 'utc' || place === 'Z') return `${clockText(ms)}Z`
  const minutes = minutesIn(place, ms)
  const local = ms + minutes * 60_000
  if (Math.abs(minutes) > maxOffset || local < earliest || local > latest) return `${clockText(ms)}Z`
  return clockText(local) + offsetText(minutes)
}

const minutesIn = (place: string, ms: number): number =>
  (/^[+-]/.test(place) ? minutesOf(place) : undefined) ?? Math.trunc(offsetAt(ms, place) / 60_000)

/**
 * Reads an ISO 8601 duration as milliseconds; a leading `-` is before. A day is 24 hours here, a week seven of them.
 * Years and months are refused, for they have no length, and so are fractions of anything but a second.
 */
export const readDuration = (text: string, at: string): Checked<number> => {
  const shape = /^-?P(\d{1,6}W|(?=.)(\d{1,6}D)?(T(?=.)(\d{1,9}H)?(\d{1,9}M)?(\d{1,9}(\.\d{1,3})?S)?)?)$/
  const duration = Duration.fromISO(text)
  if (shape.test(text) && duration.isValid) return accept(duration.toMillis())
  return refuse([refusal('wrong-value', at, { found: text, expected: expectedDuration })])
}
