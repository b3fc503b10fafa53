import {
  type FhirPathAtom,
  type InternalSchemaElement,
  type InternalTypeSchema,
  parseFhirPath,
  tryGetDataType,
} from '@medplum/core'
import { loadDefinitions } from '../definitions/load.ts'
import { isPrimitive } from './primitives.ts'

export interface Invariant {
  readonly key: string
  readonly text: string
  readonly expression: FhirPathAtom
  /** The elements whose values it looks at; of which only whether they are there is not among them. */
  readonly operands: ReadonlySet<string>
}

/** One JSON property that a type may have; a choice element has one for each of its types. */
export interface Slot {
  /** The name in FHIRPath: `value` for `valueQuantity`. */
  readonly element: string
  readonly type: string
  readonly kind: 'primitive' | 'complex' | 'resource'
  readonly list: boolean
  readonly min: number
  readonly max: number
  readonly choice: boolean
  /** Types that a Reference may lead to; none: any. */
  readonly targets: ReadonlySet<string> | undefined
  /** Codes of the required binding; none: any. */
  readonly codes: ReadonlySet<string> | undefined
  readonly invariants: readonly Invariant[]
}

/** An element and the JSON properties in which it may come; more than one for a choice. */
interface Names {
  readonly element: string
  readonly names: readonly string[]
}

export interface Shape {
  readonly type: string
  readonly isResource: boolean
  readonly slots: ReadonlyMap<string, Slot>
  readonly required: readonly Names[]
  readonly choices: readonly Names[]
  readonly invariants: readonly Invariant[]
}

const known = new Map<string, Shape | undefined>()

/**
 * What an object of this type may and must hold, in a form that is quick to check against; made at first use.
 * Undefined for a type without definition.
 */
export const shapeOf = (type: string): Shape | undefined => {
  if (known.has(type)) return known.get(type)
  loadDefinitions()
  const schema = tryGetDataType(type)
  const shape = schema && shapeFrom(type, schema)
  known.set(type, shape)
  return shape
}

const shapeFrom = (type: string, schema: InternalTypeSchema): Shape => {
  const isResource = schema.kind === 'resource'
  const elements = Object.entries(schema.elements)
  const slots = elements.flatMap(([name, element]) => slotsOf(name, element, isResource))
  return {
    type,
    isResource,
    slots: new Map(slots),
    required: elements.filter(([, { min }]) => min > 0).map(namesOf),
    choices: elements.filter(([name]) => isChoice(name)).map(namesOf),
    invariants: invariantsOf(schema.constraints),
  }
}

const namesOf = ([name, element]: [string, InternalSchemaElement]): Names => ({
  element: plainName(name),
  names: element.type.map(({ code }) => propertyName(name, code)),
})

const isChoice = (name: string): boolean => name.endsWith('[x]')

const plainName = (name: string): string => (isChoice(name) ? name.slice(0, -3) : name)

const propertyName = (name: string, type: string): string =>
  isChoice(name) ? `${plainName(name)}${type.charAt(0).toUpperCase()}${type.slice(1)}` : name

const slotsOf = (name: string, element: InternalSchemaElement, ofResource: boolean): [string, Slot][] => {
  const url = element.binding?.valueSet?.split('|')[0]
  const codes = url === undefined ? undefined : loadDefinitions().valueSets.get(url)
  const invariants = invariantsOf(element.constraints)
  return element.type.map(({ code, targetProfile }) => {
    // R4 declares the id of a resource as string; http://hl7.org/fhir/R4/resource.html says id.
    const type = ofResource && name === 'id' ? 'id' : code
    const slot: Slot = {
      element: plainName(name),
      type,
      kind: type === 'Resource' ? 'resource' : isPrimitive(type) ? 'primitive' : 'complex',
      list: element.isArray === true,
      min: element.min,
      max: element.max,
      choice: isChoice(name),
      targets: targetsOf(targetProfile),
      codes: element.binding?.strength === 'required' ? codes : undefined,
      invariants,
    }
    return [propertyName(name, code), slot]
  })
}

const targetsOf = (profiles: readonly string[] | undefined): ReadonlySet<string> | undefined => {
  const types = profiles?.map((url) => url.slice(url.lastIndexOf('/') + 1))
  return types === undefined || types.includes('Resource') ? undefined : new Set(types)
}

const parsed = new Map<string, Invariant>()

/** Words outside of literals that are no function and of which more is asked than whether they are there. */
const operandsOf = (expression: string): ReadonlySet<string> =>
  new Set(expression.replace(/'[^']*'/g, '').match(/\b[a-z]\w*\b(?!\(|\.(?:exists|empty|count)\()/gi))

/** Parsed once, however many elements it belongs to. */
export const invariantFrom = (key: string, text: string, expression: string): Invariant => {
  const id = `${key} ${expression}`
  const invariant = parsed.get(id) ?? {
    key,
    text,
    expression: parseFhirPath(expression),
    operands: operandsOf(expression),
  }
  parsed.set(id, invariant)
  return invariant
}

const invariantsOf = (constraints: InternalTypeSchema['constraints']): Invariant[] =>
  (constraints ?? [])
    .filter(({ severity, expression }) => severity === 'error' && expression !== '')
    .map(({ key, description, expression }) => invariantFrom(key, description, expression))
