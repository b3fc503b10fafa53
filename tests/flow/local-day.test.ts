import fc from 'fast-check'
import { DateTime, Settings } from 'luxon'
import { afterEach, describe, expect, it, vi } from 'vitest'
import {
  cutOffOf,
  dueMoment,
  isLocalDate,
  isZone,
  localDateOf,
  localDay,
  nextDate,
  offsetAt,
  previousDate,
  startOfDay,
} from '../../src/model/local-day.ts'
import table from './day-table.json' with { type: 'json' }

const utc = (text: string) => DateTime.fromISO(text, { zone: 'utc' }).toMillis()
const print = (ms: number) => DateTime.fromMillis(ms, { zone: 'utc' }).toFormat("yyyy-MM-dd'T'HH:mm'Z'")
const days = table.days as [zone: string, date: string, start: string, end: string][]
const cutOffs = table.cutOffs as [zone: string, date: string, cutOff: string, instant: string][]

/** Computed with Node 20.20.2, tzdata 2025b and 2025c: another runtime than ours. */
const byAnotherRuntime: typeof days = [
  ['America/New_York', '2026-03-08', '2026-03-08T05:00Z', '2026-03-09T04:00Z'],
  ['America/New_York', '2026-11-01', '2026-11-01T04:00Z', '2026-11-02T05:00Z'],
  ['America/New_York', '2027-03-14', '2027-03-14T05:00Z', '2027-03-15T04:00Z'],
  ['America/New_York', '2027-11-07', '2027-11-07T04:00Z', '2027-11-08T05:00Z'],
  ['America/Phoenix', '2026-03-08', '2026-03-08T07:00Z', '2026-03-09T07:00Z'],
  ['Europe/London', '2026-03-29', '2026-03-29T00:00Z', '2026-03-29T23:00Z'],
  ['Europe/London', '2026-10-25', '2026-10-24T23:00Z', '2026-10-26T00:00Z'],
]

const checkDays = () => {
  for (const [zone, date, start, end] of [...days, ...byAnotherRuntime]) {
    const day = localDay(date, zone)
    expect([zone, date, print(day.start), print(day.end)]).toEqual([zone, date, start, end])
  }
}

const checkCutOffs = () => {
  for (const [timeZone, date, cutOff, instant] of cutOffs) {
    const found = print(cutOffOf(date, { timeZone, cutOff }))
    expect([timeZone, date, cutOff, found]).toEqual([timeZone, date, cutOff, instant])
  }
}

describe('a local day', () => {
  it('runs between the first instants that Python computes, hours that happen twice or never included', checkDays)

  it.each([
    ['a day on which clocks go forward has 23 hours', 'Europe/Dublin', '2024-03-31', 23],
    ['a day on which clocks go back has 25 hours', 'Europe/Dublin', '2024-10-27', 25],
    ['clocks that move by half an hour make a day of 24½ hours', 'Australia/Lord_Howe', '2024-04-07', 24.5],
    ['and, when they move the other way, one of 23½ hours', 'Australia/Lord_Howe', '2024-10-06', 23.5],
    ['a zone that never changes has days of 24 hours', 'America/Phoenix', '2026-11-01', 24],
    ['a date that the zone left out is empty', 'Pacific/Apia', '2011-12-30', 0],
  ])('%s', (_, zone, date, hours) => {
    const { start, end } = localDay(date, zone)
    expect((end - start) / 3_600_000).toBe(hours)
  })

  it('does not begin twice when the clock is set back over midnight', () => {
    // St. John's set its clock from 00:01 back to 23:01 on 29 October 2006. Source: tzdata, America/St_Johns
    const again = utc('2006-10-29T03:00:00Z')
    expect(offsetAt(again, 'America/St_Johns')).toBe(-3.5 * 3_600_000)
    expect(localDateOf(again, 'America/St_Johns')).toBe('2006-10-29')
    expect(dueMoment(again, { timeZone: 'America/St_Johns' }).due).toBe(utc('2006-10-30T03:30Z'))
  })

  it('knows no date outside the calendar, and no zone that the machine does not know', () => {
    for (const date of ['2026-02-30', '2026-2-1', '2026-13-01', '0000-01-01', '2026-01-01T00:00:00Z', '10000-01-01']) {
      expect(isLocalDate(date)).toBe(false)
      expect(() => startOfDay(date, 'Europe/Dublin')).toThrow(RangeError)
    }
    for (const zone of ['Europe/Tern_Harbour', '+01:00', '-05', '', 'local', 'UTC+3']) {
      expect(isZone(zone)).toBe(false)
      expect(() => startOfDay('2026-01-01', zone)).toThrow(RangeError)
    }
    for (const zone of ['Europe/Dublin', 'UTC', 'Etc/GMT+5', 'Asia/Kathmandu']) expect(isZone(zone)).toBe(true)
  })

  it('has a first and a last date', () => {
    expect(nextDate('2024-02-28')).toBe('2024-02-29')
    expect(previousDate('2026-03-01')).toBe('2026-02-28')
    expect(() => nextDate('9999-12-31')).toThrow(RangeError)
    expect(() => previousDate('0001-01-01')).toThrow(RangeError)
    expect(localDateOf(utc('9999-12-31T23:59:59Z'), 'Asia/Kathmandu')).toBe('9999-12-31')
    expect(localDateOf(utc('0001-01-01T00:00:00Z'), 'America/New_York')).toBe('0001-01-01')
    expect(startOfDay('0001-01-01', 'UTC')).toBe(utc('0001-01-01T00:00:00Z'))
  })
})

describe('the cut-off', () => {
  it('is the instant that Python finds: the later of two, the next existing one where there is none', checkCutOffs)

  it('is the end of the local day where the site sets none', () => {
    expect(print(cutOffOf('2026-10-25', { timeZone: 'Europe/London' }))).toBe('2026-10-26T00:00Z')
  })

  it('is never after the end of the day, even where the hour before midnight comes again', () => {
    const site = { timeZone: 'America/St_Johns', cutOff: '23:30' }
    expect(cutOffOf('2006-10-28', site)).toBe(localDay('2006-10-28', 'America/St_Johns').end)
  })

  it('is a time of day', () => {
    for (const cutOff of ['24:00', '6:00', '18:60', '18:00:00', '']) {
      expect(() => cutOffOf('2026-05-01', { timeZone: 'UTC', cutOff })).toThrow(RangeError)
    }
  })
})

describe('the moment that is too late for a link', () => {
  const harbour = { timeZone: 'Europe/Dublin', cutOff: '18:00' }
  it.each([
    ['switched on in the morning: the cut-off', harbour, '2026-05-01T08:30Z', '2026-05-01', '2026-05-01T17:00Z'],
    [
      'switched on just before the cut-off: still the cut-off',
      harbour,
      '2026-05-01T16:59Z',
      '2026-05-01',
      '2026-05-01T17:00Z',
    ],
    ['switched on at the cut-off: the end of the day', harbour, '2026-05-01T17:00Z', '2026-05-01', '2026-05-01T23:00Z'],
    ['switched on late: the end of the day', harbour, '2026-05-01T22:59Z', '2026-05-01', '2026-05-01T23:00Z'],
    [
      'switched on at the first instant of a day: that day',
      harbour,
      '2026-05-01T23:00Z',
      '2026-05-02',
      '2026-05-02T17:00Z',
    ],
    [
      'a site without a cut-off: the end of the day',
      { timeZone: 'America/Phoenix' },
      '2026-05-01T12:00Z',
      '2026-05-01',
      '2026-05-02T07:00Z',
    ],
    [
      'a day of 25 hours: its own end',
      { timeZone: 'America/New_York' },
      '2026-11-01T12:00Z',
      '2026-11-01',
      '2026-11-02T05:00Z',
    ],
  ])('%s', (_, site, appliedAt, date, due) => {
    const found = dueMoment(utc(appliedAt), site)
    expect([found.date, print(found.due)]).toEqual([date, due])
    expect(found.cutOff).toBe(cutOffOf(date, site))
  })
})

describe('the zone and the clock of the machine', () => {
  afterEach(() => {
    vi.unstubAllEnvs()
    vi.useRealTimers()
    Settings.resetCaches()
  })

  it.each([
    ['America/New_York', '2026-01-15T12:00:00Z', 300],
    ['America/New_York', '2026-07-15T12:00:00Z', 240],
    ['Australia/Lord_Howe', '2026-01-15T12:00:00Z', -660],
    ['Australia/Lord_Howe', '2026-07-15T12:00:00Z', -630],
  ])('change nothing: run in %s at %s', (zone, now, minutesWest) => {
    vi.stubEnv('TZ', zone)
    vi.useFakeTimers({ now: utc(now) })
    Settings.resetCaches()
    expect(new Date().getTimezoneOffset()).toBe(minutesWest)
    checkDays()
    checkCutOffs()
  })
})

describe('for any zone and day', () => {
  const zone = fc.constantFrom(...new Set(days.map(([name]) => name)), 'Antarctica/Casey', 'Africa/Monrovia', 'UTC')
  const date = fc
    .integer({ min: utc('1900-01-01') / 86_400_000, max: utc('2100-12-31') / 86_400_000 })
    .map((day) => DateTime.fromMillis(day * 86_400_000, { zone: 'utc' }).toFormat('yyyy-MM-dd'))
  const odd = fc.constantFrom(...days).map(([name, day]) => [name, day] as const)
  const zoneAndDate = fc.oneof(fc.tuple(zone, date), odd)
  const time = fc
    .tuple(fc.integer({ min: 0, max: 23 }), fc.integer({ min: 0, max: 59 }))
    .map((parts) => parts.map((n) => String(n).padStart(2, '0')).join(':'))

  it('days follow each other without gap or overlap, and last at most two days', () => {
    fc.assert(
      fc.property(zoneAndDate, ([name, day]) => {
        const { start, end } = localDay(day, name)
        expect(end).toBe(startOfDay(nextDate(day), name))
        expect(start).toBe(localDay(previousDate(day), name).end)
        expect(end - start).toBeGreaterThanOrEqual(0)
        expect(end - start).toBeLessThanOrEqual(48 * 3_600_000)
      }),
      { numRuns: 60 },
    )
  })

  it('the wall clock shows an earlier date just before a day starts, and not at its start', () => {
    fc.assert(
      fc.property(zoneAndDate, ([name, day]) => {
        const start = startOfDay(day, name)
        const shown = (ms: number) => DateTime.fromMillis(ms, { zone: name }).toFormat('yyyy-MM-dd')
        expect(shown(start - 1) < day).toBe(true)
        expect(shown(start) >= day).toBe(true)
      }),
      { numRuns: 60 },
    )
  })

  it('every instant lies in exactly the day that localDateOf says', () => {
    fc.assert(
      fc.property(zoneAndDate, fc.integer({ min: -30 * 3_600_000, max: 54 * 3_600_000 }), ([name, day], shift) => {
        const ms = startOfDay(day, name) + shift
        const { start, end } = localDay(localDateOf(ms, name), name)
        expect(start <= ms && ms < end).toBe(true)
      }),
      { numRuns: 100 },
    )
  })

  it('the cut-off lies in its day or at its end, and what is switched on is due later, on its own day', () => {
    fc.assert(
      fc.property(zoneAndDate, time, fc.double({ min: 0, max: 1, noNaN: true }), ([timeZone, day], cutOff, share) => {
        const { start, end } = localDay(day, timeZone)
        const at = cutOffOf(day, { timeZone, cutOff })
        expect(start <= at && at <= end).toBe(true)
        fc.pre(end > start)
        const appliedAt = Math.min(Math.floor(start + share * (end - start)), end - 1)
        const found = dueMoment(appliedAt, { timeZone, cutOff })
        expect(found).toEqual({ date: day, cutOff: at, due: appliedAt < at ? at : end })
        expect(found.due).toBeGreaterThan(appliedAt)
      }),
      { numRuns: 60 },
    )
  })
})
