import { randomBytes } from 'node:crypto'
import { setTimeout } from 'node:timers/promises'
import { Client, DatabaseError } from 'pg'
import { afterAll, beforeAll, inject, type RunnerTask } from 'vitest'

/** A database of its own, empty, on the server that all tests share. */
export interface TestDatabase {
  readonly url: string
  /** Removes it; connections still open are cut. */
  drop(): Promise<void>
}

/**
 * Makes a fresh database on the server of DATABASE_URL, whose role must be allowed to create databases, else on the
 * embedded server of this run. The caller drops it; {@link useTestDatabase} does so by itself.
 */
export const createTestDatabase = async (): Promise<TestDatabase> => {
  const server = await serverUrl()
  const name = `t_${randomBytes(6).toString('hex')}`
  await onServer(server, `CREATE DATABASE ${name}`)
  const url = new URL(server)
  url.pathname = `/${name}`
  return { url: url.href, drop: () => dropOnServer(server, name) }
}

/**
 * One database for the tests of a file or of a `describe`. After a failure it is kept and named, to be looked into;
 * on the embedded server only as long as the run lasts (`--watch`), so set DATABASE_URL for that.
 *
 * @returns asks for the database; not before the first test or hook runs
 */
export const useTestDatabase = (): (() => TestDatabase) => {
  let database: TestDatabase | undefined
  beforeAll(async () => {
    database = await createTestDatabase()
  })
  // biome-ignore lint/correctness/noEmptyPattern: vitest reads the fixtures asked for from this pattern
  afterAll(async ({}, suite) => {
    if (database === undefined) return
    if (!suite.tasks.some(failed)) await database.drop()
    else console.warn(`Kept after a failure: database ${new URL(database.url).pathname.slice(1)}`)
  })
  return () => {
    if (database === undefined)
      throw new Error('The database is made before the first test, not while tests are collected.')
    return database
  }
}

const failed = (task: RunnerTask): boolean =>
  task.result?.state === 'fail' || (task.type === 'suite' && task.tasks.some(failed))

const serverUrl = async (): Promise<string> => {
  const source = inject('databaseSource')
  if (source === undefined)
    throw new Error('tests/vitest.config.ts must name tests/support/global-setup.ts as globalSetup.')
  if (!source.startsWith('http:')) return source
  const answer = await fetch(source)
  const text = await answer.text()
  if (!answer.ok) throw new Error(`The database for tests did not start: ${text}`)
  return text
}

/** A role that is no superuser may not end an autovacuum worker that is just looking at it: that one is done soon. */
const dropOnServer = async (server: string, name: string): Promise<void> => {
  for (let tries = 1; ; tries += 1)
    try {
      return await onServer(server, `DROP DATABASE IF EXISTS ${name} WITH (FORCE)`)
    } catch (error) {
      if (tries === 40 || !(error instanceof DatabaseError && error.code === '42501')) throw error
      await setTimeout(250)
    }
}

const onServer = async (connectionString: string, statement: string): Promise<void> => {
  const client = new Client({ connectionString })
  await client.connect()
  await client.query(statement).finally(() => client.end())
}
