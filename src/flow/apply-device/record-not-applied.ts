/** $record-not-applied: no recorder was fitted at the visit, and why. */

import { msOf } from '../../model/instant.ts'
import { localDateOf } from '../../model/local-day.ts'
import { readDate } from '../../model/moment.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { LinkState, NotApplied, OrderState } from '../../model/states.ts'
import { type Context, type Decision, unchanged } from '../step.ts'
import { captureParameters } from './link-device.ts'
import { zonesOf } from './moments.ts'
import { isOpen } from './periods.ts'
import { recordsOfNotApplied } from './records.ts'

export const notAppliedReasons = ['no-show', 'declined', 'unfit', 'rescheduled'] as const

export const recordNotAppliedParameters = {
  reason: { type: 'code', min: 1, max: 1, about: 'Why no recorder was fitted.', codes: notAppliedReasons },
  newDate: { type: 'date', min: 0, max: 1, about: 'The new day of the visit.' },
  note: { type: 'string', min: 0, max: 1, about: 'What else should be known.' },
  ...captureParameters,
} as const satisfies ParameterTable

/** Nobody comes on a day that is over at the order's site, and nobody reads its evening any more. */
const pastDoubts = (newDate: string | undefined, at: string, order: OrderState, ctx: Context): readonly Problem[] => {
  const today = localDateOf(msOf(ctx.now), zonesOf(order.site, ctx))
  if (newDate === undefined || newDate >= today) return []
  return [refusal('in-the-past', at, { found: newDate, expected: `${today}, the present day of the site, or later` })]
}

/** An order with an open link is refused: its recorder was fitted. So is a new date before the site's present day. */
export const recordNotApplied = (
  p: ReadParameters<typeof recordNotAppliedParameters>,
  order: OrderState,
  links: readonly LinkState[],
  ctx: Context,
): Checked<Decision<{ orderId: string }>> => {
  const reason = p.reason[0]?.value
  if (reason === undefined) return refuse([refusal('missing-parameter', 'Parameters.parameter')])
  const given = p.newDate[0]
  const newDate = given ? readDate(given.value, given.at) : accept(undefined)
  if (!newDate.ok) return newDate
  const note = p.note[0]?.value
  const before = order.notApplied
  const again = before?.reason === reason && before.newDate === newDate.value && before.note === note
  const problems = [
    ...(again ? [] : pastDoubts(newDate.value, given?.at ?? '', order, ctx)),
    ...(links.some(isOpen) ? [refusal('order-linked', '', { note: 'End or correct the link first.' })] : []),
  ]
  if (problems.length > 0) return refuse(problems)
  if (again) return accept(unchanged({ orderId: order.id }))
  const { visitDay, ...rest } = order
  const day = newDate.value ?? (reason === 'rescheduled' ? undefined : visitDay)
  const notApplied: NotApplied = {
    reason,
    ...(visitDay !== undefined && { day: visitDay }),
    recordedAt: ctx.now,
    ...(newDate.value !== undefined && { newDate: newDate.value }),
    ...(note !== undefined && { note }),
  }
  const saidNotApplied = [...(order.saidNotApplied ?? []), notApplied]
  const state: OrderState = { ...rest, ...(day !== undefined && { visitDay: day }), notApplied, saidNotApplied }
  return accept({
    changes: [{ fact: 'not-applied', state, occurredAt: ctx.now }],
    records: recordsOfNotApplied(state, notApplied, ctx),
    answer: { orderId: order.id },
    warnings: [],
  })
}
