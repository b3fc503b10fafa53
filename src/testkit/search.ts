/** Searching a shelf by the parameters that a counterpart of Daybind is asked for. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import { element, hasIdentifier, isRecord, keyOf, listOf, ofType, referencesIn, type Shelf } from './shelf.ts'

type Test = (resource: FhirResource, value: string) => boolean

const refersTo = (resource: FhirResource, names: readonly string[], value: string, type: string): boolean =>
  names.some((name) => referencesIn(resource, name).includes(value.includes('/') ? value : `${type}/${value}`))

/** `[system]|[code]`, `|[code]`, `[code]` or `[system]|`: http://hl7.org/fhir/R4/search.html#token */
const codedAs = (value: unknown, wanted: string): boolean => {
  const [left = '', right] = wanted.split('|')
  const codings = listOf(value).flatMap((v) => (isRecord(v) ? listOf(v.coding) : [{ code: v }]))
  return codings.some(
    (c) =>
      isRecord(c) &&
      (right === undefined ? c.code === left : (c.system ?? '') === left && (right === '' || c.code === right)),
  )
}

/** Instants with the prefixes of http://hl7.org/fhir/R4/search.html#prefix; no dates without a time. */
const instantFits = (instant: string, wanted: string): boolean => {
  const [, prefix = 'eq', moment = ''] = /^(eq|ne|gt|lt|ge|le|sa|eb)?(.+)$/.exec(wanted) ?? []
  const [is, than] = [Date.parse(instant), Date.parse(moment)]
  const fits: Readonly<Record<string, boolean>> = {
    ...{ eq: is === than, ne: is !== than, ge: is >= than, le: is <= than },
    ...{ gt: is > than, sa: is > than, lt: is < than, eb: is < than },
  }
  return fits[prefix] ?? false
}

const parameters: Readonly<Record<string, Test>> = {
  _id: ({ id }, value) => id === value,
  _lastUpdated: ({ meta }, value) => instantFits(meta?.lastUpdated ?? '', value),
  identifier: (resource, value) => {
    const [left = '', right] = value.split('|')
    return hasIdentifier(resource, right === undefined ? { value: left } : { system: left, value: right })
  },
  patient: (resource, value) => refersTo(resource, ['subject', 'patient', 'for'], value, 'Patient'),
  subject: (resource, value) => refersTo(resource, ['subject'], value, 'Patient'),
  'based-on': (resource, value) => refersTo(resource, ['basedOn'], value, 'ServiceRequest'),
  // http://hl7.org/fhir/R4/subscription.html#search
  url: (resource, value) => resource.resourceType === 'Subscription' && resource.channel.endpoint === value,
  code: (resource, value) => codedAs(element(resource, 'code'), value),
  status: (resource, value) => codedAs(element(resource, 'status'), value),
  intent: (resource, value) => codedAs(element(resource, 'intent'), value),
}

/** Parameters that say how the answer looks, not what is in it. */
const shaping = ['_count', '_offset', '_sort', '_include', '_total', '_format']

/** What of a query these tests cannot look for. */
export const unknownParameters = (query: URLSearchParams): string[] =>
  [...query.keys()].filter((name) => !shaping.includes(name) && !Object.hasOwn(parameters, name))

/** Whether a resource is what the query asks for; a value may be several, separated by commas. */
export const matches = (resource: FhirResource, query: URLSearchParams): boolean =>
  [...query].every(
    ([name, value]) => shaping.includes(name) || value.split(',').some((one) => parameters[name]?.(resource, one)),
  )

/** One page of matches; undefined when a parameter is not known. */
export function search(
  shelf: Shelf,
  type: string,
  query: URLSearchParams,
  base: string,
): { status: number; body: Bundle<FhirResource> } | undefined {
  const asked = [...query].filter(([name]) => name !== '_count' && name !== '_offset')
  if (asked.some(([name]) => !Object.hasOwn(parameters, name))) return undefined
  const found = ofType(shelf, type).filter((resource) => matches(resource, query))
  const count = Number(query.get('_count') ?? 50)
  const offset = Number(query.get('_offset') ?? 0)
  const next = new URLSearchParams([...asked, ['_count', `${count}`], ['_offset', `${offset + count}`]])
  return {
    status: 200,
    body: {
      resourceType: 'Bundle',
      type: 'searchset',
      total: found.length,
      link: [
        { relation: 'self', url: `${base}/${type}?${query}` },
        ...(found.length > offset + count ? [{ relation: 'next', url: `${base}/${type}?${next}` }] : []),
      ],
      entry: found.slice(offset, offset + count).map((resource) => ({
        fullUrl: `${base}/${keyOf(resource)}`,
        resource,
        search: { mode: 'match' },
      })),
    },
  }
}
