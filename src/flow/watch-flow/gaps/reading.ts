/** Gaps of the reading: work that nobody took, reports that are missing or in doubt. */
import type { StubState, TaskState } from '../../../model/states.ts'
import type { Facts, Watch } from '../day-facts.ts'
import { type Found, type GapRule, mendedBy } from './rule.ts'

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
            restsOn: [h],
            found: h.doubts.join('; '),
            ...mendedBy(h.settledAt, 'confirmed'),
          },
        ],
  )

export const reportDoubtRule: GapRule = {
  code: 'report-doubt',
  severity: 'high',
  means: 'A report disagrees with the link or the order that it names.',
  opens: 'A report is held because it disagrees with the link or the order that it names.',
  closes: 'A report that agrees takes its place.',
  turn: 'clinic',
  next: 'Find out with the reading service whose recording it is; then correct the link, or ask for a corrected report.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: reportDoubt,
}

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
        restsOn: [stub],
        ...mendedBy(over, 'confirmed'),
      },
    ]
  })

export const overdueReportRule: GapRule = {
  code: 'overdue-report',
  severity: 'moderate',
  means: 'The time for the report after the read-out is over.',
  opens: 'Read-out, or receipt, and the reading time are over, and there is no final report.',
  closes: 'The final report comes, or the link is withdrawn.',
  turn: 'clinic',
  next: 'Ask the reading service for the report.',
  byHand: ['confirmed'],
  gone: 'cancelled',
  find: overdueReport,
}

/** When a reading service should have accepted, or said that it does not; an order that was withdrawn before is nobody's. */
const missedSince = (t: TaskState, due: string): string | undefined => {
  if (t.status === 'rejected') return t.modifiedAt
  const over = t.acceptedAt ?? (t.status === 'cancelled' ? t.modifiedAt : undefined)
  return over !== undefined && over <= due ? undefined : due
}

const notTaken = (facts: Facts, watch: Watch): readonly Found[] =>
  facts.tasks.flatMap((t): Found[] => {
    if (t.asks !== 'fulfill' || t.acceptDue === undefined || t.acceptDueDay === undefined) return []
    const since = missedSince(t, t.acceptDue)
    if (since === undefined || since > watch.asOf || t.status === 'entered-in-error') return []
    const link = facts.links.find((l) => l.id === t.linkId)
    return [
      {
        key: t.id,
        site: t.site,
        day: t.acceptDueDay,
        status: 'final',
        since,
        orderId: t.orderId,
        linkId: t.linkId,
        ...(link && { deviceId: link.deviceId }),
        patientId: t.patientId,
        restsOn: [t],
        ...(t.status === 'rejected' && { found: `${t.readingService} declined it` }),
        ...mendedBy(t.status === 'cancelled' ? t.modifiedAt : undefined, 'cancelled'),
        ...mendedBy(t.acceptedAt, 'confirmed'),
      },
    ]
  })

export const notTakenRule: GapRule = {
  code: 'not-taken',
  severity: 'moderate',
  means: 'A reading service has not accepted the linked order within its time to accept.',
  opens: 'The time to accept is over, or the reading service declines.',
  closes: 'The reading service accepts, or the order or the link is withdrawn.',
  turn: 'clinic',
  next: 'Ask the reading service whether it has the order; see its delivery, and send it again or to another service.',
  byHand: ['confirmed', 'cancelled'],
  gone: 'cancelled',
  find: notTaken,
}
