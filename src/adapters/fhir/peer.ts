/**
 * Calls to a FHIR server outside: the only place where Daybind speaks to one.
 * What can be foreseen is a value (see `peer-fates.ts`); only a bug throws. Nothing is sent twice from here, but for a
 * call whose token they did not take: the row of the delivery decides about the next try.
 */

import type { Bundle, CapabilityStatement, FhirResource } from 'fhir/r4.js'
import { Client, type RequestOptions } from 'fhir-kit-client'
import type { ClientTls } from '../../model/configuration.ts'
import { type Authorization, fixedToken } from './authorization.ts'
import { parseExactly, writeJson } from './door/exact-numbers.ts'
import { hasError, isResource, missingWork, type Place, placeIn, statusWithCodes } from './peer-answer.ts'
import {
  type Answer,
  type Answered,
  causeOfStatus,
  type Failure,
  failure,
  httpDate,
  type Kind,
  retryAfterMs,
} from './peer-fates.ts'
import { type Line, openLine, type Sighting } from './peer-line.ts'

type Reply = Awaited<ReturnType<Client['request']>>

export interface PeerOptions {
  /** The id of the source or reading service. */
  readonly id: string
  /** Base address of its FHIR server; a trailing slash does not matter. */
  readonly base: string
  /** The bearer token that we present. */
  readonly token?: string
  /** In place of `token`: who gives us one. Closed with the peer. */
  readonly authorization?: Authorization
  readonly tls?: ClientTls
  /** Milliseconds for a whole call, waiting for a free connection included. */
  readonly deadlineMs?: number
  /** Connections at most; further calls wait for a free one. */
  readonly connections?: number
  /** Largest answer, in bytes. */
  readonly maxBytes?: number
  /** Told the moment that each answer says it was made at, milliseconds since 1970. */
  readonly onDate?: (date: number) => void
}

type Typed<T extends FhirResource['resourceType']> = Extract<FhirResource, { resourceType: T }>

export interface Peer {
  readonly id: string
  /** So many calls go on side by side; further ones wait for a free connection. */
  readonly connections: number
  /** Sends a transaction. `answered` means: every entry is confirmed, in order, with a 2xx status. */
  transaction(bundle: Bundle, requestId: string): Promise<Answer<Bundle>>
  /** The first page of a search, never from the server's cache. */
  search(type: string, params: Record<string, string | string[]>, requestId: string): Promise<Answer<Bundle>>
  /** The page after this one; undefined when there is none. A link that leads away from the base is refused. */
  nextPage(page: Bundle, requestId: string): Promise<Answer<Bundle>> | undefined
  /** Reads by id, never from the server's cache. Not there: `final` with cause `absent`. */
  read<T extends FhirResource['resourceType']>(type: T, id: string, requestId: string): Promise<Answer<Typed<T>>>
  /** What the server says it can do; asked of nobody's rights. */
  metadata(requestId: string): Promise<Answer<CapabilityStatement>>
  /** Makes a resource; `answered` with it as stored. */
  create<R extends FhirResource>(resource: R, requestId: string): Promise<Answer<R>>
  /** Puts a resource at its id, where it has the version `ifMatch` (such as `W/"3"`) if one is given. */
  update<R extends FhirResource & { id: string }>(resource: R, requestId: string, ifMatch?: string): Promise<Answer<R>>
  /** Writes one resource. Servers may answer without a body, so what is answered is where it is. */
  write(request: WriteRequest, requestId: string): Promise<Answer<Written>>
  /** Ends the calls that are under way, and any that is begun from now on, as if their deadline had come. */
  breakOff(): void
  /** Waits for the calls that are under way, at most their deadline. */
  close(): Promise<void>
}

/** One write: `POST Device`, `PUT Device/12`, `PUT Device?identifier=…`. */
export interface WriteRequest {
  readonly method: 'POST' | 'PUT'
  /** Below the base. */
  readonly url: string
  readonly resource: FhirResource
  /** The query of a conditional create. */
  readonly ifNoneExist?: string
  /** `W/"3"` */
  readonly ifMatch?: string
}

/** Where something was written; without a place where they did not say. */
export interface Written {
  readonly place?: Place
  /** It is new there. */
  readonly created: boolean
}

/** What fhir-kit-client throws for a status outside 2xx and for a body that is not JSON. */
interface HttpError {
  response: { status: number; data: unknown }
  config: { headers: Headers }
}

const isHttpError = (error: unknown): error is HttpError =>
  error instanceof Error && 'response' in error && 'config' in error

/** A socket, DNS or TLS code such as ECONNREFUSED, from the error or what caused it. */
function networkCode(error: unknown, depth = 0): string | undefined {
  if (!(error instanceof Error) || depth > 4) return undefined
  const { code } = error as NodeJS.ErrnoException
  return typeof code === 'string' && /^[A-Z][A-Z0-9_]{2,60}$/.test(code) ? code : networkCode(error.cause, depth + 1)
}

function fromStatus(kind: Kind, { response: { status, data }, config: { headers } }: HttpError): Failure {
  if (status < 300) return failure(kind, 'unexpected-answer', { status, detail: 'not JSON' })
  const wait = retryAfterMs(headers, Date.now())
  const cause = causeOfStatus(status, kind, headers.has('retry-after'))
  const detail = statusWithCodes(status, data)
  return failure(kind, cause, { status, detail, ...(wait === undefined ? {} : { retryAfterMs: wait }) })
}

/** Turns what was thrown into what we know. A bug of ours is thrown on without the words of the first error. */
function whatWeKnow(kind: Kind, error: unknown, seen: Sighting, late: boolean): Failure {
  const status = seen.status === undefined ? {} : { status: seen.status }
  if (seen.stopped === 'elsewhere' || seen.stopped === 'too-large') return failure(kind, seen.stopped, status)
  if (seen.stopped === 'compressed') return failure(kind, 'unexpected-answer', { ...status, detail: 'compressed' })
  if (isHttpError(error)) return fromStatus(kind, error)
  if (seen.ended) return failure(kind, 'unexpected-answer', { ...status, detail: 'not a resource' })
  if (late) return failure(kind, seen.sent ? 'no-answer' : 'not-sent', status)
  const code = networkCode(error)
  if (seen.sent) return failure(kind, 'cut-off', { ...status, ...(code ? { detail: code } : {}) })
  if (code) return failure(kind, 'not-reached', { detail: code })
  throw new Error('A call to the outside could not be built.')
}

const unexpected = (kind: Kind, { resourceType }: FhirResource): Failure =>
  failure(kind, 'unexpected-answer', {
    detail: resourceType === 'OperationOutcome' ? 'OperationOutcome' : 'another resource',
  })

function workMissing(sent: Bundle, answered: Bundle): Failure | undefined {
  const detail = missingWork(sent, answered)
  return detail ? failure('write', 'work-missing', { detail }) : undefined
}

const bundleOf = (kind: Kind, type: Bundle['type']) => (body: FhirResource) =>
  body.resourceType === 'Bundle' && body.type === type ? undefined : unexpected(kind, body)

/** A searchset; its links are looked at here because `nextPage` follows them. */
function searchsetFault(body: FhirResource): Failure | undefined {
  const links: unknown = body.resourceType === 'Bundle' ? (body.link ?? []) : []
  const sound = Array.isArray(links) && links.every((link) => typeof link?.url === 'string')
  return sound ? bundleOf('read', 'searchset')(body) : unexpected('read', body)
}

/** Whether an address, absolute or relative to the base, has the base's origin and lies at or below its path. */
function below(address: string, base: string): boolean {
  if (!URL.canParse(address, `${base}/`)) return false
  const { origin, pathname } = new URL(address, `${base}/`)
  const home = new URL(base)
  const path = home.pathname.replace(/\/$/, '')
  return origin === home.origin && (pathname === path || pathname.startsWith(`${path}/`))
}

const sameType =
  ({ resourceType }: FhirResource) =>
  (body: FhirResource): Failure | undefined =>
    body.resourceType === resourceType ? undefined : unexpected('write', body)

/** Asks for what was written in the answer. */
const preferring = (given: RequestOptions, ifMatch?: string): RequestOptions => ({
  ...given,
  headers: { ...given.headers, Prefer: 'return=representation', ...(ifMatch !== undefined && { 'If-Match': ifMatch }) },
})

/** Asks for what was written, so that its id and version are told where they are not in the headers. */
const conditional = ({ ifNoneExist, ifMatch }: WriteRequest, given: RequestOptions): RequestOptions => ({
  ...given,
  headers: {
    ...given.headers,
    Prefer: 'return=representation',
    ...(ifNoneExist !== undefined && { 'If-None-Exist': ifNoneExist }),
    ...(ifMatch !== undefined && { 'If-Match': ifMatch }),
  },
})

/** An OperationOutcome beside success is a warning, unless it says that there was an error. */
const faultOfWrite =
  ({ resource }: WriteRequest) =>
  (body: FhirResource): Failure | undefined => {
    if (body.resourceType === resource.resourceType) return undefined
    return body.resourceType === 'OperationOutcome' && !hasError(body) ? undefined : unexpected('write', body)
  }

const writtenBy = (answer: Answered<FhirResource>, { resource, url }: WriteRequest): Written => {
  const place = placeIn(answer, resource.resourceType, url)
  return { ...(place && { place }), created: answer.status === 201 }
}

/** An id as FHIR has it, that no client takes for a step up in the address. */
const anId = /^(?!\.+$)[A-Za-z0-9\-.]{1,64}$/

/** `Device`, `Device/12`, `Device?identifier=…` */
const writable = (url: string): boolean => {
  const [, id] = /^[A-Z][A-Za-z]+(?:\/([^/?#]+))?(?:\?[^#]*)?$/.exec(url) ?? []
  return /^[A-Z][A-Za-z]+(?:\?[^#]*)?$/.test(url) || (id !== undefined && anId.test(id))
}

interface Call {
  readonly kind: Kind
  readonly requestId: string
  readonly make: (options: RequestOptions) => Promise<Reply>
  /** What is wrong with an answer that reports success. */
  readonly fault: (body: FhirResource) => Failure | undefined
  /** Success may come without a resource. */
  readonly bare?: boolean
}

/** Makes one request of a call. The type of the body is what `fault` has checked. */
const requester =
  (line: Line, onDate: PeerOptions['onDate']) =>
  async <T extends FhirResource>(call: Call, deadline: AbortController, token?: string): Promise<Answer<T>> => {
    const { kind, requestId, make, fault, bare } = call
    const { wire, seen } = line.watched(() => deadline.abort())
    const headers = {
      'X-Request-Id': requestId,
      'Accept-Encoding': 'identity',
      ...(kind === 'read' ? { 'Cache-Control': 'no-cache' } : { 'Content-Type': 'application/fhir+json' }),
      ...(token !== undefined && { Authorization: `Bearer ${token}` }),
    }
    try {
      const reply = await make({ headers, signal: deadline.signal, ...wire })
      const status = seen.status ?? 0
      // Not what the library made of it: it forgets how decimals were written, and hangs its Request, and with it our
      // token, on the body.
      const body: unknown = isResource(reply) ? parseExactly(Buffer.concat(seen.chunks).toString()) : { ...reply }
      if (!bare && !isResource(body)) return failure(kind, 'unexpected-answer', { status, detail: 'not a resource' })
      const heard = Client.httpFor(reply).response?.headers
      const [etag, location] = [heard?.get('etag'), heard?.get('location')]
      const date = httpDate(heard?.get('date') ?? '')
      if (date !== undefined) onDate?.(date)
      const wrong = isResource(body) ? fault(body) : undefined
      if (wrong) return { ...wrong, status }
      return {
        fate: 'answered',
        status,
        body: body as T,
        ...(etag ? { etag } : {}),
        ...(location ? { location } : {}),
        ...(date !== undefined && { date }),
      }
    } catch (error) {
      return whatWeKnow(kind, error, seen, deadline.signal.aborted)
    }
  }

/** What comes first: the work, or the end of the wait for it. */
const unlessAborted = <T>(work: Promise<T>, signal: AbortSignal): Promise<T | 'late'> => {
  const { promise, resolve } = Promise.withResolvers<'late'>()
  if (signal.aborted) resolve('late')
  signal.addEventListener('abort', () => resolve('late'), { once: true })
  return Promise.race([work, promise])
}

type Request = ReturnType<typeof requester>

/**
 * Makes the request with a token. One that is answered with 401 was not done, a write neither: where another token can
 * be had, it is made once more with that.
 */
const withToken =
  (request: Request, authorization: Authorization) =>
  async <T extends FhirResource>(call: Call, deadline: AbortController): Promise<Answer<T>> => {
    const attempt = async (): Promise<{ answer: Answer<T>; token?: string }> => {
      const got = await unlessAborted(authorization.token(), deadline.signal)
      if (got === 'late') return { answer: failure(call.kind, 'not-sent') }
      if ('cause' in got) return { answer: failure(call.kind, got.cause, got) }
      return { answer: await request<T>(call, deadline, got.token), token: got.token }
    }
    const { answer, token } = await attempt()
    const outdated = answer.fate !== 'answered' && answer.status === 401 && token !== undefined
    return outdated && authorization.refused(token) ? (await attempt()).answer : answer
  }

interface Calling {
  readonly line: Line
  readonly authorization: Authorization | undefined
  readonly onDate: PeerOptions['onDate']
  readonly deadlineMs: number
  readonly underWay: Set<AbortController>
  /** No call is made any more. */
  readonly ended: AbortSignal
}

/** Makes one call under its deadline, the wait for a token included. */
const caller =
  ({ line, authorization, onDate, deadlineMs, underWay, ended }: Calling) =>
  async <T extends FhirResource>(call: Call): Promise<Answer<T>> => {
    // A controller held here, not AbortSignal.timeout: nothing else would keep the deadline alive while we wait.
    const deadline = new AbortController()
    const timer = setTimeout(() => deadline.abort(), deadlineMs)
    underWay.add(deadline)
    if (ended.aborted) deadline.abort()
    const request = requester(line, onDate)
    try {
      return await (authorization ? withToken(request, authorization)<T>(call, deadline) : request<T>(call, deadline))
    } finally {
      clearTimeout(timer)
      underWay.delete(deadline)
    }
  }

/** Opens no connection yet. Throws when `base` is no http address. */
export function openPeer(options: PeerOptions): Peer {
  const { id, token, tls, deadlineMs = 10_000, connections = 8, maxBytes = 10 * 1024 * 1024 } = options
  const base = options.base.replace(/\/+$/, '')
  const { origin, protocol } = new URL(base)
  if (protocol !== 'http:' && protocol !== 'https:') throw new Error(`The base of ${id} is not an http address.`)
  const line = openLine({ origin, connections, deadlineMs, maxBytes, ...(tls && { tls }) })
  const authorization = options.authorization ?? (token === undefined ? undefined : fixedToken(token))
  const client = new Client({ baseUrl: base, requestOptions: { redirect: 'manual' } })
  const underWay = new Set<AbortController>()
  const ending = new AbortController()
  const call = caller({ line, authorization, onDate: options.onDate, deadlineMs, underWay, ended: ending.signal })
  const searchset = (requestId: string, make: Call['make']) =>
    call<Bundle>({ kind: 'read', requestId, make, fault: searchsetFault })

  return {
    id,
    connections,
    transaction: (bundle, requestId) =>
      call<Bundle>({
        kind: 'write',
        requestId,
        // To the base as it stands: the library's own transaction() appends a slash, which not every server takes.
        make: (given) => client.request(base, { method: 'POST', options: given, body: writeJson(bundle) }),
        fault: (body) => bundleOf('write', 'transaction-response')(body) ?? workMissing(bundle, body as Bundle),
      }),
    search: (resourceType, searchParams, requestId) =>
      searchset(requestId, (given) => client.search({ resourceType, searchParams, options: given })),
    nextPage(page, requestId) {
      const link = page.link?.find((found) => found.relation === 'next')
      if (!link) return undefined
      if (!below(link.url, base)) return Promise.resolve(failure('read', 'elsewhere'))
      const address = new URL(link.url, `${base}/`).href
      return searchset(requestId, (given) => client.request(address, { options: given }))
    },
    read: (type, resourceId, requestId) =>
      anId.test(resourceId)
        ? call({
            kind: 'read',
            requestId,
            make: (given) => client.read({ resourceType: type, id: resourceId, options: given }),
            fault: (body) =>
              body.resourceType === type && body.id === resourceId ? undefined : unexpected('read', body),
          })
        : Promise.resolve(failure('read', 'elsewhere')),
    metadata: (requestId) =>
      call<CapabilityStatement>({
        kind: 'read',
        requestId,
        make: (given) => client.request('metadata', { options: given }),
        fault: (body) => (body.resourceType === 'CapabilityStatement' ? undefined : unexpected('read', body)),
      }),
    create: (resource, requestId) =>
      call({
        kind: 'write',
        requestId,
        make: (given) =>
          client.request(resource.resourceType, {
            method: 'POST',
            options: preferring(given),
            body: writeJson(resource),
          }),
        fault: sameType(resource),
      }),
    update: (resource, requestId, ifMatch) =>
      call({
        kind: 'write',
        requestId,
        make: (given) =>
          client.request(`${resource.resourceType}/${resource.id}`, {
            method: 'PUT',
            options: preferring(given, ifMatch),
            body: writeJson(resource),
          }),
        fault: sameType(resource),
      }),
    write: async (request, requestId) => {
      if (!writable(request.url)) return failure('write', 'elsewhere')
      const answer = await call<FhirResource>({
        kind: 'write',
        requestId,
        make: (given) =>
          client.request(request.url, {
            method: request.method,
            options: conditional(request, given),
            body: writeJson(request.resource),
          }),
        fault: faultOfWrite(request),
        bare: true,
      })
      return answer.fate === 'answered' ? { ...answer, body: writtenBy(answer, request) } : answer
    },
    breakOff: () => {
      ending.abort()
      for (const deadline of underWay) deadline.abort()
    },
    close: async () => {
      await Promise.all([line.close(), authorization?.close()])
    },
  }
}
