/** Provenance and AuditEvent of what was done to a link: who, when, for whom; identifiers only. */
import type { AuditEvent, FhirResource, Provenance } from 'fhir/r4.js'
import type { LinkState } from '../../model/states.ts'
import { standard, systems } from '../../model/systems.ts'
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

const provenance = (link: LinkState, activity: 'CREATE' | 'UPDATE', ctx: Context): Provenance => ({
  resourceType: 'Provenance',
  id: ctx.newId(),
  target: [
    { reference: `DeviceUseStatement/${link.id}` },
    { reference: `Procedure/${link.procedureId}` },
    { reference: `Device/${link.deviceId}` },
  ],
  recorded: ctx.now,
  activity: { coding: [{ system: standard.dataOperation, code: activity }] },
  agent: [
    {
      type: { coding: [{ system: standard.provenanceParticipant, code: 'enterer' }] },
      who: callerReference(ctx.caller),
    },
    ...(link.performer
      ? [{ type: { coding: [{ system: standard.provenanceParticipant, code: 'performer' }] }, who: link.performer }]
      : []),
  ],
})

/** Shape: IHE BALP, PatientCreate and PatientUpdate (https://profiles.ihe.net/ITI/BALP), in its plain elements. */
const auditEvent = (link: LinkState, activity: 'CREATE' | 'UPDATE', ctx: Context): AuditEvent => ({
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
    {
      what: { reference: `Patient/${link.patientId}` },
      type: { system: 'http://terminology.hl7.org/CodeSystem/audit-entity-type', code: '1' },
      role: { system: 'http://terminology.hl7.org/CodeSystem/object-role', code: '1' },
    },
    {
      what: { reference: `DeviceUseStatement/${link.id}` },
      type: { system: 'http://terminology.hl7.org/CodeSystem/audit-entity-type', code: '2' },
      role: { system: 'http://terminology.hl7.org/CodeSystem/object-role', code: '4' },
    },
    {
      what: { identifier: { value: ctx.requestId } },
      type: { system: 'https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType', code: 'XrequestId' },
    },
  ],
})

export const recordsOfLink = (
  link: LinkState,
  activity: 'CREATE' | 'UPDATE',
  ctx: Context,
): readonly FhirResource[] => [provenance(link, activity, ctx), auditEvent(link, activity, ctx)]
