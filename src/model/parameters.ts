/**
 * Reading the Parameters of an operation by a table of what it takes: every problem at once, each at its FHIRPath.
 * The same tables tell the world what an operation takes.
 */
import type { CodeableConcept, Identifier, Parameters, ParametersParameter, Reference } from 'fhir/r4.js'
import { accept, type Checked, type Problem, refusal, refuse } from './problems.ts'

interface Types {
  string: string
  code: string
  date: string
  dateTime: string
  instant: string
  base64Binary: string
  Identifier: Identifier
  Reference: Reference
  CodeableConcept: CodeableConcept
  /** A parameter with parts: checked by its own table, read as it is. */
  parts: ParametersParameter
}
export type ParameterType = keyof Types

export interface ParameterSpec {
  readonly type: ParameterType
  readonly min: 0 | 1
  readonly max: number
  /** What it means, for the OperationDefinition. */
  readonly about: string
  readonly codes?: readonly string[]
  /** What a parameter with parts takes in them. */
  readonly parts?: ParameterTable
}

export type ParameterTable = Readonly<Record<string, ParameterSpec>>

/** A value and where it stood. */
export interface Given<T> {
  readonly value: T
  readonly at: string
}

export type ReadParameters<T extends ParameterTable> = {
  readonly [K in keyof T]: readonly Given<Types[T[K]['type']]>[]
}

const valueKey = (type: ParameterType): string =>
  type === 'parts' ? 'part' : `value${type.slice(0, 1).toUpperCase()}${type.slice(1)}`

const isBlank = (value: unknown): boolean => typeof value === 'string' && value.trim() === ''

/** Some senders write a code as valueString or an instant as valueDateTime: the meaning is the same, so both are read. */
const alternatives: Partial<Record<ParameterType, readonly string[]>> = {
  code: ['valueString'],
  string: ['valueCode'],
  instant: ['valueDateTime'],
}

const readOne = (name: string, spec: ParameterSpec, parameter: ParametersParameter, at: string) => {
  const key = valueKey(spec.type)
  const fields = Object.entries(parameter).filter(([k]) => k.startsWith('value') || k === 'part' || k === 'resource')
  const found = [key, ...(alternatives[spec.type] ?? [])].find((k) => fields.some(([f]) => f === k))
  if (found === undefined) {
    const got = fields[0]?.[0]
    // FHIRPath knows a choice element by its plain name: `value`, whatever its type
    const place = got === undefined ? at : `${at}.${got.startsWith('value') ? 'value' : got}`
    return refusal(got === undefined ? 'missing-element' : 'wrong-type', place, {
      ...(got !== undefined && { found: got }),
      expected: `${name} as ${key}`,
    })
  }
  const value = fields.find(([f]) => f === found)?.[1]
  const place = spec.type === 'parts' ? at : `${at}.value`
  if (isBlank(value)) return refusal('empty-value', place, { expected: `a value for ${name}` })
  if (spec.codes && !spec.codes.includes(value as string))
    return refusal('unknown-code', place, { found: value, expected: spec.codes.join(' | ') })
  return { value: spec.type === 'parts' ? parameter : value, at: place }
}

const isProblem = (x: object): x is Problem => 'severity' in x

interface Read {
  readonly values: Record<string, Given<unknown>[]>
  readonly problems: readonly Problem[]
}

/** @param at where the list stands */
const readList = (list: readonly ParametersParameter[], table: ParameterTable, at: string): Read => {
  const given = list.map((parameter, i) => ({ parameter, at: `${at}[${i}]` }))
  const names = Object.keys(table)
  const problems: Problem[] = given
    .filter(({ parameter }) => !names.includes(parameter.name))
    .map(({ parameter, at: place }) =>
      refusal('unknown-parameter', `${place}.name`, { found: parameter.name, expected: names.join(' | ') }),
    )
  const read: Record<string, Given<unknown>[]> = {}
  for (const [name, spec] of Object.entries(table)) {
    const mine = given.filter(({ parameter }) => parameter.name === name)
    if (mine.length < spec.min) problems.push(refusal('missing-parameter', at, { expected: `${name} (${spec.type})` }))
    for (const { at: place } of mine.slice(spec.max))
      problems.push(
        refusal('wrong-cardinality', place, { found: `${mine.length} × ${name}`, expected: `at most ${spec.max}` }),
      )
    const kept = mine.slice(0, spec.max)
    const values = kept.map(({ parameter, at: place }) => readOne(name, spec, parameter, place))
    problems.push(...values.filter(isProblem))
    read[name] = values.filter((v): v is Given<unknown> => !isProblem(v))
    if (spec.parts === undefined) continue
    for (const { parameter, at: place } of kept)
      if (parameter.part) problems.push(...readList(parameter.part, spec.parts, `${place}.part`).problems)
  }
  return { values: read, problems }
}

/**
 * One parameter of a body that is refused for others.
 * @returns undefined where that parameter itself is among what is refused
 */
export const readAlone = <T extends ParameterTable, K extends string & keyof T>(
  body: Parameters,
  table: T,
  name: K,
): ReadParameters<T>[K] | undefined => {
  const given = body.parameter?.filter((parameter) => parameter.name === name).length ?? 0
  const { values } = readList(body.parameter ?? [], { [name]: table[name] as ParameterSpec }, 'Parameters.parameter')
  return values[name]?.length === given ? (values[name] as ReadParameters<T>[K]) : undefined
}

/**
 * Reads `body` by `table`.
 * @returns for each name a list of values with their places (empty when absent), or every problem: unknown names,
 * wrong types, missing and repeated parameters, codes outside their list, all of these in parts as well.
 */
export const readParameters = <T extends ParameterTable>(body: Parameters, table: T): Checked<ReadParameters<T>> => {
  const { values, problems } = readList(body.parameter ?? [], table, 'Parameters.parameter')
  return problems.length > 0 ? refuse(problems) : accept(values as ReadParameters<T>)
}
