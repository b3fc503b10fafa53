/**
 * The gaps: one table. A rule says, of the facts as of a moment, which gaps there are or were; it is pure, so the same
 * facts give the same gaps whenever it is asked. Adding a gap is one rule beside its kin in `gaps/`, one entry here and
 * its code in the model.
 */
import type { GapCode, GapState } from '../../model/states.ts'
import type { Facts, Watch } from './day-facts.ts'
import { lateLinkRule, noApplicationRule, noLinkRule } from './gaps/application.ts'
import { clockDoubtRule, expiredDeviceRule, identityDoubtRule, revokedWhileWornRule } from './gaps/link.ts'
import { overdueReportRule, reportDoubtRule } from './gaps/reading.ts'
import { returnWithoutPatientRule } from './gaps/return.ts'
import { closedByHand, type GapRule, gapId } from './gaps/rule.ts'

/** Every gap there is, the gravest first. */
export const gapRules: readonly GapRule[] = [
  noLinkRule,
  returnWithoutPatientRule,
  revokedWhileWornRule,
  reportDoubtRule,
  identityDoubtRule,
  noApplicationRule,
  expiredDeviceRule,
  clockDoubtRule,
  overdueReportRule,
  lateLinkRule,
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
