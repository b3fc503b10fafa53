/**
 * Alerts as signed webhooks. Source: Standard Webhooks 1.0.0, https://www.standardwebhooks.com; the id is that of the
 * delivery, so that whoever got one twice knows it.
 */
import { createHmac } from 'node:crypto'
import type { Trouble } from '../../flow/forward-order/retry.ts'
import { type Cause, causeOfStatus, causes, type Failure, failure, retryAfterMs } from '../fhir/peer-fates.ts'
import { type Heard, isHeard, openPlainCalls, type Unheard } from '../fhir/plain-call.ts'
import type { AlertSent, AlertToSend, Messenger } from './messenger.ts'

const prefix = 'whsec_'

/**
 * The value of `webhook-signature`.
 * @param secret `whsec_` and base64
 * @param timestamp seconds since 1970
 */
export const signatureOf = (secret: string, id: string, timestamp: number, body: string): string => {
  const key = Buffer.from(secret.slice(prefix.length), 'base64')
  return `v1,${createHmac('sha256', key).update(`${id}.${timestamp}.${body}`).digest('base64')}`
}

/** Nothing in an answer is read; so much of it is taken before it is broken off. */
const maxBytes = 64 * 1024

const troubleOf = ({ fate, cause, reason, retryAfterMs: wait }: Failure): Trouble => ({
  fate,
  whose: causes[cause].whose,
  reason,
  ...(wait !== undefined && { retryAfterMs: wait }),
})

const failed = (failure: Failure): AlertSent => ({
  arrived: false,
  trouble: troubleOf(failure),
  mayBeThere: failure.fate === 'unsure',
})

/** Codes of a connection that was never made; TLS has more words for a certificate that is not trusted. */
const noConnection =
  /^(ECONNREFUSED|ENOTFOUND|EAI_|EHOST|ENET|UND_ERR_CONNECT|ERR_TLS|ERR_SSL|CERT_|DEPTH_ZERO|SELF_SIGNED|UNABLE_TO)/

const causeOfSilence = ({ why, code = '' }: Unheard): Cause => {
  if (why === 'late') return 'no-answer'
  if (why === 'too-large') return 'too-large'
  return noConnection.test(code) ? 'not-reached' : 'cut-off'
}

/** Where they redirect to, when it is another host than the one asked. */
const otherHost = (location: string | null, url: string): string | undefined => {
  const host = location === null ? undefined : URL.parse(location, url)?.host
  return host === undefined || host === new URL(url).host || !/^[a-z0-9.:[\]-]{1,253}$/.test(host) ? undefined : host
}

/** Any answer in 2xx is a yes; 410 says that they want no more. */
const outcomeOf = ({ status, headers }: Heard, url: string, now: number): AlertSent => {
  if (status >= 200 && status < 300) return { arrived: true, fate: 'taken' }
  if (status === 410) {
    const reason = 'They want no more alerts (410).'
    return { arrived: false, gone: true, mayBeThere: false, trouble: { fate: 'final', whose: 'message', reason } }
  }
  const wait = retryAfterMs(headers, now)
  const host = status >= 300 && status < 400 ? otherHost(headers.get('location'), url) : undefined
  const detail = host === undefined ? `${status}` : `${status}, to ${host}`
  const known = { status, ...(wait !== undefined && { retryAfterMs: wait }) }
  return failed(failure('write', causeOfStatus(status, 'write', wait !== undefined), { detail, ...known }))
}

interface WebhookOptions {
  readonly url: string
  readonly secret: string
  /** For the whole call, milliseconds. */
  readonly deadlineMs: number
  /** Milliseconds since 1970, of the real time: the receiver holds the timestamp against its own clock. */
  readonly now: () => number
}

const headersOf = ({ id, body, requestId }: AlertToSend, secret: string, timestamp: number) => ({
  'content-type': 'application/json; charset=utf-8',
  'user-agent': 'Daybind',
  'x-request-id': requestId,
  'webhook-id': id,
  'webhook-timestamp': `${timestamp}`,
  'webhook-signature': signatureOf(secret, id, timestamp, body),
})

export const openWebhook = ({ url, secret, deadlineMs, now }: WebhookOptions): Messenger => {
  const calls = openPlainCalls({ maxBytes, deadlineMs })
  const stop = new AbortController()
  return {
    connections: 1,
    inTurn: (work) => work(),
    send: async (alert) => {
      const headers = headersOf(alert, secret, Math.floor(now() / 1000))
      const answer = await calls.ask(url, {
        method: 'POST',
        headers,
        body: alert.body,
        deadlineMs,
        signal: stop.signal,
      })
      return isHeard(answer)
        ? outcomeOf(answer, url, now())
        : failed(failure('write', causeOfSilence(answer), detail(answer)))
    },
    breakOff: () => stop.abort(),
    close: () => calls.close(),
  }
}

const detail = ({ code }: Unheard): { detail?: string } => (code === undefined ? {} : { detail: code })
