/** What the operations have in common: Parameters in, Parameters out, one step, remembered by captureKey. */
import type { OperationOutcome, Parameters } from 'fhir/r4.js'
import { type ParameterTable, type ReadParameters, readAlone, readParameters } from '../../model/parameters.ts'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import { canonical } from '../../model/tree.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import type { Tx } from '../postgres/database.ts'
import { readResource, type Sight } from '../postgres/find-resources.ts'
import type { StepCall, Told } from '../postgres/run-step.ts'
import { shownText } from '../postgres/shown-text.ts'
import type { Call } from './call.ts'

/** An absent body is one without parameters. */
const bodyOf = (call: Call): Checked<Parameters> => {
  const body = call.body ?? { resourceType: 'Parameters' }
  const problems = checkResource(body, ['Parameters'])
  return problems.length > 0 ? refuse(problems) : accept(body as Parameters)
}

/** The Parameters of a call by the operation's table. */
export const takeParameters = <T extends ParameterTable>(call: Call, table: T): Checked<ReadParameters<T>> => {
  const body = bodyOf(call)
  return body.ok ? readParameters(body.value, table) : body
}

/** One parameter of a call whose others are refused; undefined where it is refused itself, or the body is no FHIR. */
export const takeAlone = <T extends ParameterTable, K extends string & keyof T>(call: Call, table: T, name: K) => {
  const body = bodyOf(call)
  return body.ok ? readAlone(body.value, table, name) : undefined
}

/** What a route's address names by id, where the caller finds nothing there: told before what is wrong with the body. */
export const absent =
  (tx: Tx, type: string) =>
  async ({ params: { id }, sight }: Pick<Call, 'params' | 'sight'>): Promise<readonly Problem[]> =>
    id === undefined || (await readResource(tx, type, id, sight)) ? [] : [refusal('not-known')]

interface Captured {
  readonly captureKey: readonly { readonly value: string; readonly at: string }[]
}

/** What every operation's step is called with. The content that a captureKey stands for is the whole body and address. */
export const stepCall = (
  call: Call,
  step: StepCall['step'],
  route: string,
  p: Captured,
  locks: readonly string[],
): StepCall => {
  const key = p.captureKey[0]
  const content = `${route} ${call.params.id ?? ''} ${canonical(call.body)}`
  return {
    step,
    caller: call.caller,
    requestId: call.requestId,
    locks,
    inbound: { route, body: call.text },
    dryRun: call.dryRun,
    ...(key && { capture: { key: key.value, content, at: key.at } }),
  }
}

/** An out parameter: a resource of ours by type and id, or anything ready. */
export type Out = readonly [name: string, type: string, id: string]

/** The answer: each resource as it stands after the step, as the caller may see it, and the warnings where there are any. */
export const tellParameters = async (
  tx: Tx,
  outs: readonly Out[],
  warnings: readonly Problem[],
  sight: Sight,
): Promise<Told> => {
  const found = await Promise.all(
    outs.map(async ([name, type, id]) => {
      const row = await readResource(tx, type, id, undefined)
      return row ? [`{"name":${JSON.stringify(name)},"resource":${await shownText(tx, row, sight)}}`] : []
    }),
  )
  const parts = found.flat()
  const outcome: OperationOutcome | undefined = warnings.length > 0 ? operationOutcome(warnings) : undefined
  if (outcome) parts.push(writeJson({ name: 'outcome', resource: outcome }))
  // an empty array is no FHIR
  const parameter = parts.length > 0 ? `,"parameter":[${parts.join(',')}]` : ''
  return { status: 200, body: `{"resourceType":"Parameters"${parameter}}` }
}

export const orRefused = <T>(value: T | undefined, problem: Problem): Checked<T> =>
  value === undefined ? refuse([problem]) : accept(value)
