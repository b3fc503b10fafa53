/** What the ways to show who we are do not show one by one. */
import { isPrivate } from '../model/private-address.ts'
import { type Refused, valueAt } from './mistakes.ts'
import type { Path } from './places.ts'
import type { ConfigurationFile } from './schema.ts'

interface Server {
  readonly path: Path
  readonly value: unknown
}

const sections = ['sources', 'readingServices'] as const

const serversIn = (raw: unknown): Server[] =>
  sections.flatMap((section) => {
    const list = valueAt(raw, [section])
    return Array.isArray(list) ? list.map((value: unknown, i) => ({ path: [section, i], value })) : []
  })

const has = ({ value }: Server, key: string): boolean => valueAt(value, [key]) !== undefined

const at = ({ path }: Server, key: string, text: string): Refused => ({ path: [...path, key], text })

const baseOf = ({ value }: Server): string => {
  const base = valueAt(value, ['fhir'])
  return typeof base === 'string' ? base : ''
}

const twoWays = (server: Server): Refused[] =>
  has(server, 'token') && has(server, 'smart')
    ? [at(server, 'smart', 'found "smart" beside "token", expected only one of them')]
    : []

const withoutKeys = (raw: unknown, server: Server): Refused[] =>
  has(server, 'smart') && valueAt(raw, ['keys']) === undefined
    ? [at(server, 'smart', 'expected "keys: { current: { env: NAME } }" beside "sites": its requests are signed')]
    : []

const withoutServer = (server: Server): Refused[] =>
  ['smart', 'tls'].flatMap((key) =>
    has(server, key) && !has(server, 'fhir')
      ? [at(server, key, 'expected "fhir" beside it: it is for that server')]
      : [],
  )

const withoutTls = (server: Server): Refused[] =>
  has(server, 'tls') && /^http:/i.test(baseOf(server))
    ? [at(server, 'tls', 'expected an https address in "fhir": over http no certificate is shown')]
    : []

export const accessMistakes = (raw: unknown): Refused[] =>
  serversIn(raw).flatMap((server) => [
    ...twoWays(server),
    ...withoutKeys(raw, server),
    ...withoutServer(server),
    ...withoutTls(server),
  ])

/** A token over plain http can be read on the way. */
export const accessWarnings = (raw: unknown): Refused[] =>
  serversIn(raw).flatMap((server) =>
    /^http:/i.test(baseOf(server)) && !isPrivate(baseOf(server)) && (has(server, 'token') || has(server, 'smart'))
      ? [at(server, 'fhir', 'the token travels over http, where others can read it; use https')]
      : [],
  )

/** What is seen only once the keys were read. */
export const keyMistakes = (file: ConfigurationFile): Refused[] => {
  const { keys } = file
  if (keys === undefined) return []
  const kids = new Map<string, string>([[keys.current.kid, 'current']])
  const twice = (['next', 'previous'] as const).flatMap((name) => {
    const kid = keys[name]?.kid
    const other = kid === undefined ? undefined : kids.get(kid)
    if (kid !== undefined && other === undefined) kids.set(kid, name)
    const text = `the same key, or key id, as keys.${other}, expected another one`
    return other === undefined ? [] : [{ path: ['keys', name], text }]
  })
  const others = sections.flatMap((section) =>
    file[section].flatMap(({ smart }, i) =>
      (smart?.alg ?? keys.current.alg) === keys.current.alg
        ? []
        : [
            {
              path: [section, i, 'smart', 'alg'],
              text: `found "${smart?.alg}", expected ${keys.current.alg}, which is what keys.current signs with`,
            },
          ],
    ),
  )
  return [...twice, ...others]
}
