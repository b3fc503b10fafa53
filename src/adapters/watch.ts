/** The watch: looks every second whether a site's moment has come, sweeps deliveries, and does what is due. */

import { randomUUIDv7 } from 'node:crypto'
import type { Logger } from 'pino'
import { type Moment, momentsDue } from '../flow/watch-flow/moments-due.ts'
import type { Instant } from '../model/states.ts'
import { now } from './clock.ts'
import { issueEvening, lastIssued, type Watching, watchedSince } from './postgres/evenings.ts'
import { sideBySide } from './side-by-side.ts'

/** Issues every evening that is due. Each is issued once; what was missed during a downtime is made up for. */
export const watchOnce = async (w: Watching, log: Logger): Promise<number> => {
  const present: Instant = await now(w.db)
  const since = await watchedSince(w.db, w.parties.sites, present)
  const issued = await lastIssued(w.db, w.parties.sites)
  let count = 0
  const issue = async (due: Moment): Promise<void> => {
    const started = performance.now()
    if (!(await issueEvening(w, due, randomUUIDv7()))) return
    count += 1
    const { site, day, moment, at } = due
    const ms = Math.round(performance.now() - started)
    log.info({ step: 'watch-flow', site: site.id, day, moment, due: at, ms }, 'evening issued')
  }
  // those of one site in the order of their moments: each is chained to the one before
  await sideBySide(w.parties.sites, async (site) => {
    for (const due of momentsDue(site, issued.get(site.id) ?? since.get(site.id) ?? present, present)) await issue(due)
  })
  return count
}

export interface Rounds {
  /** Does a round now, after the one that may be under way. */
  now(): Promise<void>
  stop(): Promise<void>
}

/**
 * Does `round` again and again, never two at once. An error is told and the next round tries again. Rounds that hang (a
 * database that does not answer) do not pile up: one more at most waits for them.
 */
export const startRounds = (everyMs: number, round: () => Promise<void>, onError: (error: unknown) => void): Rounds => {
  let last: Promise<void> = Promise.resolve()
  let waiting = 0
  const once = (): Promise<void> => {
    waiting += 1
    last = last
      .then(() => {
        waiting -= 1
        return round()
      })
      .catch(onError)
    return last
  }
  const timer = setInterval(() => {
    if (waiting === 0) void once()
  }, everyMs)
  return {
    now: once,
    stop: async () => {
      clearInterval(timer)
      await last
    },
  }
}
