/**
 * What a source may expect of what is written into it, as complaints: sentences about what breaks the agreement. Stricter
 * than FHIR; the write may be perfectly valid and still draw complaints.
 */
import type { BundleEntry, FhirResource } from 'fhir/r4.js'
import { aboutStub, aboutTask } from './linked-order.ts'
import { current, element, keyOf, listOf, mapReferences, matching, type Shelf } from './shelf.ts'
import { readCriterion } from './transaction.ts'

/** Found again by their identifier, so that writing twice changes nothing. */
const keyed = ['Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport']

/** What is here, as far as it matters for a write. */
export interface Written {
  readonly shelf: Shelf
  /** `Type/id` of what the source itself put there. */
  readonly own: ReadonlySet<string>
  readonly base: string
}

const targetOf = ({ request, resource }: BundleEntry<FhirResource>, shelf: Shelf): FhirResource | undefined => {
  if (!request || !resource) return undefined
  const [place = '', query] = request.url.split('?')
  if (request.method === 'PUT' && query === undefined) return current(shelf, place)
  const criterion = readCriterion(query ?? request.ifNoneExist ?? '')
  return typeof criterion === 'string' ? undefined : matching(shelf, resource.resourceType, criterion)[0]
}

const namesId = ({ request }: BundleEntry<FhirResource>): boolean => /^\w+\/[^?]+$/.test(request?.url ?? '')

/** An order is changed by whoever placed it, and a patient by whoever registered it. */
const theirs = (resource: FhirResource, method: string): string[] => {
  if (resource.resourceType === 'ServiceRequest') return ['an order is written by the source alone']
  if (resource.resourceType === 'Patient' && method !== 'POST') return ['a patient of the source is overwritten']
  return []
}

const aboutReferences = (resource: FhirResource, base: string): string[] => {
  const found: string[] = []
  mapReferences(resource, (reference, path) => {
    if (/^https?:/.test(reference) && !reference.startsWith(`${base}/`)) found.push(`${path} points to another server`)
    return reference
  })
  return found
}

/** What would make a server do the wrong thing for good: it refuses these with 403. */
export function overreach({ resource, request }: BundleEntry<FhirResource>): string[] {
  return resource && request ? theirs(resource, request.method) : []
}

/** Everything to complain about in one write. */
export function complaintsAboutWrite(entry: BundleEntry<FhirResource>, { shelf, own, base }: Written): string[] {
  const { resource, request } = entry
  if (!resource || !request) return []
  const known = targetOf(entry, shelf)
  const isKeyed = keyed.includes(resource.resourceType)
  const rules: readonly (readonly [string, boolean])[] = [
    ['it carries no identifier', isKeyed && !listOf(element(resource, 'identifier')).length],
    [
      'it would be created again each time it is sent',
      (isKeyed || resource.resourceType === 'Patient') && request.method === 'POST' && !request.ifNoneExist,
    ],
    ['its id was guessed: ids are given by this server', request.method === 'PUT' && namesId(entry) && !known],
    [
      'what the source wrote is overwritten without If-Match',
      request.method === 'PUT' && known !== undefined && own.has(keyOf(known)) && !request.ifMatch,
    ],
    [
      'a Subscription without a header: nobody can tell its notifications from others',
      resource.resourceType === 'Subscription' && !resource.channel?.header?.length,
    ],
  ]
  return [
    ...theirs(resource, request.method),
    ...rules.filter(([, broken]) => broken).map(([says]) => says),
    ...aboutReferences(resource, base),
    ...(resource.resourceType === 'Task' ? aboutTask(resource, shelf) : []),
    ...aboutStub(resource),
  ].map((says) => `${request.method} ${request.url.split('?')[0]}: ${says}`)
}
