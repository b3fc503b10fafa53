import fc from 'fast-check'
import { Temporal } from 'temporal-polyfill'
import { describe, expect, it } from 'vitest'
import { isClosed } from '../../src/flow/watch-flow/day-facts.ts'
import { momentsDue } from '../../src/flow/watch-flow/moments-due.ts'
import type { TimeZone } from '../../src/model/configuration.ts'
import { instantOf } from '../../src/model/instant.ts'
import {
  cutOffOf,
  cutOffTimeOn,
  dueMoment,
  localDateOf,
  localDay,
  nextDate,
  startOfDay,
  zoneAt,
  zoneOn,
} from '../../src/model/local-day.ts'
import { tern } from '../support/fixtures.ts'

const utc = (text: string) => Temporal.Instant.from(text).epochMilliseconds
const print = (ms: number) => new Date(ms).toISOString().replace(':00.000Z', 'Z')
const hour = 3_600_000

const dateFrom = (first: string, last: string) =>
  fc
    .integer({ min: utc(`${first}T00:00Z`) / (24 * hour), max: utc(`${last}T00:00Z`) / (24 * hour) })
    .map((day) => new Date(day * 24 * hour).toISOString().slice(0, 10))
const anyTime = fc
  .tuple(fc.integer({ min: 0, max: 23 }), fc.integer({ min: 0, max: 59 }))
  .map((parts) => parts.map((n) => String(n).padStart(2, '0')).join(':'))
const anyZone = fc.constantFrom(...Intl.supportedValuesOf('timeZone'))

/**
 * The second source: Temporal (https://tc39.es/proposal-temporal/docs/) by the library temporal-polyfill, which computes
 * apart from ours and from luxon, by the zone rules of the same runtime. Rules of another tzdata are in day-table.json.
 */
const temporal = {
  /** "The earliest valid time in the day", ZonedDateTime.startOfDay. */
  start: (date: string, zone: string) => Temporal.PlainDate.from(date).toZonedDateTime(zone).epochMilliseconds,
  /** The later of two; of none, the change of the clock that left it out. */
  reading: (date: string, time: string, zone: string) => {
    const wall = Temporal.PlainDateTime.from(`${date}T${time}`)
    const later = wall.toZonedDateTime(zone, { disambiguation: 'later' })
    if (later.toPlainDateTime().equals(wall)) return later.epochMilliseconds
    const before = wall.toZonedDateTime(zone, { disambiguation: 'earlier' })
    return before.getTimeZoneTransition('next')?.epochMilliseconds
  },
}

describe('against Temporal, for any zone, any day from 1990 to 2037 and any time', () => {
  /** Days next to a change of the clock, which random ones seldom meet. */
  const nearChange = fc
    .tuple(anyZone, dateFrom('1990-01-01', '2036-12-31'), fc.integer({ min: -1, max: 1 }))
    .map(([zone, date, shift]) => {
      const change = Temporal.PlainDate.from(date).toZonedDateTime(zone).getTimeZoneTransition('next')
      const near = change && change.epochMilliseconds < utc('2037-12-30T00:00Z') ? change.toPlainDate() : date
      return [zone, Temporal.PlainDate.from(near).add({ days: shift }).toString()] as const
    })
  const zoneAndDate = fc.oneof(fc.tuple(anyZone, dateFrom('1990-01-01', '2037-12-31')), nearChange)

  it('a day begins where it says', () => {
    fc.assert(
      fc.property(zoneAndDate, ([zone, date]) => {
        expect(print(startOfDay(date, zone))).toBe(print(temporal.start(date, zone)))
      }),
      { numRuns: 400 },
    )
  })

  it('a cut-off is where it says, and never after the day', () => {
    fc.assert(
      fc.property(zoneAndDate, anyTime, ([timeZone, date], cutOff) => {
        const reading = temporal.reading(date, cutOff, timeZone) ?? Number.NaN
        const end = temporal.start(nextDate(date), timeZone)
        expect(print(cutOffOf(date, { timeZone, cutOff }))).toBe(print(Math.min(reading, end)))
      }),
      { numRuns: 400 },
    )
  })

  it('an instant lies on the date that the clock shows, or on one that began before the clock was set back', () => {
    fc.assert(
      fc.property(zoneAndDate, fc.integer({ min: 0, max: 24 * hour }), ([zone, date], after) => {
        const ms = startOfDay(date, zone) + after
        const shown = Temporal.Instant.fromEpochMilliseconds(ms).toZonedDateTimeISO(zone).toPlainDate().toString()
        const begun = temporal.start(nextDate(shown), zone) <= ms ? nextDate(shown) : shown
        expect(localDateOf(ms, zone)).toBe(begun)
      }),
      { numRuns: 400 },
    )
  })
})

describe('a cut-off by days', () => {
  const cutOff = [
    { at: '18:00' },
    { at: '17:30', from: '2026-12-01' },
    { at: '13:00', on: ['sat'] },
    { at: '12:00', on: ['sat'], from: '2027-01-01' },
    { at: '11:00', on: ['2026-12-24', '2026-12-26'] },
    { at: 'day-end', on: ['sun'] },
  ]
  const site = { timeZone: 'Europe/Dublin', cutOff }

  // 28 November 2026 is a Saturday: ISO 8601 calendar, as `cal` prints it
  it.each<[string, string, string | undefined]>([
    ['the entry for every day', '2026-11-27', '18:00'],
    ['the last day before another one counts', '2026-11-30', '18:00'],
    ['the first day on which it counts', '2026-12-01', '17:30'],
    ['the weekday before every day', '2026-11-28', '13:00'],
    ['the weekday before every day, also one that began later', '2026-12-05', '13:00'],
    ['of two for a weekday the one that began last', '2027-01-02', '12:00'],
    ['the date before every day', '2026-12-24', '11:00'],
    ['the date before its weekday', '2026-12-26', '11:00'],
    ['the end of the day where an entry says so', '2026-11-29', undefined],
  ])('%s', (_, date, time) => {
    expect(cutOffTimeOn(date, site)).toBe(time)
    expect(cutOffTimeOn(date, { ...site, cutOff: cutOff.toReversed() })).toBe(time)
    expect(cutOffOf(date, site)).toBe(
      time === undefined ? localDay(date, site.timeZone).end : cutOffOf(date, { ...site, cutOff: time }),
    )
  })

  it('is the end of the day on a day that no entry names', () => {
    const only = { ...site, cutOff: [{ at: '13:00', on: ['sat'] }] }
    expect(cutOffOf('2026-11-27', only)).toBe(localDay('2026-11-27', 'Europe/Dublin').end)
  })

  it('counts for a recorder by the day on which it was switched on, and past the cut-off by the end of that day', () => {
    const due = (appliedAt: string) => print(dueMoment(utc(appliedAt), site).due)
    expect(due('2026-11-30T17:45Z')).toBe('2026-11-30T18:00Z')
    expect(due('2026-12-01T17:45Z')).toBe('2026-12-02T00:00Z')
    expect(due('2026-12-01T17:29Z')).toBe('2026-12-01T17:30Z')
  })

  it('gives each day the evenings that are due by its own', () => {
    const moments = momentsDue(
      { ...tern, cutOff },
      instantOf(utc('2026-11-28T00:00Z')),
      instantOf(utc('2026-12-02T00:00Z')),
    )
    expect(moments.map((m) => `${m.day} ${m.moment} ${m.at.slice(11, 16)}`)).toEqual([
      '2026-11-28 cut-off 13:00',
      '2026-11-28 day-end 00:00',
      '2026-11-29 day-end 00:00',
      '2026-11-30 cut-off 18:00',
      '2026-11-30 day-end 00:00',
      '2026-12-01 cut-off 17:30',
      '2026-12-01 day-end 00:00',
    ])
  })
})

describe('closed days', () => {
  const site = { closed: ['sun', '2026-12-25'], open: ['2026-12-27'] }
  it.each([
    ['a weekday that is closed', '2026-12-20', true],
    ['a date that is closed', '2026-12-25', true],
    ['a date that is open on such a weekday', '2026-12-27', false],
    ['any other day', '2026-12-28', false],
  ])('%s', (_, date, closed) => {
    expect(isClosed(date, site)).toBe(closed)
  })
})

describe('a site that moves to another zone', () => {
  const moved = (first: string, second: string): TimeZone => [{ zone: first }, { zone: second, from: '2026-11-10' }]
  const dublin = 'Europe/Dublin'
  const newYork = 'America/New_York'

  // offsets of November 2026 by tzdata 2025b: Dublin 0, New York −5, Kiritimati +14, Pago Pago −11
  it.each<[string, TimeZone, string, string, string]>([
    ['keeps the days of before', moved(dublin, newYork), '2026-11-09', '2026-11-09T00:00Z', '2026-11-10T00:00Z'],
    [
      'has a longer day when it moves west',
      moved(dublin, newYork),
      '2026-11-10',
      '2026-11-10T00:00Z',
      '2026-11-11T05:00Z',
    ],
    [
      'has days of the new zone from then on',
      moved(dublin, newYork),
      '2026-11-11',
      '2026-11-11T05:00Z',
      '2026-11-12T05:00Z',
    ],
    [
      'has a shorter day when it moves east',
      moved(newYork, dublin),
      '2026-11-10',
      '2026-11-10T05:00Z',
      '2026-11-11T00:00Z',
    ],
    [
      'has an empty day when it moves east by more than a day',
      moved('Pacific/Pago_Pago', 'Pacific/Kiritimati'),
      '2026-11-10',
      '2026-11-10T11:00Z',
      '2026-11-10T11:00Z',
    ],
    [
      'goes on from there',
      moved('Pacific/Pago_Pago', 'Pacific/Kiritimati'),
      '2026-11-11',
      '2026-11-10T11:00Z',
      '2026-11-11T10:00Z',
    ],
  ])('%s', (_, zone, date, start, end) => {
    const day = localDay(date, zone)
    expect([print(day.start), print(day.end)]).toEqual([start, end])
  })

  it('tells the day of the move by the new clock, its cut-off too', () => {
    const site = { timeZone: moved(dublin, newYork), cutOff: '18:00' }
    expect([zoneOn('2026-11-09', site.timeZone), zoneOn('2026-11-10', site.timeZone)]).toEqual([dublin, newYork])
    expect(print(cutOffOf('2026-11-09', site))).toBe('2026-11-09T18:00Z')
    expect(print(cutOffOf('2026-11-10', site))).toBe('2026-11-10T23:00Z')
    // the clock in New York shows the evening of the 9th
    expect(localDateOf(utc('2026-11-10T01:00Z'), site.timeZone)).toBe('2026-11-10')
    expect(zoneAt(utc('2026-11-10T01:00Z'), site.timeZone)).toBe(newYork)
    expect(zoneAt(utc('2026-11-09T23:59Z'), site.timeZone)).toBe(dublin)
  })

  it('has no cut-off before the day of the move has begun', () => {
    const site = { timeZone: moved(newYork, dublin), cutOff: '04:00' }
    expect(print(cutOffOf('2026-11-10', site))).toBe('2026-11-10T05:00Z')
  })

  const anyMoves = fc
    .tuple(anyZone, fc.array(fc.tuple(anyZone, dateFrom('2026-01-01', '2026-01-20')), { minLength: 1, maxLength: 3 }))
    .map(([zone, moves]): TimeZone => {
      const dates = [...new Set(moves.map(([, from]) => from))].toSorted()
      return [{ zone }, ...dates.map((from) => ({ from, zone: moves.find(([, date]) => date === from)?.[0] ?? zone }))]
    })

  it('doubles no day and loses none, whatever the moves', () => {
    fc.assert(
      fc.property(anyMoves, dateFrom('2025-12-28', '2026-01-25'), anyTime, (timeZone, date, cutOff) => {
        const { start, end } = localDay(date, timeZone)
        expect(end).toBe(localDay(nextDate(date), timeZone).start)
        expect(start).toBeLessThanOrEqual(end)
        const at = cutOffOf(date, { timeZone, cutOff })
        expect(start <= at && at <= end).toBe(true)
      }),
      { numRuns: 300 },
    )
  })

  it('puts every instant into the one day that holds it', () => {
    const instant = fc.integer({ min: utc('2025-12-28T00:00Z'), max: utc('2026-01-25T00:00Z') })
    fc.assert(
      fc.property(anyMoves, instant, (timeZone, ms) => {
        const { start, end } = localDay(localDateOf(ms, timeZone), timeZone)
        expect(start <= ms && ms < end).toBe(true)
      }),
      { numRuns: 300 },
    )
  })
})

describe('a day without an instant', () => {
  it('has its evening although that of the day before was issued alone', () => {
    // Samoa left out 30 December 2011. Source: tzdata, Pacific/Apia
    const apia = { ...tern, timeZone: 'Pacific/Apia', cutOff: '18:00' }
    const end = instantOf(localDay('2011-12-29', 'Pacific/Apia').end)
    const days = (after: string, now: string) =>
      momentsDue(apia, instantOf(utc(after)), instantOf(utc(now))).map((m) => `${m.day} ${m.moment}`)
    expect(days('2011-12-30T04:00Z', '2011-12-30T10:00Z')).toEqual(['2011-12-29 day-end', '2011-12-30 day-end'])
    expect(end).toBe(instantOf(utc('2011-12-30T10:00Z')))
    expect(days('2011-12-30T10:00Z', '2011-12-30T10:00Z')).toEqual(['2011-12-30 day-end'])
    expect(days('2011-12-31T04:00Z', '2011-12-31T10:00Z')).toEqual(['2011-12-31 day-end'])
  })
})
