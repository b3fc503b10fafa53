/** One PostgreSQL for a whole run: that of DATABASE_URL, else the embedded one, in a folder that is removed. */
import { randomBytes } from 'node:crypto'
import { rm } from 'node:fs/promises'
import { Client } from 'pg'
import { startEmbedded } from '../../src/adapters/postgres/embedded.ts'
import { scratchFolder } from '../support/global-setup.ts'
import { cpuOfServer, haveProc, parentOf } from './proc.ts'

export interface DatabaseServer {
  readonly version: string
  /** For what the processes write. */
  readonly folder: string
  /** Milliseconds of CPU so far; NaN where they cannot be seen. */
  cpu(): number
  /** `postgresql://…` of a new, empty database. */
  newDatabase(): Promise<string>
  stop(): Promise<void>
}

/** Asks a database once. */
export const ask = async <R extends object>(
  url: string,
  text: string,
  values: readonly unknown[] = [],
): Promise<R[]> => {
  const client = new Client({ connectionString: url })
  await client.connect()
  return (await client.query<R>(text, [...values]).finally(() => client.end())).rows
}

/** The server's first process, where the server runs on this machine: the parent of every backend. */
const processOf = async (url: string): Promise<number | undefined> => {
  if (!haveProc || !/^(localhost|127\.|\[::1\])/.test(new URL(url).hostname)) return undefined
  const client = new Client({ connectionString: url })
  await client.connect()
  try {
    const { rows } = await client.query<{ pid: number }>('select pg_backend_pid() as pid')
    return parentOf(rows[0]?.pid ?? 0, 'postgres')
  } finally {
    await client.end()
  }
}

export const openServer = async (): Promise<DatabaseServer> => {
  const folder = await scratchFolder()
  const embedded = process.env.DATABASE_URL ? undefined : await startEmbedded({ dataDir: folder, log: () => undefined })
  const url = process.env.DATABASE_URL ?? embedded?.url ?? ''
  const pid = embedded?.pid ?? (await processOf(url))
  const [version] = await ask<{ server_version: string }>(url, 'show server_version')
  const made: string[] = []
  return {
    version: version?.server_version ?? 'unknown',
    folder,
    cpu: () => (pid === undefined || !haveProc ? Number.NaN : cpuOfServer(pid)),
    newDatabase: async () => {
      const name = `bench_${randomBytes(6).toString('hex')}`
      await ask(url, `create database ${name}`)
      made.push(name)
      const own = new URL(url)
      own.pathname = `/${name}`
      return own.href
    },
    stop: async () => {
      if (embedded === undefined)
        for (const name of made) await ask(url, `drop database if exists ${name} with (force)`)
      await embedded?.stop()
      await rm(folder, { recursive: true, force: true })
    },
  }
}
