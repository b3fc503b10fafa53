/** Gaps of a recorder that came back, or should have. */
import { msOf } from '../../../model/instant.ts'
import { localDateOf } from '../../../model/local-day.ts'
import type { LinkState } from '../../../model/states.ts'
import { type Facts, siteOf, type Watch } from '../day-facts.ts'
import { aboutLink, byTie, type Found, first, type GapRule, gapId, mendedBy, standing, tiedTo } from './rule.ts'

/** The gap that a return without a patient opens. */
export const gapIdOfReturn = (returnId: string): string => gapId('return-without-patient', returnId)

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
        restsOn: [back, ...(link ? [link] : [])],
        ...mendedBy(tiedAt, 'linked'),
      },
    ]
  })

export const returnWithoutPatientRule: GapRule = {
  code: 'return-without-patient',
  severity: 'high',
  means: 'A device came back that is linked to nobody.',
  opens: 'A return is recorded, and no link of that recorder contains its moment.',
  closes: 'A link is recorded that the return ends.',
  turn: 'device desk',
  next: 'Keep the recorder and its recording, find the order that it belongs to, and link it with two patient identifiers.',
  byHand: ['returned', 'cancelled'],
  gone: 'linked',
  find: returnWithoutPatient,
}

const overdueReturn = (facts: Facts, watch: Watch): readonly Found[] =>
  standing(facts).flatMap((l): Found[] => {
    const { returnDue: due, returnDueDay: day } = l
    if (due === undefined || day === undefined || watch.asOf < due || l.endReason === 'lost') return []
    const back = facts.returns.find((r) => r.linkId === l.id)
    // who reports on a recording has had the recorder
    const report = facts.stubs.find((s) => s.linkId === l.id)?.report
    // who wears it next has it from the clinic
    const next = first(
      standing(facts).filter(
        (o) => o.deviceId === l.deviceId && o.appliedAt >= (l.endedAt ?? l.appliedAt) && o.id !== l.id,
      ),
      byTie,
    )
    const there = back?.recordedAt ?? report?.firstAt ?? next?.tiedAt
    if (there !== undefined && there < due) return []
    return [
      {
        key: l.id,
        ...aboutLink(l),
        day,
        status: 'final',
        since: due,
        restsOn: [l, ...[back, next].filter((s) => s !== undefined)],
        ...mendedBy(there, 'returned'),
      },
    ]
  })

export const overdueReturnRule: GapRule = {
  code: 'overdue-return',
  severity: 'moderate',
  means: 'Wear and transit are over, and the device has not come back.',
  opens: 'The end of the wear, stated or planned, lies longer ago than the transit of the site.',
  closes:
    'The return is recorded, the recording is reported on, the recorder is recorded as lost, or it is on the next patient.',
  turn: 'device desk',
  next: 'Ask the patient for the recorder; record its return, or end the link as lost.',
  byHand: ['returned', 'cancelled'],
  gone: 'cancelled',
  find: overdueReturn,
}
