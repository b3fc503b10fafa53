/**
 * What a source holds and how it answers, without a socket: a small, strict FHIR R4 server in memory.
 * Source: http://hl7.org/fhir/R4/http.html
 */
import type { Bundle, BundleEntry, CapabilityStatementRest, FhirResource, Subscription } from 'fhir/r4.js'
import { capabilities, isBundle, outcome, parsed, type Reply } from './door.ts'
import { pages } from './pages.ts'
import { type Finding, looked } from './rules.ts'
import { unknownParameters } from './search.ts'
import { current, keyOf, put, type Shelf } from './shelf.ts'
import { cannotKeep } from './subscriptions.ts'
import { applyTransaction } from './transaction.ts'
import { overreach, seenInWrite } from './write-back.ts'

/** One write that arrived. */
export interface Write {
  /** Instant of arrival. */
  readonly at: string
  readonly requestId?: string
  /** Method and address below the base, with its criteria. */
  readonly line: string
  /** As an entry of a transaction; several where one was posted. */
  readonly entries: readonly BundleEntry<FhirResource>[]
  /** What it showed of the contract. */
  readonly findings: readonly Finding[]
  /** What was answered. */
  readonly status: number
}

/** A request as far as it matters here. */
export interface Ask {
  readonly method: string
  /** Below the base, without the query. */
  readonly path: string
  readonly query: URLSearchParams
  readonly headers: Readonly<Record<string, string | string[] | undefined>>
  readonly body: string
}

export interface DeskOptions {
  readonly name: string
  readonly base: () => string
  readonly clock: () => Date
  readonly pageSize: number
  /** Told of each change, and of each write that arrived. */
  readonly changed: (resource: FhirResource) => void
  readonly wrote: (write: Write) => void
}

/** What it takes: what it holds itself, and what is written back into it. */
const types = [
  'Patient',
  'ServiceRequest',
  'Device',
  'DeviceUseStatement',
  'Procedure',
  'Task',
  'Observation',
  'DiagnosticReport',
  'Provenance',
  'Subscription',
  'Practitioner',
  'Organization',
  'Location',
  'Encounter',
  'Appointment',
] as const satisfies readonly FhirResource['resourceType'][]

/** What may be based on an order, and is looked for by it: http://hl7.org/fhir/R4/appointment.html#search and its like. */
const basedOnOrders = ['Procedure', 'Encounter', 'Appointment', 'Task', 'Observation', 'DiagnosticReport']

const interactions = ['read', 'vread', 'create', 'update', 'delete', 'search-type'] as const

const takes: Omit<CapabilityStatementRest, 'mode'> = {
  interaction: [{ code: 'transaction' }],
  resource: types.map((type) => ({
    type,
    interaction: interactions.map((code) => ({ code })),
    versioning: 'versioned-update',
    readHistory: true,
    updateCreate: false,
    conditionalCreate: true,
    conditionalUpdate: true,
    searchInclude: type === 'ServiceRequest' ? ['ServiceRequest:subject', 'ServiceRequest:patient'] : [],
    searchParam: [
      { name: '_id', type: 'token' },
      { name: '_lastUpdated', type: 'date' },
      { name: 'identifier', type: 'token' },
      { name: 'code', type: 'token' },
      { name: 'status', type: 'token' },
      { name: 'patient', type: 'reference' },
      ...(basedOnOrders.includes(type) ? [{ name: 'based-on', type: 'reference' as const }] : []),
    ],
  })),
}

const header = (ask: Ask, name: string): string | undefined => {
  const value = ask.headers[name]
  return typeof value === 'string' ? value : undefined
}

const shown = (resource: FhirResource, status = 200, headers: Record<string, string> = {}): Reply => ({
  status,
  body: resource,
  headers: {
    ETag: `W/"${resource.meta?.versionId}"`,
    ...(resource.meta?.lastUpdated && { 'Last-Modified': new Date(resource.meta.lastUpdated).toUTCString() }),
    ...headers,
  },
})

const notThere = outcome(404, 'not-found', 'There is no such resource.')
const gone = outcome(410, 'deleted', 'The resource was deleted.')

export function sourceDesk({ name, base, clock, pageSize, changed, wrote }: DeskOptions) {
  let shelf: Shelf = new Map()
  let ids = 1_000
  const own = new Set<string>()
  const deleted = new Set<string>()
  const searches = pages(pageSize)
  const now = () => clock().toISOString()

  function keep(next: Shelf): void {
    const before = shelf
    shelf = next
    for (const [key, versions] of next)
      if (before.get(key) !== versions)
        for (const version of versions.slice(before.get(key)?.length ?? 0)) changed(version)
  }

  /** Puts down what the source itself has to say. @param at when it says that it did: a late commit says an earlier time */
  function add(resource: FhirResource, at = now()): FhirResource {
    const named = { ...resource, id: resource.id ?? String(++ids) } as FhirResource
    own.add(keyOf(named))
    const { shelf: next, stored } = put(shelf, named, at)
    keep(next)
    return stored
  }

  function look(type: string, id: string, version: string | undefined): Reply {
    const key = `${type}/${id}`
    if (deleted.has(key) && version === undefined) return gone
    const versions = shelf.get(key) ?? []
    const found = version === undefined ? versions.at(-1) : versions.find(({ meta }) => meta?.versionId === version)
    return found && !(deleted.has(key) && version === undefined) ? shown(found) : notThere
  }

  function search(type: string, query: URLSearchParams): Reply {
    const unknown = unknownParameters(query)
    if (unknown.length) return outcome(400, 'not-supported', `Parameters that are not known: ${unknown.join(', ')}.`)
    const standing = new Map([...shelf].filter(([key]) => !deleted.has(key)))
    return { status: 200, body: searches.search(standing, type, query, base()) }
  }

  function read({ path, query }: Ask): Reply {
    if (path === '/metadata') return { status: 200, body: capabilities(name, now(), takes) }
    const run = query.get('_run')
    if (path === '' && run !== null) {
      const page = searches.page(base(), { run, offset: Number(query.get('_offset')) })
      return page ? { status: 200, body: page } : outcome(410, 'deleted', 'The search is not known any more.')
    }
    const [, type = '', id, version] =
      /^\/([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/([A-Za-z0-9\-.]{1,64}))?)?$/.exec(path) ?? []
    if (!types.some((t) => t === type)) return outcome(404, 'not-found', 'Nothing is known under this address.')
    return id ? look(type, id, version) : search(type, query)
  }

  /** What R4 says to the entries of a transaction, and to one write as if it were one. */
  function apply(entries: readonly BundleEntry<FhirResource>[]): Reply & { findings: readonly Finding[] } {
    const bundle: Bundle<FhirResource> = { resourceType: 'Bundle', type: 'transaction', entry: [...entries] }
    const findings = entries.flatMap((entry) => seenInWrite(entry, { shelf, own, base: base() }))
    const beyond = entries.flatMap(overreach)
    if (beyond.length) return { ...outcome(403, 'forbidden', ...beyond), findings }
    const foreign = entries.filter(({ resource }) => resource && !types.some((t) => t === resource.resourceType))
    if (foreign.length) return { ...outcome(404, 'not-supported', 'A type is not taken here.'), findings }
    const refused = entries.flatMap(({ resource }) =>
      resource?.resourceType === 'Subscription' ? (cannotKeep(resource) ?? []) : [],
    )
    if (refused.length)
      return {
        ...outcome(422, 'not-supported', ...refused),
        findings: [...findings, ...looked('hook-kept', ...refused)],
      }
    const applied = applyTransaction(shelf, localised(bundle), now(), () => String(++ids), { clientIds: false })
    if ('faults' in applied) {
      const texts = applied.faults.map(({ text }) => text)
      const { status = 400, code = 'invalid' } = applied.faults[0] ?? {}
      // a stale version is what If-Match is there for
      const breaches = applied.faults.filter((f) => f.code !== 'conflict').map(({ text }) => text)
      return { ...outcome(status, code, ...texts), findings: [...findings, ...looked('valid-write', ...breaches)] }
    }
    keep(applied.shelf)
    return { status: 200, body: applied.response, findings: [...findings, ...looked('valid-write')] }
  }

  /** References below our own base are references here; a Subscription that is kept is active from now on. */
  const localised = (bundle: Bundle<FhirResource>): Bundle<FhirResource> => ({
    ...bundle,
    entry: (bundle.entry ?? []).map((entry) => {
      const text = JSON.stringify(entry.resource ?? null).replaceAll(`"reference":"${base()}/`, '"reference":"')
      const resource = JSON.parse(text) as FhirResource | null
      if (!resource) return entry
      const status: Subscription['status'] = 'active'
      return { ...entry, resource: resource.resourceType === 'Subscription' ? { ...resource, status } : resource }
    }),
  })

  /** The answer to one write, from that of the transaction with it alone. */
  function alone(entry: BundleEntry<FhirResource>): Reply & { findings: readonly Finding[] } {
    const done = apply([entry])
    const response = typeof done.body === 'object' && isBundle(done.body) ? done.body.entry?.[0]?.response : undefined
    const [key = ''] = response?.location?.split('/_history') ?? []
    const stored = current(shelf, key)
    if (!response || !stored) return done
    const place = response.location ? { Location: `${base()}/${response.location}` } : {}
    return { ...shown(stored, Number.parseInt(response.status, 10), place), findings: done.findings }
  }

  function remove(path: string): Reply {
    const key = path.slice(1)
    if (!shelf.has(key)) return notThere
    if (own.has(key)) return outcome(403, 'forbidden', 'What the source wrote is deleted by the source alone.')
    deleted.add(key)
    const standing = shelf.get(key)?.at(-1)
    if (standing?.resourceType === 'Subscription') add({ ...standing, status: 'off' })
    return { status: 204, body: '' }
  }

  function entriesOf(ask: Ask, body: unknown): readonly BundleEntry<FhirResource>[] | undefined {
    if (ask.path === '') return isBundle(body) && body.type === 'transaction' ? (body.entry ?? []) : undefined
    if (typeof body !== 'object' || body === null || !('resourceType' in body)) return undefined
    const query = [...ask.query].length ? `?${ask.query}` : ''
    const ifNoneExist = header(ask, 'if-none-exist')
    const ifMatch = header(ask, 'if-match')
    const request = {
      method: ask.method as 'PUT' | 'POST',
      url: `${ask.path.slice(1)}${query}`,
      ...(ifNoneExist && { ifNoneExist }),
      ...(ifMatch && { ifMatch }),
    }
    return [{ resource: body as FhirResource, request }]
  }

  function write(ask: Ask): Reply {
    if (ask.method === 'DELETE') return remove(ask.path)
    if (!/^application\/(fhir\+)?json\b/.test(header(ask, 'content-type') ?? ''))
      return outcome(415, 'not-supported', 'Only FHIR JSON is taken.')
    const requestId = header(ask, 'x-request-id')
    const entries = entriesOf(ask, parsed(ask.body))
    const done = entries
      ? ask.path === ''
        ? apply(entries)
        : alone(entries[0] ?? {})
      : {
          ...outcome(400, 'structure', 'A resource, or a transaction, is expected.'),
          findings: looked('valid-write', 'what was written is no resource'),
        }
    wrote({
      at: now(),
      ...(requestId && { requestId }),
      line: `${ask.method} ${ask.path || '/'}${[...ask.query].length ? `?${ask.query}` : ''}`,
      entries: entries ?? [],
      findings: [
        ...done.findings,
        ...looked('request-id-sent', requestId ? undefined : 'a write came without X-Request-Id'),
      ],
      status: done.status,
    })
    return { status: done.status, body: done.body, ...(done.headers && { headers: done.headers }) }
  }

  return {
    add,
    shelf: (): Shelf => shelf,
    answer(ask: Ask): Reply {
      const searched = /^\/(\w+)\/_search$/.exec(ask.path)
      if (searched && ask.method === 'POST')
        return read({ ...ask, path: `/${searched[1]}`, query: new URLSearchParams(`${ask.query}&${ask.body}`) })
      if (ask.method === 'GET' || ask.method === 'HEAD') return read(ask)
      if (['POST', 'PUT', 'DELETE'].includes(ask.method)) return write(ask)
      return outcome(405, 'not-supported', 'GET, POST, PUT and DELETE are taken.')
    },
  }
}
