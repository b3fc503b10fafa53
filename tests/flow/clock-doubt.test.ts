import { describe, expect, test } from 'vitest'
import { clockOffBy } from '../../src/flow/watch-flow/clock-doubt.ts'

describe('this machine’s clock', () => {
  test.each<[string, readonly number[], number | undefined]>([
    ['is not doubted where nobody was heard', [], undefined],
    ['is not doubted for a few minutes', [240, 250], undefined],
    ['is doubted where all others agree that it is an hour behind', [3600, 3595, 3640], 3600],
    ['is doubted where they agree that it is an hour ahead', [-3600, -3604], -3600],
    ['is doubted where the only one says so', [3600], 3600],
    ['is not doubted where one of them is wrong', [0, 3600], undefined],
    ['is not doubted where they differ among themselves', [900, 3600], undefined],
  ])('%s', (_, ahead, off) => {
    expect(clockOffBy(ahead.map((a, i) => ({ peer: `${i}`, ahead: a })))).toBe(off)
  })
})
