/** What was said, as files for a validator: each resource by our profile, each answer as a whole. */
import type { Bundle, FhirResource, Identifier, Parameters } from 'fhir/r4.js'
import { home, identifierSystems, systems } from '../../src/model/systems.ts'
import type { ToValidate } from '../support/validator.ts'

/** One answer, message or resource, as text. */
export interface Said {
  /** Where it was said. */
  readonly where: string
  readonly text: string
}

export const isResource = (body: unknown): body is FhirResource =>
  typeof body === 'object' && body !== null && 'resourceType' in body

const isEnvelope = (r: FhirResource): r is Bundle | Parameters =>
  r.resourceType === 'Bundle' || r.resourceType === 'Parameters'

const inside = (r: FhirResource): readonly FhirResource[] => {
  if (r.resourceType === 'Bundle')
    return (r.entry ?? []).flatMap((e) => [e.resource, e.response?.outcome].filter(isResource))
  return r.resourceType === 'Parameters'
    ? (r.parameter ?? []).flatMap(({ resource }) => (isResource(resource) ? [resource] : []))
    : []
}

/** What is in Bundles and Parameters, however deep, or the resource itself. */
export const resourcesIn = (r: FhirResource): readonly FhirResource[] =>
  isEnvelope(r) ? inside(r).flatMap(resourcesIn) : [r]

const has = (r: { identifier?: Identifier[] | undefined }, system: string): boolean =>
  r.identifier?.some((i) => i.system === system) ?? false

/** By which profile of ours it is; undefined: by none, R4 alone. */
export const profileOf = (r: FhirResource): string | undefined => {
  switch (r.resourceType) {
    case 'ServiceRequest':
      return has(r, identifierSystems.ServiceRequest) ? 'linked-order' : 'order'
    case 'Patient':
      return 'patient'
    case 'Device':
      return 'recorder'
    case 'DeviceUseStatement':
      return 'link'
    case 'Procedure':
      return 'application'
    case 'Task':
      return 'reading-task'
    case 'DetectedIssue':
      return 'gap'
    case 'MeasureReport':
      return 'evening'
    case 'Observation':
      return r.status === 'registered' ? 'stub-observation' : undefined
    case 'DiagnosticReport':
      if (r.status === 'registered') return 'stub-report'
      return has(r, identifierSystems.DiagnosticReport) ? 'report' : undefined
    case 'Provenance':
      return r.reason?.some(({ coding }) => coding?.some((c) => c.system === systems.notApplied))
        ? 'not-applied-record'
        : undefined
    default:
      return undefined
  }
}

/** Names its profile, so that the validator judges it by that as well. */
const stamped = (r: FhirResource): FhirResource => {
  const profile = profileOf(r)
  return profile === undefined ? r : { ...r, meta: { ...r.meta, profile: [`${home}/StructureDefinition/${profile}`] } }
}

const coded = new Set(['code', 'status', 'system', 'type', 'resourceType', 'url'])

/** What a resource is made of: its elements, and the codes in them. */
const shapeOf = (node: unknown, path = ''): readonly string[] => {
  if (Array.isArray(node)) return node.flatMap((item) => shapeOf(item, path))
  if (typeof node !== 'object' || node === null) return [path]
  return Object.entries(node).flatMap(([key, value]) =>
    coded.has(key) && typeof value === 'string' && !value.includes('/fhir/')
      ? [`${path}.${key}=${value}`]
      : shapeOf(value, `${path}.${key}`),
  )
}

const kindOf = (r: FhirResource): string => [...new Set(shapeOf(r))].toSorted().join(' ')

/** So many of one kind are judged: what differs in them is words and moments. */
const ofAKind = 2

/** Each resource by its profile and each answer as a whole; of what is alike but for its words, a few. */
export const toValidate = (said: readonly Said[]): readonly ToValidate[] => {
  const kinds = new Map<string, Set<string>>()
  const chosen: ToValidate[] = []
  const choose = (where: string, r: FhirResource): void => {
    const [kind, text] = [kindOf(r), JSON.stringify(r)]
    const known = kinds.get(kind) ?? new Set()
    kinds.set(kind, known)
    if (known.has(text) || known.size >= ofAKind) return
    known.add(text)
    chosen.push({ name: `${chosen.length} ${r.resourceType} in ${where}`, json: r })
  }
  for (const { where, text } of said) {
    const whole = JSON.parse(text) as FhirResource
    if (isEnvelope(whole)) choose(where, whole)
    for (const r of resourcesIn(whole)) choose(where, stamped(r))
  }
  return chosen
}
