/** $end-link: the recorder is off the patient: removed, failed, lost or replaced. */
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import type { DeviceState, LinkEndReason, LinkState, TaskState } from '../../model/states.ts'
import { type Context, type Decision, type Forward, unchanged } from '../step.ts'
import { captureParameters } from './link-device.ts'
import { deviceAfter, returnDue } from './make-link.ts'
import { endsAfter, statedMoment } from './moments.ts'
import { isOpen, stands } from './periods.ts'
import { recordsOfLink } from './records.ts'

export const linkEndReasons = ['removed', 'failed', 'lost', 'replaced'] as const

export const endLinkParameters = {
  endedAt: { type: 'dateTime', min: 1, max: 1, about: 'When the recorder came off, with offset.' },
  reason: { type: 'code', min: 1, max: 1, about: 'Why.', codes: linkEndReasons },
  note: { type: 'string', min: 0, max: 1, about: 'What else should be known.' },
  ...captureParameters,
} as const satisfies ParameterTable

export interface LinkSituation {
  readonly link: LinkState
  readonly device: DeviceState
  /** Every link of the device. */
  readonly links: readonly LinkState[]
  /** Of the link's order. */
  readonly tasks: readonly TaskState[]
}

/** A change of a link goes to everybody who got it. */
export const forwardAgain = (tasks: readonly TaskState[]): readonly Forward[] =>
  [...new Map(tasks.map((t) => [`${t.orderId} ${t.readingService}`, t])).values()].map(
    ({ orderId, readingService }) => ({ orderId, readingService }),
  )

/** removed → completed; failed, lost and replaced → stopped. */
export const statusAfter = (reason: LinkEndReason): 'completed' | 'stopped' =>
  reason === 'removed' ? 'completed' : 'stopped'

/** An ended link is refused with 409, unless the same end is told again. */
export const endLink = (
  p: ReadParameters<typeof endLinkParameters>,
  s: LinkSituation,
  ctx: Context,
): Checked<Decision<{ linkId: string }>> => {
  const [given, why] = [p.endedAt[0], p.reason[0]]
  if (given === undefined || why === undefined) return refuse([refusal('missing-parameter', 'Parameters.parameter')])
  const reason = why.value as LinkEndReason
  const endedAt = statedMoment(given, ctx)
  if (!endedAt.ok) return endedAt
  const answer = { linkId: s.link.id }
  if (!isOpen(s.link)) {
    if (stands(s.link) && s.link.endedAt === endedAt.value.instant && s.link.endReason === reason)
      return accept(unchanged(answer))
    return refuse([
      refusal('link-ended', '', { found: s.link.status, note: 'To change what was recorded, correct the link.' }),
    ])
  }
  const problems = endsAfter(s.link.appliedAt, endedAt.value)
  if (problems.length > 0) return refuse(problems)
  const note = p.note[0]?.value
  const link: LinkState = {
    ...s.link,
    status: statusAfter(reason),
    endedAt: endedAt.value.instant,
    endedAtWritten: endedAt.value.text,
    endReason: reason,
    ...returnDue(s.link.site, endedAt.value.instant, ctx),
    ...(note !== undefined && { endNote: note }),
  }
  const links = s.links.map((l) => (l.id === link.id ? link : l))
  return accept({
    changes: [
      { fact: 'link-ended', state: link, occurredAt: endedAt.value.instant },
      deviceAfter(s.device, links, ctx),
    ],
    records: recordsOfLink(link, 'UPDATE', ctx),
    forward: forwardAgain(s.tasks),
    answer,
    warnings: [],
  })
}
