/** What stands behind the question mark: what of it is about the call itself, and what a route does not take. */
import type { FastifyRequest } from 'fastify'
import { type Problem, refusal } from '../../model/problems.ts'
import type { Route } from './call.ts'

/** What every call takes besides what its route does. */
const ofEveryCall: readonly string[] = ['dry-run', '_format', '_pretty']

/** What stands behind the first question mark of the address; a second one is part of a value. */
export const queryOf = ({ url }: Pick<FastifyRequest, 'url'>): URLSearchParams => new URLSearchParams(textOf(url))

const textOf = (url: string): string => {
  const at = url.indexOf('?')
  return at === -1 ? '' : url.slice(at + 1)
}

/** The parameters that are for the route. */
export const forRoute = (query: URLSearchParams): readonly (readonly [string, string])[] =>
  [...query].filter(([name]) => !ofEveryCall.includes(name))

export const brokenAddress = refusal('malformed-request', '', {
  note: 'The percent-encoding of the address is broken.',
})

const isDecodable = (text: string): boolean => {
  try {
    decodeURIComponent(text)
    return true
  } catch {
    return false
  }
}

/** Reads and searches look at their parameters themselves; whatever writes takes what it names, and nothing else. */
const takenBy = ({ method, form, query }: Route): readonly string[] | undefined =>
  query ?? (method === 'GET' || form ? undefined : [])

const isPlainName = (name: string): boolean => /^[\w:.-]{1,64}$/.test(name)

const unknown = (query: URLSearchParams, taken: readonly string[]): readonly Problem[] =>
  [...new Set(forRoute(query).map(([name]) => name))]
    .filter((name) => !taken.includes(name))
    .map((found) =>
      refusal('unknown-parameter', '', {
        found,
        expected: [...taken, ...ofEveryCall].join(', '),
        location: `http.${isPlainName(found) ? found : 'query'}`,
      }),
    )

/** What a route names is given once: of two, nobody can say which is meant. */
const repeated = (query: URLSearchParams, taken: readonly string[]): readonly Problem[] =>
  taken
    .filter((name) => query.getAll(name).length > 1)
    .map((name) =>
      refusal('wrong-parameter', '', {
        found: query.getAll(name).join(' and '),
        expected: `${name} once`,
        location: `http.${name}`,
      }),
    )

/**
 * A query that cannot be decoded, of which nobody can say whether it asks for a dry run, or that asks a write for what
 * it does not know, is not guessed at: who misspells `dry-run` must not store what was meant for a trial.
 */
export const queryProblems = (
  { url }: Pick<FastifyRequest, 'url'>,
  query: URLSearchParams,
  route: Route,
): readonly Problem[] => {
  const text = textOf(url)
  if (text === '') return []
  if (text.includes('%') && !isDecodable(text)) return [{ ...brokenAddress, location: 'http.query' }]
  const asked = [...new Set(query.getAll('dry-run'))]
  const unclear = asked.length > 1 ? [asked.join(' and ')] : asked.filter((v) => v !== 'true' && v !== 'false')
  const taken = takenBy(route)
  return [
    ...unclear.map((found) =>
      refusal('wrong-parameter', '', { found, expected: 'true or false', location: 'http.dry-run' }),
    ),
    ...(taken === undefined ? [] : [...unknown(query, taken), ...repeated(query, taken)]),
  ]
}
