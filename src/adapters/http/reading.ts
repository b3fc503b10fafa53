/** Reading: by id, and by search. */
import { type Problem, refusal } from '../../model/problems.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import type { Database } from '../postgres/database.ts'
import { readResource, readSearch, searchResources } from '../postgres/find-resources.ts'
import { searchParameters } from '../postgres/search-parameters.ts'
import { shownText } from '../postgres/shown-text.ts'
import { type Call, everyone, problemReply, type Reply, type Route } from './call.ts'

const read =
  (db: Database) =>
  async (call: Call): Promise<Reply> => {
    const { type = '', id = '' } = call.params
    const row = await readResource(db, type, id, call.sight)
    if (row === undefined) return problemReply([refusal('not-known')])
    return {
      status: 200,
      body: await shownText(db, row, call.sight),
      headers: { etag: `W/"${row.version}"`, 'last-modified': new Date(row.updated).toUTCString() },
    }
  }

const link = (
  base: () => string,
  type: string,
  used: readonly (readonly [string, string])[],
  cursor?: string,
): string => {
  const query = new URLSearchParams([
    ...used.map(([k, v]): [string, string] => [k, v]),
    ...(cursor === undefined ? [] : [['_cursor', cursor] as [string, string]]),
  ])
  return `${base()}/fhir/${type}${query.size > 0 ? `?${query}` : ''}`
}

const warningEntry = (warnings: readonly Problem[]): string =>
  `{"resource":${JSON.stringify(operationOutcome(warnings))},"search":{"mode":"outcome"}}`

const search =
  (db: Database, base: () => string) =>
  async (call: Call): Promise<Reply> => {
    const { type = '' } = call.params
    if (searchParameters[type] === undefined) return problemReply([refusal('not-known')])
    const strict = /(^|[,;\s])handling=strict([,;\s]|$)/.test(call.header('prefer') ?? '')
    const asked = readSearch(type, call.query, strict)
    if (!asked.ok) return problemReply(asked.problems)
    const page = await searchResources(db, asked.value, call.sight)
    const entries: string[] = []
    for (const row of page.rows)
      entries.push(
        `{"fullUrl":"${base()}/fhir/${type}/${row.id}","resource":${await shownText(db, row, call.sight)},"search":{"mode":"match"}}`,
      )
    if (asked.warnings.length > 0) entries.push(warningEntry(asked.warnings))
    const links = [{ relation: 'self', url: link(base, type, asked.value.used) }]
    if (page.next !== undefined) links.push({ relation: 'next', url: link(base, type, asked.value.used, page.next) })
    const total = page.total === undefined ? '' : `"total":${page.total},`
    const entry = entries.length > 0 ? `,"entry":[${entries.join(',')}]` : ''
    return {
      status: 200,
      body: `{"resourceType":"Bundle","type":"searchset",${total}"link":${JSON.stringify(links)}${entry}}`,
    }
  }

export const readingRoutes = (db: Database, base: () => string): readonly Route[] => {
  const types = Object.keys(searchParameters)
  return [
    {
      method: 'GET',
      url: '/fhir/:type/:id',
      may: everyone,
      step: 'read',
      fhir: { types, interaction: 'read' },
      handle: read(db),
    },
    {
      method: 'POST',
      url: '/fhir/:type/_search',
      may: everyone,
      step: 'read',
      form: true,
      fhir: { types, interaction: 'search-type' },
      handle: (call) => search(db, base)({ ...call, query: [...call.query, ...new URLSearchParams(call.text)] }),
    },
    {
      method: 'GET',
      url: '/fhir/:type',
      may: everyone,
      step: 'read',
      fhir: { types, interaction: 'search-type' },
      handle: search(db, base),
    },
  ]
}
