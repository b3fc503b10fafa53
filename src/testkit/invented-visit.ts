/** What a source says of an order's visit: a booked or cancelled date, or that a recorder was applied. */
import type { FhirResource, ServiceRequest } from 'fhir/r4.js'

export const visitWords = ['booked', 'cancelled', 'done'] as const
export type VisitWord = (typeof visitWords)[number]

export interface VisitSaid {
  readonly word: VisitWord
  /** Instant of the visit. */
  readonly at: Date
  /** As on the label of the recorder that was applied. */
  readonly recorder?: string
}

const names = { dates: 'https://harbour.example/dates', acts: 'https://harbour.example/acts' }

/** `2027-03-01T09:00:00Z` */
const second = (at: Date): string => `${at.toISOString().slice(0, 19)}Z`

/** The same resource each time that something is said of a visit, by its id. */
export function inventedVisit({ id = '', subject, identifier }: ServiceRequest, said: VisitSaid): FhirResource {
  const value = identifier?.[0]?.value ?? id
  const basedOn = [{ reference: `ServiceRequest/${id}` }]
  if (said.word !== 'done')
    return {
      resourceType: 'Appointment',
      id: `date-${id}`,
      identifier: [{ system: names.dates, value }],
      basedOn,
      status: said.word,
      start: second(said.at),
      end: second(new Date(said.at.getTime() + 30 * 60_000)),
      participant: [{ actor: subject, status: 'accepted' }],
    }
  const contained = said.recorder && {
    contained: [{ resourceType: 'Device' as const, id: 'recorder', udiCarrier: [{ carrierHRF: said.recorder }] }],
    focalDevice: [{ manipulated: { reference: '#recorder' } }],
  }
  return {
    resourceType: 'Procedure',
    id: `act-${id}`,
    identifier: [{ system: names.acts, value }],
    basedOn,
    status: 'completed',
    subject,
    performedDateTime: second(said.at),
    ...contained,
  }
}
