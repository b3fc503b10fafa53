/** forward-order over HTTP: the reading service's answer, and the operator's view of deliveries. */
import type { Task } from 'fhir/r4.js'
import { destinationIds } from '../../flow/forward-order/write-back.ts'
import { needsAtReadingService, needsAtSource, writePlan } from '../../flow/forward-order/write-plan.ts'
import { readPreconditions } from '../../model/preconditions.ts'
import { accept, type Checked, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { TaskState } from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import type { Peer } from '../fhir/peer.ts'
import {
  type DeliveryFilter,
  destinationsOfMessages,
  fates,
  listDeliveries,
  replayDelivery,
} from '../postgres/deliveries.ts'
import { listDestinations, pauseDestination, resumeDestination } from '../postgres/destinations.ts'
import { isId, readResource } from '../postgres/find-resources.ts'
import type { StepRunner, Told } from '../postgres/run-step.ts'
import { takeAnswer, taskById } from '../postgres/take-answer.ts'
import type { Queue } from '../queue/queue.ts'
import type { Statements } from '../queue/statements.ts'
import { type Call, json, problemReply, queryValue, type Reply, type Route } from './call.ts'
import { writtenReply } from './prefer.ts'
import { conditionsOf } from './read-incoming.ts'

/** A reading service answers for its own work only; what is another's is not there. */
const ownTask = async (runner: StepRunner, call: Call, id: string): Promise<Checked<TaskState>> => {
  const seen = await readResource(runner.db, 'Task', id, call.sight)
  const task = seen && (await taskById(runner.db, id))
  const theirs =
    task !== undefined && (call.caller.role !== 'reading-service' || task.readingService === call.caller.id)
  return task && theirs ? accept(task) : refuse([refusal('not-known')])
}

const idOfCriterion = (call: Call): Checked<string> => {
  const [only, ...others] = call.query
  const [system, value] = only?.[0] === 'identifier' && others.length === 0 ? only[1].split('|') : []
  if (system === identifierSystems.Task && value !== undefined) return accept(value)
  return refuse([
    refusal('wrong-parameter', '', {
      found: only?.join('='),
      expected: `identifier=${identifierSystems.Task}|<value>`,
      location: 'http.identifier',
    }),
  ])
}

/** Takes the answer; with `call.dryRun` everything but that. */
export const answerOne = async (runner: StepRunner, call: Call): Promise<Checked<Told>> => {
  const id = call.params.id === undefined ? idOfCriterion(call) : accept(call.params.id)
  const task = id.ok ? await ownTask(runner, call, id.value) : id
  if (!task.ok) return task
  const problems = [...checkResource(call.body, ['Task'])]
  const written = call.body as Task
  if (problems.length === 0 && written.id !== undefined && written.id !== task.value.id)
    problems.push(refusal('wrong-id', 'Task.id', { found: written.id, expected: task.value.id }))
  const conditions = readPreconditions(conditionsOf(call), '')
  problems.push(...problemsOf(conditions))
  if (problems.length > 0 || !conditions.ok) return refuse(problems)
  return takeAnswer(runner, {
    task: task.value,
    says: () => written,
    conditions: conditions.value,
    caller: call.caller,
    requestId: call.requestId,
    inbound: { route: 'PUT /fhir/Task', body: call.text },
    dryRun: call.dryRun,
  })
}

const answer =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> =>
    writtenReply(call, await answerOne(runner, call))

const listParameters = ['order', 'destination', 'fate', 'count', 'before'] as const

const usualPage = 100
const longestPage = 1000

const isNumber = (text: string): boolean => /^[1-9]\d{0,14}$/.test(text)
const aNumber = 'a whole number above zero'

/** What is asked of the list; a filter that nothing can fit is refused rather than answered with nothing. */
const readFilter = async (
  { db, parties }: StepRunner,
  { query }: Call,
): Promise<Checked<{ filter: DeliveryFilter; limit: number }>> => {
  const { count, before, ...asked }: Partial<Record<(typeof listParameters)[number], string>> =
    Object.fromEntries(query)
  const { order, destination, fate } = asked
  const known = new Set(destinationIds(parties))
  if (destination !== undefined && !known.has(destination))
    for (const id of await destinationsOfMessages(db)) known.add(id)
  const problems: Problem[] = []
  const check = (name: string, found: string | undefined, fits: (text: string) => boolean, expected: string) => {
    if (found !== undefined && !fits(found))
      problems.push(refusal('wrong-parameter', '', { found, expected, location: `http.${name}` }))
  }
  check('order', order, isId, 'the id of an order')
  check('destination', destination, (id) => known.has(id), [...known].join(', ') || 'none: there are no destinations')
  check('fate', fate, (f) => (fates as readonly string[]).includes(f), fates.join(', '))
  check('count', count, isNumber, aNumber)
  check('before', before, isNumber, aNumber)
  if (problems.length > 0) return refuse(problems)
  const filter = { ...asked, ...(before !== undefined && { before: Number(before) }) }
  return accept({ filter, limit: Math.min(Number(count ?? usualPage), longestPage) })
}

/** `next` is the address of what follows; absent on the last page. Stable while messages arrive: newest first. */
const list =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const asked = await readFilter(runner, call)
    if (!asked.ok) return problemReply(asked.problems)
    const { filter, limit } = asked.value
    const { deliveries, next } = await listDeliveries(runner.db, filter, limit)
    const further = { ...filter, count: limit, before: next }
    const query = new URLSearchParams(Object.entries(further).map(([k, v]): [string, string] => [k, `${v}`]))
    return json(200, { deliveries, ...(next !== undefined && { next: `/deliveries?${query}` }) })
  }

const listAll = (runner: StepRunner) => async (): Promise<Reply> => {
  const ids = destinationIds(runner.parties)
  return json(200, { destinations: await listDestinations(runner.db, ids) })
}

const replay =
  (runner: StepRunner, queue: Queue) =>
  async (call: Call): Promise<Reply> => {
    const queued = await runner.db.transaction(async (tx) => {
      await tx.script('begin')
      const row = await replayDelivery(tx, call.params.id ?? '')
      if (typeof row !== 'string') await queue.announce(tx, [row])
      await tx.script(call.dryRun ? 'rollback' : 'commit')
      return row
    })
    return typeof queued === 'string' ? problemReply([refusal(queued)]) : json(202, queued)
  }

const pause =
  (runner: StepRunner, paused: boolean) =>
  async (call: Call): Promise<Reply> => {
    const id = call.params.id ?? ''
    if (!destinationIds(runner.parties).includes(id)) return problemReply([refusal('not-known')])
    if (call.dryRun) return json(200, { destination: id, paused })
    if (paused) await pauseDestination(runner.db, id, `paused by ${call.caller.id}`)
    else await resumeDestination(runner.db, id)
    return json(200, { destination: id, paused })
  }

interface Outside {
  readonly peers: ReadonlyMap<string, Peer>
  readonly statements: Statements
}

/**
 * What is written to a destination and how, by what its server says of itself; why not, where it does not say.
 * `refresh=true` asks it anew, and deliveries go by the new answer too.
 */
const plan =
  ({ parties }: StepRunner, { peers, statements }: Outside) =>
  async (call: Call): Promise<Reply> => {
    const id = call.params.id ?? ''
    const peer = peers.get(id)
    if (peer === undefined) return problemReply([refusal('not-known')])
    const refresh = queryValue(call, 'refresh') ?? 'false'
    if (refresh !== 'true' && refresh !== 'false')
      return problemReply([
        refusal('wrong-parameter', '', { found: refresh, expected: 'true or false', location: 'http.refresh' }),
      ])
    const answer = await statements.of(peer, { refresh: refresh === 'true' })
    if (answer.fate !== 'answered') return json(200, { destination: id, trouble: answer.reason, rows: [] })
    const isSource = parties.sources.some((s) => s.id === id)
    const rows = writePlan(answer.body, isSource ? needsAtSource : needsAtReadingService)
    return json(200, { destination: id, rows: rows.map(({ type, how, why }) => ({ type, how, why })) })
  }

export const forwardOrderRoutes = (runner: StepRunner, queue: Queue, outside: Outside): readonly Route[] => {
  const operator = ['operator'] as const
  return [
    {
      method: 'PUT',
      url: '/fhir/Task/:id',
      may: ['reading-service', 'operator'],
      step: 'forward-order',
      fhir: { types: ['Task'], interaction: 'update' },
      find: async (call) => problemsOf(await ownTask(runner, call, call.params.id ?? '')),
      handle: answer(runner),
    },
    {
      method: 'PUT',
      url: '/fhir/Task',
      query: ['identifier'],
      may: ['reading-service', 'operator'],
      step: 'forward-order',
      fhir: { types: ['Task'], conditional: 'update' },
      handle: answer(runner),
    },
    {
      method: 'GET',
      url: '/deliveries',
      query: listParameters,
      may: operator,
      step: 'operate',
      handle: list(runner),
    },
    { method: 'GET', url: '/destinations', query: [], may: operator, step: 'operate', handle: listAll(runner) },
    {
      method: 'GET',
      url: '/destinations/:id/plan',
      query: ['refresh'],
      may: operator,
      step: 'operate',
      handle: plan(runner, outside),
    },
    { method: 'POST', url: '/deliveries/:id/replay', may: operator, step: 'operate', handle: replay(runner, queue) },
    { method: 'POST', url: '/destinations/:id/pause', may: operator, step: 'operate', handle: pause(runner, true) },
    { method: 'POST', url: '/destinations/:id/resume', may: operator, step: 'operate', handle: pause(runner, false) },
  ]
}
