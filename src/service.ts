/** The only wiring: what the service is made of, put together by hand. */
import { readFileSync } from 'node:fs'
import { type Logger, pino } from 'pino'
import { setClock } from './adapters/clock.ts'
import { loadDefinitions } from './adapters/fhir/definitions/load.ts'
import { openPeer, type Peer } from './adapters/fhir/peer.ts'
import { acceptOrderRoutes } from './adapters/http/accept-order.ts'
import { applyDeviceRoutes } from './adapters/http/apply-device.ts'
import { forwardOrderRoutes } from './adapters/http/forward-order.ts'
import { metadataRoute } from './adapters/http/metadata.ts'
import { notBuiltRoutes } from './adapters/http/not-built.ts'
import { operateRoutes } from './adapters/http/operate.ts'
import { readingRoutes } from './adapters/http/reading.ts'
import { returnDeviceRoutes } from './adapters/http/return-device.ts'
import { createServer } from './adapters/http/server.ts'
import { validateRoutes } from './adapters/http/validate.ts'
import { watchFlowRoutes } from './adapters/http/watch-flow.ts'
import { recordConfiguration } from './adapters/postgres/configuration-fact.ts'
import { forSearches, openDatabase } from './adapters/postgres/database.ts'
import { queueDeliveries } from './adapters/postgres/deliveries.ts'
import { CannotStart, startEmbedded } from './adapters/postgres/embedded.ts'
import { migrate } from './adapters/postgres/migrations.ts'
import type { StepRunner } from './adapters/postgres/run-step.ts'
import { type Delivering, deliver, sweep } from './adapters/queue/deliver.ts'
import { openQueue } from './adapters/queue/queue.ts'
import { startRounds, watchOnce } from './adapters/watch.ts'
import { type EveningReport, eveningReport, reportCsv } from './board/evening-report.ts'
import { eveningPage, startPage } from './board/pages.ts'
import { type Patience, usualPatience } from './flow/forward-order/retry.ts'
import type { Configuration } from './model/configuration.ts'
import type { Instant } from './model/states.ts'

export interface ServiceOptions {
  readonly log?: Logger
  /** For the demo and the tests: how long a destination is tried, and how often the watch looks. */
  readonly patience?: Patience
  readonly roundMs?: number
  readonly deliveryDeadlineMs?: number
}

export interface Service {
  readonly url: string
  /** For the demo and the tests: moves the flow's clock forward, and does what has become due. */
  readonly setClock: (moment: Instant) => Promise<void>
  close(): Promise<void>
}

const version = (JSON.parse(readFileSync(new URL('../package.json', import.meta.url), 'utf8')) as { version: string })
  .version

const logger = (level: string): Logger => pino({ level, base: null, timestamp: pino.stdTimeFunctions.isoTime })

const views = {
  report: eveningReport,
  json: (r: unknown) => JSON.stringify(r),
  csv: (r: unknown) => reportCsv(r as EveningReport),
  html: (r: unknown) => eveningPage(r as EveningReport),
  start: startPage,
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
          log.error({ err }, 'closing')
        }
    },
  }
}

const openDestinations = (c: Configuration, deadlineMs: number | undefined): ReadonlyMap<string, Peer> =>
  new Map(
    c.readingServices.map((r) => [
      r.id,
      openPeer({
        id: r.id,
        base: r.fhir,
        ...(r.token !== undefined && { token: r.token }),
        ...(deadlineMs !== undefined && { deadlineMs }),
      }),
    ]),
  )

const announceConfiguration = (c: Configuration, log: Logger): void => {
  for (const warning of c.warnings) log.warn({ step: 'operate' }, warning)
  if (c.callers.length === 0)
    log.warn(
      { step: 'operate' },
      'open on loopback: no callers are configured, so every local caller may do everything',
    )
}

/** Starts the service; ready when it answers. @throws a CannotStart with one sentence, or an outage of the database */
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
  let closing = false
  const told = (err: unknown) => log.error({ err }, 'in the background')
  const embedded =
    c.databaseUrl === undefined
      ? await startEmbedded({ dataDir: c.dataDir, log: (line) => log.info({ step: 'operate' }, line) })
      : undefined
  if (embedded) undo.add(() => embedded.stop())
  const databaseUrl = c.databaseUrl ?? embedded?.url ?? ''
  const db = openDatabase(databaseUrl, told)
  undo.add(() => db.close())
  const searching = openDatabase(databaseUrl, told, forSearches)
  undo.add(() => searching.close())

  const queue = openQueue(
    databaseUrl,
    c.readingServices.map((r) => r.id),
    told,
  )
  undo.add(() => queue.stop())
  loadDefinitions()
  await migrate(db.pool, () => queue.prepare())

  const runner: StepRunner = {
    db,
    parties: c,
    tolerances: c.tolerances,
    afterWriting: async (tx, decision, ctx) => {
      if (decision.forward && decision.forward.length > 0)
        await queue.announce(tx, await queueDeliveries(tx, decision.forward, ctx.requestId))
    },
  }
  await recordConfiguration(runner)
  const peers = openDestinations(c, options.deliveryDeadlineMs)
  for (const peer of peers.values()) undo.add(() => peer.close())
  const delivering: Delivering = {
    db,
    queue,
    peers,
    patience: options.patience ?? usualPatience,
    luck: Math.random,
    log,
  }
  for (const r of c.readingServices) await queue.work(r.id, (id) => deliver(delivering, id))

  const watching = { db, parties: c, tolerances: c.tolerances }
  const rounds = startRounds(
    options.roundMs ?? 1_000,
    async () => {
      await watchOnce(watching, log)
      await sweep(delivering)
    },
    told,
  )
  undo.add(() => rounds.stop())

  // a port that the system chooses is known only once the server listens
  let url = c.publicUrl
  const base = () => (c.port === 0 ? url : c.publicUrl)
  const routes = [
    ...operateRoutes(db, () => closing),
    ...acceptOrderRoutes(runner, base),
    ...applyDeviceRoutes(runner),
    ...forwardOrderRoutes(runner, queue),
    ...returnDeviceRoutes(runner),
    ...watchFlowRoutes(watching, views),
    ...readingRoutes(db, searching, base),
    ...validateRoutes(runner, base),
    ...notBuiltRoutes,
  ]
  const since = new Date().toISOString()
  const app = createServer(c, [...routes, metadataRoute(routes, base, version, since)], log)
  undo.add(() => app.close())
  await rounds.now()
  await app.listen({ port: c.port, host: c.host }).catch((error: NodeJS.ErrnoException) => {
    throw listenError(error, c)
  })
  url = addressOf(app.server.address())
  await embedded?.announce(url)
  announceConfiguration(c, log)
  log.info({ step: 'operate', url, version }, 'ready')
  return {
    url,
    setClock: async (moment) => {
      await setClock(db, moment)
      await rounds.now()
    },
    close: async () => {
      closing = true
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
