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

/** Steps that are stamped, or about to be, and not committed; a step lives for less than a minute. */
const underWay = `
  select l.virtualtransaction as step, ${instantSql(`coalesce(a.xact_start, now() - interval '1 minute') + c.offset_by`)} as since
  from pg_locks l cross join daybind.clock c left join pg_stat_activity a on a.pid = l.pid
  where l.locktype = 'advisory' and l.classid = 0 and l.objid = ${stampLock} and l.objsubid = 1 and l.mode = 'ShareLock' and l.granted
    and l.database = (select oid from pg_database where datname = current_database())`

/**
 * A moment up to which everything is committed, for readers: they hold up nobody. Now, as soon as the steps under way
 * have ended; where one takes longer than `patienceMs`, the moment at which it began. A lock is given back only when
 * what was written under it can be seen, so a step that is not found among the locks is visible, or yet to be stamped.
 */
export const committedUpTo = async (tx: Tx, patienceMs = 2_000): Promise<Instant> => {
  const moment = await now(tx)
  let open = await tx.query<{ step: string; since: Instant }>(underWay)
  for (
    let waited = 0, wait = 2;
    open.length > 0 && waited < patienceMs;
    waited += wait, wait = Math.min(2 * wait, 50)
  ) {
    await new Promise((resolve) => setTimeout(resolve, wait))
    const still = new Set((await tx.query<{ step: string }>(underWay)).map((s) => s.step))
    open = open.filter((s) => still.has(s.step))
  }
  return [moment, ...open.map((s) => s.since)].toSorted()[0] ?? moment
}

/** Moves the flow's clock so that it shows `moment` now; forward only. For the demo and the tests. */
export const setClock = async (db: Database, moment: Instant): Promise<void> => {
  await db.query(`update daybind.clock set offset_by = greatest($1::timestamptz - clock_timestamp(), offset_by)`, [
    moment,
  ])
}
