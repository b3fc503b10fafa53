/** A round of the watch with nothing due, by the service's own functions in this process; beside it `select 1`. */
import { pino } from 'pino'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { parkTooOld, withWork } from '../../src/adapters/postgres/destinations.ts'
import { watchOnce } from '../../src/adapters/watch.ts'
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

/** Measures at a number of open orders; the second time the first is what it may not exceed by more than a fifth. */
export const tickMeasure = (): ((w: World, count: number) => Promise<readonly Line[]>) => {
  let first: { readonly count: number; readonly ms: number } | undefined
  return async (w, count) => {
    await w.orders.atLeast(count)
    w.say(`tick at ${w.orders.count()} open orders`)
    const ms = await tickMs(w)
    const stored = w.orders.count()
    const name = `tick with nothing due, ${stored} open orders`
    const line = against(name, 'ms', ms.ours, ms.floor, '`select 1`')
    const before = first
    first ??= { count: stored, ms: ms.ours }
    if (before === undefined) return [line]
    return [{ ...line, target: { text: `≤ 1.2 × that at ${before.count}`, holds: ms.ours <= 1.2 * before.ms } }]
  }
}

const tickMs = async (w: World): Promise<{ ours: number; floor: number }> => {
  const configuration = await settings(w.server.folder, w.receiver.base)
  const db = openDatabase(w.oursDatabase, told)
  const destinations = configuration.readingServices.map((r) => r.id)
  const timed = (work: () => Promise<unknown>) => async () => {
    const began = performance.now()
    await work()
    return performance.now() - began
  }
  try {
    const [ours = [], floor = []] = await inTurns(rounds, [
      timed(async () => {
        const issued = await watchOnce({ ...configuration, db, parties: configuration }, log)
        if (issued > 0) throw new Error('An evening was due, so this was no idle round.')
        await parkTooOld(db, usualPatience.age)
        await withWork(db, destinations)
      }),
      timed(() => db.query('select 1 as x')),
    ])
    return { ours: median(ours), floor: median(floor) }
  } finally {
    await db.close()
  }
}
