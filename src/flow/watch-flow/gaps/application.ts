/** Gaps of an application: nobody linked it, too late, or there was none. */
import { laterOf } from '../../../model/instant.ts'
import type { ApplicationState, GapState, LinkState, NotApplied, OrderState, Said } from '../../../model/states.ts'
import { linkableIntents } from '../../apply-device/make-link.ts'
import { contains, stands } from '../../apply-device/periods.ts'
import { answersFor } from '../../apply-device/record-application.ts'
import { dayEnd, dueOf, type Facts, isClosed, type SpeakingState, siteOf, type Watch } from '../day-facts.ts'
import { aboutLink, byTie, type Found, first, type GapRule, last, mendedBy, standing, tiedTo } from './rule.ts'

/** One device on one local day of a site counts once, however often it was seen. */
const applicationsByDay = (facts: Facts): readonly ApplicationState[][] => {
  const groups = new Map<string, ApplicationState[]>()
  for (const a of facts.applications) {
    if (a.evidence === 'stock') continue
    const key = `${a.site} ${a.day} ${a.deviceId}`
    groups.set(key, [...(groups.get(key) ?? []), a])
  }
  return [...groups.values()]
}

const noLink = (facts: Facts, watch: Watch): readonly Found[] =>
  applicationsByDay(facts).flatMap((group): Found[] => {
    const site = siteOf(group[0]?.site, watch)
    if (site === undefined) return []
    const answers = group.map((a) => ({
      a,
      link: first(
        facts.links.filter((l) => answersFor(l, a)),
        byTie,
      ),
    }))
    // a recorder may be applied twice on a day: each time has its own moment that is too late
    const missing = answers.filter(({ a, link }) => link === undefined || link.tiedAt >= dueOf(a.appliedAt, site))
    const open = missing.filter(({ link }) => link === undefined)
    const seen = first(
      (open.length > 0 ? open : missing).map(({ a }) => a),
      (a) => a.appliedAt,
    )
    if (seen === undefined) return []
    const link =
      open.length > 0
        ? undefined
        : last(
            missing.flatMap((x) => x.link ?? []),
            byTie,
          )
    const due = dueOf(seen.appliedAt, site)
    const known = first(group, (a) => a.recordedAt)?.recordedAt ?? seen.recordedAt
    if (link !== undefined && link.tiedAt <= known) return []
    const late = due <= watch.asOf
    return [
      {
        key: `${site.id} ${seen.day} ${seen.deviceId}`,
        site: site.id,
        day: seen.day,
        status: late ? 'final' : 'preliminary',
        since: late && known < due ? due : known,
        deviceId: seen.deviceId,
        ...tiedTo(link, seen.site),
        restsOn: [...group, ...(link ? [link] : [])],
        newest: last(group, (a) => a.recordedAt)?.recordedAt ?? seen.recordedAt,
        ...mendedBy(link?.tiedAt, 'linked'),
      },
    ]
  })

/**
 * An order asks for one application: the visit at which its recorder came off asks for no other, nor does one that was
 * over before it was fitted. A recorder that failed is another matter, and so is an act.
 */
const isAnotherVisit = (l: LinkState, { type, says }: SpeakingState): boolean =>
  l.appliedAt <= (says.at ?? '') ? l.status === 'completed' : type !== 'Procedure'

/** A link of the order answers for what its source says as it does for an application of its recorder. */
const answersForTold = (l: LinkState, t: SpeakingState): boolean =>
  stands(l) &&
  l.orderId === t.orderId &&
  (t.says.deviceId === undefined || t.says.deviceId === l.deviceId) &&
  (wornThen(l, t.says) || isAnotherVisit(l, t))

/** The wear contains the moment, or both lie on one local day of the site and it was not over by then. */
export const wornThen = (l: LinkState, { at, site, day }: Said): boolean =>
  at !== undefined &&
  (l.endedAt === undefined || l.endedAt > at) &&
  (contains(l, at) || (l.site === site && l.day === day))

/**
 * What a person said of the visit, who was there: no recorder was fitted. A visit that has ended is no proof of one; an
 * act that was done later is.
 */
const denies = (reason: NotApplied, { type, says }: SpeakingState): boolean =>
  reason.newDate !== says.day &&
  (reason.day === undefined || reason.day === says.day) &&
  (reason.recordedAt > (says.at ?? '') || (type !== 'Procedure' && reason.day !== undefined))

/** By whom what a source says was applied is denied first; undefined: by nobody. */
export const denialOf = (t: SpeakingState, { orders }: Facts): NotApplied | undefined =>
  orders.find((o) => o.id === t.orderId)?.saidNotApplied?.find((reason) => denies(reason, t))

export interface ToldApplied {
  /** At least one, of one order and one day. */
  readonly group: readonly SpeakingState[]
  /** Set where people deny all of it: what they said last. */
  readonly denied?: NotApplied
}

/** What sources say was applied for one order on one day counts once, however many resources say it. */
export const toldByDay = (facts: Facts): readonly ToldApplied[] =>
  [
    ...Map.groupBy(
      facts.told.filter((t) => t.says.what === 'applied'),
      (t) => `${t.orderId} ${t.says.day}`,
    ).values(),
  ].map((all): ToldApplied => {
    const believed = all.filter((t) => denialOf(t, facts) === undefined)
    if (believed.length > 0) return { group: believed }
    const denied = last(
      all.flatMap((t) => denialOf(t, facts) ?? []),
      (reason) => reason.recordedAt,
    )
    return { group: all, ...(denied && { denied }) }
  })

/** The recorder that they name, the first one told first. */
export const recorderToldIn = (group: readonly SpeakingState[]): string | undefined =>
  first(
    group.filter((t) => t.says.deviceId !== undefined),
    (t) => `${t.says.at} ${t.id}`,
  )?.says.deviceId

/** Where any of them names the recorder, a link of another one is no answer to the rest. */
export const linkOfTold = (group: readonly SpeakingState[], facts: Facts): LinkState | undefined => {
  const naming = group.filter((t) => t.says.deviceId !== undefined)
  const asking = naming.length > 0 ? naming : group
  return first(
    facts.links.filter((l) => asking.some((t) => answersForTold(l, t))),
    byTie,
  )
}

/** What people look at of what a source says of one visit. */
const mostTold = 20

/** The source says that a recorder was applied for the order, and nobody linked one. */
const toldNoLink = (facts: Facts, watch: Watch): readonly Found[] =>
  toldByDay(facts).flatMap(({ group, denied }): Found[] => {
    const told = first(group, (t) => `${t.says.at} ${t.id}`)
    const site = siteOf(told?.says.site, watch)
    const order = facts.orders.find((o) => o.id === told?.orderId)
    if (told?.says.at === undefined || site === undefined || order === undefined) return []
    const link = linkOfTold(group, facts)
    const stated = recorderToldIn(group)
    const due = dueOf(told.says.at, site)
    const known = first(group, (t) => t.says.recordedAt)?.says.recordedAt ?? told.says.recordedAt
    if (link !== undefined && (link.tiedAt < due || link.tiedAt <= known)) return []
    if (denied !== undefined && denied.recordedAt <= known) return []
    const late = due <= watch.asOf
    return [
      {
        key: `${site.id} ${told.says.day} order ${order.id}`,
        site: site.id,
        day: told.says.day,
        status: late ? 'final' : 'preliminary',
        since: late && known < due ? due : known,
        orderId: order.id,
        patientId: order.patientId,
        ...(stated && { deviceId: stated }),
        ...(link && { linkId: link.id, deviceId: link.deviceId }),
        restsOn: [...group.slice(0, mostTold), ...(link ? [link] : []), ...(denied ? [order] : [])],
        found: stated
          ? 'the source says so of this recorder, which is not linked for the order'
          : 'the source says so, and names no recorder that was linked',
        newest: last(group, (t) => t.says.recordedAt)?.says.recordedAt ?? known,
        ...mendedBy(denied?.recordedAt, denied?.newDate === undefined ? 'cancelled' : 'rescheduled'),
        ...mendedBy(link?.tiedAt, 'linked'),
      },
    ]
  })

/** Whatever was seen or told, a link of that recorder or order on that day is what answered. */
const mayAnswer = (l: LinkState, gap: GapState): boolean =>
  (l.orderId === gap.orderId || l.deviceId === gap.deviceId) && l.appliedAt <= gap.since && l.day <= gap.day

export const noLinkRule: GapRule = {
  code: 'no-link',
  severity: 'high',
  means: 'There is evidence that a device was applied, and no link was recorded in time.',
  meansYet: 'There is evidence that a device was applied, and no link is recorded yet.',
  opens:
    'An application is recorded, or a source says that there was one, and no link of that recorder or order contains its moment or lies on its day.',
  closes: 'Such a link is recorded; what a source says, by a reason why no recorder was fitted as well.',
  turn: 'clinic',
  next: 'Find out who wears this recorder and link it, with two patient identifiers.',
  // nobody wears it: what was recorded was a mistake
  byHand: ['cancelled'],
  gone: (gap, facts) => (standing(facts).some((l) => mayAnswer(l, gap)) ? 'linked' : 'cancelled'),
  find: (facts, watch) => [...noLink(facts, watch), ...toldNoLink(facts, watch)],
}

const lateLink = (facts: Facts, watch: Watch): readonly Found[] =>
  standing(facts).flatMap((l): Found[] => {
    const site = siteOf(l.site, watch)
    if (site === undefined || l.tiedAt < dueOf(l.appliedAt, site)) return []
    return [{ key: l.id, ...aboutLink(l), status: 'final', since: l.tiedAt, restsOn: [l] }]
  })

export const lateLinkRule: GapRule = {
  code: 'late-link',
  severity: 'low',
  means: 'The device was linked, but recorded too late.',
  opens:
    'A link is recorded at the cut-off of its day or later; after a switch-on past the cut-off, when the next day has begun.',
  closes: 'Nothing: it tells what was.',
  turn: 'clinic',
  next: 'Nothing is missing; see what held it up.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: lateLink,
}

/** All that was said of visits. Once the source has named another day, what was said of the one that it names now is over. */
const saidOf = ({ notApplied, saidNotApplied, visitDay }: OrderState): readonly NotApplied[] => {
  const said = saidNotApplied ?? (notApplied ? [notApplied] : [])
  return notApplied === undefined ? said.filter(({ day }) => day !== visitDay) : said
}

/** What was said about the visit of this day, the oldest first; a new date on that day says that there is another one. */
const reasonsFor = (order: OrderState, day: string): readonly NotApplied[] => {
  const said = saidOf(order)
  const putBack = said.findLastIndex((reason) => reason.newDate === day)
  return said.slice(putBack + 1).filter((reason) => reason.day === day)
}

/** The days of the order's visits: the one that is expected, and those that were put off. */
const visitDays = (order: OrderState, told: readonly SpeakingState[]): readonly string[] => {
  // a new day that people agreed on, or that the order names, counts until something later is booked
  const agreed = order.notApplied?.newDate === undefined ? '' : order.notApplied.recordedAt
  const since = laterOf(agreed, order.dayToldAt ?? '')
  const booked = told.flatMap(({ says }) => (says.what === 'visit' && says.recordedAt >= since ? [says.day] : []))
  const expected = booked.length > 0 ? booked : [order.visitDay]
  const putOff = saidOf(order).map(({ day }) => day)
  return [...new Set([...expected, ...putOff].filter((day) => day !== undefined))]
}

/** A visit's day is over when nothing was recorded by its end: no link, and no reason why not. */
const missedVisit = (order: OrderState, day: string, facts: Facts, watch: Watch): readonly Found[] => {
  const site = siteOf(order.site, watch)
  if (site === undefined || isClosed(day, site)) return []
  const end = dayEnd(day, site)
  const since = laterOf(order.acceptedAt, end)
  const link = first(
    standing(facts).filter((l) => l.orderId === order.id),
    byTie,
  )
  const reasons = reasonsFor(order, day)
  const [reason, lastReason] = [reasons[0], reasons.at(-1)]
  const told = facts.told.filter((t) => t.orderId === order.id)
  const firstTold = (what: Said['what']) =>
    first(
      told.filter((t) => t.says.what === what && (what === 'applied' || t.says.day === day)),
      (t) => `${t.says.recordedAt} ${t.id}`,
    )
  const applied = firstTold('applied')
  // cancelled, and booked anew for the same day
  const not = told.some((t) => t.says.what === 'visit' && t.says.day === day) ? undefined : firstTold('not')
  const moments = [reason?.recordedAt, link?.tiedAt, applied?.says.recordedAt, not?.says.recordedAt]
  const inTime = moments.some((moment) => moment !== undefined && moment < end)
  if (watch.asOf < end || inTime) return []
  const asked = order.status === 'active' || order.completedAt !== undefined
  if (!asked && (order.revokedAt === undefined || order.revokedAt < since)) return []
  return [
    {
      key: `${order.id} ${day}`,
      site: site.id,
      day,
      status: 'final',
      since,
      orderId: order.id,
      patientId: order.patientId,
      restsOn: [order, ...[link, applied, not].filter((s) => s !== undefined)],
      ...(order.completedAt !== undefined && { found: 'the source completed the order, and no recorder was linked' }),
      ...mendedBy(order.revokedAt, 'cancelled'),
      ...mendedBy(not?.says.recordedAt, 'cancelled'),
      ...mendedBy(applied?.says.recordedAt, 'confirmed'),
      ...mendedBy(reason?.recordedAt, lastReason?.newDate === undefined ? 'cancelled' : 'rescheduled'),
      ...mendedBy(link?.tiedAt, 'linked'),
    },
  ]
}

/** A proposal or a plan asks for no recorder yet, an order on hold asks for none now; neither could be linked. */
const noApplication = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.orders
    .filter((order) => linkableIntents.includes(order.intent))
    .flatMap((order) => {
      const told = facts.told.filter((t) => t.orderId === order.id)
      return visitDays(order, told).flatMap((day) => missedVisit(order, day, facts, watch))
    })

export const noApplicationRule: GapRule = {
  code: 'no-application',
  severity: 'moderate',
  means: 'The day of the visit is over; neither an application nor a reason was recorded.',
  opens: 'The day of the visit has ended without an application and without a reason.',
  closes: 'A link, a reason, or the order is revoked.',
  turn: 'clinic',
  next: 'Link the recorder if one was fitted; else record why not, with a new date where there is one.',
  byHand: ['cancelled', 'rescheduled'],
  gone: 'cancelled',
  find: noApplication,
}
