/** The conditions of a search as SQL. */
import { instantSql } from '../clock.ts'
import type { Condition, DateTest, Search } from './read-search.ts'

export type Bind = (value: unknown) => string

/** The row that is looked at, and the row that has the names: an earlier version has none of its own. */
export interface Alias {
  readonly row: string
  readonly named: string
}

/** A moment, as a span too short to be measured. */
const momentSql = (at: string, t: DateTest, bind: Bind): string => {
  // bound where they are used: a value that no expression uses has no type
  const from = () => `${bind(t.from)}::timestamptz`
  const until = () => `${bind(t.until)}::timestamptz`
  switch (t.prefix) {
    case 'ne':
      return `(${at} < ${from()} or ${at} >= ${until()})`
    case 'gt':
    case 'sa':
      return `${at} >= ${until()}`
    case 'lt':
    case 'eb':
      return `${at} < ${from()}`
    case 'ge':
      return `${at} >= ${from()}`
    case 'le':
      return `${at} < ${until()}`
    default:
      return `(${at} >= ${from()} and ${at} < ${until()})`
  }
}

/** R4, search.html, "Prefixes": how the span of the resource lies to the span of the value. */
const spanSql = (low: string, high: string, t: DateTest, bind: Bind): string => {
  const from = () => `${bind(t.from)}::timestamptz`
  const until = () => `${bind(t.until)}::timestamptz`
  const [start, end] = [`coalesce(${low}, '-infinity')`, `coalesce(${high}, 'infinity')`]
  switch (t.prefix) {
    case 'ne':
      return `not (${start} >= ${from()} and ${end} <= ${until()})`
    case 'gt':
      return `${end} > ${until()}`
    case 'lt':
      return `${start} < ${from()}`
    case 'ge':
      return `${end} > ${from()}`
    case 'le':
      return `${start} < ${until()}`
    case 'sa':
      return `${start} >= ${until()}`
    case 'eb':
      return `${end} <= ${from()}`
    default:
      return `(${start} >= ${from()} and ${end} <= ${until()})`
  }
}

const isDated = (alias: string, slot: '1' | '2'): string =>
  `(${alias}.from${slot} is not null or ${alias}.until${slot} is not null)`

export const conditionSql = (c: Condition, { row, named }: Alias, bind: Bind): string => {
  if ('tokens' in c) return `${row}.tokens && ${bind(c.tokens)}::text[]`
  if ('ids' in c) return `${row}.id = any(${bind(c.ids)}::uuid[])`
  if ('name' in c) {
    const tests = c.starts.map((s) => `(n.value >= ${bind(s)} and n.value < ${bind(`${s}\u{10ffff}`)})`)
    return `exists (select from names n where n.type = ${named}.type and n.id = ${named}.id and n.param = ${bind(c.name)} and (${tests.join(' or ') || 'false'}))`
  }
  if (c.column === 'updated') return `(${c.any.map((t) => momentSql(`${row}.updated`, t, bind)).join(' or ')})`
  const [low, high] = [`${row}.from${c.column}`, `${row}.until${c.column}`]
  return `(${isDated(row, c.column)} and (${c.any.map((t) => spanSql(low, high, t, bind)).join(' or ')}))`
}

/** Tokens that half of all rows may have; a value without its code stands for a whole system. */
const isCommon = (token: string): boolean =>
  /^(status|code|active|owner|reporter|measure|agent)[=:]/.test(token) || token.endsWith('|')

/**
 * Conditions that few rows meet. They are looked up first and sorted then; left to itself the planner, for the sake of
 * the page's order, walks through all that were ever written (660 ms for one of 200,000 orders by its number).
 */
export const findsFew = (c: Condition): boolean => {
  if ('tokens' in c) return !c.tokens.some(isCommon)
  // one letter begins the names of a tenth of all people
  return 'name' in c ? c.starts.every((s) => s.length > 1) : 'ids' in c
}

/** Dates of which the index tells something: where the span ends. */
const endsAfter = (c: Condition): boolean =>
  'column' in c && c.column !== 'updated' && !c.any.some((t) => ['ne', 'lt', 'le'].includes(t.prefix))

/** Conditions that some index narrows down, if not to few. */
export const isIndexed = (c: Condition): boolean => 'tokens' in c || 'name' in c || endsAfter(c)

/** Up to how many rows within a date are few. */
export const fewByDate = 5_000

/**
 * The ids of what lies within a date, at most one more than are few; undefined where the date says too little. Read
 * from the index by the end of the span, so that it costs the same whatever the date is.
 */
export const idsByDate = (type: string, c: Condition, bind: Bind): string | undefined => {
  if (!endsAfter(c) || !('column' in c)) return undefined
  const end = `coalesce(r.until${c.column}, 'infinity')`
  const range = (t: DateTest): string | undefined => {
    const moment = (m: string) => `${bind(m)}::timestamptz`
    if (t.prefix === 'eq') return `${end} > ${moment(t.from)} and ${end} <= ${moment(t.until)}`
    if (t.prefix === 'ge') return `${end} > ${moment(t.from)}`
    if (t.prefix === 'eb') return `${end} <= ${moment(t.from)}`
    return ['gt', 'sa'].includes(t.prefix) ? `${end} > ${moment(t.until)}` : undefined
  }
  const parts = c.any.map(
    (t) =>
      `(select r.id from resources r where r.type = ${bind(type)} and ${isDated('r', c.column as '1' | '2')} and ${range(t)}
        order by ${end}, r.id limit ${fewByDate + 1})`,
  )
  return `select id from (${parts.join(' union ')}) x limit ${fewByDate + 1}`
}

/** How many rows are walked through, in the order of the page, before the other way is taken. */
const window = 5_000

/**
 * `few`: first what meets the conditions, then in order; `walk`: in the order of the page, and given up after a number
 * of rows; `all`: in that order to the end.
 */
export type Way = 'few' | 'walk' | 'all'

export interface PageAsked {
  readonly search: Search
  readonly conditions: readonly Condition[]
  readonly sight: readonly string[] | undefined
  /** As of which moment; absent: as it is. */
  readonly asOf: string | undefined
  readonly way: Way
}

/** How much of a page is sent at most, in characters; one resource always is. */
const pageSize = 8_000_000

/**
 * One page of a run as of a moment: resources that have not changed since, and those that have, as they were. Answers
 * one row more than is shown, where there is one: `of` counts them all, `walked` those that have not changed.
 */
export const pageSql = ({ search, conditions, sight, asOf, way }: PageAsked, bind: Bind): string => {
  const [direction, beyond] = search.descending ? ['desc', '<'] : ['asc', '>']
  const order = `order by updated ${direction}, id ${direction}`
  const tokens = (alias: string) => (search.includes.length > 0 ? `, ${alias}.tokens` : '')
  const columns = (alias: string) =>
    `${alias}.type, ${alias}.id, ${alias}.version, ${alias}.updated, ${alias}.body${tokens(alias)}`
  const limit = `limit ${bind(search.count + 1)}`
  const meets = (alias: Alias) => [
    ...conditions.map((c) => conditionSql(c, alias, bind)),
    ...(sight === undefined ? [] : [`${alias.row}.seen_by && ${bind(sight)}::text[]`]),
  ]
  const behind = (alias: string) =>
    search.cursor === undefined
      ? []
      : [
          `(${alias}.updated, ${alias}.id) ${beyond} (${bind(search.cursor.updated)}::timestamptz, ${bind(search.cursor.id)}::uuid)`,
        ]
  const all = (tests: readonly string[]) => (tests.length > 0 ? `where ${tests.join(' and ')}` : '')
  const ofType = `r.type = ${bind(search.type)}`
  const unchanged = [...(asOf === undefined ? [] : [`r.updated <= ${bind(asOf)}::timestamptz`]), ...behind('r')]
  const met = meets({ row: 'r', named: 'r' })
  // a sort within would be done in full before the first row comes out, so only a walk that is cut short has one
  const ways: Record<Way, readonly [inner: string, outer: readonly string[]]> = {
    few: [`${all([ofType, ...met])} offset 0`, unchanged],
    walk: [`${all([ofType, ...unchanged])} ${order} limit ${window}`, met],
    all: [all([ofType, ...unchanged]), met],
  }
  const [inner, outer] = ways[way]
  const now = `(select ${columns('r')}, true as now from (select * from resources r ${inner}) r ${all(outer)} order by r.updated ${direction}, r.id ${direction} ${limit})`
  const then =
    asOf === undefined
      ? ''
      : `union all (select ${columns('v')}, false as now
          from (select * from resources r where ${ofType} and r.updated > ${bind(asOf)}::timestamptz
            ${sight === undefined ? '' : `and r.seen_by && ${bind(sight)}::text[]`} order by r.updated desc offset 0) r
          cross join lateral (select * from earlier_versions v where v.type = r.type and v.id = r.id
            and v.updated <= ${bind(asOf)}::timestamptz order by v.version desc limit 1) v
          ${all([...meets({ row: 'v', named: 'r' }), ...behind('v')])} order by v.updated ${direction}, v.id ${direction} ${limit})`
  return `with as_now as ${now}
    select type, id, version, ${instantSql('updated')} as updated, body${search.includes.length > 0 ? ', tokens' : ''}, now, "of",
      (select count(*) from as_now) as walked
    from (select x.*, count(*) over () as "of", sum(length(body)) over (${order}) - length(body) as before
      from ((select * from as_now) ${then} ${order} ${limit}) x) y where before < ${pageSize} order by y.updated ${direction}, y.id ${direction}`
}
