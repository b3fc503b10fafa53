/** The service and its floor as processes of their own, on one database server. */
import { type ChildProcess, spawn } from 'node:child_process'
import { closeSync, openSync, readFileSync } from 'node:fs'
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { setTimeout as sleep } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { readConfiguration } from '../../src/config.ts'
import type { Configuration } from '../../src/model/configuration.ts'

export interface Running {
  readonly url: string
  readonly pid: number
  stop(): Promise<void>
}

const root = fileURLToPath(new URL('../../', import.meta.url))

/** Seconds that a process gets to say that it is ready: the first start makes the schema, under whatever load. */
const patience = 60

const readyUrl = (file: string): string | undefined => {
  const line = readFileSync(file, 'utf8')
    .split('\n')
    .find((l) => l.includes('"msg":"ready"') && l.endsWith('}'))
  return line === undefined ? undefined : (JSON.parse(line) as { url: string }).url
}

const stopped = async (child: ChildProcess): Promise<void> => {
  if (child.exitCode !== null || child.signalCode !== null) return
  const gone = new Promise((resolve) => child.once('exit', resolve))
  child.kill('SIGTERM')
  await gone
}

let started = 0

/** Its words go to a file, so that nobody here is busy with reading them. */
const run = async (folder: string, args: readonly string[], env: NodeJS.ProcessEnv): Promise<Running> => {
  const file = join(folder, `process-${++started}.log`)
  const out = openSync(file, 'w')
  const began = performance.now()
  const child = spawn(process.execPath, args, {
    cwd: root,
    env: { ...process.env, ...env },
    stdio: ['ignore', out, out],
  })
  closeSync(out)
  // nobody is left behind when this process ends by itself
  const end = () => void child.kill('SIGKILL')
  process.once('exit', end)
  child.once('exit', () => process.off('exit', end))
  while (performance.now() - began < patience * 1000) {
    const url = readyUrl(file)
    const { pid } = child
    if (url !== undefined && pid !== undefined) return { url, pid, stop: () => stopped(child) }
    if (child.exitCode !== null) break
    await sleep(5)
  }
  await stopped(child)
  throw new Error(`${args.join(' ')} did not start:\n${readFileSync(file, 'utf8')}`)
}

const roles = { 'harbour-ehr': 'source', 'bay-3': 'clinic', pebble: 'reading-service', ops: 'operator' } as const

export type CallerId = keyof typeof roles

export const tokenOf = (caller: CallerId): string => `token-of-${caller}`

const variableOf = (caller: string): string => `TOKEN_OF_${caller.replaceAll('-', '_').toUpperCase()}`

/** A zone in which it is about noon, so that no evening is due in the middle of a run, whenever that is. */
export const noonZone = (utcHour = new Date().getUTCHours()): string =>
  // the sign of these names is that of POSIX: Etc/GMT+5 is five hours behind
  utcHour === 12 ? 'Etc/GMT' : `Etc/GMT${utcHour > 12 ? '+' : '-'}${Math.abs(utcHour - 12)}`

const configuration = (readingService: string) => ({
  sites: [
    { id: 'tern-harbour', name: 'Tern Harbour Clinic', timeZone: noonZone(), cutOff: '18:00' },
    { id: 'quarry-lane', name: 'Quarry Lane Outpatients', timeZone: noonZone(), cutOff: '17:30' },
  ],
  sources: [{ id: 'harbour-ehr', site: 'tern-harbour', placer: 'https://harbour.example/orders' }],
  readingServices: [{ id: 'pebble', fhir: readingService }],
  callers: Object.entries(roles).map(([id, role]) => ({ id, role, token: { env: variableOf(id) } })),
})

/** Variables of a service with callers and a reading service; its configuration is written beside. */
const environmentOf = async (folder: string, readingService: string): Promise<Record<string, string>> => {
  const file = join(folder, 'daybind.yaml')
  // JSON is YAML
  await writeFile(file, JSON.stringify(configuration(readingService)))
  const tokens = Object.keys(roles).map((id) => [variableOf(id), tokenOf(id as CallerId)])
  return { ...Object.fromEntries(tokens), PORT: '0', DAYBIND_CONFIG: file, LOG_LEVEL: 'info' }
}

/** The same as the services of this run have it. */
export const settings = async (folder: string, readingService: string): Promise<Configuration> => {
  const read = readConfiguration(await environmentOf(folder, readingService), (path) => readFileSync(path, 'utf8'))
  if (!read.ok) throw new Error(read.mistakes.join('\n'))
  return read.value
}

const { scripts } = JSON.parse(readFileSync(join(root, 'package.json'), 'utf8')) as { scripts: { start: string } }

/**
 * The service as `npm start` runs it.
 * @param databaseUrl undefined: it brings its own, in `dataDir`
 */
export const startOurs = async (
  folder: string,
  databaseUrl: string | undefined,
  readingService: string,
  dataDir = folder,
): Promise<Running> =>
  run(folder, scripts.start.replace('exec node ', '').split(' '), {
    ...(await environmentOf(folder, readingService)),
    DATABASE_URL: databaseUrl,
    DATA_DIR: dataDir,
  })

export const startFloor = (folder: string, databaseUrl: string): Promise<Running> =>
  run(folder, ['tests/bench/floor-server.ts'], { DATABASE_URL: databaseUrl })
