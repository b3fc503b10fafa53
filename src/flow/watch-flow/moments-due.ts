/** The moments at which a site's evening is issued: its cut-off, and the end of its local day. */
import type { Site } from '../../model/configuration.ts'
import { instantOf, laterOf, msOf } from '../../model/instant.ts'
import { cutOffOf, localDateOf, localDay, nextDate, previousDate } from '../../model/local-day.ts'
import type { Instant } from '../../model/states.ts'

export interface Moment {
  readonly site: Site
  readonly day: string
  readonly moment: 'cut-off' | 'day-end'
  readonly at: Instant
}

const momentsOf = (site: Site, day: string): readonly Moment[] => {
  const [cutOff, end] = [cutOffOf(day, site), localDay(day, site.timeZone).end]
  const dayEnd: Moment = { site, day, moment: 'day-end', at: instantOf(end) }
  return cutOff < end ? [{ site, day, moment: 'cut-off', at: instantOf(cutOff) }, dayEnd] : [dayEnd]
}

/** A service that was down for longer makes up for so many days. */
const daysMadeUp = 31

/** The evening of a day without an instant is due together with that of the day before, which may be issued alone. */
const isAfter = ({ site, day, at }: Moment, after: Instant): boolean => {
  if (at !== after) return at > after
  const { start, end } = localDay(day, site.timeZone)
  return start === end
}

/**
 * The moments of a site after `after`, up to and with `now`, the oldest first.
 * @param after the last moment that was issued, or when the site began to be watched. Days that a zone left out come with
 *   it, whether they were issued or not
 */
export const momentsDue = (site: Site, after: Instant, now: Instant): readonly Moment[] => {
  const earliest = localDateOf(msOf(now) - daysMadeUp * 86_400_000, site.timeZone)
  const begin = previousDate(localDateOf(msOf(after), site.timeZone))
  const last = localDateOf(msOf(now), site.timeZone)
  const due: Moment[] = []
  for (let day = laterOf(begin, earliest); day <= last; day = nextDate(day))
    due.push(...momentsOf(site, day).filter((m) => isAfter(m, after) && m.at <= now))
  return due
}

/** The first moment of a site after `after`. */
export const nextMoment = (site: Site, after: Instant): Instant => {
  const begin = previousDate(localDateOf(msOf(after), site.timeZone))
  for (let day = begin; ; day = nextDate(day)) {
    const next = momentsOf(site, day).find(({ at }) => at > after)
    if (next !== undefined) return next.at
  }
}
