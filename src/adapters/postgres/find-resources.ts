/** Reading and searching resources, within what the caller may see. */
import { foldName } from '../../model/patient-match.ts'
import { accept, type Checked, type Problem, refusal, refuse, warning } from '../../model/problems.ts'
import { instantSql } from '../clock.ts'
import type { Tx } from './database.ts'
import type { StoredResource } from './resource-text.ts'
import { type SearchParameter, searchParameters, spanOf } from './search-parameters.ts'
import { isReferenceValue, valueTaken } from './search-values.ts'

/** Tokens of what a caller may see; absent: everything. */
export type Sight = readonly string[] | undefined

const columns = `type, id, version, ${instantSql('updated')} as updated, body`

/** Ids have one form; anything else is nobody's. */
export const isId = (id: string): boolean => /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/.test(id)

/** A resource that the caller may see; not there and not visible are the same answer. */
export const readResource = async (
  tx: Tx,
  type: string,
  id: string,
  sight: Sight,
): Promise<StoredResource | undefined> => {
  if (!isId(id)) return undefined
  const [row] = await tx.query<StoredResource>(
    `select ${columns} from resources where type = $1 and id = $2 and ($3::text[] is null or seen_by && $3)`,
    [type, id, sight ?? null],
  )
  return row
}

export interface Search {
  readonly type: string
  readonly conditions: readonly Condition[]
  readonly count: number
  readonly descending: boolean
  readonly total: boolean
  readonly after?: Cursor
  /** The parameters as understood, for the self link. */
  readonly used: readonly (readonly [string, string])[]
}

interface Cursor {
  readonly updated: string
  readonly id: string
}

type Condition =
  | { readonly tokens: readonly string[] }
  | { readonly ids: readonly string[] }
  | { readonly name: string; readonly starts: readonly string[] }
  | { readonly column: '1' | '2' | 'updated'; readonly any: readonly DateTest[] }

interface DateTest {
  readonly prefix: string
  readonly from: string
  readonly until: string
}

const unescaped = (text: string): string => text.replace(/\\([,|$\\])/g, '$1')
/** Comma separates alternatives; an escaped one is part of the value. */
const alternatives = (value: string): readonly string[] => value.split(/(?<!\\),/).filter((v) => v !== '')

const referenceToken = (p: SearchParameter, modifier: string | undefined, value: string): string => {
  if (modifier === 'identifier') return `${p.name}:identifier=${value}`
  const target = value.replace(/^https?:\/\/.*\/([A-Z][A-Za-z]+\/[^/]+)$/, '$1')
  return `${p.name}=${target}`
}

/** Types to which a reference parameter may lead, for values that are an id alone. */
const targets: Readonly<Record<string, readonly string[]>> = {
  patient: ['Patient'],
  subject: ['Patient'],
  device: ['Device'],
  'based-on': ['ServiceRequest'],
  focus: ['ServiceRequest', 'Task'],
  implicated: ['ServiceRequest', 'Device', 'DeviceUseStatement'],
  target: ['DeviceUseStatement', 'Procedure', 'Device'],
  entity: ['Patient', 'DeviceUseStatement'],
  result: ['Observation'],
}

const dateTest = (value: string): DateTest | undefined => {
  const [, prefix = 'eq', rest = ''] = /^(eq|ne|gt|lt|ge|le|sa|eb)?(.*)$/.exec(value) ?? []
  const span = spanOf(rest)
  return span && { prefix, from: span[0], until: span[1] }
}

const conditionOf = (p: SearchParameter, modifier: string | undefined, value: string): Condition | undefined => {
  const values = alternatives(value)
  if (p.kind === 'token')
    return modifier === undefined ? { tokens: values.map((v) => `${p.name}=${unescaped(v)}`) } : undefined
  if (p.kind === 'string') {
    // nothing but signs would be the beginning of everything
    const starts = values.map((v) => foldName(unescaped(v)))
    return modifier === undefined && !starts.includes('') ? { name: p.name, starts } : undefined
  }
  if (p.kind === 'reference') {
    if (modifier !== undefined && modifier !== 'identifier') return undefined
    if (modifier === undefined && !values.map(unescaped).every(isReferenceValue)) return undefined
    const whole = values.flatMap((v) =>
      modifier === undefined && /^[^/|]+$/.test(v)
        ? (targets[p.name] ?? ['']).map((t) => (t === '' ? v : `${t}/${v}`))
        : [v],
    )
    return { tokens: whole.map((v) => referenceToken(p, modifier, unescaped(v))) }
  }
  const tests = values.map(dateTest)
  if (modifier !== undefined || tests.some((t) => t === undefined)) return undefined
  return { column: `${p.slot ?? 1}`, any: tests.filter((t) => t !== undefined) }
}

const encodeCursor = (c: Cursor): string => Buffer.from(`${c.updated} ${c.id}`).toString('base64url')

const decodeCursor = (text: string): Cursor | undefined => {
  const [, updated, id] =
    /^(\d{4}-\d{2}-\d{2}T[\d:.]+Z) ([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})$/.exec(
      Buffer.from(text, 'base64url').toString(),
    ) ?? []
  return updated !== undefined && id !== undefined && !Number.isNaN(Date.parse(updated)) ? { updated, id } : undefined
}

interface Draft {
  conditions: Condition[]
  count: number
  descending: boolean
  total: boolean
  after?: Cursor
  used: (readonly [string, string])[]
}

const ignored = ['_format', '_pretty', '_summary', '_elements']

/** The parameters that all types share. @returns false when the value is wrong, undefined when it is not one of them */
const common = (draft: Draft, name: string, value: string): boolean | undefined => {
  switch (name) {
    case '_id':
      draft.conditions.push({ ids: alternatives(value).filter(isId) })
      return true
    case '_lastUpdated': {
      const tests = alternatives(value).map(dateTest)
      if (tests.some((t) => t === undefined)) return false
      draft.conditions.push({ column: 'updated', any: tests.filter((t) => t !== undefined) })
      return true
    }
    case '_count': {
      const count = Number(value)
      if (!/^\d{1,9}$/.test(value)) return false
      draft.count = Math.min(count, 200)
      return true
    }
    case '_sort':
      draft.descending = value === '-_lastUpdated'
      return value === '_lastUpdated' || value === '-_lastUpdated'
    case '_total':
      draft.total = value !== 'none'
      return ['none', 'estimate', 'accurate'].includes(value)
    case '_cursor': {
      const cursor = decodeCursor(value)
      if (cursor) draft.after = cursor
      return cursor !== undefined
    }
    default:
      return undefined
  }
}

/**
 * Reads search parameters. What is not known is a warning, or with `strict` a refusal; a wrong value is refused always.
 * @param strict the caller sent `Prefer: handling=strict`
 */
export const readSearch = (
  type: string,
  given: readonly (readonly [string, string])[],
  strict: boolean,
): Checked<Search> => {
  const draft: Draft = { conditions: [], count: 50, descending: false, total: false, used: [] }
  const problems: Problem[] = []
  const warnings: Problem[] = []
  const known = searchParameters[type] ?? []
  const all = ['_id', '_lastUpdated', '_count', '_sort', '_total', ...known.map((p) => p.name)].join(', ')
  for (const [key, value] of given) {
    if (ignored.includes(key)) continue
    const [name = '', modifier] = key.split(':')
    const shared = modifier === undefined ? common(draft, name, value) : undefined
    const parameter = known.find((p) => p.name === name)
    if (shared === undefined && parameter === undefined) {
      const problem = { found: key, expected: all, location: 'http.query' }
      if (strict) problems.push(refusal('unknown-parameter', '', problem))
      else warnings.push(warning('unknown-parameter', '', problem))
      continue
    }
    const condition = shared === undefined && parameter ? conditionOf(parameter, modifier, value) : undefined
    // a value of nothing asks for nothing, and NUL is in nothing that is stored
    const empty = alternatives(value).length === 0 || value.includes('\0')
    if (empty || shared === false || (shared === undefined && condition === undefined))
      problems.push(
        refusal('wrong-parameter', '', {
          found: `${key}=${value}`,
          expected: valueTaken(name, modifier, parameter),
          location: `http.${name}`,
        }),
      )
    if (condition) draft.conditions.push(condition)
    if (name !== '_cursor') draft.used.push([key, value])
  }
  return problems.length > 0 ? refuse(problems) : accept({ type, ...draft }, warnings)
}

const dateSql = (low: string, high: string, test: DateTest, bind: (v: unknown) => string): string => {
  // bound where they are used: a value that no expression uses has no type
  const from = () => `${bind(test.from)}::timestamptz`
  const until = () => `${bind(test.until)}::timestamptz`
  const [start, end] = [`coalesce(${low}, '-infinity')`, `coalesce(${high}, 'infinity')`]
  switch (test.prefix) {
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
      return `${start} >= ${from()} and ${end} <= ${until()}`
  }
}

const conditionSql = (c: Condition, bind: (v: unknown) => string): string => {
  if ('tokens' in c) return `tokens && ${bind(c.tokens)}::text[]`
  if ('ids' in c) return `id = any(${bind(c.ids)}::uuid[])`
  if ('name' in c) {
    const tests = c.starts.map((s) => `(n.value >= ${bind(s)} and n.value < ${bind(`${s}\u{10ffff}`)})`)
    return `exists (select from names n where n.type = r.type and n.id = r.id and n.param = ${bind(c.name)} and (${tests.join(' or ') || 'false'}))`
  }
  if (c.column === 'updated')
    return `(${c.any.map((t) => dateSql('updated', `updated + interval '1 microsecond'`, t, bind)).join(' or ')})`
  const [low, high] = [`from${c.column}`, `until${c.column}`]
  return `((${low} is not null or ${high} is not null) and (${c.any.map((t) => dateSql(low, high, t, bind)).join(' or ')}))`
}

export interface Page {
  readonly rows: readonly StoredResource[]
  readonly total?: number
  readonly next?: string
}

/** A device may be on another site's patient: nobody finds it by a patient whom they may not see. */
const withinSight = async (tx: Tx, { type, conditions }: Search, sight: Sight): Promise<readonly Condition[]> => {
  if (type !== 'Device' || sight === undefined) return conditions
  const prefix = 'patient=Patient/'
  const patients = conditions.flatMap((c) => ('tokens' in c ? c.tokens.filter((t) => t.startsWith(prefix)) : []))
  const hidden = new Set<string>()
  for (const t of patients) if (!(await readResource(tx, 'Patient', t.slice(prefix.length), sight))) hidden.add(t)
  return conditions.map((c) => ('tokens' in c ? { tokens: c.tokens.filter((t) => !hidden.has(t)) } : c))
}

/**
 * Conditions that few rows meet. They are looked up first and sorted then; left to itself the planner, for the sake of
 * the page's order, walks through all that were ever written (660 ms for one of 200,000 orders by its number).
 */
const findsFew = (c: Condition): boolean =>
  'ids' in c || 'name' in c || ('tokens' in c && c.tokens.every((t) => !/^(status|code|active)=/.test(t)))

/** One page, in the order of `_lastUpdated`; the next one begins behind its last row. */
export const searchResources = async (tx: Tx, search: Search, sight: Sight): Promise<Page> => {
  const values: unknown[] = []
  const bind = (value: unknown): string => `$${values.push(value)}`
  const conditions = await withinSight(tx, search, sight)
  const where = [`r.type = ${bind(search.type)}`, ...conditions.map((c) => conditionSql(c, bind))]
  if (sight !== undefined) where.push(`seen_by && ${bind(sight)}::text[]`)
  const total = search.total
    ? await tx.query<{ n: number }>(`select count(*) as n from resources r where ${where.join(' and ')}`, values)
    : []
  const [direction, beyond] = search.descending ? ['desc', '<'] : ['asc', '>']
  const few = conditions.some(findsFew)
  const from = few ? `(select * from resources r where ${where.splice(0).join(' and ')} offset 0) r` : 'resources r'
  if (search.after)
    where.push(`(updated, id) ${beyond} (${bind(search.after.updated)}::timestamptz, ${bind(search.after.id)}::uuid)`)
  const rows = await tx.query<StoredResource>(
    `select ${columns} from ${from} ${where.length > 0 ? `where ${where.join(' and ')}` : ''} order by r.updated ${direction}, id ${direction} limit ${bind(search.count + 1)}`,
    values,
  )
  const page = rows.slice(0, search.count)
  const last = page.at(-1)
  return {
    rows: page,
    ...(total[0] && { total: total[0].n }),
    ...(rows.length > search.count && last && { next: encodeCursor(last) }),
  }
}
