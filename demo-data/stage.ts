/** Everything that the day is played on: the service on a database of its own, and a reading service. */
import { randomBytes } from 'node:crypto'
import { readFileSync } from 'node:fs'
import { chmod, mkdtemp, rm } from 'node:fs/promises'
import { createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { type Logger, pino } from 'pino'
import { CannotStart } from '../src/adapters/postgres/embedded.ts'
import { readConfiguration } from '../src/config.ts'
import type { Configuration } from '../src/model/configuration.ts'
import { type Service, startService } from '../src/service.ts'
import { type ReadingServiceCounterpart, startReadingService } from '../src/testkit/reading-service.ts'
import type { Tokens } from './caller.ts'
import { type Pager, type PagerId, startPager } from './pager.ts'

export interface Stage {
  readonly service: Service
  readonly configuration: Configuration
  readonly reading: ReadingServiceCounterpart
  readonly pager: Pager
  readonly tokens: Tokens
  readonly folder: string
  readonly logFile: string
  /** @param keep the folder stays, for a look into the log */
  close(keep: boolean): Promise<void>
}

/** A demo has no time to lose: a reading service that is down is tried again within a second, and never given up. */
const patience = { first: 0.2, longest: 1, age: 3600, attempts: 10_000 }

const configurationFile = fileURLToPath(new URL('daybind.yaml', import.meta.url))

const token = (): string => randomBytes(18).toString('base64url')

/** Standard Webhooks 1.0.0 has 24 to 64 bytes. */
const secret = (): string => `whsec_${randomBytes(32).toString('base64')}`

/** Outside of any home and passable, for PostgreSQL may have to run as another user. */
export const scratchFolder = async (): Promise<string> => {
  const folder = await mkdtemp(join(tmpdir(), 'daybind-demo-'))
  await chmod(folder, 0o711)
  return folder
}

const isFree = (port: number): Promise<boolean> =>
  new Promise((resolve) => {
    const server = createServer()
    server.once('error', () => resolve(false))
    server.listen(port, '127.0.0.1', () => server.close(() => resolve(true)))
  })

/** A port of this machine that nobody has just now. */
export const freePort = (): Promise<number> =>
  new Promise((resolve, reject) => {
    const server = createServer()
    server.once('error', reject)
    server.listen(0, '127.0.0.1', () => {
      const address = server.address()
      server.close(() => resolve(typeof address === 'object' && address !== null ? address.port : 0))
    })
  })

interface Setting {
  readonly port: number
  readonly dataDir: string
  /** Base of the reading service. */
  readonly reading: string
  readonly tokens: Tokens
  readonly atReading: string
  /** Where alerts go, and what they are signed with. */
  readonly pager: string
  readonly secrets: Readonly<Record<PagerId, string>>
}

/** The file beside this one, with the tokens of this run and the reading service where it really listens. */
const readSetting = ({ port, dataDir, reading, tokens, atReading, pager, secrets }: Setting): Configuration => {
  const environment = {
    DAYBIND_CONFIG: configurationFile,
    PORT: String(port),
    DATA_DIR: dataDir,
    DAYBIND_TOKEN_AT_PEBBLE: atReading,
    HARBOUR_EHR_TOKEN: tokens['harbour-ehr'],
    LOWWATER_EHR_TOKEN: tokens['lowwater-ehr'],
    HARBOUR_DESK_TOKEN: tokens['harbour-desk'],
    QUARRY_DESK_TOKEN: tokens['quarry-desk'],
    PEBBLE_TOKEN: tokens.pebble,
    OPERATOR_TOKEN: tokens.operator,
    FRONT_DESK_SECRET: secrets['front-desk'],
    LEAD_SECRET: secrets.lead,
  }
  const read = readConfiguration(environment, (path) =>
    readFileSync(path, 'utf8')
      .replace('http://127.0.0.1:8081/fhir', reading)
      .replaceAll('http://127.0.0.1:8082', pager),
  )
  if (!read.ok) throw new Error(`${configurationFile}: ${read.mistakes.join(' ')}`)
  return read.value
}

const isTaken = (error: unknown): boolean => error instanceof Error && 'code' in error && error.code === 'EADDRINUSE'

/** Where somebody has the service's usual port, any other will do. */
const usualPort = 8090
const anyPort = 0

/** @returns the wanted port or none; without one the usual port, or any that is free */
const choosePort = async (wanted: number | undefined): Promise<number> => {
  const [port, free] = [wanted ?? usualPort, await isFree(wanted ?? usualPort)]
  if (free) return port
  if (wanted === undefined) return anyPort
  throw new CannotStart(`Port ${wanted} is taken: name another one with --port, or leave --port out.`)
}

const startOn = async (
  port: number,
  setting: Omit<Setting, 'port'>,
  log: Logger,
): Promise<Pick<Stage, 'service' | 'configuration'>> => {
  const configuration = readSetting({ ...setting, port })
  return { configuration, service: await startService(configuration, { log, patience, roundMs: 250 }) }
}

/**
 * @param wanted absent: the usual port or any other; 0: any
 * @throws a CannotStart with one sentence where the wanted port is taken
 */
export const setStage = async (wanted: number | undefined): Promise<Stage> => {
  const port = await choosePort(wanted)
  const folder = await scratchFolder()
  const logFile = join(folder, 'service.log')
  const destination = pino.destination({ dest: logFile, sync: true })
  const tokens: Tokens = {
    'harbour-ehr': token(),
    'lowwater-ehr': token(),
    'harbour-desk': token(),
    'quarry-desk': token(),
    pebble: token(),
    operator: token(),
  }
  const atReading = token()
  const reading = await startReadingService({ name: 'Pebble Reading Room', token: atReading })
  const secrets = { 'front-desk': secret(), lead: secret() }
  const pager = await startPager(secrets)
  const sweep = async (keep: boolean): Promise<void> => {
    await reading.stop()
    await pager.stop()
    destination.end()
    if (!keep) await rm(folder, { recursive: true, force: true, maxRetries: 5 })
  }
  try {
    const log = pino({ level: 'info', base: null, timestamp: pino.stdTimeFunctions.isoTime }, destination)
    const setting = {
      dataDir: join(folder, 'data'),
      reading: reading.base,
      tokens,
      atReading,
      pager: pager.base,
      secrets,
    }
    const started = await startOn(port, setting, log).catch((error: unknown) => {
      // somebody took the usual port in between
      if (wanted === undefined && port !== anyPort && isTaken(error)) return startOn(anyPort, setting, log)
      throw error
    })
    return {
      ...started,
      reading,
      pager,
      tokens,
      folder,
      logFile,
      close: async (keep) => {
        await started.service.close()
        await sweep(keep)
      },
    }
  } catch (error) {
    await sweep(false)
    throw error
  }
}
