/** What a search asks for, read from its parameters: every problem at once, and no more than can be answered quickly. */
import { foldName } from '../../model/patient-match.ts'
import { accept, type Checked, type Problem, refusal, refuse, warning } from '../../model/problems.ts'
import { isId } from './find-resources.ts'
import { type Cursor, cursorProblem, digestOfSearch, readCursor } from './search-cursor.ts'
import { type Inclusion, includesOf, readInclusion, revIncludesOf } from './search-includes.ts'
import { type SearchParameter, searchParameters, spanOf, targets } from './search-parameters.ts'
import { isReferenceValue, tokenForms, valueTaken } from './search-values.ts'

export interface Search {
  readonly type: string
  readonly conditions: readonly Condition[]
  readonly count: number
  readonly descending: boolean
  /** The caller follows changes: what is being committed is waited for. */
  readonly follows: boolean
  readonly total: 'none' | 'estimate' | 'accurate'
  readonly includes: readonly Inclusion[]
  readonly cursor?: Cursor
  /** The parameters as understood, for the self link. */
  readonly used: readonly (readonly [string, string])[]
}

export type Condition =
  | { readonly tokens: readonly string[] }
  | { readonly ids: readonly string[] }
  | { readonly name: string; readonly starts: readonly string[] }
  | { readonly column: '1' | '2' | 'updated'; readonly any: readonly DateTest[] }

export interface DateTest {
  readonly prefix: string
  readonly from: string
  readonly until: string
}

/** What one search may ask for, so that none is slow: a page of 200 orders by 100 values takes tens of milliseconds. */
export const searchLimits = { parameters: 20, values: 100, length: 500, includes: 10, page: 200 } as const

const unescaped = (text: string): string => text.replace(/\\([,|$\\])/g, '$1')
/** Comma separates alternatives; an escaped one is part of the value. */
const alternatives = (value: string): readonly string[] => value.split(/(?<!\\),/).filter((v) => v !== '')

const referenceToken = (p: SearchParameter, modifier: string | undefined, value: string): string => {
  if (modifier === 'identifier') return `${p.name}:identifier=${value}`
  const target = value.replace(/^https?:\/\/.*\/([A-Z][A-Za-z]+\/[^/]+)$/, '$1')
  return `${p.name}=${target}`
}

const dateTest = (value: string): DateTest | undefined => {
  const [, prefix = 'eq', rest = ''] = /^(eq|ne|gt|lt|ge|le|sa|eb)?(.*)$/.exec(value) ?? []
  const span = spanOf(rest)
  return span && { prefix, from: span[0], until: span[1] }
}

const conditionOf = (p: SearchParameter, modifier: string | undefined, value: string): Condition | undefined => {
  const values = alternatives(value)
  if (p.kind === 'token')
    return modifier === undefined
      ? { tokens: values.flatMap((v) => tokenForms(p, unescaped(v))).map((v) => `${p.name}=${v}`) }
      : undefined
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

interface Draft {
  conditions: Condition[]
  onlyCounts: boolean
  count: number
  descending: boolean
  follows: boolean
  total: Search['total']
  includes: Inclusion[]
  used: (readonly [string, string])[]
}

const ignored = ['_format', '_pretty', '_elements']

const totals: readonly string[] = ['none', 'estimate', 'accurate']

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
      draft.follows = true
      return true
    }
    case '_count':
      if (!/^\d{1,9}$/.test(value)) return false
      draft.count = Math.min(Number(value), searchLimits.page)
      return true
    case '_sort':
      draft.descending = value === '-_lastUpdated'
      draft.follows ||= value === '_lastUpdated'
      return value === '_lastUpdated' || value === '-_lastUpdated'
    case '_total':
      draft.total = value as Search['total']
      return totals.includes(value)
    case '_summary':
      draft.onlyCounts = value === 'count'
      return ['count', 'false'].includes(value)
    default:
      return undefined
  }
}

/** What is more than is answered at once; looked at before anything else. */
const tooMuch = (given: Search['used']): readonly Problem[] => {
  const over = (count: number, limit: number, what: string) =>
    count > limit
      ? [
          refusal('too-much-asked', '', {
            found: `${count} ${what}`,
            expected: `at most ${limit}`,
            location: 'http.query',
          }),
        ]
      : []
  const values = given.flatMap(([name, value]) => (name === '_cursor' ? [] : alternatives(value)))
  const included = given.filter(([name]) => /^_(rev)?include(:|$)/.test(name))
  return [
    ...over(given.length - included.length, searchLimits.parameters, 'parameters'),
    ...over(included.length, searchLimits.includes, 'includes'),
    ...over(values.length, searchLimits.values, 'values'),
    ...over(Math.max(0, ...values.map((v) => v.length)), searchLimits.length, 'characters in one value'),
  ]
}

const commonNames = ['_id', '_lastUpdated', '_count', '_sort', '_total', '_summary', '_include', '_revinclude']

const unknownParameter = (type: string, key: string, value: string) => {
  const told = (found: string, known: readonly string[]) => ({
    found,
    expected: known.join(', ') || 'none',
    location: 'http.query',
  })
  if (/^_include/.test(key)) return told(`${key}=${value}`, includesOf(type))
  if (/^_revinclude/.test(key)) return told(`${key}=${value}`, revIncludesOf(type))
  return told(key, [...commonNames, ...(searchParameters[type] ?? []).map((p) => p.name)])
}

/** Takes one parameter into the draft. @returns what is wrong with it */
const take = (draft: Draft, type: string, key: string, value: string): 'unknown' | 'wrong' | undefined => {
  const [name = '', modifier] = key.split(':')
  if (key === '_include' || key === '_revinclude') {
    const inclusion = readInclusion(type, key, value)
    if (inclusion) draft.includes.push(inclusion)
    return inclusion ? undefined : 'unknown'
  }
  const shared = modifier === undefined ? common(draft, name, value) : undefined
  const parameter = (searchParameters[type] ?? []).find((p) => p.name === name)
  if (shared === undefined && parameter === undefined) return 'unknown'
  const condition = shared === undefined && parameter ? conditionOf(parameter, modifier, value) : undefined
  if (condition) draft.conditions.push(condition)
  // a value of nothing asks for nothing, and NUL is in nothing that is stored
  const empty = alternatives(value).length === 0 || value.includes('\0')
  return empty || shared === false || (shared === undefined && condition === undefined) ? 'wrong' : undefined
}

const wrongValue = (type: string, key: string, value: string): Problem => {
  const [name = '', modifier] = key.split(':')
  const parameter = (searchParameters[type] ?? []).find((p) => p.name === name)
  return refusal('wrong-parameter', '', {
    found: `${key}=${value}`,
    expected: valueTaken(name, modifier, parameter),
    location: `http.${name}`,
  })
}

/** A parameter that can find nothing, since what it leads to is named and has no address. */
const findsNothing = (type: string, key: string, value: string): readonly Problem[] =>
  (searchParameters[type] ?? []).some((p) => p.named && p.name === key)
    ? [
        warning('wrong-parameter', '', {
          note: 'It finds nothing.',
          found: `${key}=${value}`,
          expected: `${key}:identifier=system|value`,
          location: `http.${key}`,
        }),
      ]
    : []

const draftOf = (): Draft => ({
  conditions: [],
  onlyCounts: false,
  count: 50,
  descending: false,
  follows: false,
  total: 'none',
  includes: [],
  used: [],
})

/**
 * Reads search parameters. What is not known is a warning, or with `strict` a refusal; a wrong value is refused always.
 * @param strict the caller sent `Prefer: handling=strict`
 */
export const readSearch = (
  type: string,
  given: readonly (readonly [string, string])[],
  strict: boolean,
): Checked<Search> => {
  const draft = draftOf()
  const asked = given.filter(([key]) => !ignored.includes(key))
  const problems: Problem[] = [...tooMuch(asked)]
  if (problems.length > 0) return refuse(problems)
  const warnings: Problem[] = []
  for (const [key, value] of asked) {
    if (key === '_cursor') continue
    const wrong = take(draft, type, key, value)
    if (wrong === 'unknown')
      if (strict) problems.push(refusal('unknown-parameter', '', unknownParameter(type, key, value)))
      else warnings.push(warning('unknown-parameter', '', unknownParameter(type, key, value)))
    else draft.used.push([key, value])
    if (wrong === 'wrong') problems.push(wrongValue(type, key, value))
    else warnings.push(...findsNothing(type, key, value))
  }
  const text = asked.findLast(([key]) => key === '_cursor')?.[1]
  const cursor = text === undefined ? undefined : readCursor(text, digestOfSearch({ type, ...draft }))
  if (typeof cursor === 'string') problems.push(cursorProblem(cursor, text ?? ''))
  if (problems.length > 0) return refuse(problems)
  // R4, search.html, "Page Count": _count=0 is the same as _summary=count
  const { onlyCounts, ...rest } = draft
  const counting = onlyCounts || draft.count === 0 ? ({ count: 0, total: 'accurate' } as const) : {}
  return accept({ type, ...rest, ...counting, ...(typeof cursor === 'object' && { cursor }) }, warnings)
}
