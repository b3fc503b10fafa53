/**
 * The queue of deliveries: one queue for each destination, so that trouble stays with it. A job only says "something is
 * due there"; the rows of deliveries decide what. One job for each step that queues something, in its transaction, and
 * none for a retry: however long a backlog, the queue is short.
 */
import { PgBoss } from 'pg-boss'
import type { DatabaseLimits, Tx } from '../postgres/database.ts'
import type { Queued } from '../postgres/deliveries.ts'

export interface Queue {
  /** Creates the queue's own tables; runs under the schema lock. */
  prepare(): Promise<void>
  announce(tx: Tx, deliveries: readonly Queued[]): Promise<void>
  /** @param wake told, on one instance, that something may be due; does not wait for it */
  work(destination: string, wake: () => void): Promise<void>
  stop(): Promise<void>
}

const queueOf = (destination: string): string => `deliver.${destination}`

/** Measured: with the defaults a worker sleeps 30 s after each fetch unless it is notified. */
const workOptions = {
  batchSize: 100,
  burstWhenBatchFull: true,
  notifyPollingIntervalSeconds: 1,
  pollingIntervalSeconds: 1,
} as const

/** Retries are the row's, so the queue has none; a job that was heard is of no use to anybody. */
const queueOptions = { retryLimit: 0, expireInSeconds: 60, deleteAfterSeconds: 60, retentionSeconds: 3600 } as const

/** Handed on to `pg`, which pg-boss's types do not say: a worker whose server fell silent looks again after a while. */
const deadlines = ({ connectMs, statementMs, answerMs }: DatabaseLimits) => ({
  connectionTimeoutMillis: connectMs,
  statement_timeout: statementMs,
  query_timeout: answerMs,
  keepAlive: true,
})

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
    maintenanceIntervalSeconds: 60,
  })
  boss.on('error', onError)
  return {
    prepare: async () => {
      await boss.start()
      for (const d of destinations) await boss.createQueue(queueOf(d), { ...queueOptions, notify: true })
    },
    announce: async (tx, deliveries) => {
      const executeSql = async (text: string, values?: unknown[]) => ({ rows: [...(await tx.query(text, values))] })
      for (const d of new Set(deliveries.map((x) => x.destination)))
        if (destinations.includes(d)) await boss.insert(queueOf(d), [{}], { db: { executeSql } })
    },
    work: async (destination, wake) => {
      await boss.work(queueOf(destination), workOptions, async () => wake())
    },
    stop: () => boss.stop({ graceful: true, timeout: 5_000, close: true }),
  }
}
