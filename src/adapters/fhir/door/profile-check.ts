/**
 * Whether a resource conforms to a profile of ours, besides R4 itself: cardinalities, choices, targets of references,
 * fixed values and patterns, slices by value, bindings to our value sets, and our invariants, all read from the
 * profile's snapshot. For `$validate`: what is written is checked at the door by `checkResource` and the steps' rules,
 * which say the same in their own words (a test holds them together).
 */
import type { CodeSystem, ElementDefinition, StructureDefinition, ValueSet } from 'fhir/r4.js'
import type { Problem } from '../../../model/problems.ts'
import { home } from '../../../model/systems.ts'
import { isTree, type Tree } from '../../../model/tree.ts'
import { Findings } from './findings.ts'
import { checkInvariants } from './invariants.ts'
import { type Invariant, invariantFrom } from './shapes.ts'

/** Our profiles and what they bind to, by canonical URL. */
export interface Profiles {
  /** With and without the version. */
  readonly profiles: ReadonlyMap<string, StructureDefinition>
  readonly valueSets: ReadonlyMap<string, ValueSet>
  readonly codeSystems: ReadonlyMap<string, CodeSystem>
}

interface Element {
  readonly definition: ElementDefinition
  readonly children: Map<string, Element>
  readonly slices: Map<string, Element>
  /** The value that a fixed[x] or pattern[x] asks for. */
  readonly wanted: unknown
  readonly invariants: readonly Invariant[]
}

/** One value of an element, with the property name that told its type. */
interface Given {
  readonly name: string
  readonly value: unknown
  readonly at: string
}

const elementFrom = (definition: ElementDefinition): Element => {
  const wanted = Object.entries(definition).find(([name]) => /^(fixed|pattern)[A-Z]/.test(name))?.[1]
  const invariants = (definition.constraint ?? []).filter((c) => c.source?.startsWith(home))
  return {
    definition,
    children: new Map(),
    slices: new Map(),
    wanted,
    invariants: invariants.map(({ key, human, expression = '' }) => invariantFrom(key, human, expression)),
  }
}

/** The elements of a snapshot as a tree: `Observation.identifier:own.system` is three steps down, one of them a slice. */
const treeOf = (profile: StructureDefinition): Element => {
  const [first, ...others] = profile.snapshot?.element ?? []
  if (first === undefined) throw new Error(`${profile.url} has no snapshot`)
  const root = elementFrom(first)
  for (const definition of others) {
    const [, ...steps] = (definition.id ?? '').split('.')
    let parent: Element | undefined = root
    for (const [i, step] of steps.entries()) {
      const [name = '', slice] = step.split(':')
      const isLast = i === steps.length - 1
      if (isLast && slice === undefined) parent?.children.set(name, elementFrom(definition))
      else if (isLast && slice !== undefined) parent?.children.get(name)?.slices.set(slice, elementFrom(definition))
      const next: Element | undefined = parent?.children.get(name)
      parent = slice === undefined ? next : next?.slices.get(slice)
    }
  }
  return root
}

const trees = new WeakMap<StructureDefinition, Element>()

const treeFor = (profile: StructureDefinition): Element => {
  const tree = trees.get(profile) ?? treeOf(profile)
  trees.set(profile, tree)
  return tree
}

/** Every element of the pattern is there; of a list each of its items is somewhere. R4, ElementDefinition.pattern[x]. */
const matches = (value: unknown, pattern: unknown): boolean => {
  if (Array.isArray(pattern)) return Array.isArray(value) && pattern.every((p) => value.some((v) => matches(v, p)))
  if (!isTree(pattern)) return value === pattern
  return isTree(value) && Object.entries(pattern).every(([name, p]) => matches(value[name], p))
}

const plain = (name: string): string => name.replace(/\[x\]$/, '')

const upper = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1)

const givenOf = (parent: Tree, name: string, at: string): readonly Given[] => {
  const names = name.endsWith('[x]')
    ? Object.keys(parent).filter((n) => n.startsWith(plain(name)) && /^[A-Z]/.test(n.slice(plain(name).length)))
    : [name]
  return names.flatMap((n): Given[] => {
    const value = parent[n]
    if (value === undefined || value === null) return []
    const place = `${at}.${plain(name)}`
    return Array.isArray(value)
      ? value.map((v, i) => ({ name: n, value: v, at: `${place}[${i}]` }))
      : [{ name: n, value, at: place }]
  })
}

const lastPart = (url: string): string => url.slice(url.lastIndexOf('/') + 1)

class ProfileCheck {
  private readonly known: Profiles
  private readonly findings: Findings
  private readonly tree: Element
  private readonly root: { readonly type: string; readonly value: Tree }

  constructor(resource: Tree, type: string, tree: Element, profiles: Profiles, findings: Findings) {
    this.known = profiles
    this.findings = findings
    this.tree = tree
    this.root = { type, value: resource }
  }

  run(): void {
    this.object(this.root.value, this.tree, this.root.type)
  }

  private object(value: Tree, element: Element, at: string): void {
    for (const [name, child] of element.children) this.element(givenOf(value, name, at), name, child, at)
    for (const { value: extension, at: place } of givenOf(value, 'extension', at)) this.extension(extension, place)
    const type = element === this.tree ? this.root.type : (element.definition.type?.[0]?.code ?? 'Element')
    const around = { resource: this.root, root: this.root }
    checkInvariants(element.invariants, { type, value }, at, around, this.findings, { clean: true })
  }

  /** One of ours does what its own definition says, wherever it stands. */
  private extension(extension: unknown, at: string): void {
    if (!isTree(extension)) return
    const profile = this.known.profiles.get(String(extension.url))
    if (profile?.type === 'Extension') this.object(extension, treeFor(profile), at)
  }

  private add(at: string, expected: string, found?: unknown): void {
    this.findings.add('breaks-profile', at, { expected, ...(found !== undefined && { found }) })
  }

  private element(given: readonly Given[], name: string, element: Element, at: string): void {
    this.count(given.length, element.definition, `${at}.${plain(name)}`)
    for (const one of given) this.value(one, name, element)
    for (const [slice, part] of element.slices) this.slice(given, { name, slice }, element, part, at)
  }

  private count(found: number, { min = 0, max = '*' }: ElementDefinition, at: string, what = ''): void {
    if (found >= min && (max === '*' || found <= Number(max))) return
    this.add(at, `${what}${min}..${max}`, found)
  }

  private value({ name, value, at }: Given, element: string, of: Element): void {
    const { definition, wanted } = of
    const types = definition.type ?? []
    if (element.endsWith('[x]') && !types.some((t) => name === `${plain(element)}${upper(t.code)}`))
      this.add(at, types.map((t) => `${plain(element)}${upper(t.code)}`).join(' or '), name)
    if (wanted !== undefined && !matches(value, wanted)) this.add(at, JSON.stringify(wanted), value)
    this.target(value, types, at)
    this.coded(value, definition, at)
    if (isTree(value)) this.object(value, of, at)
  }

  /** Where the type of what a reference leads to can be told: by its address, or as it says. */
  private target(value: unknown, types: NonNullable<ElementDefinition['type']>, at: string): void {
    const allowed = types.flatMap((t) => t.targetProfile?.map(lastPart) ?? [])
    if (!isTree(value) || allowed.length === 0 || allowed.includes('Resource')) return
    const { reference, type } = value
    const told = typeof reference === 'string' ? /(?:^|\/)([A-Z][A-Za-z]+)\/[^/]+$/.exec(reference)?.[1] : undefined
    const found = told ?? (typeof type === 'string' ? type : undefined)
    if (found !== undefined && !allowed.includes(found)) this.add(at, allowed.join(' or '), found)
  }

  private coded(value: unknown, { binding }: ElementDefinition, at: string): void {
    const set = this.known.valueSets.get(binding?.valueSet ?? '')
    if (binding?.strength !== 'required' || set === undefined) return
    const codings = isTree(value) ? (Array.isArray(value.coding) ? value.coding : [value]) : [{ code: value }]
    if (codings.some((c) => isTree(c) && this.holds(set, c))) return
    this.add(at, `a code of ${set.url}`, codings.map((c) => (isTree(c) ? c.code : c)).join(', '))
  }

  private holds({ compose }: ValueSet, { system, code }: Tree): boolean {
    return (compose?.include ?? []).some((part) => {
      if (system !== undefined && part.system !== system) return false
      const concepts = part.concept ?? this.known.codeSystems.get(part.system ?? '')?.concept ?? []
      return concepts.some((c) => c.code === code)
    })
  }

  /** Items whose discriminating values are those of the slice; slices are told apart by values alone. */
  private slice(
    given: readonly Given[],
    { name, slice }: { readonly name: string; readonly slice: string },
    whole: Element,
    part: Element,
    at: string,
  ): void {
    // the values of a choice are sliced by their type, and the slice says of them what the element says
    if (name.endsWith('[x]')) return
    const paths = (whole.definition.slicing?.discriminator ?? []).map((d) => d.path)
    const isOf = ({ value }: Given): boolean =>
      isTree(value) &&
      paths.every((path) => {
        const [profile] = part.definition.type?.[0]?.profile ?? []
        const wanted = path === 'url' && profile !== undefined ? profile : part.children.get(path)?.wanted
        return wanted !== undefined && matches(value[path], wanted)
      })
    const mine = given.filter(isOf)
    this.count(mine.length, part.definition, `${at}.${name}`, `slice ${slice} `)
    for (const { value, at: place } of mine) if (isTree(value)) this.object(value, part, place)
  }
}

/**
 * Everything that the profile asks for and the resource does not do. What is wrong by R4 already is told by
 * `checkResource`, not here.
 */
export const checkProfile = (resource: Tree, profile: StructureDefinition, profiles: Profiles): readonly Problem[] => {
  const findings = new Findings(profile.type, undefined)
  new ProfileCheck(resource, profile.type, treeFor(profile), profiles, findings).run()
  return findings.problems
}
