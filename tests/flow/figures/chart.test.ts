/** The chart of a site's days: told apart without colour, and told in words. */
import { describe, expect, test } from 'vitest'
import { spanText } from '../../../src/board/pages.ts'
import { chartWords, trendChart } from '../../../src/board/trend-chart.ts'
import { figuresOf } from '../../../src/flow/watch-flow/figures/trend.ts'
import { previousDate } from '../../../src/model/local-day.ts'
import { at, facts, link, tern, today, uuid } from '../../support/fixtures.ts'

/** Three recorders a day for 30 days, the first of each tenth day late; today one in time of three. */
const links = () => {
  const made = []
  for (let day = today, d = 0; d <= 30; day = previousDate(day), d += 1)
    for (const n of [0, 1, 2]) {
      const late = d === 0 ? n > 0 : d % 10 === 0 && n === 0
      const tiedAt = at(`${day}T${late ? '20' : '09'}:30:00Z`)
      const id = uuid(d * 3 + n + 1)
      made.push(link({ id, deviceId: id, day, appliedAt: at(`${day}T09:00:00Z`), tiedAt }))
    }
  return made
}

const figures = () => figuresOf(tern, today, facts({ links: links() }), at('2026-11-26T12:00:00Z'))

describe('the chart', () => {
  test('has a mark for each day, another shape outside the limits, and no colour', () => {
    const svg = String(trendChart(figures()))
    expect(svg.match(/<circle/g)).toHaveLength(30)
    expect(svg.match(/h12l-6 11z/g)).toHaveLength(1)
    expect(svg.match(/stroke-dasharray="(8 4|2 2)"/g)).toHaveLength(2)
    expect(new Set(svg.match(/#[0-9a-f]+/g))).toEqual(new Set(['#bbb', '#000', '#fff']))
    expect(svg).not.toMatch(/style=|href|<script/)
  })

  test('says in words what it shows', () => {
    const words =
      '31 of 31 days had recorders due. Centre line 96.7 %. Outside the limits: 2026-11-25: 1 of 3, below the limits.'
    expect(chartWords(figures())).toBe(words)
    expect(String(trendChart(figures()))).toContain(`<desc id="trend-words">${words}</desc>`)
  })

  test('is left out where there is nothing to show', () => {
    const none = figuresOf(tern, today, facts({}), at('2026-11-26T12:00:00Z'))
    expect(trendChart(none)).toBeUndefined()
    expect(chartWords(none)).toBe('0 of 31 days had recorders due. Too few days for limits.')
  })

  test.each<[number | undefined, string]>([
    [undefined, '–'],
    [0, '0 s'],
    [59, '59 s'],
    [60, '1 min'],
    [3599, '59 min'],
    [3900, '1 h 05 min'],
    [-61, '−1 min'],
  ])('%s seconds are %s', (given, shown) => expect(spanText(given)).toBe(shown))
})
