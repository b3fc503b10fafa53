/** Links are exclusive in time: half-open periods, so that one may end in the moment in which the next begins. */
import type { Instant, LinkState } from '../../model/states.ts'

export interface Wear {
  readonly appliedAt: Instant
  readonly endedAt?: Instant
}

const never = '9999-12-31T23:59:59.999999Z'

export const overlap = (a: Wear, b: Wear): boolean =>
  a.appliedAt < (b.endedAt ?? never) && b.appliedAt < (a.endedAt ?? never)

export const stands = (link: LinkState): boolean => link.status !== 'entered-in-error'

/** Worn now, as far as we know. */
export const isOpen = (link: LinkState): boolean => link.status === 'active'

export const contains = (wear: Wear, moment: Instant): boolean =>
  wear.appliedAt <= moment && moment < (wear.endedAt ?? never)
