/** What is tortured: real processes on a data folder or a database of their own, and ways to kill them. */
import { type ChildProcess, spawn } from 'node:child_process'
import { appendFileSync } from 'node:fs'
import { chmod, mkdtemp, readdir, readFile, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { setTimeout as sleep } from 'node:timers/promises'
import { Client } from 'pg'
import { type EmbeddedDatabase, startEmbedded } from '../../src/adapters/postgres/embedded.ts'
import { clusterUrl } from '../../src/adapters/postgres/embedded-cluster.ts'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { type Ledger, newLedger } from './desk.ts'
import type { Orders } from './instance.ts'

export interface Stage {
  readonly name: string
  readonly pebble: ReadingServiceCounterpart
  readonly ledger: Ledger
  /** How many services it should have. */
  readonly size: number
  /** Where a living service listens; by turns where there are several. */
  url(): string | undefined
  /** Starts service `n` and waits until it is ready. */
  start(n: number): Promise<void>
  /** Starts service `n` and does not wait. */
  begin(n: number): void
  /** Sends the signal to service `n` and waits for its end. @returns its exit status, null where it was killed */
  end(n: number, signal: NodeJS.Signals): Promise<number | null>
  postmaster(): Promise<number>
  /** Kills services, postmaster and all its children at once. */
  killEverything(): Promise<void>
  /** Asks the database itself. */
  ask<T extends object>(text: string, values?: unknown[]): Promise<T[]>
  /** Lines that the services wrote into their logs. */
  logLines(): Promise<readonly { msg?: string; level?: number; err?: { message?: string } }[]>
  close(): Promise<void>
}

interface Instance {
  readonly child: ChildProcess
  readonly ended: Promise<number | null>
  url: string | undefined
}

const launch = (orders: Orders): Instance => {
  const child = spawn(process.execPath, [join(import.meta.dirname, 'instance.ts'), JSON.stringify(orders)], {
    stdio: ['ignore', 'pipe', 'pipe'],
  })
  const instance: Instance = {
    child,
    ended: new Promise((resolve) => child.once('exit', (code) => resolve(code))),
    url: undefined,
  }
  void instance.ended.then(() => {
    instance.url = undefined
  })
  createInterface({ input: child.stdout }).once('line', (line) => {
    instance.url = (JSON.parse(line) as { url: string }).url
  })
  let words = ''
  child.stderr.on('data', (chunk: Buffer) => {
    words += chunk
  })
  const endWithUs = () => void child.kill('SIGKILL')
  process.once('exit', endWithUs)
  child.once('exit', (code) => {
    process.off('exit', endWithUs)
    if (code !== null && code !== 0) process.stderr.write(words)
  })
  return instance
}

const alive = (i: Instance | undefined): i is Instance =>
  i !== undefined && i.child.exitCode === null && i.child.signalCode === null

const startPatienceMs = 240_000

/** The first numbers of a server's lock file: its process and, on line 4, its port. */
const lockFile = async (cluster: string): Promise<{ pid: number; port: number }> => {
  const lines = (await readFile(join(cluster, 'postmaster.pid'), 'utf8')).split('\n')
  return { pid: Number(lines[0]), port: Number(lines[3]) }
}

/** Linux: a process's parent is the second field after its name, proc(5). */
const childrenOf = async (parent: number): Promise<readonly number[]> => {
  const pids = (await readdir('/proc')).filter((name) => /^\d+$/.test(name))
  const stats = await Promise.all(pids.map((p) => readFile(`/proc/${p}/stat`, 'latin1').catch(() => '')))
  return pids.flatMap((p, i) => {
    const fields = (stats[i] ?? '').slice((stats[i] ?? '').lastIndexOf(')') + 2).split(' ')
    return Number(fields[1]) === parent ? [Number(p)] : []
  })
}

export const kill = (pid: number, signal: NodeJS.Signals = 'SIGKILL'): void => {
  try {
    process.kill(pid, signal)
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'ESRCH') throw error
  }
}

/** @param shared two services on one database that nobody of them owns; else one with its embedded server */
export const openStage = async (name: string, shared: boolean): Promise<Stage> => {
  // passable for the user under which the server runs
  const folder = await mkdtemp(join(tmpdir(), 'daybind-torture-'))
  await chmod(folder, 0o711)
  const pebble = await startReadingService()
  const server: EmbeddedDatabase | undefined = shared
    ? await startEmbedded({
        dataDir: join(folder, 'server'),
        log: (line) => appendFileSync(join(folder, 'server.log'), `${line}\n`),
      })
    : undefined
  const dataDir = join(folder, 'var')
  const cluster = join(shared ? join(folder, 'server') : dataDir, 'postgres')
  const logFile = join(folder, 'service.log')
  const orders: Orders = { ...(server && { databaseUrl: server.url }), dataDir, pebble: pebble.base, logFile }
  const size = shared ? 2 : 1
  const instances: (Instance | undefined)[] = []
  let turn = 0

  const stage: Stage = {
    name,
    pebble,
    size,
    ledger: newLedger(),
    url: () => {
      turn += 1
      const living = instances.flatMap((i) => (alive(i) && i.url !== undefined ? [i.url] : []))
      return living[turn % Math.max(living.length, 1)]
    },
    begin: (n) => {
      instances[n] = launch(orders)
    },
    start: async (n) => {
      if (!alive(instances[n])) stage.begin(n)
      const instance = instances[n]
      const deadline = performance.now() + startPatienceMs
      while (alive(instance) && instance.url === undefined && performance.now() < deadline) await sleep(5)
      if (instance?.url === undefined) throw new Error(`service ${n} did not become ready`)
    },
    end: async (n, signal) => {
      const instance = instances[n]
      instance?.child.kill(signal)
      return (await instance?.ended) ?? null
    },
    postmaster: async () => (await lockFile(cluster)).pid,
    killEverything: async () => {
      const postmaster = await stage.postmaster().catch(() => undefined)
      const family = postmaster === undefined ? [] : await childrenOf(postmaster)
      for (const i of instances) i?.child.kill('SIGKILL')
      for (const pid of postmaster === undefined ? [] : [postmaster, ...family]) kill(pid)
      await Promise.all(instances.map((i) => i?.ended))
    },
    ask: async <T extends object>(text: string, values: unknown[] = []): Promise<T[]> => {
      const url = (await clusterUrl(cluster))((await lockFile(cluster)).port)
      const client = new Client({ connectionString: url, options: '-c search_path=daybind,public' })
      client.on('error', () => undefined) // it may be killed at any moment; the statement fails too
      await client.connect()
      try {
        return (await client.query(text, values)).rows as T[]
      } finally {
        void client.end().catch(() => undefined)
      }
    },
    logLines: async () =>
      (await readFile(logFile, 'utf8').catch(() => ''))
        .split('\n')
        // a line that a kill cut short is no JSON
        .flatMap((line) => (line.endsWith('}') ? [JSON.parse(line)] : [])),
    close: async () => {
      await Promise.all(instances.map((i, n) => (alive(i) ? stage.end(n, 'SIGTERM') : undefined)))
      await server?.stop()
      await pebble.stop()
      await rm(folder, { recursive: true, force: true })
    },
  }
  return stage
}
