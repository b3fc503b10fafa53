/**
 * What a source says of a visit by other resources than the order: a completed Procedure, a finished Encounter or a
 * fulfilled Appointment is evidence that a recorder was applied; an Appointment says when the visit is, or that it is
 * not. Pure.
 */
import type { Appointment, Encounter, FhirResource, Procedure } from 'fhir/r4.js'
import type { EvidenceType, Site, Source } from '../../model/configuration.ts'
import { instantOf } from '../../model/instant.ts'
import { localDateOf, localDay } from '../../model/local-day.ts'
import { readMoment } from '../../model/moment.ts'
import type { OrderState, Said } from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'

/** Types that may say something of a visit. */
export const evidenceTypes: readonly EvidenceType[] = ['Procedure', 'Encounter', 'Appointment']

/** Those by which a source is believed. */
export const evidenceOf = ({ evidence }: Pick<Source, 'evidence'>): readonly EvidenceType[] => evidence ?? evidenceTypes

export const isEvidence = (type: string): type is EvidenceType => evidenceTypes.some((t) => t === type)

/** A resource that may say something of a visit. */
export type EvidenceResource = Procedure | Encounter | Appointment

export const mayBeEvidence = (resource: FhirResource): resource is EvidenceResource => isEvidence(resource.resourceType)

const parts = ['what', 'at', 'day', 'deviceId'] as const

type Saying = Pick<Said, (typeof parts)[number]>

const day = /^\d{4}-\d{2}-\d{2}$/

/** A date without a time is the site's local day; what is no moment says nothing. */
const momentOf = (text: string | undefined, site: Site): { readonly at: string; readonly day: string } | undefined => {
  if (text === undefined) return undefined
  if (day.test(text)) return { at: instantOf(localDay(text, site.timeZone).start), day: text }
  const read = readMoment(text, '')
  return read.ok ? { at: instantOf(read.value.ms), day: localDateOf(read.value.ms, site.timeZone) } : undefined
}

const applied = (text: string | undefined, site: Site): Saying | undefined => {
  const moment = momentOf(text, site)
  return moment && { what: 'applied', ...moment }
}

/** Our own, which the source has from us, is no evidence of anything else than its link. */
export const isOurs = ({ identifier = [] }: Procedure): boolean =>
  identifier.some((i) => i.system === identifierSystems.Procedure)

const byProcedure = (p: Procedure, site: Site): Saying | undefined =>
  p.status !== 'completed' || isOurs(p)
    ? undefined
    : applied(p.performedDateTime ?? p.performedPeriod?.end ?? p.performedPeriod?.start, site)

const byEncounter = (e: Encounter, site: Site): Saying | undefined =>
  e.status === 'finished' ? applied(e.period?.end ?? e.period?.start, site) : undefined

const expected = ['proposed', 'pending', 'booked', 'arrived', 'checked-in', 'waitlist']

const byAppointment = (a: Appointment, site: Site): Saying | undefined => {
  if (a.status === 'fulfilled') return applied(a.end ?? a.start, site)
  const moment = momentOf(a.start, site)
  if (moment === undefined) return undefined
  if (a.status === 'cancelled' || a.status === 'noshow') return { what: 'not', day: moment.day }
  return expected.includes(a.status) ? { what: 'visit', day: moment.day } : undefined
}

const said = (resource: FhirResource, site: Site): Saying | undefined => {
  switch (resource.resourceType) {
    case 'Procedure':
      return byProcedure(resource, site)
    case 'Encounter':
      return byEncounter(resource, site)
    case 'Appointment':
      return byAppointment(resource, site)
    default:
      return undefined
  }
}

const subjectOf = (resource: FhirResource): string | undefined =>
  'subject' in resource ? (resource.subject as { reference?: string } | undefined)?.reference : undefined

/**
 * @param before what the same resource said: what it says again, it has said since then
 * @param deviceId of the recorder that it names
 * @returns undefined where it says nothing of the order's visit, or speaks of somebody else than the order's patient
 */
export const saidOf = (
  resource: FhirResource,
  order: OrderState,
  site: Site,
  before: Said | undefined,
  now: string,
  deviceId?: string,
): Said | undefined => {
  const subject = subjectOf(resource)
  if (subject !== undefined && subject !== `Patient/${order.patientId}`) return undefined
  const bare = said(resource, site)
  if (bare === undefined) return undefined
  const saying = { ...bare, ...(bare.what === 'applied' && deviceId !== undefined && { deviceId }) }
  const again = before !== undefined && parts.every((part) => before[part] === saying[part])
  return { ...saying, site: site.id, recordedAt: again ? before.recordedAt : now }
}
