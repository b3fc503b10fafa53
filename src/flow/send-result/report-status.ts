/** Which status of a report may follow which. */
import type { DiagnosticReport } from 'fhir/r4.js'

type Status = DiagnosticReport['status']

const before: readonly Status[] = ['registered', 'partial', 'preliminary', 'unknown']
const changed: readonly Status[] = ['amended', 'corrected', 'appended']

/** Nobody waits for it any more. */
export const isComplete = (status: Status): boolean => isFinal(status) || status === 'cancelled'

/** The reading is done. R4, valueset-diagnostic-report-status: amended, corrected and appended come after final. */
export const isFinal = (status: Status): boolean => status === 'final' || changed.includes(status)

/**
 * What becomes of a report with other content than the one that stands: it takes its place, it comes too late to do
 * so, or its status cannot follow.
 *
 * After `final` there are `amended`, `corrected` and `appended` alone (R4, valueset-diagnostic-report-status:
 * each is "subsequent to being final"); what was cancelled or final cannot become preliminary again, so such a report
 * was overtaken on its way. A `final` one after a change of it was overtaken too. After `entered-in-error` a report
 * begins anew.
 */
export const verdictOn = (stored: Status | undefined, next: Status): 'take' | 'late' | 'illegal' => {
  if (stored === undefined || before.includes(stored) || stored === 'entered-in-error') return 'take'
  if (next === 'entered-in-error' || changed.includes(next)) return 'take'
  if (before.includes(next)) return 'late'
  if (stored === 'cancelled') return next === 'cancelled' ? 'take' : 'illegal'
  return next === 'final' && changed.includes(stored) ? 'late' : 'illegal'
}

/** The statuses that may follow, for whoever sent another. */
export const mayFollow = (stored: Status): string =>
  (stored === 'cancelled' ? ['cancelled', ...changed] : changed).join(' | ')
