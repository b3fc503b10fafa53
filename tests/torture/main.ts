/**
 * Kills services and databases under load, again and again, and looks whether anything that was acknowledged is missing
 * or doubled.
 *
 *   npm run torture -- [--rounds N] [--seed S] [--only ROUND] [--json]
 *
 * The same seed plans the same kills at the same moments; what runs just then is the machine's. Status 1 on any finding.
 */
import { parseArgs } from 'node:util'
import { type RoundResult, theatre } from './rounds.ts'

const text = { type: 'string' } as const
const { values } = parseArgs({
  options: { rounds: { ...text, default: '6' }, seed: text, only: text, json: { type: 'boolean', default: false } },
})

const whole = (name: string, given: string): number => {
  if (/^\d{1,9}$/.test(given)) return Number(given)
  process.stderr.write(`--${name}: found ${given}, expected a whole number\n`)
  process.exit(2)
}

const seed = whole('seed', values.seed ?? String(Date.now() % 1_000_000))
const rounds =
  values.only === undefined
    ? Array.from({ length: whole('rounds', values.rounds) }, (_, n) => n + 1)
    : [whole('only', values.only)]

const seconds = (s: number): string => (Number.isNaN(s) ? 'never' : `${s.toFixed(1)} s`)

const columns: readonly (readonly [title: string, width: number, value: (r: RoundResult) => string | number])[] = [
  ['round', 5, (r) => r.round],
  ['killed', 24, (r) => r.killed],
  ['after', 6, (r) => seconds(r.after)],
  ['acknowledged', 12, (r) => r.acknowledged],
  ['unknown', 7, (r) => r.unknown],
  ['found', 5, (r) => r.found],
  ['ready', 7, (r) => seconds(r.ready)],
  ['delivered', 9, (r) => r.delivered],
  ['again', 5, (r) => r.sentAgain],
  ['verdict', 7, (r) => (r.findings.length === 0 ? 'good' : 'WRONG')],
]

const print = (line: string): void => {
  if (!values.json) process.stdout.write(`${line}\n`)
}

const line = (cells: readonly (string | number)[]): string =>
  cells
    .map((cell, n) => {
      const width = columns[n]?.[1] ?? 0
      return typeof cell === 'number' || /^[\d.]+ s$|^never$/.test(cell)
        ? String(cell).padStart(width)
        : cell.padEnd(width)
    })
    .join('  ')

const results: RoundResult[] = []
print(`seed ${seed}`)
print(line(columns.map(([title]) => title)))
for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => process.exit(1))
const { play, close } = theatre()
const begun = performance.now()
try {
  for (const round of rounds) {
    const result = await play(seed, round)
    results.push(result)
    print(line(columns.map(([, , value]) => value(result))))
    for (const finding of result.findings.slice(0, 20)) print(`       ${finding}`)
    if (result.findings.length > 20) print(`       and ${result.findings.length - 20} more`)
    if (result.findings.length > 0) print(`       again: npm run torture -- --seed ${seed} --rounds ${round}`)
  }
} finally {
  await close()
}

const sum = (value: (r: RoundResult) => number): number => results.reduce((total, r) => total + value(r), 0)
const totals = {
  rounds: results.length,
  seed,
  acknowledged: sum((r) => r.acknowledged),
  unknown: sum((r) => r.unknown),
  found: sum((r) => r.found),
  delivered: sum((r) => r.delivered),
  longestReady: Math.max(...results.map((r) => r.ready)),
  findings: sum((r) => r.findings.length),
  seconds: Math.round((performance.now() - begun) / 1000),
}
if (values.json) process.stdout.write(`${JSON.stringify({ ...totals, results })}\n`)
else
  print(
    `${totals.rounds} rounds: ${totals.acknowledged} acknowledged, ${totals.unknown} unknown (${totals.found} of them stored), ` +
      `${totals.delivered} delivered, ready again after ${seconds(totals.longestReady)} at most; ${totals.findings} findings; ${totals.seconds} s`,
  )
process.exit(totals.findings > 0 ? 1 : 0)
