/** Calls to the outside that are no FHIR calls, or may turn out to be none: bounded in time and size, no redirects. */
import type { ClientTls } from '../../model/configuration.ts'
import { type Line, openLine, type Sighting } from './peer-line.ts'

export interface Heard {
  readonly status: number
  readonly headers: Headers
  readonly text: string
  /** Parsed, where it is a JSON object. */
  readonly body?: Readonly<Record<string, unknown>>
}

/** Why there is no answer: too late, stopped by us, or a socket, DNS or TLS code where there is one. */
export interface Unheard {
  readonly why: 'late' | NonNullable<Sighting['stopped']> | 'broken'
  readonly code?: string
}

export interface PlainCall {
  readonly method: 'GET' | 'POST' | 'DELETE'
  readonly headers?: Readonly<Record<string, string>>
  readonly body?: string | URLSearchParams
  /** Milliseconds. */
  readonly deadlineMs: number
  /** Breaks it off: it counts as too late. */
  readonly signal?: AbortSignal
}

export interface PlainCalls {
  ask(url: string, call: PlainCall): Promise<Heard | Unheard>
  close(): Promise<void>
}

export const isHeard = (answer: Heard | Unheard): answer is Heard => 'status' in answer

const isRecord = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

const parsed = (text: string): unknown => {
  try {
    return JSON.parse(text)
  } catch {
    return undefined
  }
}

/** A code such as ECONNREFUSED, from the error or what caused it. */
const codeOf = (error: unknown, depth = 0): string | undefined => {
  if (!(error instanceof Error) || depth > 4) return undefined
  const { code } = error as NodeJS.ErrnoException
  return typeof code === 'string' && /^[A-Z][A-Z0-9_]{2,60}$/.test(code) ? code : codeOf(error.cause, depth + 1)
}

const whyNot = (error: unknown, seen: Sighting, late: boolean): Unheard => {
  if (seen.stopped) return { why: seen.stopped }
  if (late) return { why: 'late' }
  const code = codeOf(error)
  return { why: 'broken', ...(code !== undefined && { code }) }
}

/** Connections are opened when needed, one to each origin. */
export const openPlainCalls = (options: {
  readonly maxBytes: number
  readonly deadlineMs: number
  readonly tls?: ClientTls | undefined
}): PlainCalls => {
  const { maxBytes, deadlineMs, tls } = options
  const lines = new Map<string, Line>()
  const lineTo = (origin: string): Line => {
    const line = lines.get(origin) ?? openLine({ origin, connections: 1, deadlineMs, maxBytes, ...(tls && { tls }) })
    lines.set(origin, line)
    return line
  }
  return {
    ask: async (url, { method, headers, body, deadlineMs: within, signal }) => {
      const stop = new AbortController()
      const breakOff = () => stop.abort()
      const timer = setTimeout(breakOff, within)
      signal?.addEventListener('abort', breakOff)
      const { wire, seen } = lineTo(new URL(url).origin).watched(() => stop.abort())
      try {
        const response = await fetch(url, {
          method,
          headers: { 'accept-encoding': 'identity', ...headers },
          redirect: 'manual',
          signal: stop.signal,
          ...(body !== undefined && { body }),
          ...wire,
        })
        const text = await response.text()
        const read = parsed(text)
        return { status: response.status, headers: response.headers, text, ...(isRecord(read) && { body: read }) }
      } catch (error) {
        return whyNot(error, seen, stop.signal.aborted)
      } finally {
        clearTimeout(timer)
        signal?.removeEventListener('abort', breakOff)
      }
    },
    close: async () => {
      await Promise.all([...lines.values()].map((line) => line.close()))
    },
  }
}
