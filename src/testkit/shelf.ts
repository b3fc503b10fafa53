/** What a test server keeps: every version of every resource, in memory. Values only; a change makes a new shelf. */
import type { FhirResource } from 'fhir/r4.js'

/** `Type/id` → versions, oldest first. */
export type Shelf = ReadonlyMap<string, readonly FhirResource[]>

export interface Token {
  /** Absent: any system. */
  readonly system?: string
  readonly value: string
}

export const element = (resource: object, name: string): unknown => (resource as Record<string, unknown>)[name]

export const isRecord = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null

/** A value as a list: none, the one, or the many. */
export const listOf = (value: unknown): unknown[] => (value === undefined ? [] : Array.isArray(value) ? value : [value])

export const referencesIn = (resource: object, name: string): string[] =>
  listOf(element(resource, name)).flatMap((held) =>
    isRecord(held) && typeof held.reference === 'string' ? [held.reference] : [],
  )

export const hasIdentifier = (resource: object, { system, value }: Token): boolean =>
  listOf(element(resource, 'identifier')).some(
    (held) => isRecord(held) && held.value === value && (system === undefined || held.system === system),
  )

export const current = (shelf: Shelf, key: string): FhirResource | undefined => shelf.get(key)?.at(-1)

export const keyOf = ({ resourceType, id }: FhirResource): string => `${resourceType}/${id}`

export const ofType = (shelf: Shelf, type: string): FhirResource[] =>
  [...shelf.values()].flatMap((versions) => versions.at(-1) ?? []).filter(({ resourceType }) => resourceType === type)

export const matching = (shelf: Shelf, type: string, token: Token): FhirResource[] =>
  ofType(shelf, type).filter((resource) => hasIdentifier(resource, token))

/** Rewrites every `reference` below a value; paths are those of FHIRPath without the root. */
export function mapReferences(value: unknown, map: (reference: string, path: string) => string, path = ''): unknown {
  if (Array.isArray(value)) return value.map((item, index) => mapReferences(item, map, `${path}[${index}]`))
  if (!isRecord(value)) return value
  return Object.fromEntries(
    Object.entries(value).map(([name, held]) => {
      const at = path ? `${path}.${name}` : name
      return [name, name === 'reference' && typeof held === 'string' ? map(held, at) : mapReferences(held, map, at)]
    }),
  )
}

/** Paths of the references to other servers than the one at this base. */
export function placesElsewhere(resource: FhirResource, base?: string): string[] {
  const found: string[] = []
  mapReferences(resource, (reference, path) => {
    if (/^https?:/.test(reference) && !(base && reference.startsWith(`${base}/`))) found.push(path)
    return reference
  })
  return found
}

const bare = ({ id: _id, meta: _meta, ...content }: FhirResource): string => JSON.stringify(content)

/** Puts a resource down under its type and id: the same content makes no new version. */
export function put(shelf: Shelf, resource: FhirResource, now: string): { shelf: Shelf; stored: FhirResource } {
  const key = keyOf(resource)
  const versions = shelf.get(key) ?? []
  const last = versions.at(-1)
  if (last && bare(last) === bare(resource)) return { shelf, stored: last }
  const stored = { ...resource, meta: { ...resource.meta, versionId: String(versions.length + 1), lastUpdated: now } }
  return { shelf: new Map(shelf).set(key, [...versions, stored]), stored }
}
