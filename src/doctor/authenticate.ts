/** Whether they know us: the claims that we sign, what their token endpoint answers, and whether a search is let in. */
import {
  type AssertionClaims,
  assertionClaims,
  clientErrors,
  type Surroundings,
  signAssertion,
  smartConfigurationOf,
  tokenRequest,
} from '../adapters/fhir/authorization.ts'
import { httpDate } from '../adapters/fhir/peer-fates.ts'
import { type Heard, isHeard, type PlainCalls, type Unheard } from '../adapters/fhir/plain-call.ts'
import { isPrivate } from '../model/private-address.ts'
import type { SigningKey } from '../model/signing-key.ts'
import type { Examined } from './examined.ts'
import { type Facts, type Finding, type FindingCode, finding } from './findings.ts'

export interface Known {
  readonly findings: readonly Finding[]
  /** What to show from now on. */
  readonly token?: string
  /** Nothing that needs to be let in can be tried. */
  readonly failed?: true
}

interface Server extends Examined {
  readonly base: string
}

const why = ({ why, code }: Unheard, deadlineMs: number): string => {
  if (why === 'late') return `no answer within ${deadlineMs / 1000} s`
  return code ?? (why === 'broken' ? 'the connection broke' : 'the answer is too large or compressed')
}

const list = (value: unknown): readonly string[] | undefined =>
  Array.isArray(value) ? value.filter((v): v is string => typeof v === 'string') : undefined

interface Where {
  readonly findings: readonly Finding[]
  readonly url?: string
}

const knownAlgorithms = /^[A-Z]{2}\d{3}$/

const judgeConfiguration = (base: string, heard: Heard | Unheard, alg: string, deadlineMs: number): Where => {
  if (!isHeard(heard)) return { findings: [finding('smart-missing', { base, found: why(heard, deadlineMs) })] }
  const { status, body } = heard
  if (status !== 200 || body === undefined)
    return { findings: [finding('smart-missing', { base, found: status === 200 ? 'no JSON' : status })] }
  const url = body.token_endpoint
  if (typeof url !== 'string' || !isPrivate(url)) return { findings: [finding('smart-unusable', { base })] }
  const grants = list(body.grant_types_supported)
  const taken = list(body.token_endpoint_auth_signing_alg_values_supported)?.filter((a) => knownAlgorithms.test(a))
  return {
    url,
    findings: [
      finding('smart-found', { url }),
      ...(grants && !grants.includes('client_credentials') ? [finding('smart-other-grants')] : []),
      ...(taken && taken.length > 0 && !taken.includes(alg)
        ? [finding('smart-other-algorithm', { taken: taken.slice(0, 5).join(', '), alg })]
        : []),
    ],
  }
}

const missingScopes = (asked: string, granted: unknown): readonly string[] => {
  if (typeof granted !== 'string' || granted === '') return []
  const given = new Set(granted.split(' '))
  const wide = /^system\/\*\.(cruds|\*)$/
  return [...given].some((scope) => wide.test(scope)) ? [] : asked.split(' ').filter((scope) => !given.has(scope))
}

const clockDifference = (headers: Headers, now: number): number | undefined => {
  const theirs = httpDate(headers.get('date') ?? '')
  return theirs === undefined ? undefined : Math.round((theirs - now) / 1000)
}

const side = (seconds: number): string => (seconds > 0 ? 'ahead of' : 'behind')

const invalidClient = (heard: Heard, now: number, facts: Facts): Finding => {
  const seconds = clockDifference(heard.headers, now) ?? 0
  return Math.abs(seconds) >= 30
    ? finding('token-invalid-client-clock', { ...facts, seconds: Math.abs(seconds), side: side(seconds) })
    : finding('token-invalid-client', facts)
}

const otherCodes: Readonly<Record<string, FindingCode>> = {
  invalid_scope: 'token-invalid-scope',
  unauthorized_client: 'token-unauthorized',
  unsupported_grant_type: 'token-unauthorized',
  invalid_grant: 'token-invalid-request',
  invalid_request: 'token-invalid-request',
}

const bearer = /^[A-Za-z0-9\-._~+/]+=*$/

const judgeToken = (heard: Heard, scope: string, now: number, facts: Facts): Known => {
  const { status, body = {} } = heard
  const told = { ...facts, status, scope }
  if (status === 200) {
    const { access_token: token, token_type: type, expires_in: seconds, scope: granted } = body
    if (typeof token !== 'string' || !bearer.test(token) || !/^bearer$/i.test(String(type)))
      return { findings: [finding('token-nonsense', told)], failed: true }
    const missing = missingScopes(scope, granted)
    return {
      token,
      findings: [
        finding('token-given', { ...told, seconds: Number(seconds) > 0 ? Number(seconds) : 'an unsaid number of' }),
        ...(missing.length > 0 ? [finding('token-for-less', { missing: missing.join(' ') })] : []),
      ],
    }
  }
  const code = clientErrors.find((known) => known === body.error)
  if (code === 'invalid_client') return { findings: [invalidClient(heard, now, told)], failed: true }
  const meant = code === undefined ? undefined : otherCodes[code]
  const otherwise: FindingCode = status >= 500 || status === 429 ? 'token-trouble' : 'token-refused'
  return { findings: [finding(meant ?? otherwise, { ...told, ...(code !== undefined && { code }) })], failed: true }
}

const claimsFinding = ({ iss, aud, exp, jti }: AssertionClaims, { kid, alg }: SigningKey): Finding =>
  finding('claims', { iss, aud, exp: new Date(exp * 1000).toISOString(), jti, kid, alg })

export interface Asking {
  readonly calls: PlainCalls
  readonly around: Surroundings
  readonly deadlineMs: number
}

const bySmart = async (server: Server, key: SigningKey, { calls, around, deadlineMs }: Asking): Promise<Known> => {
  const { base, smart, scope, publicUrl } = server
  const headers = { accept: 'application/json' }
  const where: Where = smart?.tokenUrl
    ? { url: smart.tokenUrl, findings: [finding('smart-given', { url: smart.tokenUrl })] }
    : judgeConfiguration(
        base,
        await calls.ask(smartConfigurationOf(base), { method: 'GET', headers, deadlineMs }),
        key.alg,
        deadlineMs,
      )
  const { url } = where
  if (url === undefined) return { findings: where.findings, failed: true }
  const claims = assertionClaims(smart?.clientId ?? '', url, around)
  const body = tokenRequest(await signAssertion(claims, key), scope)
  const heard = await calls.ask(url, { method: 'POST', headers, body, deadlineMs })
  const facts = { iss: claims.iss, aud: url, kid: key.kid, keySet: `${publicUrl}/.well-known/jwks.json` }
  const judged: Known = isHeard(heard)
    ? judgeToken(heard, scope, around.now(), facts)
    : { findings: [finding('token-unreachable', { ...facts, why: why(heard, deadlineMs) })], failed: true }
  return { ...judged, findings: [...where.findings, claimsFinding(claims, key), ...judged.findings] }
}

/** Shows them who we are, as the configuration has it. */
export const authenticate = async (server: Server, asking: Asking): Promise<Known> => {
  const { smart, key, token, base } = server
  if (smart && key) return bySmart(server, key, asking)
  if (token !== undefined) return { token, findings: [finding('auth-token')] }
  const here = isPrivate(base) && base.startsWith('http:')
  return { findings: [finding(here ? 'auth-none' : 'auth-none-outside')] }
}

const scheme = (headers: Headers): string =>
  /^[A-Za-z]{1,20}/.exec(headers.get('www-authenticate') ?? '')?.[0] ?? 'says not what it wants'

/** What the answer to a search says of our rights. */
export const judgeSearch = (type: string, byTime: boolean, heard: Heard | Unheard, deadlineMs: number): Finding => {
  if (!isHeard(heard)) return finding('search-silent', { type, why: why(heard, deadlineMs) })
  const { status, headers, body } = heard
  if (status === 401) return finding('search-unauthorized', { type, authenticate: scheme(headers) })
  if (status === 403) return finding('search-forbidden', { type })
  if (status !== 200) return finding(byTime && status < 500 ? 'search-not-by-time' : 'search-failed', { type, status })
  if (body?.resourceType === 'Bundle' && body.type === 'searchset') return finding('search-good', { type })
  const found = /^[A-Z][A-Za-z]{1,40}$/.test(String(body?.resourceType)) ? String(body?.resourceType) : 'no resource'
  return finding('search-strange', { type, found })
}

/** Their clock against ours, read while the answer was under way between `from` and `until`. */
export const judgeClock = (headers: Headers, from: number, until: number): Finding => {
  const theirs = httpDate(headers.get('date') ?? '')
  if (theirs === undefined) return finding('clock-unsaid')
  // a Date has no fractions: it may be up to a second later there
  const off = theirs > until ? theirs - until : theirs + 1000 < from ? theirs + 1000 - from : 0
  const seconds = Math.round(off / 1000)
  const facts = { seconds: Math.abs(seconds), side: side(seconds) }
  if (Math.abs(seconds) < 5) return finding('clock-good', facts)
  return finding(Math.abs(seconds) > 60 ? 'clock-far-off' : 'clock-off', facts)
}
