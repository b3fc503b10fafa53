/**
 * A source to build and test against: a small, strict FHIR R4 server in memory that holds patients and orders, tells of
 * changes by Subscriptions, writes down what it has to complain about in what is written into it, and fails on request.
 * It is no part of the running service.
 */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import { text } from 'node:stream/consumers'
import { setTimeout as pause } from 'node:timers/promises'
import type { FhirResource } from 'fhir/r4.js'
import { doorOf, outcome, send } from './door.ts'
import { faultPlan } from './faults.ts'
import { type Checked, complaintsIn, type Finding, type Ledger, ledger, looked, messageAt } from './rules.ts'
import { ofType } from './shelf.ts'
import { sourceDesk, type Write } from './source-desk.ts'
import { type Moment, type SourceFaultKind, type SourceFaultOptions, showsAt, spoiled } from './source-faults.ts'
import { concerned, notify } from './subscriptions.ts'

export interface SourceCounterpart {
  readonly name: string
  /** Base of its FHIR server. */
  readonly base: string
  /** Every write that arrived, oldest first. */
  readonly writes: readonly Write[]
  /** Method and path, without the query, of every request. */
  readonly requests: readonly string[]
  /** What it has to complain about: breaches of FHIR and of what was agreed about writing back. */
  readonly complaints: readonly string[]
  /** Each rule that was looked at, kept or broken. */
  checked(): readonly Checked[]
  /** Puts down a resource of the source's own; an earlier moment is that of a transaction that committed late. */
  add(resource: FhirResource, lastUpdated?: string): FhirResource
  /** What it holds of a type, newest versions. */
  resources(type: string): FhirResource[]
  /** All versions of a resource, oldest first. */
  versions(type: string, id: string): readonly FhirResource[]
  /** Fails from now on; a later fault comes after an earlier one is used up. */
  fault(kind: SourceFaultKind, options?: SourceFaultOptions): Promise<void>
  clearFaults(): Promise<void>
  /** Waits for notifications that are under way. */
  settled(): Promise<void>
  stop(): Promise<void>
}

export interface SourceOptions {
  /** 0 or absent: any free port. */
  readonly port?: number
  /** Demanded from every caller except for the CapabilityStatement. */
  readonly token?: string
  readonly name?: string
  readonly clock?: () => Date
  /** Matches on a page where nobody asks for a number. */
  readonly pageSize?: number
  /** Where it notes which rule each message showed; absent: one of its own. */
  readonly ledger?: Ledger
  readonly onWrite?: (write: Write) => void
  /** Answers what lies outside of `/fhir`; whether it did. */
  readonly control?: (request: IncomingMessage, response: ServerResponse) => Promise<boolean>
}

const momentOf = (method: string | undefined, path: string): Moment => {
  if (path === '/metadata') return 'metadata'
  if (method !== 'GET' && !path.endsWith('/_search')) return 'write'
  return path === '' || /^\/\w+(\/_search)?$/.test(path) ? 'search' : 'any'
}

const idOf = ({ headers }: IncomingMessage): string | undefined => {
  const id = headers['x-request-id']
  return typeof id === 'string' ? id : undefined
}

/** Starts a source on loopback. */
export async function startSource(options: SourceOptions = {}): Promise<SourceCounterpart> {
  const { name = 'Tern Harbour records', clock = () => new Date() } = options
  const faults = faultPlan<SourceFaultKind, SourceFaultOptions>()
  const requests: string[] = []
  const writes: Write[] = []
  const complaints: string[] = []
  const seen = options.ledger ?? ledger()
  const note = (message: string, findings: readonly Finding[]): void => {
    complaints.push(...complaintsIn(findings))
    seen.note(message, findings)
  }
  const telling = new Set<Promise<void>>()
  const desk = sourceDesk({
    name,
    clock,
    base: () => door.base(),
    pageSize: options.pageSize ?? 50,
    changed: (resource) => {
      const all = concerned(desk.shelf(), resource)
      if (!all.length || faults.next(undefined, showsAt('change'))) return
      for (const subscription of all) {
        const told: Promise<void> = notify(subscription, resource).then((trouble) => {
          if (trouble !== undefined) desk.add({ ...subscription, status: 'error', error: trouble })
          telling.delete(told)
        })
        telling.add(told)
      }
    },
    wrote: (write) => {
      writes.push(write)
      note(messageAt(write.at, `${write.status} ${write.line}`, write.requestId), write.findings)
      options.onWrite?.(write)
    },
  })

  async function serve(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const { pathname, searchParams: query } = new URL(request.url ?? '/', door.base())
    if (!pathname.startsWith('/fhir')) {
      if (!(await options.control?.(request, response))) send(response, outcome(404, 'not-found', 'The base is /fhir.'))
      return
    }
    const path = pathname.slice('/fhir'.length).replace(/\/$/, '')
    requests.push(`${request.method} ${pathname}`)
    const fault = faults.next(request.method, showsAt(momentOf(request.method, path)))
    if (fault?.kind === 'hang') return
    if (fault?.kind === 'drop-before-store') return void request.socket.destroy()
    if (fault?.kind === 'html') return send(response, { status: 200, body: '<!doctype html><p>Please sign in.' })
    if (fault?.kind.startsWith('error-')) {
      const { retryAfter } = fault.options
      const headers = retryAfter === undefined ? {} : { 'Retry-After': retryAfter }
      return send(response, { ...outcome(Number(fault.kind.slice(6)), 'transient', 'On request.'), headers })
    }
    if (options.token && path !== '/metadata') {
      const isAgreed = request.headers.authorization === `Bearer ${options.token}`
      const wrong = isAgreed ? undefined : 'a call came without the agreed token'
      note(
        messageAt(clock().toISOString(), `${request.method} ${path || '/'}`, idOf(request)),
        looked('token-shown', wrong),
      )
      if (!isAgreed) return send(response, outcome(401, 'login', 'The token is missing or wrong.'))
    }
    const body = await text(request)
    const answer = desk.answer({ method: request.method ?? '', path, query, headers: request.headers, body })
    if (fault?.kind === 'drop-after-store') return void request.socket.destroy()
    if (fault?.kind === 'slow') await pause(fault.options.afterMs ?? 1_000)
    send(response, fault ? spoiled(answer, fault.kind, fault.options, door.base()) : answer)
  }

  const server = createServer((request, response) => {
    serve(request, response).catch(() => request.socket.destroy())
  })
  const door = doorOf(server, options.port ?? 0)
  await door.open()
  const settled = async () => {
    while (telling.size) await Promise.all(telling)
  }

  return {
    name,
    base: door.base(),
    writes,
    requests,
    complaints,
    checked: seen.checked,
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
    settled,
    async stop() {
      if (door.isOpen()) await door.close()
      await settled()
    },
  }
}
