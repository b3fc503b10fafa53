/**
 * The gaps: one table. A rule says, of the facts as of a moment, which gaps there are or were; it is pure, so the same
 * facts give the same gaps whenever it is asked. Adding a gap is one entry here and its code in the model.
 */
import { v5 as uuidv5 } from 'uuid'
import { laterOf, msOf } from '../../model/instant.ts'
import { localDateOf } from '../../model/local-day.ts'
import type {
  ApplicationState,
  DoubtCause,
  GapCode,
  GapState,
  IdentityDoubt,
  LinkState,
  Mitigation,
  NotApplied,
  OrderState,
  StubState,
} from '../../model/states.ts'
import { causeOf, inDoubt, spoken } from '../apply-device/device-clock.ts'
import { linkableIntents } from '../apply-device/make-link.ts'
import { isOpen, stands } from '../apply-device/periods.ts'
import { answersFor } from '../apply-device/record-application.ts'
import { dayEnd, dueOf, type Facts, isClosed, siteOf, type Watch } from './day-facts.ts'

export interface GapRule {
  readonly code: GapCode
  readonly severity: 'high' | 'moderate' | 'low'
  /** For the CodeSystem and the report. */
  readonly means: string
  /** Whose turn it is. */
  readonly turn: 'clinic' | 'ordering clinic' | 'device desk'
  /** What to do next, in one sentence. */
  readonly next: string
  /** What a person may say to close it; all else closes by what is recorded. */
  readonly byHand: readonly Mitigation[]
  readonly find: (facts: Facts, watch: Watch) => readonly Found[]
}

type Found = Omit<GapState, 'kind' | 'id' | 'code'> & { readonly key: string }

/** Name space of gap ids: the same gap has the same id whoever finds it. */
const gapNames = uuidv5('https://daybind.example/gaps', uuidv5.URL)

const gapId = (code: GapCode, key: string): string => uuidv5(`${code} ${key}`, gapNames)

/** The gap that a return without a patient opens. */
export const gapIdOfReturn = (returnId: string): string => gapId('return-without-patient', returnId)

const mendedBy = (at: string | undefined, action: Mitigation) => (at === undefined ? {} : { mended: { at, action } })

const first = <T>(list: readonly T[], key: (item: T) => string): T | undefined =>
  [...list].sort((a, b) => (key(a) < key(b) ? -1 : key(a) > key(b) ? 1 : 0))[0]

/** The first tied; the id decides between two of one moment, so that the order of the facts never does. */
const byTie = (l: LinkState): string => `${l.tiedAt} ${l.id}`

const last = <T>(list: readonly T[], key: (item: T) => string): T | undefined =>
  [...list].sort((a, b) => (key(a) < key(b) ? 1 : key(a) > key(b) ? -1 : 0))[0]

/** To whom a device was tied in the end; a gap of one site says nothing of another's patient. */
const tiedTo = (link: LinkState | undefined, site: string | undefined) =>
  link !== undefined && link.site === site ? { orderId: link.orderId, linkId: link.id, patientId: link.patientId } : {}

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
    const answers = group.map((a) => ({
      a,
      link: first(
        facts.links.filter((l) => answersFor(l, a)),
        byTie,
      ),
    }))
    const open = answers.filter(({ link }) => link === undefined)
    const seen = first(
      (open.length > 0 ? open : answers).map(({ a }) => a),
      (a) => a.appliedAt,
    )
    const site = siteOf(seen?.site, watch)
    if (seen === undefined || site === undefined) return []
    const link =
      open.length > 0
        ? undefined
        : last(
            answers.flatMap((x) => x.link ?? []),
            byTie,
          )
    const due = dueOf(seen.appliedAt, site)
    const known = first(group, (a) => a.recordedAt)?.recordedAt ?? seen.recordedAt
    if (link !== undefined && (link.tiedAt < due || link.tiedAt <= known)) return []
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
        ...mendedBy(link?.tiedAt, 'linked'),
      },
    ]
  })

const standing = (facts: Facts): readonly LinkState[] => facts.links.filter(stands)

const aboutLink = (l: LinkState) => ({
  site: l.site,
  day: l.day,
  orderId: l.orderId,
  deviceId: l.deviceId,
  linkId: l.id,
  patientId: l.patientId,
})

const lateLink = (facts: Facts, watch: Watch): readonly Found[] =>
  standing(facts).flatMap((l): Found[] => {
    const site = siteOf(l.site, watch)
    if (site === undefined || l.tiedAt < dueOf(l.appliedAt, site)) return []
    return [{ key: l.id, ...aboutLink(l), status: 'final', since: l.tiedAt }]
  })

const expired = (facts: Facts): readonly Found[] =>
  standing(facts).flatMap((l): Found[] =>
    l.expirationDate !== undefined && l.expirationDate < l.day
      ? [{ key: l.id, ...aboutLink(l), status: 'final', since: l.recordedAt, found: `expired ${l.expirationDate}` }]
      : [],
  )

const clockDoubt = (facts: Facts, watch: Watch): readonly Found[] =>
  standing(facts).flatMap((l): Found[] => {
    const tolerance = watch.tolerances.recorderClock
    if (l.clockOffset === undefined || !inDoubt(l.clockOffset, tolerance)) return []
    const cause = causeOf(l.clockOffset, tolerance)
    return [
      {
        key: l.id,
        ...aboutLink(l),
        status: 'final',
        since: l.recordedAt,
        found: `the recorder's clock is ${spoken(l.clockOffset)}`,
        cause,
      },
    ]
  })

/** What was said about the visit of this day; a new date on the same day says nothing. */
const reasonFor = (order: OrderState, day: string): NotApplied | undefined =>
  order.notApplied?.day === day && order.notApplied.newDate !== day ? order.notApplied : undefined

/** The days of the order's visits: the one that is expected, and the one that was put off. */
const visitDays = (order: OrderState): readonly string[] => [
  ...new Set([order.visitDay, order.notApplied?.day].filter((day) => day !== undefined)),
]

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
  const reason = reasonFor(order, day)
  const inTime = (reason !== undefined && reason.recordedAt < end) || (link !== undefined && link.tiedAt < end)
  if (watch.asOf < end || inTime) return []
  if (order.status !== 'active' && (order.revokedAt === undefined || order.revokedAt < since)) return []
  return [
    {
      key: `${order.id} ${day}`,
      site: site.id,
      day,
      status: 'final',
      since,
      orderId: order.id,
      patientId: order.patientId,
      ...mendedBy(order.revokedAt, 'cancelled'),
      ...mendedBy(reason?.recordedAt, reason?.newDate === undefined ? 'cancelled' : 'rescheduled'),
      ...mendedBy(link?.tiedAt, 'linked'),
    },
  ]
}

/** A proposal or a plan asks for no recorder yet, an order on hold asks for none now; neither could be linked. */
const noApplication = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.orders
    .filter((order) => linkableIntents.includes(order.intent))
    .flatMap((order) => visitDays(order).flatMap((day) => missedVisit(order, day, facts, watch)))

/** When the wear of this link was first tied to anybody: a corrected link takes the place of another. */
const firstTied = (link: LinkState, facts: Facts): string => {
  const before = link.replaces === undefined ? undefined : facts.links.find((l) => l.id === link.replaces)
  return before === undefined ? link.tiedAt : firstTied(before, facts)
}

const returnWithoutPatient = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.returns.flatMap((back): Found[] => {
    const link = facts.links.find((l) => l.id === back.linkId)
    // a return that found its link at once never was without a patient
    const tiedAt = link && firstTied(link, facts)
    if (tiedAt !== undefined && tiedAt <= back.recordedAt) return []
    const site = siteOf(back.site, watch)
    return [
      {
        key: back.id,
        ...(back.site !== undefined && { site: back.site }),
        day: localDateOf(msOf(back.receivedAt), site?.timeZone ?? 'UTC'),
        status: 'final',
        since: back.recordedAt,
        deviceId: back.deviceId,
        ...tiedTo(link, back.site),
        ...mendedBy(tiedAt, 'linked'),
      },
    ]
  })

const revokedWhileWorn = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.orders.flatMap((order) =>
    order.revokedAt === undefined
      ? []
      : standing(facts).flatMap((l): Found[] => {
          const since = order.revokedAt ?? l.recordedAt
          const worn = l.orderId === order.id && (l.endedAt === undefined || l.endedAt > since)
          const site = siteOf(l.site, watch)
          if (!worn || site === undefined) return []
          const day = localDateOf(msOf(since), site.timeZone)
          const mended = isOpen(l) ? {} : mendedBy(l.endedAt, l.returned ? 'returned' : 'cancelled')
          return [{ key: `${order.id} ${l.id}`, ...aboutLink(l), day, status: 'final', since, ...mended }]
        }),
  )

/** A report that somebody holds against the link or the order that it names; one that names nothing is nobody's gap. */
const reportDoubt = (facts: Facts): readonly Found[] =>
  facts.held.flatMap((h): Found[] =>
    h.orderId === undefined || h.site === undefined || h.day === undefined
      ? []
      : [
          {
            // one that is in doubt again after it was settled is a new gap
            key: `${h.id} ${h.firstAt}`,
            site: h.site,
            day: h.day,
            status: 'final',
            since: h.firstAt,
            orderId: h.orderId,
            ...(h.deviceId !== undefined && { deviceId: h.deviceId }),
            ...(h.linkId !== undefined && { linkId: h.linkId }),
            ...(h.patientId !== undefined && { patientId: h.patientId }),
            found: h.doubts.join('; '),
            ...mendedBy(h.settledAt, 'confirmed'),
          },
        ],
  )

/** Where a reading service was asked to read, and has neither declined nor been told to stop. */
const isRead = (stub: StubState, facts: Facts): boolean =>
  facts.tasks.some(
    (t) =>
      t.linkId === stub.linkId &&
      t.asks === 'fulfill' &&
      !['rejected', 'cancelled', 'failed', 'entered-in-error'].includes(t.status),
  )

const overdueReport = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.stubs.flatMap((stub): Found[] => {
    const { reportDue: due, reportDueDay: day, report } = stub
    if (stub.status === 'entered-in-error' || due === undefined || day === undefined || watch.asOf < due) return []
    const over = report?.completedAt
    if ((over !== undefined && over < due) || (over === undefined && !isRead(stub, facts))) return []
    return [
      {
        key: stub.id,
        site: stub.site,
        day,
        status: 'final',
        since: due,
        orderId: stub.orderId,
        deviceId: stub.deviceId,
        linkId: stub.linkId,
        patientId: stub.patientId,
        ...mendedBy(over, 'confirmed'),
      },
    ]
  })

const doubtWords: Readonly<Record<DoubtCause, string>> = {
  merged: 'the source merged their record into another, and the link moved along',
  unmerged: 'the source takes the merge of their records back, and the link has not moved',
  'successor-unknown': 'their record was replaced by one that is not known here',
  inactive: 'their record was set inactive',
  changed: 'changed',
}

const spokenDoubt = ({ why, kinds }: IdentityDoubt): string =>
  why === 'changed' ? `${doubtWords.changed}: ${(kinds ?? []).join(', ')}` : doubtWords[why]

/** The person's word by which a gap was closed. */
const closedByHand = (id: string, facts: Facts) =>
  facts.noted.find((g) => g.id === id && g.mended?.by !== undefined)?.mended

interface DoubtGap {
  readonly key: string
  readonly doubts: readonly IdentityDoubt[]
}

/** One gap for all doubts until a person closes it; the next doubt opens another. */
const doubtGaps = ({ doubts = [] }: LinkState, facts: Facts): readonly DoubtGap[] => {
  const gaps: DoubtGap[] = []
  for (const doubt of doubts) {
    const last = gaps.at(-1)
    const closed = last && closedByHand(gapId('identity-doubt', last.key), facts)
    if (last === undefined || (closed && closed.at < doubt.at)) gaps.push({ key: doubt.id, doubts: [doubt] })
    else gaps[gaps.length - 1] = { ...last, doubts: [...last.doubts, doubt] }
  }
  return gaps
}

const identityDoubt = (facts: Facts, watch: Watch): readonly Found[] =>
  standing(facts).flatMap((l) => {
    const site = siteOf(l.site, watch)
    if (site === undefined) return []
    return doubtGaps(l, facts).map(({ key, doubts }, i, all): Found => {
      const since = doubts[0]?.at ?? l.recordedAt
      const before = all[i - 1]
      return {
        key,
        ...aboutLink(l),
        day: localDateOf(msOf(since), site.timeZone),
        status: 'final',
        since,
        found: [...new Set(doubts.map(spokenDoubt))].join('; '),
        ...(before && { reopens: gapId('identity-doubt', before.key) }),
      }
    })
  })

/** Every gap there is, the gravest first. */
export const gapRules: readonly GapRule[] = [
  {
    code: 'no-link',
    severity: 'high',
    means: 'There is evidence that a device was applied, and no link was recorded in time.',
    turn: 'clinic',
    next: 'Find out who wears this recorder and link it, with two patient identifiers, before the patient has left.',
    byHand: [],
    find: noLink,
  },
  {
    code: 'return-without-patient',
    severity: 'high',
    means: 'A device came back that is linked to nobody.',
    turn: 'device desk',
    next: 'Keep the recorder and its recording, find the order that it belongs to, and link it with two patient identifiers.',
    byHand: ['returned', 'cancelled'],
    find: returnWithoutPatient,
  },
  {
    code: 'revoked-while-worn',
    severity: 'high',
    means: 'The order was revoked and the device is still on the patient.',
    turn: 'clinic',
    next: 'Ask the ordering clinician whether the recorder comes off; then end the link or ask for a new order.',
    byHand: [],
    find: revokedWhileWorn,
  },
  {
    code: 'report-doubt',
    severity: 'high',
    means: 'A report disagrees with the link or the order that it names.',
    turn: 'clinic',
    next: 'Find out with the reading service whose recording it is; then correct the link, or ask for a corrected report.',
    byHand: ['confirmed'],
    find: reportDoubt,
  },
  {
    code: 'identity-doubt',
    severity: 'high',
    means: 'The order’s patient changed, was merged or deactivated after the link.',
    turn: 'clinic',
    next: 'Make sure who wears the recorder: confirm it, or correct the link, with two patient identifiers.',
    byHand: ['confirmed'],
    find: identityDoubt,
  },
  {
    code: 'no-application',
    severity: 'moderate',
    means: 'The day of the visit is over; neither an application nor a reason was recorded.',
    turn: 'clinic',
    next: 'Link the recorder if one was fitted; else record why not, with a new date where there is one.',
    byHand: ['cancelled', 'rescheduled'],
    find: noApplication,
  },
  {
    code: 'expired-device',
    severity: 'moderate',
    means: 'A device was applied after its expiry date.',
    turn: 'clinic',
    next: 'Follow the labelling and local policy; swap the recorder if they say so.',
    byHand: ['confirmed'],
    find: expired,
  },
  {
    code: 'clock-doubt',
    severity: 'moderate',
    means: 'The recorded switch-on time and the device clock cannot both be right.',
    turn: 'clinic',
    next: 'Check the recorder’s clock and the stated time, and correct the link where it is wrong.',
    byHand: ['confirmed'],
    find: clockDoubt,
  },
  {
    code: 'overdue-report',
    severity: 'moderate',
    means: 'The time for the report after the read-out is over.',
    turn: 'clinic',
    next: 'Ask the reading service for the report.',
    byHand: ['confirmed'],
    find: overdueReport,
  },
  {
    code: 'late-link',
    severity: 'low',
    means: 'The device was linked, but recorded too late.',
    turn: 'clinic',
    next: 'Nothing is missing; see what held it up.',
    byHand: ['confirmed'],
    find: lateLink,
  },
]

export const ruleOf = (code: GapCode): GapRule => {
  const rule = gapRules.find((r) => r.code === code)
  if (rule === undefined) throw new Error(`no rule for gap ${code}`)
  return rule
}

/** What people said of a gap; what closed it first counts, they or the facts. */
const withWords = (gap: GapState, facts: Facts): GapState => {
  const acknowledged = facts.noted.find((g) => g.id === gap.id)?.acknowledged
  const byHand = closedByHand(gap.id, facts)
  const wins = byHand !== undefined && (gap.mended === undefined || byHand.at <= gap.mended.at)
  return { ...gap, ...(acknowledged && { acknowledged }), ...(wins && { mended: byHand }) }
}

/** All gaps that the facts show as of the moment, mended ones included, in the order of the table and then of time. */
export const gapsOf = (facts: Facts, watch: Watch): readonly GapState[] =>
  gapRules.flatMap((rule) =>
    rule
      .find(facts, watch)
      .map(({ key, ...found }): GapState => ({ kind: 'gap', id: gapId(rule.code, key), code: rule.code, ...found }))
      .map((gap) => withWords(gap, facts))
      .sort((a, b) => (a.since < b.since || (a.since === b.since && a.id < b.id) ? -1 : 1)),
  )

/** What a gap means here and what to do next, in a sentence or three. */
export const detailOf = (gap: GapState): string => {
  const { means, next } = ruleOf(gap.code)
  const twelve = gap.cause === 'am-pm' ? ' Likeliest cause: morning and afternoon were exchanged (12 hours).' : ''
  const found = gap.found === undefined ? '' : ` (${gap.found})`
  return `${means.slice(0, -1)}${found}.${twelve} ${next}`
}
