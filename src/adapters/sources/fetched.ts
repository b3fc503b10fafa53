/** What a source's server answered, made into what accept-order takes. Pure. */
import type { Bundle, BundleEntry, Coding, FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { type Incoming, urlIdentity } from '../../flow/accept-order/incoming.ts'
import { keptTypes } from '../../flow/accept-order/place.ts'
import { mentionsOf, relative } from '../../flow/accept-order/resolve-references.ts'
import type { EvidenceType, Source } from '../../model/configuration.ts'
import { mapTree, type Tree } from '../../model/tree.ts'

/** A source whose server is asked. */
export type AskedSource = Source & { readonly fhir: string; readonly poll: string }

export const isAsked = (source: Source): source is AskedSource => source.fhir !== undefined && source.poll !== undefined

export interface Page<R> {
  readonly found: readonly R[]
  /** By their ids. */
  readonly patients: ReadonlyMap<string, Of<'Patient'>>
  /** What does not belong into the answer to this search. */
  readonly strange: readonly string[]
}

export type Of<T extends FhirResource['resourceType']> = Extract<FhirResource, { resourceType: T }> & {
  readonly id: string
}

const hasId = (resource: FhirResource): boolean =>
  typeof resource.id === 'string' && /^[A-Za-z0-9\-.]{1,64}$/.test(resource.id)

const isFound = ({ search }: BundleEntry): boolean => search?.mode === undefined || search.mode === 'match'

/** What a source's server is searched for. */
export type Searched = 'ServiceRequest' | 'Patient' | EvidenceType

/** Reads a page of resources of a type, with the patients that came along. */
export const readPage = <T extends Searched>(type: T, bundle: Bundle): Page<Of<T>> => {
  const found: Of<T>[] = []
  const patients = new Map<string, Of<'Patient'>>()
  const strange: string[] = []
  for (const entry of Array.isArray(bundle.entry) ? bundle.entry : []) {
    const resource = entry?.resource as FhirResource | undefined
    const asked = isFound(entry)
    if (resource?.resourceType === undefined) strange.push('an entry without a resource')
    else if (resource.resourceType === 'OperationOutcome') continue
    else if (!hasId(resource)) strange.push('a resource without an id')
    else if (resource.resourceType === type && asked) found.push(resource as Of<T>)
    else if (resource.resourceType === 'Patient' && !asked) patients.set(resource.id ?? '', resource as Of<'Patient'>)
    else if (asked) strange.push('a resource of another type')
  }
  return { found, patients, strange: [...new Set(strange)] }
}

/** What tells two versions apart; a server without versions is asked for everything again by its moments. */
export const versionOf = ({ meta }: FhirResource): string => meta?.versionId ?? meta?.lastUpdated ?? ''

const listOf = <T>(value: unknown): readonly T[] => (Array.isArray(value) ? value : [])

export const isTaken = (order: ServiceRequest, { takes }: Source): boolean =>
  // it was not checked yet
  listOf<Coding | null>(order.code?.coding).some((c) => takes.some((t) => t.system === c?.system && t.code === c.code))

const closed = ['completed', 'revoked', 'entered-in-error']

/** Whether it may still be worked on. */
export const isOpen = ({ status }: ServiceRequest): boolean => !closed.includes(status)

/** Where a reference leads on their server: type and id. */
export interface Target {
  readonly type: string
  readonly id: string
}

export const targetOf = (reference: unknown, { fhir }: AskedSource): Target | undefined => {
  if (typeof reference !== 'string') return undefined
  const local = reference.startsWith(`${fhir}/`) ? reference.slice(fhir.length + 1) : reference
  const [, type, id] = relative.exec(local) ?? []
  return type !== undefined && id !== undefined ? { type, id } : undefined
}

export const addressOf = ({ fhir }: AskedSource, { type, id }: Target): string => `${fhir}/${type}/${id}`

const isKept = (type: string): boolean => (keptTypes as readonly string[]).includes(type)

/** What an order speaks of and is kept along with it: where, by whom, why. */
export const companionsOf = (order: ServiceRequest, source: AskedSource): readonly Target[] => {
  const targets = mentionsOf(order).flatMap(({ reference }) => targetOf(reference, source) ?? [])
  const kept = targets.filter(({ type }) => isKept(type))
  return kept.filter((t, i) => kept.findIndex((u) => u.type === t.type && u.id === t.id) === i)
}

/** The patients that replace one, as the record says. */
export const successorsOf = (patient: Patient, source: AskedSource): readonly Target[] =>
  (patient.link ?? [])
    .filter(({ type }) => type === 'replaced-by')
    .flatMap(({ other }) => targetOf(other?.reference, source) ?? [])
    .filter(({ type }) => type === 'Patient')

/**
 * A reference to what comes along leads to it. Any other becomes a logical one by its address there: whether we know
 * that resource is looked up, and what is not known stays told.
 */
const portable = (node: Tree, along: ReadonlySet<string>, source: AskedSource): Tree => {
  const target = targetOf(typeof node.reference === 'string' ? node.reference : undefined, source)
  if (target === undefined) return node
  const value = addressOf(source, target)
  const { reference: _theirs, ...rest } = node
  if (along.has(value)) return { ...rest, reference: value }
  return { type: target.type, identifier: { system: urlIdentity, value }, ...rest }
}

/** Resources of their server as one message: each known by its address there and by its own names. */
export const asIncoming = (resources: readonly (FhirResource & { id: string })[], source: AskedSource): Incoming[] => {
  const addresses = resources.map((r) => addressOf(source, { type: r.resourceType, id: r.id }))
  const along = new Set(addresses)
  return resources.map((resource, i) => ({
    at: `Bundle.entry[${i}].resource`,
    method: 'POST',
    resource: mapTree(resource, (node) => portable(node, along, source)),
    fullUrl: addresses[i] ?? '',
  }))
}
