/** The reading service's side of a Task: what it says to Daybind. */
import type { Task } from 'fhir/r4.js'

export interface TaskAnswer extends Partial<Pick<Task, 'statusReason' | 'businessStatus' | 'output' | 'note'>> {
  /** FHIR base of Daybind. */
  readonly daybind: string
  readonly token?: string
  /** Daybind's id of the Task: the value of its identifier. */
  readonly taskId: string
  readonly status: Task['status']
}

export interface TaskAnswered {
  readonly status: number
  /** The Task as it is now, or an OperationOutcome. */
  readonly body: unknown
}

/**
 * Reads the Task, then puts it back with the new status, on the condition that it is still the version that was read.
 * Gives the answer to the last of the two calls; throws only when there is none.
 */
export async function answerTask({ daybind, token, taskId, status, ...said }: TaskAnswer): Promise<TaskAnswered> {
  const address = `${daybind.replace(/\/+$/, '')}/Task/${encodeURIComponent(taskId)}`
  const headers = { Accept: 'application/fhir+json', ...(token ? { Authorization: `Bearer ${token}` } : {}) }
  const read = await fetch(address, { headers })
  const held: unknown = await read.json()
  if (!read.ok || typeof held !== 'object') return { status: read.status, body: held }
  const put = await fetch(address, {
    method: 'PUT',
    headers: {
      ...headers,
      'Content-Type': 'application/fhir+json',
      ...(read.headers.has('etag') ? { 'If-Match': `${read.headers.get('etag')}` } : {}),
    },
    body: JSON.stringify({ ...held, ...said, status }),
  })
  return { status: put.status, body: await put.json() }
}
