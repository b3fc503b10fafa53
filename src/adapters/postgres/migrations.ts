/**
 * The schema, forward only: a migration that was released is never changed. Each runs once, under one advisory lock,
 * at the start of the service.
 */
import { type Database, withoutValues } from './database.ts'
import { v1 } from './migrations/v1.ts'

const migrations: readonly { readonly version: number; readonly sql: string }[] = [{ version: 1, sql: v1 }]

/** Advisory lock under which everything that changes the schema runs, the queue's own schema included. */
export const schemaLock = 7_241_001

const newest = migrations.at(-1)?.version ?? 0

/** A session that changes the schema may wait and work as long as it needs, and is ended where its service is gone. */
const patientSession = "set lock_timeout = 0; set statement_timeout = 0; set idle_session_timeout = '60s'"

/**
 * Brings the schema up to date; `alongside` runs under the same lock.
 * @throws when the database was written by a newer release, or the role may not create the extension
 */
export const migrate = async (
  db: Pick<Database, 'session'>,
  alongside: () => Promise<void> = async () => {},
): Promise<void> => {
  const client = await db.session()
  try {
    await client.query(patientSession)
    await client.query('select pg_advisory_lock($1)', [schemaLock])
    await client.query('create schema if not exists daybind')
    await client.query(
      'create table if not exists daybind.migrations (version int primary key, at timestamptz not null default now())',
    )
    const { rows } = await client.query<{ version: number }>('select version from daybind.migrations')
    const done = new Set(rows.map((r) => r.version))
    const unknown = Math.max(0, ...done)
    if (unknown > newest)
      throw new Error(
        `The database has schema version ${unknown}; this release knows up to ${newest}. Run the newer release, or restore an older database.`,
      )
    for (const { version, sql } of migrations.filter((m) => !done.has(m.version))) {
      await client.query('begin')
      await client.query(sql)
      await client.query('insert into daybind.migrations (version) values ($1)', [version])
      await client.query('commit')
    }
    await alongside()
  } catch (error) {
    throw explained(error)
  } finally {
    // ends the lock and what was begun as well; not waited for, since a server that is lost says no goodbye
    void client.end().catch(() => undefined)
  }
}

const explained = (error: unknown): unknown =>
  error instanceof Error && 'code' in error && error.code === '42501'
    ? new Error(
        `The database role may not set up the schema (${error.message}). Ask the administrator to run: CREATE EXTENSION IF NOT EXISTS btree_gist; GRANT CREATE ON DATABASE <database> TO <role>;`,
      )
    : withoutValues(error)
