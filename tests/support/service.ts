/** The whole service over HTTP, as its callers meet it: on a database and a port of its own, its log lines caught. */
import type { OperationOutcome } from 'fhir/r4.js'
import { pino } from 'pino'
import { afterAll, beforeAll } from 'vitest'
import type { Caller, Configuration, ReadingService, Site, Source } from '../../src/model/configuration.ts'
import { defaultTakes, systems } from '../../src/model/systems.ts'
import { type ServiceOptions, startService } from '../../src/service.ts'
import { createTestDatabase, useTestDatabase } from './database.ts'

export interface Asking {
  readonly token?: string
  /** A text is sent as it is, anything else as JSON. */
  readonly body?: unknown
  readonly headers?: Readonly<Record<string, string>>
}

export interface Answer<T> {
  readonly status: number
  readonly headers: Headers
  /** Parsed where it is JSON, else the text. */
  readonly body: T
  readonly text: string
}

/** @param path from the root of the service, `/fhir/Patient?family=sand` */
export type Ask = <T = OperationOutcome>(method: string, path: string, asking?: Asking) => Promise<Answer<T>>

export type LogLine = Readonly<Record<string, unknown>>

export interface TestService {
  readonly url: string
  readonly configuration: Configuration
  /** `postgresql://…` */
  readonly database: string
  /** Every method and address of the service, `GET /fhir/:type/:id`. */
  readonly routeList: readonly string[]
  /** Without a token unless it is given one. */
  readonly call: Ask
  /** Calls with the token of this caller. */
  as(callerId: string): Ask
  /** Every line so far, at every level. */
  logLines(): readonly LogLine[]
  logText(): string
  /** Moves the flow's clock forward, and does what has become due. */
  setClock(moment: string): Promise<void>
  close(options?: { readonly lingerMs?: number }): Promise<void>
}

export interface TestServiceOptions extends ServiceOptions {
  readonly sites?: readonly Site[]
  readonly sources?: readonly Source[]
  readonly readingServices?: readonly ReadingService[]
  /** None: open on loopback. */
  readonly callers?: readonly Caller[]
  /** Base of the FHIR server of `pebble`; by default a port where nobody listens. */
  readonly pebble?: string
  /** An existing database, which stays; by default a fresh one, dropped at the end. */
  readonly database?: string
  readonly configuration?: Partial<Configuration>
}

const site = (id: string, name: string, timeZone: string, cutOff: string): Site => ({
  id,
  name,
  identifier: { system: systems.sites, value: id },
  timeZone,
  cutOff,
  closed: [],
  wear: 'P14D',
  transit: 'P10D',
  reading: 'P3D',
})

export const testSites: readonly Site[] = [
  site('tern-harbour', 'Tern Harbour Clinic', 'Europe/Dublin', '18:00'),
  site('quarry-lane', 'Quarry Lane Outpatients', 'America/New_York', '17:30'),
]

const source = (id: string, name: string, site: string): Source => ({
  id,
  site,
  placer: `https://${name}.example/orders`,
  takes: defaultTakes,
  fhir: `https://${name}.example/fhir`,
  // nobody is there
  writeBack: false,
})

export const testSources: readonly Source[] = [
  source('harbour-ehr', 'harbour', 'tern-harbour'),
  source('lowwater-ehr', 'lowwater', 'quarry-lane'),
]

export const tokenOf = (callerId: string): string => `token-of-${callerId}`

export const caller = (id: string, role: Caller['role'], ...sites: readonly string[]): Caller => ({
  id,
  role,
  token: tokenOf(id),
  ...(sites.length > 0 && { sites }),
})

/** One for each role, and a neighbour for each role that sees only its own. */
export const testCallers: readonly Caller[] = [
  caller('harbour-ehr', 'source'),
  caller('lowwater-ehr', 'source'),
  caller('bay-3', 'clinic', 'tern-harbour'),
  caller('lane-desk', 'clinic', 'quarry-lane'),
  caller('pebble', 'reading-service'),
  caller('ops', 'operator'),
]

/** Nobody listens on port 2; most other low ports are refused by `fetch` itself. */
const nobody = 'http://127.0.0.1:2/fhir'

const configurationOf = (options: TestServiceOptions, databaseUrl: string): Configuration => ({
  publicUrl: 'http://127.0.0.1',
  host: '127.0.0.1',
  port: 0,
  databaseUrl,
  dataDir: './var',
  logLevel: 'trace',
  sites: options.sites ?? testSites,
  sources: options.sources ?? testSources,
  readingServices: options.readingServices ?? [{ id: 'pebble', fhir: options.pebble ?? nobody, accept: 'PT4H' }],
  callers: options.callers ?? testCallers,
  tolerances: { skew: 120, recorderClock: 60 },
  warnings: [],
  ...options.configuration,
})

const parsed = (text: string): unknown => {
  try {
    return JSON.parse(text)
  } catch {
    return text
  }
}

export const askAt =
  (url: string, ownToken?: string): Ask =>
  async <T>(method: string, path: string, { token = ownToken, body, headers }: Asking = {}): Promise<Answer<T>> => {
    const response = await fetch(`${url}${path}`, {
      method,
      headers: {
        ...(body !== undefined && { 'content-type': 'application/fhir+json' }),
        ...(token !== undefined && { authorization: `Bearer ${token}` }),
        ...headers,
      },
      ...(body !== undefined && { body: typeof body === 'string' ? body : JSON.stringify(body) }),
    })
    const text = await response.text()
    return { status: response.status, headers: response.headers, body: parsed(text) as T, text }
  }

/** Starts the service; whoever starts it closes it. {@link useTestService} does both. */
export const startTestService = async (options: TestServiceOptions = {}): Promise<TestService> => {
  const own = options.database === undefined ? await createTestDatabase() : undefined
  const database = options.database ?? own?.url ?? ''
  const lines: string[] = []
  const log = options.log ?? pino({ level: 'trace' }, { write: (line: string) => void lines.push(line) })
  const configuration = configurationOf(options, database)
  const { sites: _s, sources: _o, readingServices: _r, callers: _c, pebble: _p, ...rest } = options
  const service = await startService(configuration, { ...rest, log }).catch(async (error) => {
    await own?.drop()
    throw error
  })
  return {
    url: service.url,
    configuration,
    database,
    routeList: service.routeList,
    call: askAt(service.url),
    as: (id) => askAt(service.url, tokenOf(id)),
    logLines: () => lines.map((line) => JSON.parse(line) as LogLine),
    logText: () => lines.join(''),
    setClock: service.setClock,
    close: async (closing) => {
      await service.close(closing)
      await own?.drop()
    },
  }
}

/**
 * One service for the tests of a file or of a `describe`.
 * @returns asks for the service; not before the first test or hook runs
 */
export const useTestService = (options: TestServiceOptions = {}): (() => TestService) => {
  const database = useTestDatabase()
  let service: TestService | undefined
  beforeAll(async () => {
    service = await startTestService({ ...options, database: options.database ?? database().url })
  })
  afterAll(() => service?.close())
  return () => {
    if (service === undefined)
      throw new Error('The service starts before the first test, not while tests are collected.')
    return service
  }
}

/** Asks as a caller by its id, of a service that may not have started yet. */
export const askingAs =
  (service: () => TestService) =>
  (id: string): Ask =>
  (...asked) =>
    service().as(id)(...asked)
