/**
 * Searching, within what the caller may see. All pages of a run are read as of one moment, fixed with its first page
 * and surely committed: whatever is changed or added meanwhile, nothing is missed and nothing shown twice.
 */
import type { FhirResource } from 'fhir/r4.js'
import { msOf } from '../../model/instant.ts'
import type { Instant } from '../../model/states.ts'
import { committedUpTo, now } from '../clock.ts'
import type { Tx } from './database.ts'
import { type Sight, visiblePatients } from './find-resources.ts'
import type { Condition, Search } from './read-search.ts'
import { resourceText } from './resource-text.ts'
import { digestOfSearch, writeCursor } from './search-cursor.ts'
import type { Match } from './search-includes.ts'
import { indexOf } from './search-parameters.ts'
import { conditionSql, fewByDate, findsFew, idsByDate, isIndexed, pageSql, type Way } from './search-sql.ts'

export interface Page {
  readonly rows: readonly Match[]
  readonly total?: number
  /** The cursor of the next page. */
  readonly next?: string
}

/** How long the pages of a run may be asked for: what changed since it began is looked through for each of them. */
const runMs = 24 * 3_600_000

type Row = Match & { readonly now: boolean; readonly of: number; readonly walked: number }

/** A device may be on another site's patient: nobody finds it by a patient whom they may not see. */
const withinSight = async (tx: Tx, { type, conditions }: Search, sight: Sight): Promise<readonly Condition[]> => {
  if (type !== 'Device' || sight === undefined) return conditions
  const prefix = 'patient=Patient/'
  const patients = conditions.flatMap((c) => ('tokens' in c ? c.tokens.filter((t) => t.startsWith(prefix)) : []))
  const seen = await visiblePatients(
    tx,
    patients.map((t) => t.slice(prefix.length)),
    sight,
  )
  const shown = (token: string) => !token.startsWith(prefix) || seen.has(token.slice(prefix.length))
  return conditions.map((c) => ('tokens' in c ? { tokens: c.tokens.filter(shown) } : c))
}

const binding = () => {
  const values: unknown[] = []
  return { values, bind: (value: unknown): string => `$${values.push(value)}` }
}

/** A date within which little lies is as good as a list of ids. */
const narrowed = async (
  tx: Tx,
  type: string,
  conditions: readonly Condition[],
): Promise<{ readonly conditions: readonly Condition[]; readonly few: boolean }> => {
  if (conditions.some(findsFew)) return { conditions, few: true }
  for (const c of conditions) {
    const { values, bind } = binding()
    const text = idsByDate(type, c, bind)
    const ids = text === undefined ? [] : (await tx.query<{ id: string }>(text, values)).map((r) => r.id)
    if (text !== undefined && ids.length <= fewByDate) return { conditions: [...conditions, { ids }], few: true }
  }
  return { conditions, few: false }
}

/** An earlier version has no names in the index: by the name that it had then. */
const hadName = (row: Row, conditions: readonly Condition[]): boolean => {
  const asked = conditions.filter((c) => 'name' in c)
  if (row.now || asked.length === 0) return true
  const { names } = indexOf(JSON.parse(resourceText(row)) as FhirResource)
  return asked.every((c) => names.some((n) => n.param === c.name && c.starts.some((s) => n.value.startsWith(s))))
}

const rowsOf = async (
  tx: Tx,
  search: Search,
  sight: Sight,
  known: { readonly conditions: readonly Condition[]; readonly few: boolean },
  asOf: Instant | undefined,
): Promise<readonly Row[]> => {
  const read = (way: Way) => {
    const { values, bind } = binding()
    return tx.query<Row>(pageSql({ search, conditions: known.conditions, sight, asOf, way }, bind), values)
  }
  if (known.few) return read('few')
  // dates that say little are in no index by which fewer would be found
  if (sight === undefined && !known.conditions.some(isIndexed)) return read('all')
  const rows = await read('walk')
  // a walk that ended without a full page may have ended too early
  return (rows[0]?.walked ?? 0) > search.count ? rows : read('few')
}

const estimateUpTo = 10_000

/** Exact, or where that is not asked for exact up to a number and the planner's guess above it. */
const totalOf = async (
  tx: Tx,
  { type, total }: Search,
  sight: Sight,
  conditions: readonly Condition[],
): Promise<number | undefined> => {
  if (total === 'none') return undefined
  const { values, bind } = binding()
  const tests = [`r.type = ${bind(type)}`, ...conditions.map((c) => conditionSql(c, { row: 'r', named: 'r' }, bind))]
  if (sight !== undefined) tests.push(`r.seen_by && ${bind(sight)}::text[]`)
  const those = `from resources r where ${tests.join(' and ')}`
  const limit = total === 'estimate' ? `limit ${estimateUpTo + 1}` : ''
  const [row] = await tx.query<{ n: number }>(`select count(*) as n from (select ${those} ${limit}) x`, values)
  if (total === 'accurate' || (row?.n ?? 0) <= estimateUpTo) return row?.n ?? 0
  const [plan] = await tx.query<{ 'QUERY PLAN': readonly { Plan: { 'Plan Rows': number } }[] }>(
    `explain (format json) select ${those}`,
    values,
  )
  return Math.max(estimateUpTo + 1, plan?.['QUERY PLAN'][0]?.Plan['Plan Rows'] ?? 0)
}

/**
 * One page, in the order of `_lastUpdated`; the next one begins behind its last row.
 * @returns undefined when the run began too long ago
 */
export const searchResources = async (tx: Tx, search: Search, sight: Sight): Promise<Page | undefined> => {
  const { cursor } = search
  if (cursor && msOf(await now(tx)) - msOf(cursor.asOf) > runMs) return undefined
  const within = await withinSight(tx, search, sight)
  const total = cursor ? cursor.total : await totalOf(tx, search, sight, within)
  const counted = total === undefined ? {} : { total }
  if (search.count === 0) return { rows: [], ...counted }
  const known = await narrowed(tx, search.type, within)
  // what may be many is read once, from a moment that stands still; what is few is read again where it is too many
  let asOf = cursor?.asOf ?? (search.follows || !known.few ? await committedUpTo(tx) : undefined)
  let rows = await rowsOf(tx, search, sight, known, asOf)
  if (asOf === undefined && (rows[0]?.of ?? 0) > search.count) {
    asOf = await committedUpTo(tx)
    rows = await rowsOf(tx, search, sight, known, asOf)
  }
  const page = rows.slice(0, search.count)
  const [more, last] = [(rows[0]?.of ?? 0) > page.length, page.at(-1)]
  return {
    rows: page.filter((row) => hadName(row, within)),
    ...counted,
    ...(more &&
      last &&
      asOf && { next: writeCursor({ asOf, updated: last.updated, id: last.id, ...counted }, digestOfSearch(search)) }),
  }
}
