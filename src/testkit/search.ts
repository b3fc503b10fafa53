/** Searching a shelf by the parameters that a counterpart of Daybind is asked for. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import { hasIdentifier, keyOf, ofType, referencesIn, type Shelf } from './shelf.ts'

type Test = (resource: FhirResource, value: string) => boolean

const refersTo = (resource: FhirResource, names: readonly string[], value: string, type: string): boolean =>
  names.some((name) => referencesIn(resource, name).includes(value.includes('/') ? value : `${type}/${value}`))

const parameters: Readonly<Record<string, Test>> = {
  _id: ({ id }, value) => id === value,
  identifier: (resource, value) => {
    const [left = '', right] = value.split('|')
    return hasIdentifier(resource, right === undefined ? { value: left } : { system: left, value: right })
  },
  patient: (resource, value) => refersTo(resource, ['subject', 'patient', 'for'], value, 'Patient'),
  'based-on': (resource, value) => refersTo(resource, ['basedOn'], value, 'ServiceRequest'),
}

/** One page of matches; undefined when a parameter is not known. */
export function search(
  shelf: Shelf,
  type: string,
  query: URLSearchParams,
  base: string,
): { status: number; body: Bundle<FhirResource> } | undefined {
  const asked = [...query].filter(([name]) => name !== '_count' && name !== '_offset')
  if (asked.some(([name]) => !Object.hasOwn(parameters, name))) return undefined
  const found = ofType(shelf, type).filter((resource) =>
    asked.every(([name, value]) => value.split(',').some((one) => parameters[name]?.(resource, one))),
  )
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
