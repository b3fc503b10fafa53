import type { TypedValue } from '@medplum/core'
import { isTree, type Tree } from '../../../model/tree.ts'
import { loadDefinitions } from '../definitions/load.ts'
import { type Findings, kindOf, nameInPath } from './findings.ts'
import { type Around, checkInvariants } from './invariants.ts'
import { checkPrimitive } from './primitives.ts'
import { checkTarget, LocalReferences } from './references.ts'
import { type Shape, type Slot, shapeOf } from './shapes.ts'

/** The parser caps bodies at less; this guards against values that did not come through it. */
const maxDepth = 100
const maxCodesTold = 24
/** Types in which `#id` points to a contained resource, besides Reference.reference (dom-3). */
const addresses = new Set(['uri', 'url', 'canonical'])

interface Subject {
  readonly resource: Tree
  readonly shape: Shape
  /** The FHIRPath of the resource. */
  readonly at: string
  readonly findings: Findings
  readonly knownModifiers: readonly string[]
  readonly depth: number
}

/** One pass over one resource and what it contains, element by element. */
export class ElementCheck {
  private readonly subject: Subject
  private readonly findings: Findings
  private readonly local: LocalReferences
  private readonly root: TypedValue
  private around: Around
  private depth: number

  constructor(subject: Subject) {
    const { resource, shape, at, findings, depth } = subject
    this.subject = subject
    this.findings = findings
    this.depth = depth
    this.local = new LocalReferences(resource, at, findings)
    this.root = { type: shape.type, value: resource }
    this.around = { resource: this.root, root: this.root }
  }

  run(): void {
    this.object(this.subject.resource, this.subject.shape, this.subject.at)
    this.local.report(this.findings)
  }

  private object(value: Tree, shape: Shape, at: string): void {
    const names = Object.keys(value)
    if (!shape.isResource && names.every((name) => name === 'id')) {
      this.findings.add('empty-value', at, { expected: 'content, or no such element' })
    } else if (this.depth >= maxDepth) this.findings.add('too-deep', at)
    else {
      this.depth++
      this.content(value, names, shape, at)
      this.depth--
    }
  }

  private content(value: Tree, names: readonly string[], shape: Shape, at: string): void {
    const before = this.findings.count
    let choices = 0
    let refused: Set<string> | undefined
    for (const name of names) {
      const soFar = this.findings.count
      const slot = this.property(value, name, shape, at)
      if (slot?.choice) choices++
      // what lies in a part of a resource says nothing about the other parts that its invariants speak of
      if (slot && this.findings.count > soFar && (slot.kind === 'primitive' || !shape.isResource))
        refused = (refused ?? new Set()).add(slot.element)
    }
    if (shape.isResource && isGiven(value, 'implicitRules'))
      this.findings.add('unknown-modifier', `${at}.implicitRules`, { found: value.implicitRules })
    if (choices > 1) this.choices(value, shape, at)
    for (const { element, names } of shape.required) {
      if (names.some((name) => isGiven(value, name))) continue
      this.findings.add('missing-element', `${at}.${element}`, { expected: wanted(names, shape) })
    }
    const clean = this.findings.count === before
    checkInvariants(shape.invariants, { type: shape.type, value }, at, this.around, this.findings, { clean, refused })
  }

  /** Checks one property and returns its slot, if the type has one. */
  private property(parent: Tree, name: string, shape: Shape, at: string): Slot | undefined {
    if (parent[name] === undefined || (name === 'resourceType' && shape.isResource)) return undefined
    const slot = shape.slots.get(name)
    if (slot) {
      this.slot(slot, parent[name], parent[`_${name}`], `${at}.${slot.element}`)
      return slot
    }
    const extended = name.startsWith('_') ? shape.slots.get(name.slice(1)) : undefined
    if (extended?.kind === 'primitive') {
      this.primitiveExtension(extended, parent[name.slice(1)], parent[name], `${at}.${extended.element}`)
      return extended
    }
    const place = `${at}.${nameInPath(name)}`
    this.findings.add('unknown-element', place, { found: name, expected: `an element of ${shape.type}` })
    if (name === 'modifierExtension') this.modifiers(parent[name], place)
    return undefined
  }

  private choices(value: Tree, shape: Shape, at: string): void {
    for (const { element, names } of shape.choices) {
      const given = names.filter((name) => isGiven(value, name))
      if (given.length < 2) continue
      this.findings.add('wrong-cardinality', `${at}.${element}`, { found: given.join(', '), expected: 'one of them' })
    }
  }

  private slot(slot: Slot, value: unknown, extension: unknown, at: string): void {
    if (slot.list) this.list(slot, value, extension, at)
    else if (Array.isArray(value)) {
      this.findings.add('wrong-cardinality', at, { found: 'an array', expected: 'one value' })
    } else if (slot.max < 1) this.findings.add('wrong-cardinality', at, { expected: 'no such element' })
    else this.value(slot, value, at)
    if (slot.element === 'modifierExtension') this.modifiers(value, at)
  }

  private list(slot: Slot, values: unknown, extension: unknown, at: string): void {
    if (!Array.isArray(values)) {
      this.findings.add('wrong-type', at, { found: kindOf(values), expected: 'an array' })
      return
    }
    const { min, max } = slot
    if (values.length === 0) this.findings.add('empty-value', at, { expected: 'at least one item, or no such element' })
    else if (values.length < min || values.length > max) {
      this.findings.add('wrong-cardinality', at, { found: `${values.length} items`, expected: `${min} to ${max}` })
    }
    values.forEach((item, index) => {
      // null keeps the place of a primitive value that has extensions only
      const keepsPlace = item === null && slot.kind === 'primitive' && isTree(Object(extension)[index])
      if (!keepsPlace) this.value(slot, item, `${at}[${index}]`)
    })
  }

  private value(slot: Slot, value: unknown, at: string): void {
    if (value === null) this.findings.add('empty-value', at, { found: 'null' })
    else if (slot.kind === 'primitive') this.primitive(slot, value, at)
    else if (!isTree(value)) this.findings.add('wrong-type', at, { found: kindOf(value), expected: 'an object' })
    else if (slot.kind === 'resource') this.innerResource(slot, value, at)
    else this.complex(slot, value, at)
  }

  private primitive(slot: Slot, value: unknown, at: string): void {
    const wrong = checkPrimitive(slot.type, value)
    if (wrong) {
      const found = wrong.code === 'wrong-type' ? kindOf(value) : value
      this.findings.add(wrong.code, at, { found, expected: wrong.expected })
    } else if (slot.codes && !slot.codes.has(String(value))) {
      this.findings.add('unknown-code', at, { found: value, expected: listed(slot.codes) })
    } else if (typeof value === 'string' && addresses.has(slot.type)) this.local.note(value)
  }

  /** The `_name` beside a primitive `name`: its id and extensions, or a list of them with null for none. */
  private primitiveExtension(slot: Slot, value: unknown, extension: unknown, at: string): void {
    if (!slot.list) this.besides(value, extension, at)
    else if (!Array.isArray(extension)) {
      this.findings.add('wrong-type', at, { found: kindOf(extension), expected: 'an array' })
    } else if (extension.every((item) => item === null)) {
      this.findings.add('empty-value', at, { expected: 'at least one object, or no such element' })
    } else {
      for (const [index, item] of extension.entries()) {
        if (item !== null) this.besides(Object(value)[index], item, `${at}[${index}]`)
      }
    }
  }

  /** What stands beside one primitive value: without the value, an id alone says nothing. */
  private besides(value: unknown, extension: unknown, at: string): void {
    const element = shapeOf('Element')
    if (!isTree(extension)) this.findings.add('wrong-type', at, { found: kindOf(extension), expected: 'an object' })
    else if (!element) return
    else if (Object.hasOwn(extension, 'id') && isPresent(value)) {
      this.content(extension, Object.keys(extension), element, at)
    } else this.object(extension, element, at)
  }

  private complex(slot: Slot, value: Tree, at: string): void {
    const shape = shapeOf(slot.type)
    if (!shape) return
    this.object(value, shape, at)
    if (slot.type === 'Reference') checkTarget(value, slot.targets, at, this.local, this.findings)
    else if (slot.type === 'Extension') this.extension(value, at)
    else if (slot.codes) this.coded(slot.codes, value, at)
    if (slot.invariants.length === 0) return
    const own = slot.invariants.filter((invariant) => !shape.invariants.includes(invariant))
    checkInvariants(own, { type: slot.type, value }, at, this.around, this.findings, { clean: false })
  }

  private extension(value: Tree, at: string): void {
    const hasValue = Object.keys(value).some((name) => name.startsWith('value') || name.startsWith('_value'))
    if (hasValue !== isGiven(value, 'extension') || Object.keys(value).length === 0) return
    this.findings.add('broken-invariant', at, { expected: 'ext-1: either extensions or a value, not both' })
  }

  /** A CodeableConcept with a required binding has a coding out of it. */
  private coded(codes: ReadonlySet<string>, { coding }: Tree, at: string): void {
    const found = Array.isArray(coding) ? coding.map((item: unknown) => Object(item).code) : []
    if (found.some((code) => codes.has(code))) return
    this.findings.add('unknown-code', `${at}.coding`, { found: found.join(', '), expected: listed(codes) })
  }

  private modifiers(extensions: unknown, at: string): void {
    if (!Array.isArray(extensions)) return
    extensions.forEach((extension: unknown, index) => {
      const { url } = Object(extension)
      if (typeof url === 'string' && this.subject.knownModifiers.includes(url)) return
      this.findings.add('unknown-modifier', `${at}[${index}]`, { found: url })
    })
  }

  private innerResource(slot: Slot, value: Tree, at: string): void {
    const type = value.resourceType
    if (typeof type !== 'string' || !loadDefinitions().resourceTypes.has(type)) {
      const code = type === undefined ? 'missing-element' : 'wrong-resource-type'
      this.findings.add(code, at, { found: type, expected: 'resourceType: a resource type of R4' })
    } else if (slot.element === 'contained') this.contained(value, shapeOf(type), at)
    else if (this.subject.shape.type !== 'Bundle') this.resource(value, shapeOf(type), at)
  }

  private contained(value: Tree, shape: Shape | undefined, at: string): void {
    const { around } = this
    this.around = { resource: { type: String(value.resourceType), value }, root: this.root }
    this.local.inside = typeof value.id === 'string' ? value.id : undefined
    if (shape) this.object(value, shape, at)
    else this.loosely(value, at)
    this.local.inside = undefined
    this.around = around
  }

  private resource(resource: Tree, shape: Shape | undefined, at: string): void {
    if (shape) new ElementCheck({ ...this.subject, resource, shape, at, depth: this.depth + 1 }).run()
    else this.loosely(resource, at)
  }

  /** Looks through what Daybind has no definition of, for what changes meaning and for inner references. */
  private loosely(value: unknown, at: string): void {
    if (typeof value === 'string') this.local.note(value)
    if (typeof value !== 'object' || value === null) return
    if (++this.depth > maxDepth) this.findings.add('too-deep', at)
    else if (Array.isArray(value)) for (const [index, item] of value.entries()) this.loosely(item, `${at}[${index}]`)
    else {
      for (const [name, inner] of Object.entries(value)) {
        if (name === 'modifierExtension') this.modifiers(inner, `${at}.${name}`)
        if (name === 'implicitRules') this.findings.add('unknown-modifier', `${at}.${name}`, { found: inner })
        this.loosely(inner, `${at}.${nameInPath(name)}`)
      }
    }
    this.depth--
  }
}

const isPresent = (value: unknown): boolean => value !== undefined && value !== null

const isGiven = (value: Tree, name: string): boolean => value[name] !== undefined || value[`_${name}`] !== undefined

/** `status (code)`; of a choice each form that it may have. */
const wanted = (names: readonly string[], shape: Shape): string =>
  names
    .map((name) => {
      const slot = shape.slots.get(name)
      return `${name} (${slot?.list ? 'a list of ' : ''}${slot?.type})`
    })
    .join(' or ')

const listed = (codes: ReadonlySet<string>): string => {
  const list = [...codes]
  return list.length > maxCodesTold ? `${list.slice(0, maxCodesTold).join(', ')}, …` : list.join(', ')
}
