/** Listens to the clocks of the servers that are called, and tells when they agree that ours is wrong. */
import type { Logger } from 'pino'
import { clockOffBy } from '../flow/watch-flow/clock-doubt.ts'

export interface ClockWatch {
  /** @param date of an answer that has just come, milliseconds since 1970 */
  hear(peer: string, date: number): void
  /** Seconds by which our clock is behind theirs; undefined where nothing speaks against it. */
  offBy(): number | undefined
}

/** What was heard longer ago says nothing of now. */
const keptMs = 3_600_000

/** @param now this machine's clock; what it reads is what is doubted */
export const openClockWatch = (log: Logger, now: () => number): ClockWatch => {
  const heard = new Map<string, { readonly at: number; readonly ahead: number }>()
  let told = false
  const offBy = (): number | undefined => {
    // by a clock that nobody sets: the other one may jump
    const since = performance.now() - keptMs
    return clockOffBy([...heard].flatMap(([peer, h]) => (h.at < since ? [] : [{ peer, ahead: h.ahead }])))
  }
  return {
    offBy,
    hear: (peer, date) => {
      heard.set(peer, { at: performance.now(), ahead: Math.round((date + 500 - now()) / 1000) })
      const off = offBy()
      if (off !== undefined && !told)
        log.warn(
          { step: 'operate', clockOffBySeconds: off },
          `the servers that are called agree that this machine’s clock is ${Math.abs(off)} s ${off > 0 ? 'behind' : 'ahead'}`,
        )
      if (off === undefined && told) log.info({ step: 'operate' }, 'this machine’s clock agrees with others again')
      told = off !== undefined
    },
  }
}
