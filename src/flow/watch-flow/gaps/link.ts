/** Gaps of a link: what does not add up about a recorder that is tied to a patient. */
import { msOf } from '../../../model/instant.ts'
import { localDateOf } from '../../../model/local-day.ts'
import type { DoubtCause, IdentityDoubt, LinkState } from '../../../model/states.ts'
import { causeOf, inDoubt, spoken } from '../../apply-device/device-clock.ts'
import { isOpen } from '../../apply-device/periods.ts'
import { type Facts, siteOf, type Watch } from '../day-facts.ts'
import { aboutLink, closedByHand, type Found, type GapRule, gapId, mendedBy, standing } from './rule.ts'

const expired = (facts: Facts): readonly Found[] =>
  standing(facts).flatMap((l): Found[] =>
    l.expirationDate !== undefined && l.expirationDate < l.day
      ? [{ key: l.id, ...aboutLink(l), status: 'final', since: l.recordedAt, found: `expired ${l.expirationDate}` }]
      : [],
  )

export const expiredDeviceRule: GapRule = {
  code: 'expired-device',
  severity: 'moderate',
  means: 'A device was applied after its expiry date.',
  turn: 'clinic',
  next: 'Follow the labelling and local policy; swap the recorder if they say so.',
  byHand: ['confirmed'],
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
        found: `the recorder's clock is ${spoken(l.clockOffset)}`,
        cause,
      },
    ]
  })

export const clockDoubtRule: GapRule = {
  code: 'clock-doubt',
  severity: 'moderate',
  means: 'The recorded switch-on time and the device clock cannot both be right.',
  turn: 'clinic',
  next: 'Check the recorder’s clock and the stated time, and correct the link where it is wrong.',
  byHand: ['confirmed'],
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
          return [{ key: `${order.id} ${l.id}`, ...aboutLink(l), day, status: 'final', since, ...mended }]
        }),
  )

export const revokedWhileWornRule: GapRule = {
  code: 'revoked-while-worn',
  severity: 'high',
  means: 'The order was revoked and the device is still on the patient.',
  turn: 'clinic',
  next: 'Ask the ordering clinician whether the recorder comes off; then end the link or ask for a new order.',
  byHand: [],
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
        found: [...new Set(doubts.map(spokenDoubt))].join('; '),
        ...(before && { reopens: gapId('identity-doubt', before.key) }),
      }
    })
  })

export const identityDoubtRule: GapRule = {
  code: 'identity-doubt',
  severity: 'high',
  means: 'The order’s patient changed, was merged or deactivated after the link.',
  turn: 'clinic',
  next: 'Make sure who wears the recorder: confirm it, or correct the link, with two patient identifiers.',
  byHand: ['confirmed'],
  find: identityDoubt,
}
