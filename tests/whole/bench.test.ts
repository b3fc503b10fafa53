/** The bench runs through and says what it measured; how fast it was is no matter of tests. */
import { execFile } from 'node:child_process'
import { promisify } from 'node:util'
import { describe, expect, test } from 'vitest'
import { quantile } from '../bench/load.ts'
import { noonZone } from '../bench/processes.ts'
import { type Line, type Machine, tableOf } from '../bench/report.ts'
import { useTestDatabase } from '../support/database.ts'
import { inDatabase } from './bedside.ts'

const database = useTestDatabase()

const bench = (...args: string[]) =>
  promisify(execFile)(process.execPath, ['tests/bench/main.ts', ...args], {
    env: { ...process.env, DATABASE_URL: database().url },
  })

interface Told {
  readonly machine: Machine
  readonly lines: readonly Line[]
}

const databases = async (): Promise<number> =>
  (await inDatabase(database().url, `select 1 from pg_database where datname like 'bench_%'`)).length

describe('npm run bench', () => {
  test('tells orders, evenings, ticks, searches and deliveries beside their floors, and leaves nothing', async () => {
    const args = ['--seconds', '0.5', '--quick', '--only', 'orders,evening,tick,search,delivery', '--json']
    const { stdout } = await bench(...args)
    const { machine, lines } = JSON.parse(stdout.trimEnd().split('\n').at(-1) ?? '') as Told
    expect(machine).toMatchObject({ node: process.versions.node, cores: expect.any(Number) })
    expect(stdout).toContain(`PostgreSQL ${machine.postgres}`)
    const compared = lines.filter((l) => l.floor !== undefined)
    expect(compared.map((l) => l.name)).toEqual(
      expect.arrayContaining([
        'orders, 64 callers',
        'evening, 500 open orders, 5 gaps',
        'tick with nothing due, 2000 open orders',
        'search, order by identifier',
        'link to reading service, p99',
      ]),
    )
    expect(new Set(lines.map((l) => l.name)).size).toBe(lines.length)
    for (const { name, ours, floor = Number.NaN, ratio, floorIs } of compared) {
      expect(ours, name).toBeGreaterThanOrEqual(0)
      expect(floor, name).toBeGreaterThan(0)
      expect(ratio, name).toBe(ours / floor)
      expect(floorIs, name).not.toBe('')
    }
    expect(await databases()).toBe(0)
  }, 600_000)

  test('refuses a measurement that it does not know, and names those that it does', async () => {
    await expect(bench('--only', 'ordres')).rejects.toMatchObject({
      code: 2,
      stderr: expect.stringMatching(/found ordres, expected door, orders, evening, /),
    })
  })
})

test.each([
  [[5], 0.99, 5],
  [[4, 1, 3, 2], 0.5, 2],
  [[4, 1, 3, 2], 0.99, 4],
  [Array.from({ length: 200 }, (_, i) => i + 1), 0.99, 198],
])('of %j the share %d lies at or below %d', (values, share, expected) => {
  expect(quantile(values, share)).toBe(expected)
})

test('at every hour of the world it is noon in the zone of the sites', () => {
  for (let hour = 0; hour < 24; hour += 1) {
    const there = new Intl.DateTimeFormat('en', { hour: 'numeric', hourCycle: 'h23', timeZone: noonZone(hour) })
    expect(there.format(Date.UTC(2026, 10, 25, hour))).toBe('12')
  }
})

test('the table shows what was measured, the ratio, and whether the target holds', () => {
  const line = { name: 'orders', unit: '/s', ours: 1234.5, floor: 2000, ratio: 0.61725, floorIs: 'one INSERT' }
  const target = { text: '≥ 0.6 of the floor', holds: true }
  const lines = [
    { ...line, target },
    { name: 'memory', unit: 'MB', ours: 260.4, target: { text: '≤ 250 MB', holds: false } },
  ]
  const [, ...rows] = tableOf(lines).split('\n')
  expect(rows.map((r) => r.trim().split(/ {2,}/))).toEqual([
    ['orders', '1235 /s', '2000 /s', '0.617', '≥ 0.6 of the floor', 'yes', 'one INSERT'],
    ['memory', '260 MB', '≤ 250 MB', 'NO'],
  ])
})
