/** Resources by their ids, within what the caller may see. */
import { instantSql } from '../clock.ts'
import type { Tx } from './database.ts'
import type { StoredResource } from './resource-text.ts'

/** Tokens of what a caller may see; absent: everything. */
export type Sight = readonly string[] | undefined

/** What of a row, called `alias`, makes a {@link StoredResource}. */
export const columnsOf = (alias: string): string =>
  `${alias}.type, ${alias}.id, ${alias}.version, ${instantSql(`${alias}.updated`)} as updated, ${alias}.body`

/** Ids have one form; anything else is nobody's. */
export const isId = (id: string): boolean => /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/.test(id)

/** A resource that the caller may see; not there and not visible are the same answer. */
export const readResource = async (
  tx: Tx,
  type: string,
  id: string,
  sight: Sight,
): Promise<StoredResource | undefined> => {
  if (!isId(id)) return undefined
  const [row] = await tx.query<StoredResource>(
    `select ${columnsOf('r')} from resources r where type = $1 and id = $2 and ($3::text[] is null or seen_by && $3)`,
    [type, id, sight ?? null],
  )
  return row
}

/** Those of the references, `Type/id`, that the caller may see, each once. */
export const readResources = async (
  tx: Tx,
  references: readonly string[],
  sight: Sight,
): Promise<readonly StoredResource[]> => {
  const pairs = [...new Set(references)].flatMap((reference) => {
    const [type, id = ''] = reference.split('/')
    return isId(id) ? [{ type, id }] : []
  })
  if (pairs.length === 0) return []
  return tx.query<StoredResource>(
    `select ${columnsOf('r')} from json_to_recordset($1) as x(type text, id uuid)
     cross join lateral (select * from resources r where r.type = x.type and r.id = x.id offset 0) r
     where $2::text[] is null or r.seen_by && $2`,
    [JSON.stringify(pairs), sight ?? null],
  )
}

/** The ids of those of the patients that the caller may see. */
export const visiblePatients = async (tx: Tx, ids: readonly string[], sight: Sight): Promise<ReadonlySet<string>> => {
  const asked = [...new Set(ids)].filter(isId)
  if (asked.length === 0 || sight === undefined) return new Set(asked)
  const rows = await tx.query<{ id: string }>(
    `select r.id from unnest($1::uuid[]) as x(id)
     cross join lateral (select id, seen_by from resources r where r.type = 'Patient' and r.id = x.id offset 0) r
     where r.seen_by && $2::text[]`,
    [asked, sight],
  )
  return new Set(rows.map((r) => r.id))
}
