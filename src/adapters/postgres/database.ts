/** The pool and what every statement goes through: one place that strips what a database error quotes. */
import { Pool, type PoolClient, type QueryResultRow, types } from 'pg'

/** Dates stay the text that they are; a local day is no instant. */
types.setTypeParser(types.builtins.DATE, (text) => text)
types.setTypeParser(types.builtins.INT8, Number)

/** A database error without the values that PostgreSQL quotes in `detail`, `where` and the message. */
export class DatabaseError extends Error {
  readonly code: string | undefined
  readonly constraint: string | undefined
  constructor(code: string | undefined, constraint: string | undefined, what: string) {
    super(`database: ${what}`)
    this.name = 'DatabaseError'
    this.code = code
    this.constraint = constraint
  }
}

/** The database is lost, full or not there: the same call may succeed later. */
export const isOutage = (error: unknown): boolean => {
  if (!(error instanceof DatabaseError)) return false
  const code = error.code ?? ''
  return (
    /^(08|53|57P|58)/.test(code) ||
    // locks that did not come free, again and again: busy, not broken
    ['40P01', '40001', '55P03', '57014'].includes(code) ||
    ['ECONNREFUSED', 'ECONNRESET', 'EPIPE', 'ETIMEDOUT', 'ENOENT', 'lost'].includes(code)
  )
}

interface Raw {
  code?: string
  constraint?: string
  severity?: string
  message?: string
}

export const withoutValues = (error: unknown): unknown => {
  if (error instanceof DatabaseError || !(error instanceof Error)) return error
  const { code, constraint, severity } = error as Raw
  if (severity !== undefined || code !== undefined) {
    const name = constraint === undefined ? '' : ` on ${constraint}`
    return new DatabaseError(code, constraint, `${severity ?? 'error'} ${code ?? ''}${name}`)
  }
  // pg reports a connection that ended under a query, or a pool that gave up waiting, by its message alone
  return /connection|timeout/i.test(error.message) ? new DatabaseError('lost', undefined, 'connection lost') : error
}

export interface Tx {
  query<R extends QueryResultRow>(text: string, values?: readonly unknown[]): Promise<readonly R[]>
  /** Several statements without values, in one round trip; the rows of the last. */
  script<R extends QueryResultRow>(text: string): Promise<readonly R[]>
}

export interface Database extends Tx {
  readonly pool: Pool
  transaction<T>(work: (tx: Tx) => Promise<T>): Promise<T>
  close(): Promise<void>
}

/** Statements are prepared once a connection, under a name made of their text. */
const names = new Map<string, string>()
const nameOf = (text: string): string => {
  const known = names.get(text)
  if (known !== undefined) return known
  const name = `s${names.size}`
  names.set(text, name)
  return name
}

const txOn = (client: Pool | PoolClient): Tx => ({
  query: async <R extends QueryResultRow>(text: string, values: readonly unknown[] = []) => {
    try {
      return (await client.query<R>({ name: nameOf(text), text, values: [...values] })).rows
    } catch (error) {
      throw withoutValues(error)
    }
  },
  script: async <R extends QueryResultRow>(text: string) => {
    try {
      const results = (await client.query(text)) as unknown
      const last = Array.isArray(results) ? results.at(-1) : results
      return (last as { rows: R[] }).rows
    } catch (error) {
      throw withoutValues(error)
    }
  },
})

/** A connection that failed in the middle of a transaction is not used again. */
const runIn = async <T>(pool: Pool, work: (tx: Tx) => Promise<T>): Promise<T> => {
  const client = await pool.connect().catch((error) => {
    throw withoutValues(error)
  })
  const tx = txOn(client)
  let broken: Error | undefined
  try {
    return await work(tx)
  } catch (error) {
    await client.query('rollback').catch((failed: Error) => {
      broken = failed
    })
    throw error
  } finally {
    client.release(broken)
  }
}

/** How many connections, and what holds on each of them. */
interface Connections {
  readonly max: number
  readonly settings: string
}

const forSteps: Connections = { max: 16, settings: '-c statement_timeout=30000' }

/**
 * Searches have connections of their own, so that slow ones hold up no step and no look-up by id; each is given up
 * after five seconds, and none can write. The planner, who does not look at the values, would read a whole table
 * wherever a type may be a third of it.
 */
export const forSearches: Connections = {
  max: 6,
  settings: '-c statement_timeout=5000 -c default_transaction_read_only=on -c enable_seqscan=off',
}

/**
 * @param url `postgresql://…`
 * @param onIdleError told of connections that break while nobody uses them
 */
export const openDatabase = (
  url: string,
  onIdleError: (error: unknown) => void,
  { max, settings }: Connections = forSteps,
): Database => {
  const pool = new Pool({
    connectionString: url,
    max,
    connectionTimeoutMillis: 5_000,
    application_name: 'daybind',
    options: `-c search_path=daybind,public -c timezone=UTC -c idle_in_transaction_session_timeout=10000 -c plan_cache_mode=force_generic_plan ${settings}`,
  })
  let closing = false
  // pg's `end` does not wait for its idle connections: that the server cuts them as it stops is no trouble
  pool.on('error', (error) => {
    if (!closing) onIdleError(withoutValues(error))
  })
  const close = (): Promise<void> => {
    closing = true
    return pool.end()
  }
  return { ...txOn(pool), pool, transaction: (work) => runIn(pool, work), close }
}
