/** Who is calling, and what they may see. */
import { createHash, timingSafeEqual } from 'node:crypto'
import type { ActingCaller } from '../../flow/step.ts'
import type { Caller, Configuration, Site } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import type { Sight } from '../postgres/find-resources.ts'
import { anySite, readerToken, siteToken, sourceToken } from '../postgres/shapes.ts'

/** Every line of a header, as sent: a header that is given twice has two. */
type Header = (name: string) => readonly string[]

/** Of equal length whatever the secret, so that two can be compared in constant time. */
export const digest = (text: string): Buffer => createHash('sha256').update(text).digest()

const digests = new WeakMap<Caller, Buffer>()
const digestOf = (caller: Caller): Buffer => {
  const known = digests.get(caller) ?? digest(caller.token)
  digests.set(caller, known)
  return known
}

/** Every configured token is compared, in constant time, so that the time taken tells nothing. */
const byToken = (callers: readonly Caller[], token: string): Caller | undefined => {
  const given = digest(token)
  return callers.reduce<Caller | undefined>((found, c) => (timingSafeEqual(digestOf(c), given) ? c : found), undefined)
}

/** A number of an IPv4 address without leading zeros, which some read as octal. */
const octet = '(?:25[0-5]|2[0-4]\\d|1\\d\\d|[1-9]?\\d)'
const loopbackHost = new RegExp(`^(?:localhost|127(?:\\.${octet}){3}|\\[::1\\])(?::(\\d{1,5}))?$`, 'i')

/** The names under which this machine alone is reached; no other spelling of them, since nobody needs one. */
const isLoopbackHost = (host: string): boolean => {
  const found = loopbackHost.exec(host)
  return found !== null && Number(found[1] ?? 0) <= 65_535
}

/** Where a request names its server in its first line, that counts besides Host (RFC 9112, section 3.2.2). */
const authorityOf = (target: string): readonly string[] => {
  const [, authority] = /^[a-z][a-z0-9+.-]*:\/\/([^/?#]*)/i.exec(target) ?? []
  return authority === undefined ? [] : [authority]
}

/**
 * Open on loopback: no other name, against names that somebody lets lead here, and nothing that a browser sends for a
 * page of another site. What a browser says of the page in a word that we do not know counts as another site, though
 * W3C Fetch Metadata lets a server ignore it.
 * @param target the request's target, as it stands in its first line
 */
export const openGuard = (header: Header, target: string): readonly Problem[] => {
  const [hosts, origins] = [header('host'), header('origin')]
  const own = `http://${hosts[0] ?? ''}`.toLowerCase()
  const local = hosts.length === 1 && [...hosts, ...authorityOf(target)].every(isLoopbackHost)
  const sameSite =
    origins.every((origin) => origin.toLowerCase() === own) &&
    header('sec-fetch-site').every((site) => site === 'same-origin' || site === 'none')
  if (local && sameSite) return []
  return [
    refusal('not-allowed', '', {
      note: 'Without configured callers only local calls are taken: no other Host, no other web page.',
    }),
  ]
}

export const local: ActingCaller = { id: 'local', role: 'local' }

const bearer = (authorization: string): string | undefined => /^Bearer ([A-Za-z0-9._~+/=-]+)$/i.exec(authorization)?.[1]

/** RFC 7617: what a browser asks a person for; the token is the password, the name does not matter. */
const basic = (authorization: string): string | undefined => {
  const [, encoded = ''] = /^Basic ([A-Za-z0-9+/=]+)$/i.exec(authorization) ?? []
  return /^[^:]*:(.+)$/s.exec(Buffer.from(encoded, 'base64').toString())?.[1]
}

/**
 * @param page whether a browser may ask a person for the token; only where nothing can be changed, since a browser
 *   sends it again unasked
 * @returns the caller, or why there is none
 */
export const whoCalls = (
  configuration: Configuration,
  header: Header,
  page = false,
): ActingCaller | readonly Problem[] => {
  const { callers } = configuration
  if (callers.length === 0) return local
  // two of them would leave open who is meant
  const [authorization = '', ...others] = header('authorization')
  if (others.length > 0) return [refusal('login-needed', '', { expected: 'one Authorization header' })]
  const token = bearer(authorization) ?? (page ? basic(authorization) : undefined)
  const caller = token === undefined ? undefined : byToken(callers, token)
  if (caller === undefined) return [refusal('login-needed', '', { expected: 'Authorization: Bearer <token>' })]
  return { id: caller.id, role: caller.role, ...(caller.sites && { sites: caller.sites }) }
}

/** A source sees its orders and what belongs to them, a clinic its sites, a reading service what was sent to it. */
export const sightOf = (caller: ActingCaller, sites: readonly Site[]): Sight => {
  switch (caller.role) {
    case 'source':
      return [sourceToken(caller.id)]
    case 'reading-service':
      return [readerToken(caller.id)]
    case 'clinic':
      return [...(caller.sites ?? sites.map((s) => s.id)).map(siteToken), sourceToken(caller.id), anySite]
    default:
      return undefined
  }
}
