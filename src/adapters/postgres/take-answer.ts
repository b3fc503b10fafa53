/** A reading service's answer to its work becomes a fact, however it came: by their call, in their answer, or read there. */
import type { Task } from 'fhir/r4.js'
import { answerTask } from '../../flow/forward-order/answer-task.ts'
import { type Preconditions, unmet } from '../../model/preconditions.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import { taskResource } from '../../model/resources/link-resources.ts'
import type { TaskState } from '../../model/states.ts'
import type { Tx } from './database.ts'
import { answerDelivery } from './deliveries.ts'
import { readResource } from './find-resources.ts'
import { ordersById, statesById } from './load-states.ts'
import { resourceText } from './resource-text.ts'
import { orderLock, runStep, type StepCall, type StepRunner, type Told } from './run-step.ts'

export const taskById = async (tx: Tx, id: string): Promise<TaskState | undefined> =>
  (await statesById(tx, 'task', [id])).find((s): s is TaskState => s.kind === 'task')

export interface TaskAnswer extends Pick<StepCall, 'caller' | 'requestId' | 'inbound' | 'dryRun'> {
  /** As it was when it was asked for. */
  readonly task: TaskState
  /** What they say, made from the Task as we show it now. */
  readonly says: (shown: Task) => Task
  readonly conditions?: Preconditions
}

/** Takes the answer under the lock of its order. What they said before changes nothing. */
export const takeAnswer = async (runner: StepRunner, answer: TaskAnswer): Promise<Checked<Told>> => {
  const { task, says, conditions, ...acting } = answer
  return runStep(
    runner,
    { ...acting, step: 'forward-order', locks: (await ordersById(runner.db, [task.orderId])).map(orderLock) },
    {
      load: async (tx) => {
        const [state, row] = [await taskById(tx, task.id), await readResource(tx, 'Task', task.id, undefined)]
        if (!state || !row) return refuse([refusal('not-known')])
        const stale = conditions === undefined ? [] : unmet(conditions, row.version, '')
        return stale.length > 0 ? refuse(stale) : accept(state)
      },
      decide: (state, ctx) => {
        const shown = taskResource(state)
        return answerTask(says(shown), shown, state, ctx)
      },
      tell: async (tx, { answer: said }) => {
        if (said.taken !== undefined) await answerDelivery(tx, task, said.taken)
        const row = await readResource(tx, 'Task', said.taskId, undefined)
        if (row === undefined) throw new Error('the task is not stored')
        const headers = { etag: `W/"${row.version}"`, 'last-modified': new Date(row.updated).toUTCString() }
        return { status: 200, body: resourceText(row), headers }
      },
    },
  )
}
