/**
 * The schema, forward only: a migration that was released is never changed. Each runs once, under one advisory lock,
 * at the start of the service.
 */
import type { ClientBase } from 'pg'
import { type Database, withoutValues } from './database.ts'
import { CannotStart } from './embedded-process.ts'
import { v1 } from './migrations/v1.ts'
import { v2 } from './migrations/v2.ts'
import { v3 } from './migrations/v3.ts'
import { v5 } from './migrations/v5.ts'
import { v7 } from './migrations/v7.ts'
import { v8 } from './migrations/v8.ts'
import { v11 } from './migrations/v11.ts'
import { v12 } from './migrations/v12.ts'
import { v13 } from './migrations/v13.ts'
import { v14 } from './migrations/v14.ts'

const migrations: readonly { readonly version: number; readonly sql: string }[] = [
  { version: 1, sql: v1 },
  { version: 2, sql: v2 },
  { version: 3, sql: v3 },
  { version: 5, sql: v5 },
  { version: 7, sql: v7 },
  { version: 8, sql: v8 },
  { version: 11, sql: v11 },
  { version: 12, sql: v12 },
  { version: 13, sql: v13 },
  { version: 14, sql: v14 },
]

/** Advisory lock under which everything that changes the schema runs, the queue's own schema included. */
export const schemaLock = 7_241_001

const newest = migrations.at(-1)?.version ?? 0

/** A session that changes the schema may wait and work as long as it needs, and is ended where its service is gone. */
const patientSession = "set lock_timeout = 0; set statement_timeout = 0; set idle_session_timeout = '60s'"

/** The oldest that the tests run on, as `server_version_num` counts. */
const oldestServer = 150_000

const refuseOldServer = async (client: ClientBase): Promise<void> => {
  const { rows } = await client.query<{ number: number; name: string }>(
    `select current_setting('server_version_num')::int as number, current_setting('server_version') as name`,
  )
  const { number = 0, name = '' } = rows[0] ?? {}
  if (number < oldestServer)
    throw new CannotStart(
      `DATABASE_URL leads to PostgreSQL ${name.split(' ')[0]}: Daybind needs ${oldestServer / 10_000} or later.`,
    )
}

/**
 * Brings the schema up to date; `alongside` runs under the same lock.
 * @throws CannotStart when the server is too old, the database was written by a newer release, or the role may not set
 *   up the schema
 */
export const migrate = async (
  db: Pick<Database, 'session'>,
  alongside: () => Promise<void> = async () => {},
): Promise<void> => {
  const client = await db.session()
  try {
    await refuseOldServer(client)
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
      throw new CannotStart(
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

const forTheAdministrator = 'CREATE EXTENSION IF NOT EXISTS btree_gist; GRANT CREATE ON DATABASE <database> TO <role>;'

/** What an administrator can mend, said so; anything else as it is. */
const explained = (error: unknown): unknown => {
  if (!(error instanceof Error && 'code' in error)) return error
  if (error.code === '42501')
    return new CannotStart(
      `The database role may not set up the schema (${error.message}). Ask the administrator to run: ${forTheAdministrator}`,
    )
  const missing = /btree_gist/.test(error.message) && (error.code === '0A000' || error.code === '58P01')
  return missing
    ? new CannotStart(
        'The database server lacks the extension btree_gist: install the package of PostgreSQL that holds its contributed extensions.',
      )
    : withoutValues(error)
}
