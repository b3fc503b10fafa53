import { execFile } from 'node:child_process'
import { describe, expect, test } from 'vitest'
import { planOf } from '../torture/rounds.ts'

const torture = (...args: string[]) =>
  new Promise<{ status: number; out: string }>((ended) => {
    execFile(process.execPath, ['tests/torture/main.ts', ...args], (error, out) =>
      ended({ status: typeof error?.code === 'number' ? error.code : 0, out }),
    )
  })

describe('the torture', () => {
  test('plans by its seed alone, and leaves no kind of kill out', () => {
    const plan = (seed: number) => Array.from({ length: 22 }, (_, n) => planOf(seed, n + 1).plan.killed)
    expect(plan(3)).toEqual(plan(3))
    expect(plan(3)).not.toEqual(plan(4))
    expect(new Set(plan(3).slice(0, 11)).size).toBe(11)
    expect(new Set(plan(3).slice(11)).size).toBe(11)
  })

  test('kills, starts again and finds everything there', async () => {
    const { status, out } = await torture('--rounds', '2', '--seed', '7', '--json')
    const summary = JSON.parse(out) as { rounds: number; acknowledged: number; findings: number; results: unknown[] }
    expect({ status, findings: summary.findings, rounds: summary.rounds }, out).toEqual({
      status: 0,
      findings: 0,
      rounds: 2,
    })
    expect(summary.acknowledged).toBeGreaterThan(0)
    expect(summary.results).toHaveLength(2)
  }, 900_000)

  test('refuses what is no number', async () => {
    expect((await torture('--rounds', 'many')).status).toBe(2)
  })
})
