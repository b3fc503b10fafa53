import { describe, expect, it } from 'vitest'
import { reportOfSkips } from './skipped-reporter.ts'

const skips = [
  { name: 'containers > a PostgreSQL container', reason: 'no Docker daemon answers' },
  { name: 'board > a real browser', reason: undefined },
]

describe('the report of skipped tests', () => {
  it('says nothing and passes where nothing was skipped', () => {
    expect(reportOfSkips([], true)).toEqual({ text: '', failed: false })
  })

  it('names each test with its reason', () => {
    const { text, failed } = reportOfSkips(skips, false)
    expect(text).toContain('Skipped here: containers > a PostgreSQL container — no Docker daemon answers\n')
    expect(text).toContain('Skipped here: board > a real browser — no reason given\n')
    expect(failed).toBe(false)
  })

  it('fails where skipping is forbidden', () => {
    expect(reportOfSkips(skips, true)).toMatchObject({ failed: true, text: expect.stringContaining('must run here') })
  })
})
