/** What the sources send, as FHIR: a patient and an order for each visit. */
import { randomUUID } from 'node:crypto'
import type { Bundle, BundleEntry, FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { codes, systems } from '../src/model/systems.ts'
import { type Ordered, type SourceId, sourceSystems } from './people.ts'

export interface OrderSaid {
  readonly visit: string
  /** Last day of the wear; absent: the site's usual wear. */
  readonly until?: string
  readonly status?: 'active' | 'revoked'
  readonly priority?: 'routine' | 'urgent'
}

export const recordNumber = ({ source, record }: Ordered) => ({
  system: sourceSystems[source].patients,
  value: record,
})

export const placerNumber = ({ source, order }: Ordered) => ({ system: sourceSystems[source].orders, value: order })

const patientOf = (p: Ordered): Patient => ({
  resourceType: 'Patient',
  identifier: [recordNumber(p)],
  name: [{ family: p.family, given: [p.given] }],
  birthDate: p.birthDate,
  gender: p.gender,
})

/** The source's usual site goes without saying. */
const usualSite: Readonly<Record<SourceId, string>> = { 'harbour-ehr': 'tern-harbour', 'lowwater-ehr': 'quarry-lane' }

export const orderOf = (p: Ordered, said: OrderSaid, subject: ServiceRequest['subject']): ServiceRequest => ({
  resourceType: 'ServiceRequest',
  identifier: [placerNumber(p)],
  status: said.status ?? 'active',
  intent: 'order',
  priority: said.priority ?? 'routine',
  code: { coding: [codes.ecgMonitoring] },
  subject,
  ...(said.until === undefined
    ? { occurrenceDateTime: said.visit }
    : { occurrencePeriod: { start: said.visit, end: said.until } }),
  ...(p.site !== usualSite[p.source] && {
    locationReference: [{ identifier: { system: systems.sites, value: p.site } }],
  }),
})

/** A patient by name alone: the source's own record number. */
export const byRecordNumber = (p: Ordered): ServiceRequest['subject'] => ({
  type: 'Patient',
  identifier: recordNumber(p),
})

export const criterion = ({ system, value }: { readonly system: string; readonly value: string }): string =>
  `identifier=${encodeURIComponent(`${system}|${value}`)}`

const put = (resource: FhirResource, query: string, fullUrl?: string): BundleEntry => ({
  ...(fullUrl !== undefined && { fullUrl }),
  resource,
  request: { method: 'PUT', url: `${resource.resourceType}?${query}` },
})

/** All or nothing: the orders name their patients within the message. */
export const asTransaction = (people: readonly Ordered[], said: OrderSaid): Bundle => ({
  resourceType: 'Bundle',
  type: 'transaction',
  entry: people.flatMap((p) => {
    const patient = `urn:uuid:${randomUUID()}`
    return [
      put(patientOf(p), criterion(recordNumber(p)), patient),
      put(orderOf(p, said, { reference: patient }), criterion(placerNumber(p)), `urn:uuid:${randomUUID()}`),
    ]
  }),
})

/** Each entry for itself: the orders name their patients by record number. */
export const asBatch = (people: readonly Ordered[], said: OrderSaid): Bundle => ({
  resourceType: 'Bundle',
  type: 'batch',
  entry: people.flatMap((p) => [
    put(patientOf(p), criterion(recordNumber(p))),
    put(orderOf(p, said, byRecordNumber(p)), criterion(placerNumber(p))),
  ]),
})
