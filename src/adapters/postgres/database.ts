/** The pool and what every statement goes through. What a database error quotes is stripped here. */
import type { Writable } from 'node:stream'
import { Client, type ClientBase, Pool, type PoolClient, type QueryResultRow, types } from 'pg'
import { busy, DatabaseError, isLost, isOutage, lost, withoutValues } from './database-errors.ts'
import { roomWatch, troubleOf } from './database-trouble.ts'

export { DatabaseError, isOutage, withoutValues } from './database-errors.ts'

/** Dates stay the text that they are; a local day is no instant. */
types.setTypeParser(types.builtins.DATE, (text) => text)
types.setTypeParser(types.builtins.INT8, Number)

/** Within a transaction, statements that are asked for without waiting go to the server together, in their order. */
export interface Tx {
  query<R extends QueryResultRow>(text: string, values?: readonly unknown[]): Promise<readonly R[]>
  /** Several statements without values, in one round trip; the rows of the last. */
  script<R extends QueryResultRow>(text: string): Promise<readonly R[]>
}

/** What anything may cost. Times in milliseconds. */
export interface DatabaseLimits {
  readonly connections: number
  /** How many may wait for a connection; more are turned away at once. */
  readonly waiting: number
  /** For opening a connection, and for waiting for a free one. */
  readonly connectMs: number
  /** For one statement; the server cancels it. */
  readonly statementMs: number
  /** For a lock that somebody else holds. */
  readonly lockMs: number
  /** Between two statements of a transaction: a client that fell silent frees its locks. */
  readonly idleMs: number
  /** For a whole transaction (PostgreSQL 17 or later). */
  readonly transactionMs: number
  /** Without an answer for so long the connection counts as lost; longer than `statementMs`. */
  readonly answerMs: number
}

export const usualLimits: DatabaseLimits = {
  connections: 16,
  waiting: 1_000,
  connectMs: 5_000,
  statementMs: 15_000,
  lockMs: 5_000,
  idleMs: 10_000,
  transactionMs: 20_000,
  answerMs: 17_000,
}

export interface Database extends Tx {
  transaction<T>(work: (tx: Tx) => Promise<T>): Promise<T>
  /** A connection of its own, without the deadlines of statements: for changing the schema. The caller ends it. */
  session(): Promise<Client>
  /** Why nothing can be stored at the moment, as a sentence; undefined when all is well. Answers within two seconds. */
  trouble(): Promise<string | undefined>
  /** Waits for what is under way, then closes the connections. */
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

/**
 * What is asked for in one go goes out in one packet: each write to a socket costs as much as checking a resource.
 * The driver has no word for it; without its stream everything works, in more packets.
 */
const gather = (client: ClientBase): void => {
  const { connection } = client as { connection?: { stream?: Writable } }
  const stream = connection?.stream
  if (stream === undefined || stream.writableCorked > 0) return
  stream.cork()
  process.nextTick(() => stream.uncork())
}

/** Runs statements on what `connection` gives, and turns foreign errors into ours. */
const txOn = (on: <T>(work: (client: ClientBase) => Promise<T>) => Promise<T>): Tx => ({
  query: <R extends QueryResultRow>(text: string, values: readonly unknown[] = []) =>
    on(async (client) => {
      gather(client)
      try {
        return (await client.query<R>({ name: nameOf(text), text, values: [...values] })).rows
      } catch (error) {
        throw withoutValues(error)
      }
    }),
  script: <R extends QueryResultRow>(text: string) =>
    on(async (client) => {
      gather(client)
      try {
        const results = (await client.query(text)) as unknown
        const last = Array.isArray(results) ? results.at(-1) : results
        return (last as { rows: R[] }).rows
      } catch (error) {
        throw withoutValues(error)
      }
    }),
})

/**
 * Lends a connection. One that broke, or whose server does not answer, is not used again; a transaction that was cut
 * short on a sound one is rolled back.
 */
const lend = async <T>(
  pool: Pool,
  waiting: number,
  mode: 'statement' | 'transaction',
  work: (client: PoolClient) => Promise<T>,
): Promise<T> => {
  if (pool.waitingCount >= waiting) throw new DatabaseError(busy, undefined, `${waiting} calls wait already`)
  const client = await pool.connect().catch((foreign) => {
    const error = withoutValues(foreign)
    // whatever keeps the server from admitting a session is trouble of the server, not of the call
    throw isOutage(error) ? error : new DatabaseError(lost, undefined, 'no session')
  })
  let broken: Error | undefined
  // a connection that ends between two statements tells so by this event alone; unheard, it would end the process
  const onError = (error: Error): void => {
    broken = error
  }
  client.on('error', onError)
  try {
    return await work(client)
  } catch (error) {
    if (isLost(error)) broken ??= error as Error
    if (broken === undefined && mode === 'transaction')
      broken = await client.query('rollback').then(
        () => undefined,
        (failed: Error) => failed,
      )
    throw error
  } finally {
    client.off('error', onError)
    client.release(broken)
  }
}

/** Settings of PostgreSQL by their names. */
type SessionSettings = Readonly<Record<string, string>>

/** Settings of each session; the newest of them only where the server knows it, for it refuses others. */
const sessionSettings = (limits: DatabaseLimits, more: SessionSettings): string =>
  Object.entries({
    search_path: 'daybind,public',
    timezone: 'UTC',
    statement_timeout: limits.statementMs,
    lock_timeout: limits.lockMs,
    idle_in_transaction_session_timeout: limits.idleMs,
    plan_cache_mode: 'force_generic_plan',
    enable_seqscan: 'off', // a plan that was made while a table was small reads all of it when it has grown
    jit: 'off', // statements are small: compiling one takes longer than running it, up to half a second
    log_parameter_max_length_on_error: 0,
    ...more,
  })
    .map(([name, value]) => `-c ${name}=${value}`)
    .join(' ')

const transactionTimeout = `select set_config('transaction_timeout', $1, false)
  where current_setting('server_version_num')::int >= 170000`

/**
 * @param url `postgresql://…`
 * @param onIdleError told of connections that break while nobody uses them
 */
export const openDatabase = (
  url: string,
  onIdleError: (error: unknown) => void,
  limits: DatabaseLimits = usualLimits,
  settings: SessionSettings = {},
): Database => {
  const pool = new Pool({
    connectionString: url,
    max: limits.connections,
    pipeline: true,
    connectionTimeoutMillis: limits.connectMs,
    query_timeout: limits.answerMs,
    keepAlive: true,
    keepAliveInitialDelayMillis: 10_000,
    application_name: 'daybind',
    options: sessionSettings(limits, settings),
    onConnect: async (client) => {
      await client.query(transactionTimeout, [String(limits.transactionMs)])
    },
  })
  let closing = false
  // pg's `end` does not wait for its idle connections: that the server cuts them as it stops is no trouble
  pool.on('error', (error) => {
    if (!closing) onIdleError(withoutValues(error))
  })
  const room = roomWatch()
  const on =
    (mode: 'statement' | 'transaction') =>
    <T>(work: (client: PoolClient) => Promise<T>): Promise<T> =>
      room.seen(() => lend(pool, limits.waiting, mode, work))
  const tx = txOn(on('statement'))
  return {
    ...tx,
    transaction: (work) => on('transaction')((client) => work(txOn((call) => call(client)))),
    session: async () => {
      const client = new Client({ connectionString: url, keepAlive: true, application_name: 'daybind schema' })
      client.on('error', () => undefined) // the statement under way tells it too
      await client.connect().catch((error) => {
        throw withoutValues(error)
      })
      return client
    },
    trouble: troubleOf(tx, room),
    close: () => {
      closing = true
      return pool.end()
    },
  }
}

const searchMs = 5_000

/**
 * Searches have connections of their own, so that slow ones hold up no step and no look-up by id; each is given up
 * after five seconds, and none can write.
 */
export const openForSearches = (
  url: string,
  onIdleError: (error: unknown) => void,
  limits: DatabaseLimits = usualLimits,
): Database =>
  openDatabase(
    url,
    onIdleError,
    { ...limits, connections: 6, statementMs: Math.min(limits.statementMs, searchMs) },
    { default_transaction_read_only: 'on' },
  )
