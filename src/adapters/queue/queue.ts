/**
 * The queue of deliveries: one queue for each destination, so that trouble stays with it. A job only says "look at
 * delivery N"; the row decides. Jobs are inserted in the transaction of the step that queued the delivery.
 */
import { PgBoss } from 'pg-boss'
import type { DatabaseLimits, Tx } from '../postgres/database.ts'
import type { Queued } from '../postgres/deliveries.ts'

export interface Queue {
  /** Creates the queue's own tables; runs under the schema lock. */
  prepare(): Promise<void>
  announce(tx: Tx, deliveries: readonly Queued[]): Promise<void>
  work(destination: string, handle: (deliveryId: string) => Promise<void>): Promise<void>
  stop(): Promise<void>
}

const queueOf = (destination: string): string => `deliver.${destination}`

/**
 * Measured: with the defaults a worker sleeps 30 s after each fetch unless notified, and a backlog starves; with these
 * 300 waiting jobs went through in 143 ms. Retries are the row's, so the queue has none.
 */
const workOptions = {
  batchSize: 20,
  burstWhenBatchFull: true,
  perJobResults: true,
  notifyPollingIntervalSeconds: 1,
  pollingIntervalSeconds: 1,
} as const

const queueOptions = { retryLimit: 0, expireInSeconds: 60, deleteAfterSeconds: 3600, retentionSeconds: 86_400 } as const

/** Handed on to `pg`, which pg-boss's types do not say: a worker whose server fell silent looks again after a while. */
const deadlines = ({ connectMs, statementMs, answerMs }: DatabaseLimits) => ({
  connectionTimeoutMillis: connectMs,
  statement_timeout: statementMs,
  query_timeout: answerMs,
  keepAlive: true,
})

interface Job {
  readonly delivery: string
}

export const openQueue = (
  url: string,
  destinations: readonly string[],
  onError: (error: unknown) => void,
  limits: DatabaseLimits,
): Queue => {
  const boss = new PgBoss({
    connectionString: url,
    schema: 'daybind_queue',
    max: 4,
    ...deadlines(limits),
    schedule: false,
    useListenNotify: true,
  })
  boss.on('error', onError)
  return {
    prepare: async () => {
      await boss.start()
      for (const d of destinations) await boss.createQueue(queueOf(d), { ...queueOptions, notify: true })
    },
    announce: async (tx, deliveries) => {
      const executeSql = async (text: string, values?: unknown[]) => ({ rows: [...(await tx.query(text, values))] })
      for (const d of new Set(deliveries.map((x) => x.destination))) {
        const jobs = deliveries
          .filter((x) => x.destination === d)
          .map((x) => ({ data: { delivery: x.id } satisfies Job }))
        if (destinations.includes(d)) await boss.insert(queueOf(d), jobs, { db: { executeSql } })
      }
    },
    work: async (destination, handle) => {
      await boss.work<Job, void, typeof workOptions>(queueOf(destination), workOptions, async (jobs) =>
        Promise.all(
          jobs.map(async ({ id, data }) => {
            try {
              await handle(data.delivery)
              return { id, status: 'completed' as const }
            } catch (error) {
              onError(error)
              return { id, status: 'failed' as const }
            }
          }),
        ),
      )
    },
    stop: () => boss.stop({ graceful: true, timeout: 5_000, close: true }),
  }
}
