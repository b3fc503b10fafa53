/** Gaps of the reading: work that nobody took, reports that are missing or in doubt. */
import type { StubState } from '../../../model/states.ts'
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
            found: h.doubts.join('; '),
            ...mendedBy(h.settledAt, 'confirmed'),
          },
        ],
  )

export const reportDoubtRule: GapRule = {
  code: 'report-doubt',
  severity: 'high',
  means: 'A report disagrees with the link or the order that it names.',
  turn: 'clinic',
  next: 'Find out with the reading service whose recording it is; then correct the link, or ask for a corrected report.',
  byHand: ['confirmed'],
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
        ...mendedBy(over, 'confirmed'),
      },
    ]
  })

export const overdueReportRule: GapRule = {
  code: 'overdue-report',
  severity: 'moderate',
  means: 'The time for the report after the read-out is over.',
  turn: 'clinic',
  next: 'Ask the reading service for the report.',
  byHand: ['confirmed'],
  find: overdueReport,
}
