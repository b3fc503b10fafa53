/** Provenance and AuditEvent of what was done to a link, or recorded of an order: who, when, for whom. */
import type { AuditEvent, FhirResource, Provenance, Reference } from 'fhir/r4.js'
import { to } from '../../model/resources/common.ts'
import type { GapState, LinkState, NotApplied, OrderState } from '../../model/states.ts'
import { extensions, standard, systems } from '../../model/systems.ts'
import type { ActingCaller, Context } from '../step.ts'

/** Who acted, as a logical reference: the caller, not a person whom the caller may name. */
export const callerReference = (caller: ActingCaller) => ({
  type: 'Organization',
  identifier: { system: systems.callers, value: caller.id },
})

const daybind = {
  type: 'Device',
  identifier: { system: 'urn:ietf:rfc:3986', value: 'https://daybind.example' },
  display: 'Daybind',
}

type Activity = 'CREATE' | 'UPDATE'

const activityOf = (code: Activity) => ({ coding: [{ system: standard.dataOperation, code }] })

const agent = (code: 'enterer' | 'performer', who: Reference) => ({
  type: { coding: [{ system: standard.provenanceParticipant, code }] },
  who,
})

const provenance = (link: LinkState, activity: Activity, ctx: Context): Provenance => ({
  resourceType: 'Provenance',
  id: ctx.newId(),
  target: [to('DeviceUseStatement', link.id), to('Procedure', link.procedureId), to('Device', link.deviceId)],
  recorded: ctx.now,
  activity: activityOf(activity),
  agent: [
    agent('enterer', callerReference(ctx.caller)),
    ...(link.performer ? [agent('performer', link.performer)] : []),
  ],
})

/** What R4 has no element for: the day of the visit that was missed, the new one, and what else was said. */
const notAppliedExtension = ({ day, newDate, note }: NotApplied) => {
  const parts = [
    ...(day === undefined ? [] : [{ url: 'day', valueDate: day }]),
    ...(newDate === undefined ? [] : [{ url: 'newDate', valueDate: newDate }]),
    ...(note === undefined ? [] : [{ url: 'note', valueString: note }]),
  ]
  return parts.length === 0 ? {} : { extension: [{ url: extensions.notApplied, extension: parts }] }
}

const patientEntity = (patientId: string) => ({
  what: to('Patient', patientId),
  type: { system: 'http://terminology.hl7.org/CodeSystem/audit-entity-type', code: '1' },
  role: { system: 'http://terminology.hl7.org/CodeSystem/object-role', code: '1' },
})

/** Shape: IHE BALP, PatientCreate and PatientUpdate (https://profiles.ihe.net/ITI/BALP), in its plain elements. */
const auditEvent = (patientId: string | undefined, about: Reference, activity: Activity, ctx: Context): AuditEvent => ({
  resourceType: 'AuditEvent',
  id: ctx.newId(),
  type: { system: standard.auditEventType, code: 'rest' },
  subtype: [{ system: standard.restfulInteraction, code: activity.toLowerCase() }],
  action: activity === 'CREATE' ? 'C' : 'U',
  recorded: ctx.now,
  outcome: '0',
  agent: [
    { who: callerReference(ctx.caller), requestor: true },
    { who: daybind, requestor: false },
  ],
  source: { observer: daybind },
  entity: [
    ...(patientId === undefined ? [] : [patientEntity(patientId)]),
    {
      what: about,
      type: { system: 'http://terminology.hl7.org/CodeSystem/audit-entity-type', code: '2' },
      role: { system: 'http://terminology.hl7.org/CodeSystem/object-role', code: '4' },
    },
    {
      what: { identifier: { value: ctx.requestId } },
      type: { system: 'https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType', code: 'XrequestId' },
    },
  ],
})

/** Why and by whom: the source replaced the patient's record by another of the same person. */
const mergeProvenance = (target: readonly Reference[], ctx: Context): Provenance => ({
  resourceType: 'Provenance',
  id: ctx.newId(),
  target: [...target],
  recorded: ctx.now,
  reason: [{ coding: [{ system: systems.identityDoubt, code: 'merged' }] }],
  activity: { ...activityOf('UPDATE'), text: 'Moved to the record that takes the place of the patient’s' },
  agent: [agent('enterer', callerReference(ctx.caller))],
})

export const recordsOfMovedOrder = (order: OrderState, ctx: Context): readonly FhirResource[] => [
  mergeProvenance([to('ServiceRequest', order.id)], ctx),
  auditEvent(order.patientId, to('ServiceRequest', order.id), 'UPDATE', ctx),
]

export const recordsOfMovedLink = (link: LinkState, ctx: Context): readonly FhirResource[] => [
  mergeProvenance(
    [to('DeviceUseStatement', link.id), to('Procedure', link.procedureId), to('Device', link.deviceId)],
    ctx,
  ),
  auditEvent(link.patientId, to('DeviceUseStatement', link.id), 'UPDATE', ctx),
]

/** Who has seen a gap, or closed it; what was said is in the gap. */
export const recordsOfGap = (gap: GapState, ctx: Context): readonly FhirResource[] => [
  {
    resourceType: 'Provenance',
    id: ctx.newId(),
    target: [to('DetectedIssue', gap.id)],
    recorded: ctx.now,
    activity: activityOf('UPDATE'),
    agent: [agent('enterer', callerReference(ctx.caller))],
  },
  auditEvent(gap.patientId, to('DetectedIssue', gap.id), 'UPDATE', ctx),
]

export const recordsOfLink = (link: LinkState, activity: Activity, ctx: Context): readonly FhirResource[] => [
  provenance(link, activity, ctx),
  auditEvent(link.patientId, to('DeviceUseStatement', link.id), activity, ctx),
]

/** On the order, which itself stays as its source wrote it. */
export const recordsOfNotApplied = (
  order: OrderState,
  notApplied: NotApplied,
  ctx: Context,
): readonly FhirResource[] => [
  {
    resourceType: 'Provenance',
    id: ctx.newId(),
    ...notAppliedExtension(notApplied),
    target: [to('ServiceRequest', order.id)],
    recorded: ctx.now,
    reason: [{ coding: [{ system: systems.notApplied, code: notApplied.reason }] }],
    activity: { ...activityOf('UPDATE'), text: 'No recorder was fitted at the visit' },
    agent: [agent('enterer', callerReference(ctx.caller))],
  },
  auditEvent(order.patientId, to('ServiceRequest', order.id), 'UPDATE', ctx),
]
