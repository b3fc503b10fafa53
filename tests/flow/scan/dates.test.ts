import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { dateOfCentury, dateOfDayZero, dateOfSix, fullYear, hibcDate } from '../../../src/model/scan/dates.ts'
import { outcome, problems, read, today, value } from './words.ts'

const gtin = '0109520123456788'

describe('YYMMDD', () => {
  const linter = 'gs1/gs1-syntax-dictionary, linters yymmd0 and yymmdd'
  const good = '000606 250606 500606 750606 990606 200131 200229 240229 000229 040229 960229 200600'
  const bad = '200010 201310 209910 200132 200230 200431 210229 220229 230229 x00131'

  test.each(good.split(' '))(`%s is a date (${linter})`, (text) => {
    expect(outcome(read(`${gtin}17${text}`))).toBe('ok')
  })

  test.each(bad.split(' '))(`%s is no date (${linter})`, (text) => {
    expect(outcome(read(`${gtin}17${text}`))).toBe('scan-unreadable')
  })

  test.each(['20013', '2001311'])(`%s has a wrong length (${linter})`, (text) => {
    expect(outcome(read(`(01)09520123456788(17)${text}`))).toBe('scan-unreadable')
  })

  test.each(['11', '12', '13', '15', '16', '17'])('is tested in (%s)', (ai) => {
    expect(outcome(read(`${gtin}${ai}260230`))).toBe('scan-unreadable')
  })
})

describe('day 00', () => {
  test.each([
    ['130200', '2013-02-28'], // GS1 General Specifications 3.4.5, as quoted in a public parser
    ['160200', '2016-02-29'],
  ])('%s is read as %s, with a warning', (text, date) => {
    const scan = read(`${gtin}17${text}`)
    expect(value(scan).expirationDate).toBe(date)
    expect(problems(scan)).toMatchObject([{ code: 'day-zero', severity: 'warning', found: `(17)${text}` }])
  })

  test('is refused where the time of day is stated too (linter yymmdd)', () => {
    expect(outcome(read(`${gtin}70032006001200`))).toBe('scan-unreadable')
    expect(value(read(`${gtin}70032606301200`))).toMatchObject({ expirationDate: '2026-06-30', expiresAtHour: 12 })
  })

  test('is not a day of any other form', () => {
    expect(dateOfSix('130200', today)).toBeUndefined()
    expect(dateOfDayZero('131300', today)).toBeUndefined()
  })
})

describe('the century of a two-digit year', () => {
  // Calculated from the window of GS1 General Specifications 7.12.
  test.each([
    ['761231', '2026-03-01', '2076-12-31'],
    ['770101', '2026-03-01', '1977-01-01'],
    ['990101', '2026-03-01', '1999-01-01'],
    ['141231', '2026-03-01', '2014-12-31'],
    ['010101', '2051-03-01', '2101-01-01'],
    ['490101', '2099-03-01', '2149-01-01'],
    ['500101', '2099-03-01', '2050-01-01'],
  ])('%s read on %s is %s', (text, on, date) => {
    expect(dateOfSix(text, on)).toBe(date)
  })

  test('keeps the two digits, and the year within 50 of this one', () => {
    fc.assert(
      fc.property(fc.nat(99), fc.integer({ min: 2000, max: 2199 }), (twoDigits, thisYear) => {
        const year = fullYear(twoDigits, `${thisYear}-06-15`)
        expect(year % 100).toBe(twoDigits)
        expect(Math.abs(year - thisYear)).toBeLessThanOrEqual(50)
      }),
    )
  })
})

describe('dates of the other issuers', () => {
  test.each([
    ['YYJJJ', '20015', { date: '2020-01-15' }], // FDA, UDI formats, v1.3: H2
    ['YYMMDDHH', '20020216', { date: '2020-02-02', hour: 16 }], // the same: H8
    ['MMYY', '0228', { date: '2028-02-29' }], // calculated
    ['MMDDYY', '022928', { date: '2028-02-29' }],
    ['YYMMDD', '280229', { date: '2028-02-29' }],
    ['YYJJJHH', '2836623', { date: '2028-12-31', hour: 23 }],
    ['YYJJJ', '27366', undefined],
    ['YYJJJ', '27000', undefined],
    ['YYMMDDHH', '20020224', undefined],
    ['MMYY', '1328', undefined],
    ['MMDDYY', '020028', undefined],
    ['YYMMDD', '28022', undefined],
  ] as const)('HIBC %s %s', (form, text, moment) => {
    expect(hibcDate(form, text, today)).toEqual(moment)
  })

  test.each([
    ['014032', '2014-02-01'], // FDA, UDI formats, v1.3: I1
    ['013032', '2013-02-01'],
    ['999365', '1999-12-31'], // calculated
    ['100001', '2100-01-01'],
    ['024366', '2024-12-31'],
    ['023366', undefined],
    ['023000', undefined],
    ['02400A', undefined],
  ])('ISBT 128 %s is %s', (text, date) => {
    expect(dateOfCentury(text)).toBe(date)
  })
})
