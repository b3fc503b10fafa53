/** PUT Task: the reading service's answer to the work that it was asked for. */
import type { Task } from 'fhir/r4.js'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { TaskState } from '../../model/states.ts'
import { systems } from '../../model/systems.ts'
import { canonical, mapTree, type Tree } from '../../model/tree.ts'
import { type Context, type Decision, unchanged } from '../step.ts'

/** What the reading service may say. */
const answers = ['received', 'accepted', 'rejected', 'in-progress', 'completed', 'failed'] as const

/**
 * Which status may follow which. Source: http://hl7.org/fhir/R4/task.html#statemachine, and more: a service that begins
 * at once may go from `requested` or `received` to `in-progress`, and one that is done at once need not say that it
 * began. What was accepted is not rejected any more; it fails.
 */
const next: Readonly<Record<string, readonly string[]>> = {
  requested: ['received', 'accepted', 'rejected', 'in-progress'],
  received: ['accepted', 'rejected', 'in-progress'],
  accepted: ['in-progress', 'completed', 'failed'],
  'in-progress': ['completed', 'failed'],
}

/**
 * The steps from one status to another, the last one included: who looks seldom misses some in between.
 * @returns undefined where no steps lead there
 */
export const stepsTo = (from: string, to: string): readonly string[] | undefined => {
  let ways: readonly (readonly string[])[] = [[from]]
  for (const _step of Object.keys(next)) {
    const there = ways.find((way) => way.at(-1) === to)
    if (there) return there.slice(1)
    ways = ways.flatMap((way) => (next[way.at(-1) ?? ''] ?? []).map((status) => [...way, status]))
  }
  return ways.find((way) => way.at(-1) === to)?.slice(1)
}

const theirs = ['status', 'statusReason', 'businessStatus', 'output', 'note'] as const

/** Elements that two writings of one Task may differ in without meaning anything. */
const ignored = new Set<string>([...theirs, 'id', 'meta', 'text', 'lastModified'])

/**
 * A Task as it can come back from a server of theirs: the references that a transaction rewrote lead elsewhere, and the
 * identifiers of our deliveries are in it.
 */
const comparable = (task: Task): Tree => {
  const identifier = (task.identifier ?? []).filter((i) => i.system !== systems.deliveries)
  const alike = mapTree(task as unknown as Tree, (node) =>
    'reference' in node ? { ...node, reference: 'there' } : node,
  )
  return { ...alike, ...(identifier.length > 0 && { identifier }) }
}

/** An address on their server, so that nobody takes it for one of ours. */
const atTheirs = (node: Tree, base: string): Tree =>
  typeof node.reference === 'string' && /^[A-Z][A-Za-z]+\//.test(node.reference)
    ? { ...node, reference: `${base}/${node.reference}` }
    : node

/** A Task on their server as an answer: their elements alone, whatever else may differ there. */
const saidThere = (shown: Task, there: Task, base: string, status: string): Task => {
  const said = theirs.flatMap((name) => (there[name] === undefined ? [] : [[name, there[name]] as const]))
  return { ...shown, ...mapTree(Object.fromEntries(said) as Tree, (node) => atTheirs(node, base)), status } as Task
}

/**
 * What a Task on their server says of the work and we do not know yet, as answers to be taken one after another. What
 * they do not say there they may have said to us; an older status there is what we sent.
 * @param base of their FHIR server
 */
export const answersThere = (shown: Task, there: Task, base: string): readonly ((shown: Task) => Task)[] => {
  const steps = stepsTo(shown.status, there.status)
  if (steps === undefined) return []
  if (steps.length === 0 && canonical(saidThere(shown, there, base, shown.status)) === canonical(shown)) return []
  return (steps.length > 0 ? steps : [shown.status]).map((status) => (now) => saidThere(now, there, base, status))
}

const otherChanges = (written: Task, stored: Task): readonly Problem[] => {
  const [a, b] = [comparable(written), comparable(stored)]
  const names = new Set([...Object.keys(a), ...Object.keys(b)].filter((name) => !ignored.has(name)))
  return [...names]
    .filter((name) => canonical(a[name]) !== canonical(b[name]))
    .map((name) =>
      refusal('element-not-changeable', `Task.${name}`, { expected: `unchanged; you may change ${theirs.join(', ')}` }),
    )
}

const stepProblem = (from: string, to: string): readonly Problem[] => {
  if (from === to) return []
  if (!(answers as readonly string[]).includes(to))
    return [refusal('element-not-changeable', 'Task.status', { found: to, expected: answers.join(' | ') })]
  if (next[from]?.includes(to)) return []
  return [
    refusal('illegal-step', 'Task.status', {
      found: `${from} → ${to}`,
      expected: next[from]?.join(' | ') ?? `nothing after ${from}`,
    }),
  ]
}

/** @param stored the Task as we show it, to compare with */
export const answerTask = (
  written: Task,
  stored: Task,
  state: TaskState,
  ctx: Context,
): Checked<Decision<{ taskId: string; taken?: boolean }>> => {
  const problems = [...otherChanges(written, stored), ...stepProblem(state.status, written.status)]
  if (problems.length > 0) return refuse(problems)
  const said = Object.fromEntries(
    theirs.flatMap((name) => (written[name] === undefined ? [] : [[name, written[name]]])),
  )
  const { statusReason: _r, businessStatus: _b, output: _o, note: _n, ...rest } = state
  const after: TaskState = {
    ...rest,
    ...said,
    status: written.status,
    modifiedAt: ctx.now,
    ...(['accepted', 'in-progress', 'completed'].includes(written.status) && {
      acceptedAt: state.acceptedAt ?? ctx.now,
    }),
  }
  const same = canonical({ ...after, modifiedAt: '' }) === canonical({ ...state, modifiedAt: '' })
  if (same) return accept(unchanged({ taskId: state.id }))
  const taken = written.status === 'rejected' ? false : after.acceptedAt !== undefined ? true : undefined
  // the answer to an `abort` says nothing of whether the linked order was taken
  const tells = state.asks === 'fulfill' && taken !== undefined
  return accept({
    changes: [{ fact: 'task-answered', state: after, occurredAt: ctx.now }],
    answer: { taskId: state.id, ...(tells && { taken }) },
    warnings: [],
  })
}
