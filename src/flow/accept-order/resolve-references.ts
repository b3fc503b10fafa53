/**
 * References in what a source pushes. They are resolved before anything is compared or stored: to our own ids, or,
 * where the sender names something by identifier only, left as logical references. Anything else is refused: a foreign
 * relative id is never looked up among ours.
 */
import type { FhirResource, Patient, Reference } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { isTree, mapTree, type Tree, visit } from '../../model/tree.ts'
import { type EvidenceResource, mayBeEvidence } from './evidence.ts'
import { type Identity, type Incoming, identityKey, placesOf, readCriterion, urlIdentity } from './incoming.ts'

/** What is already known about the names and ids that the incoming resources mention. */
export interface KnownNames {
  /** identityKey → ids; more than one where a name is ambiguous. */
  readonly byIdentity: ReadonlyMap<string, readonly string[]>
  /** `Patient/<our id>` that exist and that the caller may see. */
  readonly own: ReadonlySet<string>
}

interface Mention {
  readonly at: string
  readonly reference?: string
  readonly type?: string
  readonly identifier?: { system?: string; value?: string }
}

const conditional = /^([A-Z][A-Za-z]+)\?(.+)$/
/** `Type/id`, in whatever version. */
export const relative = /^([A-Z][A-Za-z]+)\/([A-Za-z0-9.-]{1,64})(?:\/_history\/[A-Za-z0-9.-]{1,64})?$/

const isReference = (node: Tree): boolean =>
  typeof node.reference === 'string' ||
  (typeof node.type === 'string' && typeof node.identifier === 'object' && !('resourceType' in node))

/** A subject that is named by identifier alone is a patient: Daybind takes no other subjects. */
const withSubjectType = (resource: FhirResource): FhirResource => {
  if (resource.resourceType === 'Patient') return withSuccessorType(resource)
  if (mayBeEvidence(resource) && resource.basedOn?.some(isUntyped)) return withSubjectType(withOrderType(resource))
  const { subject } = resource as { subject?: unknown }
  if (!isTree(subject)) return resource
  if (isTree(subject.identifier) && !('reference' in subject) && !('type' in subject))
    return { ...resource, subject: { ...subject, type: 'Patient' } } as FhirResource
  return typeof subject.reference === 'string' && subject.reference.startsWith('#')
    ? withoutContainedSubject(resource, subject, subject.reference.slice(1))
    : resource
}

const isUntyped = (r: Reference): boolean =>
  r.identifier !== undefined && r.reference === undefined && r.type === undefined

/** What is named by identifier alone, and says something of a visit, is based on an order: Daybind takes no care plans. */
const withOrderType = <R extends EvidenceResource>(resource: R): R => ({
  ...resource,
  basedOn: resource.basedOn?.map((r) => (isUntyped(r) ? { ...r, type: 'ServiceRequest' } : r)),
})

/** Whoever takes the place of a patient is one. */
const withSuccessorType = (patient: Patient): Patient => {
  const isBare = (l: { type: string; other: Reference }) =>
    l.type === 'replaced-by' && l.other.identifier && l.other.reference === undefined && l.other.type === undefined
  if (!patient.link?.some(isBare)) return patient
  return {
    ...patient,
    link: patient.link.map((l) => (isBare(l) ? { ...l, other: { ...l.other, type: 'Patient' } } : l)),
  }
}

/** A contained patient has no identity of its own; its identifier leads to the patient that the source sent as such. */
const withoutContainedSubject = (resource: FhirResource, subject: Tree, id: string): FhirResource => {
  const { contained = [] } = resource as { contained?: FhirResource[] }
  const patient = contained.find((c) => c.resourceType === 'Patient' && c.id === id) as Patient | undefined
  const name = patient?.identifier?.find((i) => i.system !== undefined && i.value !== undefined)
  if (name === undefined) return resource
  const { reference: _contained, ...rest } = subject
  const others = contained.filter((c) => c.id !== id)
  const { contained: _all, ...kept } = resource as FhirResource & { contained?: unknown }
  const identifier = { system: name.system, value: name.value }
  return {
    ...kept,
    ...(others.length > 0 && { contained: others }),
    subject: { ...rest, type: 'Patient', identifier },
  } as FhirResource
}

/** Every Reference in a resource, with its FHIRPath below the resource. */
export const mentionsOf = (resource: FhirResource): readonly Mention[] => {
  const found: Mention[] = []
  visit(withSubjectType(resource), (node, at) => {
    if (at !== '' && isReference(node)) found.push({ ...(node as Omit<Mention, 'at'>), at })
  })
  return found
}

const urlType = (url: string, source: Source): string | undefined =>
  source.fhir !== undefined && url.startsWith(`${source.fhir}/`)
    ? relative.exec(url.slice(source.fhir.length + 1))?.[1]
    : undefined

/** The name that a reference asks for, where it asks by a name. */
export const identityAsked = (mention: Mention, source: Source): Identity | undefined => {
  const { reference, type, identifier } = mention
  if (reference === undefined) {
    return type !== undefined && identifier?.system !== undefined && identifier.value !== undefined
      ? { type, system: identifier.system, value: identifier.value }
      : undefined
  }
  const [, asked, query] = conditional.exec(reference) ?? []
  if (asked !== undefined && query !== undefined) {
    const name = readCriterion(query)
    return name && { type: asked, ...name }
  }
  const ofUrl = urlType(reference, source)
  return ofUrl !== undefined
    ? { type: ofUrl, system: urlIdentity, value: reference.replace(/\/_history\/.*$/, '') }
    : undefined
}

/** `Patient/<id>` where the reference has the form of an own id. */
export const ownAsked = (mention: Mention): string | undefined => {
  const parts = mention.reference === undefined ? null : relative.exec(mention.reference)
  return parts ? `${parts[1]}/${parts[2]}` : undefined
}

export interface Resolved {
  readonly resource: FhirResource
  readonly problems: readonly Problem[]
}

interface Names extends KnownNames {
  /** fullUrl → `Type/id` of the entries of the same Bundle. */
  readonly inBundle: ReadonlyMap<string, string>
  readonly source: Source
}

type Answer = { readonly to: string } | { readonly stays: true } | { readonly problem: 'not-found' | 'many' }

/** `Patient/66` in an entry at `https://ehr.example/fhir/ServiceRequest/77` is that server's (bundle.html#references). */
const besideIt = (reference: string, incoming: Incoming): string | undefined => {
  const [, base] = /^(https?:\/\/.+\/)[A-Z][A-Za-z]+\/[^/]+$/.exec(incoming.fullUrl ?? '') ?? []
  return base !== undefined && relative.test(reference) ? `${base}${reference}` : undefined
}

const lookUp = (mention: Mention, incoming: Incoming, names: Names): Answer => {
  const { reference } = mention
  if (reference?.startsWith('#')) return { stays: true }
  const entry =
    reference === undefined
      ? undefined
      : (names.inBundle.get(reference) ?? names.inBundle.get(besideIt(reference, incoming) ?? ''))
  if (entry !== undefined) return { to: entry }
  const asked = identityAsked(mention, names.source)
  if (asked !== undefined) {
    const ids = names.byIdentity.get(identityKey(asked)) ?? []
    if (ids.length > 1) return { problem: 'many' }
    if (ids[0] !== undefined) return { to: `${asked.type}/${ids[0]}` }
    return reference === undefined ? { stays: true } : { problem: 'not-found' }
  }
  if (reference === undefined) return { stays: true }
  const own = ownAsked(mention)
  return own !== undefined && names.own.has(own) ? { to: own } : { problem: 'not-found' }
}

const expectedForms =
  "an entry's fullUrl, an id of ours, Type?identifier=system|value, #contained, a logical identifier, or an address below the source's fhir"

/** The resource with every reference leading to our ids, and what could not be resolved. */
export const resolveReferences = (incoming: Incoming, names: Names): Resolved => {
  const problems: Problem[] = []
  const answers = new Map<string, string>()
  for (const mention of mentionsOf(incoming.resource)) {
    const answer = lookUp(mention, incoming, names)
    if ('problem' in answer)
      problems.push(
        refusal(
          answer.problem === 'many' ? 'multiple-matches' : 'reference-not-found',
          placesOf(incoming, `${mention.at}.reference`),
          { found: mention.reference, expected: expectedForms },
        ),
      )
    if ('to' in answer) answers.set(JSON.stringify([mention.reference, mention.type, mention.identifier]), answer.to)
  }
  const resource = mapTree(withSubjectType(incoming.resource), (node) => {
    if (!isReference(node)) return node
    const to = answers.get(JSON.stringify([node.reference, node.type, node.identifier]))
    return to === undefined ? node : { ...node, reference: to }
  })
  return { resource, problems }
}
