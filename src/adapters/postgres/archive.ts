/** The chain of evenings in the database: read in pieces, and looked through from its beginning. */
import { type Broken, beginning, type Sealed, type Walk, walkOn } from '../../flow/watch-flow/archive.ts'
import { instantSql } from '../clock.ts'
import type { Database, Tx } from './database.ts'

export interface Head {
  readonly site: string
  readonly position: number
  readonly head: string
}

interface HeadRow {
  readonly position: string
  readonly head: string
}

/** The newest head of a site, as it was noted apart from the evenings. */
export const newestHead = async (tx: Tx, site: string): Promise<Head | undefined> => {
  const [row] = await tx.query<HeadRow>('select position, head from evening_heads where site = $1', [site])
  return row && { site, position: Number(row.position), head: row.head }
}

export const noteHead = (tx: Tx, { site, position, head }: Head): Promise<unknown> =>
  tx.query(
    `insert into evening_heads (site, position, head) values ($1, $2, $3)
     on conflict (site) do update set position = excluded.position, head = excluded.head`,
    [site, position, head],
  )

/** Reports are some ten thousand characters: so many at once are no burden. */
const piece = 100

const sealedAfter = async (tx: Tx, site: string, position: number): Promise<readonly Sealed[]> => {
  const rows = await tx.query<Omit<Sealed, 'position'> & { position: string }>(
    `select position, site, to_char(day, 'YYYY-MM-DD') as day, moment, ${instantSql('as_of')} as "asOf",
       ${instantSql('due_at')} as "dueAt", ${instantSql('issued_at')} as "issuedAt", report, sha256, head
     from evenings where site = $1 and position > $2 order by position limit ${piece}`,
    [site, position],
  )
  return rows.map((r) => ({ ...r, position: Number(r.position) }))
}

export interface ChainCheck {
  readonly site: string
  /** So many evenings, from the first one on, are as they were issued. */
  readonly good: number
  /** The head up to there. */
  readonly head: string
  readonly broken?: Broken | { readonly why: string }
  /** Where a head from a printout was given: the position at which it stands. */
  readonly found?: number
}

/** What the head that was noted apart says of the end of the chain. */
const endOf = (walk: Walk, noted: Head | undefined): Pick<ChainCheck, 'broken'> => {
  if (walk.broken) return { broken: walk.broken }
  const [position, head] = [noted?.position ?? 0, noted?.head ?? '']
  if (position > walk.count) return { broken: { why: `evenings ${walk.count + 1} to ${position} are missing` } }
  return position === walk.count && head === walk.head
    ? {}
    : { broken: { why: `the head that was noted last (${position}) is not that of the chain (${walk.count})` } }
}

const lookThrough = async (tx: Tx, site: string, printed: string | undefined): Promise<ChainCheck> => {
  let [walk, found]: [Walk, number | undefined] = [beginning, undefined]
  for (let position = 0; ; ) {
    const next = await sealedAfter(tx, site, position)
    walk = walkOn(walk, next)
    found ??= next.find((e) => e.head === printed && e.position <= walk.count)?.position
    const last = next.at(-1)
    if (last === undefined || walk.broken) break
    position = last.position
  }
  const noted = await newestHead(tx, site)
  return { site, good: walk.count, head: walk.head, ...endOf(walk, noted), ...(found !== undefined && { found }) }
}

/**
 * Recomputes the whole chain of a site, as of one moment and without a lock.
 * @param printed a head from a printout, to be looked for
 */
export const checkChain = (db: Database, site: string, printed: string | undefined): Promise<ChainCheck> =>
  db.transaction(async (tx) => {
    await tx.script('begin isolation level repeatable read, read only')
    const check = await lookThrough(tx, site, printed)
    await tx.script('commit')
    return check
  })
