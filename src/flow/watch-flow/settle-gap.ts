/** $acknowledge and $resolve: somebody has seen a gap; somebody decided what only a person can decide. */
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import type { Acknowledged, GapState, Mended, Mitigation } from '../../model/states.ts'
import { captureParameters } from '../apply-device/link-device.ts'
import { recordsOfGap } from '../apply-device/records.ts'
import { type Change, type Context, type Decision, unchanged } from '../step.ts'
import { ruleOf } from './gaps.ts'

export const mitigations = ['linked', 'returned', 'cancelled', 'confirmed', 'rescheduled'] as const

export const acknowledgeParameters = {
  note: { type: 'string', min: 0, max: 1, about: 'What else should be known.' },
  ...captureParameters,
} as const satisfies ParameterTable

export const resolveParameters = {
  action: { type: 'code', min: 1, max: 1, about: 'What was done about it.', codes: mitigations },
  note: { type: 'string', min: 1, max: 1, about: 'How it was decided, in words.' },
  ...captureParameters,
} as const satisfies ParameterTable

type Settled = Checked<Decision<{ readonly gapId: string }>>

const settled = (fact: Change['fact'], state: GapState, ctx: Context): Settled =>
  accept({
    changes: [{ fact, state, occurredAt: ctx.now }],
    records: recordsOfGap(state, ctx),
    answer: { gapId: state.id },
    warnings: [],
  })

/** Ends nothing: it is noted who has seen it, and when, and no alert tells anybody else of it. The same words again are the same. */
export const acknowledge = (p: ReadParameters<typeof acknowledgeParameters>, gap: GapState, ctx: Context): Settled => {
  const note = p.note[0]?.value
  const before = gap.acknowledged ?? []
  if (before.some((a) => a.by === ctx.caller.id && a.note === note)) return accept(unchanged({ gapId: gap.id }))
  const acknowledged: Acknowledged = { at: ctx.now, by: ctx.caller.id, ...(note !== undefined && { note }) }
  return settled('gap-acknowledged', { ...gap, acknowledged: [...before, acknowledged] }, ctx)
}

/** What closes it, for whom a word does not. */
const expected = (gap: GapState): string => {
  const { byHand, closes } = ruleOf(gap.code)
  return `${byHand.join(' or ') || 'no $resolve'}; what is recorded closes it: ${closes}`
}

/**
 * Closes a gap of which a person alone can say that it is over. Refused with `not-by-hand` where a record closes it and
 * a word does not, with `gap-closed` where it is closed already; the same words again are the same.
 */
export const resolve = (p: ReadParameters<typeof resolveParameters>, gap: GapState, ctx: Context): Settled => {
  const [given, words] = [p.action[0], p.note[0]]
  if (given === undefined || words === undefined) return refuse([refusal('missing-parameter', 'Parameters.parameter')])
  const action = given.value as Mitigation
  const { mended } = gap
  const again = mended?.by === ctx.caller.id && mended.action === action && mended.note === words.value
  if (again) return accept(unchanged({ gapId: gap.id }))
  if (!ruleOf(gap.code).byHand.includes(action))
    return refuse([refusal('not-by-hand', given.at, { found: `${gap.code}, ${action}`, expected: expected(gap) })])
  if (mended !== undefined)
    return refuse([
      refusal('gap-closed', '', {
        found: `${mended.action} at ${mended.at}`,
        note: 'If the same trouble comes again, it opens another.',
      }),
    ])
  const byHand: Mended = { at: ctx.now, action, by: ctx.caller.id, note: words.value }
  return settled('gap-resolved', { ...gap, mended: byHand }, ctx)
}
