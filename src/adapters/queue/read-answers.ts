/**
 * What a reading service says of its work without calling us: in its answer to a message, or in the Task on its own
 * server, which is looked at from time to time. It is decided as if they had sent it.
 */
import { randomUUIDv7 } from 'node:crypto'
import type { FhirResource, Task } from 'fhir/r4.js'
import type { Logger } from 'pino'
import { answersThere } from '../../flow/forward-order/answer-task.ts'
import { taskResource } from '../../model/resources/link-resources.ts'
import { identifierSystems } from '../../model/systems.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import type { Peer } from '../fhir/peer.ts'
import type { StepRunner } from '../postgres/run-step.ts'
import { takeAnswer, taskById } from '../postgres/take-answer.ts'
import { afterLooks, type LookPace, lookLater, openTasks, takeLooks } from '../postgres/task-looks.ts'

export interface Answers {
  /** A message arrived, and this was answered to it. */
  arrived(orderId: string, readingService: string, answered: readonly FhirResource[], requestId: string): Promise<void>
  /**
   * Takes what they have said of an order in Tasks of theirs, before a message about it goes there and would take it
   * back. Where they do not let us look there is nothing.
   * @returns whether something was new
   */
  before(orderId: string, peer: Peer, requestId: string): Promise<boolean>
  /** Looks at what is due with each reading service; one that is slow or dead holds up no other. */
  look(): Promise<void>
}

interface Looking {
  readonly runner: StepRunner
  readonly peers: ReadonlyMap<string, Peer>
  readonly pace: LookPace
  readonly log: Logger
}

/** So many Tasks are asked for in one search, and so many are looked at in one go. */
const [inOneSearch, inOneGo] = [20, 200]

const ourIdOf = (task: Task): string =>
  (task.identifier ?? []).find((i) => i.system === identifierSystems.Task)?.value ?? ''

/**
 * Takes what is new in one Task of theirs. What cannot follow what we know is told to the log and changes nothing.
 * @returns whether something was new
 */
const take = async ({ runner, log }: Looking, service: string, there: Task, requestId: string): Promise<boolean> => {
  const task = await taskById(runner.db, ourIdOf(there))
  const base = runner.parties.readingServices.find((r) => r.id === service)?.fhir
  if (task === undefined || base === undefined || task.readingService !== service || task.asks !== 'fulfill')
    return false
  const shown = taskResource(task)
  let news = false
  for (const says of answersThere(shown, there, base)) {
    const problems = checkResource(says(shown), ['Task'])
    const taken =
      problems.length > 0
        ? { ok: false as const }
        : await takeAnswer(runner, {
            task,
            says,
            caller: { id: service, role: 'reading-service' },
            requestId,
            inbound: { route: 'GET Task', body: JSON.stringify(there) },
          })
    log[taken.ok ? 'info' : 'warn'](
      { step: 'forward-order', destination: service, task: task.id, requestId },
      taken.ok ? 'answer read there' : 'an answer that was read there cannot be taken',
    )
    if (!taken.ok) return news
    news = true
  }
  return news
}

const isTask = (resource: FhirResource | undefined): resource is Task => resource?.resourceType === 'Task'

/** One search for several Tasks of ours. */
const lookFor = async (
  l: Looking,
  peer: Peer,
  ids: readonly string[],
  requestId: string,
): Promise<boolean | undefined> => {
  const identifier = ids.map((id) => `${identifierSystems.Task}|${id}`).join(',')
  const answer = await peer.search('Task', { identifier, _count: `${inOneSearch}` }, requestId)
  if (answer.fate !== 'answered') return undefined
  let news = false
  for (const { resource } of answer.body.entry ?? [])
    if (isTask(resource as FhirResource)) news = (await take(l, peer.id, resource as Task, requestId)) || news
  return news
}

const lookAt = async (l: Looking, peer: Peer): Promise<void> => {
  const due = await takeLooks(l.runner.db, peer.id, l.pace, inOneGo)
  for (let i = 0; i < due.length; i += inOneSearch) {
    const ids = due.slice(i, i + inOneSearch)
    // deliveries close a destination; who only looks comes again
    if ((await lookFor(l, peer, ids, randomUUIDv7())) === undefined) return
    await afterLooks(l.runner.db, ids, l.pace)
  }
}

export const openAnswers = (l: Looking): Answers => ({
  arrived: async (orderId, readingService, answered, requestId) => {
    await lookLater(l.runner.db, orderId, readingService, l.pace)
    for (const task of answered.filter(isTask)) await take(l, readingService, task, requestId)
  },
  before: async (orderId, peer, requestId) => {
    const ids = await openTasks(l.runner.db, orderId, peer.id)
    return ids.length > 0 && ((await lookFor(l, peer, ids.slice(0, inOneSearch), requestId)) ?? false)
  },
  look: async () => {
    await Promise.all([...l.peers.values()].map((peer) => lookAt(l, peer)))
  },
})
