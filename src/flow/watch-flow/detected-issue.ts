/** A gap as a DetectedIssue: what is missing, for whom, since when, and what to do next. */
import type { DetectedIssue } from 'fhir/r4.js'
import { ownIdentifier, to } from '../../model/resources/common.ts'
import type { GapState } from '../../model/states.ts'
import { extensions, systems } from '../../model/systems.ts'
import { detailOf, ruleOf } from './gaps.ts'

const implicatedBy = (gap: GapState) => [
  ...(gap.orderId === undefined ? [] : [to('ServiceRequest', gap.orderId)]),
  ...(gap.deviceId === undefined ? [] : [to('Device', gap.deviceId)]),
  ...(gap.linkId === undefined ? [] : [to('DeviceUseStatement', gap.linkId)]),
]

export const detectedIssue = (gap: GapState): DetectedIssue => ({
  resourceType: 'DetectedIssue',
  id: gap.id,
  ...(gap.cause !== undefined && { extension: [{ url: extensions.likeliestCause, valueCode: gap.cause }] }),
  identifier: [ownIdentifier('DetectedIssue', gap.id)],
  status: gap.status,
  code: { coding: [{ system: systems.gap, code: gap.code }] },
  severity: ruleOf(gap.code).severity,
  ...(gap.patientId !== undefined && { patient: to('Patient', gap.patientId) }),
  identifiedDateTime: gap.since,
  implicated: implicatedBy(gap),
  detail: detailOf(gap),
  ...(gap.mended !== undefined && {
    mitigation: [
      { action: { coding: [{ system: systems.mitigation, code: gap.mended.action }] }, date: gap.mended.at },
    ],
  }),
})
