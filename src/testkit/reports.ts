/**
 * The reading service's side of reports: sends one about an order that it got, keeps it on its own server, and holds each
 * answer against the contract. What it finds is invented.
 */
import type { DeviceUseStatement, DiagnosticReport, FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { aboutReport, aboutSameContent, criterion, matchesIn, writtenAlone } from './answers.ts'
import type { Answered } from './calls.ts'
import type { Conversation } from './conversation.ts'
import type { ReadingServiceCounterpart } from './reading-service.ts'
import { type Finding, looked } from './rules.ts'
import { keyOf, referencesIn } from './shelf.ts'

export const reportStages = ['preliminary', 'final', 'amended'] as const
export type ReportStage = (typeof reportStages)[number]

/** Numbers that the reading service gives its reports. */
export const reportNumbers = 'https://pebble.example/reports'

/** LOINC 18754-2, a Holter monitor study. */
const study = { coding: [{ system: 'http://loinc.org', code: '18754-2' }] }

const words: Readonly<Record<ReportStage, string>> = {
  preliminary: 'An invented finding, after a first look.',
  final: 'An invented finding, after the whole recording.',
  amended: 'An invented finding, looked at once more.',
}

/** An order by its id here, or by the value of any of its identifiers; without either, the newest one. */
export function orderNamed(there: ReadingServiceCounterpart, named?: string): ServiceRequest | undefined {
  const orders = there.resources('ServiceRequest') as ServiceRequest[]
  if (named === undefined) return orders.at(-1)
  return orders.find(({ id, identifier }) => id === named || identifier?.some(({ value }) => value === named))
}

const pointedAt = <T extends FhirResource>(there: ReadingServiceCounterpart, from: FhirResource, name: string) => {
  const [type = '', id = ''] = referencesIn(from, name)[0]?.split('/') ?? []
  return there.versions(type, id).at(-1) as T | undefined
}

/** A report as the reading service words it: order and patient by the identifiers under which they came. */
function worded(there: ReadingServiceCounterpart, order: ServiceRequest, stage: ReportStage): DiagnosticReport {
  const patient = pointedAt<Patient>(there, order, 'subject')
  const link = (there.resources('DeviceUseStatement') as DeviceUseStatement[]).findLast((l) =>
    referencesIn(l, 'basedOn').includes(keyOf(order)),
  )
  const named = order.identifier?.[0]
  return {
    resourceType: 'DiagnosticReport',
    identifier: [{ system: reportNumbers, value: `R-${named?.value}` }],
    status: stage,
    code: study,
    basedOn: [{ type: 'ServiceRequest', ...(named && { identifier: named }) }],
    ...(patient?.identifier?.[0] && { subject: { type: 'Patient', identifier: patient.identifier[0] } }),
    ...(link?.timingPeriod && { effectivePeriod: link.timingPeriod }),
    conclusion: words[stage],
  }
}

const reads = (answer: Answered, { status, conclusion }: DiagnosticReport): Finding[] => {
  const [found] = matchesIn(answer) as (DiagnosticReport | undefined)[]
  return looked(
    'report-reads',
    ...(found?.status === status ? [] : [`the status is ${found?.status}, not ${status}`]),
    ...(found?.conclusion === conclusion ? [] : ['the conclusion is another']),
  )
}

export function reporter({ call }: Conversation, there: ReadingServiceCounterpart) {
  /** Sends it, twice, and reads what stands there afterwards. @returns the answer to the first of the calls */
  async function send(order: ServiceRequest, stage: ReportStage): Promise<Answered> {
    const report = worded(there, order, stage)
    const path = `DiagnosticReport?${criterion(report.identifier?.[0])}`
    const held = there
      .resources('DiagnosticReport')
      .find((r) => r.resourceType === 'DiagnosticReport' && r.identifier?.[0]?.value === report.identifier?.[0]?.value)
    there.add({ ...report, ...(held?.id && { id: held.id }), basedOn: [{ reference: keyOf(order) }] })
    const before = matchesIn(await call(() => [], 'GET', path))[0] as DiagnosticReport | undefined
    const first = await call((answer) => aboutReport(answer, before, stage), 'PUT', path, report)
    await call((again) => aboutSameContent(writtenAlone(first), writtenAlone(again)), 'PUT', path, report)
    const stands = stage === 'preliminary' && before && before.status !== 'preliminary' ? before : report
    await call((answer) => reads(answer, stands), 'GET', path)
    return first
  }
  return { send }
}
