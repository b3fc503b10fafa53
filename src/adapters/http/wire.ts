/**
 * Below the routes: what cannot be read as an HTTP request, what comes too slowly, and what an HTTP server has to
 * refuse before anybody looks at the address. Answered with an OperationOutcome wherever an answer can be made; of the
 * bytes that came nothing is repeated and nothing is logged, for they may be anybody's data.
 */
import type { IncomingMessage, Server, ServerResponse } from 'node:http'
import type { Duplex } from 'node:stream'
import type { FastifyInstance } from 'fastify'
import type { Logger } from 'pino'
import { v7 as uuidv7 } from 'uuid'
import { type Problem, refusal } from '../../model/problems.ts'
import { problemReply, type Reply } from './call.ts'

/** How long a request may take to arrive, in milliseconds. */
export interface RequestDeadlines {
  /** The address and the headers. */
  readonly headersMs: number
  /** The whole request, its body included. */
  readonly requestMs: number
  /** How often is looked; a request is cut off at most so much later. */
  readonly checkMs: number
}

export const usualDeadlines: RequestDeadlines = { headersMs: 10_000, requestMs: 30_000, checkMs: 1_000 }

/** Address and headers together, in bytes. */
export const maxHeaderSize = 16 * 1024

/** So long a closed connection stays readable: a reset would take our answer away from who is still sending. */
const lingerMs = 1_000

export const fhirJson = 'application/fhir+json; charset=utf-8'

/** What every answer carries. */
export const harmlessHeaders = (requestId: string): Readonly<Record<string, string>> => ({
  'x-request-id': requestId,
  'cache-control': 'no-store',
  'x-content-type-options': 'nosniff',
})

type WireError = Error & { readonly code?: string | undefined; readonly rawPacket?: unknown }

/** What Node's parser found, in words; every other error of it is told without. */
const notes: Readonly<Record<string, string>> = {
  HPE_INVALID_METHOD: 'It begins with no method that HTTP knows.',
  HPE_INVALID_URL: 'The address holds a character that must be percent-encoded, or begins with none of /, http: and *.',
  HPE_INVALID_CONSTANT: 'After method and address comes something else than HTTP/1.1: an address holds no space.',
  HPE_INVALID_HEADER_TOKEN: 'A header holds a character that is not allowed there.',
  HPE_LF_EXPECTED: 'A line does not end with CR and LF.',
  HPE_CR_EXPECTED: 'A line does not end with CR and LF.',
  HPE_INVALID_TRANSFER_ENCODING: 'Transfer-Encoding must be chunked alone, and not come with Content-Length.',
  HPE_INVALID_CONTENT_LENGTH: 'Content-Length is no whole number, or is given with Transfer-Encoding.',
  HPE_UNEXPECTED_CONTENT_LENGTH: 'Content-Length is given twice, or with Transfer-Encoding.',
  HPE_INVALID_CHUNK_SIZE: 'A chunk of the body does not begin with its size.',
  HPE_INVALID_EOF_STATE: 'It ended before it was complete.',
}

/** The first byte of a TLS handshake. Source: RFC 8446, section 5.1, ContentType handshake(22) */
const tlsHandshake = 22

const versionNotTaken = refusal('http-version-not-taken', '', { expected: 'HTTP/1.1' })

const problemOf = (error: WireError, deadlines: RequestDeadlines): Problem => {
  switch (error.code) {
    case 'ERR_HTTP_REQUEST_TIMEOUT':
      return refusal('too-slow', '', {
        expected: `the headers within ${deadlines.headersMs / 1000} s, all of it within ${deadlines.requestMs / 1000} s`,
      })
    case 'HPE_HEADER_OVERFLOW':
      return refusal('headers-too-large', '', { expected: `at most ${maxHeaderSize} bytes` })
    case 'HPE_INVALID_VERSION':
    case 'HPE_PAUSED_H2_UPGRADE':
      return versionNotTaken
    default: {
      const tls = error.code === 'HPE_INVALID_METHOD' && Object(error.rawPacket)[0] === tlsHandshake
      const note = tls ? 'It looks like TLS, and this port speaks plain HTTP.' : notes[error.code ?? '']
      return refusal('malformed-request', '', { ...(note !== undefined && { note }) })
    }
  }
}

const reasons: Readonly<Record<number, string>> = {
  400: 'Bad Request',
  405: 'Method Not Allowed',
  408: 'Request Timeout',
  431: 'Request Header Fields Too Large',
  505: 'HTTP Version Not Supported',
}

const rawAnswer = ({ status, body = '', headers }: Reply, requestId: string): string => {
  const all = {
    ...harmlessHeaders(requestId),
    ...headers,
    'content-type': fhirJson,
    'content-length': String(Buffer.byteLength(body)),
    connection: 'close',
  }
  const lines = Object.entries(all).map(([name, value]) => `${name}: ${value}`)
  return [`HTTP/1.1 ${status} ${reasons[status] ?? 'Refused'}`, ...lines, '', body].join('\r\n')
}

/** Says the last word on a connection, and gives the other side the time to read it. */
const endWith = (socket: Duplex, text: string): void => {
  socket.end(text)
  socket.resume()
  setTimeout(() => socket.destroy(), lingerMs).unref()
}

/** The answers of one connection that are not out yet, and the one to the request that came last. */
interface UnderWay {
  readonly open: Set<ServerResponse>
  readonly last: ServerResponse
}

/**
 * Answers what Node's HTTP parser gave up. A request that came whole before the broken bytes on the same connection is
 * answered as it deserves, and the connection closed behind it: its sender must not take our refusal of the rest for
 * a refusal of what may be stored already.
 */
export class Wire {
  private readonly log: Logger
  private readonly deadlines: RequestDeadlines
  private readonly given: WeakSet<Duplex> = new WeakSet()
  private readonly underWay: WeakMap<Duplex, UnderWay> = new WeakMap()

  constructor(log: Logger, deadlines: RequestDeadlines) {
    this.log = log
    this.deadlines = deadlines
  }

  /** Takes part in the life of a server: what is neither request nor error of the parser is answered too. */
  attach(app: FastifyInstance): void {
    const server = app.server as Server
    server.prependListener('request', (request, response) => this.track(request, response))
    server.on('checkExpectation', (request, response) => this.refuseExpectation(request, response))
    server.on('connect', (_request, socket) =>
      this.refuse(socket, refusal('method-not-taken', '', connect), allowNothing),
    )
  }

  onError(error: WireError, socket: Duplex): void {
    if (this.given.has(socket)) return
    if (error.code === 'ECONNRESET' || !socket.writable) return void socket.destroy()
    const { open, last } = this.underWay.get(socket) ?? {}
    const whole = [...(open ?? [])].filter(({ req }) => req.complete)
    if (whole.length > 0) this.endAfter(socket, whole)
    else if (last?.headersSent && !last.req.complete) this.endQuietly(socket)
    else this.refuse(socket, problemOf(error, this.deadlines), {}, error.code)
  }

  private track(request: IncomingMessage, response: ServerResponse): void {
    const { socket } = request
    const open = this.underWay.get(socket)?.open ?? new Set<ServerResponse>()
    this.underWay.set(socket, { open: open.add(response), last: response })
    response.once('close', () => open.delete(response))
  }

  private endAfter(socket: Duplex, responses: readonly ServerResponse[]): void {
    this.given.add(socket)
    // answers go out in the order of their requests: behind the last one the connection ends
    const last = responses.at(-1)
    if (last === undefined) return
    last.shouldKeepAlive = false
    last.once('close', () => this.endQuietly(socket))
  }

  private endQuietly(socket: Duplex): void {
    this.given.add(socket)
    endWith(socket, '')
  }

  private refuse(socket: Duplex, problem: Problem, headers: Readonly<Record<string, string>>, cause = 'unknown'): void {
    this.given.add(socket)
    const [answer, requestId] = [problemReply([problem]), uuidv7()]
    this.log.info({ requestId, step: 'none', route: 'none', status: answer.status, cause }, 'request')
    endWith(socket, rawAnswer({ ...answer, headers: { ...answer.headers, ...headers } }, requestId))
  }

  private refuseExpectation(request: IncomingMessage, response: ServerResponse): void {
    const requestId = uuidv7()
    const { status, body = '' } = problemReply([
      refusal('expectation-not-met', '', { expected: '100-continue', location: 'http.Expect' }),
    ])
    this.log.info({ requestId, step: 'none', route: 'none', status, cause: 'Expect' }, 'request')
    const headers = { ...harmlessHeaders(requestId), 'content-type': fhirJson, connection: 'close' }
    response.writeHead(status, { ...headers, 'content-length': Buffer.byteLength(body) }).end(body)
    request.resume()
  }
}

const connect = { found: 'CONNECT', expected: 'a method that FHIR knows: this is no proxy' }
const allowNothing = { allow: '' }

const hostsIn = (rawHeaders: readonly string[]): number => {
  let hosts = 0
  for (let i = 0; i < rawHeaders.length; i += 2) {
    const name = rawHeaders[i]
    if (name?.length === 4 && name.toLowerCase() === 'host') hosts++
  }
  return hosts
}

/**
 * What RFC 9110 and 9112 want refused of a request that was read well enough: another version of HTTP, a Host that is
 * missing or given twice (two proxies could read two), a transfer coding that nobody here decodes.
 */
export const wireProblem = (request: IncomingMessage): Problem | undefined => {
  const { httpVersion, headers, rawHeaders } = request
  if (httpVersion !== '1.1' && httpVersion !== '1.0') return versionNotTaken
  const hosts = hostsIn(rawHeaders)
  if (hosts > 1 || (hosts === 0 && httpVersion === '1.1')) {
    const note = hosts > 1 ? 'Host is given more than once.' : 'Host is missing.'
    return refusal('malformed-request', '', { note, location: 'http.Host' })
  }
  const coding = headers['transfer-encoding']
  return coding === undefined || coding.toLowerCase() === 'chunked'
    ? undefined
    : refusal('transfer-coding-not-taken', '', {
        found: coding,
        expected: 'chunked',
        location: 'http.Transfer-Encoding',
      })
}
