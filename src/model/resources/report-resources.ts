/** From the state of a stub, with or without its report, to FHIR R4; pure, and the only place that does it. */
import type { Binary, DiagnosticReport, FhirResource, Identifier, Media, Meta, Observation } from 'fhir/r4.js'
import type { HeldState, ReportContent, ReportResult, StubState } from '../states.ts'
import { codes, home, standard, systems } from '../systems.ts'
import { mapTree } from '../tree.ts'
import { type OwnType, ownIdentifier, shown, to } from './common.ts'

const study = { coding: [codes.rhythmStudy] }

const wearOf = (s: StubState) => ({
  start: s.fromWritten ?? shown(s.from),
  end: s.untilWritten ?? shown(s.until),
})

type Identified = { identifier?: Identifier[] | undefined }

/** Ours first, then those that the reading service gave; what looks like ours and comes from elsewhere is left out. */
const identifiersOf = (type: OwnType, id: string, words: Identified): Identifier[] => [
  ownIdentifier(type, id),
  ...(words.identifier ?? []).filter((i) => !(i.system ?? '').startsWith(`${home}/`)),
]

/** Theirs where they say when; else the wear. */
const effectiveOf = (s: StubState, words: Observation | DiagnosticReport) =>
  ['effectiveDateTime', 'effectivePeriod', 'effectiveTiming', 'effectiveInstant'].some((name) => name in words)
    ? {}
    : { effectivePeriod: wearOf(s) }

/** What an Observation of a report is that has no words of its own. R4, valueset-diagnostic-report-status and -observation-status. */
const alike = (status: DiagnosticReport['status']): Observation['status'] =>
  status === 'partial' ? 'preliminary' : status === 'appended' ? 'amended' : status

const isWithdrawn = (s: StubState, result?: ReportResult): boolean =>
  s.status === 'entered-in-error' || result?.withdrawn === true

const observationOf = (s: StubState, id: string, words: Observation, result?: ReportResult): Observation => ({
  ...words,
  ...effectiveOf(s, words),
  id,
  identifier: identifiersOf('Observation', id, words),
  basedOn: [to('ServiceRequest', s.orderId)],
  ...(isWithdrawn(s, result) && { status: 'entered-in-error' }),
  subject: to('Patient', s.patientId),
  device: to('Device', s.deviceId),
})

/** Observations that a report shows, in its order; the stub's own is the first where the report has none for it. */
const shownObservations = (s: StubState): readonly string[] => {
  const ids = (s.report?.results ?? [])
    .filter((r) => r.resource.resourceType === 'Observation' && !r.withdrawn)
    .map((r) => r.id)
  return ids.includes(s.observationId) ? ids : [s.observationId, ...ids]
}

/** Registered and without a value; then what the report says of it, else a bracket around the Observations of the report. */
export const stubObservation = (s: StubState): Observation => {
  const result = s.report?.results.find((r) => r.id === s.observationId)
  if (result?.resource.resourceType === 'Observation') return observationOf(s, s.observationId, result.resource, result)
  const members = shownObservations(s).filter((id) => id !== s.observationId)
  const status = s.report === undefined ? s.status : alike(s.report.words.status)
  return observationOf(s, s.observationId, {
    resourceType: 'Observation',
    status,
    code: study,
    ...(members.length > 0 && { hasMember: members.map((id) => to('Observation', id)) }),
  })
}

const marked = (meta: Meta | undefined, code: string): Meta => ({
  ...meta,
  tag: [...(meta?.tag ?? []).filter((t) => t.system !== systems.reportMark), { system: systems.reportMark, code }],
})

/** The report names its device through `result`. */
export const stubReport = (s: StubState): DiagnosticReport => {
  const words: DiagnosticReport = s.report?.words ?? { resourceType: 'DiagnosticReport', status: s.status, code: study }
  return {
    ...words,
    ...(words.category === undefined && { category: [{ coding: [codes.electrocardiac] }] }),
    ...effectiveOf(s, words),
    ...(s.report?.afterRevocation && { meta: marked(words.meta, 'after-revocation') }),
    id: s.id,
    identifier: identifiersOf('DiagnosticReport', s.id, words),
    basedOn: [to('ServiceRequest', s.orderId)],
    ...(isWithdrawn(s) && { status: 'entered-in-error' }),
    subject: to('Patient', s.patientId),
    result: shownObservations(s).map((id) => to('Observation', id)),
  }
}

const mediaOf = (s: StubState, { id, resource, ...result }: ReportResult & { resource: Media }): Media => ({
  ...resource,
  id,
  identifier: identifiersOf('Media', id, resource),
  basedOn: [to('ServiceRequest', s.orderId)],
  ...(isWithdrawn(s, { id, resource, ...result }) && { status: 'entered-in-error' }),
  subject: to('Patient', s.patientId),
})

const resultResource = (s: StubState, result: ReportResult): Observation | Media | Binary => {
  const { id, resource } = result
  if (resource.resourceType === 'Observation') return observationOf(s, id, resource, result)
  return resource.resourceType === 'Media' ? mediaOf(s, { ...result, resource }) : { ...resource, id }
}

/** All that is read of a stub: its Observation, its report, and what came along with that. */
export const stubResources = (s: StubState): readonly FhirResource[] => [
  stubObservation(s),
  stubReport(s),
  ...(s.report?.results ?? []).filter((r) => r.id !== s.observationId).map((r) => resultResource(s, r)),
]

/** A Binary has no identifier by which it could be sent twice as one: what refers to it takes its bytes along. */
const withBytes = <T extends FhirResource>(resource: T, report: ReportContent | undefined): T => {
  const files = new Map<string, Binary>(
    (report?.results ?? []).flatMap(({ id, resource: r }) =>
      r.resourceType === 'Binary' ? [[`Binary/${id}`, r]] : [],
    ),
  )
  if (files.size === 0) return resource
  return mapTree(resource, (node) => {
    const file = typeof node.url === 'string' ? files.get(node.url) : undefined
    if (file === undefined) return node
    const { url: _ours, ...rest } = node
    return { contentType: file.contentType, ...rest, ...(file.data !== undefined && { data: file.data }) }
  })
}

/** What is sent of a stub to another server: everything that has an identifier of ours, by which it is known there. */
export const portableResources = (s: StubState) =>
  stubResources(s).flatMap((resource) => {
    const { resourceType: type, id = '' } = resource
    if (type !== 'Observation' && type !== 'DiagnosticReport' && type !== 'Media') return []
    return [{ type, id, resource: withBytes(resource, s.report) }]
  })

/** A report in doubt, as it came. */
export const heldReport = (h: HeldState): DiagnosticReport => ({
  ...h.words,
  id: h.id,
  meta: marked(h.words.meta, h.settledAt === undefined ? 'held' : 'settled'),
})

/** Whether the report names the study at all; by it the stub's Observation is told from others. */
export const isStudy = (observation: Observation): boolean =>
  (observation.code.coding ?? []).some((c) => c.system === standard.loinc && c.code === codes.rhythmStudy.code)
