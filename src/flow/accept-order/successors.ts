/**
 * A source may say that one of its patients was replaced by another (Patient.link of type replaced-by: the record "must
 * no longer be used", http://hl7.org/fhir/R4/valueset-link-type.html). Whoever refers to the one means the other.
 */
import type { FhirResource, Patient } from 'fhir/r4.js'

const successorLinks = (patient: Patient | undefined) => (patient?.link ?? []).filter((l) => l.type === 'replaced-by')

/** Whether it was replaced; a record that calls itself active all the same says two things, and is not followed. */
export const isReplaced = (patient: Patient | undefined): boolean =>
  patient?.active !== true && successorLinks(patient).length > 0

/** Where its links of type replaced-by lead: `Patient/<our id>`; none where the successor is not known here. */
export const successorReferences = (patient: Patient | undefined): readonly string[] => [
  ...new Set(successorLinks(patient).flatMap((l) => l.other.reference ?? [])),
]

const idIn = (reference: string | undefined): string | undefined => /^Patient\/([^/]+)$/.exec(reference ?? '')?.[1]

/** The id of the record that takes its place, if it was replaced by one that is known here. */
export const successorOf = (patient: Patient | undefined): string | undefined =>
  isReplaced(patient) ? idIn(successorReferences(patient)[0]) : undefined

export type PatientOf = (id: string) => Patient | undefined

/** The records that a patient leads to, itself first; they end where one was not replaced, or where it turns back. */
export const chainFrom = (id: string, patientOf: PatientOf): readonly string[] => {
  const chain: string[] = []
  for (let at: string | undefined = id; at !== undefined && !chain.includes(at); at = successorOf(patientOf(at)))
    chain.push(at)
  return chain
}

/** The record that stands for the patient now. */
export const survivorOf = (id: string, patientOf: PatientOf): string => chainFrom(id, patientOf).at(-1) ?? id

export const runsInCircle = (id: string, patientOf: PatientOf): boolean => {
  const chain = chainFrom(id, patientOf)
  return successorOf(patientOf(chain.at(-1) ?? id)) !== undefined
}

/** A subject that was replaced is its survivor; what else was said of it named the record that must not be used. */
export const withSurvivor = (resource: FhirResource, patientOf: PatientOf): FhirResource => {
  if (resource.resourceType !== 'ServiceRequest') return resource
  const id = idIn(resource.subject.reference)
  const survivor = id === undefined ? undefined : survivorOf(id, patientOf)
  return survivor === undefined || survivor === id
    ? resource
    : { ...resource, subject: { reference: `Patient/${survivor}` } }
}
