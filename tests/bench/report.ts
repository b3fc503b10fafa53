/** What a run tells: a line for each measurement, for people as a table, for machines as JSON. */
import { cpus, totalmem } from 'node:os'

export interface Target {
  readonly text: string
  readonly holds: boolean
}

export interface Line {
  readonly name: string
  /** Of ours and of the floor. */
  readonly unit: string
  readonly ours: number
  readonly floor?: number
  /** What the floor is, in words. */
  readonly floorIs?: string
  /** Ours to the floor. */
  readonly ratio?: number
  readonly target?: Target
}

export interface Machine {
  readonly cores: number
  readonly model: string
  readonly memoryGb: number
  readonly node: string
  readonly postgres: string
  readonly date: string
}

export const machineOf = (postgres: string): Machine => ({
  cores: cpus().length,
  model: cpus()[0]?.model.trim() ?? 'unknown',
  memoryGb: Math.round(totalmem() / 2 ** 30),
  node: process.versions.node,
  postgres,
  date: new Date().toISOString().slice(0, 10),
})

export const headOf = (m: Machine): string =>
  `${m.cores} × ${m.model}, ${m.memoryGb} GB, Node ${m.node}, PostgreSQL ${m.postgres}, ${m.date}`

/** Three digits, and never fewer than the whole number. */
const figure = (value: number | undefined): string => {
  if (value === undefined) return ''
  if (!Number.isFinite(value)) return '–'
  return value >= 100 ? String(Math.round(value)) : String(Number(value.toPrecision(3)))
}

const verdictOf = (target: Target | undefined): string => (target === undefined ? '' : target.holds ? 'yes' : 'NO')

const cellsOf = (l: Line): readonly string[] => [
  l.name,
  `${figure(l.ours)} ${l.unit}`,
  l.floor === undefined ? '' : `${figure(l.floor)} ${l.unit}`,
  figure(l.ratio),
  l.target?.text ?? '',
  verdictOf(l.target),
  l.floorIs ?? '',
]

const heads = ['measured', 'ours', 'floor', 'ratio', 'target', 'holds', 'the floor is']

/** Columns as wide as they must be; figures to the right. */
export const tableOf = (lines: readonly Line[]): string => {
  const rows = [heads, ...lines.map(cellsOf)]
  const widths = heads.map((_, i) => Math.max(...rows.map((r) => r[i]?.length ?? 0)))
  const isFigure = (column: number) => column >= 1 && column <= 3
  const row = (cells: readonly string[]) =>
    cells
      .map((c, i) => (isFigure(i) ? c.padStart(widths[i] ?? 0) : c.padEnd(widths[i] ?? 0)))
      .join('  ')
      .trimEnd()
  return rows.map(row).join('\n')
}

/** Rates and times of ours beside the floor's. */
export const against = (name: string, unit: string, ours: number, floor: number, floorIs: string): Line => ({
  name,
  unit,
  ours,
  floor,
  floorIs,
  ratio: ours / floor,
})
