/**
 * A FHIR transaction, strictly: all or nothing, and whatever R4 lets a server refuse is refused.
 * Source: http://hl7.org/fhir/R4/http.html#transaction and #cond-update
 */
import type { Bundle, BundleEntry, FhirResource } from 'fhir/r4.js'
import { current, hasIdentifier, keyOf, mapReferences, matching, put, type Shelf, type Token } from './shelf.ts'

export interface Fault {
  readonly status: 400 | 405 | 412
  /** FHIR issue type. */
  readonly code: string
  readonly text: string
}

export type Applied =
  | { readonly shelf: Shelf; readonly response: Bundle }
  /** Everything that is wrong, as far as it could be looked at. Nothing was done. */
  | { readonly faults: readonly Fault[] }

/** Notes a fault of the entry at this position. */
type Note = (at: number, text: string, code?: string, status?: Fault['status']) => undefined

interface Plan {
  readonly resource: FhirResource
  readonly method: 'PUT' | 'POST'
  readonly criterion?: Token & { system: string }
  /** Of `PUT Type/id`. */
  readonly id?: string
  readonly ifMatch?: string
}

/** Where a plan goes: the key of its resource, and whether the shelf has it already. */
interface Target {
  readonly key: string
  readonly known?: FhirResource
}

/** Characters that a query may hold unencoded: RFC 3986, section 3.4. A bare `|` is none of them. */
const queryText = /^[A-Za-z0-9\-._~!$&'()*+,;=:@/?%]+$/

/** Reads `identifier=system|value`, URL-encoded, and nothing else; or says what is wrong with it. */
export function readCriterion(query: string): (Token & { system: string }) | string {
  if (!queryText.test(query)) return 'the criterion is not URL-encoded'
  const params = [...new URLSearchParams(query)]
  if (params.length !== 1 || params[0]?.[0] !== 'identifier') return 'the criterion is not one single identifier'
  const [system, value, ...rest] = params[0][1].split('|')
  return system && value && !rest.length ? { system, value } : 'the criterion lacks its system or its value'
}

function readPut(url: string, resource: FhirResource): Pick<Plan, 'id' | 'criterion'> | string {
  const [, type, id, query] = /^([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64})|\?(.*))$/.exec(url) ?? []
  if (type !== resource.resourceType) return 'the address is not that of the resource type'
  if (id) return resource.id === id ? { id } : 'the id in the address is not the id in the resource'
  const criterion = readCriterion(query ?? '')
  if (typeof criterion === 'string') return criterion
  return hasIdentifier(resource, criterion)
    ? { criterion }
    : 'the resource does not carry the identifier of its criterion'
}

function readPost(
  url: string,
  ifNoneExist: string | undefined,
  resource: FhirResource,
): Pick<Plan, 'criterion'> | string {
  if (url !== resource.resourceType) return 'the address is not that of the resource type'
  if (ifNoneExist === undefined) return {}
  const criterion = readCriterion(ifNoneExist)
  return typeof criterion === 'string' ? criterion : { criterion }
}

function readEntry({ resource, request }: BundleEntry<FhirResource>, at: number, note: Note): Plan | undefined {
  if (!resource?.resourceType) return note(at, 'there is no resource', 'required')
  const { method, url = '', ifNoneExist, ifMatch } = request ?? {}
  if (method !== 'PUT' && method !== 'POST') return note(at, 'only PUT and POST are taken', 'not-supported')
  const found = method === 'PUT' ? readPut(url, resource) : readPost(url, ifNoneExist, resource)
  if (typeof found === 'string') return note(at, found)
  return { resource, method, ...(ifMatch ? { ifMatch } : {}), ...found }
}

export interface TransactionRules {
  /** Whether a PUT may make a resource under an id that the client chose. Absent: yes. */
  readonly clientIds?: boolean
}

/**
 * Finds what an entry means on the shelf; what is new there gets a new id.
 * Source: http://hl7.org/fhir/R4/http.html#upsert, #cond-update
 */
function aim(
  shelf: Shelf,
  plan: Plan,
  at: number,
  newId: () => string,
  note: Note,
  { clientIds = true }: TransactionRules,
): Target | undefined {
  const type = plan.resource.resourceType
  const chosen = plan.method === 'PUT' ? plan.resource.id : undefined
  const named = (id: string): Target | undefined => {
    const known = current(shelf, `${type}/${id}`)
    if (!known && !clientIds) return note(at, 'ids are given by this server alone', 'not-supported', 405)
    return { key: `${type}/${id}`, ...(known ? { known } : {}) }
  }
  if (plan.id) return named(plan.id)
  const [known, other] = plan.criterion ? matching(shelf, type, plan.criterion) : []
  if (other) return note(at, 'the criterion matches several resources', 'multiple-matches', 412)
  if (known && chosen && chosen !== known.id)
    return note(at, 'the criterion matches a resource with another id than the one in the resource')
  if (known) return { key: keyOf(known), known }
  return chosen ? named(chosen) : { key: `${type}/${newId()}` }
}

/** One thing may be named once: by full address, by criterion, by target. */
function noteRepeats(entries: readonly BundleEntry[], plans: readonly Plan[], targets: readonly Target[], note: Note) {
  const criteria = plans.map(({ criterion: c, resource }) => c && `${resource.resourceType}|${c.system}|${c.value}`)
  for (const names of [entries.map(({ fullUrl }) => fullUrl), criteria, targets.map(({ key }) => key)])
    names.forEach((name, at) => {
      if (name !== undefined && names.indexOf(name) < at) note(at, 'another entry has the same identity', 'duplicate')
    })
}

/**
 * Replaces `urn:uuid:` references and conditional references by `Type/id`. A reference that leads nowhere is a fault,
 * except to another server.
 */
function resolved(shelf: Shelf, resource: FhirResource, at: number, places: ReadonlyMap<string, string>, note: Note) {
  const contained = new Set('contained' in resource ? resource.contained?.map(({ id }) => `#${id}`) : [])
  return mapReferences(resource, (reference, path) => {
    const lost = () => note(at, `the reference in ${path} leads nowhere`, 'not-found') ?? reference
    const place = places.get(reference)
    if (place) return place
    if (reference.startsWith('#')) return contained.has(reference) ? reference : lost()
    if (reference.startsWith('urn:')) return lost()
    if (/^https?:/.test(reference)) return reference
    const [type = '', query] = reference.split('?')
    if (query === undefined) return shelf.has(type.replace(/\/_history\/.*$/, '')) ? reference : lost()
    const criterion = readCriterion(query)
    const found = typeof criterion === 'string' ? [] : matching(shelf, type, criterion)
    return found[0] && found.length === 1 ? keyOf(found[0]) : lost()
  }) as FhirResource
}

const answerTo = (stored: FhirResource, status: '200 OK' | '201 Created'): BundleEntry => ({
  response: {
    status,
    location: `${keyOf(stored)}/_history/${stored.meta?.versionId}`,
    etag: `W/"${stored.meta?.versionId}"`,
    ...(stored.meta?.lastUpdated ? { lastModified: stored.meta.lastUpdated } : {}),
  },
})

/** Applies a transaction to a shelf; the shelf that was handed in stays as it is. */
export function applyTransaction(
  shelf: Shelf,
  bundle: Bundle<FhirResource>,
  now: string,
  newId: () => string,
  rules: TransactionRules = {},
): Applied {
  const faults: Fault[] = []
  const note: Note = (at, text, code = 'invalid', status = 400) => {
    faults.push({ status, code, text: `Bundle.entry[${at}]: ${text}` })
  }
  const entries = bundle.entry ?? []
  if (bundle.type !== 'transaction' || !entries.length) note(0, 'this is not a transaction with entries')
  const plans = entries.flatMap((entry, at) => readEntry(entry, at, note) ?? [])
  if (faults.length) return { faults }

  const targets = plans.flatMap((plan, at) => aim(shelf, plan, at, newId, note, rules) ?? [])
  if (faults.length) return { faults }
  noteRepeats(entries, plans, targets, note)
  plans.forEach(({ ifMatch }, at) => {
    const version = targets[at]?.known?.meta?.versionId
    if (ifMatch && ifMatch !== `W/"${version}"`) note(at, 'If-Match names another version', 'conflict', 412)
  })
  if (faults.length) return { faults }

  const places = new Map(
    targets.flatMap(
      ({ key }, at) =>
        [
          [entries[at]?.fullUrl ?? key, key],
          [key, key],
        ] as const,
    ),
  )
  let next = shelf
  const answers = plans.map((plan, at) => {
    const { key, known } = targets[at] ?? { key: '' }
    if (plan.method === 'POST' && known) return answerTo(known, '200 OK')
    const resource = resolved(shelf, { ...plan.resource, id: key.slice(key.indexOf('/') + 1) }, at, places, note)
    const written = put(next, resource, now)
    next = written.shelf
    return answerTo(written.stored, known ? '200 OK' : '201 Created')
  })
  return faults.length
    ? { faults }
    : { shelf: next, response: { resourceType: 'Bundle', type: 'transaction-response', entry: answers } }
}
