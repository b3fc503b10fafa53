/** The watch: looks every second whether a site's moment has come, sweeps deliveries, and does what is due. */

import { randomUUIDv7 } from 'node:crypto'
import type { Logger } from 'pino'
import { type Moment, momentsDue, nextMoment } from '../flow/watch-flow/moments-due.ts'
import type { Site } from '../model/configuration.ts'
import { laterOf } from '../model/instant.ts'
import type { Instant } from '../model/states.ts'
import { now } from './clock.ts'
import { issueEvening, lastIssued, type Watching, watchedSince } from './postgres/evenings.ts'
import { sideBySide } from './side-by-side.ts'

/**
 * Issues every evening that is due, each time that it is called. Each is issued once; what was missed during a downtime is
 * made up for. When the next one is due is remembered, so that a look before that costs the same for however many sites.
 * @returns how many were issued
 */
export const openWatch = (w: Watching, log: Logger): (() => Promise<number>) => {
  const { sites } = w.parties
  /** Nothing is due before it; as long as it is not known something may be. */
  let next: Instant | undefined

  const issue = async (due: Moment): Promise<boolean> => {
    const started = performance.now()
    if (!(await issueEvening(w, due, randomUUIDv7()))) return false
    const { site, day, moment, at } = due
    const ms = Math.round(performance.now() - started)
    log.info({ step: 'watch-flow', site: site.id, day, moment, due: at, ms }, 'evening issued')
    return true
  }

  return async () => {
    const present = await now(w.db)
    if (next !== undefined && present < next) return 0
    const since = await watchedSince(w.db, sites, present)
    const issued = await lastIssued(w.db, sites)
    const after = (site: Site) => issued.get(site.id) ?? since.get(site.id) ?? present
    let count = 0
    // those of one site in the order of their moments: each is chained to the one before
    await sideBySide(sites, async (site) => {
      for (const due of momentsDue(site, after(site), present)) if (await issue(due)) count += 1
    })
    // whatever was due is issued now, by whomever
    next = sites.map((site) => nextMoment(site, laterOf(after(site), present))).toSorted()[0]
    return count
  }
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
