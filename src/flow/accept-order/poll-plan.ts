/**
 * When a source's server is asked, and for what. Nothing here relies on its clock being ours: moments of its resources
 * are compared with its own Date header.
 */
import type { CapabilityStatement } from 'fhir/r4.js'
import type { EvidenceType, Source } from '../../model/configuration.ts'
import { evidenceOf } from './evidence.ts'

/**
 * A resource may become visible so many seconds after the moment that it is stamped with: its transaction was open
 * (servers give one up to two minutes), and the clocks of a cluster differ by seconds. What is younger is asked for again.
 */
export const settlingSeconds = 150

/** How far both clocks may lie apart before it is told. */
export const skewToTell = 60

const longestPause = 300

/** What a walk through the pages of a search has shown, when it came to its end. */
export interface Walk {
  /** Their clock when it began; absent: they do not tell. Milliseconds since 1970, as all moments here. */
  readonly theirs?: number
  /** Ours when it began. */
  readonly ours: number
}

/** Everything of theirs that was last updated before it is known after a walk that came to its end. Never runs back. */
export const watermarkAfter = (walk: Walk, before: number | undefined): number =>
  Math.max((walk.theirs ?? walk.ours) - settlingSeconds * 1000, before ?? Number.NEGATIVE_INFINITY)

/** Seconds that their clock is ahead of ours. What they told is cut to whole seconds, so it was half a second later. */
export const skewOf = ({ theirs, ours }: Walk): number | undefined =>
  theirs === undefined ? undefined : Math.round((theirs + 500 - ours) / 1000)

/** Seconds between looks at the patients and visits of all that is open, which may change though no order does. */
export const lookPause = (everySeconds: number): number => Math.min(longestPause, Math.max(60, everySeconds * 10))

/**
 * Seconds until they are asked again.
 * @param failures in a row, 0 after a walk that came to its end
 * @param luck between 0 and 1, so that several do not ask at once
 */
export const pauseAfter = (everySeconds: number, failures: number, askedToWait: number, luck: number): number => {
  if (failures === 0) return everySeconds
  const growing = Math.min(longestPause, Math.max(1, everySeconds) * 2 ** Math.min(failures - 1, 16))
  return Math.max(growing * (0.75 + luck / 4), askedToWait)
}

/** Minutes before a cut-off at which everything that is open is looked through again. */
export const sweepMinutes = [60, 10] as const

/**
 * Whether everything that is open is to be looked through: what a search by time has missed shall be known while
 * somebody can still mend it. An hour before a cut-off there is time for the work, ten minutes before it for the list.
 * @param cutOffs of today, of every site
 */
export const sweepIsDue = (cutOffs: readonly number[], last: number | undefined, now: number): boolean =>
  cutOffs.some((cutOff) =>
    sweepMinutes.some((minutes) => {
      const from = cutOff - minutes * 60_000
      return from <= now && now < cutOff && (last === undefined || last < from)
    }),
  )

/** By which every type of evidence is searched in R4, so that nobody else's visits are asked for. */
export const evidenceParameter = 'based-on'

const searches = (statement: CapabilityStatement, type: EvidenceType): boolean =>
  (statement.rest ?? []).some(
    ({ mode, resource }) =>
      mode === 'server' &&
      (resource ?? []).some((r) => r.type === type && (r.searchParam ?? []).some((p) => p.name === evidenceParameter)),
  )

/**
 * Types of evidence that a source's server is asked for. One that lists no such parameter would leave it out of account
 * and answer with every visit it has.
 * @param statement absent: it keeps to itself what it can, and is asked
 */
export const evidenceToAsk = (
  source: Pick<Source, 'evidence'>,
  statement: CapabilityStatement | undefined,
): readonly EvidenceType[] => evidenceOf(source).filter((type) => statement === undefined || searches(statement, type))
