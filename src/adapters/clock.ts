/**
 * The clock of the flow is the database's, so that several instances agree; a stored offset, which only the demo and
 * the tests set, moves it. No stamp ever lies at or before the moment up to which a report was issued.
 */
import type { Instant } from '../model/states.ts'
import type { Database, Tx } from './postgres/database.ts'

/**
 * Each step holds it shared from its stamp to its commit; a report takes it alone for an instant, so that nothing
 * stamped before the report's moment can still be committed after it.
 */
export const stampLock = 7_241_002

const form = `'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'`
const present = `greatest(clock_timestamp() + offset_by, reported + interval '1 microsecond')`

/** SQL text of an expression as an instant in our one form. */
export const instantSql = (expression: string): string => `to_char((${expression}) at time zone 'utc', ${form})`

const presentSql = `select ${instantSql(present)} as now from daybind.clock`

const noClock = (): never => {
  throw new Error('the clock row is missing')
}

/**
 * Waits for the locks with these numbers, in their order, takes the stamp lock shared, and stamps. The stamp is a
 * statement of its own, so that it sees what was committed while the one before it waited.
 */
export const stamp = async (tx: Tx, locks: readonly bigint[]): Promise<Instant> => {
  const [, [row]] = await Promise.all([
    tx.query(
      `select case when n = ${stampLock} then pg_advisory_xact_lock_shared(n) else pg_advisory_xact_lock(n) end from unnest($1::bigint[]) n`,
      [[...locks, stampLock].map(String)],
    ),
    tx.query<{ now: string }>(presentSql),
  ])
  return row === undefined ? noClock() : row.now
}

export const now = async (tx: Tx): Promise<Instant> => {
  const [row] = await tx.query<{ now: string }>(presentSql)
  return row === undefined ? noClock() : row.now
}

/** A moment up to which everything is committed, and before which nothing will be stamped any more. */
export const settledNow = (db: Database): Promise<Instant> =>
  db.transaction(async (tx) => {
    const [row] = await tx.script<{ now: string }>(
      `begin; select pg_advisory_xact_lock(${stampLock}); update daybind.clock set reported = ${present} returning ${instantSql('reported')} as now;`,
    )
    await tx.script('commit')
    return row === undefined ? noClock() : row.now
  })

/** Moves the flow's clock so that it shows `moment` now; forward only. For the demo and the tests. */
export const setClock = async (db: Database, moment: Instant): Promise<void> => {
  await db.query(`update daybind.clock set offset_by = greatest($1::timestamptz - clock_timestamp(), offset_by)`, [
    moment,
  ])
}
