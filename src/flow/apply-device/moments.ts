/** Checks of moments that people state at the bedside. */
import type { TimeZone } from '../../model/configuration.ts'
import { addSeconds, instantOf, msOf } from '../../model/instant.ts'
import { zoneAt } from '../../model/local-day.ts'
import { readMoment } from '../../model/moment.ts'
import type { Given } from '../../model/parameters.ts'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import type { Context } from '../step.ts'

/** Where no such site is configured any more, UTC. */
export const zonesOf = (site: string, { parties }: Pick<Context, 'parties'>): TimeZone =>
  parties.sites.find(({ id }) => id === site)?.timeZone ?? 'UTC'

/** The zone by whose clock a site goes now. */
export const zoneOf = (site: string, ctx: Pick<Context, 'parties' | 'now'>): string =>
  zoneAt(msOf(ctx.now), zonesOf(site, ctx))

export interface Stated {
  readonly instant: Instant
  /** As written, with its offset. */
  readonly text: string
  readonly ms: number
  readonly at: string
}

export const readStated = (given: Given<string>): Checked<Stated> => {
  const read = readMoment(given.value, given.at)
  if (!read.ok) return read
  return accept({ instant: instantOf(read.value.ms), text: given.value, ms: read.value.ms, at: given.at })
}

export const readStatedMaybe = (given: Given<string> | undefined): Checked<Stated | undefined> =>
  given === undefined ? accept(undefined) : readStated(given)

/** A moment may not lie in the future, beyond the skew that the configuration allows. */
export const futureDoubts = (stated: Stated | undefined, ctx: Context): readonly Problem[] =>
  stated !== undefined && stated.instant > addSeconds(ctx.now, ctx.tolerances.skew)
    ? [refusal('in-the-future', stated.at, { found: stated.text, expected: `at most ${ctx.now}` })]
    : []

/** A moment that can be read and does not lie in the future. */
export const statedMoment = (given: Given<string>, ctx: Context): Checked<Stated> => {
  const read = readStated(given)
  const doubts = read.ok ? futureDoubts(read.value, ctx) : []
  return doubts.length > 0 ? refuse(doubts) : read
}

/** A moment that may be absent. */
export const statedMaybe = (given: Given<string> | undefined, ctx: Context): Checked<Stated | undefined> =>
  given === undefined ? accept(undefined) : statedMoment(given, ctx)

/** Says nothing of the start: who states an end may not be allowed to know it. */
export const endsAfter = (start: Instant, end: Stated | undefined): readonly Problem[] =>
  end !== undefined && end.instant <= start
    ? [refusal('ends-before-start', end.at, { found: end.text, expected: 'later than the moment of switching on' })]
    : []
