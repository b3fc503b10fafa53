/**
 * What a reading service may expect of a linked order, rule by rule. Stricter than FHIR; the transaction may be perfectly
 * valid and still break some.
 */
import type { Bundle, BundleEntry, FhirResource, Task } from 'fhir/r4.js'
import { type Finding, looked } from './rules.ts'
import {
  current,
  element,
  hasIdentifier,
  keyOf,
  listOf,
  ofType,
  placesElsewhere,
  referencesIn,
  type Shelf,
} from './shelf.ts'

type Typed<T extends FhirResource['resourceType']> = Extract<FhirResource, { resourceType: T }>

/** A linked order names all of these; a Procedure (the act of fitting) besides, when it is known. */
const always = ['Patient', 'ServiceRequest', 'Device', 'DeviceUseStatement', 'Task'] as const

/** Found again by their identifier, so that sending twice changes nothing. */
const keyed = [...always, 'Procedure', 'Observation', 'DiagnosticReport']

/** Steps of a Task. Source: http://hl7.org/fhir/R4/task.html#statemachine */
const steps: Readonly<Record<string, readonly string[]>> = {
  requested: ['received', 'accepted', 'rejected', 'cancelled'],
  received: ['accepted', 'rejected', 'cancelled'],
  accepted: ['in-progress', 'cancelled'],
  'in-progress': ['on-hold', 'completed', 'failed'],
  'on-hold': ['in-progress'],
  rejected: [],
  cancelled: [],
  completed: [],
  failed: [],
  'entered-in-error': [],
}

/** Whether it is the very next status, with nothing in between. */
export const isNextStep = (from: string, to: string): boolean => steps[from]?.includes(to) ?? false

/** Whether a Task may have come from one status to another; versions in between need not have been sent. */
export function mayBecome(from: string, to: string): boolean {
  if (from === to || to === 'entered-in-error') return true
  const reach = new Set([from])
  for (const status of reach) for (const next of steps[status] ?? []) reach.add(next)
  return reach.has(to)
}

const asks = (task: Task, code: string): boolean =>
  task.code?.coding?.some((c) => c.system === 'http://hl7.org/fhir/CodeSystem/task-code' && c.code === code) ?? false

const one = <T extends FhirResource['resourceType']>(resources: readonly FhirResource[], type: T) =>
  resources.filter((resource): resource is Typed<T> => resource.resourceType === type)

/** Whether an element refers to a resource of this type, when the entry's full address or key is looked up. */
type PointsAt = (resource: FhirResource, name: string, type: string) => boolean

function aboutEntry(entry: BundleEntry<FhirResource>, at: number): Finding[] {
  const { resource, request } = entry
  if (!resource || !request) return []
  const says = (broken: boolean, text: string) =>
    broken ? `entry ${at} (${resource.resourceType}): ${text}` : undefined
  const unnamed = keyed.includes(resource.resourceType) && !listOf(element(resource, 'identifier')).length
  const isOffered = request.method === 'POST' && Boolean(request.ifNoneExist)
  return [
    ...looked('identified', says(unnamed, 'it carries no identifier')),
    ...(resource.resourceType === 'Patient'
      ? looked('patient-kept', says(!isOffered, 'a patient is offered by If-None-Exist, never overwritten'))
      : looked('sent-twice', says(request.method !== 'PUT', 'it would be created again each time it is sent'))),
    ...looked(
      'own-references',
      ...placesElsewhere(resource).map((path) => says(true, `${path} points to another server`)),
    ),
  ]
}

export function aboutTask(task: Task, shelf: Shelf): Finding[] {
  if (!(task.status in steps))
    return looked('task-path', `the Task has a status that it never has between two parties: ${task.status}`)
  const held = ofType(shelf, 'Task').filter((known): known is Task =>
    (task.identifier ?? []).some(
      ({ system, value }) => value && hasIdentifier(known, { ...(system ? { system } : {}), value }),
    ),
  )
  const back = held.filter((known) => !mayBecome(known.status, task.status))
  return looked('task-path', ...back.map((known) => `the Task went from ${known.status} to ${task.status}`))
}

/** What a whole linked order must say, and whether it does. */
function aboutLink(resources: readonly FhirResource[], pointsAt: PointsAt): Finding[] {
  const links = one(resources, 'DeviceUseStatement')
  const tasks = one(resources, 'Task').filter((task) => asks(task, 'fulfill'))
  const missing = always.filter((type) => !one(resources, type).length)
  const unless = (holds: boolean, says: string) => (holds ? undefined : says)
  const toOrder = (task: Task) => (name: string) => pointsAt(task, name, 'ServiceRequest')
  return [
    ...looked('link-whole', ...missing.map((type) => `a linked order without ${type}`)),
    ...looked(
      'link-task',
      unless(tasks.length > 0, 'no Task asks to fulfil the order'),
      unless(
        tasks.every((task) => toOrder(task)('focus')),
        'a Task does not have the order as its focus',
      ),
      unless(
        tasks.every((task) => toOrder(task)('basedOn')),
        'a Task is not based on the order',
      ),
      unless(
        tasks.every((task) => pointsAt(task, 'for', 'Patient')),
        'a Task is not for the patient',
      ),
      unless(
        tasks.every(({ owner }) => owner !== undefined),
        'a Task has no owner',
      ),
    ),
    ...looked(
      'link-refers',
      unless(
        links.every((link) => pointsAt(link, 'subject', 'Patient')),
        'the link has another subject than a patient',
      ),
      unless(
        links.every((link) => pointsAt(link, 'device', 'Device')),
        'the link names no device',
      ),
      unless(
        links.every((link) => pointsAt(link, 'basedOn', 'ServiceRequest')),
        'the link is not based on the order',
      ),
    ),
    ...looked(
      'link-moment',
      unless(
        links.every(({ timingPeriod: p }) => /T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$/.test(p?.start ?? '')),
        'the link does not say when the recorder was switched on, to the second and with an offset',
      ),
    ),
    ...looked(
      'order-patient',
      unless(
        one(resources, 'ServiceRequest').every((order) => pointsAt(order, 'subject', 'Patient')),
        'the order is for another subject than a patient',
      ),
    ),
    ...looked(
      'device-serial',
      unless(
        one(resources, 'Device').every(({ serialNumber }) => Boolean(serialNumber)),
        'a device has no serial number',
      ),
    ),
  ]
}

export function aboutStub(resource: FhirResource): Finding[] {
  if (resource.resourceType !== 'Observation' && resource.resourceType !== 'DiagnosticReport') return []
  if (resource.status !== 'registered') return []
  const full = Object.keys(resource).some((name) => name.startsWith('value') || name.startsWith('conclusion'))
  return looked('stub-empty', full ? `a registered ${resource.resourceType} that already says something` : undefined)
}

/** Everything that can be seen in a transaction that arrives when `shelf` is what is already there. */
export function seenIn(bundle: Bundle<FhirResource>, shelf: Shelf): Finding[] {
  const entries = bundle.entry ?? []
  const resources = entries.flatMap(({ resource }) => resource ?? [])
  const typeAt = new Map(
    entries.flatMap(({ fullUrl, resource }) =>
      resource
        ? ([
            [fullUrl, resource.resourceType],
            [keyOf(resource), resource.resourceType],
          ] as const)
        : [],
    ),
  )
  const pointsAt: PointsAt = (resource, name, type) => {
    const references = referencesIn(resource, name)
    return (
      references.length > 0 &&
      references.every((r) => (typeAt.get(r) ?? current(shelf, r)?.resourceType ?? r.split(/[/?]/)[0]) === type)
    )
  }
  const isLinkedOrder = resources.some(
    (resource) =>
      resource.resourceType === 'DeviceUseStatement' || (resource.resourceType === 'Task' && asks(resource, 'fulfill')),
  )
  return [
    ...entries.flatMap(aboutEntry),
    ...one(resources, 'Task').flatMap((task) => aboutTask(task, shelf)),
    ...resources.flatMap(aboutStub),
    ...(isLinkedOrder ? aboutLink(resources, pointsAt) : []),
  ]
}
