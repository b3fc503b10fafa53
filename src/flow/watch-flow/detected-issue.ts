/** A gap as a DetectedIssue: what is missing, for whom, since when, and what to do next. */
import type { DetectedIssue } from 'fhir/r4.js'
import { ownIdentifier, shown, to } from '../../model/resources/common.ts'
import type { Acknowledged, Evidence, GapState, Kind, Mended } from '../../model/states.ts'
import { extensions, systems } from '../../model/systems.ts'
import { detailOf, ruleOf } from './gaps.ts'

const implicatedBy = (gap: GapState) => [
  ...(gap.orderId === undefined ? [] : [to('ServiceRequest', gap.orderId)]),
  ...(gap.deviceId === undefined ? [] : [to('Device', gap.deviceId)]),
  ...(gap.linkId === undefined ? [] : [to('DeviceUseStatement', gap.linkId)]),
  ...(gap.otherLinkId === undefined ? [] : [to('DeviceUseStatement', gap.otherLinkId)]),
  ...(gap.reopens === undefined ? [] : [to('DetectedIssue', gap.reopens)]),
]

/** R4 lets a practitioner alone be the author, and a caller may be one or not: named by identifier, without a type. */
const author = (id: string) => ({ identifier: { system: systems.callers, value: id } })

/** That somebody has seen it lessens no risk, so it is no mitigation. */
const acknowledgedExtension = ({ at, by, note }: Acknowledged) => ({
  url: extensions.acknowledged,
  extension: [
    { url: 'at', valueInstant: shown(at) },
    { url: 'by', valueReference: author(by) },
    ...(note === undefined ? [] : [{ url: 'note', valueString: note }]),
  ],
})

const extensionsOf = (gap: GapState) => [
  ...(gap.cause === undefined ? [] : [{ url: extensions.likeliestCause, valueCode: gap.cause }]),
  ...(gap.acknowledged ?? []).map(acknowledgedExtension),
]

/** What can be read of the states that gaps rest on; the others are told by their number in the journal. */
const readable: Partial<Record<Kind, string>> = {
  order: 'ServiceRequest',
  link: 'DeviceUseStatement',
  task: 'Task',
  stub: 'DiagnosticReport',
  held: 'DiagnosticReport',
}

const evidence = ({ kind, id, type: said, fact, elsewhere }: Evidence) => {
  const type = elsewhere ? undefined : (said ?? readable[kind])
  return {
    ...(type !== undefined && to(type, id)),
    ...(fact !== undefined && { identifier: { system: systems.journal, value: String(fact) } }),
    display: kind === 'held' ? 'held report' : (said ?? kind),
  }
}

const mitigation = ({ at, action, by, note }: Mended) => ({
  action: {
    coding: [{ system: systems.mitigation, code: action }],
    ...(note !== undefined && { text: note }),
  },
  date: at,
  ...(by !== undefined && { author: author(by) }),
})

export const detectedIssue = (gap: GapState): DetectedIssue => ({
  resourceType: 'DetectedIssue',
  id: gap.id,
  ...(extensionsOf(gap).length > 0 && { extension: extensionsOf(gap) }),
  identifier: [ownIdentifier('DetectedIssue', gap.id)],
  status: gap.status,
  code: { coding: [{ system: systems.gap, code: gap.code }] },
  severity: ruleOf(gap.code).severity,
  ...(gap.patientId !== undefined && { patient: to('Patient', gap.patientId) }),
  identifiedDateTime: gap.since,
  implicated: implicatedBy(gap),
  ...(gap.restsOn && gap.restsOn.length > 0 && { evidence: [{ detail: gap.restsOn.map(evidence) }] }),
  detail: detailOf(gap),
  ...(gap.mended !== undefined && { mitigation: [mitigation(gap.mended)] }),
})
