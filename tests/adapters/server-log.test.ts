/**
 * What the administrator of somebody's own PostgreSQL is asked to set: the statements of the README, run as they stand
 * there, on a server that otherwise logs as PostgreSQL does by default.
 */
import { type ChildProcess, execFileSync, spawn } from 'node:child_process'
import { once } from 'node:events'
import { readFileSync } from 'node:fs'
import { chown, mkdtemp, rm } from 'node:fs/promises'
import type { AddressInfo } from 'node:net'
import { createServer } from 'node:net'
import { join } from 'node:path'
import { Client } from 'pg'
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { serverAccount } from '../../src/adapters/postgres/embedded-account.ts'
import { findBinaries } from '../../src/adapters/postgres/embedded-binaries.ts'
import { scratchFolder } from '../support/global-setup.ts'
import { marksIn, newMark } from '../support/marks.ts'

let folder: string
let server: ChildProcess
let port = 0
const log: string[] = []

const freePort = async (): Promise<number> => {
  const probe = createServer()
  await new Promise<void>((listening) => probe.listen(0, '127.0.0.1', listening))
  const { port: free } = probe.address() as AddressInfo
  await new Promise((closed) => probe.close(closed))
  return free
}

const urlOf = (role: string): string => `postgresql://${role}@127.0.0.1:${port}/daybind`

const asAdministrator = async (database: string, ...statements: readonly string[]): Promise<void> => {
  const client = new Client({ host: '127.0.0.1', port, user: 'postgres', database })
  await client.connect()
  for (const statement of statements) await client.query(statement)
  await client.end()
}

beforeAll(async () => {
  const binaries = findBinaries()
  const account = await serverAccount(() => undefined)
  folder = await scratchFolder()
  const cluster = await mkdtemp(join(folder, 'cluster-'))
  if (account.uid !== undefined && account.gid !== undefined) await chown(cluster, account.uid, account.gid)
  const env = { LC_ALL: 'C' }
  execFileSync(binaries.initdb, ['-D', cluster, '-U', 'postgres', '--auth=trust', '--no-sync'], {
    ...account,
    env,
    cwd: cluster,
  })
  port = await freePort()
  const settings = ['listen_addresses=127.0.0.1', 'unix_socket_directories=', 'fsync=off']
  server = spawn(binaries.postgres, ['-D', cluster, '-p', `${port}`, ...settings.flatMap((s) => ['-c', s])], {
    ...account,
    env,
    cwd: cluster,
  })
  server.stderr?.on('data', (data: Buffer) => void log.push(data.toString()))
  await vi.waitFor(() => expect(log.join('')).toContain('ready to accept connections'), { timeout: 200_000 })
  await asAdministrator('postgres', 'create role daybind login', 'create database daybind owner daybind')
  const tables = ['create table people (name text primary key)', `create table checked (name text check (name = ''))`]
  await asAdministrator(
    'daybind',
    'set role daybind',
    'create schema daybind',
    ...tables.map((s) => s.replace('table ', 'table daybind.')),
  )
})

afterAll(async () => {
  server?.kill('SIGINT')
  if (server?.exitCode === null) await once(server, 'exit')
  await rm(folder, { recursive: true, force: true })
})

/** Statements that fail, with marks where values of ours would be; through the pool that the service uses. */
const failInEveryWay = async (): Promise<number> => {
  const db = openDatabase(urlOf('daybind'), () => undefined)
  const mark = newMark()
  const ways: (() => Promise<unknown>)[] = [
    () => db.query('select $1::date', [mark]),
    () => db.query('select $1::text::int', [mark]),
    () => db.query(`select '${mark}'::date`),
    () => db.query('insert into people values ($1)', [mark]),
    () => db.query('insert into people values ($1)', [mark]),
    () => db.query(`insert into people values ('${mark}')`),
    () => db.query('insert into checked values ($1)', [mark]),
    () =>
      db.script(`do $$ begin raise exception 'about %', '${mark}' using detail = '${mark}', hint = '${mark}'; end $$`),
    () => db.script(`do $$ begin raise warning 'about %', '${mark}'; end $$`),
    () => db.script(`set statement_timeout = 20; select pg_sleep(5), '${mark}'`),
    () => db.script(`selec '${mark}'`),
    () => db.query(`select pg_terminate_backend(pg_backend_pid()), '${mark}'`),
  ]
  let failed = 0
  for (const way of ways) await way().catch(() => (failed += 1))
  await db.close()
  return failed
}

const sinceThen = async (work: () => Promise<unknown>): Promise<string> => {
  log.length = 0
  await work()
  // the server writes before it answers; its pipe may be slower
  const end = newMark().replace('Zqx', 'End')
  await asAdministrator('daybind', `do $$ begin raise log '${end}'; end $$`)
  await expect.poll(() => log.join('')).toContain(end)
  return log.join('')
}

describe('the log of a PostgreSQL that is not ours', () => {
  it('quotes values of failed statements, as PostgreSQL does by default', async () => {
    let failed = 0
    const text = await sinceThen(async () => {
      failed = await failInEveryWay()
    })
    expect(failed).toBeGreaterThanOrEqual(9)
    expect(marksIn(text, []).length).toBeGreaterThan(0)
  })

  it('quotes none once the administrator has run what the README says', async () => {
    const readme = readFileSync(new URL('../../README.md', import.meta.url), 'utf8')
    const [, statements = ''] = /```sql\n(ALTER ROLE daybind SET [\s\S]*?)```/.exec(readme) ?? []
    expect(statements.split('\n').length).toBeGreaterThan(5)
    await asAdministrator('postgres', ...statements.split(';\n').filter((s) => s !== ''))
    let failed = 0
    const text = await sinceThen(async () => {
      failed = await failInEveryWay()
    })
    expect(failed).toBeGreaterThanOrEqual(9)
    expect(marksIn(text, [])).toEqual([])
  })

  it('never lists parameters of ours, even where the server is set to: a session may say so itself', async () => {
    await asAdministrator(
      'postgres',
      'alter system set log_parameter_max_length_on_error = -1',
      'select pg_reload_conf()',
    )
    const shown = async () => {
      const client = new Client({ connectionString: urlOf('daybind') })
      await client.connect()
      const { rows } = await client.query(`select current_setting('log_parameter_max_length_on_error') as now`)
      await client.end()
      return rows[0].now
    }
    await expect.poll(shown).toBe('-1')
    const db = openDatabase(urlOf('daybind'), () => undefined)
    const [row] = await db.query<{ now: string }>(`select current_setting('log_parameter_max_length_on_error') as now`)
    expect(row?.now).toBe('0')
    await db.close()
  })
})
