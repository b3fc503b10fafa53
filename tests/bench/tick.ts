/** A round of the watch with nothing due, by the service's own functions in this process; beside it `select 1`. */
import { pino } from 'pino'
import { openPeer } from '../../src/adapters/fhir/peer.ts'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { startCouriers } from '../../src/adapters/queue/couriers.ts'
import { usualLeaseSeconds } from '../../src/adapters/queue/deliver.ts'
import type { Queue } from '../../src/adapters/queue/queue.ts'
import { openStatements } from '../../src/adapters/queue/statements.ts'
import { openWatch } from '../../src/adapters/watch.ts'
import { usualPatience } from '../../src/flow/forward-order/retry.ts'
import { inTurns, median } from './load.ts'
import { settings } from './processes.ts'
import { against, type Line } from './report.ts'
import type { World } from './world.ts'

const rounds = 100

const log = pino({ level: 'silent' })

const told = (error: unknown): void => {
  throw error
}

interface Tick {
  readonly stored: number
  /** Milliseconds. */
  readonly ours: number
  readonly floor: number
}

/** Measures at a number of open orders; the second time the first, corrected by its floor, is what it is held to. */
export const tickMeasure = (): ((w: World, count: number) => Promise<readonly Line[]>) => {
  let few: Tick | undefined
  return async (w, count) => {
    await w.orders.atLeast(count)
    w.say(`tick at ${w.orders.count()} open orders`)
    const now = await tickNow(w)
    const line = against(`tick with nothing due, ${now.stored} open orders`, 'ms', now.ours, now.floor, '`select 1`')
    const before = few
    few ??= now
    if (before === undefined) return [line]
    const holds = now.ours / now.floor <= (1.2 * before.ours) / before.floor
    return [{ ...line, target: { text: `ratio ≤ 1.2 × that at ${before.stored}`, holds } }]
  }
}

/** With nothing due nothing is announced, and the service itself hears what is. */
const nothing = async () => {}
const silent: Queue = { prepare: nothing, announce: nothing, work: nothing, stop: nothing }

const tickNow = async (w: World): Promise<Tick> => {
  const configuration = await settings(w.server.folder, w.receiver.base)
  const db = openDatabase(w.oursDatabase, told)
  const peer = openPeer({ id: 'pebble', base: w.receiver.base })
  const peers = new Map([[peer.id, peer]])
  const delivering = {
    db,
    peers,
    messengers: new Map(),
    sources: new Map(),
    statements: openStatements(),
    answers: { arrived: nothing, before: async () => false, look: nothing },
    patience: usualPatience,
    leaseSeconds: usualLeaseSeconds,
    luck: Math.random,
    log,
  }
  const couriers = await startCouriers(delivering, silent, told)
  const watch = openWatch({ ...configuration, db, parties: configuration }, log)
  const timed = (work: () => Promise<unknown>) => async () => {
    const began = performance.now()
    await work()
    return performance.now() - began
  }
  try {
    const [ours = [], floor = []] = await inTurns(rounds, [
      timed(async () => {
        const issued = await watch()
        if (issued > 0) throw new Error('An evening was due, so this was no idle round.')
        await couriers.sweep()
      }),
      timed(() => db.query('select 1 as x')),
    ])
    return { stored: w.orders.count(), ours: median(ours), floor: median(floor) }
  } finally {
    await couriers.stop()
    await peer.close()
    await db.close()
  }
}
