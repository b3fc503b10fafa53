/**
 * What a source says of a visit by other resources than the order: a completed Procedure, a finished Encounter or a
 * fulfilled Appointment is evidence that a recorder was applied; an Appointment says when the visit is, or that it is
 * not. Pure.
 */
import type { Appointment, Encounter, FhirResource, Procedure, Reference } from 'fhir/r4.js'
import type { EvidenceType, Site, Source } from '../../model/configuration.ts'
import { instantOf, msOf } from '../../model/instant.ts'
import { localDateOf, localDay } from '../../model/local-day.ts'
import { readMoment } from '../../model/moment.ts'
import { type Problem, warning } from '../../model/problems.ts'
import type { OrderState, Said } from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'
import type { Context } from '../step.ts'

/** Types that may say something of a visit. */
export const evidenceTypes: readonly EvidenceType[] = ['Procedure', 'Encounter', 'Appointment']

/** Those by which a source is believed. */
export const evidenceOf = ({ evidence }: Pick<Source, 'evidence'>): readonly EvidenceType[] => evidence ?? evidenceTypes

export const isEvidence = (type: string): type is EvidenceType => evidenceTypes.some((t) => t === type)

/** A resource that may say something of a visit. */
export type EvidenceResource = Procedure | Encounter | Appointment

export const mayBeEvidence = (resource: FhirResource): resource is EvidenceResource => isEvidence(resource.resourceType)

type Saying = Pick<Said, 'what' | 'at' | 'day' | 'deviceId'>

const day = /^\d{4}-\d{2}-\d{2}$/

/** A date without a time is the site's local day; what is no moment says nothing. */
const momentOf = (text: string | undefined, site: Site): { readonly at: string; readonly day: string } | undefined => {
  if (text === undefined) return undefined
  if (day.test(text)) return { at: instantOf(localDay(text, site.timeZone).start), day: text }
  const read = readMoment(text, '')
  return read.ok ? { at: instantOf(read.value.ms), day: localDateOf(read.value.ms, site.timeZone) } : undefined
}

/** What it says, or why it says nothing although it seems to. */
interface Read {
  readonly saying?: Saying
  readonly doubt?: Problem
}

const without = (element: string, expected = 'a date, or a moment with its offset'): Read => ({
  doubt: warning('says-nothing', element, { note: `There is no ${element} that tells the day.`, expected }),
})

const applied = (text: string | undefined, element: string, site: Site): Read => {
  const moment = momentOf(text, site)
  return moment ? { saying: { what: 'applied', ...moment } } : without(element)
}

/** Our own, which the source has from us, is no evidence of anything else than its link. */
export const isOurs = ({ identifier = [] }: Procedure): boolean =>
  identifier.some((i) => i.system === identifierSystems.Procedure)

const nothing: Read = {}

const byProcedure = (p: Procedure, site: Site): Read =>
  p.status !== 'completed' || isOurs(p)
    ? nothing
    : applied(p.performedDateTime ?? p.performedPeriod?.end ?? p.performedPeriod?.start, 'performed', site)

const byEncounter = (e: Encounter, site: Site): Read =>
  e.status === 'finished' ? applied(e.period?.end ?? e.period?.start, 'period', site) : nothing

const expected = ['proposed', 'pending', 'booked', 'arrived', 'checked-in', 'waitlist']

const byAppointment = (a: Appointment, site: Site): Read => {
  if (a.status === 'fulfilled') return applied(a.end ?? a.start, 'start', site)
  const moment = momentOf(a.start, site)
  const off = a.status === 'cancelled' || a.status === 'noshow'
  if (!off && !expected.includes(a.status)) return nothing
  // a date that is asked for has no time yet
  if (moment === undefined) return a.status === 'booked' ? without('start') : nothing
  return { saying: { what: off ? 'not' : 'visit', day: moment.day } }
}

const read = (resource: EvidenceResource, site: Site): Read => {
  switch (resource.resourceType) {
    case 'Procedure':
      return byProcedure(resource, site)
    case 'Encounter':
      return byEncounter(resource, site)
    case 'Appointment':
      return byAppointment(resource, site)
  }
}

const isPatient = ({ reference, type }: Reference): boolean =>
  type === 'Patient' || (reference?.startsWith('Patient/') ?? false)

/** Whom it is about, as far as it says so: of a visit by appointment those of its participants who are patients. */
const peopleOf = (resource: EvidenceResource): readonly Reference[] => {
  if (resource.resourceType !== 'Appointment') return resource.subject ? [resource.subject] : []
  return resource.participant.flatMap(({ actor }) => (actor && isPatient(actor) ? [actor] : []))
}

/** Somebody whom nobody knows may be anybody. */
const isAboutOther = (resource: EvidenceResource, { patientId }: OrderState): boolean => {
  const people = peopleOf(resource)
  return people.length > 0 && !people.some(({ reference }) => reference === `Patient/${patientId}`)
}

/** Nobody has applied yet what is to be applied. */
const inFuture = ({ at }: Saying, { now, tolerances }: Context): boolean =>
  at !== undefined && msOf(at) > msOf(now) + tolerances.skew * 1000

export interface SaidReading {
  readonly says?: Said
  /** Why it says nothing although it seems to; places are below the resource. */
  readonly doubts: readonly Problem[]
}

/**
 * What a resource says of the visit of the order that it is based on.
 * @param before what the same resource said of the same order: what it says again, it has said since then
 * @param deviceId of the recorder that it names
 */
export const saidOf = (
  resource: EvidenceResource,
  order: OrderState,
  site: Site,
  before: Said | undefined,
  ctx: Context,
  deviceId?: string,
): SaidReading => {
  const { saying: bare, doubt } = read(resource, site)
  if (doubt) return { doubts: [doubt] }
  if (bare === undefined) return { doubts: [] }
  if (isAboutOther(resource, order)) {
    const at = resource.resourceType === 'Appointment' ? 'participant' : 'subject'
    return { doubts: [warning('says-nothing', at, { note: 'The order is of another patient.' })] }
  }
  if (inFuture(bare, ctx)) return { doubts: [warning('in-the-future', '', { found: bare.at })] }
  const saying = { ...bare, ...(bare.what === 'applied' && deviceId !== undefined && { deviceId }) }
  // put right by a minute it was known since then
  const again = before !== undefined && before.what === saying.what && before.day === saying.day
  return { says: { ...saying, site: site.id, recordedAt: again ? before.recordedAt : ctx.now }, doubts: [] }
}
