/** From the state of a link, its device and its work to FHIR R4; pure, and the only place that does it. */
import type { Device, DeviceUseStatement, Procedure, Task } from 'fhir/r4.js'
import { dataOfScan, issuerUri } from '../scan/read-scan.ts'
import type { DeviceState, LinkState, TaskState } from '../states.ts'
import { codes, extensions, standard } from '../systems.ts'
import { daybind, ownIdentifier, readingService, shown, to } from './common.ts'

/** `Device.patient` is the present state only; the period is in the DeviceUseStatement. */
export const deviceResource = (d: DeviceState): Device => ({
  resourceType: 'Device',
  id: d.id,
  identifier: [ownIdentifier('Device', d.id)],
  udiCarrier: [
    {
      deviceIdentifier: d.deviceIdentifier,
      issuer: issuerUri({ issuer: d.issuer, form: 'isbt-128' }),
      ...(d.carrier !== undefined && { carrierAIDC: dataOfScan(d.carrier) }),
      ...(d.humanReadable !== undefined && { carrierHRF: d.humanReadable }),
      entryType: d.entryType,
    },
  ],
  status: 'active',
  ...(d.manufactureDate !== undefined && { manufactureDate: d.manufactureDate }),
  ...(d.expirationDate !== undefined && { expirationDate: d.expirationDate }),
  ...(d.lotNumber !== undefined && { lotNumber: d.lotNumber }),
  serialNumber: d.serialNumber,
  type: { text: 'Ambulatory ECG recorder' },
  ...(d.patientId !== undefined && { patient: to('Patient', d.patientId) }),
})

const linkExtensions = (l: LinkState) => [
  ...(l.endReason !== undefined ? [{ url: extensions.linkEndReason, valueCode: l.endReason }] : []),
  ...(l.replaces !== undefined
    ? [{ url: extensions.replacedLink, valueReference: to('DeviceUseStatement', l.replaces) }]
    : []),
]

const notes = (l: LinkState) =>
  [l.endNote, l.correction].flatMap((text) => (text === undefined || text === '' ? [] : [{ text }]))

export const linkResource = (l: LinkState): DeviceUseStatement => ({
  resourceType: 'DeviceUseStatement',
  id: l.id,
  ...(linkExtensions(l).length > 0 && { extension: linkExtensions(l) }),
  identifier: [ownIdentifier('DeviceUseStatement', l.id)],
  basedOn: [to('ServiceRequest', l.orderId)],
  status: l.status,
  subject: to('Patient', l.patientId),
  derivedFrom: [to('Procedure', l.procedureId)],
  timingPeriod: {
    ...(l.endAssumed && { extension: [{ url: extensions.assumedEnd, valueBoolean: true }] }),
    start: l.appliedAtWritten,
    ...(l.endedAt !== undefined && { end: l.endedAtWritten ?? shown(l.endedAt) }),
  },
  recordedOn: shown(l.recordedAt),
  device: to('Device', l.deviceId),
  ...(l.bodySite !== undefined && { bodySite: l.bodySite as NonNullable<DeviceUseStatement['bodySite']> }),
  ...(notes(l).length > 0 && { note: notes(l) }),
})

/** The act of applying. */
export const procedureResource = (l: LinkState): Procedure => ({
  resourceType: 'Procedure',
  id: l.procedureId,
  identifier: [ownIdentifier('Procedure', l.procedureId)],
  basedOn: [to('ServiceRequest', l.orderId)],
  status: l.status === 'entered-in-error' ? 'entered-in-error' : 'completed',
  code: { coding: [codes.ecgMonitoring], text: 'Application of an ambulatory ECG recorder' },
  subject: to('Patient', l.patientId),
  performedDateTime: l.appliedAtWritten,
  ...(l.performer !== undefined && { performer: [{ actor: l.performer }] }),
  ...(l.bodySite !== undefined && { bodySite: [l.bodySite as NonNullable<DeviceUseStatement['bodySite']>] }),
  focalDevice: [{ manipulated: to('Device', l.deviceId) }],
})

export const taskResource = (t: TaskState): Task => ({
  resourceType: 'Task',
  id: t.id,
  identifier: [ownIdentifier('Task', t.id)],
  basedOn: [to('ServiceRequest', t.orderId)],
  status: t.status as Task['status'],
  ...(t.statusReason !== undefined && { statusReason: t.statusReason as NonNullable<Task['statusReason']> }),
  ...(t.businessStatus !== undefined && { businessStatus: t.businessStatus as NonNullable<Task['businessStatus']> }),
  intent: 'order',
  code: { coding: [{ system: standard.taskCode, code: t.asks }] },
  focus: t.about === undefined ? to('ServiceRequest', t.orderId) : to('Task', t.about),
  for: to('Patient', t.patientId),
  authoredOn: shown(t.authoredAt),
  lastModified: shown(t.modifiedAt),
  requester: daybind,
  owner: readingService(t.readingService),
  ...(t.note !== undefined && { note: t.note as NonNullable<Task['note']> }),
  input: [{ type: { text: 'link' }, valueReference: to('DeviceUseStatement', t.linkId) }],
  ...(t.output !== undefined && { output: t.output as NonNullable<Task['output']> }),
})
