/**
 * The gaps: one table. A rule says, of the facts as of a moment, which gaps there are or were; it is pure, so the same
 * facts give the same gaps whenever it is asked. Adding a gap is one rule beside its kin in `gaps/`, one entry here and
 * its code in the model.
 */
import type { Evidence, GapCode, GapState, Mended, Mitigation, State } from '../../model/states.ts'
import type { Facts, Watch } from './day-facts.ts'
import { lateLinkRule, noApplicationRule, noLinkRule } from './gaps/application.ts'
import {
  clockDoubtRule,
  deviceOnTwoPatientsRule,
  expiredDeviceRule,
  identityDoubtRule,
  linkWithoutOrderRule,
  patientWithTwoDevicesRule,
  revokedWhileWornRule,
} from './gaps/link.ts'
import { notTakenRule, overdueReportRule, reportDoubtRule } from './gaps/reading.ts'
import { overdueReturnRule, returnWithoutPatientRule } from './gaps/return.ts'
import { closedByHand, type Found, type GapRule, gapId } from './gaps/rule.ts'

/** Every gap there is, the gravest first. */
export const gapRules: readonly GapRule[] = [
  noLinkRule,
  returnWithoutPatientRule,
  deviceOnTwoPatientsRule,
  revokedWhileWornRule,
  reportDoubtRule,
  identityDoubtRule,
  noApplicationRule,
  linkWithoutOrderRule,
  expiredDeviceRule,
  clockDoubtRule,
  notTakenRule,
  overdueReturnRule,
  overdueReportRule,
  lateLinkRule,
  patientWithTwoDevicesRule,
]

export const ruleOf = (code: GapCode): GapRule => {
  const rule = gapRules.find((r) => r.code === code)
  if (rule === undefined) throw new Error(`no rule for gap ${code}`)
  return rule
}

/** What has happened where the facts show a gap no more. */
export const goneOf = (gap: GapState, facts: Facts): Mitigation => {
  const { gone } = ruleOf(gap.code)
  return typeof gone === 'function' ? gone(gap, facts) : gone
}

/** What people said of a gap; what closed it first counts, they or the facts. */
const withWords = (gap: GapState, facts: Facts): GapState => {
  const acknowledged = facts.noted.find((g) => g.id === gap.id)?.acknowledged
  const byHand = closedByHand(gap.id, facts)
  const wins = byHand !== undefined && (gap.mended === undefined || byHand.at <= gap.mended.at)
  return { ...gap, ...(acknowledged && { acknowledged }), ...(wins && { mended: byHand }) }
}

/** Of what belongs to another site the number in the journal alone is told. */
const evidenceOf = (state: State, site: string | undefined): Evidence => ({
  kind: state.kind,
  id: state.id,
  ...(state.kind === 'kept' && { type: state.type }),
  ...('site' in state && state.site !== undefined && state.site !== site && { elsewhere: true as const }),
})

/** The facts take back what mended it, or there is more trouble than the person knew of who closed it. */
const isNews = ({ by, at }: Mended, newest: string): boolean => by === undefined || newest > at

/**
 * The same trouble again, after the facts had mended it, is another gap that names the one before; what was noted of
 * that stays as it is.
 */
const chainOf = (
  code: GapCode,
  { key, restsOn, newest, ...found }: Found,
  facts: Facts,
  watch: Watch,
): readonly GapState[] => {
  const before: GapState[] = []
  for (let n = 1; ; n += 1) {
    const id = gapId(code, n === 1 ? key : `${key} again ${n}`)
    const noted = facts.noted.find((g) => g.id === id)
    const next = facts.noted.some((g) => g.id === gapId(code, `${key} again ${n + 1}`))
    const isOver =
      noted?.mended !== undefined && found.mended === undefined && isNews(noted.mended, newest ?? found.since)
    if (noted !== undefined && (next || isOver)) {
      before.push(noted)
      continue
    }
    const reopens = before.at(-1)?.id
    const again = reopens === undefined ? {} : { reopens, since: noted?.since ?? watch.asOf }
    const rests = restsOn
      .map((state) => evidenceOf(state, found.site))
      .toSorted((a, b) => (`${a.kind} ${a.id}` < `${b.kind} ${b.id}` ? -1 : 1))
    return [...before, withWords({ kind: 'gap', id, code, ...found, ...again, restsOn: rests }, facts)]
  }
}

/** All gaps that the facts show as of the moment, mended ones included, in the order of the table and then of time. */
export const gapsOf = (facts: Facts, watch: Watch): readonly GapState[] =>
  gapRules.flatMap((rule) =>
    rule
      .find(facts, watch)
      .flatMap((found) => chainOf(rule.code, found, facts, watch))
      .sort((a, b) => (a.since < b.since || (a.since === b.since && a.id < b.id) ? -1 : 1)),
  )

/** What a gap means here and what to do next, in a sentence or three. */
export const detailOf = (gap: GapState): string => {
  const { means: late, meansYet, next } = ruleOf(gap.code)
  const means = gap.status === 'preliminary' && gap.mended === undefined ? (meansYet ?? late) : late
  const twelve = gap.cause === 'am-pm' ? ' Likeliest cause: morning and afternoon were exchanged (12 hours).' : ''
  const found = gap.found === undefined ? '' : ` (${gap.found})`
  return `${means.slice(0, -1)}${found}.${twelve} ${next}`
}
