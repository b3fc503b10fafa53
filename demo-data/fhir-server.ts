/** HAPI FHIR servers on this machine, from Maven Central, for whoever has Java and Maven and no Docker. */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { createWriteStream, existsSync, statSync } from 'node:fs'
import { cp, mkdir, readdir, rm } from 'node:fs/promises'
import { join } from 'node:path'
import { setTimeout as sleep } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { CannotStart } from '../src/adapters/postgres/embedded.ts'

const sources = fileURLToPath(new URL('fhir-server', import.meta.url))
/** Built here, for the checkout may be read-only; CI may keep it between runs. */
const builtIn = fileURLToPath(new URL('../node_modules/.cache/fhir-server', import.meta.url))
const jar = join(builtIn, 'target/fhir-server.jar')

export interface FhirServer {
  /** Base of its FHIR interface. */
  readonly base: string
  stop(): Promise<void>
  /** At once, as a machine that loses its power. */
  kill(): Promise<void>
}

const ended = async (child: ChildProcess): Promise<number | null> => {
  const [status] = (await once(child, 'close')) as [number | null]
  return status
}

/** What a program says and ends with; undefined where there is no such program. */
const run = async (
  program: string,
  args: readonly string[],
  cwd: string,
): Promise<{ status: number | null; told: string } | undefined> => {
  const child = spawn(program, args, { cwd, stdio: ['ignore', 'pipe', 'pipe'] })
  let told = ''
  const hear = (chunk: Buffer): void => {
    told += chunk.toString()
  }
  child.stdout.on('data', hear)
  child.stderr.on('data', hear)
  const missing = once(child, 'error').then(() => undefined)
  const done = ended(child).then((status) => ({ status, told }))
  return Promise.race([missing, done])
}

/** Whether this machine can build and run one; else what it lacks. */
export const lacksForFhirServers = async (): Promise<string | undefined> => {
  const java = await run('java', ['-version'], sources)
  const release = Number(/version "(\d+)/.exec(java?.told ?? '')?.[1] ?? 0)
  if (release < 17) return 'Java 17 or later is not on the PATH'
  return (await run('mvn', ['-version'], sources))?.status === 0 ? undefined : 'Maven is not on the PATH'
}

/** Whether one was built here before. */
export const isBuilt = (): boolean => existsSync(jar)

const newestSource = async (): Promise<number> => {
  const files = await readdir(sources, { recursive: true, withFileTypes: true })
  return Math.max(...files.filter((f) => f.isFile()).map((f) => statSync(join(f.parentPath, f.name)).mtimeMs))
}

/** Builds the server where it is not built yet: some 300 MB from Maven Central the first time. */
const build = async (): Promise<void> => {
  if (existsSync(jar) && statSync(jar).mtimeMs > (await newestSource())) return
  await rm(builtIn, { recursive: true, force: true })
  await mkdir(builtIn, { recursive: true })
  await cp(sources, builtIn, { recursive: true })
  const built = await run('mvn', ['-q', '-B', 'package'], builtIn)
  if (built?.status !== 0)
    throw new CannotStart(
      `Maven could not build the FHIR server: ${built?.told.split('\n').find((l) => l !== '') ?? ''}`,
    )
}

/** A machine that is busy takes minutes. */
const startMs = 300_000

const answers = (base: string): Promise<boolean> =>
  fetch(`${base}/metadata`, { signal: AbortSignal.timeout(5_000) }).then(
    (response) => response.ok,
    () => false,
  )

/**
 * Starts one on a port of this machine, in memory and empty unless it is given a file; ready when it answers.
 * @param logFile where its own log goes
 * @param signal ends a start that is under way
 * @param dataFile keeps what it holds, with each commit
 * @throws CannotStart with one sentence
 */
export const startFhirServer = async (
  port: number,
  logFile: string,
  signal: AbortSignal,
  dataFile?: string,
): Promise<FhirServer> => {
  await build()
  const base = `http://127.0.0.1:${port}/fhir`
  const kept = dataFile === undefined ? [] : [`-Dspring.datasource.url=jdbc:h2:file:${dataFile};WRITE_DELAY=0`]
  const child = spawn('java', ['-Xmx1g', `-Dserver.port=${port}`, ...kept, '-jar', jar], {
    stdio: ['ignore', 'pipe', 'pipe'],
  })
  const log = createWriteStream(logFile)
  child.stdout.pipe(log)
  child.stderr.pipe(log)
  let gone = false
  const end = ended(child).finally(() => (gone = true))
  const killWithUs = (): void => void child.kill('SIGKILL')
  process.once('exit', killWithUs)
  const stop = async (): Promise<void> => {
    child.kill('SIGTERM')
    await Promise.race([end, sleep(5_000, undefined, { ref: false })])
    child.kill('SIGKILL')
    process.off('exit', killWithUs)
  }
  const kill = async (): Promise<void> => {
    killWithUs()
    await end
    process.off('exit', killWithUs)
  }
  const deadline = performance.now() + startMs
  while (!(await answers(base))) {
    if (gone) throw new CannotStart(`The FHIR server ended while it started; its log is ${logFile}.`)
    if (performance.now() > deadline || signal.aborted) {
      await stop()
      throw new CannotStart(
        signal.aborted
          ? 'Ended before it was ready.'
          : `The FHIR server did not answer within ${startMs / 1000} s; its log is ${logFile}.`,
      )
    }
    await sleep(500)
  }
  return { base, stop, kill }
}
