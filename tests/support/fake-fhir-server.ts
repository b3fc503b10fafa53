/**
 * A FHIR server in memory that takes exactly what it says it takes, for what is written to servers of which each can
 * something else. It refuses what it did not offer, and references that lead nowhere.
 * Source: http://hl7.org/fhir/R4/http.html (#create, #ccreate, #update, #cond-update, #concurrency, #transaction)
 */
import { createServer, type IncomingMessage } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import type { Bundle, BundleEntry, CapabilityStatement, FhirResource } from 'fhir/r4.js'
import {
  current,
  hasIdentifier,
  keyOf,
  mapReferences,
  matching,
  ofType,
  put,
  type Shelf,
} from '../../src/testkit/shelf.ts'

/** `create update search ifNoneExist conditionalUpdate updateCreate`, of a type. */
export type Offer = string

export interface FakeOptions {
  readonly offers: Readonly<Record<string, Offer>>
  readonly transaction?: boolean
  /** The status of a stale If-Match: R4 says 412, and there are servers that say 409. */
  readonly stale?: 409 | 412
  /** 201 and 200 come without a body and without more headers than R4 asks for. */
  readonly terse?: boolean
  /** Whatever work comes in a transaction is taken at once, and the answer says so. */
  readonly eager?: boolean
}

export interface FakeServer {
  readonly base: string
  /** Method and address of every request, the query decoded, oldest first; of a transaction its entries too. */
  readonly requests: readonly string[]
  of<T extends FhirResource>(type: T['resourceType']): readonly T[]
  /** Puts something there as its own user would. */
  has(resource: FhirResource & { id: string }): void
  /** Has it no more, as after a deletion. */
  loses(key: string): void
  /** Called before each request is handled, whether it comes alone or in a transaction. */
  before: ((request: string) => void) | undefined
  /** Breaks the connection after having done what the next request asks for that begins so. */
  dropAfter(start: string): void
  /** Changes what it says of itself and does. */
  become(options: FakeOptions): void
  stop(): Promise<void>
}

class Refused extends Error {
  readonly status: number
  constructor(status: number, why: string) {
    super(why)
    this.status = status
  }
}

interface Asked {
  readonly method: string
  /** `Device`, `Device/12`, `Device?identifier=…` */
  readonly url: string
  readonly resource?: FhirResource
  readonly ifNoneExist?: string | undefined
  readonly ifMatch?: string | undefined
}

interface Done {
  readonly status: number
  readonly resource?: FhirResource
}

const statementOf = ({ offers, transaction = true }: FakeOptions): CapabilityStatement => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date: '2026-11-28',
  kind: 'instance',
  fhirVersion: '4.0.1',
  format: ['json'],
  rest: [
    {
      mode: 'server',
      ...(transaction && { interaction: [{ code: 'transaction' as const }] }),
      resource: Object.entries(offers).map(([type, offer]) => {
        const takes = offer.split(' ')
        const interactions = [
          'read' as const,
          ...(takes.includes('create') ? ['create' as const] : []),
          ...(takes.includes('update') ? ['update' as const] : []),
          ...(takes.includes('search') ? ['search-type' as const] : []),
        ]
        return {
          type: type as FhirResource['resourceType'],
          interaction: interactions.map((code) => ({ code })),
          ...(takes.includes('search') && { searchParam: [{ name: 'identifier', type: 'token' as const }] }),
          conditionalCreate: takes.includes('ifNoneExist'),
          conditionalUpdate: takes.includes('conditionalUpdate'),
          updateCreate: takes.includes('updateCreate'),
        }
      }),
    },
  ],
})

const tokensOf = (query: string | undefined) =>
  (new URLSearchParams(query).get('identifier') ?? '').split(',').map((one) => {
    const [system = '', value = ''] = one.split('|')
    return { system, value }
  })

/** A shelf and what may be done to it. Throws what it refuses; the shelf is then as it was. */
const desk = (options: () => FakeOptions, told: (request: string) => void) => {
  let shelf: Shelf = new Map()
  let ids = 100
  const may = (type: string, what: string): void => {
    if (!(options().offers[type] ?? '').split(' ').includes(what)) throw new Refused(405, `${type} takes no ${what}`)
  }
  const known = (reference: string): void => {
    if (/^[A-Z][A-Za-z]+\//.test(reference) && !shelf.has(reference))
      throw new Refused(422, `${reference} leads nowhere`)
    if (reference.startsWith('urn:')) throw new Refused(422, `${reference} leads nowhere`)
  }
  const store = (resource: FhirResource): FhirResource => {
    mapReferences(resource, (r) => {
      known(r)
      return r
    })
    const written = put(shelf, resource, '2026-11-28T00:00:00Z')
    shelf = written.shelf
    return written.stored
  }
  const create = ({ url: type, resource, ifNoneExist }: Asked): Done => {
    may(type, 'create')
    if (ifNoneExist !== undefined) {
      may(type, 'ifNoneExist')
      const [token] = tokensOf(ifNoneExist)
      const found = token ? matching(shelf, type, token) : []
      if (found.length > 1) throw new Refused(412, 'several match')
      if (found[0]) return { status: 200, resource: found[0] }
    }
    return { status: 201, resource: store({ ...(resource as FhirResource), id: String(++ids) } as FhirResource) }
  }
  const update = ({ url, resource, ifMatch }: Asked): Done => {
    const [, type = '', id, query] = /^([A-Za-z]+)(?:\/([^?]+))?(?:\?(.*))?$/.exec(url) ?? []
    if (id === undefined) {
      may(type, 'conditionalUpdate')
      const [token] = tokensOf(query)
      const [found, other] = token ? matching(shelf, type, token) : []
      if (other) throw new Refused(412, 'several match')
      const target = { ...(resource as FhirResource), id: found?.id ?? String(++ids) } as FhirResource
      return { status: found ? 200 : 201, resource: store(target) }
    }
    may(type, 'update')
    const there = current(shelf, `${type}/${id}`)
    if (there === undefined) may(type, 'updateCreate')
    if (resource?.id !== id) throw new Refused(400, 'the id in the address is not the id in the resource')
    if (ifMatch !== undefined && ifMatch !== `W/"${there?.meta?.versionId}"`)
      throw new Refused(options().stale ?? 412, 'another version')
    return { status: there ? 200 : 201, resource: store(resource) }
  }
  const search = (url: string): Done => {
    const [type = '', query] = url.split('?')
    may(type, 'search')
    const tokens = tokensOf(query)
    const entry = ofType(shelf, type)
      .filter((r) => tokens.some((t) => hasIdentifier(r, t)))
      .map((resource) => ({ resource, search: { mode: 'match' as const } }))
    return { status: 200, resource: { resourceType: 'Bundle', type: 'searchset', entry } }
  }
  const read = (url: string): Done => {
    const found = current(shelf, url)
    if (found === undefined) throw new Refused(404, 'not there')
    return { status: 200, resource: found }
  }
  const tell = ({ method, url }: Pick<Asked, 'method' | 'url'>): void => told(`${method} ${decodeURIComponent(url)}`)
  const one = (asked: Asked): Done => {
    if (asked.method === 'POST') return create(asked)
    if (asked.method === 'PUT') return update(asked)
    return asked.url.includes('?') ? search(asked.url) : read(asked.url)
  }
  /** Entries that others refer to go first; all or nothing. */
  const transaction = (bundle: Bundle<FhirResource>): Done => {
    if (options().transaction === false) throw new Refused(405, 'no transactions')
    for (const { request } of bundle.entry ?? []) if (request) tell(request)
    const before = shelf
    const places = new Map<string, string>()
    const answers = new Map<BundleEntry, BundleEntry>()
    try {
      let left = bundle.entry ?? []
      while (left.length > 0) {
        const ready = left.filter((e) => {
          let waits = false
          mapReferences(e.resource, (r) => {
            if (left.some((o) => o.fullUrl === r)) waits = true
            return r
          })
          return !waits
        })
        if (ready.length === 0) throw new Refused(422, 'references in a circle')
        for (const e of ready) {
          const sent = mapReferences(e.resource, (r) => places.get(r) ?? r) as FhirResource
          const takes = options().eager && sent.resourceType === 'Task' && sent.status === 'requested'
          const resource: FhirResource = takes ? { ...sent, status: 'accepted' } : sent
          const { method = '', url = '', ifNoneExist, ifMatch } = e.request ?? {}
          const { status, resource: stored } = one({ method, url, resource, ifNoneExist, ifMatch })
          if (stored && e.fullUrl) places.set(e.fullUrl, keyOf(stored))
          const version = stored?.meta?.versionId
          answers.set(e, {
            ...(options().eager && stored && { resource: stored }),
            response: {
              status: `${status}`,
              location: `${stored && keyOf(stored)}/_history/${version}`,
              etag: `W/"${version}"`,
            },
          })
        }
        left = left.filter((e) => !ready.includes(e))
      }
    } catch (error) {
      shelf = before
      throw error
    }
    const entry = (bundle.entry ?? []).flatMap((e) => answers.get(e) ?? [])
    return { status: 200, resource: { resourceType: 'Bundle', type: 'transaction-response', entry } }
  }
  return {
    one: (asked: Asked): Done => {
      tell(asked)
      return one(asked)
    },
    transaction,
    of: (type: string) => ofType(shelf, type),
    has: (resource: FhirResource) => {
      shelf = put(shelf, resource, '2026-11-28T00:00:00Z').shelf
    },
    loses: (key: string) => {
      shelf = new Map([...shelf].filter(([known]) => known !== key))
    },
  }
}

/** Starts one on loopback. */
export const startFakeServer = async (first: FakeOptions): Promise<FakeServer> => {
  let options = first
  const requests: string[] = []
  const drops: string[] = []
  const fake = desk(
    () => options,
    (request) => {
      requests.push(request)
      server.before?.(request)
    },
  )
  const answer = async (request: IncomingMessage): Promise<Done> => {
    const body = await text(request)
    const url = (request.url ?? '').replace(/^\/fhir\/?/, '')
    if (url === 'metadata') {
      requests.push('GET metadata')
      return { status: 200, resource: statementOf(options) }
    }
    const resource = body === '' ? undefined : (JSON.parse(body) as FhirResource)
    if (url === '') {
      requests.push('POST')
      return fake.transaction(resource as Bundle<FhirResource>)
    }
    const header = (name: string) => request.headers[name] as string | undefined
    return fake.one({
      method: request.method ?? '',
      url,
      ...(resource && { resource }),
      ifNoneExist: header('if-none-exist'),
      ifMatch: header('if-match'),
    })
  }
  const http = createServer(async (request, response) => {
    const seen = requests.length
    const { status, resource } = await answer(request).catch((error: unknown): Done => {
      if (!(error instanceof Refused)) throw error
      const issue = [{ severity: 'error' as const, code: 'processing' as const, diagnostics: error.message }]
      return { status: error.status, resource: { resourceType: 'OperationOutcome', issue } }
    })
    const drop = drops.findIndex((start) => requests.slice(seen).some((r) => r.startsWith(start)))
    if (drop >= 0) {
      drops.splice(drop, 1)
      return void request.socket.destroy()
    }
    const written = status < 300 && request.method !== 'GET' && resource?.resourceType !== 'Bundle'
    const version = resource?.meta?.versionId
    response.writeHead(status, {
      ...(resource && { 'content-type': 'application/fhir+json' }),
      ...(version && { etag: `W/"${version}"` }),
      ...(written &&
        resource &&
        status === 201 && { location: `${server.base}/${keyOf(resource)}/_history/${version}` }),
    })
    response.end(written && options.terse ? undefined : JSON.stringify(resource))
  })
  await new Promise<void>((resolve) => http.listen(0, '127.0.0.1', resolve))
  const server: FakeServer = {
    base: `http://127.0.0.1:${(http.address() as AddressInfo).port}/fhir`,
    requests,
    of: <T extends FhirResource>(type: string) => fake.of(type) as T[],
    has: (resource) => fake.has(resource),
    loses: fake.loses,
    before: undefined,
    dropAfter: (start) => void drops.push(start),
    become: (other) => {
      options = other
    },
    stop: async () => {
      http.closeAllConnections()
      await new Promise((resolve) => http.close(resolve))
    },
  }
  return server
}
