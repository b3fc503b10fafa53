/** Resources that come along with the matches of a search: what they refer to, and what refers to them. */
import type { Tx } from './database.ts'
import { columnsOf, readResources, type Sight } from './find-resources.ts'
import type { StoredResource } from './resource-text.ts'
import { searchParameters, targets } from './search-parameters.ts'

export interface Inclusion {
  readonly way: '_include' | '_revinclude'
  /** The type that refers, and by which of its search parameters. */
  readonly source: string
  readonly parameter: string
  /** The type that is referred to. */
  readonly target?: string
}

/** How many resources come along with one page at most. */
export const includeLimit = 1_000

/** Parameters that lead to resources of ours; an owner or a reporter is named, not referred to. */
const referring = (type: string): readonly string[] =>
  (searchParameters[type] ?? []).filter((p) => p.kind === 'reference' && p.name in targets).map((p) => p.name)

/** The `_include` values that a search of the type takes. */
export const includesOf = (type: string): readonly string[] => referring(type).map((name) => `${type}:${name}`)

/** The `_revinclude` values that a search of the type takes. */
export const revIncludesOf = (type: string): readonly string[] =>
  Object.keys(searchParameters).flatMap((source) =>
    referring(source)
      .filter((name) => targets[name]?.includes(type))
      .map((name) => `${source}:${name}`),
  )

/** @returns undefined for what is not announced, `:iterate` and `*` among it */
export const readInclusion = (type: string, way: Inclusion['way'], value: string): Inclusion | undefined => {
  const [source = '', parameter = '', target, ...rest] = value.split(':')
  const announced = way === '_include' ? includesOf(type) : revIncludesOf(type)
  const possible = target === undefined || (targets[parameter]?.includes(target) ?? false)
  if (rest.length > 0 || !possible || !announced.includes(`${source}:${parameter}`)) return undefined
  if (way === '_revinclude' && target !== undefined && target !== type) return undefined
  return { way, source, parameter, ...(target !== undefined && { target }) }
}

export type Match = StoredResource & { readonly tokens?: readonly string[] }

const referredBy = ({ parameter, target }: Inclusion, matches: readonly Match[]): readonly string[] => {
  const types = target === undefined ? (targets[parameter] ?? []) : [target]
  const prefixes = types.map((type) => `${parameter}=${type}/`)
  return matches.flatMap((m) =>
    (m.tokens ?? [])
      .filter((t) => prefixes.some((prefix) => t.startsWith(prefix)))
      .map((t) => t.slice(parameter.length + 1)),
  )
}

/** The same order whenever it is asked, and never by a walk through everything: what refers is looked up first. */
const referringTo = (tx: Tx, { source, parameter }: Inclusion, matches: readonly Match[], sight: Sight) =>
  tx.query<StoredResource>(
    `select ${columnsOf('r')} from (select * from resources r where r.type = $1 and r.tokens && $2::text[]
       and ($3::text[] is null or r.seen_by && $3) offset 0) r order by r.updated, r.id limit ${includeLimit + 1}`,
    [source, matches.map((m) => `${parameter}=${m.type}/${m.id}`), sight ?? null],
  )

export interface Included {
  readonly rows: readonly StoredResource[]
  /** There is more that belongs to the page. */
  readonly cut: boolean
}

/** What comes along with these matches as it is now, each resource once and none that is a match already. */
export const includedWith = async (
  tx: Tx,
  inclusions: readonly Inclusion[],
  matches: readonly Match[],
  sight: Sight,
): Promise<Included> => {
  if (matches.length === 0) return { rows: [], cut: false }
  const forth = inclusions.filter((i) => i.way === '_include').flatMap((i) => referredBy(i, matches))
  const found = [...(await readResources(tx, [...new Set(forth)].slice(0, includeLimit + 1), sight))]
  for (const inclusion of inclusions)
    if (inclusion.way === '_revinclude') found.push(...(await referringTo(tx, inclusion, matches, sight)))
  const named = new Map(found.map((r) => [`${r.type}/${r.id}`, r]))
  for (const m of matches) named.delete(`${m.type}/${m.id}`)
  const rows = [...named.values()]
  return { rows: rows.slice(0, includeLimit), cut: rows.length > includeLimit }
}
