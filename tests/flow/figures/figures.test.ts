/** The figures against published examples, and against a table that exact.py computes in another way. */
import { readFileSync } from 'node:fs'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { baseOf, limitsFor, needed, placed } from '../../../src/flow/watch-flow/figures/control-chart.ts'
import { quantile } from '../../../src/flow/watch-flow/figures/quantile.ts'
import { shareOf } from '../../../src/flow/watch-flow/figures/share.ts'

interface Exact {
  readonly wilson: readonly [number, number, number, number][]
  readonly limits: readonly [number, number, number, number, number][]
  readonly quantiles: readonly [number[], number, number][]
}

const exact = JSON.parse(readFileSync(new URL('exact.json', import.meta.url), 'utf8')) as Exact

describe('the interval of a share', () => {
  /**
   * Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998) 857–872, table
   * I, method 3 (score, no continuity correction); https://doi.org/10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E
   * The formula is that of https://www.itl.nist.gov/div898/handbook/prc/section2/prc241.htm
   */
  test.each([
    [81, 263, 0.2553, 0.3662],
    [15, 148, 0.0624, 0.1605],
    [0, 20, 0, 0.1611],
    [1, 29, 0.0061, 0.1718],
  ])('%i of %i lies between %d and %d, as published', (numerator, denominator, low, high) => {
    const found = shareOf({ numerator, denominator })
    expect(found?.low).toBeCloseTo(low, 4)
    expect(found?.high).toBeCloseTo(high, 4)
  })

  test('is the exact one', () => {
    expect(exact.wilson.length).toBeGreaterThan(40)
    for (const [numerator, denominator, low, high] of exact.wilson) {
      const found = shareOf({ numerator, denominator })
      expect(found?.low).toBeCloseTo(low, 10)
      expect(found?.high).toBeCloseTo(high, 10)
    }
  })

  test('of none is none', () => expect(shareOf({ numerator: 0, denominator: 0 })).toBeUndefined())

  test('holds the share, lies between 0 and 1, and mirrors its opposite', () => {
    const tally = fc
      .integer({ min: 1, max: 2000 })
      .chain((n) => fc.tuple(fc.integer({ min: 0, max: n }), fc.constant(n)))
    fc.assert(
      fc.property(tally, ([numerator, denominator]) => {
        const [one, other] = [
          shareOf({ numerator, denominator }),
          shareOf({ numerator: denominator - numerator, denominator }),
        ]
        if (one === undefined || other === undefined) throw new Error('none')
        expect(one.low).toBeGreaterThanOrEqual(0)
        expect(one.low).toBeLessThanOrEqual(one.share)
        expect(one.share).toBeLessThanOrEqual(one.high)
        expect(one.high).toBeLessThanOrEqual(1)
        expect(one.low).toBeCloseTo(1 - other.high, 10)
      }),
    )
  })
})

describe('the control chart', () => {
  /**
   * NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2: misregistered chips, of 50, on each of 30 wafers; centre
   * 0.2313, limits 0.0524 and 0.4102. https://www.itl.nist.gov/div898/handbook/pmc/section3/pmc332.htm
   */
  const wafers = [
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
  ].map((numerator) => ({ numerator, denominator: 50 }))

  test('of the wafers is the published one', () => {
    const base = baseOf(wafers)
    if (!base.enough) throw new Error('too few')
    expect(base.centre).toBeCloseTo(0.2313, 4)
    const limits = limitsFor(base.centre, 50)
    expect(limits.low).toBeCloseTo(0.0524, 4)
    expect(limits.high).toBeCloseTo(0.4102, 4)
    const outside = wafers.flatMap((w, i) => (placed(w, limits) === 'usual' ? [] : [i + 1]))
    // wafers 15 and 23, 0.44 and 0.48, lie above
    expect(outside).toEqual([15, 23])
  })

  test('has the exact limits, wider for smaller days, cut at 0 and 1', () => {
    expect(exact.limits.length).toBeGreaterThan(30)
    for (const [k, n, size, low, high] of exact.limits) {
      const found = limitsFor(k / n, size)
      expect(found.low).toBeCloseTo(low, 10)
      expect(found.high).toBeCloseTo(high, 10)
    }
    expect(limitsFor(0.95, 4)).toEqual({ low: expect.closeTo(0.6231, 4), high: 1 })
    expect(limitsFor(0.05, 4)).toEqual({ low: 0, high: expect.closeTo(0.3769, 4) })
  })

  test.each([
    ['too few days', Array.from({ length: needed.days - 1 }, () => ({ denominator: 50, numerator: 40 })), false],
    ['too few applications', Array.from({ length: 25 }, () => ({ denominator: 2, numerator: 2 })), false],
    [
      'days without applications count for nothing',
      Array.from({ length: 25 }, () => ({ denominator: 0, numerator: 0 })),
      false,
    ],
    ['just enough', Array.from({ length: needed.days }, () => ({ denominator: 3, numerator: 3 })), true],
    ['none', [], false],
  ])('%s', (_what, days, enough) => expect(baseOf(days).enough).toBe(enough))

  test('weighs days by their size', () => {
    const many = Array.from({ length: 19 }, () => ({ denominator: 10, numerator: 10 }))
    const base = baseOf([...many, { denominator: 190, numerator: 0 }])
    expect(base).toMatchObject({ enough: true, days: 20, applications: 380, centre: 0.5 })
  })
})

describe('the quantile', () => {
  test('is that of Hyndman and Fan’s definition 7, as Python’s statistics has it', () => {
    for (const [sample, median, ninety] of exact.quantiles) {
      expect(quantile(sample, 0.5)).toBeCloseTo(median, 8)
      expect(quantile(sample, 0.9)).toBeCloseTo(ninety, 8)
    }
  })

  // R: quantile(1:10, 0.9) is 9.1 and quantile(1:4, 0.5) is 2.5 by type 7; from memory
  test.each([
    [[1, 2, 3, 4, 5, 6, 7, 8, 9, 10], 0.9, 9.1],
    [[4, 1, 3, 2], 0.5, 2.5],
    [[7], 0.9, 7],
  ])('of %j at %d is %d', (values, p, expected) => expect(quantile(values, p)).toBeCloseTo(expected, 12))

  test('of none is none', () => expect(quantile([], 0.5)).toBeUndefined())
})
