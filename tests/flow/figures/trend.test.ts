/** What a site's days show, the difference of two moments, and what a report may be asked for. */
import { describe, expect, test } from 'vitest'
import { readDays, readMoments, readReportDay } from '../../../src/flow/watch-flow/asked-report.ts'
import { differenceOf } from '../../../src/flow/watch-flow/difference.ts'
import { eveningOf } from '../../../src/flow/watch-flow/evening.ts'
import { figuresOf, windowOf } from '../../../src/flow/watch-flow/figures/trend.ts'
import { previousDate } from '../../../src/model/local-day.ts'
import { type Checked, problemsOf } from '../../../src/model/problems.ts'
import { application, at, facts, link, tern, today, uuid, watch } from '../../support/fixtures.ts'

const later = '2026-11-26T12:00:00Z'

/** A recorder switched on at nine o'clock and linked so many minutes after. */
const tied = (n: number, day: string, minutes: number, over = {}) =>
  link({
    id: uuid(n),
    orderId: uuid(10_000 + n),
    deviceId: uuid(20_000 + n),
    day,
    appliedAt: at(`${day}T09:00:00Z`),
    tiedAt: at(new Date(Date.parse(`${day}T09:00:00Z`) + minutes * 60_000).toISOString()),
    ...over,
  })

/** 30 days before today with four recorders each, one of every fourth day's late. */
const month = () => {
  const days: string[] = []
  for (let day = previousDate(today); days.length < 30; day = previousDate(day)) days.push(day)
  return days.flatMap((day, d) => [0, 1, 2, 3].map((n) => tied(d * 4 + n + 1, day, n === 0 && d % 4 === 0 ? 600 : 10)))
}

describe('the figures of a site', () => {
  test('are of the day and the thirty days before it', () => {
    expect(windowOf(today)).toEqual({ from: '2026-10-26', to: today })
    const own = [5, 10, 60].map((minutes, n) => tied(900 + n, today, minutes))
    const loose = application({ id: uuid(800), deviceId: uuid(801) })
    const f = figuresOf(tern, today, facts({ links: [...month(), ...own], applications: [loose] }), at(later))
    expect(f.days).toHaveLength(31)
    expect(f.base).toEqual({ enough: true, days: 30, applications: 120, centre: 112 / 120 })
    expect(f.today).toMatchObject({ day: today, denominator: 4, numerator: 3, placed: 'usual' })
    const e = eveningOf(tern, today, facts({ links: own, applications: [loose] }), watch(later), 'x')
    expect(e.inTime).toEqual({ links: 3, fastest: 300, median: 600, ninetyPercent: 3000 })
    // the oldest of the thirty before is not among the thirty up to the day: 116 with 8 late, and 4 with one loose
    expect(f.month).toMatchObject({ from: '2026-10-27', to: today, denominator: 120, numerator: 111 })
    expect(f.byHour).toEqual([expect.objectContaining({ hour: 9, denominator: 120, numerator: 111 })])
  })

  test('tell a day that lies below its limits', () => {
    const own = [1, 2, 3, 4].map((n) => tied(900 + n, today, 700))
    const f = figuresOf(tern, today, facts({ links: [...month(), ...own] }), at(later))
    expect(f.today).toMatchObject({ denominator: 4, numerator: 0, placed: 'below' })
  })

  test('say so where the days before are too few', () => {
    const few = month().filter((l) => l.day > '2026-11-10')
    const f = figuresOf(tern, today, facts({ links: few }), at(later))
    expect(f.base).toEqual({ enough: false, days: 14, applications: 56 })
    expect(f.days.every((d) => d.limits === undefined)).toBe(true)
  })

  test('name no person unless the site allows it', () => {
    const links = [
      tied(1, today, 5, { performer: { display: 'T. Lamb', identifier: { value: 'S-1' } } }),
      tied(2, today, 700, { performer: { display: 'N. Finch' } }),
      tied(3, today, 5),
    ]
    expect(figuresOf(tern, today, facts({ links }), at(later)).byPerson).toBeUndefined()
    const open = { ...tern, figures: { byPerson: true } as const }
    expect(
      figuresOf(open, today, facts({ links }), at(later)).byPerson?.map((p) => [p.person, p.numerator, p.denominator]),
    ).toEqual([
      ['N. Finch', 0, 1],
      ['S-1', 1, 1],
      ['not stated', 1, 1],
    ])
  })
})

describe('the difference of two moments', () => {
  const evening = (asOf: string, over: Parameters<typeof facts>[0]) =>
    eveningOf(tern, today, facts(over), watch(asOf), '2026a')
  const loose = application({ id: uuid(800), deviceId: uuid(801) })
  const [early, after] = [`${today}T12:00:00Z`, `${today}T18:30:00Z`]
  const changes = (a: ReturnType<typeof evening>, b: ReturnType<typeof evening>) =>
    differenceOf(a, b).changes.map((c) => `${c.gap.code} ${c.change}`)

  test('opened, final, mended, no more, unchanged', () => {
    const before = evening(early, { applications: [loose] })
    const final = evening(after, { applications: [loose] })
    expect(changes(evening(early, {}), before)).toEqual(['no-link opened'])
    expect(changes(before, final)).toEqual(['no-link became final'])
    expect(changes(final, final)).toEqual(['no-link unchanged'])
    expect(changes(before, evening(after, {}))).toEqual(['no-link no more'])
    const late = tied(1, today, 9 * 60 + 15, { deviceId: loose.deviceId })
    const mended = evening(after, { applications: [loose], links: [late] })
    expect(changes(final, mended)).toEqual(['no-link mended', 'late-link opened'])
    expect(changes(evening(early, {}), mended)).toEqual(['no-link opened and mended', 'late-link opened'])
    expect(changes(mended, final)).toEqual(['no-link reopened', 'late-link no more'])
    expect(differenceOf(final, mended)).toMatchObject({
      before: { open: 1, mended: 0 },
      after: { open: 1, mended: 1 },
    })
  })
})

describe('what a report may be asked for', () => {
  const known = { present: at(`${today}T12:00:00Z`), first: at('2026-11-01T00:00:00Z') }
  const told = (read: Checked<unknown>) => problemsOf(read).map((p) => `${p.location} ${p.code}`)

  test.each<[string, string | undefined, string | undefined, string[]]>([
    ['nothing', undefined, undefined, []],
    ['both', '2026-11-20T12:00:00Z', '2026-11-20T11:00:00Z', []],
    ['one moment twice', '2026-11-20T12:00:00Z', '2026-11-20T12:00:00Z', []],
    ['an offset whose plus sign became a space', '2026-11-20T12:00:00 01:00', undefined, []],
    ['before everything', '2026-10-31T23:59:59Z', undefined, ['http.asOf before-first-record']],
    ['to come', '2026-11-25T12:00:01Z', undefined, ['http.asOf in-the-future']],
    ['the wrong way round', '2026-11-20T11:00:00Z', '2026-11-20T12:00:00Z', ['http.since ends-before-start']],
    ['both wrong', 'yesterday', '2026-10-01T00:00:00Z', ['http.asOf wrong-value', 'http.since before-first-record']],
  ])('moments: %s', (_what, asOf, since, expected) =>
    expect(told(readMoments({ asOf, since }, known))).toEqual(expected),
  )

  test.each<[string, string[] | number]>([
    ['2026-11-01..2026-11-30', 30],
    ['2026-11-01..2026-11-01', 1],
    ['2026-09-01..2026-12-01', 92],
    ['2026-09-01..2026-12-02', ['http.to too-much-asked']],
    ['0001-01-01..2026-12-02', ['http.to too-much-asked']],
    ['2026-11-02..2026-11-01', ['http.to ends-before-start']],
    ['2026-02-30..2026-13-01', ['http.from wrong-value', 'http.to wrong-value']],
    ['2026-11-01', ['http.to wrong-value']],
    ['2026-11-01..2026-11-02..2026-11-03', ['http.to wrong-value']],
    ['2026-11-01..9999-12-31', ['http.to in-the-future']],
  ])('days %s', (text, expected) => {
    const read = readDays(text, known.present)
    expect(read.ok ? read.value.length : told(read)).toEqual(expected)
  })

  test('a day a year ahead, but no day beyond', () => {
    expect(readReportDay('2027-11-26', 'http.date', known.present).ok).toBe(true)
    expect(told(readReportDay('2027-11-27', 'http.date', known.present))).toEqual(['http.date in-the-future'])
  })
})
