/**
 * The versions of a resource. They are for whoever may see the resource as it is, and of the earlier ones those alone
 * that they could see while it stood: what an order said before it came to a site, or before it was sent to a reading
 * service, is not theirs.
 */
import type { Tx } from './database.ts'
import { columnsOf, isId, readResource, type Sight } from './find-resources.ts'
import type { StoredResource } from './resource-text.ts'

export interface HistoryAsked {
  readonly count: number
  /** Only versions made at or after this moment. */
  readonly since?: string
  /** Only versions before this one: where the page begins. */
  readonly before?: number
}

export interface History {
  /** Newest first. */
  readonly rows: readonly StoredResource[]
  readonly total: number
  readonly more: boolean
}

/** How much of a page is sent at most, in characters; one version always is. */
const pageSize = 8_000_000

const versions = `(
  select type, id, version, updated, body from resources r
    where type = $1 and id = $2 and ($3::text[] is null or seen_by && $3)
  union all
  select v.type, v.id, v.version, v.updated, v.body from earlier_versions v
    where v.type = $1 and v.id = $2 and ($3::text[] is null or v.seen_by && $3)
      and exists (select from resources r where r.type = $1 and r.id = $2 and ($3::text[] is null or r.seen_by && $3)))`

/** @returns undefined where there is nothing that the caller may see */
export const readHistory = async (
  tx: Tx,
  type: string,
  id: string,
  sight: Sight,
  { count, since, before }: HistoryAsked,
): Promise<History | undefined> => {
  if (!(await readResource(tx, type, id, sight))) return undefined
  const asked = [type, id, sight ?? null, since ?? null]
  const [counted] = await tx.query<{ total: number }>(
    `select count(*) as total from ${versions} v where $4::timestamptz is null or updated >= $4`,
    asked,
  )
  const rows = await tx.query<StoredResource & { readonly of: number }>(
    `select ${columnsOf('y')}, y."of" from (
       select x.*, count(*) over () as "of", sum(length(body)) over (order by version desc) - length(body) as newer from (
         select * from ${versions} v where ($4::timestamptz is null or updated >= $4) and ($5::int is null or version < $5)
         order by version desc limit $6) x) y
     where newer < ${pageSize} order by y.version desc`,
    [...asked, before ?? null, count + 1],
  )
  const page = rows.slice(0, count)
  return { rows: page, total: counted?.total ?? 0, more: (rows[0]?.of ?? 0) > page.length }
}

/** One version; not there and not visible are the same answer. */
export const readVersion = async (
  tx: Tx,
  type: string,
  id: string,
  version: number,
  sight: Sight,
): Promise<StoredResource | undefined> => {
  if (!isId(id)) return undefined
  const [row] = await tx.query<StoredResource>(`select ${columnsOf('v')} from ${versions} v where version = $4`, [
    type,
    id,
    sight ?? null,
    version,
  ])
  return row
}
