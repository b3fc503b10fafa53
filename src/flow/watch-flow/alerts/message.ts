/**
 * What an alert says: the same for a webhook, which gets it as it is, and for an e-mail, which is written from it. How
 * many gaps there are of each kind and where to look; placer numbers and serial numbers where the site says so; never a
 * name, a birth date or anything else of a patient.
 */
import type { Severity, Site } from '../../../model/configuration.ts'
import { instantOf, msOf } from '../../../model/instant.ts'
import { cutOffOf, zoneAt, zoneOn } from '../../../model/local-day.ts'
import { printInstant } from '../../../model/moment.ts'
import type { GapCode, GapState, Instant } from '../../../model/states.ts'
import { gapRules, ruleOf } from '../gaps.ts'
import type { Digest, News, SiteDigest } from './digest.ts'

/** How orders and recorders are called by people: placer number and serial number, by our ids. */
export interface Labels {
  readonly orders: ReadonlyMap<string, string>
  readonly devices: ReadonlyMap<string, string>
}

export interface AlertedGap {
  readonly order?: string
  readonly recorder?: string
  readonly since: string
}

/** Gaps of one kind and day that stand alike. */
export interface GapCount {
  readonly gap: GapCode
  readonly severity: Severity
  readonly status: GapState['status']
  readonly news: News
  /** The local day to which they belong, and the address of its report. */
  readonly day: string
  readonly report: string
  readonly count: number
  /** Of their DetectedIssues, by which they can be acknowledged; of very many the first ones. */
  readonly ids: readonly string[]
  readonly means: string
  readonly turn: string
  readonly next: string
  /** Where the site lets alerts name them; of very many the first ones. */
  readonly gaps?: readonly AlertedGap[]
}

export interface AlertedSite {
  readonly site: string
  readonly name: string
  readonly timeZone: string
  readonly day: string
  readonly cutOff: string
  readonly count: number
  readonly gaps: readonly GapCount[]
}

/** In the shape that Standard Webhooks recommends: type, timestamp, data. */
export interface AlertMessage {
  readonly type: 'gaps.open'
  readonly timestamp: Instant
  readonly data: {
    readonly recipient: string
    readonly dueAt: Instant
    /** It goes out later than it was due. */
    readonly late?: true
    readonly count: number
    readonly sites: readonly AlertedSite[]
  }
}

/** So many gaps of one kind are named one by one; all are counted. */
const mostNamed = 100

const lateAfterMs = 10 * 60_000

type Told = SiteDigest['gaps'][number]

const rank = ({ gap }: Told): string =>
  `${String(gapRules.findIndex((r) => r.code === gap.code)).padStart(3, '0')} ${gap.day}`

const local = (instant: Instant, site: Site): string =>
  printInstant(msOf(instant), zoneAt(msOf(instant), site.timeZone))

const countOf = (told: readonly Told[], { site }: SiteDigest, publicUrl: string, labels: Labels): GapCount => {
  const [{ gap, news }] = told as [Told]
  const { severity, means, turn, next } = ruleOf(gap.code)
  const named = told.slice(0, mostNamed).map(({ gap: g }): AlertedGap => {
    const [order, recorder] = [labels.orders.get(g.orderId ?? ''), labels.devices.get(g.deviceId ?? '')]
    return {
      ...(order !== undefined && { order }),
      ...(recorder !== undefined && { recorder }),
      since: local(g.since, site),
    }
  })
  return {
    gap: gap.code,
    severity,
    status: gap.status,
    news,
    day: gap.day,
    report: `${publicUrl}/reports/day/${site.id}/${gap.day}.html`,
    count: told.length,
    ids: told.slice(0, mostNamed).map(({ gap: g }) => g.id),
    means,
    turn,
    next,
    ...(site.alertsShow === 'placer' && { gaps: named }),
  }
}

const siteOf = (digest: SiteDigest, publicUrl: string, labels: Labels): AlertedSite => {
  const { site, day, gaps } = digest
  const alike = new Map<string, Told[]>()
  for (const told of gaps.toSorted((a, b) => (rank(a) < rank(b) ? -1 : rank(a) > rank(b) ? 1 : 0))) {
    const key = `${told.gap.code} ${told.gap.day} ${told.gap.status} ${told.news}`
    alike.set(key, [...(alike.get(key) ?? []), told])
  }
  return {
    site: site.id,
    name: site.name,
    timeZone: zoneOn(day, site.timeZone),
    day,
    cutOff: local(instantOf(cutOffOf(day, site)), site),
    count: gaps.length,
    gaps: [...alike.values()].map((told) => countOf(told, digest, publicUrl, labels)),
  }
}

export const alertMessage = (digest: Digest, publicUrl: string, labels: Labels): AlertMessage => {
  const { recipient, dueAt, asOf } = digest
  const sites = digest.sites.map((s) => siteOf(s, publicUrl, labels))
  return {
    type: 'gaps.open',
    timestamp: asOf,
    data: {
      recipient,
      dueAt,
      ...(msOf(asOf) - msOf(dueAt) > lateAfterMs && { late: true as const }),
      count: sites.reduce((n, s) => n + s.count, 0),
      sites,
    },
  }
}

/** An e-mail's words, for its plain text and its HTML alike. */
export interface AlertWords {
  readonly subject: string
  readonly sites: readonly {
    readonly heading: string
    readonly about: string
    readonly gaps: readonly {
      readonly line: string
      readonly next: string
      readonly named: readonly string[]
      readonly report: string
    }[]
  }[]
  readonly end: readonly string[]
}

const times = (n: number, what: string): string => `${n} ${what}${n === 1 ? '' : 's'}`

const newsWords: Readonly<Record<News, string>> = { new: '', again: ', again', final: ', told before as not yet final' }

const lineOf = (g: GapCount): string => {
  const when = g.status === 'preliminary' ? 'can still be mended in time' : 'final'
  return `${g.count} × ${g.gap} (${g.severity}, ${when}${newsWords[g.news]}), day ${g.day}, ${g.turn}`
}

const clock = (written: string): string => written.slice(11, 16)

const namedOf = ({ order, recorder, since }: AlertedGap): string =>
  [order && `order ${order}`, recorder && `recorder ${recorder}`, `since ${since.slice(0, 16).replace('T', ' ')}`]
    .filter(Boolean)
    .join(', ')

/** When the message was composed, on the clock of a site. */
const composedAt = (timestamp: Instant, { timeZone }: AlertedSite): string =>
  printInstant(msOf(timestamp), timeZone).slice(0, 16).replace('T', ' ')

/** Of a site without a cut-off, the end of the day is meant. */
const isCutOff = ({ cutOff, day }: AlertedSite): boolean => cutOff.startsWith(day)

const isAhead = (timestamp: Instant, { cutOff }: AlertedSite): boolean => Date.parse(cutOff) > msOf(timestamp)

/** What was switched on after the cut-off has the rest of the day. */
const limitOf = (timestamp: Instant, site: AlertedSite): string =>
  isCutOff(site) && isAhead(timestamp, site)
    ? `before the cut-off at ${clock(site.cutOff)}`
    : 'before the end of the day'

const cutOffWords = (timestamp: Instant, site: AlertedSite): string =>
  isCutOff(site)
    ? `the cut-off ${isAhead(timestamp, site) ? 'is' : 'was'} at ${clock(site.cutOff)} (${site.timeZone})`
    : `the day has no cut-off (${site.timeZone})`

const subjectOf = ({ timestamp, data }: AlertMessage): string => {
  const [first] = data.sites
  const where = data.sites.length === 1 && first ? first.name : times(data.sites.length, 'site')
  const inTime = data.sites
    .flatMap((s) => s.gaps)
    .filter((g) => g.status === 'preliminary')
    .reduce((n, g) => n + g.count, 0)
  const until = data.sites.length === 1 && first ? limitOf(timestamp, first) : 'in time'
  const some = inTime === data.count ? '' : `, ${inTime} of them`
  return `${where}: ${times(data.count, 'gap')} to mend${inTime === 0 ? '' : `${some} ${until}`}`
}

export const alertWords = (message: AlertMessage): AlertWords => ({
  subject: subjectOf(message),
  sites: message.data.sites.map((s) => ({
    heading: `${s.name}, ${s.day}`,
    about: `${times(s.count, 'gap')} as of ${composedAt(message.timestamp, s)}; ${cutOffWords(message.timestamp, s)}.`,
    gaps: s.gaps.map((g) => ({
      line: lineOf(g),
      next: `${g.means} ${g.next}`,
      named: (g.gaps ?? []).map(namedOf),
      report: g.report,
    })),
  })),
  end: [
    ...(message.data.late ? ['This alert goes out later than it was due.'] : []),
    'Whoever takes care of a gap acknowledges it: then nobody else is told of it.',
    'Not for emergencies. Daybind makes no diagnosis; follow local policy and licensed clinicians.',
  ],
})
