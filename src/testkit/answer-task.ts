/** The reading service's side of a Task: what it says to Daybind. */
import type { Task } from 'fhir/r4.js'
import { isResource } from './answers.ts'
import { type Answered, callDaybind } from './calls.ts'
import type { Conversation } from './conversation.ts'
import { isNextStep, mayBecome } from './linked-order.ts'
import { type Finding, looked } from './rules.ts'

export interface TaskSaid extends Partial<Pick<Task, 'statusReason' | 'businessStatus' | 'output' | 'note'>> {
  /** Daybind's id of the Task: the value of its identifier. */
  readonly taskId: string
  readonly status: Task['status']
}

export interface TaskAnswer extends TaskSaid {
  /** FHIR base of Daybind. */
  readonly daybind: string
  readonly token?: string
}

export interface TaskAnswered {
  readonly status: number
  /** The Task as it is now, or an OperationOutcome. */
  readonly body: unknown
}

/** A step that leaves others out is Daybind's to take or to refuse. */
function aboutStep(from: unknown, to: Task['status'], { status, body }: Answered): Finding[] {
  if (typeof from !== 'string' || from === to) return []
  const now = isResource(body) && body.resourceType === 'Task' ? body.status : undefined
  if (isNextStep(from, to))
    return looked(
      'task-step',
      status === 200 ? undefined : `${status}, not 200`,
      now === to ? undefined : `the status is ${now}, not ${to}`,
    )
  return mayBecome(from, to) ? [] : looked('task-back', status === 409 ? undefined : `${status}, not 409`)
}

/** Reads the Task, then puts it back with the new status, on the condition that it is still the version that was read. */
export async function sayOfTask(call: Conversation['call'], { taskId, status, ...said }: TaskSaid): Promise<Answered> {
  const path = `Task/${encodeURIComponent(taskId)}`
  const read = await call(() => [], 'GET', path)
  if (read.status !== 200 || !isResource(read.body)) return read
  const from = 'status' in read.body ? read.body.status : undefined
  const etag = read.headers.get('etag')
  return call(
    (answer) => aboutStep(from, status, answer),
    'PUT',
    path,
    { ...read.body, ...said, status },
    etag === null ? {} : { 'If-Match': etag },
  )
}

/**
 * The same, without a record of it. Gives the answer to the last of the two calls; throws only when there is none.
 */
export async function answerTask({ daybind, token, ...said }: TaskAnswer): Promise<TaskAnswered> {
  const there = { base: daybind.replace(/\/+$/, ''), ...(token && { token }) }
  const { status, body, trouble } = await sayOfTask((_find, ...asked) => callDaybind(there, ...asked), said)
  if (trouble !== undefined) throw new Error(trouble)
  return { status, body }
}
