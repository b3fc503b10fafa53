/**
 * Invariants that every message meets, answered without the FHIRPath engine where a look at the value is enough: what
 * says true here is true there; anything else is left to the engine. Half the time of a check went into these.
 */
import { isTree, type Tree } from '../../../model/tree.ts'

type Sure = (value: Tree) => boolean

const has = (value: Tree, name: string): boolean => value[name] !== undefined || value[`_${name}`] !== undefined
const lacks =
  (...names: readonly string[]): Sure =>
  (value) =>
    !names.some((name) => has(value, name))
const asking = new Set<unknown>(['batch', 'transaction'])
const entriesOf = (bundle: Tree): readonly unknown[] => (Array.isArray(bundle.entry) ? bundle.entry : [])

/** Every entry asks for something and answers nothing. */
const isAsking: Sure = (bundle) =>
  asking.has(bundle.type) && entriesOf(bundle).every((e) => isTree(e) && isTree(e.request) && e.response === undefined)

const fullUrlsDiffer: Sure = (bundle) => {
  const urls = entriesOf(bundle).flatMap((e) => (isTree(e) && e.fullUrl !== undefined ? [e.fullUrl] : []))
  return new Set(urls).size === urls.length
}

const moment = /^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})$/

const isOrdered: Sure = ({ start, end }) => {
  if (start === undefined || end === undefined) return start !== undefined || end !== undefined
  if (typeof start !== 'string' || typeof end !== 'string' || !moment.test(start) || !moment.test(end)) return false
  return Date.parse(start) < Date.parse(end)
}

/** Values of parameters that calls of ours carry; every other is left to the engine. */
const usualValues = [
  ...['valueString', 'valueCode', 'valueDate', 'valueDateTime', 'valueInstant', 'valueTime', 'valueBase64Binary'],
  ...['valueIdentifier', 'valueReference', 'valueCodeableConcept', 'valueBoolean', 'valueInteger', 'valueDecimal'],
]

const isSomething = (value: unknown): boolean =>
  Array.isArray(value) || isTree(value) ? Object.keys(value).length > 0 : value !== '' && value !== null

/** One usual value or parts, and nothing besides but a name. */
const isOneThing: Sure = ({ name: _name, ...rest }) => {
  const [key = '', ...others] = Object.keys(rest)
  const usual = key === 'part' ? Array.isArray(rest.part) : usualValues.includes(key)
  return usual && others.length === 0 && isSomething(rest[key])
}

/** By the key that R4 gives to the invariant. Source: http://hl7.org/fhir/R4/ (the constraints of each type) */
export const surely: Readonly<Record<string, Sure>> = {
  'bdl-1': lacks('total'),
  'bdl-2': (bundle) => entriesOf(bundle).every((e) => isTree(e) && e.search === undefined),
  'bdl-3': isAsking,
  'bdl-4': isAsking,
  'bdl-5': (entry) => isTree(entry.resource),
  'bdl-7': fullUrlsDiffer,
  'bdl-8': lacks('fullUrl'),
  'bdl-9': (bundle) => asking.has(bundle.type),
  'bdl-10': (bundle) => asking.has(bundle.type),
  'dom-2': lacks('contained'),
  'dom-4': lacks('contained'),
  'dom-5': lacks('contained'),
  'prr-1': lacks('orderDetail'),
  'cpt-2': ({ system }) => typeof system === 'string',
  'inv-1': isOneThing,
  'per-1': isOrdered,
  'qty-3': (quantity) => typeof quantity.system === 'string' || !has(quantity, 'code'),
}
