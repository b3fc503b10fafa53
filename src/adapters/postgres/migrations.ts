/**
 * The schema, forward only: a migration that was released is never changed. Each runs once, under one advisory lock,
 * at the start of the service.
 */
import type { Pool } from 'pg'
import { v1 } from './migrations/v1.ts'

const migrations: readonly { readonly version: number; readonly sql: string }[] = [{ version: 1, sql: v1 }]

/** Advisory lock under which everything that changes the schema runs, the queue's own schema included. */
export const schemaLock = 7_241_001

const newest = migrations.at(-1)?.version ?? 0

/**
 * Brings the schema up to date; `alongside` runs under the same lock.
 * @throws when the database was written by a newer release, or the role may not create the extension
 */
export const migrate = async (pool: Pool, alongside: () => Promise<void> = async () => {}): Promise<void> => {
  const client = await pool.connect()
  try {
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
    await client.query('rollback').catch(() => undefined)
    throw explained(error)
  } finally {
    await client.query('select pg_advisory_unlock($1)', [schemaLock]).catch(() => undefined)
    client.release()
  }
}

const explained = (error: unknown): unknown =>
  error instanceof Error && 'code' in error && error.code === '42501'
    ? new Error(
        `The database role may not set up the schema (${error.message}). Ask the administrator to run: CREATE EXTENSION IF NOT EXISTS btree_gist; GRANT CREATE ON DATABASE <database> TO <role>;`,
      )
    : error
