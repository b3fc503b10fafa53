/** What a source pushes: one resource and how it is to be stored; a Bundle is a list of these. */
import { createHash } from 'node:crypto'
import type { FhirResource, Identifier, Patient } from 'fhir/r4.js'
import type { Source, SystemValue } from '../../model/configuration.ts'
import type { Preconditions } from '../../model/preconditions.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import type { Content } from '../../model/states.ts'
import { standard } from '../../model/systems.ts'
import { canonical } from '../../model/tree.ts'

export interface Incoming extends Preconditions {
  /** FHIRPath of the entry's resource in the Bundle, `Bundle.entry[1].resource`; '' for a resource alone. */
  readonly at: string
  readonly method: 'POST' | 'PUT'
  readonly resource: FhirResource
  readonly fullUrl?: string
  /** The id in the address of a PUT. */
  readonly targetId?: string
  /** The criterion of a conditional PUT. */
  readonly criterion?: SystemValue
  readonly ifNoneExist?: SystemValue
}

/** One name under which a source knows a resource. */
export interface Identity extends SystemValue {
  readonly type: string
}

/** System of the identities that are addresses below a source's `fhir`. */
export const urlIdentity = 'urn:ietf:rfc:3986'

export const identityKey = (identity: Identity): string => `${identity.type}|${identity.system}|${identity.value}`

/** Expressions of a problem: inside a Bundle both, the place in the Bundle and the place in the resource. */
export const placesOf = (incoming: Incoming, path: string): readonly string[] => {
  const inResource = `${incoming.resource.resourceType}${path === '' ? '' : `.${path}`}`
  if (incoming.at === '') return [inResource]
  return [`${incoming.at}${path === '' ? '' : `.${path}`}`, inResource]
}

type Identified = { identifier?: Identifier | Identifier[] }

const identifiersOf = (resource: FhirResource): readonly Identifier[] => {
  const { identifier } = resource as Identified
  return Array.isArray(identifier) ? identifier : identifier ? [identifier] : []
}

const isFull = (i: Identifier): i is Identifier & { value: string } => typeof i.value === 'string' && i.value !== ''

const isPlacer = (i: Identifier): boolean =>
  (i.type?.coding ?? []).some((c) => c.system === standard.identifierType && c.code === 'PLAC')

/**
 * The placer number: the identifier of type PLAC; else the one in the source's `placer` system; else the only
 * identifier with a system. Refused with `no-placer-number` where none of these tells exactly one.
 */
export const placerOf = (incoming: Incoming, source: Source): Checked<SystemValue> => {
  const all = identifiersOf(incoming.resource).filter(isFull)
  const candidates = [
    all.filter(isPlacer),
    all.filter((i) => source.placer !== undefined && i.system === source.placer),
    all.filter((i) => i.system !== undefined),
  ].find((list) => list.length > 0)
  const [only, ...others] = candidates ?? []
  if (only?.value !== undefined && others.length === 0)
    return accept({ system: only.system ?? source.placer ?? '', value: only.value })
  return refuse([
    refusal('no-placer-number', placesOf(incoming, 'identifier'), {
      found: `${others.length > 0 ? others.length + 1 : 'no'} candidates among ${identifiersOf(incoming.resource).length} identifiers`,
      expected: `one identifier of type ${standard.identifierType}|PLAC${source.placer ? `, or one with system ${source.placer}` : ', or only one with a system'}`,
    }),
  ])
}

/** The names under which the source may speak of this resource again; for an order its placer number alone. */
export const identitiesOf = (incoming: Incoming, source: Source): readonly Identity[] => {
  const type = incoming.resource.resourceType
  const url =
    incoming.fullUrl !== undefined && source.fhir !== undefined && incoming.fullUrl.startsWith(`${source.fhir}/`)
      ? [{ type, system: urlIdentity, value: incoming.fullUrl }]
      : []
  if (incoming.resource.resourceType === 'ServiceRequest') {
    const placer = placerOf(incoming, source)
    return placer.ok ? [{ type, ...placer.value }, ...url] : url
  }
  return [...namesIn(incoming.resource), ...url]
}

const namesIn = (resource: FhirResource): readonly Identity[] =>
  identifiersOf(resource)
    .filter(isFull)
    .filter((i): i is SystemValue & Identifier => i.system !== undefined && i.system !== '')
    .map(({ system, value }) => ({ type: resource.resourceType, system, value }))

/** The names that a stored patient has by their own words. */
export const patientNames = (patient: Patient): readonly Identity[] => namesIn(patient)

/**
 * What tells two contents apart: everything but `id`, `text` and `meta.versionId|lastUpdated|source`. To be taken
 * after references are resolved.
 */
export const contentOf = (resolved: FhirResource, written: FhirResource): Content => {
  const { id: _id, meta, ...rest } = resolved as FhirResource & { text?: unknown }
  const { text: _text, ...said } = rest as Record<string, unknown>
  const { versionId: _v, lastUpdated: _l, source: _s, ...metaRest } = (meta ?? {}) as Record<string, unknown>
  const compared = Object.keys(metaRest).length > 0 ? { ...said, meta: metaRest } : said
  return {
    digest: createHash('sha256').update(canonical(compared)).digest('base64url'),
    ...(written.meta?.lastUpdated !== undefined && { datedAt: written.meta.lastUpdated }),
    ...(written.meta?.versionId !== undefined && { sourceVersion: written.meta.versionId }),
  }
}

const isNumber = (text: string): boolean => /^[0-9]{1,15}$/.test(text)

/** Whether the source itself says that `incoming` is older than what is stored. */
export const isOlder = (incoming: Content, stored: Content): boolean => {
  const [a, b] = [Date.parse(incoming.datedAt ?? ''), Date.parse(stored.datedAt ?? '')]
  if (!Number.isNaN(a) && !Number.isNaN(b) && a !== b) return a < b
  const [v, w] = [incoming.sourceVersion ?? '', stored.sourceVersion ?? '']
  return isNumber(v) && isNumber(w) && Number(v) < Number(w)
}

/** `identifier=system|value` as a query writes it, the bar percent-encoded or not; undefined when it is not of that form. */
export const readCriterion = (query: string): SystemValue | undefined => {
  const [, encoded = ''] = /^\??identifier=([^&]+)$/.exec(query) ?? []
  const [, system, value] = /^([^|]*)\|(.+)$/s.exec(decoded(encoded)) ?? []
  return system === undefined || value === undefined ? undefined : { system, value }
}

const decoded = (text: string): string => {
  try {
    return decodeURIComponent(text)
  } catch {
    return ''
  }
}
