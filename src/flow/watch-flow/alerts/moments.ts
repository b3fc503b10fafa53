/** When each recipient of a site is told: around the cut-off of each day, and not in their quiet hours. */
import type { AlertRule, Quiet, Recipient, Site } from '../../../model/configuration.ts'
import { instantOf, msOf } from '../../../model/instant.ts'
import { cutOffOf, instantAt, localDateOf, nextDate, previousDate } from '../../../model/local-day.ts'
import { readDuration } from '../../../model/moment.ts'
import type { Instant } from '../../../model/states.ts'
import { isClosed } from '../day-facts.ts'

export interface AlertMoment {
  readonly site: Site
  readonly rule: AlertRule
  /** The local day from whose cut-off it is counted. */
  readonly day: string
  readonly at: Instant
  /** `at`, or the end of the quiet hours into which that falls. */
  readonly sendAt: Instant
}

const dayMs = 86_400_000

/** Milliseconds from the cut-off; undefined for a rule that tells at once. */
export const offsetOf = ({ at }: AlertRule): number | undefined => {
  const read = at === 'now' ? undefined : readDuration(at, '')
  return read?.ok ? read.value : undefined
}

/**
 * The end of the quiet hours in which the moment lies, milliseconds; undefined where it lies in none. They begin at
 * `from` of each local date and end at `until` of the same or the next one.
 */
export const quietUntil = (quiet: Quiet | undefined, site: Pick<Site, 'timeZone'>, ms: number): number | undefined => {
  if (quiet === undefined) return undefined
  const zone = quiet.timeZone ?? site.timeZone
  const today = localDateOf(ms, zone)
  const spans = [previousDate(today), today].map((date) => {
    const last = quiet.until > quiet.from ? date : nextDate(date)
    return { from: instantAt(date, quiet.from, zone), until: instantAt(last, quiet.until, zone) }
  })
  return spans.find((s) => s.from <= ms && ms < s.until)?.until
}

/** When an alert due at a moment goes out: at once, or after the quiet hours. */
export const sentAt = (rule: AlertRule, recipient: Recipient, site: Pick<Site, 'timeZone'>, ms: number): number =>
  (rule.urgent ? undefined : quietUntil(recipient.quiet, site, ms)) ?? ms

/** The moments of one local day of a site; on a closed day there are none. */
export const momentsOfDay = (
  site: Site,
  day: string,
  recipients: ReadonlyMap<string, Recipient>,
): readonly AlertMoment[] => {
  if (isClosed(day, site)) return []
  return (site.alerts ?? []).flatMap((rule): readonly AlertMoment[] => {
    const [offset, recipient] = [offsetOf(rule), recipients.get(rule.to)]
    if (offset === undefined || recipient === undefined) return []
    const at = cutOffOf(day, site) + offset
    return [{ site, rule, day, at: instantOf(at), sendAt: instantOf(sentAt(rule, recipient, site, at)) }]
  })
}

/** The moments of a site that go out after `after` and up to and with `until`, the oldest first. */
export const alertMoments = (
  site: Site,
  recipients: ReadonlyMap<string, Recipient>,
  after: Instant,
  until: Instant,
): readonly AlertMoment[] => {
  const offsets = (site.alerts ?? []).flatMap((rule) => offsetOf(rule) ?? [])
  if (offsets.length === 0) return []
  // a cut-off lies at most a day after its day's beginning, two more where the site moves on that day, and quiet hours
  // put a moment off by less than another day
  const reach = (typeof site.timeZone === 'string' ? 2 : 4) * dayMs
  const begin = localDateOf(msOf(after) - Math.max(...offsets) - reach, site.timeZone)
  const last = localDateOf(msOf(until) - Math.min(...offsets), site.timeZone)
  const moments: AlertMoment[] = []
  for (let day = begin; day <= last; day = nextDate(day))
    moments.push(...momentsOfDay(site, day, recipients).filter((m) => m.sendAt > after && m.sendAt <= until))
  return moments.toSorted((a, b) => (a.sendAt < b.sendAt ? -1 : a.sendAt > b.sendAt ? 1 : 0))
}

/** A rule that tells at once, and its site. */
export interface AtOnce {
  readonly site: Site
  readonly rule: AlertRule
}

/** The rules of a recipient that tell at once and may do so now. */
export const atOnce = (sites: readonly Site[], recipient: Recipient, now: Instant): readonly AtOnce[] =>
  sites.flatMap((site) =>
    (site.alerts ?? [])
      .filter((rule) => rule.at === 'now' && rule.to === recipient.id)
      .filter((rule) => sentAt(rule, recipient, site, msOf(now)) === msOf(now))
      .map((rule) => ({ site, rule })),
  )
