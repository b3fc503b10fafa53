/**
 * $correct-link: the wrong patient, device or time was recorded. The old link, its Procedure, Tasks and stubs become
 * entered-in-error and a new link is made; nothing is overwritten, and everybody who got the old one is told.
 */

import { msOf } from '../../model/instant.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, isRefusal, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import { shown } from '../../model/resources/common.ts'
import type { DeviceState, LinkState, ReturnState, StubState, TaskState } from '../../model/states.ts'
import type { Change, Context, Decision, Forward } from '../step.ts'
import { deviceParameters } from './device-claim.ts'
import { forwardAgain } from './end-link.ts'
import { captureParameters, identityDoubts, patientParameters, siteNamed, wearParameters } from './link-device.ts'
import {
  type Application,
  applicationDoubts,
  conflicts,
  deviceAfter,
  linkable,
  make,
  orderDoubts,
  type Situation,
} from './make-link.ts'
import { futureDoubts, readStatedMaybe, type Stated } from './moments.ts'
import { stands } from './periods.ts'
import { recordsOfLink } from './records.ts'

export const correctLinkParameters = {
  reason: { type: 'string', min: 1, max: 1, about: 'Why it is corrected, in words.' },
  ...deviceParameters,
  deviceClock: wearParameters.deviceClock,
  appliedAt: { type: 'dateTime', min: 0, max: 1, about: 'The right moment of switching on, with offset.' },
  order: { type: 'Identifier', min: 0, max: 1, about: 'The placer number of the right order.' },
  site: wearParameters.site,
  performer: wearParameters.performer,
  bodySite: wearParameters.bodySite,
  ...patientParameters,
  ...captureParameters,
} as const satisfies ParameterTable

export type CorrectLinkParameters = ReadParameters<typeof correctLinkParameters>

/** The old link with what belongs to it, and the situation that the new one meets. */
export interface Correction {
  readonly old: LinkState
  readonly oldDevice: DeviceState
  readonly tasks: readonly TaskState[]
  readonly stubs: readonly StubState[]
  readonly returned?: ReturnState
  /** Of the right order and the right device; both may be those of the old link. */
  readonly right: Situation
  /** Every link of the old device. */
  readonly oldLinks: readonly LinkState[]
}

export interface Corrected {
  readonly linkId?: string
  readonly replacedId: string
}

const changing: readonly (keyof CorrectLinkParameters)[] = [
  'scan',
  'scanData',
  'deviceIdentifier',
  'serialNumber',
  'deviceClock',
  'appliedAt',
  'order',
  'site',
  'performer',
  'bodySite',
]

/** With a reason alone the link is withdrawn and has no successor. */
export const hasSuccessor = (p: CorrectLinkParameters): boolean => changing.some((name) => p[name].length > 0)

const withdraw = (c: Correction, p: CorrectLinkParameters, ctx: Context): { link: LinkState; changes: Change[] } => {
  const link: LinkState = { ...c.old, status: 'entered-in-error', correction: p.reason[0]?.value ?? '' }
  const changes: Change[] = [
    { fact: 'link-corrected', state: link, occurredAt: ctx.now },
    ...c.tasks
      .filter((t) => t.linkId === link.id && t.status !== 'entered-in-error')
      .map(
        (t): Change => ({
          fact: 'task-cancelled',
          state: { ...t, status: 'entered-in-error', modifiedAt: ctx.now },
          occurredAt: ctx.now,
        }),
      ),
    ...c.stubs
      .filter((s) => s.linkId === link.id)
      .map(
        (s): Change => ({ fact: 'stubs-withdrawn', state: { ...s, status: 'entered-in-error' }, occurredAt: ctx.now }),
      ),
  ]
  return { link, changes }
}

const asStated = (instant: string, text: string): Stated => ({
  instant,
  text,
  ms: msOf(instant),
  at: 'Parameters.parameter',
})

const sameDevice = (c: Correction): boolean => c.right.device.id === c.old.deviceId

/** An end that was stated is the wear's, whatever the device; one that followed from a return is that device's. */
const keepsEnd = (c: Correction): boolean =>
  c.old.endedAt !== undefined && (sameDevice(c) || c.old.endReason !== undefined || !c.old.returned)

const applicationOf = (c: Correction, p: CorrectLinkParameters, ctx: Context): Checked<Application> => {
  const { old, right } = c
  const appliedAt = readStatedMaybe(p.appliedAt[0])
  const site = siteNamed(p, p.order.length > 0 ? right.order.site : old.site, ctx)
  const future = appliedAt.ok ? futureDoubts(appliedAt.value, ctx) : []
  const problems = [...problemsOf(appliedAt, site), ...future]
  if (!appliedAt.ok || !site.ok) return refuse(problems)
  const clock =
    p.deviceClock[0] ??
    (sameDevice(c) && old.deviceClock !== undefined
      ? { value: old.deviceClock, at: 'Parameters.parameter' }
      : undefined)
  const performer = p.performer[0]?.value ?? old.performer
  const bodySite = p.bodySite[0]?.value ?? old.bodySite
  const expirationDate = sameDevice(c) ? old.expirationDate : right.device.expirationDate
  return accept({
    site: site.value,
    appliedAt: appliedAt.value ?? asStated(old.appliedAt, old.appliedAtWritten),
    ...(old.endedAt !== undefined &&
      keepsEnd(c) && { endedAt: asStated(old.endedAt, old.endedAtWritten ?? shown(old.endedAt)) }),
    ...(clock && { deviceClock: { text: clock.value, at: clock.at } }),
    ...(performer && { performer }),
    ...(bodySite !== undefined && { bodySite }),
    ...(expirationDate !== undefined && { expirationDate }),
  })
}

const samePatient = (c: Correction): boolean => c.right.order.patientId === c.old.patientId

/** Two identifiers where the patient changes; where it does not, what is stated all the same may not disagree. */
const identityOf = (c: Correction, p: CorrectLinkParameters, ctx: Context): readonly Problem[] => {
  const doubts = identityDoubts(p, c.right, ctx)
  return samePatient(c) ? doubts.filter((d) => d.code !== 'too-few-identifiers') : doubts
}

const asOld = (link: LinkState, old: LinkState): LinkState => ({
  ...link,
  status: old.status,
  ...(old.endReason && { endReason: old.endReason }),
  ...(old.endNote && { endNote: old.endNote }),
  ...(old.endAssumed && { endAssumed: true }),
})

/** The end, its reason and its status are those of the old link where its end is kept. */
const keepEnd = (changes: readonly Change[], c: Correction): Change[] =>
  changes.map((change) =>
    change.state.kind === 'link' && keepsEnd(c) ? { ...change, state: asOld(change.state, c.old) } : change,
  )

const successor = (c: Correction, p: CorrectLinkParameters, withdrawn: LinkState, ctx: Context) => {
  const application = applicationOf(c, p, ctx)
  const identity = identityOf(c, p, ctx)
  const ready = c.right.order.id === c.old.orderId ? [] : linkable(c.right.order)
  if (!application.ok) return refuse([...identity, ...ready, ...application.problems])
  const a = application.value
  const links = c.right.links.map((l) => (l.id === withdrawn.id ? withdrawn : l))
  const s: Situation = { ...c.right, links, returns: c.returned && sameDevice(c) ? [c.returned] : c.right.returns }
  const doubts: Problem[] = [
    ...identity,
    ...ready,
    ...(p.appliedAt.length > 0 ? futureDoubts(a.appliedAt, ctx) : []),
    ...orderDoubts(s, a),
    ...applicationDoubts(s, a, ctx),
    ...conflicts(s, a),
  ]
  if (doubts.some(isRefusal)) return refuse(doubts)
  const lineage = {
    replaces: c.old.id,
    correction: p.reason[0]?.value ?? '',
    tiedAt: samePatient(c) && sameDevice(c) ? c.old.tiedAt : ctx.now,
    ...(samePatient(c) && c.old.mergedFrom && { mergedFrom: c.old.mergedFrom }),
    ...(samePatient(c) && c.old.doubts && { doubts: c.old.doubts }),
  }
  return accept(make(s, a, ctx, 'device-linked', lineage), doubts)
}

const unique = (forward: readonly Forward[]): readonly Forward[] => [
  ...new Map(forward.map((f) => [`${f.orderId} ${f.readingService}`, f])).values(),
]

/** Two identifiers of the right patient are asked for when the patient changes. */
export const correctLink = (p: CorrectLinkParameters, c: Correction, ctx: Context): Checked<Decision<Corrected>> => {
  if (!stands(c.old))
    return refuse([
      refusal('link-ended', '', { found: c.old.status, note: 'It was corrected already; correct its successor.' }),
    ])
  const { link: withdrawn, changes } = withdraw(c, p, ctx)
  const replacedId = withdrawn.id
  const told = forwardAgain(c.tasks)
  const others = c.oldLinks.filter((l) => l.id !== withdrawn.id)
  if (!hasSuccessor(p)) {
    const back = c.returned ? [unmatched(c.returned)] : []
    return accept({
      changes: [...changes, ...back, deviceAfter(c.oldDevice, others, ctx)],
      records: recordsOfLink(withdrawn, 'UPDATE', ctx),
      forward: told,
      answer: { replacedId },
      warnings: [],
    })
  }
  const made = successor(c, p, withdrawn, ctx)
  if (!made.ok) return made
  const { link, tasks } = made.value
  const released = sameDevice(c)
    ? []
    : [...(c.returned ? [unmatched(c.returned)] : []), deviceAfter(c.oldDevice, others, ctx)]
  return accept({
    changes: [...changes, ...released, ...keepEnd(made.value.changes, c)],
    records: [...recordsOfLink(withdrawn, 'UPDATE', ctx), ...recordsOfLink(link, 'CREATE', ctx)],
    forward: unique([...told, ...tasks.map((t) => ({ orderId: link.orderId, readingService: t.readingService }))]),
    answer: { linkId: link.id, replacedId },
    warnings: made.warnings,
  })
}

/** A return whose link was withdrawn belongs to nobody again. */
const unmatched = (back: ReturnState): Change => {
  const { linkId: _link, orderId: _order, ...rest } = back
  return { fact: 'device-returned', state: rest, occurredAt: back.receivedAt }
}
