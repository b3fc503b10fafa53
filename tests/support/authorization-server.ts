/**
 * A strict authorization server for SMART Backend Services: what the guide says that a server SHALL check, it checks.
 * Source: https://hl7.org/fhir/smart-app-launch/client-confidential-asymmetric.html, "Signature Verification", and
 * RFC 7523, section 3 (2.2.0).
 */
import { randomBytes } from 'node:crypto'
import { createServer as createPlain, type IncomingMessage, type ServerResponse } from 'node:http'
import { createServer as createTls, type ServerOptions } from 'node:https'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import { createLocalJWKSet, decodeJwt, decodeProtectedHeader, type JSONWebKeySet, jwtVerify } from 'jose'

export interface Registration {
  readonly clientId: string
  /** Fetches the key set that the client published. */
  readonly keys: () => JSONWebKeySet | Promise<JSONWebKeySet>
}

export interface AuthorizationServer {
  readonly origin: string
  readonly tokenUrl: string
  /** The form of every token request, oldest first. */
  readonly requests: readonly Readonly<Record<string, string>>[]
  /** Why each refused request was refused; never part of an answer. */
  readonly refusals: readonly string[]
  /** Seconds that a token lives from now on. */
  life: number
  /** Milliseconds since 1970 by their clock. */
  now: () => number
  /** Fetches the key set once and never again. */
  keepKeys: boolean
  /** What is answered in place of a judgement, until it is unset. */
  instead: ((request: IncomingMessage, response: ServerResponse) => void) | undefined
  /** Whether an Authorization header holds a token that is good now. */
  admits(header: string | undefined): boolean
  /** No token that was given is good any more. */
  revokeAll(): void
  stop(): Promise<void>
}

const assertionType = 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer'

export const startAuthorizationServer = async (
  registration: Registration,
  tls?: ServerOptions,
): Promise<AuthorizationServer> => {
  const requests: Record<string, string>[] = []
  const refusals: string[] = []
  const seen = new Set<string>()
  const tokens = new Map<string, number>()
  let kept: JSONWebKeySet | undefined

  const keySet = async (): Promise<JSONWebKeySet> => {
    kept = there.keepKeys && kept ? kept : await registration.keys()
    return kept
  }

  /** What is wrong with an assertion. */
  const judge = async (form: Readonly<Record<string, string>>): Promise<string | undefined> => {
    const { client_assertion: assertion = '', client_assertion_type: type, grant_type: grant, scope } = form
    if (grant !== 'client_credentials') return 'grant_type'
    if (type !== assertionType) return 'client_assertion_type'
    if (!scope) return 'scope'
    const header = decodeProtectedHeader(assertion)
    if (header.typ !== 'JWT') return 'typ'
    if ('jku' in header) return 'jku that nobody registered'
    if (!header.kid) return 'kid'
    const claims = decodeJwt(assertion)
    const seconds = there.now() / 1000
    if (claims.iss !== registration.clientId || claims.sub !== claims.iss) return 'iss and sub'
    if (claims.aud !== there.tokenUrl) return 'aud'
    if (typeof claims.exp !== 'number' || !Number.isInteger(claims.exp)) return 'exp'
    if (claims.exp > seconds + 300) return 'exp more than five minutes ahead'
    if (typeof claims.jti !== 'string' || claims.jti === '' || seen.has(claims.jti)) return 'jti'
    try {
      const options = { algorithms: ['RS384', 'ES384'], currentDate: new Date(there.now()) }
      await jwtVerify(assertion, createLocalJWKSet(await keySet()), options)
    } catch (error) {
      return error instanceof Error ? error.name : 'signature'
    }
    seen.add(claims.jti)
    return undefined
  }

  const answer = (response: ServerResponse, status: number, body: object): void => {
    response
      .writeHead(status, {
        'content-type': 'application/json',
        'cache-control': 'no-store',
        date: new Date(there.now()).toUTCString(),
      })
      .end(JSON.stringify(body))
  }

  const grant = (response: ServerResponse, scope: string): void => {
    const token = randomBytes(24).toString('base64url')
    tokens.set(token, there.now() + there.life * 1000)
    answer(response, 200, { access_token: token, token_type: 'bearer', expires_in: there.life, scope })
  }

  const handle = async (request: IncomingMessage, response: ServerResponse): Promise<void> => {
    const body = await text(request)
    if (there.instead) return there.instead(request, response)
    if (request.method !== 'POST' || request.url !== '/token') return answer(response, 404, {})
    const form = Object.fromEntries(new URLSearchParams(body))
    requests.push(form)
    const isForm = request.headers['content-type']?.startsWith('application/x-www-form-urlencoded')
    const wrong = isForm ? await judge(form).catch(() => 'no JWT') : 'content type'
    if (wrong === undefined) return grant(response, form.scope ?? '')
    refusals.push(wrong)
    answer(response, 400, { error: 'invalid_client', error_description: `no, Quillfeather: ${form.client_assertion}` })
  }

  const listener = (request: IncomingMessage, response: ServerResponse) => void handle(request, response)
  const server = tls ? createTls(tls, listener) : createPlain(listener)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const origin = `${tls ? 'https' : 'http'}://127.0.0.1:${(server.address() as AddressInfo).port}`
  const there: AuthorizationServer = {
    origin,
    tokenUrl: `${origin}/token`,
    requests,
    refusals,
    life: 300,
    now: Date.now,
    keepKeys: false,
    instead: undefined,
    admits: (header) => {
      const until = tokens.get(/^Bearer (.+)$/.exec(header ?? '')?.[1] ?? '')
      return until !== undefined && there.now() < until
    },
    revokeAll: () => tokens.clear(),
    stop: async () => {
      server.closeAllConnections()
      await new Promise((resolve) => server.close(resolve))
    },
  }
  return there
}
