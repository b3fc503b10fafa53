/** Gaps of a recorder that came back, or should have. */
import { msOf } from '../../../model/instant.ts'
import { localDateOf } from '../../../model/local-day.ts'
import type { LinkState } from '../../../model/states.ts'
import { type Facts, siteOf, type Watch } from '../day-facts.ts'
import { type Found, type GapRule, gapId, mendedBy, tiedTo } from './rule.ts'

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
        ...mendedBy(tiedAt, 'linked'),
      },
    ]
  })

export const returnWithoutPatientRule: GapRule = {
  code: 'return-without-patient',
  severity: 'high',
  means: 'A device came back that is linked to nobody.',
  turn: 'device desk',
  next: 'Keep the recorder and its recording, find the order that it belongs to, and link it with two patient identifiers.',
  byHand: ['returned', 'cancelled'],
  find: returnWithoutPatient,
}
