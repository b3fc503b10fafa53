/**
 * Where a page begins: behind which row, and as of which moment the whole run is read. A cursor belongs to the query
 * that it was made for.
 */
import { createHash } from 'node:crypto'
import { type Problem, refusal } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import { valueTaken } from './search-values.ts'

export interface Cursor {
  /** The moment as of which all pages of the run are read. */
  readonly asOf: Instant
  /** The last row that was shown. */
  readonly updated: Instant
  readonly id: string
  /** Counted for the first page, where it was asked for. */
  readonly total?: number
}

/** The shape of the cursors of this release. */
const shape = 2

const instant = String.raw`\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{6}Z`
const uuid = '[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}'
const own = new RegExp(`^${shape} ([\\w-]{16}) (${instant}) (${instant}) (${uuid})(?: (\\d{1,12}))?$`)
/** Of another release: shape 1 had no number. */
const older = new RegExp(`^(?:\\d{1,4} .*|\\d{4}-\\d{2}-\\d{2}T[\\d:.]+Z ${uuid})$`)

const digest = (value: unknown): string =>
  createHash('sha256').update(JSON.stringify(value)).digest('base64url').slice(0, 16)

/** What tells queries apart. How many are shown a page, and what is included, may change from page to page. */
export const digestOfSearch = (search: { type: string; conditions: unknown; descending: boolean }): string =>
  digest([search.type, search.conditions, search.descending])

export const writeCursor = (c: Cursor, query: string): string =>
  Buffer.from([shape, query, c.asOf, c.updated, c.id, ...(c.total === undefined ? [] : [c.total])].join(' ')).toString(
    'base64url',
  )

/** @returns the cursor; `gone` for one of another query or release, `broken` for what was never a cursor */
export const readCursor = (text: string, query: string): Cursor | 'gone' | 'broken' => {
  const plain = Buffer.from(text, 'base64url').toString()
  const [, of, asOf = '', updated = '', id = '', total] = own.exec(plain) ?? []
  if (of === undefined) return older.test(plain) && !new RegExp(`^${shape} `).test(plain) ? 'gone' : 'broken'
  if ([asOf, updated].some((moment) => Number.isNaN(Date.parse(moment)))) return 'broken'
  return of === query ? { asOf, updated, id, ...(total !== undefined && { total: Number(total) }) } : 'gone'
}

export const cursorProblem = (what: 'gone' | 'broken', text: string): Problem =>
  what === 'gone'
    ? refusal('cursor-gone', '', {
        note: 'Its link is of another search, of an older release, or of yesterday.',
        location: 'http._cursor',
      })
    : refusal('wrong-parameter', '', {
        found: `_cursor=${text}`,
        expected: valueTaken('_cursor', undefined, undefined),
        location: 'http._cursor',
      })
