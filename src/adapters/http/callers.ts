/** Who is calling, and what they may see. */
import { createHash, timingSafeEqual } from 'node:crypto'
import type { ActingCaller } from '../../flow/step.ts'
import type { Caller, Configuration, Site } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import type { Sight } from '../postgres/find-resources.ts'
import { anySite, readerToken, siteToken, sourceToken } from '../postgres/shapes.ts'

type Header = (name: string) => string | undefined

const digest = (text: string): Buffer => createHash('sha256').update(text).digest()

/** Every configured token is compared, in constant time, so that the time taken tells nothing. */
const byToken = (callers: readonly Caller[], token: string): Caller | undefined => {
  const given = digest(token)
  return callers.reduce<Caller | undefined>(
    (found, c) => (timingSafeEqual(digest(c.token), given) ? c : found),
    undefined,
  )
}

const loopbackName = /^(localhost|127(\.\d{1,3}){3}|\[::1\])(:\d{1,5})?$/i

/** Open on loopback: no other name, and nothing that a browser sends from another site. */
const openGuard = (header: Header): readonly Problem[] => {
  const [host, origin, site] = [header('host') ?? '', header('origin'), header('sec-fetch-site')]
  const foreign = (origin !== undefined && origin !== `http://${host}`) || site === 'cross-site' || site === 'same-site'
  if (loopbackName.test(host) && !foreign) return []
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
  if (callers.length === 0) {
    const problems = openGuard(header)
    return problems.length > 0 ? problems : local
  }
  const authorization = header('authorization') ?? ''
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
