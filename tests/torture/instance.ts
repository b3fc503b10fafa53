/**
 * One service in a process of its own, to be killed: the real service on the real configuration, with a quicker pace so
 * that what a dead one left behind is taken over in seconds. Says where it listens in one line; its log goes to a file.
 *
 * The only argument: an {@link Orders} as JSON.
 */
import { pino } from 'pino'
import type { Configuration } from '../../src/model/configuration.ts'
import { systems } from '../../src/model/systems.ts'
import { startService } from '../../src/service.ts'
import { codings, harbour, tokenOf } from './messages.ts'

export interface Orders {
  /** Absent: the embedded server on `dataDir`. */
  readonly databaseUrl?: string
  readonly dataDir: string
  /** Base of the reading service. */
  readonly pebble: string
  readonly logFile: string
  /** Somebody who is told of gaps 90 minutes before the cut-off and at it. */
  readonly hook?: { readonly url: string; readonly secret: string }
}

const { databaseUrl, dataDir, pebble, logFile, hook } = JSON.parse(process.argv[2] ?? '{}') as Orders

const configuration: Configuration = {
  publicUrl: 'http://127.0.0.1',
  host: '127.0.0.1',
  port: 0,
  ...(databaseUrl !== undefined && { databaseUrl }),
  dataDir,
  logLevel: 'info',
  sites: [
    {
      id: 'tern-harbour',
      name: 'Tern Harbour Clinic',
      identifier: { system: systems.sites, value: 'tern-harbour' },
      timeZone: 'Europe/Dublin',
      cutOff: '18:00',
      closed: [],
      wear: 'P14D',
      transit: 'P10D',
      reading: 'P3D',
      ...(hook && {
        alertsShow: 'placer' as const,
        alerts: ['-PT90M', 'PT0S'].map((at) => ({ at, to: 'lead', severities: ['high', 'moderate'] as const })),
      }),
    },
  ],
  sources: [{ id: 'harbour-ehr', site: 'tern-harbour', placer: harbour.orders, takes: codings }],
  readingServices: [{ id: 'pebble', fhir: pebble, accept: 'PT4H' }],
  callers: [
    { id: 'harbour-ehr', role: 'source', token: tokenOf('harbour-ehr') },
    { id: 'bay-3', role: 'clinic', sites: ['tern-harbour'], token: tokenOf('bay-3') },
    { id: 'pebble', role: 'reading-service', token: tokenOf('pebble') },
  ],
  ...(hook && { recipients: [{ id: 'lead', webhook: hook }] }),
  tolerances: { skew: 120, recorderClock: 60 },
  warnings: [],
}

const log = pino({ level: 'info' }, pino.destination({ dest: logFile, append: true, sync: true }))
const giveUp = new AbortController()
const starting = startService(configuration, {
  log,
  roundMs: 100,
  deliveryDeadlineMs: 1_200,
  leaseSeconds: 3,
  databasePatienceMs: 230_000,
  patience: { first: 0.2, longest: 1, age: 3_600, attempts: 10_000 },
  giveUp: giveUp.signal,
})
process.once('SIGTERM', async () => {
  giveUp.abort()
  const service = await starting.catch(() => undefined)
  await service?.close({ lingerMs: 300 })
  process.exit(0)
})
const { url } = await starting
process.stdout.write(`${JSON.stringify({ url })}\n`)
