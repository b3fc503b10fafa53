/** Our definitions over HTTP: profiles, operations, code systems and the rest, the same for everybody and for no token. */
import { createHash } from 'node:crypto'
import { readdirSync, readFileSync } from 'node:fs'
import type { CodeSystem, StructureDefinition, ValueSet } from 'fhir/r4.js'
import { accept, type Checked, type Problem, refusal, refuse, warning } from '../../model/problems.ts'
import type { Profiles } from '../fhir/door/profile-check.ts'
import { searchLimits } from '../postgres/read-search.ts'
import { type Call, problemReply, type Reply, type Route } from './call.ts'
import { isStrict } from './prefer.ts'
import { outcomeEntry } from './searching.ts'

/** The types of definitions that there are. */
const types = [
  'StructureDefinition',
  'OperationDefinition',
  'CodeSystem',
  'ValueSet',
  'SearchParameter',
  'Measure',
  'CapabilityStatement',
]

export interface Definition {
  readonly resourceType: string
  readonly id: string
  readonly url: string
  readonly name: string
  readonly version: string
  /** Of a StructureDefinition: the type that it is about. */
  readonly type?: string
  readonly text: string
  readonly etag: string
}

const folder = new URL('../../../profiles/package/', import.meta.url)

const read = (file: string): Definition => {
  const content: Omit<Definition, 'text' | 'etag'> = JSON.parse(readFileSync(new URL(file, folder), 'utf8'))
  const { resourceType, id, url, name, version, type } = content
  const text = JSON.stringify(content)
  const digest = createHash('sha256').update(text).digest('hex').slice(0, 16)
  return { resourceType, id, url, name, version, ...(type && { type }), text, etag: `W/"${digest}"` }
}

/** What the package holds, read from disk. */
export const readDefinitions = (): readonly Definition[] =>
  readdirSync(folder)
    .filter((file) => file.endsWith('.json'))
    .toSorted()
    .map(read)

/** The profiles of each resource type. */
export const profilesOf = (definitions: readonly Definition[], type: string): readonly string[] =>
  definitions.filter((d) => d.resourceType === 'StructureDefinition' && d.type === type).map((d) => d.url)

/** In the form in which resources are checked against them. */
export const profilesIn = (definitions: readonly Definition[]): Profiles => {
  const parsed = <T>(type: string, byVersion: boolean) =>
    new Map(
      definitions
        .filter((d) => d.resourceType === type)
        .flatMap(({ url, version, text }): [string, T][] => {
          const content = JSON.parse(text) as T
          return [[url, content], ...(byVersion ? [[`${url}|${version}`, content] as [string, T]] : [])]
        }),
    )
  return {
    profiles: parsed<StructureDefinition>('StructureDefinition', true),
    valueSets: parsed<ValueSet>('ValueSet', false),
    codeSystems: parsed<CodeSystem>('CodeSystem', false),
  }
}

const folded = (text: string): string => text.toLowerCase()

/** By what definitions are found. A canonical means every version, and with `|version` that one. */
const tests: Readonly<Record<string, (d: Definition, value: string) => boolean>> = {
  _id: (d, value) => d.id === value,
  url: (d, value) => value === d.url || value === `${d.url}|${d.version}`,
  name: (d, value) => folded(d.name).startsWith(folded(value)),
  'name:exact': (d, value) => d.name === value,
  'name:contains': (d, value) => folded(d.name).includes(folded(value)),
}

const isTest = (name: string): boolean => Object.hasOwn(tests, name)

/** For the CapabilityStatement, which names `_id` once for all types. */
export const definitionSearches = [
  { name: 'url', type: 'uri' },
  { name: 'name', type: 'string' },
] as const

interface Search {
  readonly conditions: readonly (readonly [name: string, values: readonly string[]])[]
  readonly count: number
  readonly from: number
  readonly used: Call['query']
}

const pageNames = ['_count', '_cursor']

const readSearch = (call: Call): Checked<Search> => {
  const isKnown = (name: string): boolean => isTest(name) || pageNames.includes(name)
  const given = Object.fromEntries(call.query)
  const told = call.query
    .filter(([name]) => !isKnown(name))
    .map(([found]) => ({ found, expected: [...Object.keys(tests), '_count'].join(', '), location: 'http.query' }))
  const wrong = pageNames
    .filter((name) => given[name] !== undefined && !/^\d{1,9}$/.test(given[name]))
    .map(
      (name): Problem =>
        refusal('wrong-parameter', '', {
          found: `${name}=${given[name]}`,
          expected: 'a whole number of at most nine digits',
          location: `http.${name}`,
        }),
    )
  const unknown = told.map((details) => (isStrict(call) ? refusal : warning)('unknown-parameter', '', details))
  if (wrong.length > 0 || (unknown.length > 0 && isStrict(call))) return refuse([...wrong, ...unknown])
  return accept(
    {
      conditions: call.query.flatMap(([name, value]) => (isTest(name) ? [[name, value.split(',')] as const] : [])),
      count: Math.min(Number(given._count ?? searchLimits.page), searchLimits.page),
      from: Number(given._cursor ?? 0),
      used: call.query.filter(([name]) => isKnown(name) && name !== '_cursor'),
    },
    unknown,
  )
}

const linkTo = (address: string, { used }: Search, from: number): string => {
  const query = new URLSearchParams([
    ...used.map(([name, value]): [string, string] => [name, value]),
    ...(from > 0 ? [['_cursor', `${from}`] as [string, string]] : []),
  ])
  return query.size > 0 ? `${address}?${query}` : address
}

const search =
  (mine: readonly Definition[], address: () => string) =>
  async (call: Call): Promise<Reply> => {
    const asked = readSearch(call)
    if (!asked.ok) return problemReply(asked.problems)
    const { conditions, count, from } = asked.value
    const all = mine.filter((d) => conditions.every(([name, values]) => values.some((v) => tests[name]?.(d, v))))
    const page = all.slice(from, from + count)
    const next = from + count
    const link = [
      { relation: 'self', url: linkTo(address(), asked.value, from) },
      ...(count > 0 && next < all.length ? [{ relation: 'next', url: linkTo(address(), asked.value, next) }] : []),
    ]
    const entries = [
      ...page.map((d) => `{"fullUrl":"${address()}/${d.id}","resource":${d.text},"search":{"mode":"match"}}`),
      ...(asked.warnings.length > 0 ? [outcomeEntry(asked.warnings)] : []),
    ]
    const entry = entries.length > 0 ? `,"entry":[${entries.join(',')}]` : ''
    return {
      status: 200,
      body: `{"resourceType":"Bundle","type":"searchset","total":${all.length},"link":${JSON.stringify(link)}${entry}}`,
    }
  }

/** RFC 9110, 13.1.2: weak tags are compared by what they say. */
const isSame = (tags: string | undefined, etag: string): boolean =>
  tags !== undefined && (tags.trim() === '*' || tags.split(',').some((tag) => tag.trim() === etag))

const readOne =
  (mine: readonly Definition[]) =>
  async (call: Call): Promise<Reply> => {
    const found = mine.find((d) => d.id === call.params.id)
    if (found === undefined) return problemReply([refusal('not-known')])
    const headers = { etag: found.etag }
    return isSame(call.header('if-none-match'), found.etag)
      ? { status: 304, headers }
      : { status: 200, body: found.text, headers }
  }

export const definitionRoutes = (definitions: readonly Definition[], base: () => string): readonly Route[] =>
  types.flatMap((type): Route[] => {
    const mine = definitions.filter((d) => d.resourceType === type)
    const shared = { method: 'GET', may: 'public', step: 'read' } as const
    return [
      {
        ...shared,
        url: `/fhir/${type}`,
        fhir: { types: [type], interaction: 'search-type' },
        handle: search(mine, () => `${base()}/fhir/${type}`),
      },
      { ...shared, url: `/fhir/${type}/:id`, fhir: { types: [type], interaction: 'read' }, handle: readOne(mine) },
    ]
  })
