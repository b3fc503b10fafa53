/** The heart of apply-device: may this device be tied to this order's patient for this period, and what follows. */
import type { Patient, Reference } from 'fhir/r4.js'
import type { ReadingService, Site } from '../../model/configuration.ts'
import { instantOf, msOf } from '../../model/instant.ts'
import { localDateOf, zoneAt } from '../../model/local-day.ts'
import { readDuration } from '../../model/moment.ts'
import { bornAfter } from '../../model/patient-match.ts'
import { type Problem, refusal, warning } from '../../model/problems.ts'
import type {
  ConflictState,
  DeviceState,
  Instant,
  LinkState,
  OrderState,
  ReturnState,
  StubState,
  TaskState,
} from '../../model/states.ts'
import type { Change, Context } from '../step.ts'
import { clockReading } from './device-clock.ts'
import { endsAfter, type Stated } from './moments.ts'
import { isOpen, overlap, stands, type Wear } from './periods.ts'

/** What is stored about the order and the device in question. */
export interface Situation {
  readonly order: OrderState
  readonly patient: Patient
  readonly device: DeviceState
  /** Every link of the order or of the device. */
  readonly links: readonly LinkState[]
  /** Returns of the device that belong to no link. */
  readonly returns: readonly ReturnState[]
  /** Of the order, so that a call that is repeated gets its first answer whole. */
  readonly tasks?: readonly TaskState[]
  /** Refused links of the order. */
  readonly conflicts?: readonly ConflictState[]
}

export interface Application {
  readonly site: Site
  readonly appliedAt: Stated
  readonly endedAt?: Stated
  readonly deviceClock?: { readonly text: string; readonly at: string }
  readonly performer?: Reference
  readonly bodySite?: unknown
  /** Expiry date on this scan. */
  readonly expirationDate?: string
}

export const linkableIntents: readonly string[] = [
  'order',
  'original-order',
  'reflex-order',
  'filler-order',
  'instance-order',
]

/** Status `active`, intent `order` or finer. */
export const linkable = (order: OrderState): readonly Problem[] => {
  if (order.status === 'active' && linkableIntents.includes(order.intent)) return []
  return [
    refusal('order-not-linkable', 'ServiceRequest.status', {
      found: `${order.status}, intent ${order.intent}`,
      expected: 'active, intent order',
      note: 'Ask the ordering clinic for an active order.',
    }),
  ]
}

/** Conflicts in time; the answer names the next step and nothing of the other patient. */
export const conflicts = (s: Situation, a: Application): readonly Problem[] => {
  const [{ at }, wear] = [a.appliedAt, wearOf(s, a)]
  const others = s.links.filter((l) => stands(l) && overlap(l, wear))
  const problems: Problem[] = []
  if (others.some((l) => l.deviceId === s.device.id && l.orderId !== s.order.id))
    problems.push(
      refusal('device-linked', at, {
        note: 'Record the return of this recorder or end its other link first, or take another recorder.',
      }),
    )
  if (others.some((l) => l.orderId === s.order.id))
    problems.push(refusal('order-linked', at, { note: 'End the present link with reason replaced, or correct it.' }))
  return problems
}

/** An id of another server means nothing here; who applied it is named by identifier, or by an id of ours. */
const performerDoubts = (performer: Reference | undefined): readonly Problem[] => {
  const own = /^(Practitioner|PractitionerRole|Organization)\/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/
  if (performer?.reference === undefined || own.test(performer.reference)) return []
  return [
    refusal('wrong-reference', "Parameters.parameter.where(name='performer').value.reference", {
      found: performer.reference,
      expected: 'Reference.identifier with the staff number, or an id of ours',
    }),
  ]
}

/** What speaks against the application itself, or should be told about it. */
export const applicationDoubts = (s: Situation, a: Application, ctx: Context): readonly Problem[] => {
  const problems: Problem[] = []
  const zone = zoneAt(a.appliedAt.ms, a.site.timeZone)
  if (bornAfter(s.patient, a.appliedAt.ms, zone)) problems.push(refusal('before-birth', a.appliedAt.at))
  if (s.patient.active === false || s.patient.link?.some((l) => l.type === 'replaced-by'))
    problems.push(warning('inactive-patient', 'Patient.active'))
  const day = localDateOf(a.appliedAt.ms, a.site.timeZone)
  if (s.order.visitDay !== undefined && s.order.visitDay !== day)
    problems.push(warning('another-day', a.appliedAt.at, { found: day, expected: s.order.visitDay }))
  if (a.expirationDate !== undefined && a.expirationDate < day)
    problems.push(
      warning('expired-device', a.appliedAt.at, {
        found: a.expirationDate,
        note: 'Follow the labelling and local policy.',
      }),
    )
  return [
    ...problems,
    ...performerDoubts(a.performer),
    ...(clockReading(a.deviceClock, a.appliedAt.ms, ctx).problems ?? []),
  ]
}

/** The reading services whose rule takes the order. */
export const takers = (order: OrderState, services: readonly ReadingService[]): readonly ReadingService[] =>
  services.filter(
    (s) =>
      s.takes === undefined ||
      s.takes.some(({ code }) => order.codes.some((c) => c.system === code.system && c.code === code.code)),
  )

const byTime = (a: ReturnState, b: ReturnState): number => (a.receivedAt < b.receivedAt ? -1 : 1)

/**
 * The return that ends this wear, where the recorder came back before anybody linked it. One before which the recorder
 * was on somebody else meanwhile is the return of that wear.
 */
export const returnFor = (s: Situation, a: Application): ReturnState | undefined => {
  const start = a.appliedAt.instant
  const others = s.links.filter((l) => stands(l) && l.deviceId === s.device.id && l.appliedAt > start)
  return [...s.returns]
    .sort(byTime)
    .filter((r) => !others.some((l) => l.appliedAt < r.receivedAt))
    .find((r) => start < r.receivedAt && (a.endedAt === undefined || a.endedAt.instant <= r.receivedAt))
}

/** The period that a link would have: a recorder that came back meanwhile is not worn on. */
export const wearOf = (s: Situation, a: Application): Wear => {
  const { endedAt } = endOf(a, returnFor(s, a))
  return { appliedAt: a.appliedAt.instant, ...(endedAt !== undefined && { endedAt }) }
}

/** A wear that would end before it began, by what was stated or by what the return said. */
export const orderDoubts = (s: Situation, a: Application): readonly Problem[] => {
  if (a.endedAt !== undefined) return endsAfter(a.appliedAt.instant, a.endedAt)
  const { endedAt } = wearOf(s, a)
  if (endedAt === undefined || endedAt > a.appliedAt.instant) return []
  const note = 'The recorder came back, and it was off the patient by then.'
  return [
    refusal('ends-before-start', a.appliedAt.at, { found: a.appliedAt.text, expected: `before ${endedAt}`, note }),
  ]
}

const endOf = (
  a: Application,
  back: ReturnState | undefined,
): Pick<LinkState, 'status' | 'endedAt' | 'endedAtWritten' | 'endAssumed' | 'returned'> => {
  const endedAt = a.endedAt?.instant ?? back?.wornUntil ?? back?.receivedAt
  if (endedAt === undefined) return { status: 'active' as const }
  const written = a.endedAt?.text ?? (back?.wornUntil === undefined ? back?.receivedAtWritten : back.wornUntilWritten)
  const assumed = a.endedAt === undefined && back?.wornUntil === undefined
  return {
    status: 'completed' as const,
    endedAt,
    ...(written !== undefined && { endedAtWritten: written }),
    ...(assumed && { endAssumed: true }),
    ...(back && { returned: true }),
  }
}

/** What a link keeps when it takes the place of another; doubts of who the patient is, where the patient stays. */
export interface Lineage extends Pick<LinkState, 'mergedFrom' | 'doubts'> {
  readonly replaces: string
  readonly correction: string
  readonly tiedAt: string
}

/** When the wear is over by what the order asks for, where nobody says anything else. */
const plannedEnd = ({ order }: Situation, a: Application): Instant => {
  const wear = readDuration(order.wear, '')
  return instantOf(a.appliedAt.ms + (wear.ok ? wear.value : 0))
}

/** From when on a recorder is missed whose wear ends then. */
export const returnDue = (
  siteId: string,
  endsAt: Instant,
  { parties }: Pick<Context, 'parties'>,
): Pick<LinkState, 'returnDue' | 'returnDueDay'> => {
  const site = parties.sites.find((s) => s.id === siteId)
  const transit = readDuration(site?.transit ?? '', '')
  if (site === undefined || !transit.ok) return {}
  const due = msOf(endsAt) + transit.value
  return { returnDue: instantOf(due), returnDueDay: localDateOf(due, site.timeZone) }
}

/** The link itself. */
export const linkOf = (s: Situation, a: Application, ctx: Context, lineage?: Lineage): LinkState => {
  const back = returnFor(s, a)
  const offset = clockReading(a.deviceClock, a.appliedAt.ms, ctx).offset
  const end = endOf(a, back)
  return {
    kind: 'link',
    id: ctx.newId(),
    orderId: s.order.id,
    deviceId: s.device.id,
    patientId: s.order.patientId,
    site: a.site.id,
    appliedAt: a.appliedAt.instant,
    appliedAtWritten: a.appliedAt.text,
    day: localDateOf(a.appliedAt.ms, a.site.timeZone),
    tiedAt: ctx.now,
    recordedAt: ctx.now,
    ...end,
    ...returnDue(a.site.id, end.endedAt ?? plannedEnd(s, a), ctx),
    ...(a.performer !== undefined && { performer: a.performer }),
    ...(a.bodySite !== undefined && { bodySite: a.bodySite }),
    ...(a.deviceClock !== undefined && { deviceClock: a.deviceClock.text }),
    ...(offset !== undefined && { clockOffset: offset }),
    ...(a.expirationDate !== undefined && { expirationDate: a.expirationDate }),
    procedureId: ctx.newId(),
    recordedBy: ctx.caller.id,
    ...lineage,
  }
}

/** Before when the reading service should have accepted what it is asked now. */
const acceptDue = (
  siteId: string,
  readingService: string,
  { now, parties }: Context,
): Pick<TaskState, 'acceptDue' | 'acceptDueDay'> => {
  const site = parties.sites.find((s) => s.id === siteId)
  const accept = readDuration(parties.readingServices.find((r) => r.id === readingService)?.accept ?? '', '')
  if (site === undefined || !accept.ok) return {}
  const due = msOf(now) + accept.value
  return { acceptDue: instantOf(due), acceptDueDay: localDateOf(due, site.timeZone) }
}

export const taskFor = (link: LinkState, readingService: string, ctx: Context): TaskState => ({
  kind: 'task',
  id: ctx.newId(),
  linkId: link.id,
  orderId: link.orderId,
  patientId: link.patientId,
  site: link.site,
  readingService,
  asks: 'fulfill',
  status: 'requested',
  authoredAt: ctx.now,
  modifiedAt: ctx.now,
  ...acceptDue(link.site, readingService, ctx),
})

/** From when on the report of a recorder that was read out is missing; without a read-out, from its receipt on. */
export const reportDue = (
  { site: id }: Pick<LinkState, 'site'>,
  back: ReturnState,
  { parties }: Context,
): Pick<StubState, 'reportDue' | 'reportDueDay'> => {
  const site = parties.sites.find((s) => s.id === id)
  const reading = readDuration(site?.reading ?? '', '')
  if (site === undefined || !reading.ok) return {}
  const ms = (back.readAt === undefined ? msOf(back.receivedAt) : Date.parse(back.readAt)) + reading.value
  return { reportDue: instantOf(ms), reportDueDay: localDateOf(ms, site.timeZone) }
}

/** Observation and DiagnosticReport of a link whose device came back, or whose report came before it. */
export const stubFor = (link: LinkState, ctx: Context, back?: ReturnState): StubState => ({
  kind: 'stub',
  id: ctx.newId(),
  observationId: ctx.newId(),
  linkId: link.id,
  orderId: link.orderId,
  deviceId: link.deviceId,
  patientId: link.patientId,
  site: link.site,
  status: 'registered',
  from: link.appliedAt,
  until: link.endedAt ?? ctx.now,
  fromWritten: link.appliedAtWritten,
  ...(link.endedAtWritten !== undefined && { untilWritten: link.endedAtWritten }),
  recordedAt: ctx.now,
  ...(back && reportDue(link, back, ctx)),
})

/** The device after its links changed: on the patient whose link is open, else on nobody. */
export const deviceAfter = (device: DeviceState, links: readonly LinkState[], ctx: Context): Change => {
  const { patientId: _before, ...rest } = device
  const open = links.find((l) => l.deviceId === device.id && isOpen(l))
  return {
    fact: open ? 'device-tied' : 'device-released',
    state: { ...rest, ...(open && { patientId: open.patientId }) },
    occurredAt: open?.appliedAt ?? ctx.now,
  }
}

export interface Made {
  readonly link: LinkState
  readonly tasks: readonly TaskState[]
  readonly stub?: StubState
  readonly changes: readonly Change[]
}

/** Everything that follows from a link that may be made. */
export const make = (
  s: Situation,
  a: Application,
  ctx: Context,
  fact: 'device-linked' | 'link-corrected',
  lineage?: Lineage,
): Made => {
  const link = linkOf(s, a, ctx, lineage)
  const tasks = takers(s.order, ctx.parties.readingServices).map((r) => taskFor(link, r.id, ctx))
  const back = link.returned ? returnFor(s, a) : undefined
  const stub = back ? stubFor(link, ctx, back) : undefined
  const at = link.appliedAt
  const others = s.links.filter((l) => l.id !== lineage?.replaces)
  const changes: Change[] = [
    deviceAfter(s.device, [...others, link], ctx),
    { fact, state: link, occurredAt: at },
    ...tasks.map((state): Change => ({ fact: 'task-requested', state, occurredAt: ctx.now })),
    ...(back
      ? [
          {
            fact: 'return-matched',
            state: { ...back, linkId: link.id, orderId: link.orderId },
            occurredAt: back.receivedAt,
          } as const,
        ]
      : []),
    ...(stub ? [{ fact: 'stubs-made', state: stub, occurredAt: ctx.now } as const] : []),
  ]
  return { link, tasks, changes, ...(stub && { stub }) }
}
