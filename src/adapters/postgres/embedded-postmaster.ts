import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { open, readFile, realpath, rename, writeFile } from 'node:fs/promises'
import { type AddressInfo, createServer } from 'node:net'
import { join } from 'node:path'
import { setTimeout as sleep } from 'node:timers/promises'
import type { Account } from './embedded-account.ts'
import type { Binaries } from './embedded-binaries.ts'
import { cleanEnvironment } from './embedded-cluster.ts'
import { CannotStart, commandLine, gone, processStart, workingFolder } from './embedded-process.ts'
import { serverArguments } from './embedded-settings.ts'

/** A running database server. */
export interface Postmaster {
  readonly child: ChildProcess
  readonly pid: number
  readonly port: number
}

/** What is started, where and as whom. */
export interface Place {
  readonly cluster: string
  /** The server's own log; it holds no statements, see embedded-settings.ts. */
  readonly logFile: string
  readonly binaries: Binaries
  readonly account: Account
  /** Set when the server is no longer wanted: a start under way is ended. */
  readonly giveUp: AbortSignal
}

const lockFile = 'postmaster.pid'

/** Recovery after a crash reads up to a gigabyte of log and more; no answer for longer than this is no recovery. */
const startPatience = 300_000
/** What a fast shutdown may take: it ends all sessions and writes the dirty pages. */
const stopPatience = 30_000

/**
 * Starts the server on a port of the loopback interface, by default any free one, and waits until it takes connections.
 *
 * A port that somebody else took in between, and processes of a killed predecessor that have not ended yet, are
 * waited out.
 *
 * @throws CannotStart with the server's own words
 */
export const startPostmaster = async (place: Place, samePort?: number): Promise<Postmaster> => {
  const { logFile } = place
  await rename(logFile, `${logFile}.previous`).catch(() => undefined) // the first start has none
  const deadline = performance.now() + 10_000
  for (;;) {
    const port = samePort ?? (await freePort())
    const { child, ended } = await launch(place, port)
    const trouble = await untilReady(child, ended, place)
    if (trouble === undefined && child.pid !== undefined) return { child, pid: child.pid, port }
    const words = await lastWords(logFile)
    const passes = /Address already in use|pre-existing shared memory block|lock file .* already exists/.test(words)
    if (!passes || place.giveUp.aborted || performance.now() > deadline) {
      throw new CannotStart(`The embedded database did not start: ${trouble}${words === '' ? '' : `: ${words}`}`)
    }
    await sleep(200)
  }
}

/**
 * Ends the server: open sessions are cut, what was committed is kept. One that does not end in time is aborted, which
 * loses nothing committed either.
 */
export const stopPostmaster = async (child: ChildProcess): Promise<void> => {
  if (child.exitCode !== null || child.signalCode !== null || child.pid === undefined) return
  child.ref()
  const ended = once(child, 'exit')
  child.kill('SIGINT')
  const aborted = setTimeout(() => child.kill('SIGQUIT'), stopPatience)
  await ended
  clearTimeout(aborted)
}

/**
 * Ends a server that outlived its service (the service was killed) and still runs on the cluster. The number in
 * postmaster.pid alone proves nothing, it may be anybody's by now; ours is the PostgreSQL that works in the cluster's
 * folder or has it on its command line.
 *
 * The caller must be the owner of the data folder.
 *
 * @returns the number of the process that was ended, or undefined when there was none
 * @throws CannotStart when it does not end
 */
export const endLeftBehind = async (cluster: string): Promise<number | undefined> => {
  const pid = (await readLockFile(cluster))?.pid
  if (pid === undefined || processStart(pid) === undefined) return undefined
  if (!(await isOurs(pid, cluster))) {
    await disown(cluster)
    return undefined
  }
  for (const [signal, patience] of [
    ['SIGINT', stopPatience],
    ['SIGQUIT', 5_000],
    ['SIGKILL', 5_000],
  ] as const) {
    sendSignal(pid, signal)
    if (await gone(pid, patience)) return pid
  }
  throw new CannotStart(`A database server left behind on ${cluster} (process ${pid}) does not end: end it by hand.`)
}

const sendSignal = (pid: number, signal: NodeJS.Signals): void => {
  try {
    process.kill(pid, signal)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    if (code === 'ESRCH') return // it ended by itself meanwhile: as wished
    if (code !== 'EPERM') throw error
    throw new CannotStart(
      `A database server left behind (process ${pid}) belongs to another user: end it as that user, or start Daybind as it was started before.`,
      { cause: error },
    )
  }
}

const isOurs = async (pid: number, cluster: string): Promise<boolean> => {
  const folder = await realpath(cluster)
  const command = commandLine(pid)
  return command.includes('postgres') && (workingFolder(pid) === folder || command.includes(` -D ${folder} `))
}

/**
 * Lets the next server pass a lock file whose number went to a stranger: PostgreSQL would take the stranger for a
 * server and refuse. With the number of its own parent, which we are, it knows the file for stale, and still looks at
 * the shared memory named in it, where processes of the old server may hang on; removing the file would skip that.
 */
const disown = async (cluster: string): Promise<void> => {
  const path = join(cluster, lockFile)
  const [, ...rest] = (await readFile(path, 'utf8')).split('\n')
  await writeFile(path, [process.pid, ...rest].join('\n'))
}

/** The number in the server's lock file and whether it takes connections (line 8 of the file). */
const readLockFile = async (cluster: string): Promise<{ pid: number; ready: boolean } | undefined> => {
  const lines = await readFile(join(cluster, lockFile), 'utf8').then(
    (content) => content.split('\n'),
    () => [],
  )
  const pid = Number(lines[0])
  return Number.isInteger(pid) && pid > 0 ? { pid, ready: lines[7]?.trim() === 'ready' } : undefined
}

interface Launched {
  readonly child: ChildProcess
  /** How it ended, once it has. */
  readonly ended: () => string | undefined
}

/**
 * Starts the program and does not wait. Its log is a file: a pipe would end with us, and stall the server when we are
 * slow.
 */
const launch = async ({ cluster, logFile, binaries, account }: Place, port: number): Promise<Launched> => {
  const log = await open(logFile, 'w', 0o600)
  try {
    const child = spawn(binaries.postgres, serverArguments(cluster, port), {
      ...account,
      cwd: cluster,
      env: cleanEnvironment,
      stdio: ['ignore', log.fd, log.fd],
      // a session of its own: Ctrl-C in a terminal must reach the service only, which ends its work before the database
      detached: true,
    })
    child.unref()
    // listened to at once: it may end, or have failed to start, before the log is closed here
    let ended: string | undefined
    child.once('error', (error) => {
      ended = error.message
    })
    child.once('exit', (code, signal) => {
      ended = `it ended with ${signal ?? code}`
    })
    return { child, ended: () => ended }
  } finally {
    await log.close()
  }
}

/** Undefined when the server takes connections, else how it ended. */
const untilReady = async (
  child: ChildProcess,
  ended: Launched['ended'],
  { cluster, giveUp }: Place,
): Promise<string | undefined> => {
  const deadline = performance.now() + startPatience
  while (ended() === undefined) {
    const lock = await readLockFile(cluster)
    if (lock?.ready === true && lock.pid === child.pid) return undefined
    if (giveUp.aborted || performance.now() > deadline) {
      await stopPostmaster(child)
      return giveUp.aborted ? 'it is no longer wanted' : `it took no connections for ${startPatience / 1000} seconds`
    }
    await sleep(5)
  }
  return ended()
}

/** What the server said last, without stamps; all of it when it is not from PostgreSQL (a library that is missing). */
const lastWords = async (logFile: string): Promise<string> => {
  const lines = (await readFile(logFile, 'utf8')).trim().split('\n')
  const grave = lines.filter((line) => /\b(FATAL|PANIC|could not)\b/.test(line))
  return (grave.length > 0 ? grave : lines.slice(-5)).map((line) => line.replace(/^.*?\] /, '')).join('; ')
}

const freePort = async (): Promise<number> => {
  const server = createServer()
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const { port } = server.address() as AddressInfo
  server.close()
  await once(server, 'close')
  return port
}
