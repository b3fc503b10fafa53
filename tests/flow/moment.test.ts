import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { printInstant, readDate, readDuration, readMoment, readPartial } from '../../src/model/moment.ts'
import type { Checked } from '../../src/model/problems.ts'

const at = "Parameters.parameter.where(name='appliedAt').value"
const read = <T>(checked: Checked<T>): T => {
  if (!checked.ok) throw new Error(checked.problems.map(({ code, note }) => `${code} ${note}`).join('; '))
  return checked.value
}
const problemsOf = (checked: Checked<unknown>) => (checked.ok ? [] : checked.problems)
const codesOf = (checked: Checked<unknown>) => problemsOf(checked).map(({ code }) => code)
const utc = (...parts: Parameters<typeof Date.UTC>) => Date.UTC(...parts)

/** What stands for a text in a refusal. */
const shown = (text: string): string => (text === '' ? 'an empty string' : text)

describe('a moment', () => {
  it.each([
    ['in UTC', '2026-05-01T08:15:30Z', utc(2026, 4, 1, 8, 15, 30), 'Z'],
    ['east of UTC', '2026-05-01T10:15:30+02:00', utc(2026, 4, 1, 8, 15, 30), '+02:00'],
    ['west of UTC', '2026-05-01T04:45:30-03:30', utc(2026, 4, 1, 8, 15, 30), '-03:30'],
    ['with milliseconds', '2026-05-01T08:15:30.250Z', utc(2026, 4, 1, 8, 15, 30, 250), 'Z'],
    ['with tenths', '2026-05-01T08:15:30.5Z', utc(2026, 4, 1, 8, 15, 30, 500), 'Z'],
    ['with microseconds, cut to the millisecond', '2026-05-01T08:15:30.123999Z', utc(2026, 4, 1, 8, 15, 30, 123), 'Z'],
    ['before 1970, cut the same way', '1969-12-31T23:59:59.9999Z', -1, 'Z'],
    ['on 29 February of a leap year', '2024-02-29T00:00:00Z', utc(2024, 1, 29), 'Z'],
    ['at the furthest offset', '2026-05-01T14:00:00+14:00', utc(2026, 4, 1), '+14:00'],
    ['in the first year', '0001-01-01T00:00:00Z', -62_135_596_800_000, 'Z'],
    ['in the last second of year 9999', '9999-12-31T23:59:59Z', 253_402_300_799_000, 'Z'],
  ])('%s is read with its offset and its text', (_, text, ms, offset) => {
    expect(read(readMoment(text, at))).toEqual({ ms, offset, text })
  })

  it.each([
    ['no offset', '2026-05-01T10:15:30', ['missing-offset'], undefined],
    ['a day alone', '2026-05-01', ['moment-needs-seconds'], undefined],
    ['a month alone', '2026-05', ['moment-needs-seconds'], undefined],
    ['a year alone', '2026', ['moment-needs-seconds'], undefined],
    ['no seconds', '2026-05-01T10:15Z', ['wrong-value'], /Seconds must be given/],
    ['neither seconds nor offset', '2026-05-01T10:15', ['wrong-value', 'missing-offset'], /Seconds must be given/],
    ['30 February', '2026-02-30T10:15:30Z', ['wrong-value'], /2026-02-30 is not in the calendar/],
    ['29 February of a common year', '2026-02-29T10:15:30Z', ['wrong-value'], /not in the calendar/],
    ['month 13', '2026-13-01T10:15:30Z', ['wrong-value'], /not in the calendar/],
    ['year 0', '0000-01-01T00:00:00Z', ['wrong-value'], /not in the calendar/],
    ['hour 24', '2026-05-01T24:00:00Z', ['wrong-value'], /midnight is 00:00:00 of the next day/],
    ['minute 60', '2026-05-01T10:60:00Z', ['wrong-value'], /Minutes/],
    ['a leap second', '2016-12-31T23:59:60Z', ['wrong-value'], /leap second/],
    ['second 61', '2016-12-31T23:59:61Z', ['wrong-value'], /Seconds run/],
    ['an offset beyond 14:00', '2026-05-01T10:15:30+14:01', ['wrong-value'], /-14:00 to \+14:00/],
    ['an offset with 60 minutes', '2026-05-01T10:15:30+01:60', ['wrong-value'], /-14:00 to \+14:00/],
    ['an instant before year 1', '0001-01-01T00:00:00+01:00', ['wrong-value'], /year/],
    ['an instant after year 9999', '9999-12-31T23:59:59-01:00', ['wrong-value'], /year/],
    ['a small t and z', '2026-05-01t10:15:30z', ['wrong-value'], undefined],
    ['a blank for the T', '2026-05-01 10:15:30Z', ['wrong-value'], undefined],
    ['a blank around it', ' 2026-05-01T10:15:30Z', ['wrong-value'], undefined],
    ['an offset without colon', '2026-05-01T10:15:30+0200', ['wrong-value'], undefined],
    ['an offset by name', '2026-05-01T10:15:30 CET', ['wrong-value'], undefined],
    ['a comma before the fraction', '2026-05-01T10:15:30,5Z', ['wrong-value'], undefined],
    ['a number of the month day order', '05/01/2026 10:15', ['wrong-value'], undefined],
    ['nothing', '', ['wrong-value'], undefined],
  ])('with %s is refused', (_, text, codes, note) => {
    const problems = problemsOf(readMoment(text, at))
    expect(problems.map(({ code }) => code)).toEqual(codes)
    for (const problem of problems) expect(problem).toMatchObject({ at: [at], found: shown(text) })
    if (note) expect(problems[0]?.note).toMatch(note)
  })

  it('that is wrong in several ways is told all of them at once', () => {
    const [problem] = problemsOf(readMoment('2026-02-30T24:60:61+15:00', at))
    for (const part of [/calendar/, /Hours/, /Minutes/, /Seconds/, /Offsets/]) expect(problem?.note).toMatch(part)
  })

  it('never makes the reader throw, and every text it takes is a dateTime of FHIR', () => {
    // Source: http://hl7.org/fhir/R4/datatypes.html#dateTime, the regular expression with all optional parts required
    const fhir =
      /^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)-(0[1-9]|1[0-2])-(0[1-9]|[1-2][0-9]|3[0-1])T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))$/
    const near = fc.stringMatching(/^\d{4}-[01]\d-[0-3]\dT[0-2]\d:[0-6]\d:[0-6]\d(\.\d{1,9})?(Z|[+-][01]\d:[0-6]\d)$/)
    fc.assert(
      fc.property(fc.oneof(fc.string(), near), (text) => {
        if (readMoment(text, at).ok) expect(text).toMatch(fhir)
      }),
    )
  })
})

describe('a printed instant', () => {
  it.each([
    ['in UTC', 0, 'utc', '1970-01-01T00:00:00Z'],
    ['with milliseconds where there are any', 250, 'utc', '1970-01-01T00:00:00.250Z'],
    ['in a zone in summer', utc(2026, 6, 1, 12), 'Europe/Dublin', '2026-07-01T13:00:00+01:00'],
    ['in a zone at offset 0', utc(2026, 0, 1, 12), 'Europe/Dublin', '2026-01-01T12:00:00+00:00'],
    ['in a zone of 45 minutes', utc(2026, 0, 1), 'Asia/Kathmandu', '2026-01-01T05:45:00+05:45'],
    ['in the first of two equal hours', utc(2026, 10, 1, 5, 30), 'America/New_York', '2026-11-01T01:30:00-04:00'],
    ['in the second of two equal hours', utc(2026, 10, 1, 6, 30), 'America/New_York', '2026-11-01T01:30:00-05:00'],
    ['at an offset as it was written', utc(2026, 0, 1), '-03:30', '2025-12-31T20:30:00-03:30'],
    // Monrovia was 00:44:30 behind UTC. Source: tzdata, Africa/Monrovia
    ['at an offset with seconds, cut to the minute', 0, 'Africa/Monrovia', '1969-12-31T23:16:00-00:44'],
    ['whose local year is 0, in UTC', -62_135_596_800_000, 'America/New_York', '0001-01-01T00:00:00Z'],
    ['whose local year is 10000, in UTC', 253_402_300_799_000, 'Asia/Kathmandu', '9999-12-31T23:59:59Z'],
    // Manila was 15:56:08 behind UTC until 1844. Source: tzdata, Asia/Manila
    ['at an offset that FHIR cannot write, in UTC', utc(1840, 0, 1), 'Asia/Manila', '1840-01-01T00:00:00Z'],
  ])('%s', (_, ms, place, text) => {
    expect(printInstant(ms, place)).toBe(text)
  })

  it('reads back as the same instant, whatever the zone', () => {
    const place = fc.constantFrom('utc', 'Z', '+14:00', '-09:30', 'Africa/Monrovia', 'Asia/Manila', 'America/New_York')
    fc.assert(
      fc.property(fc.integer({ min: -62_135_596_800_000, max: 253_402_300_799_999 }), place, (ms, where) => {
        expect(read(readMoment(printInstant(ms, where), at)).ms).toBe(ms)
      }),
    )
  })

  it('is not made of what FHIR cannot write, nor in a place that does not exist', () => {
    for (const ms of [-62_135_596_800_001, 253_402_300_800_000, Number.NaN]) {
      expect(() => printInstant(ms, 'utc')).toThrow(RangeError)
    }
    for (const place of ['+15:00', 'Europe/Tern_Harbour', '']) expect(() => printInstant(0, place)).toThrow(RangeError)
  })
})

describe('a date', () => {
  it('is read when it is a whole day of the calendar', () => {
    expect(read(readDate('2024-02-29', at))).toBe('2024-02-29')
  })

  it.each(['2026-02-29', '2026-05', '2026', '2026-5-1', '20260501', '0000-05-01', '2026-05-01T00:00:00Z', ''])(
    'is not %s',
    (text) => {
      expect(problemsOf(readDate(text, at))).toMatchObject([{ code: 'wrong-value', at: [at], found: shown(text) }])
    },
  )
})

describe('a date or moment of any precision', () => {
  it.each([
    ['a year', '2026', utc(2026, 0, 1), utc(2027, 0, 1), 'year'],
    ['a month, whose last day is an hour short', '2026-03', utc(2026, 2, 1), utc(2026, 2, 31, 23), 'month'],
    ['a February', '2024-02', utc(2024, 1, 1), utc(2024, 2, 1), 'month'],
    ['a day of 25 hours', '2026-10-25', utc(2026, 9, 24, 23), utc(2026, 9, 26), 'day'],
    ['a second', '2026-05-01T10:00:00+02:00', utc(2026, 4, 1, 8), utc(2026, 4, 1, 8, 0, 1), 'instant'],
    ['a millisecond', '2026-05-01T08:00:00.000Z', utc(2026, 4, 1, 8), utc(2026, 4, 1, 8) + 1, 'instant'],
  ])('%s may mean these instants in Dublin', (_, text, from, until, precision) => {
    expect(read(readPartial(text, 'Europe/Dublin', at))).toEqual({ from, until, precision })
  })

  it('reaches from the first year to the last', () => {
    expect(read(readPartial('0001', 'utc', at)).from).toBe(-62_135_596_800_000)
    expect(read(readPartial('9999', 'utc', at)).until).toBe(253_402_300_800_000)
  })

  it.each([
    ['0000', ['wrong-value']],
    ['2026-00', ['wrong-value']],
    ['2026-13', ['wrong-value']],
    ['2026-02-30', ['wrong-value']],
    ['26', ['wrong-value']],
    ['2026-05-01T10:15:30', ['missing-offset']],
  ])('is not %s', (text, codes) => {
    expect(codesOf(readPartial(text, 'Europe/Dublin', at))).toEqual(codes)
  })
})

describe('a duration', () => {
  it.each([
    ['PT90M', 5_400_000],
    ['-PT90M', -5_400_000],
    ['P14D', 1_209_600_000],
    ['P2W', 1_209_600_000],
    ['P1DT2H3M4.5S', 93_784_500],
    ['PT0S', 0],
  ])('%s is read in milliseconds', (text, ms) => {
    expect(read(readDuration(text, at))).toBe(ms)
  })

  it.each([
    '',
    'P',
    'PT',
    'P1DT',
    '-P',
    'P1Y',
    'P1M',
    'P1.5D',
    'PT1,5S',
    'P-1D',
    '+P1D',
    '14D',
    'pt90m',
    'P1W2D',
    '90',
    'PT90M ',
  ])('is not "%s"', (text) => {
    expect(problemsOf(readDuration(text, at))).toMatchObject([{ code: 'wrong-value', at: [at], found: shown(text) }])
  })
})
