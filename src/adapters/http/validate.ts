/**
 * `$validate`: what a write of the resource by this caller would be told, along the same path as the write, and
 * nothing kept. R4, resource-operation-validate.html.
 */
import type { FhirResource, Parameters, ParametersParameter, StructureDefinition } from 'fhir/r4.js'
import { pushedTypes } from '../../flow/accept-order/place.ts'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import { identifierSystems } from '../../model/systems.ts'
import { isTree } from '../../model/tree.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { checkProfile, type Profiles } from '../fhir/door/profile-check.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import { isId, readResource } from '../postgres/find-resources.ts'
import type { StepRunner } from '../postgres/run-step.ts'
import { searchParameters } from '../postgres/search-parameters.ts'
import { writeOne } from './accept-order.ts'
import { type Call, everyone, fhirReply, problemReply, queryValue, type Reply, type Route } from './call.ts'
import { answerOne } from './forward-order.ts'
import { reportOne } from './send-result.ts'

const modes = ['create', 'update', 'delete', 'profile'] as const
type Mode = (typeof modes)[number]

interface Asked {
  readonly resource: unknown
  readonly mode: Mode
  /** Of ours, where one is named. */
  readonly profile?: StructureDefinition
}

/** The types that somebody writes, and who. */
const writers: Readonly<Record<string, readonly string[]>> = {
  ...Object.fromEntries(pushedTypes.map((type) => [type, ['source', 'clinic', 'operator', 'local']])),
  Task: ['reading-service', 'operator', 'local'],
  DiagnosticReport: ['reading-service', 'operator', 'local'],
}

interface Word {
  readonly text: string
  /** Where it stands: in the Parameters, else in the address. */
  readonly at: string
  readonly location?: string
}

const wordOf = (call: Call, given: readonly unknown[], name: string): Word | undefined => {
  const at = given.findIndex((p) => isTree(p) && p.name === name)
  const found = given[at] as ParametersParameter | undefined
  const text = found?.valueCode ?? found?.valueUri ?? found?.valueString ?? found?.valueCanonical
  if (text !== undefined) return { text, at: `Parameters.parameter[${at}]` }
  const inQuery = queryValue(call, name)
  return inQuery === undefined ? undefined : { text: inQuery, at: '', location: `http.${name}` }
}

/** The parameters around the resource; what is in the resource is looked at later. */
const envelopeProblems = (body: Parameters): readonly Problem[] => {
  const all = Array.isArray(body.parameter) ? body.parameter : []
  const others = all.filter((p) => !isTree(p) || p.name !== 'resource')
  const envelope = { ...body, parameter: others }
  const broken = Array.isArray(body.parameter) && others.length === 0 ? [] : checkResource(envelope, ['Parameters'])
  const names = ['resource', 'mode', 'profile']
  return [
    ...broken,
    ...all.flatMap((p, i) => {
      const at = `Parameters.parameter[${i}]`
      if (!isTree(p) || typeof p.name !== 'string') return []
      if (!names.includes(p.name))
        return [refusal('unknown-parameter', `${at}.name`, { found: p.name, expected: names.join(' | ') })]
      const repeated = all.findIndex((other) => isTree(other) && other.name === p.name) < i
      return repeated ? [refusal('wrong-cardinality', at, { found: `another ${p.name}`, expected: 'at most one' })] : []
    }),
  ]
}

/** The resource alone, with mode and profile in the address, or all of it as Parameters. */
const readAsked = (call: Call, { profiles }: Profiles): Checked<Asked> => {
  const { type = '', id } = call.params
  const { body } = call
  const wrapped = isTree(body) && body.resourceType === 'Parameters'
  const problems = wrapped ? [...envelopeProblems(body as unknown as Parameters)] : []
  const given: readonly unknown[] = wrapped && Array.isArray(body.parameter) ? body.parameter : []
  const [asked, profile] = [wordOf(call, given, 'mode'), wordOf(call, given, 'profile')]
  const taken = `http://hl7.org/fhir/StructureDefinition/${type}`
  const named = profile && profile.text.split('|')[0] !== taken ? profiles.get(profile.text) : undefined
  // what conforms to a profile need not be what anybody writes
  const mode = asked?.text ?? (named ? 'profile' : id === undefined ? 'create' : 'update')
  const resource = wrapped ? given.filter(isTree).find((p) => p.name === 'resource')?.resource : body
  if (asked && !modes.includes(mode as Mode)) {
    const { at, text, ...where } = asked
    problems.push(refusal('unknown-code', at, { found: `mode ${text}`, expected: modes.join(' | '), ...where }))
  }
  if (profile && profile.text.split('|')[0] !== taken && named?.type !== type) {
    const { at, text, ...where } = profile
    const ours = [...profiles.values()].filter((p) => p.type === type).map((p) => p.url)
    const expected = [...new Set([taken, ...ours])].join(' | ')
    problems.push(refusal('profile-not-known', at, { found: text, expected, ...where }))
  }
  if (resource === undefined && mode !== 'delete')
    problems.push(refusal('missing-parameter', '', { expected: `resource: a ${type}, alone or in Parameters` }))
  return problems.length > 0
    ? refuse(problems)
    : accept({ resource, mode: mode as Mode, ...(named && { profile: named }) })
}

/** By which of our ids a Task is answered: as its address would name it. */
const taskIdOf = (call: Call, resource: FhirResource): string | undefined => {
  if (call.params.id !== undefined) return call.params.id
  if (resource.id !== undefined && isId(resource.id)) return resource.id
  const named = resource.resourceType === 'Task' ? (resource.identifier ?? []) : []
  return named.find((i) => i.system === identifierSystems.Task)?.value
}

/** What the write would be told. */
const rehearsed = async (
  runner: StepRunner,
  base: () => string,
  call: Call,
  { resource, mode }: Asked,
): Promise<Checked<unknown>> => {
  const { type = '', id } = call.params
  if (mode === 'delete')
    return refuse([refusal('method-not-taken', '', { found: 'DELETE', note: 'Nothing is deleted in Daybind.' })])
  const shape = checkResource(resource, [type])
  if (mode === 'profile') return shape.length > 0 ? refuse(shape) : accept(undefined)
  const who = writers[type]
  if (who === undefined) return refuse([...shape, refusal('type-not-taken', type, { found: type })])
  if (!who.includes(call.caller.role))
    return refuse([refusal('not-allowed', '', { found: call.caller.role, expected: who.join(' or ') }), ...shape])
  const rehearsal: Call = { ...call, body: resource, query: [], dryRun: true }
  if (type !== 'Task') {
    const own = isTree(resource) && typeof resource.id === 'string' && mode === 'update' ? resource.id : undefined
    const targetId = id ?? own
    const asked =
      targetId === undefined ? ({ method: 'POST', type } as const) : ({ method: 'PUT', type, targetId } as const)
    return (type === 'DiagnosticReport' ? reportOne : writeOne)(
      runner,
      base,
      rehearsal,
      asked,
      `POST /fhir/${type}/$validate`,
    )
  }
  if (shape.length > 0) return refuse(shape)
  const taskId = taskIdOf(call, resource as FhirResource)
  return taskId === undefined
    ? refuse([refusal('missing-element', 'Task.id', { expected: 'the id of a Task of ours: no other is taken' })])
    : answerOne(runner, { ...rehearsal, params: { ...call.params, id: taskId } })
}

/** Whether the address leads to anything that the caller may see. */
const absent = async ({ db }: StepRunner, call: Call): Promise<readonly Problem[]> => {
  const { type = '', id } = call.params
  const there = searchParameters[type] !== undefined
  const found = there && (id === undefined || (await readResource(db, type, id, call.sight)))
  return found ? [] : [refusal('not-known')]
}

/** What the profile asks for besides; what is refused already is not told twice. */
const against = ({ resource, profile }: Asked, profiles: Profiles, told: readonly Problem[]): readonly Problem[] => {
  if (profile === undefined || !isTree(resource)) return []
  const places = new Set(told.flatMap((p) => p.at))
  return checkProfile(resource, profile, profiles).filter((p) => !p.at.some((at) => places.has(at)))
}

const validate =
  (runner: StepRunner, base: () => string, profiles: Profiles) =>
  async (call: Call): Promise<Reply> => {
    const missing = await absent(runner, call)
    if (missing.length > 0) return problemReply(missing)
    const asked = readAsked(call, profiles)
    if (!asked.ok) return problemReply(asked.problems)
    const told = await rehearsed(runner, base, call, asked.value)
    const problems = told.ok ? told.warnings : told.problems
    return fhirReply(200, operationOutcome([...problems, ...against(asked.value, profiles, problems)]))
  }

/** What somebody writes, and what there is a profile of. */
const validated = ({ profiles }: Profiles): readonly string[] => [
  ...new Set([
    ...Object.keys(writers),
    ...[...profiles.values()].map((p) => p.type).filter((t) => searchParameters[t]),
  ]),
]

export const validateRoutes = (runner: StepRunner, base: () => string, profiles: Profiles): readonly Route[] =>
  ['/fhir/:type/$validate', '/fhir/:type/:id/$validate'].map((url) => ({
    method: 'POST',
    url,
    query: ['mode', 'profile'],
    may: everyone,
    step: 'read',
    fhir: { types: validated(profiles), operation: 'validate' },
    find: (call) => absent(runner, call),
    handle: validate(runner, base, profiles),
  }))
