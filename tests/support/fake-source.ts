/** A source's FHIR server as the poller meets it: searches by time, pages, Subscriptions, and every kind of trouble. */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import type { Bundle, BundleEntry, FhirResource, Patient, ServiceRequest, Subscription } from 'fhir/r4.js'

type Held = FhirResource & { id: string }

/** What it answers in place of its own answer; undefined: its own. */
export type Trouble = (path: string, response: ServerResponse, request: IncomingMessage) => boolean

export interface FakeSource {
  readonly base: string
  /** `GET ServiceRequest?…` of every call, with the query decoded. */
  readonly calls: readonly string[]
  /** Puts a resource there; its version rises. @param at when it was updated, by its clock; now by default */
  put<R extends FhirResource>(id: string, resource: R, at?: number): void
  remove(type: string, id: string): void
  get<R extends FhirResource>(type: string, id: string): R | undefined
  all<R extends FhirResource>(type: string): readonly R[]
  /** Milliseconds that its clock is ahead. */
  clockAhead: number
  pageSize: number
  /** Looked at first, for every call. */
  trouble: Trouble | undefined
  /** Changes a Bundle before it goes out. */
  bend: ((bundle: Bundle, page: number) => void) | undefined
  fhirVersion: string
  close(): void
}

const capabilities = (fhirVersion: string) => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date: '2026-11-28',
  kind: 'instance',
  fhirVersion,
  format: ['json'],
  rest: [
    {
      mode: 'server',
      resource: [
        { type: 'ServiceRequest', interaction: [{ code: 'search-type' }] },
        { type: 'Subscription', interaction: [{ code: 'create' }, { code: 'update' }, { code: 'read' }] },
      ],
    },
  ],
})

const answer = (
  response: ServerResponse,
  status: number,
  body: unknown,
  headers: Record<string, string> = {},
): void => {
  response.writeHead(status, { 'content-type': 'application/fhir+json', ...headers }).end(JSON.stringify(body))
}

const outcome = (code: string) => ({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code }] })

const codesOf = ({ code }: ServiceRequest): string[] => (code?.coding ?? []).map((c) => `${c.system}|${c.code}`)

export const startFakeSource = async (): Promise<FakeSource> => {
  const held = new Map<string, Held>()
  const calls: string[] = []
  let base = ''
  const fake: FakeSource = {
    get base() {
      return base
    },
    calls,
    put: (id, resource, at = Date.now() + fake.clockAhead) => {
      const key = `${resource.resourceType}/${id}`
      const versionId = String(Number(held.get(key)?.meta?.versionId ?? 0) + 1)
      held.set(key, { ...resource, id, meta: { versionId, lastUpdated: new Date(at).toISOString() } } as Held)
    },
    remove: (type, id) => void held.delete(`${type}/${id}`),
    get: <R extends FhirResource>(type: string, id: string) => held.get(`${type}/${id}`) as R | undefined,
    all: <R extends FhirResource>(type: string) =>
      [...held.values()].filter((r) => r.resourceType === type) as unknown as R[],
    clockAhead: 0,
    pageSize: 50,
    trouble: undefined,
    bend: undefined,
    fhirVersion: '4.0.1',
    close: () => {
      server.closeAllConnections()
      server.close()
    },
  }

  const matches = (resource: Held, query: URLSearchParams): boolean => {
    const since = query.get('_lastUpdated')?.replace(/^ge/, '')
    const ids = query.get('_id')?.split(',')
    const [status, code] = [query.get('status')?.split(','), query.get('code')?.split(',')]
    const url = query.get('url')
    const order = resource as ServiceRequest
    return (
      (since === undefined || Date.parse(resource.meta?.lastUpdated ?? '') >= Date.parse(since)) &&
      (ids === undefined || ids.includes(resource.id)) &&
      (status === undefined || status.includes(order.status)) &&
      (code === undefined || codesOf(order).some((c) => code.includes(c))) &&
      (url === null || (resource as unknown as Subscription).channel.endpoint === url)
    )
  }

  const search = (type: string, query: URLSearchParams): Bundle => {
    const found = fake.all<FhirResource>(type).filter((r) => matches(r as Held, query))
    const from = Number(query.get('from') ?? 0)
    const page = found.slice(from, from + fake.pageSize) as Held[]
    const next = new URLSearchParams(query)
    next.set('from', String(from + fake.pageSize))
    const patients = query.has('_include')
      ? [...new Set(page.map((o) => (o as ServiceRequest).subject?.reference ?? ''))].flatMap((r) => held.get(r) ?? [])
      : []
    const entry: BundleEntry[] = [
      ...page.map((resource) => ({
        fullUrl: `${base}/${type}/${resource.id}`,
        resource,
        search: { mode: 'match' as const },
      })),
      ...patients.map((resource) => ({ resource: resource as Patient, search: { mode: 'include' as const } })),
    ]
    return {
      resourceType: 'Bundle',
      type: 'searchset',
      total: found.length,
      link: from + fake.pageSize < found.length ? [{ relation: 'next', url: `${base}/${type}?${next}` }] : [],
      ...(entry.length > 0 && { entry }),
    }
  }

  let made = 0
  const write = async (
    request: IncomingMessage,
    response: ServerResponse,
    type: string,
    given?: string,
  ): Promise<void> => {
    const resource = JSON.parse(await text(request)) as FhirResource
    made += given === undefined ? 1 : 0
    const id = given ?? `made-${made}`
    fake.put(id, resource)
    answer(response, given === undefined ? 201 : 200, held.get(`${type}/${id}`))
  }

  const handle = async (request: IncomingMessage, response: ServerResponse): Promise<void> => {
    const url = new URL(request.url ?? '', base)
    const path = url.pathname.slice('/fhir/'.length)
    calls.push(`${request.method} ${path}${url.search === '' ? '' : `?${decodeURIComponent(url.search.slice(1))}`}`)
    response.setHeader('date', new Date(Date.now() + fake.clockAhead).toUTCString())
    if (fake.trouble?.(path, response, request)) return
    const [type = '', id] = path.split('/')
    if (request.method === 'POST') return write(request, response, type)
    if (request.method === 'PUT') return write(request, response, type, id)
    if (path === 'metadata') return answer(response, 200, capabilities(fake.fhirVersion))
    if (id !== undefined) {
      const found = held.get(path)
      return found
        ? answer(response, 200, found, { etag: `W/"${found.meta?.versionId}"` })
        : answer(response, 404, outcome('not-found'))
    }
    const bundle = search(type, url.searchParams)
    fake.bend?.(bundle, Number(url.searchParams.get('from') ?? 0) / fake.pageSize)
    answer(response, 200, bundle)
  }
  const server = createServer((request, response) => void handle(request, response))
  await new Promise<void>((listening) => server.listen(0, '127.0.0.1', listening))
  base = `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`
  return fake
}
