/**
 * What goes wrong in the background, told without a flood: an outage fails every poll of every worker each second, and
 * one line says as much as a thousand.
 */
import type { Logger } from 'pino'
import { kindOf } from './kind-of-error.ts'
import { DatabaseError, isOutage, withoutValues } from './postgres/database.ts'

export interface Troubles {
  /** Told at once where it is new, then once a minute with how often it came. */
  told(error: unknown): void
  /** A round went through. Where nothing failed for a while either, what failed before is over. */
  well(): void
}

/** While it lasts, in milliseconds. */
const againEvery = 60_000
/** Rounds of the watch may work while the queue's own connections do not: well is what failed nowhere for so long. */
const quiet = 3_000

interface Trouble {
  readonly since: number
  last: number
  toldAt: number
  times: number
}

const keyOf = (error: unknown): string =>
  isOutage(error) ? 'outage' : error instanceof Error ? `${error.name} ${error.message}` : String(error)

/** Messages of bugs may hold what changes from one to the next: more kinds than these are not told apart. */
const mostKinds = 100

export const tellTroubles = (log: Logger, clock: () => number = () => performance.now()): Troubles => {
  const troubles = new Map<string, Trouble>()
  return {
    told: (foreign) => {
      const error = withoutValues(foreign)
      const wanted = keyOf(error)
      const key = troubles.has(wanted) || troubles.size < mostKinds ? wanted : 'more'
      const now = clock()
      const known = troubles.get(key) ?? { since: now, last: now, toldAt: Number.NEGATIVE_INFINITY, times: 0 }
      known.times += 1
      known.last = now
      if (now - known.toldAt >= againEvery) {
        known.toldAt = now
        const code = error instanceof DatabaseError ? error.code : undefined
        if (key === 'outage') log.error({ step: 'operate', code, times: known.times }, 'the database is lost or busy')
        else log.error({ err: kindOf(error), times: known.times }, 'in the background')
      }
      troubles.set(key, known)
    },
    well: () => {
      const now = clock()
      for (const [key, { since, last, times }] of troubles) {
        if (now - last < quiet) continue
        troubles.delete(key)
        const seconds = Math.round((last - since) / 1000)
        if (key === 'outage') log.warn({ step: 'operate', times, seconds }, 'the database works again')
      }
    },
  }
}
