/** What can be wrong with a resource, a row each: made from a right one, the same from the same seed. */
import type { FhirResource } from 'fhir/r4.js'
import { isTree } from '../../../../src/model/tree.ts'
import { type Luck, luckOf } from '../../../torture/luck.ts'

type Node = Record<string, unknown>
type Change = (node: Node, key: string, luck: Luck) => void

interface Place {
  readonly node: Node
  readonly key: string
  /** From the resource, without indexes: `Patient.name.given`. */
  readonly path: string
}

const isNode = (value: unknown): value is Node => isTree(value)

/** Every property of every object, depth first. */
const placesIn = (node: Node, path: string): Place[] =>
  Object.entries(node).flatMap(([key, value]) => {
    if (key === 'resourceType' || key === 'div') return []
    const below = `${path}.${key}`
    const items = Array.isArray(value) ? value : [value]
    return [{ node, key, path: below }, ...items.flatMap((item) => (isNode(item) ? placesIn(item, below) : []))]
  })

interface Kind {
  readonly name: string
  /** Where it can be done. */
  readonly where: (place: Place, value: unknown) => boolean
  readonly change: Change
}

const scalar = (value: unknown): boolean => ['string', 'number', 'boolean'].includes(typeof value)
const anywhere = (): boolean => true
const set =
  (make: (value: unknown, luck: Luck) => unknown): Change =>
  (node, key, luck) => {
    node[key] = make(node[key], luck)
  }
const looksLike = (pattern: RegExp) => (_: Place, value: unknown) => typeof value === 'string' && pattern.test(value)
const date = /^\d{4}(-\d\d(-\d\d)?)?$/
const moment = /^\d{4}-\d\d-\d\dT\d\d:\d\d/
const named = (pattern: RegExp) => (place: Place, value: unknown) =>
  pattern.test(place.path) && typeof value === 'string'

export const kinds: readonly Kind[] = [
  { name: 'an element is left out', where: anywhere, change: (node, key) => void delete node[key] },
  {
    name: 'an element that R4 does not know',
    where: anywhere,
    change: (node) => {
      node.colour = 'green'
    },
  },
  { name: 'an empty string', where: (_, v) => typeof v === 'string', change: set(() => '') },
  { name: 'an empty list', where: (_, v) => Array.isArray(v), change: set(() => []) },
  { name: 'an empty object', where: (_, v) => isNode(v), change: set(() => ({})) },
  { name: 'null', where: (_, v) => scalar(v), change: set(() => null) },
  {
    name: 'a list where one is wanted, or one where a list is',
    where: anywhere,
    change: set((v) => (Array.isArray(v) ? v[0] : [v])),
  },
  { name: 'a number in place of text', where: (_, v) => typeof v === 'string', change: set(() => 7) },
  {
    name: 'text in place of a number or truth value',
    where: (_, v) => typeof v === 'number' || typeof v === 'boolean',
    change: set(String),
  },
  { name: 'text in place of an object', where: (_, v) => isNode(v), change: set(() => 'text') },
  { name: 'an object in place of text', where: (_, v) => typeof v === 'string', change: set(() => ({ text: 'x' })) },
  { name: 'a date that does not exist', where: looksLike(date), change: set(() => '2021-02-30') },
  {
    name: 'a date in another notation',
    where: looksLike(date),
    change: set((_, luck) => ['30/01/2021', '2021-1-3', '20210130'][luck.between(0, 2)]),
  },
  {
    name: 'a moment without offset',
    where: looksLike(moment),
    change: set((v) => String(v).replace(/(Z|[+-]\d\d:\d\d)$/, '')),
  },
  {
    name: 'an hour that does not exist',
    where: looksLike(moment),
    change: set((v) => String(v).replace(/T\d\d/, 'T25')),
  },
  { name: 'a date in place of a moment', where: looksLike(moment), change: set((v) => String(v).slice(0, 10)) },
  {
    name: 'another status',
    where: named(/^[A-Za-z]+\.(status|intent|gender|mode|kind|use|severity|priority|type)$|\.(use|rank)$/),
    change: set(() => 'begun'),
  },
  { name: 'spaces around a code', where: named(/\.(code|status|intent|gender|use)$/), change: set((v) => ` ${v} `) },
  { name: 'an id with a blank', where: named(/^[A-Za-z]+\.id$/), change: set(() => 'a b') },
  { name: 'an id that is too long', where: named(/^[A-Za-z]+\.id$/), change: set(() => 'a'.repeat(65)) },
  { name: 'a blank in an address', where: named(/\.(system|url|uri|reference)$/), change: set((v) => `${v} x`) },
  {
    name: 'a reference to another type',
    where: (p, v) => p.key === 'reference' && typeof v === 'string' && /^[A-Z][A-Za-z]+\//.test(v),
    change: set((v) => String(v).replace(/^[A-Z][A-Za-z]+/, 'Medication')),
  },
  {
    name: 'a reference to what is not contained',
    where: (p, v) => p.key === 'reference' && typeof v === 'string',
    change: set(() => '#nowhere'),
  },
  { name: 'base64 that is none', where: named(/\.data$/), change: set(() => '%%%') },
  {
    name: 'a modifier that nobody knows',
    where: (p) => p.path.split('.').length === 2 && p.key !== 'id' && p.key !== 'meta',
    change: (node) => {
      node.modifierExtension = [{ url: 'https://elsewhere.example/modifier', valueBoolean: true }]
    },
  },
  {
    name: 'an extension without an address',
    where: (p) => p.path.split('.').length === 2,
    change: (node) => {
      node.extension = [{ valueBoolean: true }]
    },
  },
  {
    name: 'an extension with a value and extensions',
    where: (p) => p.path.split('.').length === 2,
    change: (node) => {
      node.extension = [
        { url: 'https://daybind.example/x', valueBoolean: true, extension: [{ url: 'y', valueString: 'z' }] },
      ]
    },
  },
  {
    name: 'two values where one may be chosen',
    where: (p) => /^(value|effective|occurrence|onset|performed|timing)[A-Z]/.test(p.key),
    change: (node, key) => {
      node[key.replace(/[A-Z].*$/, key.endsWith('String') ? 'Boolean' : 'String')] = key.endsWith('String') ? true : 'x'
    },
  },
  {
    name: 'a period that ends before it begins',
    where: (_, v) => isNode(v) && typeof v.start === 'string',
    change: set((v) => ({ ...(v as Node), end: '1900-01-01' })),
  },
  {
    name: 'a quantity with a code and no system',
    where: (_, v) => isNode(v) && 'code' in v && 'value' in v,
    change: set((v) => {
      const { system: _system, ...rest } = v as Node
      return rest
    }),
  },
  {
    name: 'text that is no XHTML',
    where: (p) => p.key === 'text' && p.path.split('.').length === 2,
    change: set(() => ({ status: 'generated', div: '<div>no namespace</div>' })),
  },
  {
    name: 'a script in the text',
    where: (p) => p.key === 'text' && p.path.split('.').length === 2,
    change: set(() => ({
      status: 'generated',
      div: '<div xmlns="http://www.w3.org/1999/xhtml"><script>x</script></div>',
    })),
  },
  {
    name: 'a control character',
    where: (p, v) => typeof v === 'string' && /\.(text|display|value|family)$/.test(p.path),
    change: set((v) => `${v}\u0007`),
  },
]

export interface Mutant {
  readonly name: string
  readonly kind: string
  /** The type and path without indexes at which it was changed. */
  readonly path: string
  readonly resource: FhirResource
}

const mutate = (example: FhirResource, kind: Kind, luck: Luck): Omit<Mutant, 'name'> | undefined => {
  const resource = structuredClone(example)
  const root = resource as unknown as Node
  const fit = placesIn(root, resource.resourceType).filter((p) => kind.where(p, p.node[p.key]))
  if (fit.length === 0) return undefined
  const place = fit[luck.between(0, fit.length - 1)] as Place
  kind.change(place.node, place.key, luck)
  return { kind: kind.name, path: place.path, resource }
}

/** So many mutants of these examples: every kind as often as any other, as far as it can be done. */
export const mutantsOf = (examples: readonly FhirResource[], count: number, seed: number): readonly Mutant[] => {
  const luck = luckOf(seed)
  const made: Mutant[] = []
  for (let tries = 0; made.length < count && tries < count * 50; tries += 1) {
    const kind = kinds[tries % kinds.length] as Kind
    const example = examples[luck.between(0, examples.length - 1)] as FhirResource
    const mutant = mutate(example, kind, luck)
    if (mutant) made.push({ ...mutant, name: `${example.resourceType}/${example.id} ${made.length}` })
  }
  return made
}
