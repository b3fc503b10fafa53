/** What a revision or revocation of an order means for the work that others were asked for. */
import type { LinkState, OrderState, TaskState } from '../../model/states.ts'
import { takers, taskFor } from '../apply-device/make-link.ts'
import { stands } from '../apply-device/periods.ts'
import { withdrawWork } from '../forward-order/withdraw-work.ts'
import type { Change, Context, Fact } from '../step.ts'
import { revoked } from './order-state.ts'
import type { Known, Stored } from './place.ts'

/** An order that is active again asks again for the work that its revocation cancelled. */
const askAgain = (state: OrderState, tasks: readonly TaskState[], known: Known, ctx: Context): readonly Change[] => {
  const open = (l: LinkState, service: string) =>
    tasks.some(
      (t) => t.linkId === l.id && t.readingService === service && t.asks === 'fulfill' && t.status !== 'cancelled',
    )
  const links = known.links.filter((l) => l.orderId === state.id && stands(l))
  return links.flatMap((link) =>
    takers(state, ctx.parties.readingServices)
      .filter((service) => !open(link, service.id))
      .map(
        (service): Change => ({ fact: 'task-requested', state: taskFor(link, service.id, ctx), occurredAt: ctx.now }),
      ),
  )
}

/** A revision of an order that was forwarded goes to the same reading services; a revocation ends their work. */
export const followUp = (before: Stored | undefined, state: Stored, fact: Fact, known: Known, ctx: Context) => {
  if (state.kind !== 'order') return { changes: [], forward: [] }
  const tasks = known.tasks.filter((t) => t.orderId === state.id && t.status !== 'entered-in-error')
  const again = before?.kind === 'order' && revoked(before.status) && state.status === 'active'
  const changes = fact === 'order-revoked' ? withdrawWork(tasks, ctx) : again ? askAgain(state, tasks, known, ctx) : []
  const asked = changes.flatMap((c) => (c.state.kind === 'task' ? [c.state.readingService] : []))
  const services = [...new Set([...tasks.map((t) => t.readingService), ...asked])]
  return { changes, forward: services.map((readingService) => ({ orderId: state.id, readingService })) }
}
