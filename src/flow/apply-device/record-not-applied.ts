/** $record-not-applied: no recorder was fitted at the visit, and why. */

import { readDate } from '../../model/moment.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import type { LinkState, OrderState } from '../../model/states.ts'
import { type Context, type Decision, unchanged } from '../step.ts'
import { captureParameters } from './link-device.ts'
import { isOpen } from './periods.ts'

export const notAppliedReasons = ['no-show', 'declined', 'unfit', 'rescheduled'] as const

export const recordNotAppliedParameters = {
  reason: { type: 'code', min: 1, max: 1, about: 'Why no recorder was fitted.', codes: notAppliedReasons },
  newDate: { type: 'date', min: 0, max: 1, about: 'The new day of the visit.' },
  note: { type: 'string', min: 0, max: 1, about: 'What else should be known.' },
  ...captureParameters,
} as const satisfies ParameterTable

/** An order with an open link is refused: its recorder was fitted. */
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
  if (links.some(isOpen)) return refuse([refusal('order-linked', '', { note: 'End or correct the link first.' })])
  const note = p.note[0]?.value
  const before = order.notApplied
  if (before?.reason === reason && before.newDate === newDate.value && before.note === note)
    return accept(unchanged({ orderId: order.id }))
  const { visitDay, ...rest } = order
  const day = newDate.value ?? (reason === 'rescheduled' ? undefined : visitDay)
  const state: OrderState = {
    ...rest,
    ...(day !== undefined && { visitDay: day }),
    notApplied: {
      reason,
      ...(visitDay !== undefined && { day: visitDay }),
      recordedAt: ctx.now,
      ...(newDate.value !== undefined && { newDate: newDate.value }),
      ...(note !== undefined && { note }),
    },
  }
  return accept({
    changes: [{ fact: 'not-applied', state, occurredAt: ctx.now }],
    answer: { orderId: order.id },
    warnings: [],
  })
}
