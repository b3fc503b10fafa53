import type { Tree } from '../../../model/tree.ts'
import { loadDefinitions } from '../definitions/load.ts'
import type { Findings } from './findings.ts'

/**
 * The inner references of one resource: which contained resources there are, and what points to them. R4 wants each
 * local reference to lead somewhere (ref-1) and each contained resource to be referred to (dom-3).
 */
export class LocalReferences {
  private readonly types = new Map<string, string | undefined>()
  private readonly contained: { readonly id: string; readonly at: string }[] = []
  private readonly used = new Set<string>()
  private readonly pointers: { readonly id: string; readonly at: string }[] = []
  /** The id of the contained resource that is being looked at. */
  inside: string | undefined

  constructor(resource: Tree, at: string, findings: Findings) {
    if (!Array.isArray(resource.contained)) return
    resource.contained.forEach((inner: unknown, index) => {
      this.enter(Object(inner), `${at}.contained[${index}]`, findings)
    })
  }

  private enter({ id, resourceType }: Tree, at: string, findings: Findings): void {
    if (id === undefined) findings.add('missing-element', `${at}.id`, { expected: 'an id to refer to' })
    if (typeof id !== 'string') return
    if (this.types.has(id)) findings.add('wrong-value', `${at}.id`, { found: id, expected: 'an id of its own' })
    const isReal = loadDefinitions().resourceTypes.has(String(resourceType))
    this.types.set(id, isReal ? String(resourceType) : undefined)
    this.contained.push({ id, at })
  }

  typeOf(id: string): string | undefined {
    return this.types.get(id)
  }

  /** Notes a text that may point to a contained resource (`#id`) or from one to what contains it (`#`). */
  note(text: string, at?: string): void {
    if (text.charCodeAt(0) !== 0x23) return
    const id = text.slice(1)
    if (id === '' && this.inside !== undefined) this.used.add(this.inside)
    this.used.add(id)
    if (at !== undefined && id !== '') this.pointers.push({ id, at })
  }

  report(findings: Findings): void {
    for (const { id, at } of this.pointers) {
      if (!this.types.has(id)) findings.add('broken-invariant', at, { found: `#${id}`, expected: refs1 })
    }
    for (const { id, at } of this.contained) {
      if (!this.used.has(id)) findings.add('broken-invariant', at, { found: id, expected: dom3 })
    }
  }
}

const refs1 = 'ref-1: a contained resource with this id'
const dom3 = 'dom-3: a reference to the contained resource from elsewhere in the resource'

const literal = /(?:^|\/)([A-Z][A-Za-z]+)\/[A-Za-z0-9\-.]{1,64}(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/
const conditional = /^([A-Z][A-Za-z]+)\?/

/** The resource type that a literal or conditional reference names; undefined where it tells none (`urn:uuid:…`). */
const typeIn = (reference: string): string | undefined => {
  const type = (conditional.exec(reference) ?? literal.exec(reference))?.[1]
  return type !== undefined && loadDefinitions().resourceTypes.has(type) ? type : undefined
}

/** Checks where a Reference leads to, as far as it says so itself. */
export const checkTarget = (
  reference: Tree,
  targets: ReadonlySet<string> | undefined,
  at: string,
  local: LocalReferences,
  findings: Findings,
): void => {
  const text = typeof reference.reference === 'string' ? reference.reference : undefined
  if (text !== undefined) local.note(text, `${at}.reference`)
  if (text !== undefined && /\s/.test(text))
    findings.add('wrong-value', `${at}.reference`, { found: text, expected: 'an address without white space' })
  const named = typeof reference.type === 'string' ? reference.type : undefined
  const leadsTo = text === undefined ? undefined : text.startsWith('#') ? local.typeOf(text.slice(1)) : typeIn(text)
  const expected = targets && [...targets].join(', ')
  if (leadsTo !== undefined && targets && !targets.has(leadsTo)) {
    findings.add('wrong-reference', `${at}.reference`, { found: leadsTo, ...(expected && { expected }) })
  }
  if (named === undefined) return
  if (leadsTo !== undefined && named !== leadsTo) {
    findings.add('wrong-value', `${at}.type`, { found: named, expected: leadsTo })
  } else if (leadsTo === undefined && targets && !targets.has(named)) {
    findings.add('wrong-reference', `${at}.type`, { found: named, ...(expected && { expected }) })
  }
}
