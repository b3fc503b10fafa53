/** What the schema refuses, as sentences with what was found and what is expected. */
import type * as z from 'zod'
import { nearest } from './nearest.ts'
import type { Path } from './places.ts'
import { jsonSchema } from './schema.ts'
import { weekdays } from './values.ts'

export interface Refused {
  readonly path: Path
  readonly text: string
}

/** Keys whose values are never repeated, whatever somebody wrote there. */
const secretKeys = new Set<string | number>(['token', 'secret', 'current', 'next', 'cert', 'key', 'ca'])

/** A value for people: short, and without what may hold a secret. */
export const show = (value: unknown, path: Path = []): string => {
  if (path.some((step) => secretKeys.has(step)))
    return typeof value === 'object' ? 'something else' : 'a value written here'
  if (value === null) return 'nothing'
  if (Array.isArray(value)) return value.length === 0 ? 'an empty list' : 'a list'
  if (typeof value === 'object') return 'keys and values'
  const text = (JSON.stringify(value) ?? String(value)).replace(/\/\/[^/@]*@/, '//…@')
  return text.length > 80 ? `${text.slice(0, 77)}…"` : text
}

export const didYouMean = (found: unknown, candidates: readonly string[]): string => {
  const meant = typeof found === 'string' ? nearest(found, candidates) : undefined
  return meant === undefined || meant === found ? '' : ` (did you mean ${meant}?)`
}

export const valueAt = (raw: unknown, path: Path): unknown =>
  path.reduce<unknown>(
    (value, step) =>
      typeof value === 'object' && value !== null ? (value as Record<string, unknown>)[step] : undefined,
    raw,
  )

interface SchemaNode {
  readonly properties?: Readonly<Record<string, SchemaNode>>
  readonly items?: SchemaNode
  readonly anyOf?: readonly SchemaNode[]
}

const itemsOf = (schema: SchemaNode | undefined): SchemaNode | undefined =>
  schema?.items ?? schema?.anyOf?.find(({ items }) => items !== undefined)?.items

/** The keys that the object at a path may have. */
const keysAt = (path: Path): string[] => {
  const node = path.reduce<SchemaNode | undefined>(
    (schema, step) => (typeof step === 'number' ? itemsOf(schema) : schema?.properties?.[step]),
    jsonSchema() as SchemaNode,
  )
  return Object.keys(node?.properties ?? {})
}

const zones = () => [...Intl.supportedValuesOf('timeZone'), 'UTC']

/** What somebody may have meant at a path, where there is a list to choose from. */
const candidatesFor = (issue: z.core.$ZodIssue): readonly string[] => {
  if (issue.code === 'invalid_value') return issue.values.map(String)
  if (['timeZone', 'zone'].includes(String(issue.path.at(-1)))) return zones()
  return ['closed', 'on'].includes(String(issue.path.at(-2))) ? weekdays : []
}

const unknownKeys = (path: Path, keys: readonly string[]): Refused[] => {
  const known = keysAt(path)
  return keys.map((key) => ({
    path: [...path, key],
    text: `unknown key${didYouMean(key, known) || `, expected one of ${known.join(', ')}`}`,
  }))
}

const textOf = (issue: z.core.$ZodIssue, path: Path, raw: unknown): string => {
  if (issue.code === 'custom' && issue.params?.sentence === true) return issue.message
  if (issue.code === 'invalid_type' && issue.expected === 'never') return issue.message
  const found = valueAt(raw, path)
  if (found === undefined) return `missing, expected ${issue.message}`
  return `found ${show(found, path)}, expected ${issue.message}${didYouMean(found, candidatesFor(issue))}`
}

/** Of a value that may have several forms: what is wrong inside the form that somebody chose, where that can be told. */
const insideTheForm = (issue: z.core.$ZodIssue): z.core.$ZodIssue[] => {
  if (issue.code !== 'invalid_union') return [issue]
  const inside = issue.errors.find((issues) => issues.length > 0 && issues.every(({ path }) => path.length > 0))
  return inside === undefined
    ? [issue]
    : inside.flatMap((i) => insideTheForm({ ...i, path: [...issue.path, ...i.path] }))
}

/** All that the schema found, in its words; `raw` is what was read. */
export const refusedBySchema = (error: z.ZodError, raw: unknown): Refused[] =>
  error.issues.flatMap(insideTheForm).flatMap((issue) => {
    const path = issue.path.map((step) => (typeof step === 'symbol' ? String(step) : step))
    if (issue.code === 'unrecognized_keys') return unknownKeys(path, issue.keys)
    return [{ path, text: textOf(issue, path, raw) }]
  })
