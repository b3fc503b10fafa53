/** The only wiring: what the service is made of, put together by hand. */
import { readFileSync } from 'node:fs'
import { setTimeout as sleep } from 'node:timers/promises'
import type { FastifyInstance } from 'fastify'
import { type Logger, pino } from 'pino'
import { openAlerts } from './adapters/alerts.ts'
import { setClock } from './adapters/clock.ts'
import { type ClockWatch, openClockWatch } from './adapters/clock-watch.ts'
import { openSmart } from './adapters/fhir/authorization.ts'
import { loadDefinitions } from './adapters/fhir/definitions/load.ts'
import { openPeer, type Peer } from './adapters/fhir/peer.ts'
import { acceptOrderRoutes } from './adapters/http/accept-order.ts'
import { alertRoutes } from './adapters/http/alerts.ts'
import { applyDeviceRoutes } from './adapters/http/apply-device.ts'
import { archiveRoutes } from './adapters/http/archive.ts'
import type { Route } from './adapters/http/call.ts'
import { type Definition, definitionRoutes, profilesIn, readDefinitions } from './adapters/http/definitions.ts'
import { forwardOrderRoutes } from './adapters/http/forward-order.ts'
import { keySetRoutes } from './adapters/http/key-set.ts'
import { metadataRoute } from './adapters/http/metadata.ts'
import { notBuiltRoutes } from './adapters/http/not-built.ts'
import { operateRoutes } from './adapters/http/operate.ts'
import { readingRoutes } from './adapters/http/reading.ts'
import { type ReportViews, reportRoutes } from './adapters/http/reports.ts'
import { returnDeviceRoutes } from './adapters/http/return-device.ts'
import { sendResultRoutes } from './adapters/http/send-result.ts'
import { createServer } from './adapters/http/server.ts'
import { settleGapRoutes } from './adapters/http/settle-gap.ts'
import { sourceRoutes } from './adapters/http/sources.ts'
import { validateRoutes } from './adapters/http/validate.ts'
import { watchFlowRoutes } from './adapters/http/watch-flow.ts'
import type { RequestDeadlines } from './adapters/http/wire.ts'
import { kindOf } from './adapters/kind-of-error.ts'
import { openMail } from './adapters/notify/mail.ts'
import type { Messenger } from './adapters/notify/messenger.ts'
import { openWebhook } from './adapters/notify/webhook.ts'
import { recordConfiguration } from './adapters/postgres/configuration-fact.ts'
import {
  type Database,
  DatabaseError,
  type DatabaseLimits,
  isOutage,
  openDatabase,
  openForSearches,
  usualLimits,
} from './adapters/postgres/database.ts'
import { queueDeliveries } from './adapters/postgres/deliveries.ts'
import { CannotStart, startEmbedded } from './adapters/postgres/embedded.ts'
import type { Watching } from './adapters/postgres/evenings.ts'
import { migrate } from './adapters/postgres/migrations.ts'
import type { StepRunner } from './adapters/postgres/run-step.ts'
import { type LookPace, usualLookPace } from './adapters/postgres/task-looks.ts'
import { openAlertsAtSource } from './adapters/queue/alert-at-source.ts'
import { startCouriers } from './adapters/queue/couriers.ts'
import { usualLeaseSeconds } from './adapters/queue/deliver.ts'
import { openQueue, type Queue } from './adapters/queue/queue.ts'
import { openAnswers } from './adapters/queue/read-answers.ts'
import { openStatements, type Statements } from './adapters/queue/statements.ts'
import { isAsked } from './adapters/sources/fetched.ts'
import { startAskers } from './adapters/sources/rounds.ts'
import { tellTroubles } from './adapters/troubles.ts'
import { openWatch, startRounds } from './adapters/watch.ts'
import { eveningReport, reportCsv, reportedEvening } from './board/evening-report.ts'
import { eveningPage, severalPage, startPage } from './board/pages.ts'
import { severalCsv, severalEvenings } from './board/several-evenings.ts'
import { type Patience, usualPatience } from './flow/forward-order/retry.ts'
import { destinationIds, isWrittenTo } from './flow/forward-order/write-back.ts'
import { alertScope, readingServiceScope, sourceScope } from './flow/scopes.ts'
import type { Access, Configuration, Source } from './model/configuration.ts'
import type { SigningKeys } from './model/signing-key.ts'
import type { Instant } from './model/states.ts'

export interface ServiceOptions {
  readonly log?: Logger
  /** For the demo and the tests: how long a destination is tried, and how often the watch looks. */
  readonly patience?: Patience
  readonly roundMs?: number
  readonly deliveryDeadlineMs?: number
  /** For the tests: how long one answer of a source is waited for. */
  readonly askingDeadlineMs?: number
  /** For the tests: how often it is looked whether a reading service has answered on its own server. */
  readonly lookPace?: LookPace
  /** For the tests: for how long an attempt at a delivery is its worker's alone. */
  readonly leaseSeconds?: number
  /** For the tests: what anything in the database may cost. */
  readonly limits?: Partial<DatabaseLimits>
  /** For the tests: this machine's clock, which the servers that are called may say is wrong. */
  readonly machineClock?: () => number
  /** For the tests: how long the start waits for a database that is not there yet. */
  readonly databasePatienceMs?: number
  /** Ends a start that is under way, with a CannotStart. */
  readonly giveUp?: AbortSignal
  /** For the tests: how long a request may take to arrive. */
  readonly requestDeadlines?: RequestDeadlines
}

export interface Service {
  readonly url: string
  /** Every method and address that it answers at, `GET /fhir/:type/:id`. */
  readonly routeList: readonly string[]
  /** For the demo and the tests: moves the flow's clock forward, and does what has become due. */
  readonly setClock: (moment: Instant) => Promise<void>
  /**
   * Ends in good order: not ready from now on, what came is finished, work is finished or given back. Whoever does not
   * let go is cut off; it takes `lingerMs` and some eight seconds at most.
   *
   * @param lingerMs for so long calls are still taken, so that those under way and those of balancers arrive
   */
  close(options?: { readonly lingerMs?: number }): Promise<void>
}

const version = (JSON.parse(readFileSync(new URL('../package.json', import.meta.url), 'utf8')) as { version: string })
  .version

const logger = (level: string): Logger => pino({ level, base: null, timestamp: pino.stdTimeFunctions.isoTime })

const views: ReportViews = {
  one: (told, figures) => {
    const report = eveningReport(told, figures)
    return { json: () => JSON.stringify(report), csv: () => reportCsv(report), html: () => eveningPage(report) }
  },
  several: (of, told, asOf, since) => {
    const report = severalEvenings(of, told.map(reportedEvening), asOf, since)
    return { json: () => JSON.stringify(report), csv: () => severalCsv(report), html: () => severalPage(report) }
  },
}

/** Undone in the reverse order, each even where one before it fails. */
const closer = (log: Logger) => {
  const undo: (() => Promise<unknown> | unknown)[] = []
  return {
    add: (step: () => Promise<unknown> | unknown) => void undo.push(step),
    close: async () => {
      for (const step of undo.splice(0).reverse())
        try {
          await step()
        } catch (err) {
          log.error({ err: kindOf(err) }, 'closing')
        }
    },
  }
}

/** Waits for the work, but no longer than so many milliseconds. */
const within = (ms: number, work: Promise<unknown>): Promise<unknown> => {
  const enough = new AbortController()
  return Promise.race([work, sleep(ms, undefined, { signal: enough.signal }).catch(() => undefined)]).finally(() =>
    enough.abort(),
  )
}

/** Milliseconds at the close, for what runs side by side, then for the connections of the database. */
const closing = { calls: 5_000, attempts: 3_000, jobs: 6_000, connections: 1_000 } as const

/** Calls that came are finished; a caller that sends or takes too slowly is cut off. */
const closeServer = async (app: FastifyInstance): Promise<void> => {
  const cut = setTimeout(() => app.server.closeAllConnections(), closing.calls)
  await app.close().finally(() => clearTimeout(cut))
}

/**
 * No job is begun any more, no source asked; an attempt that hangs is broken off and its delivery given back, its fate
 * unknown.
 */
const closeCalls = async (
  working: readonly { stop(): Promise<void> }[],
  peers: readonly Pick<Peer, 'breakOff' | 'close'>[],
): Promise<void> => {
  const breakOff = setTimeout(() => {
    for (const peer of peers) peer.breakOff()
  }, closing.attempts)
  await within(closing.jobs, Promise.all(working.map((w) => w.stop()))).finally(() => clearTimeout(breakOff))
  await within(closing.connections, Promise.all(peers.map((p) => p.close())))
}

const hasFhir = (s: Source): s is Source & Server => s.fhir !== undefined

interface Server extends Access {
  readonly id: string
  readonly fhir: string
}

/** Connections are opened, and tokens asked for, when the first call is made. */
const openPeers = <S extends Server>(
  servers: readonly S[],
  scopeOf: (server: S) => string,
  keys: SigningKeys | undefined,
  clock: ClockWatch,
  deadlineMs: number | undefined,
): ReadonlyMap<string, Peer> => {
  const deadline = deadlineMs !== undefined && { deadlineMs }
  const authorized = (server: S) =>
    server.smart && keys
      ? {
          authorization: openSmart({
            ...server.smart,
            base: server.fhir,
            scope: server.smart.scope ?? scopeOf(server),
            key: keys.current,
            ...(server.tls && { tls: server.tls }),
            ...deadline,
          }),
        }
      : server.token !== undefined && { token: server.token }
  return new Map(
    servers.map((server) => {
      const { id, fhir, tls } = server
      return [
        id,
        openPeer({
          id,
          base: fhir,
          onDate: (date) => clock.hear(id, date),
          ...authorized(server),
          ...(tls && { tls }),
          ...deadline,
        }),
      ]
    }),
  )
}

/** Longer than a server takes that is asked to be patient; shorter than the lease of an attempt. */
const usualAlertDeadlineMs = 20_000

/** A connection of their own to the EHRs in which somebody is told: its trouble is not that of what is written back. */
const openMessengers = (
  c: Configuration,
  statements: Statements,
  clock: ClockWatch,
  deadlineMs = usualAlertDeadlineMs,
): ReadonlyMap<string, Messenger> => {
  const mailTo = c.mail && openMail(c.mail, deadlineMs)
  const messengers = new Map<string, Messenger>()
  for (const { id, email, webhook, fhir } of c.recipients ?? []) {
    if (webhook) messengers.set(id, openWebhook({ ...webhook, deadlineMs, now: Date.now }))
    else if (email !== undefined && mailTo) messengers.set(id, mailTo(email))
    else if (fhir !== undefined) {
      const source = c.sources.filter(hasFhir).filter((s) => s.id === fhir)
      for (const peer of openPeers(source, () => alertScope, c.keys, clock, deadlineMs / 2).values())
        messengers.set(id, openAlertsAtSource({ peer, statements, luck: Math.random, beginWithinMs: deadlineMs }))
    }
  }
  return messengers
}

const announceConfiguration = (c: Configuration, log: Logger): void => {
  for (const warning of c.warnings) log.warn({ step: 'operate' }, warning)
  if (c.callers.length === 0)
    log.warn(
      { step: 'operate' },
      'open on loopback: no callers are configured, so every local caller may do everything',
    )
}

/** A database that is just starting, or recovering after a crash, is waited for so long. */
const usualDatabasePatienceMs = 60_000

/** Tries until the database is there. @throws CannotStart when it does not come, or when nobody waits any more */
const untilThere = async <T>(options: ServiceOptions, log: Logger, work: () => Promise<T>): Promise<T> => {
  const patience = options.databasePatienceMs ?? usualDatabasePatienceMs
  const deadline = performance.now() + patience
  for (let told = false; ; told = true) {
    try {
      if (options.giveUp?.aborted) throw new CannotStart('Ended before it was ready.')
      return await work()
    } catch (error) {
      if (!isOutage(error)) throw error
      const code = error instanceof DatabaseError ? error.code : undefined
      if (code?.startsWith('28') || code === '3D000')
        throw new CannotStart(`The database does not admit Daybind (${code}): look at DATABASE_URL.`, { cause: error })
      if (performance.now() > deadline)
        throw new CannotStart(
          `The database could not be used for ${patience / 1000} s (${code}): look at the server that DATABASE_URL names.`,
          { cause: error },
        )
      if (!told) log.warn({ step: 'operate', code }, 'waiting for the database')
      await sleep(250, undefined, options.giveUp ? { signal: options.giveUp } : {}).catch(() => undefined)
    }
  }
}

export interface RouteParts {
  readonly db: Database
  readonly searching: Database
  readonly runner: StepRunner
  readonly queue: Queue
  readonly outside: Parameters<typeof forwardOrderRoutes>[2]
  readonly watching: Watching
  readonly definitions: readonly Definition[]
  readonly base: () => string
  readonly keys: SigningKeys | undefined
  readonly isStopping: () => boolean
  readonly clockOffBy: () => number | undefined
  /** Ids of the sources that are polled. */
  readonly asked: readonly string[]
  readonly lookAtSources: () => void
}

/** Every route but that of the CapabilityStatement, which tells of all others. */
export const routesOf = (p: RouteParts): readonly Route[] => [
  ...operateRoutes(p.db, p.isStopping, p.clockOffBy),
  ...(p.keys ? keySetRoutes(p.keys) : []),
  ...acceptOrderRoutes(p.runner, p.base),
  ...applyDeviceRoutes(p.runner),
  ...forwardOrderRoutes(p.runner, p.queue, p.outside),
  ...returnDeviceRoutes(p.runner),
  ...sendResultRoutes(p.runner, p.base),
  ...watchFlowRoutes(p.watching, startPage),
  ...reportRoutes(p.watching, views),
  ...archiveRoutes(p.watching, p.keys),
  ...alertRoutes(p.watching, p.base),
  ...settleGapRoutes(p.runner),
  ...readingRoutes(p.db, p.searching, p.base),
  ...validateRoutes(p.runner, p.base, profilesIn(p.definitions)),
  ...sourceRoutes(p.db, p.asked, p.lookAtSources),
  ...definitionRoutes(p.definitions, p.base),
  ...notBuiltRoutes,
]

/** Starts the service; ready when it answers. @throws a CannotStart with one sentence */
export const startService = async (c: Configuration, options: ServiceOptions = {}): Promise<Service> => {
  const log = options.log ?? logger(c.logLevel)
  const undo = closer(log)
  try {
    return await start(c, options, log, undo)
  } catch (error) {
    await undo.close()
    throw error
  }
}

const start = async (
  c: Configuration,
  options: ServiceOptions,
  log: Logger,
  undo: ReturnType<typeof closer>,
): Promise<Service> => {
  let stopping = false
  const troubles = tellTroubles(log)
  const giveUp = options.giveUp && { giveUp: options.giveUp }
  const embedded =
    c.databaseUrl === undefined
      ? await startEmbedded({ dataDir: c.dataDir, log: (line) => log.info({ step: 'operate' }, line), ...giveUp })
      : undefined
  if (embedded) undo.add(() => embedded.stop())
  const databaseUrl = c.databaseUrl ?? embedded?.url ?? ''
  const limits = { ...usualLimits, ...options.limits }
  const db = openDatabase(databaseUrl, troubles.told, limits)
  const searching = openForSearches(databaseUrl, troubles.told, limits)
  undo.add(() => within(closing.connections, Promise.all([db.close(), searching.close()])))

  const queue = openQueue(databaseUrl, destinationIds(c), troubles.told, limits)
  const clock = openClockWatch(log, options.machineClock ?? Date.now)
  const peers = new Map([
    ...openPeers(c.readingServices, () => readingServiceScope, c.keys, clock, options.deliveryDeadlineMs),
    ...openPeers(c.sources.filter(isWrittenTo), sourceScope, c.keys, clock, options.deliveryDeadlineMs),
  ])
  const asked = c.sources.filter(isAsked)
  const askedPeers = openPeers(asked, sourceScope, c.keys, clock, options.askingDeadlineMs)
  const statements = openStatements()
  const messengers = openMessengers(c, statements, clock, options.deliveryDeadlineMs)
  const begun: { stop(): Promise<void> }[] = [queue]
  const work: (() => Promise<unknown>)[] = [
    () => closeCalls(begun, [...peers.values(), ...askedPeers.values(), ...messengers.values()]),
  ]
  undo.add(() => Promise.all(work.map((end) => end())))
  loadDefinitions()

  const runner: StepRunner = {
    db,
    parties: c,
    tolerances: c.tolerances,
    afterWriting: async (tx, decision, ctx) => {
      await queue.announce(tx, await queueDeliveries(tx, decision, c.sources, ctx.requestId))
    },
  }
  await untilThere(options, log, async () => {
    await migrate(db, () => queue.prepare())
    await recordConfiguration(runner)
  })
  const readers = new Map([...peers].filter(([id]) => c.readingServices.some((r) => r.id === id)))
  const answers = openAnswers({ runner, peers: readers, pace: options.lookPace ?? usualLookPace, log })
  const delivering = {
    db,
    peers,
    messengers,
    sources: new Map(c.sources.filter(isWrittenTo).map((s) => [s.id, s])),
    statements,
    answers,
    patience: options.patience ?? usualPatience,
    leaseSeconds: options.leaseSeconds ?? usualLeaseSeconds,
    luck: Math.random,
    log,
  }
  const couriers = await startCouriers(delivering, queue, troubles.told)
  begun.push(couriers)

  // a port that the system chooses is known only once the server listens
  let url = c.publicUrl
  const base = () => (c.port === 0 ? url : c.publicUrl)
  const askers = await startAskers({
    runner,
    sources: asked,
    peers: askedPeers,
    publicUrl: base,
    log,
    luck: Math.random,
    onError: troubles.told,
  })
  begun.push(askers)

  // a source that is asked learns where its notifications go
  let listening = false
  const watching = { db, parties: c, tolerances: c.tolerances }
  const watch = openWatch(watching, log)
  const alerts = openAlerts({ ...watching, announce: queue.announce, publicUrl: base }, log)
  const rounds = startRounds(
    options.roundMs ?? 1_000,
    async () => {
      await watch()
      await couriers.sweep()
      if (listening) await askers.look()
      troubles.well()
    },
    troubles.told,
  )
  work.push(() => within(closing.jobs, rounds.stop()))
  // apart from the rounds: thousands of evenings that fall due together hold up nobody's alert
  const telling = startRounds(options.roundMs ?? 1_000, alerts.look, troubles.told)
  work.push(() => within(closing.jobs, telling.stop()))
  // and so is this: a reading service that is slow to say what it did holds up no evening
  const looking = startRounds(
    options.lookPace ? options.lookPace.unanswered * 250 : 15_000,
    answers.look,
    troubles.told,
  )
  work.push(() => within(closing.jobs, looking.stop()))

  const definitions = readDefinitions()
  const routes = routesOf({
    db,
    searching,
    runner,
    queue,
    outside: { peers, statements },
    watching,
    definitions,
    base,
    keys: c.keys,
    isStopping: () => stopping,
    clockOffBy: clock.offBy,
    asked: asked.map(({ id }) => id),
    lookAtSources: () => void askers.look().catch(troubles.told),
  })
  const since = new Date().toISOString()
  const app = createServer(c, [...routes, metadataRoute(routes, definitions, base, version, since)], log, {
    onOutage: troubles.told,
    ...(options.requestDeadlines && { deadlines: options.requestDeadlines }),
  })
  work.push(() => closeServer(app))
  // who is answered now learns that the next call needs another connection
  app.server.prependListener('request', (_request, response) => {
    if (stopping) response.setHeader('connection', 'close')
  })
  await Promise.all([rounds.now(), telling.now()])
  await app.listen({ port: c.port, host: c.host }).catch((error: NodeJS.ErrnoException) => {
    throw listenError(error, c)
  })
  url = addressOf(app.server.address())
  listening = true
  await embedded?.announce(url)
  announceConfiguration(c, log)
  log.info({ step: 'operate', url, version }, 'ready')
  return {
    url,
    routeList: app.routeList,
    setClock: async (moment) => {
      await setClock(db, moment)
      await Promise.all([rounds.now(), telling.now()])
    },
    close: async ({ lingerMs = 0 } = {}) => {
      stopping = true
      if (lingerMs > 0) await sleep(lingerMs)
      await undo.close()
      log.info({ step: 'operate' }, 'stopped')
    },
  }
}

const listenError = (error: NodeJS.ErrnoException, { host, port }: Configuration): Error => {
  if (error.code === 'EADDRINUSE')
    return new CannotStart(`Something listens on ${host}:${port} already: end it, or choose another port by PORT.`)
  if (error.code === 'EACCES')
    return new CannotStart(`This user may not listen on ${host}:${port}: choose a port above 1023 by PORT.`)
  return error.code === 'EADDRNOTAVAIL' ? new CannotStart(`This machine has no address ${host}: mend HOST.`) : error
}

const addressOf = (address: ReturnType<import('node:net').Server['address']>): string => {
  if (address === null || typeof address === 'string') throw new Error('the server has no address')
  const host = address.family === 'IPv6' ? `[${address.address}]` : address.address
  return `http://${host}:${address.port}`
}
