/**
 * Access tokens by SMART Backend Services: we sign that it is us, their authorization server gives a token for a few
 * minutes. Source: http://hl7.org/fhir/smart-app-launch/backend-services.html and client-confidential-asymmetric.html
 * (2.2.0). No token, assertion or word of theirs is in what is told.
 */
import { randomUUID } from 'node:crypto'
import { SignJWT } from 'jose'
import type { ClientTls, Smart } from '../../model/configuration.ts'
import { isPrivate } from '../../model/private-address.ts'
import type { SigningKey } from '../../model/signing-key.ts'
import type { Cause } from './peer-fates.ts'
import { httpDate, retryAfterMs } from './peer-fates.ts'
import { type Heard, isHeard, openPlainCalls, type Unheard } from './plain-call.ts'

/** Why there is no token; nothing was sent to the FHIR server. */
export interface NoToken {
  readonly cause: Extract<Cause, 'credentials' | 'no-token'>
  /** A status, a code of a closed list, a count: no patient data, no secret. */
  readonly detail: string
  readonly retryAfterMs?: number
}

export interface Token {
  readonly token: string
}

export interface Authorization {
  /** A token that should still be good when it arrives. Callers that wait for one wait for the same one. */
  token(): Promise<Token | NoToken>
  /** They did not take this token. @returns whether another one can be asked for */
  refused(token: string): boolean
  close(): Promise<void>
}

/** A token that never changes. */
export const fixedToken = (token: string): Authorization => ({
  token: async () => ({ token }),
  refused: () => false,
  close: async () => {},
})

/** Where time and luck come from; set by tests. */
export interface Surroundings {
  /** Milliseconds since 1970, for what we sign. */
  readonly now: () => number
  /** Milliseconds that only grow, for how long a token is good: our clock may be set meanwhile. */
  readonly elapsed: () => number
  /** Never the same twice. */
  readonly unique: () => string
}

export const world: Surroundings = { now: Date.now, elapsed: () => performance.now(), unique: randomUUID }

/** Seconds. At most five minutes are allowed; with exactly five, a clock that is a little ahead is refused. */
const assertionLife = 240

export interface AssertionClaims {
  readonly iss: string
  readonly sub: string
  readonly aud: string
  /** Seconds since 1970. */
  readonly exp: number
  readonly jti: string
}

/** Without `iat` and `nbf`, which only give clocks that differ something to refuse. */
export const assertionClaims = (
  clientId: string,
  tokenUrl: string,
  { now, unique }: Surroundings,
): AssertionClaims => ({
  iss: clientId,
  sub: clientId,
  aud: tokenUrl,
  exp: Math.floor(now() / 1000) + assertionLife,
  jti: unique(),
})

/** Signs the claims. Without `jku`: servers compare it with what was registered, to the letter. */
export const signAssertion = (claims: AssertionClaims, { kid, alg, privateKey }: SigningKey): Promise<string> =>
  new SignJWT({ ...claims }).setProtectedHeader({ alg, kid, typ: 'JWT' }).sign(privateKey)

/** The form that asks for a token. */
export const tokenRequest = (assertion: string, scope: string): URLSearchParams =>
  new URLSearchParams({
    grant_type: 'client_credentials',
    scope,
    client_assertion_type: 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer',
    client_assertion: assertion,
  })

/** Where a FHIR server says where tokens are to be had. */
export const smartConfigurationOf = (base: string): string => `${base}/.well-known/smart-configuration`

const json = { accept: 'application/json' }

/** RFC 6749, section 5.2: what the client has to mend. Anything else that they may write is not repeated. */
export const clientErrors = [
  ...['invalid_request', 'invalid_client', 'invalid_grant'],
  ...['unauthorized_client', 'unsupported_grant_type', 'invalid_scope'],
]

const noToken = (detail: string): NoToken => ({ cause: 'no-token', detail })

/** Seconds by which their clock is behind ours, told where it may be the reason. */
const behind = ({ headers }: Heard, now: number): string => {
  const theirs = httpDate(headers.get('date') ?? '')
  const seconds = theirs === undefined ? 0 : Math.round((now - theirs) / 1000)
  if (Math.abs(seconds) < 30) return ''
  return `; their clock is ${Math.abs(seconds)} s ${seconds > 0 ? 'behind' : 'ahead of'} ours`
}

/** What a refusal of the token endpoint means. */
const refusal = (heard: Heard, now: number): NoToken => {
  const { status, headers, body } = heard
  if (status >= 300 && status < 400) return noToken('their token endpoint redirects')
  const code = clientErrors.find((known) => known === body?.error)
  if (code !== undefined || status === 401 || status === 403)
    return {
      cause: 'credentials',
      detail: `token endpoint: ${[status, code].filter(Boolean).join(' ')}${behind(heard, now)}`,
    }
  const wait = retryAfterMs(headers, now)
  return { ...noToken(`token endpoint: ${status}`), ...(wait !== undefined && { retryAfterMs: wait }) }
}

const bearer = /^[A-Za-z0-9\-._~+/]+=*$/

/** Seconds; where they say nothing, little enough to be right. */
const lifeOf = (told: unknown): number => {
  const seconds = typeof told === 'number' || typeof told === 'string' ? Number(told) : Number.NaN
  return Number.isFinite(seconds) && seconds > 0 ? Math.min(seconds, 86_400) : 60
}

interface Held extends Token {
  /** By `elapsed`: from then on another one is asked for. */
  readonly until: number
}

/** A tenth before its end and at least ten seconds, so that it is still good when it arrives and while it is looked at. */
const goodFor = (seconds: number): number => Math.max(0, seconds - Math.max(10, Math.min(30, seconds / 10))) * 1000

const granted = ({ body }: Heard, since: number): Held | NoToken => {
  const { access_token: token, token_type: type, expires_in: life } = body ?? {}
  if (typeof token !== 'string' || !bearer.test(token)) return noToken('no access token in their answer')
  if (typeof type !== 'string' || type.toLowerCase() !== 'bearer') return noToken('their token is no bearer token')
  return { token, until: since + goodFor(lifeOf(life)) }
}

export interface SmartOptions extends Smart {
  /** Base of the FHIR server, without a slash at its end. */
  readonly base: string
  readonly scope: string
  readonly key: SigningKey
  readonly tls?: ClientTls
  /** Milliseconds for a token, discovery included. */
  readonly deadlineMs?: number
}

const maxBytes = 64 * 1024

const whyNot = ({ why, code }: Unheard): string => {
  if (why === 'late') return 'no answer within the deadline'
  return why === 'broken' ? (code ?? 'the connection broke') : 'their answer is too large or compressed'
}

/** Asks for a token when one is needed, and keeps it until shortly before its end. */
export const openSmart = (options: SmartOptions, around: Surroundings = world): Authorization => {
  const { clientId, base, scope, key, tls, deadlineMs = 10_000 } = options
  const calls = openPlainCalls({ maxBytes, deadlineMs, tls })
  let tokenUrl = options.tokenUrl
  let held: Held | undefined
  let asking: Promise<Held | NoToken> | undefined

  const discover = async (): Promise<string | NoToken> => {
    const heard = await calls.ask(smartConfigurationOf(base), { method: 'GET', headers: json, deadlineMs })
    if (!isHeard(heard)) return noToken(`smart-configuration: ${whyNot(heard)}`)
    if (heard.status !== 200 || heard.body === undefined)
      return noToken(`smart-configuration: ${heard.status === 200 ? 'not JSON' : heard.status}`)
    const { token_endpoint: found } = heard.body
    if (typeof found !== 'string' || !isPrivate(found)) return noToken('smart-configuration: no https token endpoint')
    return found
  }

  const request = async (url: string, within: number): Promise<Held | NoToken> => {
    const since = around.elapsed()
    const assertion = await signAssertion(assertionClaims(clientId, url, around), key)
    const body = tokenRequest(assertion, scope)
    const heard = await calls.ask(url, { method: 'POST', headers: json, body, deadlineMs: within })
    if (!isHeard(heard)) return noToken(`token endpoint: ${whyNot(heard)}`)
    return heard.status === 200 ? granted(heard, since) : refusal(heard, around.now())
  }

  const ask = async (): Promise<Held | NoToken> => {
    const began = performance.now()
    const url = tokenUrl ?? (await discover())
    if (typeof url !== 'string') return url
    const answer = await request(url, Math.max(1, deadlineMs - (performance.now() - began)))
    // where a token was to be had may have moved: looked up anew before the next try
    tokenUrl = 'token' in answer ? url : options.tokenUrl
    return answer
  }

  return {
    token: async () => {
      if (held !== undefined && around.elapsed() < held.until) return held
      asking ??= ask()
        .then((answer) => {
          if ('token' in answer) held = answer
          return answer
        })
        .finally(() => {
          asking = undefined
        })
      return asking
    },
    refused: (token) => {
      // whoever comes late with the one from before must not throw away its successor
      if (held?.token === token) held = undefined
      return true
    },
    close: calls.close,
  }
}
