/** Gaps of a link: what does not add up about a recorder that is tied to a patient. */
import { laterOf, msOf } from '../../../model/instant.ts'
import { localDateOf } from '../../../model/local-day.ts'
import type { DoubtCause, IdentityDoubt, LinkState, OrderState } from '../../../model/states.ts'
import { causeOf, inDoubt, spoken } from '../../apply-device/device-clock.ts'
import { contains, isOpen, overlap } from '../../apply-device/periods.ts'
import { dueOf, type Facts, siteOf, type Watch } from '../day-facts.ts'
import { denialOf, linkOfTold, wornThen } from './application.ts'
import {
  aboutLink,
  byTie,
  closedByHand,
  type Found,
  first,
  type GapRule,
  gapId,
  last,
  mendedBy,
  standing,
} from './rule.ts'

const expired = (facts: Facts): readonly Found[] =>
  standing(facts).flatMap((l): Found[] =>
    l.expirationDate !== undefined && l.expirationDate < l.day
      ? [
          {
            key: l.id,
            ...aboutLink(l),
            status: 'final',
            since: l.recordedAt,
            restsOn: [l],
            found: `expired ${l.expirationDate}`,
          },
        ]
      : [],
  )

export const expiredDeviceRule: GapRule = {
  code: 'expired-device',
  severity: 'moderate',
  means: 'A device was applied after its expiry date.',
  opens: 'The expiry date on the scan lies before the day of application.',
  closes: 'The link is corrected.',
  turn: 'clinic',
  next: 'Follow the labelling and local policy; swap the recorder if they say so.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: expired,
}

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
        restsOn: [l],
        found: `the recorder's clock is ${spoken(l.clockOffset)}`,
        cause,
      },
    ]
  })

export const clockDoubtRule: GapRule = {
  code: 'clock-doubt',
  severity: 'moderate',
  means: 'The recorded switch-on time and the device clock cannot both be right.',
  opens: 'The recorder’s clock at switch-on is off by more than the tolerance.',
  closes: 'The link is corrected.',
  turn: 'clinic',
  next: 'Check the recorder’s clock and the stated time, and correct the link where it is wrong.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: clockDoubt,
}

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
          return [
            {
              key: `${order.id} ${l.id}`,
              ...aboutLink(l),
              day,
              status: 'final',
              since,
              restsOn: [order, l],
              ...mended,
            },
          ]
        }),
  )

export const revokedWhileWornRule: GapRule = {
  code: 'revoked-while-worn',
  severity: 'high',
  means: 'The order was revoked and the device is still on the patient.',
  opens: 'The order is revoked while its link is open.',
  closes: 'The link ends.',
  turn: 'clinic',
  next: 'Ask the ordering clinician whether the recorder comes off; then end the link or ask for a new order.',
  byHand: [],
  gone: 'cancelled',
  find: revokedWhileWorn,
}

const doubtWords: Readonly<Record<DoubtCause, string>> = {
  merged: 'the source merged their record into another, and the link moved along',
  unmerged: 'the source takes the merge of their records back, and the link has not moved',
  'successor-unknown': 'their record was replaced by one that is not known here',
  inactive: 'their record was set inactive',
  changed: 'changed',
}

const spokenDoubt = ({ why, kinds }: IdentityDoubt): string =>
  why === 'changed' ? `${doubtWords.changed}: ${(kinds ?? []).join(', ')}` : doubtWords[why]

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
        restsOn: [l],
        found: [...new Set(doubts.map(spokenDoubt))].join('; '),
        ...(before && { reopens: gapId('identity-doubt', before.key) }),
      }
    })
  })

export const identityDoubtRule: GapRule = {
  code: 'identity-doubt',
  severity: 'high',
  means: 'The order’s patient changed, was merged or deactivated after the link.',
  opens: 'The source merges, deactivates or changes the patient of a link.',
  closes: 'The link is corrected.',
  turn: 'clinic',
  next: 'Make sure who wears the recorder: confirm it, or correct the link, with two patient identifiers.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: identityDoubt,
}

const capturedElsewhere = (facts: Facts): readonly Found[] =>
  facts.applications.flatMap((a) =>
    a.evidence !== 'capture'
      ? []
      : standing(facts)
          .filter((l) => l.deviceId === a.deviceId && l.site !== a.site && l.day !== a.day && contains(l, a.appliedAt))
          .map((l): Found => {
            const since = laterOf(a.recordedAt, l.recordedAt)
            return {
              key: `${a.site} ${a.day} ${l.id}`,
              site: a.site,
              day: a.day,
              status: 'final',
              since,
              deviceId: a.deviceId,
              restsOn: [a, l],
              found: 'it was applied here while it is linked elsewhere',
              ...mendedBy(l.endedAt && laterOf(since, l.endedAt), 'confirmed'),
            }
          }),
  )

/** The person at the bedside had the right patient and was refused: whoever wears the recorder, one of both is wrong. */
const refusedLinks = (facts: Facts): readonly Found[] =>
  facts.conflicts.flatMap((c): Found[] => {
    const others = standing(facts).filter((l) => l.deviceId === c.deviceId && l.patientId !== c.patientId)
    const other = others.find((l) => contains(l, c.appliedAt))
    if (other === undefined) return []
    // with this recorder or with another one: what was said at the bedside then is settled
    const linked = first(
      standing(facts).filter((l) => l.orderId === c.orderId && l.tiedAt > c.recordedAt),
      byTie,
    )
    return [
      {
        key: `${c.orderId} ${c.deviceId} ${c.day}`,
        site: c.site,
        day: c.day,
        status: 'final',
        since: c.recordedAt,
        orderId: c.orderId,
        deviceId: c.deviceId,
        patientId: c.patientId,
        restsOn: [c, other, ...(linked ? [linked] : [])],
        found: 'a link was refused here because it is linked to somebody else',
        ...mendedBy(other.endedAt && laterOf(c.recordedAt, other.endedAt), 'confirmed'),
        ...mendedBy(linked?.tiedAt, 'linked'),
      },
    ]
  })

/** A source says of a recorder that it is on the order's patient. */
const statedElsewhere = (facts: Facts): readonly Found[] =>
  facts.told.flatMap((t): Found[] => {
    const { says, orderId } = t
    const order = facts.orders.find((o) => o.id === orderId)
    if (says.what !== 'applied' || says.deviceId === undefined || order === undefined) return []
    const ofRecorder = standing(facts).filter((l) => l.deviceId === says.deviceId && wornThen(l, says))
    const other = first(
      ofRecorder.filter((l) => l.patientId !== order.patientId),
      byTie,
    )
    if (other === undefined) return []
    const since = laterOf(says.recordedAt, other.recordedAt)
    const linked = linkOfTold([t], facts)
    const denied = denialOf(t, facts)?.recordedAt
    if ((linked !== undefined && linked.tiedAt <= since) || (denied !== undefined && denied <= since)) return []
    return [
      {
        key: `${orderId} ${says.deviceId} ${says.day}`,
        site: says.site,
        day: says.day,
        status: 'final',
        since,
        orderId,
        deviceId: says.deviceId,
        patientId: order.patientId,
        restsOn: [t, other, ...(linked ? [linked] : [])],
        found: 'the source says that it was applied here while it is linked to somebody else',
        ...mendedBy(denied, 'confirmed'),
        ...mendedBy(other.endedAt && laterOf(since, other.endedAt), 'confirmed'),
        ...mendedBy(linked?.tiedAt, 'linked'),
      },
    ]
  })

/** Of two that were told at one moment the ids decide, so that the order of the facts never does. */
const whenAndWhy = ({ since, restsOn }: Found): string => `${since} ${restsOn.map((s) => s.id).join(' ')}`

/** The same trouble told more than once is one gap: the first time counts, and it is over when all of it is. */
const once = (found: readonly Found[]): readonly Found[] =>
  [...Map.groupBy(found, (f) => f.key).values()].flatMap((group) => {
    const sorted = group.toSorted((a, b) => (whenAndWhy(a) < whenAndWhy(b) ? -1 : 1))
    const [earliest, latest] = [sorted[0], sorted.at(-1)]
    if (earliest === undefined || latest === undefined) return []
    const { mended: _own, ...first } = earliest
    const mended = group.every((f) => f.mended !== undefined)
      ? last(
          group.flatMap((f) => f.mended ?? []),
          (m) => m.at,
        )
      : undefined
    return [{ ...first, newest: latest.since, ...(mended && { mended }) }]
  })

export const deviceOnTwoPatientsRule: GapRule = {
  code: 'device-on-two-patients',
  severity: 'high',
  means: 'A recorder is said to be on one patient while it is linked to another.',
  opens:
    'A link is refused although the patient was right, a recorder is applied at one site while it is linked at another, or a source says that it was applied to one patient while it is linked to another.',
  closes: 'The order is linked after all, or the other link ends or is corrected.',
  turn: 'clinic',
  next: 'Look which recorder each patient wears: link the right one here, and end or correct the other link where it is wrong.',
  byHand: ['confirmed', 'cancelled'],
  gone: 'confirmed',
  find: (facts) => once([...refusedLinks(facts), ...capturedElsewhere(facts), ...statedElsewhere(facts)]),
}

/** Every two links of one patient that overlap, the later one first. */
const overlapping = (facts: Facts): readonly (readonly [later: LinkState, earlier: LinkState])[] =>
  [...Map.groupBy(standing(facts), (l) => l.patientId).values()].flatMap((links) => {
    const sorted = links.toSorted((a, b) => (byTie(a) < byTie(b) ? -1 : 1))
    return sorted.flatMap((later, i) =>
      sorted
        .slice(0, i)
        .filter((earlier) => earlier.deviceId !== later.deviceId && overlap(earlier, later))
        .map((earlier) => [later, earlier] as const),
    )
  })

export const patientWithTwoDevicesRule: GapRule = {
  code: 'patient-with-two-devices',
  severity: 'low',
  means: 'Wear periods of one patient overlap.',
  opens: 'A link is recorded whose wear overlaps that of another recorder of the same patient.',
  closes: 'One of both is ended before the other began, or corrected.',
  turn: 'clinic',
  next: 'Confirm that both recorders are meant, or end or correct the link that is wrong.',
  byHand: ['confirmed'],
  gone: 'confirmed',
  find: (facts) =>
    overlapping(facts).map(([later, earlier]) => ({
      key: `${earlier.id} ${later.id}`,
      ...aboutLink(later),
      ...(earlier.site === later.site && { otherLinkId: earlier.id }),
      status: 'final',
      since: later.recordedAt,
      restsOn: [later, earlier],
    })),
}

/** The patients of the site are in an EHR that sends orders; where there is none, an order by hand is all there is. */
const hasSource = (order: OrderState, { parties }: Watch): boolean =>
  parties.sources.some((s) => s.id !== order.source && (s.site === undefined || s.site === order.site))

const withoutOrder = (l: LinkState, order: OrderState, watch: Watch): readonly Found[] => {
  const site = siteOf(l.site, watch)
  if (site === undefined) return []
  const about = { key: l.id, ...aboutLink(l), restsOn: [order, l] }
  if (order.idleSince !== undefined && isOpen(l)) {
    const since = laterOf(order.idleSince, l.recordedAt)
    const day = localDateOf(msOf(since), site.timeZone)
    return [{ ...about, day, status: 'final', since, found: `the order is ${order.status}` }]
  }
  if (!order.byHand || !hasSource(order, watch)) return []
  const status = dueOf(l.appliedAt, site) <= watch.asOf ? 'final' : 'preliminary'
  return [{ ...about, status, since: l.recordedAt, found: 'the order was written by hand' }]
}

export const linkWithoutOrderRule: GapRule = {
  code: 'link-without-order',
  severity: 'moderate',
  means: 'A device is on a patient and no order of the EHR asks for it.',
  opens:
    'A link is made for an order written by hand where an EHR sends orders, or its order is put on hold while it is worn.',
  closes: 'The order asks for it again, or the link ends or is corrected.',
  turn: 'ordering clinic',
  next: 'Ask for the order in the EHR, or confirm that the order on paper stands.',
  byHand: ['confirmed'],
  gone: 'confirmed',
  find: (facts, watch) =>
    standing(facts).flatMap((l) => {
      const order = facts.orders.find((o) => o.id === l.orderId)
      return order === undefined ? [] : withoutOrder(l, order, watch)
    }),
}
