/**
 * $record-return: a worn device came back. A linked one ends its wear and gets its stubs; an unlinked one is held
 * without a patient.
 */

import type { Given, ParameterTable, ReadParameters } from '../../model/parameters.ts'
import {
  accept,
  type Checked,
  isRefusal,
  type Problem,
  problemsOf,
  refusal,
  refuse,
  warning,
} from '../../model/problems.ts'
import { shown } from '../../model/resources/common.ts'
import type { ApplicationState, DeviceState, LinkState, ReturnState, StubState, TaskState } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import { deviceParameters } from '../apply-device/device-claim.ts'
import { forwardAgain } from '../apply-device/end-link.ts'
import { captureParameters, siteNamed, wearParameters } from '../apply-device/link-device.ts'
import { deviceAfter, stubFor } from '../apply-device/make-link.ts'
import { endsAfter, type Stated, statedMaybe, statedMoment } from '../apply-device/moments.ts'
import { isOpen, stands } from '../apply-device/periods.ts'
import { answersFor } from '../apply-device/record-application.ts'
import { recordsOfLink } from '../apply-device/records.ts'
import { type Change, type Context, type Decision, unchanged } from '../step.ts'
import { notEvaluated, readOutDoubts, readOutParameters } from './read-out.ts'

export const recordReturnParameters = {
  ...deviceParameters,
  receivedAt: { type: 'dateTime', min: 1, max: 1, about: 'When the device came back, with offset.' },
  condition: { type: 'CodeableConcept', min: 0, max: 1, about: 'In which condition.' },
  ...readOutParameters,
  wornUntil: { type: 'dateTime', min: 0, max: 1, about: 'When it came off the patient, if that is known.' },
  site: { ...wearParameters.site, about: 'The site that it belongs to, where the device itself does not tell.' },
  ...captureParameters,
} as const satisfies ParameterTable

export type RecordReturnParameters = ReadParameters<typeof recordReturnParameters>

export interface ReturnSituation {
  readonly device: DeviceState
  readonly links: readonly LinkState[]
  readonly applications: readonly ApplicationState[]
  readonly returns: readonly ReturnState[]
  readonly stubs: readonly StubState[]
  /** Of the orders of `links`. */
  readonly tasks: readonly TaskState[]
}

export interface Returned {
  readonly returnId: string
  readonly linkId?: string
  readonly stub?: { readonly id: string; readonly observationId: string }
}

const latest = <T>(list: readonly T[], key: (item: T) => string): T | undefined =>
  list.reduce<T | undefined>((best, item) => (best === undefined || key(item) > key(best) ? item : best), undefined)

/**
 * The wear that this return ends: the last one that began before it. None where its device has come back already, or
 * where the device was seen applied since to nobody who is known: an earlier patient is never guessed.
 */
export const wearOf = (
  s: Pick<ReturnSituation, 'links' | 'applications'>,
  receivedAt: string,
): LinkState | undefined => {
  const last = latest(
    s.links.filter((l) => stands(l) && l.appliedAt < receivedAt),
    (l) => l.appliedAt,
  )
  if (last === undefined || last.returned) return undefined
  const loose = s.applications.some(
    (a) =>
      a.evidence !== 'stock' &&
      last.appliedAt < a.appliedAt &&
      a.appliedAt < receivedAt &&
      !s.links.some((l) => answersFor(l, a)),
  )
  return loose ? undefined : last
}

/** Where a device without a link belongs: as stated; where it was last applied; the caller's only site; else nowhere. */
const siteOf = (p: RecordReturnParameters, s: ReturnSituation, ctx: Context): Checked<string | undefined> => {
  if (p.site.length > 0) {
    const named = siteNamed(p, undefined, ctx)
    return named.ok ? accept(named.value.id) : named
  }
  const seen = latest(s.applications, (a) => a.appliedAt)?.site ?? latest(s.links, (l) => l.appliedAt)?.site
  const only = (list: readonly string[] | undefined) => (list?.length === 1 ? list[0] : undefined)
  return accept(seen ?? only(ctx.caller.sites) ?? only(ctx.parties.sites.map((site) => site.id)))
}

/** An end that was told before stands. Names that end: only for whoever may see the link. */
const endStands = (link: LinkState, { worn, received }: { worn: Stated | undefined; received: Stated }) => {
  const { endedAt, endedAtWritten } = link
  if (endedAt === undefined) return []
  const other = worn ? worn.instant !== endedAt : received.instant < endedAt
  const { at, text } = worn ?? received
  return other ? [warning('end-stands', at, { found: text, expected: endedAtWritten ?? shown(endedAt) })] : []
}

const endOf = (link: LinkState, wornUntil: Stated | undefined, receivedAt: Stated): LinkState => {
  if (!isOpen(link)) return { ...link, returned: true }
  const { instant: endedAt, text: endedAtWritten } = wornUntil ?? receivedAt
  const assumed = wornUntil === undefined && { endAssumed: true }
  return { ...link, status: 'completed', endedAt, endedAtWritten, returned: true, ...assumed }
}

/** What has come back is not worn any more. */
const wornPast = (worn: Stated | undefined, received: Stated): readonly Problem[] =>
  worn === undefined || worn.instant <= received.instant
    ? []
    : [
        refusal('ends-before-start', received.at, {
          found: received.text,
          expected: `wornUntil, ${worn.text}, or later`,
        }),
      ]

const stateOf = (
  p: RecordReturnParameters,
  s: ReturnSituation,
  at: { received: Stated; worn: Stated | undefined },
  ctx: Context,
): ReturnState => {
  const [condition, readAt, clock] = [p.condition[0], p.readAt[0], p.deviceClock[0]]
  return {
    kind: 'return',
    id: ctx.newId(),
    deviceId: s.device.id,
    receivedAt: at.received.instant,
    receivedAtWritten: at.received.text,
    recordedAt: ctx.now,
    ...(at.worn && { wornUntil: at.worn.instant, wornUntilWritten: at.worn.text }),
    ...(condition && { condition: condition.value }),
    ...(readAt && { readAt: readAt.value }),
    ...(clock && { deviceClock: clock.value }),
    marks: p.mark.map((m) => m.value),
    diary: p.diary.map((d) => d.value.part),
    recordedBy: ctx.caller.id,
  }
}

/** The stub that the wear gets; where its report came before the recorder, the stub that the report made. */
const stubAfter = (s: ReturnSituation, link: LinkState, back: ReturnState, ctx: Context): StubState => {
  const made = stubFor(link, ctx, back)
  const before = s.stubs.find((x) => x.linkId === link.id && x.status !== 'entered-in-error')
  if (before === undefined) return made
  const { id, observationId, recordedAt, report } = before
  return { ...made, id, observationId, recordedAt, ...(report && { report }) }
}

const linked = (
  s: ReturnSituation,
  back: ReturnState,
  before: LinkState,
  at: { received: Stated; worn: Stated | undefined },
  ctx: Context,
  warnings: readonly Problem[],
): Decision<Returned> => {
  const link = endOf(before, at.worn, at.received)
  const state: ReturnState = { ...back, linkId: link.id, orderId: link.orderId, site: link.site }
  const stub = stubAfter(s, link, state, ctx)
  const links = s.links.map((l) => (l.id === link.id ? link : l))
  const changes: Change[] = [
    { fact: 'device-returned', state, occurredAt: back.receivedAt },
    { fact: 'link-ended', state: link, occurredAt: link.endedAt ?? back.receivedAt },
    deviceAfter(s.device, links, ctx),
    { fact: 'stubs-made', state: stub, occurredAt: ctx.now },
  ]
  return {
    changes,
    records: recordsOfLink(link, 'UPDATE', ctx),
    forward: forwardAgain(s.tasks.filter((t) => t.orderId === link.orderId)),
    answer: { returnId: state.id, linkId: link.id, stub: { id: stub.id, observationId: stub.observationId } },
    warnings,
  }
}

const sameAgain = (s: ReturnSituation, back: ReturnState): Returned => {
  const stub = s.stubs.find((x) => x.linkId === back.linkId && x.status !== 'entered-in-error')
  return {
    returnId: back.id,
    ...(back.linkId !== undefined && { linkId: back.linkId }),
    ...(stub && { stub: { id: stub.id, observationId: stub.observationId } }),
  }
}

/** What a return tells besides its device and its moment. */
const whole = ({ wornUntil, condition, readAt, deviceClock, marks, diary }: ReturnState): string =>
  canonical([wornUntil, condition, readAt, deviceClock, marks, diary])

const recordedAlready = ({ value, at }: Given<string>): Problem => warning('recorded-already', at, { found: value })

/** Nothing that it answers or stores for an unlinked device names a patient. */
export const recordReturn = (
  p: RecordReturnParameters,
  s: ReturnSituation,
  ctx: Context,
): Checked<Decision<Returned>> => {
  const given = p.receivedAt[0]
  if (given === undefined)
    return refuse([refusal('missing-parameter', 'Parameters.parameter', { expected: 'receivedAt' })])
  const [received, worn, site] = [statedMoment(given, ctx), statedMaybe(p.wornUntil[0], ctx), siteOf(p, s, ctx)]
  const problems = [...problemsOf(received, worn, site), ...readOutDoubts(p, ctx)]
  if (received.ok && worn.ok) problems.push(...wornPast(worn.value, received.value))
  if (!received.ok || !worn.ok || !site.ok || problems.some(isRefusal)) return refuse(problems)
  const at = { received: received.value, worn: worn.value }
  const back = stateOf(p, s, at, ctx)
  const before = s.returns.find((r) => r.receivedAt === back.receivedAt)
  if (before)
    return accept(
      unchanged(sameAgain(s, before), whole(before) === whole(back) ? notEvaluated(p) : [recordedAlready(given)]),
    )
  const link = wearOf(s, received.value.instant)
  if (link !== undefined) {
    const order = isOpen(link) ? endsAfter(link.appliedAt, worn.value) : []
    if (order.length > 0) return refuse(order)
    return accept(linked(s, back, link, at, ctx, [...endStands(link, at), ...notEvaluated(p)]))
  }
  const state: ReturnState = { ...back, ...(site.value !== undefined && { site: site.value }) }
  return accept({
    changes: [
      { fact: 'device-seen', state: s.device, occurredAt: state.receivedAt },
      { fact: 'device-returned', state, occurredAt: state.receivedAt },
    ],
    answer: { returnId: state.id },
    warnings: notEvaluated(p),
  })
}
