/**
 * What a reading service gets: the linked order as it stands, as one FHIR transaction. Each sending is complete, so
 * that a newer one may take the place of an older one that was never sent.
 */
import type { Bundle, BundleEntry, FhirResource, Patient, ServiceRequest, Task } from 'fhir/r4.js'
import { type OwnType, ownIdentifier } from '../../model/resources/common.ts'
import { deviceResource, linkResource, procedureResource, taskResource } from '../../model/resources/link-resources.ts'
import { portableResources } from '../../model/resources/report-resources.ts'
import type { DeviceState, LinkState, OrderState, StubState, TaskState } from '../../model/states.ts'
import { identifierSystems, systems } from '../../model/systems.ts'
import { mapTree, type Tree } from '../../model/tree.ts'

export interface LinkedOrder {
  readonly order: OrderState
  readonly orderResource: ServiceRequest
  readonly patientResource: Patient
  readonly links: readonly LinkState[]
  readonly devices: readonly DeviceState[]
  /** But for what this reading service itself reported: its own words are not sent back to it. */
  readonly stubs: readonly StubState[]
  /** Of this reading service alone. */
  readonly tasks: readonly TaskState[]
}

const fullUrl = (id: string): string => `urn:uuid:${id}`

/** A reference to what goes along becomes its fullUrl; any other keeps its identifier and display and loses its address. */
const portable = (node: Tree, along: ReadonlyMap<string, string>): Tree => {
  if (typeof node.reference !== 'string' || node.reference.startsWith('#')) return node
  const url = along.get(node.reference)
  if (url !== undefined) return { ...node, reference: url }
  const { reference: _address, ...rest } = node
  return Object.keys(rest).length > 0 ? rest : { display: 'known to the sender' }
}

const withoutOurs = <T extends FhirResource>(resource: T): T => {
  const { id: _id, meta, ...rest } = resource
  const { versionId: _v, lastUpdated: _l, ...kept } = meta ?? {}
  return { ...rest, ...(Object.keys(kept).length > 0 && { meta: kept }) } as T
}

const conditionalPut = (resource: FhirResource, type: OwnType, id: string): BundleEntry => ({
  fullUrl: fullUrl(id),
  resource,
  request: { method: 'PUT', url: `${type}?identifier=${encodeURIComponent(`${identifierSystems[type]}|${id}`)}` },
})

/** The patient's first identifier that is in use: by it the receiver knows the patient, or learns of one. */
const patientEntry = (patient: Patient, id: string): BundleEntry => {
  const named = (patient.identifier ?? []).filter(
    (i) => i.system !== undefined && i.value !== undefined && i.use !== 'old',
  )
  const best = named.find((i) => i.use === 'official' || i.use === 'usual') ?? named[0]
  return {
    fullUrl: fullUrl(id),
    resource: patient,
    request: {
      method: 'POST',
      url: 'Patient',
      ...(best && { ifNoneExist: `identifier=${encodeURIComponent(`${best.system}|${best.value}`)}` }),
    },
  }
}

/** The Task names the delivery, so that a sender who does not know what became of it can look. */
const signed = (task: Task, deliveryId: string | undefined): Task =>
  deliveryId === undefined
    ? task
    : { ...task, identifier: [...(task.identifier ?? []), { system: systems.deliveries, value: deliveryId }] }

const orderEntry = (o: LinkedOrder): FhirResource => ({
  ...o.orderResource,
  identifier: [...(o.orderResource.identifier ?? []), ownIdentifier('ServiceRequest', o.order.id)],
})

/**
 * @param deliveryId written into every Task, where one is given
 * @returns a transaction: Patient if none exists, everything of ours by conditional PUT on our identifiers
 */
export const linkedOrderBundle = (o: LinkedOrder, deliveryId?: string): Bundle => {
  const parts: { type: OwnType; id: string; resource: FhirResource }[] = [
    { type: 'ServiceRequest', id: o.order.id, resource: orderEntry(o) },
    ...o.devices.map((d) => ({
      type: 'Device' as const,
      id: d.id,
      resource: deviceResource(withoutPatientOfOthers(d, o)),
    })),
    ...o.links.flatMap((l) => [
      { type: 'DeviceUseStatement' as const, id: l.id, resource: linkResource(l) },
      { type: 'Procedure' as const, id: l.procedureId, resource: procedureResource(l) },
    ]),
    ...o.stubs.flatMap(portableResources),
    ...o.tasks.map((t) => ({ type: 'Task' as const, id: t.id, resource: signed(taskResource(t), deliveryId) })),
  ]
  const along = new Map([
    [`Patient/${o.order.patientId}`, fullUrl(o.order.patientId)],
    ...parts.map((p) => [`${p.type}/${p.id}`, fullUrl(p.id)] as const),
  ])
  const move = <T extends FhirResource>(resource: T): T =>
    mapTree(withoutOurs(resource), (node) => portable(node, along))
  return {
    resourceType: 'Bundle',
    type: 'transaction',
    entry: [
      patientEntry(move(o.patientResource), o.order.patientId),
      ...parts.map((p) => conditionalPut(move(p.resource), p.type, p.id)),
    ],
  }
}

/** A device that meanwhile is on somebody else's patient is sent without that patient. */
const withoutPatientOfOthers = (device: DeviceState, o: LinkedOrder): DeviceState => {
  if (device.patientId === undefined || device.patientId === o.order.patientId) return device
  const { patientId: _other, ...rest } = device
  return rest
}
