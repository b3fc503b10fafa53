/** Reading one resource: as it is, one of its versions, and all of them. */
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { Database } from '../postgres/database.ts'
import { readResource } from '../postgres/find-resources.ts'
import { type HistoryAsked, readHistory, readVersion } from '../postgres/history.ts'
import { searchLimits } from '../postgres/read-search.ts'
import type { StoredResource } from '../postgres/resource-text.ts'
import { searchParameters, spanOf } from '../postgres/search-parameters.ts'
import { shownText, shownTexts } from '../postgres/shown-text.ts'
import { type Call, everyone, problemReply, type Reply, type Route } from './call.ts'
import { isStrict } from './prefer.ts'
import { searchRoutes } from './searching.ts'

const notKnown = problemReply([refusal('not-known')])

const lastModified = ({ updated }: StoredResource): string => new Date(updated).toUTCString()

/** RFC 9110, 13.1: If-None-Match counts alone where it is given; a date is compared to the second. */
const unchanged = (call: Call, row: StoredResource): boolean => {
  const [tags, since] = [call.header('if-none-match'), call.header('if-modified-since')]
  if (tags !== undefined)
    return tags.trim() === '*' || tags.split(',').some((t) => t.trim().replace(/^W\//, '') === `"${row.version}"`)
  return since !== undefined && Date.parse(lastModified(row)) <= Date.parse(since)
}

const shown = async (db: Database, call: Call, row: StoredResource | undefined): Promise<Reply> => {
  if (row === undefined) return notKnown
  const headers = { etag: `W/"${row.version}"`, 'last-modified': lastModified(row) }
  if (unchanged(call, row)) return { status: 304, headers }
  return { status: 200, body: await shownText(db, row, call.sight), headers }
}

const read =
  (db: Database) =>
  async (call: Call): Promise<Reply> => {
    const { type = '', id = '' } = call.params
    return shown(db, call, await readResource(db, type, id, call.sight))
  }

const vread =
  (db: Database) =>
  async (call: Call): Promise<Reply> => {
    const { type = '', id = '', version = '' } = call.params
    if (!/^[1-9]\d{0,8}$/.test(version)) return notKnown
    return shown(db, call, await readVersion(db, type, id, Number(version), call.sight))
  }

/** R4, http.html, "history": `_count` and `_since`; nothing in a history can carry a warning. */
const readHistoryAsked = (call: Call): Checked<HistoryAsked> => {
  const problems: Problem[] = []
  const given = new Map(call.query)
  const wrong = (name: string, expected: string) =>
    problems.push(
      refusal('wrong-parameter', '', { found: `${name}=${given.get(name)}`, expected, location: `http.${name}` }),
    )
  const [count, since, cursor] = [given.get('_count'), given.get('_since'), given.get('_cursor')]
  if (count !== undefined && !/^\d{1,9}$/.test(count)) wrong('_count', 'a whole number of at most nine digits')
  const from = since === undefined ? undefined : spanOf(since)?.[0]
  if (since !== undefined && from === undefined) wrong('_since', 'an instant')
  if (cursor !== undefined && !/^[1-9]\d{0,8}$/.test(cursor))
    wrong('_cursor', 'what stands in the link to the next page')
  const unknown = [...given.keys()].filter((name) => !['_count', '_since', '_cursor'].includes(name))
  if (isStrict(call))
    for (const found of unknown)
      problems.push(refusal('unknown-parameter', '', { found, expected: '_count, _since', location: 'http.query' }))
  if (problems.length > 0) return refuse(problems)
  return accept({
    count: Math.min(Number(count ?? 50), searchLimits.page),
    ...(from !== undefined && { since: from }),
    ...(cursor !== undefined && { before: Number(cursor) }),
  })
}

const historyEntry = (base: string, row: StoredResource, text: string): string => {
  const address = `${row.type}/${row.id}`
  // how each version came to be; what Daybind makes itself is told as if it had been sent
  const [request, status] =
    row.version === 1 ? [{ method: 'POST', url: row.type }, '201 Created'] : [{ method: 'PUT', url: address }, '200 OK']
  const response = { status, etag: `W/"${row.version}"`, lastModified: row.updated }
  return `{"fullUrl":"${base}/fhir/${address}","resource":${text},"request":${JSON.stringify(request)},"response":${JSON.stringify(response)}}`
}

const history =
  (db: Database, base: () => string) =>
  async (call: Call): Promise<Reply> => {
    const { type = '', id = '' } = call.params
    const asked = readHistoryAsked(call)
    const found = await readHistory(db, type, id, call.sight, asked.ok ? asked.value : { count: 0 })
    if (found === undefined) return notKnown
    if (!asked.ok) return problemReply(asked.problems)
    const texts = await shownTexts(db, found.rows, call.sight)
    const link = (cursor?: number) => {
      const used = call.query.filter(([name]) => name === '_count' || name === '_since')
      const query = new URLSearchParams([
        ...used.map(([name, value]): [string, string] => [name, value]),
        ...(cursor === undefined ? [] : [['_cursor', String(cursor)] as [string, string]]),
      ])
      return `${base()}/fhir/${type}/${id}/_history${query.size > 0 ? `?${query}` : ''}`
    }
    const last = found.rows.at(-1)
    const links = [
      { relation: 'self', url: link(asked.value.before) },
      ...(found.more && last ? [{ relation: 'next', url: link(last.version) }] : []),
    ]
    const entries = found.rows.map((row, i) => historyEntry(base(), row, texts[i] ?? ''))
    const entry = entries.length > 0 ? `,"entry":[${entries.join(',')}]` : ''
    return {
      status: 200,
      body: `{"resourceType":"Bundle","type":"history","total":${found.total},"link":${JSON.stringify(links)}${entry}}`,
    }
  }

/** @param searching the connections that searches have of their own */
export const readingRoutes = (db: Database, searching: Database, base: () => string): readonly Route[] => {
  const types = Object.keys(searchParameters)
  const route = (
    url: string,
    interaction: NonNullable<Route['fhir']>['interaction'],
    handle: Route['handle'],
  ): Route => ({
    method: 'GET',
    url,
    may: everyone,
    step: 'read',
    fhir: { types, ...(interaction && { interaction }) },
    handle,
  })
  return [
    route('/fhir/:type/:id', 'read', read(db)),
    route('/fhir/:type/:id/_history/:version', 'vread', vread(db)),
    route('/fhir/:type/:id/_history', 'history-instance', history(searching, base)),
    ...searchRoutes(searching, base),
  ]
}
