/** Searching, by GET and by POST alike. */
import { v5 as uuidv5 } from 'uuid'
import { type Problem, refusal, warning } from '../../model/problems.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import { type Database, DatabaseError } from '../postgres/database.ts'
import { readSearch, type Search } from '../postgres/read-search.ts'
import { includedWith, includeLimit } from '../postgres/search-includes.ts'
import { searchParameters } from '../postgres/search-parameters.ts'
import { type Page, searchResources } from '../postgres/search-resources.ts'
import { shownTexts } from '../postgres/shown-text.ts'
import { type Call, everyone, problemReply, type Reply, type Route } from './call.ts'
import { isStrict } from './prefer.ts'

const link = (base: string, { type, used }: Search, cursor?: string): string => {
  const query = new URLSearchParams([
    ...used.map(([k, v]): [string, string] => [k, v]),
    ...(cursor === undefined ? [] : [['_cursor', cursor] as [string, string]]),
  ])
  return `${base}/fhir/${type}${query.size > 0 ? `?${query}` : ''}`
}

const outcomeNames = uuidv5('https://daybind.example/search-outcomes', uuidv5.URL)

/**
 * What there is to say besides what was found. It has no address; an entry must have a `fullUrl` all the same, and the
 * same words have the same (http://hl7.org/fhir/R4/bundle-definitions.html#Bundle.entry.fullUrl).
 */
export const outcomeEntry = (warnings: readonly Problem[]): string => {
  const outcome = JSON.stringify(operationOutcome(warnings))
  return `{"fullUrl":"urn:uuid:${uuidv5(outcome, outcomeNames)}","resource":${outcome},"search":{"mode":"outcome"}}`
}

/** Matches first, then what comes along with them, then what there is to say. */
const entriesOf = async (
  db: Database,
  base: string,
  search: Search,
  page: Page,
  call: Call,
  warnings: readonly Problem[],
): Promise<readonly string[]> => {
  const { rows, cut } = await includedWith(db, search.includes, page.rows, call.sight)
  const all = [...page.rows, ...rows]
  const texts = await shownTexts(db, all, call.sight)
  const told = cut ? [...warnings, warning('not-all-included', '', { expected: `at most ${includeLimit}` })] : warnings
  return [
    ...all.map(
      ({ type, id }, i) =>
        `{"fullUrl":"${base}/fhir/${type}/${id}","resource":${texts[i]},"search":{"mode":"${i < page.rows.length ? 'match' : 'include'}"}}`,
    ),
    ...(told.length > 0 ? [outcomeEntry(told)] : []),
  ]
}

/** The deadline of the connection that a search runs on. */
const isTooSlow = (error: unknown): boolean => error instanceof DatabaseError && error.code === '57014'

const search =
  (db: Database, base: () => string) =>
  async (call: Call): Promise<Reply> => {
    const { type = '' } = call.params
    if (searchParameters[type] === undefined) return problemReply([refusal('not-known')])
    const asked = readSearch(type, call.query, isStrict(call))
    if (!asked.ok) return problemReply(asked.problems)
    try {
      return await answered(db, base(), asked.value, call, asked.warnings)
    } catch (error) {
      if (isTooSlow(error)) return problemReply([refusal('search-too-slow')])
      throw error
    }
  }

const answered = async (
  db: Database,
  base: string,
  search: Search,
  call: Call,
  warnings: readonly Problem[],
): Promise<Reply> => {
  const page = await searchResources(db, search, call.sight)
  if (page === undefined)
    return problemReply([
      refusal('cursor-gone', '', {
        note: 'Its first page was asked for more than a day ago.',
        location: 'http._cursor',
      }),
    ])
  const entries = await entriesOf(db, base, search, page, call, warnings)
  const links = [{ relation: 'self', url: link(base, search) }]
  if (page.next !== undefined) links.push({ relation: 'next', url: link(base, search, page.next) })
  const total = page.total === undefined ? '' : `"total":${page.total},`
  const entry = entries.length > 0 ? `,"entry":[${entries.join(',')}]` : ''
  return {
    status: 200,
    body: `{"resourceType":"Bundle","type":"searchset",${total}"link":${JSON.stringify(links)}${entry}}`,
  }
}

export const searchRoutes = (db: Database, base: () => string): readonly Route[] => {
  const types = Object.keys(searchParameters)
  const route = { may: everyone, step: 'read', fhir: { types, interaction: 'search-type' } } as const
  return [
    {
      ...route,
      method: 'POST',
      url: '/fhir/:type/_search',
      form: true,
      handle: (call) => search(db, base)({ ...call, query: [...call.query, ...new URLSearchParams(call.text)] }),
    },
    { ...route, method: 'GET', url: '/fhir/:type', handle: search(db, base) },
  ]
}
