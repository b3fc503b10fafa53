/** Looks whether anybody is to be told of gaps, and queues what they are told. */
import { randomUUIDv7 } from 'node:crypto'
import type { Logger } from 'pino'
import { type AlertMoment, alertMoments, atOnce } from '../flow/watch-flow/alerts/moments.ts'
import type { Recipient } from '../model/configuration.ts'
import { addSeconds, laterOf, msOf } from '../model/instant.ts'
import { localDateOf } from '../model/local-day.ts'
import type { Instant } from '../model/states.ts'
import { now } from './clock.ts'
import { kindOf } from './kind-of-error.ts'
import { type Alerting, lookedUntil, newestGapFact, tell } from './postgres/alerts.ts'
import { isOutage } from './postgres/database.ts'
import { refreshDay } from './postgres/evenings.ts'
import { sideBySide } from './side-by-side.ts'

export interface Alerts {
  look(): Promise<void>
}

const day = 86_400

/** A service that was down for longer tells of what is open all the same: at the next moment. */
const madeUpSeconds = 7 * day

/** Gaps that a step committed after a later one are found by so much, and what quiet hours put off by no more. */
const lookAgainSeconds = 60

/** When the next moment is looked for again, where none is near. */
const horizonSeconds = 2 * day

interface Seen {
  readonly at: Instant
  readonly next: Instant
  readonly fact: number
}

const firstOf = (instants: readonly Instant[]): Instant => instants.toSorted()[0] ?? ''

/** What is due is looked up once and remembered, so that a round with nothing due costs next to nothing. */
export const openAlerts = (w: Alerting, log: Logger): Alerts => {
  const recipients = new Map((w.parties.recipients ?? []).map((r) => [r.id, r]))
  const sites = w.parties.sites.filter((s) => s.alerts?.some((a) => recipients.has(a.to)))
  /** The sites that tell a recipient at once. */
  const atOnceTo = Map.groupBy(
    sites.flatMap((site) => (site.alerts ?? []).filter((a) => a.at === 'now').map(({ to }) => ({ to, site }))),
    ({ to }) => to,
  )
  const tellsAtOnce = atOnceTo.size > 0
  let seen: Seen | undefined

  const momentsIn = (after: Instant, until: Instant): readonly AlertMoment[] =>
    sites.flatMap((site) => alertMoments(site, recipients, after, until))

  const nextAfter = (present: Instant): Instant => {
    const horizon = addSeconds(present, horizonSeconds)
    return firstOf([...momentsIn(present, horizon).map((m) => m.sendAt), horizon])
  }

  /** Gaps that come with the time alone are opened before anybody is told. */
  const refresh = async (moments: readonly AlertMoment[], present: Instant): Promise<void> => {
    const days = new Map(
      moments.flatMap(({ site, day: its }) =>
        [its, localDateOf(msOf(present), site.timeZone)].map((d) => [`${site.id} ${d}`, [site, d] as const] as const),
      ),
    )
    // one site's trouble is told to the log, and keeps nobody from being told of what is known
    await sideBySide([...days.values()], ([site, its]) =>
      refreshDay(w, site, its, present, randomUUIDv7()).catch((error: unknown) => {
        if (isOutage(error)) throw error
        log.error({ step: 'watch-flow', site: site.id, day: its, err: kindOf(error) }, 'a day could not be refreshed')
      }),
    )
  }

  const tellOne = async (recipient: Recipient, moments: readonly AlertMoment[], present: Instant): Promise<void> => {
    const theirs = new Set((atOnceTo.get(recipient.id) ?? []).map(({ site }) => site))
    const once = atOnce([...theirs], recipient, present)
    if (moments.length + once.length === 0) return
    const requestId = randomUUIDv7()
    const told = await tell(w, { recipient: recipient.id, moments, atOnce: once, present, requestId })
    if (told) log.info({ step: 'watch-flow', recipient: recipient.id, requestId, ...told }, 'alert looked at')
  }

  const tellAll = async (present: Instant): Promise<void> => {
    const until = await lookedUntil(w.db, [...recipients.keys()], present)
    const earliest = addSeconds(present, -madeUpSeconds)
    const moments = momentsIn(laterOf(firstOf([...until.values(), present]), earliest), present)
    const due = Map.groupBy(
      moments.filter((m) => m.sendAt > laterOf(until.get(m.rule.to) ?? present, earliest)),
      (m) => m.rule.to,
    )
    await refresh([...due.values()].flat(), present)
    await sideBySide([...recipients.values()], (recipient) => {
      const theirs = (due.get(recipient.id) ?? []).toSorted((a, b) => (a.sendAt < b.sendAt ? -1 : 1))
      return tellOne(recipient, theirs, present)
    })
  }

  return {
    look: async () => {
      if (sites.length === 0) return
      const present = await now(w.db)
      const fact = tellsAtOnce ? await newestGapFact(w.db) : 0
      const isQuiet =
        seen !== undefined &&
        present < seen.next &&
        fact === seen.fact &&
        !(tellsAtOnce && present >= addSeconds(seen.at, lookAgainSeconds))
      if (isQuiet) return
      await tellAll(present)
      seen = { at: present, next: nextAfter(present), fact }
    },
  }
}
