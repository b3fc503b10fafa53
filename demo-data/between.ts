/** `npm run demo -- --hapi`: one order between two HAPI FHIR servers of this machine, or between servers that run already. */
import { randomBytes } from 'node:crypto'
import { readFileSync } from 'node:fs'
import { rm } from 'node:fs/promises'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { type Logger, pino } from 'pino'
import { CannotStart } from '../src/adapters/postgres/embedded.ts'
import { readConfiguration } from '../src/config.ts'
import type { Configuration } from '../src/model/configuration.ts'
import { startService } from '../src/service.ts'
import { type Across, playAcross } from './across.ts'
import { callsTo } from './caller.ts'
import { type FhirServer, lacksForFhirServers, startFhirServer } from './fhir-server.ts'
import type { Running } from './options.ts'
import type { Print } from './print.ts'
import { freePort, scratchFolder } from './stage.ts'

const configurationFile = fileURLToPath(new URL('compose.yaml', import.meta.url))

const tokenNames = {
  'harbour-ehr': 'HARBOUR_EHR_TOKEN',
  'harbour-desk': 'HARBOUR_DESK_TOKEN',
  pebble: 'PEBBLE_TOKEN',
  operator: 'OPERATOR_TOKEN',
} as const satisfies Readonly<Record<Across, string>>

type Between = Readonly<Record<Across, string>>

const made = (): Between => {
  const token = () => randomBytes(18).toString('base64url')
  return { 'harbour-ehr': token(), 'harbour-desk': token(), pebble: token(), operator: token() }
}

/** @throws CannotStart naming what is not set */
const fromEnvironment = (): Between => {
  const missing = Object.values(tokenNames).filter((name) => !process.env[name])
  if (missing.length > 0) throw new CannotStart(`The service's tokens are wanted in ${missing.join(', ')}.`)
  const of = (id: Across): string => process.env[tokenNames[id]] ?? ''
  return {
    'harbour-ehr': of('harbour-ehr'),
    'harbour-desk': of('harbour-desk'),
    pebble: of('pebble'),
    operator: of('operator'),
  }
}

/** The file for the containers, with this machine's addresses. */
const readSetting = (port: number, dataDir: string, ehr: string, reading: string, tokens: Between): Configuration => {
  const secrets = Object.fromEntries(Object.entries(tokenNames).map(([id, name]) => [name, tokens[id as Across]]))
  const environment = { DAYBIND_CONFIG: configurationFile, PORT: String(port), DATA_DIR: dataDir, ...secrets }
  const here = (text: string) =>
    text
      .replace('http://daybind:8090', `http://127.0.0.1:${port}`)
      .replace('http://ehr:8080/fhir', ehr)
      .replace('http://reading:8080/fhir', reading)
  const read = readConfiguration(environment, (path) => here(readFileSync(path, 'utf8')))
  if (!read.ok) throw new Error(`${configurationFile}: ${read.mistakes.join(' ')}`)
  return read.value
}

/** Seconds between looks at Tasks that lie at the reading service: a demo has no time to lose. */
const lookPace = { unanswered: 3, taken: 30 }

const newRun = (): string =>
  Math.floor(Date.now() / 1000)
    .toString(36)
    .toUpperCase()

/** Between servers that run already; the callers' tokens are read from the environment. */
export const playBetween = ({ ehr, reading, daybind }: Running, print: Print): Promise<boolean> =>
  playAcross({ ehr, reading, daybind: callsTo(daybind, fromEnvironment()) }, newRun(), print)

const onThisMachine = async (
  folder: string,
  log: Logger,
  print: Print,
  signal: AbortSignal,
  stay: boolean,
): Promise<boolean> => {
  const servers: FhirServer[] = []
  const start = async (name: string): Promise<FhirServer> => {
    const server = await startFhirServer(await freePort(), join(folder, `${name}.log`), signal)
    servers.push(server)
    print(`  ${name}: ${server.base}`)
    return server
  }
  try {
    print('Two HAPI FHIR servers are started; the first time Maven fetches and builds them, which takes minutes.')
    const ehr = await start('the EHR')
    const reading = await start('the reading service')
    const tokens = made()
    const port = await freePort()
    const service = await startService(readSetting(port, join(folder, 'data'), ehr.base, reading.base, tokens), {
      log,
      lookPace,
    })
    try {
      print(`  Daybind between them: ${service.url}, its log: ${join(folder, 'service.log')}`)
      const ok = await playAcross(
        { ehr: ehr.base, reading: reading.base, daybind: callsTo(service.url, tokens) },
        newRun(),
        print,
      )
      if (stay && !signal.aborted) {
        print('The three stay up. Ctrl-C ends them. The operator sees messages and sources:')
        for (const path of ['/deliveries', '/sources', '/destinations'])
          print(`  curl -H 'Authorization: Bearer ${tokens.operator}' '${service.url}${path}'`)
        await new Promise((stopped) => signal.addEventListener('abort', stopped))
      }
      return ok
    } finally {
      await service.close()
    }
  } finally {
    await Promise.all(servers.map((s) => s.stop()))
  }
}

/**
 * Starts everything on this machine and plays.
 * @param stay stays up until the signal
 * @throws CannotStart with one sentence, where Java or Maven is missing for example
 */
export const playOnThisMachine = async (print: Print, signal: AbortSignal, stay: boolean): Promise<boolean> => {
  const lacks = await lacksForFhirServers()
  if (lacks !== undefined) throw new CannotStart(`HAPI cannot be started: ${lacks}. docker compose needs neither.`)
  const folder = await scratchFolder()
  const destination = pino.destination({ dest: join(folder, 'service.log'), sync: true })
  const log = pino({ level: 'info', base: null, timestamp: pino.stdTimeFunctions.isoTime }, destination)
  let ok = false
  try {
    ok = await onThisMachine(folder, log, print, signal, stay)
    return ok
  } finally {
    destination.end()
    if (ok || signal.aborted) await rm(folder, { recursive: true, force: true, maxRetries: 5 })
    else process.stderr.write(`The logs are kept: ${folder}\n`)
  }
}
