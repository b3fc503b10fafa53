/** What becomes of a reading service's work when the order is revoked or the link was recorded in error. */
import type { TaskState } from '../../model/states.ts'
import type { Change, Context } from '../step.ts'

/** Statuses from which a Task may still be cancelled; after the work began only its performer may stop it. */
const cancellable = ['requested', 'received', 'accepted', 'ready']

const over = ['completed', 'failed', 'cancelled', 'rejected', 'entered-in-error']

export const isOver = (task: TaskState): boolean => over.includes(task.status)

/** A Task of its own: what was said about the work is not said about stopping it. */
const abortOf = ({ linkId, orderId, patientId, site, readingService, id }: TaskState, ctx: Context): TaskState => ({
  kind: 'task',
  id: ctx.newId(),
  linkId,
  orderId,
  patientId,
  site,
  readingService,
  asks: 'abort',
  about: id,
  status: 'requested',
  authoredAt: ctx.now,
  modifiedAt: ctx.now,
})

/**
 * Cancels what has not begun. Work in progress is left to the reading service: it is asked to stop by an `abort`
 * Task (HL7 Clinical Order Workflows, 1.0.0-ballot: after in-progress the placer must request cancellation).
 */
export const withdrawWork = (tasks: readonly TaskState[], ctx: Context): readonly Change[] =>
  tasks
    .filter((t) => !isOver(t) && t.asks !== 'abort')
    .map((task): Change => {
      if (cancellable.includes(task.status))
        return {
          fact: 'task-cancelled',
          state: { ...task, status: 'cancelled', modifiedAt: ctx.now },
          occurredAt: ctx.now,
        }
      return { fact: 'task-requested', state: abortOf(task, ctx), occurredAt: ctx.now }
    })
