/** The line to one peer: a pool of connections that serves one origin only, and watches each call made over it. */
import { createSecureContext, getCACertificates } from 'node:tls'
import { Agent, type Dispatcher } from 'undici'
import type { ClientTls } from '../../model/configuration.ts'

/** What was seen of one call on the wire. */
export interface Sighting {
  /** Its first byte may have left: from here on they may have received it. */
  sent: boolean
  /** Status of the answer, once its headers were here. */
  status?: number
  /** The answer was complete. */
  ended: boolean
  /** Its body, as it came. */
  readonly chunks: Buffer[]
  /** Why we broke it off ourselves. */
  stopped?: 'elsewhere' | 'too-large' | 'compressed'
}

export interface Line {
  /**
   * What sends one call over this line (to be spread into its fetch options; without a type, because Node's types bring
   * a copy of undici's that differs from the package), and what is seen of it. `breakOff` must abort that fetch.
   */
  watched(breakOff: () => void): { wire: object; seen: Sighting }
  /** Waits for the calls that are under way, then closes the connections. */
  close(): Promise<void>
}

interface LineOptions {
  readonly origin: string
  readonly connections: number
  /** Milliseconds. */
  readonly deadlineMs: number
  readonly maxBytes: number
  readonly tls?: ClientTls
}

/**
 * Passes one call on to the pool and notes in `seen` how far it came.
 * An answer larger than `maxBytes` is broken off; so is a compressed one, whose true size cannot be known (we ask for
 * none, by `Accept-Encoding: identity`). It is the fetch that is aborted, not the request below it: when that fails
 * in the same tick in which the headers arrive, fetch does not notice and waits for the deadline.
 */
const watch =
  (seen: Sighting, breakOff: () => void, { origin, maxBytes }: LineOptions): Dispatcher.DispatcherComposeInterceptor =>
  (dispatch) =>
  (options, next) => {
    const stop = (why: NonNullable<Sighting['stopped']>) => {
      seen.stopped = why
      breakOff()
    }
    // Whatever address the client library was led to, no byte and no token goes to another origin.
    if (new URL(String(options.origin)).origin !== origin) {
      seen.stopped = 'elsewhere'
      throw new Error('Another origin than that of the line.')
    }
    let bytes = 0
    return dispatch(options, {
      onRequestStart: (controller, context) => {
        seen.sent = true
        next.onRequestStart?.(controller, context)
      },
      onRequestUpgrade: (controller, ...rest) => next.onRequestUpgrade?.(controller, ...rest),
      onResponseStart: (controller, status, headers, text) => {
        seen.status = status
        if ((headers['content-encoding'] ?? 'identity') !== 'identity') stop('compressed')
        else if (Number(headers['content-length'] ?? 0) > maxBytes) stop('too-large')
        else next.onResponseStart?.(controller, status, headers, text)
      },
      onResponseData: (controller, chunk) => {
        bytes += chunk.length
        if (bytes > maxBytes) stop('too-large')
        else {
          seen.chunks.push(chunk)
          next.onResponseData?.(controller, chunk)
        }
      },
      onResponseEnd: (controller, trailers) => {
        seen.ended = true
        next.onResponseEnd?.(controller, trailers)
      },
      onResponseError: (controller, error) => next.onResponseError?.(controller, error),
    })
  }

/**
 * What a connection with a certificate of ours needs. Made once: to read some hundred authorities for each connection
 * would cost more than the connection.
 */
export const identified = ({ cert, key, ca }: ClientTls) => ({
  secureContext: createSecureContext({
    cert,
    key,
    ...(ca !== undefined && { ca: [...getCACertificates('default'), ca] }),
  }),
})

/** No connection is opened before the first call. */
export function openLine(options: LineOptions): Line {
  const { connections, deadlineMs, tls } = options
  const agent = new Agent({
    connections,
    connect: { timeout: Math.min(5_000, deadlineMs), ...(tls && identified(tls)) },
    // Only a second net below the deadline of the call: undici's timers are coarse and may fire early.
    headersTimeout: deadlineMs + 1_000,
    bodyTimeout: deadlineMs + 1_000,
  })
  return {
    watched(breakOff) {
      const seen: Sighting = { sent: false, ended: false, chunks: [] }
      return { wire: { dispatcher: agent.compose(watch(seen, breakOff, options)) }, seen }
    },
    close: () => agent.close(),
  }
}
