/** What lies between two moments of one evening: which gaps opened, were mended, came again. Pure. */
import type { GapState, Instant } from '../../model/states.ts'
import type { Count, Evening } from './evening.ts'

export type ChangeOfGap =
  | 'opened'
  | 'opened and mended'
  | 'mended'
  | 'reopened'
  | 'became final'
  /** The facts show it no more: it was answered in time, belongs to another day now, or rested on an error. */
  | 'no more'
  | 'unchanged'

export interface Standing {
  readonly asOf: Instant
  readonly open: number
  readonly mended: number
  readonly linked: Count
}

export interface Difference {
  readonly before: Standing
  readonly after: Standing
  readonly changes: readonly { readonly gap: GapState; readonly change: ChangeOfGap }[]
}

const standingOf = (e: Evening): Standing => ({
  asOf: e.asOf,
  open: e.gaps.filter((g) => g.mended === undefined).length,
  mended: e.gaps.filter((g) => g.mended !== undefined).length,
  linked: e.linked,
})

const changeOf = (before: GapState | undefined, after: GapState): ChangeOfGap => {
  if (before === undefined) {
    if (after.mended !== undefined) return 'opened and mended'
    return after.reopens === undefined ? 'opened' : 'reopened'
  }
  if (before.mended === undefined && after.mended !== undefined) return 'mended'
  if (before.mended !== undefined && after.mended === undefined) return 'reopened'
  return before.status === 'preliminary' && after.status === 'final' ? 'became final' : 'unchanged'
}

/** @param before the evening of the same site and day as of the earlier moment */
export const differenceOf = (before: Evening, after: Evening): Difference => {
  const known = new Map(before.gaps.map((g) => [g.id, g]))
  const now = new Set(after.gaps.map((g) => g.id))
  return {
    before: standingOf(before),
    after: standingOf(after),
    changes: [
      ...after.gaps.map((gap) => ({ gap, change: changeOf(known.get(gap.id), gap) })),
      ...before.gaps.filter((g) => !now.has(g.id)).map((gap) => ({ gap, change: 'no more' as const })),
    ],
  }
}
