/** The patients as they stand when the entries are written: who was replaced by whom, and whether that can be. */
import type { FhirResource, Patient } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { contentOf, isOlder, placesOf } from './incoming.ts'
import type { Known, Placed } from './place.ts'
import type { Resolved } from './resolve-references.ts'
import { chainFrom, isReplaced, type PatientOf, runsInCircle, successorReferences, survivorOf } from './successors.ts'

/** A name that a replaced record shares with the one that took its place means the latter. */
export const meant = (
  byIdentity: ReadonlyMap<string, readonly string[]>,
  known: Known,
): ReadonlyMap<string, readonly string[]> => {
  const patientOf: PatientOf = (id) => known.patients.get(`Patient/${id}`)
  const apart = (ids: readonly string[]) =>
    ids.filter((id) => !ids.some((other) => other !== id && survivorOf(id, patientOf) === other))
  return new Map([...byIdentity].map(([key, ids]) => [key, ids.length > 1 ? apart(ids) : ids]))
}

/** Whether the entry's words become the stored ones, or are those already. */
const applies = (p: Placed, resolved: FhirResource): boolean => {
  const before = p.before?.state.content
  if (p.ignored || before === undefined) return !p.ignored
  const content = contentOf(resolved, p.incoming.resource)
  return content.digest === before.digest || !isOlder(content, before)
}

/** Why a patient cannot be replaced by the one that the source names: Daybind joins no two people by guess. */
const mergeProblems = (
  p: Placed,
  patient: Patient,
  patientOf: PatientOf,
  ownerOf: (id: string) => string | undefined,
  source: Source,
): readonly Problem[] => {
  if (!isReplaced(patient)) return []
  const at = placesOf(p.incoming, 'link')
  const named = successorReferences(patient)
  const no = (note: string, found: string) => [refusal('merge-not-possible', at, { note, found })]
  if (named.length > 1) return no('It names more than one successor.', named.join(', '))
  const [only] = named
  if (only !== undefined && !only.startsWith('Patient/'))
    return [refusal('wrong-reference', at, { found: only, expected: 'a Patient' })]
  const chain = chainFrom(p.id, patientOf)
  if (runsInCircle(p.id, patientOf))
    return no('The records replace each other in a circle.', chain.map((id) => `Patient/${id}`).join(' → '))
  const owner = p.before?.state.source ?? source.id
  const foreign = chain.find((id) => (ownerOf(id) ?? owner) !== owner)
  return foreign === undefined
    ? []
    : no('It came from another source; patients of two sources are joined by people alone.', `Patient/${foreign}`)
}

export interface PatientsAfter {
  readonly patientOf: PatientOf
  /** Those that the entries write, by id. */
  readonly now: ReadonlyMap<string, Patient>
  readonly problems: readonly Problem[]
}

/** @param resolved the entries with their references resolved, in the order of `placed` */
export const patientsAfter = (
  placed: readonly Placed[],
  resolved: readonly Resolved[],
  source: Source,
  known: Known,
): PatientsAfter => {
  const entries = placed.flatMap((p, i) => {
    const resource = resolved[i]?.resource
    return resource?.resourceType === 'Patient' && applies(p, resource) ? [{ p, resource }] : []
  })
  const now = new Map(entries.map(({ p, resource }) => [p.id, resource]))
  const patientOf: PatientOf = (id) => now.get(id) ?? known.patients.get(`Patient/${id}`)
  const ownerOf = (id: string) => known.owners.get(`Patient/${id}`) ?? (now.has(id) ? source.id : undefined)
  return {
    patientOf,
    now,
    problems: entries.flatMap(({ p, resource }) => mergeProblems(p, resource, patientOf, ownerOf, source)),
  }
}
