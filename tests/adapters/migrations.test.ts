/** What stops the schema from being set up is told in one sentence, to whoever can mend it. */
import { Client } from 'pg'
import { describe, expect, test } from 'vitest'
import { CannotStart } from '../../src/adapters/postgres/embedded.ts'
import { migrate } from '../../src/adapters/postgres/migrations.ts'
import { useTestDatabase } from '../support/database.ts'

const database = useTestDatabase()

/** A session that answers these statements itself, and hands any other on. */
const sessionThat = async (answers: (text: string) => object | undefined): Promise<Client> => {
  const client = new Client({ connectionString: database().url })
  await client.connect()
  const query = client.query.bind(client)
  client.query = (async (text: string, values?: unknown[]) => {
    const answer = answers(text)
    if (answer instanceof Error) throw answer
    return answer ?? query(text, values)
  }) as unknown as Client['query']
  return client
}

const wrong = (answers: (text: string) => object | undefined): Promise<unknown> =>
  migrate({ session: () => sessionThat(answers) }).then(
    () => 'migrated',
    (error: unknown) => error,
  )

const server = (number: number, name: string) => (text: string) =>
  text.includes('server_version') ? { rows: [{ number, name }] } : undefined

const refused = (code: string, message: string) => (text: string) =>
  text.includes('create extension') ? Object.assign(new Error(message), { code }) : undefined

describe('the start', () => {
  test.each([
    [
      'an older server',
      server(140_012, '14.12 (Debian 14.12-1)'),
      /^DATABASE_URL leads to PostgreSQL 14\.12: Daybind needs 15 or later\.$/,
    ],
    [
      'a role without the right to set up the schema',
      refused('42501', 'permission denied for database d'),
      /may not set up the schema \(permission denied for database d\)\. .*: CREATE EXTENSION IF NOT EXISTS btree_gist; GRANT CREATE ON DATABASE <database> TO <role>;$/,
    ],
    [
      'a server without the extension',
      refused('0A000', 'extension "btree_gist" is not available'),
      /lacks the extension btree_gist: install/,
    ],
  ])('is refused in one sentence by %s', async (_, answers, sentence) => {
    const error = await wrong(answers)
    expect(error).toBeInstanceOf(CannotStart)
    expect((error as Error).message).toMatch(sentence)
  })

  test('is refused on a schema of a newer release, and nothing is changed', async () => {
    expect(await wrong(() => undefined)).toBe('migrated')
    const client = new Client({ connectionString: database().url })
    await client.connect()
    try {
      await client.query('insert into daybind.migrations (version) values (999)')
      const before = await client.query('select from daybind.migrations')
      const error = await wrong(() => undefined)
      expect(error).toBeInstanceOf(CannotStart)
      expect((error as Error).message).toMatch(/schema version 999; this release knows up to \d+\./)
      expect((await client.query('select from daybind.migrations')).rowCount).toBe(before.rowCount)
    } finally {
      await client.end()
    }
  })

  test('goes on with the oldest server that is supported', async () => {
    expect(await wrong(server(150_000, '15.0'))).toBeInstanceOf(CannotStart)
    expect(((await wrong(server(150_000, '15.0'))) as Error).message).toMatch(/schema version 999/)
  })
})
