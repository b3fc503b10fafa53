/** watch-flow over HTTP: what people say of a gap. */
import type { Context, Decision } from '../../flow/step.ts'
import { ruleOf } from '../../flow/watch-flow/gaps.ts'
import { acknowledge, acknowledgeParameters, resolve, resolveParameters } from '../../flow/watch-flow/settle-gap.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { GapState } from '../../model/states.ts'
import type { Tx } from '../postgres/database.ts'
import { isId } from '../postgres/find-resources.ts'
import { deviceById } from '../postgres/load-for-links.ts'
import { gapById, ordersById } from '../postgres/load-states.ts'
import {
  deviceLock,
  NotLocked,
  orderLock,
  runStep,
  type StepRunner,
  wearerLock,
  withFreshLocks,
} from '../postgres/run-step.ts'
import { whyGap } from '../postgres/why.ts'
import { type Call, json, problemReply, type Reply, type Route, toldReply } from './call.ts'
import { absent, stepCall, takeParameters, tellParameters } from './operation.ts'

/** A gap belongs to whoever holds the locks of its order, its recorder and its patient. */
const locksOf = async (tx: Tx, { orderId, deviceId, patientId }: GapState): Promise<readonly string[]> => {
  const orders = await ordersById(tx, orderId === undefined ? [] : [orderId])
  const device = deviceId === undefined ? undefined : await deviceById(tx, deviceId)
  return [
    ...orders.map(orderLock),
    ...(patientId === undefined ? [] : [wearerLock(patientId)]),
    ...(device ? [deviceLock(device.serialNumber)] : []),
  ]
}

interface Operation<T extends ParameterTable> {
  readonly name: '$acknowledge' | '$resolve'
  readonly table: T
  readonly decide: (p: ReadParameters<T>, gap: GapState, ctx: Context) => Checked<Decision<{ readonly gapId: string }>>
}

const acknowledging: Operation<typeof acknowledgeParameters> = {
  name: '$acknowledge',
  table: acknowledgeParameters,
  decide: acknowledge,
}

const resolving: Operation<typeof resolveParameters> = { name: '$resolve', table: resolveParameters, decide: resolve }

type Captured = typeof acknowledgeParameters | typeof resolveParameters

const settleOnce =
  <T extends Captured>(runner: StepRunner, { name, table, decide }: Operation<T>) =>
  async (call: Call): Promise<Reply> => {
    const id = call.params.id ?? ''
    const [missing, read] = [await absent(runner.db, 'DetectedIssue')(call), takeParameters(call, table)]
    if (missing.length > 0 || !read.ok) return problemReply([...missing, ...problemsOf(read)])
    const before = await gapById(runner.db, id)
    if (before === undefined) return problemReply([refusal('not-known')])
    const locks = await locksOf(runner.db, before)
    const told = await runStep(runner, stepCall(call, 'watch-flow', name, read.value, locks), {
      load: async (tx) => {
        const gap = await gapById(tx, id)
        if (gap === undefined) return refuse([refusal('not-known')])
        if ((await locksOf(tx, gap)).some((lock) => !locks.includes(lock))) throw new NotLocked()
        return accept(gap)
      },
      decide: (gap, ctx) => decide(read.value, gap, ctx),
      tell: (tx, { answer, warnings }) =>
        tellParameters(tx, [['gap', 'DetectedIssue', answer.gapId]], warnings, call.sight),
    })
    return toldReply(told)
  }

/** The chain of facts behind a gap; those of several sites may be in it, so it is for operators. */
const why =
  ({ db }: StepRunner) =>
  async ({ params: { id = '' } }: Call): Promise<Reply> => {
    const found = isId(id) ? await whyGap(db, id) : undefined
    if (found === undefined) return problemReply([refusal('not-known')])
    const { gap, restsOn, history } = found
    const { means, opens, closes, next } = ruleOf(gap.code)
    return json(200, { ...gap, means, opens, closes, next, restsOn, history })
  }

export const settleGapRoutes = (runner: StepRunner): readonly Route[] => {
  const route = <T extends Captured>(operation: Operation<T>): Route => ({
    method: 'POST',
    url: `/fhir/DetectedIssue/:id/${operation.name}`,
    may: ['clinic', 'operator'],
    step: 'watch-flow',
    fhir: { types: ['DetectedIssue'], operation: operation.name.slice(1) },
    find: absent(runner.db, 'DetectedIssue'),
    handle: (call) => withFreshLocks(() => settleOnce(runner, operation)(call)),
  })
  return [
    route(acknowledging),
    route(resolving),
    { method: 'GET', url: '/gaps/:id/why', query: [], may: ['operator'], step: 'operate', handle: why(runner) },
  ]
}
