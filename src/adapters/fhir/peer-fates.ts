/**
 * What we know of the other side after a call that was not simply answered.
 * A reason is a fixed sentence plus a status, a FHIR issue code or a socket code: never their words, never an
 * address with its query, so that it may be stored, shown and logged.
 */

import type { Whose } from '../../flow/forward-order/retry.ts'

/**
 * - `try-again`: they have certainly not done it; the same call may be made again.
 * - `unsure`: they may have done it; read back before anything is sent again.
 * - `final`: they have not done it and will not do it; a person must change something first.
 */
export type Fate = 'try-again' | 'unsure' | 'final'

/** A write may have changed something over there, a read never has: so a read is never `unsure`. */
export type Kind = 'write' | 'read'

interface CauseRow {
  readonly write: Fate
  readonly read: Fate
  /** What it says of other messages to the same place. */
  readonly whose: Whose
  readonly says: string
}

const table = <T extends Record<string, CauseRow>>(rows: T): T => rows
const row = (write: Fate, read: Fate, whose: Whose, says: string): CauseRow => ({ write, read, whose, says })

/** Every cause there is. */
export const causes = table({
  'not-reached': row(
    'try-again',
    'try-again',
    'destination',
    'No connection could be made; they have not received it.',
  ),
  'not-sent': row(
    'try-again',
    'try-again',
    'unclear',
    'The deadline passed before a connection was free; nothing was sent.',
  ),
  'no-answer': row(
    'unsure',
    'try-again',
    'unclear',
    'It was sent, and the answer was not complete within the deadline.',
  ),
  'cut-off': row(
    'unsure',
    'try-again',
    'unclear',
    'It was sent, and the connection broke before the answer was complete.',
  ),
  later: row('try-again', 'try-again', 'destination', 'They ask to come back later.'),
  trouble: row('unsure', 'try-again', 'unclear', 'They, or a proxy before them, had an error of their own.'),
  // Credentials are mended on either side without a change to the message, so the message waits for that.
  credentials: row('try-again', 'try-again', 'unclear', 'They do not accept our credentials for this.'),
  // No token, no call: whatever the message is, it was not sent.
  'no-token': row('try-again', 'try-again', 'destination', 'No access token could be had; nothing was sent to them.'),
  conflict: row(
    'try-again',
    'try-again',
    'message',
    'It conflicts with what they hold: read back and compare before the next try.',
  ),
  refused: row('final', 'final', 'message', 'They refuse it as it is, and would refuse the same again.'),
  absent: row('final', 'final', 'message', 'They do not have it.'),
  redirected: row('final', 'final', 'message', 'They redirect to another address; no redirect is followed.'),
  elsewhere: row('final', 'final', 'message', 'The address is not below their base; nothing was sent there.'),
  'unexpected-answer': row(
    'unsure',
    'try-again',
    'unclear',
    'They report success, and the answer is not the one to this call.',
  ),
  'work-missing': row('unsure', 'try-again', 'unclear', 'They report success, but not for every entry.'),
  'too-large': row('unsure', 'final', 'message', 'Their answer is larger than the limit.'),
})

export type Cause = keyof typeof causes

export interface Failure {
  readonly fate: Fate
  readonly cause: Cause
  /** One sentence for people; no patient data. */
  readonly reason: string
  /** HTTP status, when there was an answer. */
  readonly status?: number
  /** Milliseconds that they ask us to wait, from now. */
  readonly retryAfterMs?: number
}

export interface Answered<T> {
  readonly fate: 'answered'
  readonly status: number
  readonly body: T
  /** As sent, `W/"3"`. */
  readonly etag?: string
  /** Their clock, by the Date header: milliseconds since 1970, to the second. */
  readonly date?: number
  /** Where it was written, as sent. */
  readonly location?: string
}

export type Answer<T> = Answered<T> | Failure

/** `detail` must be free of patient data: a status, a count, a code of a closed list. */
export const failure = (
  kind: Kind,
  cause: Cause,
  { detail, ...known }: { detail?: string; status?: number; retryAfterMs?: number } = {},
): Failure => ({
  fate: causes[cause][kind],
  cause,
  reason: detail ? `${causes[cause].says} (${detail})` : causes[cause].says,
  ...known,
})

/**
 * The cause that a status outside 2xx stands for.
 *
 * 429, and 503 with Retry-After, are deliberate: nothing was done. Any other 5xx (501 excepted) and 408 may come from
 * a proxy that lost the server halfway, or from a server that ran out of time while it worked, so a write is unsure.
 * 404 and 410 are the answer to a read, and a wrong base or a deleted target to a write.
 */
export function causeOfStatus(status: number, kind: Kind, retryAfterGiven: boolean): Cause {
  if (status >= 300 && status < 400) return 'redirected'
  if (status === 401 || status === 403) return 'credentials'
  if (status === 409 || status === 412) return 'conflict'
  if ((status === 404 || status === 410) && kind === 'read') return 'absent'
  if (status === 425 || status === 429 || (status === 503 && retryAfterGiven)) return 'later'
  if (status === 408 || (status >= 500 && status !== 501)) return 'trouble'
  return 'refused'
}

/** The three date forms that a recipient must take: RFC 9110, section 5.6.7. */
const httpDates = [
  /^[A-Z][a-z]{2}, \d{2} [A-Z][a-z]{2} \d{4} \d{2}:\d{2}:\d{2} GMT$/,
  /^[A-Z][a-z]{5,8}, \d{2}-[A-Z][a-z]{2}-\d{2} \d{2}:\d{2}:\d{2} GMT$/,
  /^[A-Z][a-z]{2} [A-Z][a-z]{2} [ \d]\d \d{2}:\d{2}:\d{2} \d{4}$/,
]

/** Milliseconds since 1970, or undefined when the text is no HTTP date. */
export function httpDate(text: string): number | undefined {
  if (!httpDates.some((form) => form.test(text))) return undefined
  const instant = Date.parse(text.endsWith('GMT') ? text : `${text} GMT`)
  return Number.isNaN(instant) ? undefined : instant
}

/**
 * Milliseconds to wait by a Retry-After header (seconds or HTTP date), never negative; undefined when there is none
 * or it is malformed. A date is measured from the answer's own Date header where there is one, so that a difference
 * between the two clocks does not matter.
 */
export function retryAfterMs(headers: Headers, now: number): number | undefined {
  const given = headers.get('retry-after')?.trim()
  if (!given) return undefined
  if (/^\d{1,9}$/.test(given)) return Number(given) * 1000
  const until = httpDate(given)
  return until === undefined ? undefined : Math.max(0, until - (httpDate(headers.get('date') ?? '') ?? now))
}
