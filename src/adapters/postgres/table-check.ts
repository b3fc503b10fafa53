/** A table held against what it should hold: counted, with the first rows that are wrong by name. */
import type { Tx } from './database.ts'

/** One table held against the journal. */
export interface TableCheck {
  readonly table: string
  /** So many rows follow from the journal. */
  readonly rows: number
  /** Rows that are not stored, that are stored and do not follow, or that are stored otherwise. */
  readonly missing: number
  readonly surplus: number
  readonly differing: number
  /** The first of them: its id, and where it differs. */
  readonly first: readonly string[]
}

const firstFew = 5

type Wrong = 'missing' | 'surplus' | 'differing'

export const counter = (table: string) => {
  const count = { rows: 0, missing: 0, surplus: 0, differing: 0 }
  const first: string[] = []
  return {
    follows: (n = 1) => {
      count.rows += n
    },
    wrong: (what: Wrong, id: string, n = 1) => {
      count[what] += n
      if (first.length < firstFew) first.push(`${id} ${what === 'differing' ? '' : what}`.trim())
    },
    check: (): TableCheck => ({ table, ...count, first }),
  }
}

export type Counter = ReturnType<typeof counter>

const pageSize = 1_000

/** The rows of a query, a page at a time, so that their number does not matter. */
export async function* pagesOf<R extends object>(tx: Tx, name: string, sql: string): AsyncGenerator<readonly R[]> {
  await tx.script(`declare ${name} no scroll cursor for ${sql}`)
  for (;;) {
    const page = (await tx.script(`fetch ${pageSize} from ${name}`)) as readonly unknown[] as readonly R[]
    if (page.length === 0) break
    yield page
  }
  await tx.script(`close ${name}`)
}

export const isEqual = (c: TableCheck): boolean => c.missing + c.surplus + c.differing === 0

/** A line for each table, and below it the first rows that are wrong. */
export const rebuildText = (checks: readonly TableCheck[]): string =>
  checks
    .flatMap((c) => {
      const parts = (['missing', 'surplus', 'differing'] as const).flatMap((w) => (c[w] > 0 ? [`${c[w]} ${w}`] : []))
      const rows = `${c.rows} ${c.rows === 1 ? 'row' : 'rows'}`
      const line = `${c.table.padEnd(28)} ${rows.padStart(12)}  ${parts.length === 0 ? 'equal' : parts.join(', ')}`
      return [line, ...c.first.map((id) => `  ${id}`)]
    })
    .join('\n')
