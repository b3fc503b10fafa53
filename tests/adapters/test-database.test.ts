import { Client } from 'pg'
import { describe, expect, it } from 'vitest'
import { createTestDatabase, useTestDatabase } from '../support/database.ts'

const query = async ({ url }: { url: string }, statement: string): Promise<unknown[]> => {
  const client = new Client({ connectionString: url })
  await client.connect()
  const { rows } = await client.query({ text: statement, rowMode: 'array' }).finally(() => client.end())
  return rows.flat()
}
const tables = `SELECT count(*)::int FROM pg_tables WHERE schemaname = 'public'`

describe('a database for a test', () => {
  const shared = useTestDatabase()

  it("is empty and nobody else's", async () => {
    const other = await createTestDatabase()
    expect(other.url).not.toBe(shared().url)
    await query(other, 'CREATE TABLE written (n int)')
    expect(await query(other, tables)).toEqual([1])
    expect(await query(shared(), tables)).toEqual([0])
    await other.drop()
  })

  it('is gone after its drop, open connections or not', async () => {
    const database = await createTestDatabase()
    const client = new Client({ connectionString: database.url })
    client.on('error', () => undefined) // the drop cuts it
    await client.connect()
    await database.drop()
    await expect(query(database, 'SELECT 1')).rejects.toThrow('does not exist')
    await database.drop()
  })
})
