/**
 * $link-device: ties a scanned device to the order's patient. A device that is on another patient is refused, never
 * moved. Every reason for a refusal is told at once.
 */
import { msOf } from '../../model/instant.ts'
import { localDateOf } from '../../model/local-day.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { type ClaimPath, type Claims, matchPatient } from '../../model/patient-match.ts'
import { accept, type Checked, isRefusal, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { ConflictState } from '../../model/states.ts'
import { type Change, type Context, type Decision, unchanged, worksAt } from '../step.ts'
import { type DeviceClaim, deviceParameters } from './device-claim.ts'
import {
  type Application,
  applicationDoubts,
  conflicts,
  linkable,
  make,
  orderDoubts,
  type Situation,
} from './make-link.ts'
import { futureDoubts, readStated, readStatedMaybe, zoneOf } from './moments.ts'
import { contains, stands } from './periods.ts'
import { recordsOfLink } from './records.ts'

/** By which a person says who the patient is. */
export const patientParameters = {
  patientIdentifier: { type: 'Identifier', min: 0, max: 20, about: 'From wristband or chart, with its system.' },
  birthDate: { type: 'date', min: 0, max: 1, about: 'Date of birth as the patient states it.' },
  family: { type: 'string', min: 0, max: 1, about: 'Family name.' },
  given: { type: 'string', min: 0, max: 1, about: 'Given name.' },
  phone: { type: 'string', min: 0, max: 1, about: 'Telephone number.' },
} as const satisfies ParameterTable

export const captureParameters = {
  captureKey: {
    type: 'string',
    min: 0,
    max: 1,
    about: 'The same key from the same caller gives the first answer again.',
  },
} as const satisfies ParameterTable

export const wearParameters = {
  performer: {
    type: 'Reference',
    min: 0,
    max: 1,
    about: 'Who applied it; a staff number goes into Reference.identifier.',
  },
  site: { type: 'Identifier', min: 0, max: 1, about: 'Where, if not at the order’s site.' },
  bodySite: { type: 'CodeableConcept', min: 0, max: 1, about: 'Where on the body.' },
  deviceClock: { type: 'dateTime', min: 0, max: 1, about: 'What the recorder’s own clock showed at appliedAt.' },
} as const satisfies ParameterTable

export const linkDeviceParameters = {
  order: { type: 'Identifier', min: 0, max: 1, about: 'The placer number; in the call on the type only.' },
  ...deviceParameters,
  appliedAt: {
    type: 'dateTime',
    min: 1,
    max: 1,
    about: 'When the recorder was switched on, to the second, with offset.',
  },
  ...patientParameters,
  ...wearParameters,
  endedAt: { type: 'dateTime', min: 0, max: 1, about: 'For a wear that is over.' },
  ...captureParameters,
} as const satisfies ParameterTable

export type LinkDeviceParameters = ReadParameters<typeof linkDeviceParameters>

/** Who the caller says the patient is, and where in the Parameters each claim stands. */
export interface Stating {
  readonly claims: Claims
  readonly path: ClaimPath
}

export const claimsOf = (p: ReadParameters<typeof patientParameters>): Stating => {
  const [birthDate, family, given, phone] = [p.birthDate[0], p.family[0], p.given[0], p.phone[0]]
  return {
    claims: {
      identifiers: p.patientIdentifier.map(({ value }) => value),
      birthDate: birthDate?.value,
      family: family?.value,
      given: given?.value,
      phone: phone?.value,
    },
    path: (parameter, index) => p[parameter][index]?.at ?? 'Parameters.parameter',
  }
}

/** The site that a call names, or that of the order; one that the caller does not work at is refused. */
export const siteNamed = (
  p: Pick<LinkDeviceParameters, 'site'>,
  fallback: string | undefined,
  ctx: Pick<Context, 'caller' | 'parties'>,
) => {
  const named = p.site[0]
  const site = ctx.parties.sites.find((s) =>
    named ? s.identifier.system === named.value.system && s.identifier.value === named.value.value : s.id === fallback,
  )
  const allowed = site !== undefined && worksAt(ctx.caller, site.id)
  if (site !== undefined && allowed) return accept(site)
  return refuse([
    refusal('unknown-site', named?.at ?? 'Parameters.parameter', {
      found: named ? `${named.value.system ?? ''}|${named.value.value ?? ''}` : fallback,
      expected: ctx.parties.sites
        .filter((s) => worksAt(ctx.caller, s.id))
        .map((s) => `${s.identifier.system}|${s.identifier.value}`)
        .join(' or '),
    }),
  ])
}

export interface Linked {
  readonly linkId: string
  readonly deviceId: string
  readonly procedureId: string
  readonly taskIds: readonly string[]
}

const readApplication = (
  p: LinkDeviceParameters,
  s: Situation,
  claim: DeviceClaim,
  ctx: Context,
): Checked<Application> => {
  const given = p.appliedAt[0]
  if (given === undefined)
    return refuse([refusal('missing-parameter', 'Parameters.parameter', { expected: 'appliedAt' })])
  const [appliedAt, endedAt] = [readStated(given), readStatedMaybe(p.endedAt[0])]
  const site = siteNamed(p, s.order.site, ctx)
  const future = [appliedAt, endedAt].flatMap((r) => (r.ok ? futureDoubts(r.value, ctx) : []))
  const problems = [...problemsOf(appliedAt, endedAt, site), ...future]
  if (!appliedAt.ok || !endedAt.ok || !site.ok) return refuse(problems)
  const [clock, performer, bodySite] = [p.deviceClock[0], p.performer[0], p.bodySite[0]]
  return accept({
    site: site.value,
    appliedAt: appliedAt.value,
    ...(endedAt.value && { endedAt: endedAt.value }),
    ...(clock && { deviceClock: { text: clock.value, at: clock.at } }),
    ...(performer && { performer: performer.value }),
    ...(bodySite && { bodySite: bodySite.value }),
    ...(claim.scan?.expirationDate !== undefined && { expirationDate: claim.scan.expirationDate }),
  })
}

const sameAgain = (s: Situation, appliedAt: string): Linked | undefined => {
  const link = s.links.find(
    (l) => stands(l) && l.deviceId === s.device.id && l.orderId === s.order.id && l.appliedAt === appliedAt,
  )
  if (link === undefined) return undefined
  const tasks = (s.tasks ?? []).filter((t) => t.linkId === link.id && t.asks === 'fulfill')
  return { linkId: link.id, deviceId: link.deviceId, procedureId: link.procedureId, taskIds: tasks.map((t) => t.id) }
}

/** The two-identifier rule, as of the step: a name or number that has ended by now identifies nobody. */
export const identityDoubts = (
  p: ReadParameters<typeof patientParameters>,
  s: Pick<Situation, 'order' | 'patient'>,
  ctx: Context,
): readonly Problem[] => {
  const { claims, path } = claimsOf(p)
  return matchPatient(claims, s.patient, { ms: msOf(ctx.now), zone: zoneOf(s.order.site, ctx) }, path).problems
}

/** Identity first: what it says is told even where the moment or the order is refused as well. */
export const linkDevice = (
  p: LinkDeviceParameters,
  claim: DeviceClaim,
  s: Situation,
  ctx: Context,
): Checked<Decision<Linked>> => {
  const application = readApplication(p, s, claim, ctx)
  const identity = identityDoubts(p, s, ctx)
  if (!application.ok) return refuse([...identity, ...linkable(s.order), ...application.problems])
  const a = application.value
  const moment = applicationDoubts(s, a, ctx)
  const again = sameAgain(s, a.appliedAt.instant)
  if (again && !identity.some(isRefusal)) {
    const warnings = moment.filter((d) => !isRefusal(d))
    return accept(unchanged(again, warnings))
  }
  const doubts: Problem[] = [
    ...identity,
    ...linkable(s.order),
    ...futureDoubts(a.appliedAt, ctx),
    ...futureDoubts(a.endedAt, ctx),
    ...orderDoubts(s, a),
    ...moment,
    ...conflicts(s, a),
  ]
  if (doubts.some(isRefusal)) return refuse(doubts)
  const made = make(s, a, ctx, 'device-linked')
  return accept({
    changes: made.changes,
    records: recordsOfLink(made.link, 'CREATE', ctx),
    forward: made.tasks.map((t) => ({ orderId: s.order.id, readingService: t.readingService })),
    answer: {
      linkId: made.link.id,
      deviceId: s.device.id,
      procedureId: made.link.procedureId,
      taskIds: made.tasks.map((t) => t.id),
    },
    warnings: doubts,
  })
}

/**
 * What is kept of a refused link: the patient and the order were right, and the device is on somebody else. With any
 * other doubt it says nothing of where the recorder is.
 */
export const refusedLink = (
  p: LinkDeviceParameters,
  s: Situation,
  problems: readonly Problem[],
  ctx: Context,
): readonly Change[] => {
  const application = readApplication(p, s, { serialNumber: s.device.serialNumber, at: '' }, ctx)
  const refusals = problems.filter(isRefusal)
  if (!application.ok || refusals.length === 0 || refusals.some((r) => r.code !== 'device-linked')) return []
  const { site, appliedAt } = application.value
  // of two orders of one patient the recorder is on the right person
  const isOnAnother = s.links.some(
    (l) =>
      stands(l) && l.deviceId === s.device.id && l.patientId !== s.order.patientId && contains(l, appliedAt.instant),
  )
  if (!isOnAnother) return []
  const state: ConflictState = {
    kind: 'conflict',
    id: ctx.newId(),
    deviceId: s.device.id,
    orderId: s.order.id,
    patientId: s.order.patientId,
    site: site.id,
    appliedAt: appliedAt.instant,
    day: localDateOf(appliedAt.ms, site.timeZone),
    recordedAt: ctx.now,
    recordedBy: ctx.caller.id,
  }
  const known = s.conflicts?.some((c) => c.deviceId === state.deviceId && c.appliedAt === state.appliedAt)
  return known ? [] : [{ fact: 'link-refused', state, occurredAt: state.appliedAt }]
}
