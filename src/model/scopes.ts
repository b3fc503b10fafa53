/**
 * What Daybind asks for at least, where the configuration names no scope: SMART App Launch 2.2.0, "Scopes for
 * requesting FHIR Resources", letters c r u d s in that order.
 */
import type { Source } from './configuration.ts'

const scopes = (letters: string, ...types: readonly string[]): string[] =>
  types.map((type) => `system/${type}.${letters}`)

/** What is written there: looked for, read, made and changed, never deleted. */
const written = ['Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport', 'Media']

/** What an order refers to, read by id. */
const referredTo = [
  ...['Procedure', 'Encounter', 'Appointment', 'Practitioner', 'PractitionerRole'],
  ...['Organization', 'Location', 'Condition'],
]

const joined = (list: readonly string[]): string => list.toSorted().join(' ')

/** At an EHR: orders and patients are read, Subscriptions kept, links written back. */
export const sourceScope = ({
  poll,
  subscribe,
  writeBack,
}: Pick<Source, 'poll' | 'subscribe' | 'writeBack'>): string => {
  const changed = writeBack === false ? [] : written
  const read = poll === undefined ? [] : referredTo.filter((type) => !changed.includes(type))
  return joined([
    ...scopes('rs', 'ServiceRequest', 'Patient'),
    ...scopes('r', ...read),
    ...(poll === undefined || subscribe === false ? [] : scopes('crus', 'Subscription')),
    ...scopes('crus', ...changed),
  ])
}

/** At a reading service: everything that a linked order is made of, and their answers. */
export const readingServiceScope = joined(scopes('crus', 'Patient', 'ServiceRequest', ...written))
