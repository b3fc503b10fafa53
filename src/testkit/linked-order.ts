/**
 * What a reading service may expect of a linked order, as complaints: sentences about what is missing. Stricter than
 * FHIR; the transaction may be perfectly valid and still draw complaints.
 */
import type { Bundle, BundleEntry, FhirResource, Task } from 'fhir/r4.js'
import {
  current,
  element,
  hasIdentifier,
  keyOf,
  listOf,
  mapReferences,
  ofType,
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

function aboutEntry(entry: BundleEntry<FhirResource>, at: number): string[] {
  const { resource, request } = entry
  if (!resource || !request) return []
  const says = (text: string) => `entry ${at} (${resource.resourceType}): ${text}`
  const complaints: string[] = []
  if (keyed.includes(resource.resourceType) && !listOf(element(resource, 'identifier')).length)
    complaints.push(says('it carries no identifier'))
  if (resource.resourceType === 'Patient' && !(request.method === 'POST' && request.ifNoneExist))
    complaints.push(says('a patient is offered by If-None-Exist, never overwritten'))
  if (resource.resourceType !== 'Patient' && request.method !== 'PUT')
    complaints.push(says('it would be created again each time it is sent'))
  mapReferences(resource, (reference, path) => {
    if (/^https?:/.test(reference)) complaints.push(says(`${path} points to another server`))
    return reference
  })
  return complaints
}

export function aboutTask(task: Task, shelf: Shelf): string[] {
  if (!(task.status in steps)) return [`the Task has a status that it never has between two parties: ${task.status}`]
  const held = ofType(shelf, 'Task').filter((known): known is Task =>
    (task.identifier ?? []).some(
      ({ system, value }) => value && hasIdentifier(known, { ...(system ? { system } : {}), value }),
    ),
  )
  return held
    .filter((known) => !mayBecome(known.status, task.status))
    .map((known) => `the Task went from ${known.status} to ${task.status}`)
}

/** What a whole linked order must say, and whether it does. */
function aboutLink(resources: readonly FhirResource[], pointsAt: PointsAt): string[] {
  const links = one(resources, 'DeviceUseStatement')
  const tasks = one(resources, 'Task').filter((task) => asks(task, 'fulfill'))
  const missing = always.filter((type) => !one(resources, type).length)
  const rules: readonly (readonly [string, boolean])[] = [
    ['no Task asks to fulfil the order', tasks.length > 0],
    ['a Task does not have the order as its focus', tasks.every((task) => pointsAt(task, 'focus', 'ServiceRequest'))],
    ['a Task is not based on the order', tasks.every((task) => pointsAt(task, 'basedOn', 'ServiceRequest'))],
    ['a Task is not for the patient', tasks.every((task) => pointsAt(task, 'for', 'Patient'))],
    ['a Task has no owner', tasks.every(({ owner }) => owner !== undefined)],
    ['the link has another subject than a patient', links.every((link) => pointsAt(link, 'subject', 'Patient'))],
    ['the link names no device', links.every((link) => pointsAt(link, 'device', 'Device'))],
    ['the link is not based on the order', links.every((link) => pointsAt(link, 'basedOn', 'ServiceRequest'))],
    [
      'the link does not say when the recorder was switched on, to the second and with an offset',
      links.every(({ timingPeriod: p }) => /T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$/.test(p?.start ?? '')),
    ],
    [
      'the order is for another subject than a patient',
      one(resources, 'ServiceRequest').every((order) => pointsAt(order, 'subject', 'Patient')),
    ],
    ['a device has no serial number', one(resources, 'Device').every(({ serialNumber }) => Boolean(serialNumber))],
  ]
  return [
    ...missing.map((type) => `a linked order without ${type}`),
    ...rules.filter(([, holds]) => !holds).map(([says]) => says),
  ]
}

export function aboutStub(resource: FhirResource): string[] {
  if (resource.resourceType !== 'Observation' && resource.resourceType !== 'DiagnosticReport') return []
  if (resource.status !== 'registered') return []
  const full = Object.keys(resource).some((name) => name.startsWith('value') || name.startsWith('conclusion'))
  return full ? [`a registered ${resource.resourceType} that already says something`] : []
}

/** Everything to complain about in a transaction that arrives when `shelf` is what is already there. */
export function complaintsAbout(bundle: Bundle<FhirResource>, shelf: Shelf): string[] {
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
