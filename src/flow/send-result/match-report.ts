/** Which link a report is about: by the stub, by the report that came before, or by the order that it names. */
import type { DiagnosticReport, Observation, Patient } from 'fhir/r4.js'
import { instantOf, msOf } from '../../model/instant.ts'
import { readPartial } from '../../model/moment.ts'
import type {
  DeviceState,
  HeldState,
  Instant,
  LinkState,
  OrderState,
  StubState,
  TaskState,
} from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'
import { stands } from '../apply-device/periods.ts'
import { idAsked, namesAsked, type SentReport } from './sent-report.ts'

/** What is stored about what a report names. */
export interface ReportSituation {
  /** Behind the address, or the identifiers of the report. */
  readonly named?: StubState
  /** Those that the report asks for and the caller may see, or that of `named`. */
  readonly orders: readonly OrderState[]
  /** Whether the report itself names `orders`; else they follow from `named`. */
  readonly asked: readonly string[]
  readonly links: readonly LinkState[]
  readonly stubs: readonly StubState[]
  readonly tasks: readonly TaskState[]
  readonly devices: readonly DeviceState[]
  /** By id. */
  readonly patients: ReadonlyMap<string, Patient>
  /** The report in doubt that this one takes the place of. */
  readonly held?: HeldState
}

export interface Match {
  readonly order: OrderState
  readonly link: LinkState
  /** None: the recorder has not come back here, and the report makes its stub. */
  readonly stub?: StubState
}

export interface Doubt {
  readonly doubts: readonly string[]
  readonly order?: OrderState
  readonly link?: LinkState
}

const hasDevice = (r: { resourceType: string }): r is Observation => r.resourceType === 'Observation'

/** Something of the same system with another value speaks against; another system tells nothing. */
const otherPatient = ({ report, results }: SentReport, link: LinkState, patient: Patient | undefined): boolean => {
  const about = [report, ...results.map((r) => r.resource)]
  return about.some((resource) => {
    if (resource.resourceType === 'Binary') return false
    const { subject } = resource
    const id = idAsked(subject, 'Patient')
    if (id !== undefined) return id !== link.patientId
    return namesAsked(subject, resource.contained).some(({ system, value }) => {
      const same = (patient?.identifier ?? []).filter((i) => i.system === system)
      return same.length > 0 && !same.some((i) => i.value === value)
    })
  })
}

/** A device without a system is named by its serial number. */
const otherDevice = ({ results }: SentReport, link: LinkState, devices: readonly DeviceState[]): boolean =>
  results
    .map((r) => r.resource)
    .filter(hasDevice)
    .some(({ device, contained }) => {
      const id = idAsked(device, 'Device')
      if (id !== undefined) return id !== link.deviceId
      const serial = devices.find((d) => d.id === link.deviceId)?.serialNumber
      const bare = device?.identifier
      if (bare?.value !== undefined && bare.system === undefined) return bare.value !== serial
      return namesAsked(device, contained).some(
        ({ system, value }) => system === identifierSystems.Device && value !== link.deviceId,
      )
    })

const spanOf = (text: string | undefined): { from: Instant; until: Instant } | undefined => {
  const read = text === undefined ? undefined : readPartial(text, 'UTC', '')
  return read?.ok ? { from: instantOf(read.value.from), until: instantOf(read.value.until) } : undefined
}

/** What the report says that it is about. */
const periodOf = ({ effectiveDateTime, effectivePeriod }: DiagnosticReport) => {
  const [start, end] = [spanOf(effectivePeriod?.start ?? effectiveDateTime), spanOf(effectivePeriod?.end)]
  return { ...(start && { start }), ...(end && { end }) }
}

const dayMs = 86_400_000

const shifted = (instant: Instant, ms: number): Instant => instantOf(msOf(instant) + ms)

/**
 * A recording lies within the wear, give or take a day: recorders run a little longer, and days are written without
 * zones. No standard says how much; common practice.
 */
const otherPeriod = ({ report }: SentReport, link: LinkState, now: Instant): boolean => {
  const { start, end } = periodOf(report)
  const [latestStart, earliestEnd] = [(start ?? end)?.until, (end ?? start)?.from]
  if (latestStart === undefined || earliestEnd === undefined) return false
  return latestStart <= shifted(link.appliedAt, -dayMs) || shifted(link.endedAt ?? now, dayMs) <= earliestEnd
}

const doubtsAbout = (sent: SentReport, link: LinkState, s: ReportSituation, now: Instant): readonly string[] => [
  ...(otherPatient(sent, link, s.patients.get(link.patientId)) ? ['it names another patient'] : []),
  ...(otherDevice(sent, link, s.devices) ? ['it names another recorder'] : []),
  ...(otherPeriod(sent, link, now) ? ['it is about another period'] : []),
]

const ofNamed = (sent: SentReport, named: StubState, s: ReportSituation, now: Instant): Match | Doubt => {
  const order = s.orders.find((o) => o.id === named.orderId)
  const link = s.links.find((l) => l.id === named.linkId)
  if (order === undefined || link === undefined) throw new Error(`stub ${named.id} has no link`)
  const others = s.asked.length > 0 && !s.asked.includes(order.id) ? ['it asks for another order'] : []
  const withdrawn = named.status === 'entered-in-error' ? ['its link was recorded in error'] : []
  const doubts = [...withdrawn, ...others, ...doubtsAbout(sent, link, s, now)]
  return doubts.length > 0 ? { doubts, order, link } : { order, link, stub: named }
}

/** The stub that a service may report to: one without a report, or with its own. */
const stubOf = (link: LinkState, s: ReportSituation, service: string): StubState | undefined => {
  const mine = s.stubs.filter((x) => x.linkId === link.id && x.status !== 'entered-in-error')
  return mine.find((x) => x.report?.by === service) ?? mine.find((x) => x.report === undefined)
}

const linksAgain = (list: readonly LinkState[], s: ReportSituation): readonly LinkState[] => {
  const waiting = list.filter((l) => !s.stubs.some((x) => x.linkId === l.id && x.report !== undefined))
  return list.length > 1 && waiting.length === 1 ? waiting : list
}

/** @param service the reading service that reports */
export const matchReport = (sent: SentReport, s: ReportSituation, service: string, now: Instant): Match | Doubt => {
  if (s.named !== undefined) return ofNamed(sent, s.named, s, now)
  const [order, ...others] = s.orders
  if (order === undefined) return { doubts: ['it asks for no order that is known here'] }
  if (others.length > 0) return { doubts: ['it asks for several orders'] }
  const links = s.links.filter((l) => l.orderId === order.id && stands(l))
  const judged = links.map((link) => ({ link, doubts: doubtsAbout(sent, link, s, now) }))
  const fitting = linksAgain(
    judged.filter((j) => j.doubts.length === 0).map((j) => j.link),
    s,
  )
  const [link, ...more] = fitting
  if (link !== undefined && more.length === 0) {
    const stub = stubOf(link, s, service)
    return { order, link, ...(stub && { stub }) }
  }
  if (link !== undefined) return { doubts: ['it may be about several recorders of its order'], order }
  const [only, ...rest] = judged
  if (only === undefined) return { doubts: ['no recorder is linked to its order'], order }
  return rest.length === 0 ? { ...only, order } : { doubts: [...new Set(judged.flatMap((j) => j.doubts))], order }
}
