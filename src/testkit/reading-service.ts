/**
 * A reading service to build and test against: a small, strict FHIR R4 server in memory that receives linked orders,
 * writes down what it has to complain about, answers Tasks, and fails on request.
 * It is no part of the running service.
 */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import { text } from 'node:stream/consumers'
import { setTimeout as pause } from 'node:timers/promises'
import type { Bundle, FhirResource } from 'fhir/r4.js'
import { capabilities, doorOf, isBundle, outcome, parsed, type Reply, send } from './door.ts'
import { type FaultKind, type FaultOptions, faultPlan } from './faults.ts'
import { seenIn } from './linked-order.ts'
import { type Checked, complaintsIn, type Finding, type Ledger, ledger, looked, messageAt } from './rules.ts'
import { search } from './search.ts'
import { current, ofType, put, type Shelf } from './shelf.ts'
import { applyTransaction } from './transaction.ts'

export interface Received {
  /** Instant of arrival. */
  readonly at: string
  readonly requestId?: string
  readonly bundle: Bundle<FhirResource>
  /** Whether it was stored, whatever was answered. */
  readonly stored: boolean
}

export interface ReadingServiceCounterpart {
  readonly name: string
  /** Base of its FHIR server. */
  readonly base: string
  /** Every transaction that arrived, oldest first. */
  readonly received: readonly Received[]
  /** Method and path, without the query, of every request. */
  readonly requests: readonly string[]
  /** What it has to complain about: breaches of FHIR and of what a linked order promises. */
  readonly complaints: readonly string[]
  /** Each rule that was looked at, kept or broken. */
  checked(): readonly Checked[]
  /** Puts down something of the service's own, under a new id unless it has one. */
  add(resource: FhirResource): FhirResource
  /** What it holds of a type, newest versions. */
  resources(type: string): FhirResource[]
  /** All versions of a resource, oldest first. */
  versions(type: string, id: string): readonly FhirResource[]
  /** Fails from now on; a later fault comes after an earlier one is used up. */
  fault(kind: FaultKind, options?: FaultOptions): Promise<void>
  clearFaults(): Promise<void>
  stop(): Promise<void>
}

export interface ReadingServiceOptions {
  /** 0 or absent: any free port. */
  readonly port?: number
  /** Demanded from every caller except for the CapabilityStatement. */
  readonly token?: string
  readonly name?: string
  readonly clock?: () => Date
  /** Where it notes which rule each message showed; absent: one of its own. */
  readonly ledger?: Ledger
  /** Told of each transaction, with what there is to complain about in it. */
  readonly onReceived?: (received: Received, complaints: readonly string[]) => void
  /** Answers what lies outside of `/fhir`; whether it did. */
  readonly control?: (request: IncomingMessage, response: ServerResponse) => Promise<boolean>
}

const takes = { interaction: [{ code: 'transaction' as const }] }

/** What it holds and what it says, without a socket. */
function readingDesk(options: ReadingServiceOptions) {
  const { name = 'Pebble Reading Room', clock = () => new Date(), onReceived, ledger: seen = ledger() } = options
  let shelf: Shelf = new Map()
  let ids = 1000
  const received: Received[] = []
  const complaints: string[] = []
  const now = () => clock().toISOString()

  /** Notes what was seen in a message, and complains of what is wrong. */
  function note(message: string, findings: readonly Finding[]): void {
    complaints.push(...complaintsIn(findings))
    seen.note(message, findings)
  }

  /** The token of a call; whether it is the agreed one. */
  function admit(line: string, requestId: string | undefined, isAgreed: boolean): boolean {
    note(
      messageAt(now(), line, requestId),
      looked('token-shown', isAgreed ? undefined : 'a call came without the agreed token'),
    )
    return isAgreed
  }

  function take(body: string, requestId: string | undefined): Reply {
    const bundle = parsed(body)
    if (!isBundle(bundle)) {
      note(messageAt(now(), 'POST /', requestId), looked('valid-write', 'what was posted to the base is no Bundle'))
      return outcome(400, 'structure', 'A Bundle is expected.')
    }
    const at = now()
    const applied = applyTransaction(shelf, bundle, at, () => String(++ids))
    const findings = [
      ...seenIn(bundle, shelf),
      ...looked('request-id-sent', requestId ? undefined : 'a transaction came without X-Request-Id'),
      ...looked('valid-write', ...('faults' in applied ? applied.faults.map(({ text: says }) => says) : [])),
    ]
    note(messageAt(at, 'POST /', requestId), findings)
    const arrival = { at, ...(requestId ? { requestId } : {}), bundle, stored: 'shelf' in applied }
    received.push(arrival)
    onReceived?.(arrival, complaintsIn(findings))
    if ('shelf' in applied) {
      shelf = applied.shelf
      return { status: 200, body: applied.response }
    }
    return outcome(
      applied.faults[0]?.status ?? 400,
      applied.faults[0]?.code ?? 'invalid',
      ...applied.faults.map((f) => f.text),
    )
  }

  function add(resource: FhirResource): FhirResource {
    const written = put(shelf, { ...resource, id: resource.id ?? String(++ids) } as FhirResource, now())
    shelf = written.shelf
    return written.stored
  }

  function look(path: string, query: URLSearchParams, base: string): Reply {
    if (path === '/metadata') return { status: 200, body: capabilities(name, now(), takes) }
    const [, type, id] = /^\/([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64}))?$/.exec(path) ?? []
    if (!type) return outcome(404, 'not-found', 'Nothing is known under this address.')
    if (!id) return search(shelf, type, query, base) ?? outcome(400, 'not-supported', 'A parameter is not known.')
    const found = current(shelf, `${type}/${id}`)
    return found
      ? { status: 200, body: found, headers: { ETag: `W/"${found.meta?.versionId}"` } }
      : outcome(404, 'not-found', 'There is no such resource.')
  }

  return { name, received, complaints, take, look, add, admit, checked: seen.checked, shelf: () => shelf }
}

type Desk = ReturnType<typeof readingDesk>

/** The answer to a request, faults aside. */
async function reply(desk: Desk, token: string | undefined, base: string, request: IncomingMessage): Promise<Reply> {
  const body = await text(request)
  const { pathname, searchParams } = new URL(request.url ?? '/', base)
  const path = pathname.startsWith('/fhir') ? pathname.slice('/fhir'.length) : undefined
  if (path === undefined) return outcome(404, 'not-found', 'The base is /fhir.')
  const given = request.headers['x-request-id']
  const requestId = typeof given === 'string' ? given : undefined
  const isAgreed = request.headers.authorization === `Bearer ${token}`
  if (token && path !== '/metadata' && !desk.admit(`${request.method} ${path || '/'}`, requestId, isAgreed))
    return outcome(401, 'login', 'The token is missing or wrong.')
  if (request.method === 'GET') return desk.look(path, searchParams, base)
  if (request.method !== 'POST' || path !== '') return outcome(405, 'not-supported', 'Only transactions are taken.')
  if (!/^application\/(fhir\+)?json\b/.test(request.headers['content-type'] ?? ''))
    return outcome(415, 'not-supported', 'Only FHIR JSON is taken.')
  return desk.take(body, requestId)
}

/** Starts a counterpart on loopback. */
export async function startReadingService(options: ReadingServiceOptions = {}): Promise<ReadingServiceCounterpart> {
  const desk = readingDesk(options)
  const faults = faultPlan()
  const requests: string[] = []

  async function serve(request: IncomingMessage, response: ServerResponse): Promise<void> {
    if (!request.url?.startsWith('/fhir') && (await options.control?.(request, response))) return
    requests.push(`${request.method} ${request.url?.split('?')[0]}`)
    const fault = faults.next(request.method)
    if (fault?.kind === 'hang') return
    if (fault?.kind === 'drop-before-store') return void request.socket.destroy()
    if (fault?.kind === 'html') return send(response, { status: 200, body: '<!doctype html><p>Please sign in.' })
    if (fault?.kind.startsWith('error-')) {
      const headers = fault.options.retryAfter === undefined ? {} : { 'Retry-After': fault.options.retryAfter }
      return send(response, { ...outcome(Number(fault.kind.slice(6)), 'transient', 'On request.'), headers })
    }
    const answer = await reply(desk, options.token, door.base(), request)
    if (fault?.kind === 'drop-after-store') return void request.socket.destroy()
    if (fault?.kind === 'slow') await pause(fault.options.afterMs ?? 1_000)
    if (fault?.kind === 'lost-entry' && isBundle(answer.body)) answer.body.entry?.pop()
    send(response, answer)
  }

  const server = createServer((request, response) => {
    serve(request, response).catch(() => request.socket.destroy())
  })
  const door = doorOf(server, options.port ?? 0)
  await door.open()

  return {
    name: desk.name,
    base: door.base(),
    received: desk.received,
    requests,
    complaints: desk.complaints,
    checked: desk.checked,
    add: desk.add,
    resources: (type) => ofType(desk.shelf(), type),
    versions: (type, id) => desk.shelf().get(`${type}/${id}`) ?? [],
    async fault(kind, given = {}) {
      if (kind !== 'down') faults.add(kind, given)
      else if (door.isOpen()) await door.close()
    },
    async clearFaults() {
      faults.clear()
      if (!door.isOpen()) await door.open()
    },
    stop: door.close,
  }
}
