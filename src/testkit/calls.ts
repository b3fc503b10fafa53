/** A counterpart's own calls to Daybind, each with a request id of its own. */
import { randomUUID } from 'node:crypto'
import { parsed } from './door.ts'

export interface Daybind {
  /** FHIR base, without a slash at its end. */
  readonly base: string
  readonly token?: string
}

export interface Answered {
  /** Instant at which it was sent. */
  readonly at: string
  /** Method and address below the base, the query decoded. */
  readonly line: string
  readonly requestId: string
  /** 0 where there was no answer. */
  readonly status: number
  readonly headers: Headers
  /** Parsed; undefined where it is no JSON. */
  readonly body: unknown
  /** Why there was no answer. */
  readonly trouble?: string
}

const deadlineMs = 30_000

/** A text is sent as it is, anything else as JSON. Never throws: no answer is an answer too. */
export async function callDaybind(
  { base, token }: Daybind,
  method: 'GET' | 'POST' | 'PUT',
  path: string,
  body?: object | string,
  more: Readonly<Record<string, string>> = {},
): Promise<Answered> {
  const requestId = randomUUID()
  const sent = { at: new Date().toISOString(), line: `${method} /${decodeURIComponent(path)}`, requestId }
  const headers = {
    Accept: 'application/fhir+json',
    'X-Request-Id': requestId,
    ...(body !== undefined && { 'Content-Type': 'application/fhir+json' }),
    ...(token && { Authorization: `Bearer ${token}` }),
    ...more,
  }
  try {
    const response = await fetch(path === '' ? base : `${base}/${path}`.replace('/?', '?'), {
      method,
      headers,
      ...(body !== undefined && { body: typeof body === 'string' ? body : JSON.stringify(body) }),
      signal: AbortSignal.timeout(deadlineMs),
    })
    return { ...sent, status: response.status, headers: response.headers, body: parsed(await response.text()) }
  } catch (error) {
    const cause = error instanceof Error && error.cause instanceof Error ? `: ${error.cause.message}` : ''
    return { ...sent, status: 0, headers: new Headers(), body: undefined, trouble: `${error}${cause}` }
  }
}
