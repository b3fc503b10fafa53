/**
 * What a source may expect of what is written into it, rule by rule. Stricter than FHIR; the write may be perfectly valid
 * and still break some.
 */
import type { BundleEntry, FhirResource } from 'fhir/r4.js'
import { aboutStub, aboutTask } from './linked-order.ts'
import { complaintsIn, type Finding, looked } from './rules.ts'
import { current, element, keyOf, listOf, matching, placesElsewhere, type Shelf } from './shelf.ts'
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
const theirs = ({ resourceType }: FhirResource, method: string): Finding[] => {
  if (resourceType === 'ServiceRequest') return looked('order-kept', 'an order is written by the source alone')
  if (resourceType !== 'Patient') return []
  return looked('patient-kept', method === 'POST' ? undefined : 'a patient of the source is overwritten')
}

/** What would make a server do the wrong thing for good: it refuses these with 403. */
export function overreach({ resource, request }: BundleEntry<FhirResource>): string[] {
  return resource && request ? complaintsIn(theirs(resource, request.method)) : []
}

/** Everything that can be seen in one write. */
export function seenInWrite(entry: BundleEntry<FhirResource>, { shelf, own, base }: Written): Finding[] {
  const { resource, request } = entry
  if (!resource || !request) return []
  const known = targetOf(entry, shelf)
  const isKeyed = keyed.includes(resource.resourceType)
  const isBlind = request.method === 'POST' && !request.ifNoneExist
  const isOwn = request.method === 'PUT' && known !== undefined && own.has(keyOf(known))
  const when = (broken: boolean, says: string) => (broken ? says : undefined)
  const found = [
    ...theirs(resource, request.method),
    ...looked(
      'identified',
      when(isKeyed && !listOf(element(resource, 'identifier')).length, 'it carries no identifier'),
    ),
    ...looked(
      'sent-twice',
      when(
        (isKeyed || resource.resourceType === 'Patient') && isBlind,
        'it would be created again each time it is sent',
      ),
    ),
    ...looked(
      'ids-of-server',
      when(request.method === 'PUT' && namesId(entry) && !known, 'its id was guessed: ids are given by this server'),
    ),
    ...(isOwn
      ? looked('if-match', when(!request.ifMatch, 'what the source wrote is overwritten without If-Match'))
      : []),
    ...(resource.resourceType === 'Subscription'
      ? looked(
          'hook-header',
          when(
            !resource.channel?.header?.length,
            'a Subscription without a header: nobody can tell its notifications from others',
          ),
        )
      : []),
    ...looked('own-references', ...placesElsewhere(resource, base).map((path) => `${path} points to another server`)),
    ...(resource.resourceType === 'Task' ? aboutTask(resource, shelf) : []),
    ...aboutStub(resource),
  ]
  const place = `${request.method} ${request.url.split('?')[0]}`
  return found.map((f) => (f.wrong === undefined ? f : { ...f, wrong: `${place}: ${f.wrong}` }))
}
