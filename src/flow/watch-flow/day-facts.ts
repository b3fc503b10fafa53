/** What the rules look at: the states, as of one moment, of everything that has to do with one site and one day. */
import type { Parties, Site, Tolerances } from '../../model/configuration.ts'
import { instantOf, msOf } from '../../model/instant.ts'
import { dueMoment, localDay, weekdayOf } from '../../model/local-day.ts'
import {
  type ApplicationState,
  type ConflictState,
  type GapState,
  type HeldState,
  type Instant,
  type KeptState,
  type LinkState,
  type OrderState,
  ofKind,
  type ReturnState,
  type Said,
  type State,
  type StubState,
  type TaskState,
} from '../../model/states.ts'

/** A resource that says something of an order's visit. */
export type SpeakingState = KeptState & { readonly orderId: string; readonly says: Said }

const speaks = (state: KeptState): state is SpeakingState => state.orderId !== undefined && state.says !== undefined

export interface Facts {
  readonly orders: readonly OrderState[]
  readonly links: readonly LinkState[]
  readonly applications: readonly ApplicationState[]
  /** What sources say of visits. */
  readonly told: readonly SpeakingState[]
  readonly conflicts: readonly ConflictState[]
  readonly returns: readonly ReturnState[]
  readonly tasks: readonly TaskState[]
  readonly stubs: readonly StubState[]
  readonly held: readonly HeldState[]
  /** The gaps as they were noted: for what people said of them, which follows from nothing else. */
  readonly noted: readonly GapState[]
}

/** The rules' surroundings: who takes part, and the moment as of which they are asked. */
export interface Watch {
  readonly asOf: Instant
  readonly parties: Parties
  readonly tolerances: Tolerances
}

export const factsFrom = (states: readonly State[]): Facts => ({
  orders: ofKind(states, 'order'),
  links: ofKind(states, 'link'),
  applications: ofKind(states, 'application'),
  told: ofKind(states, 'kept').filter(speaks),
  conflicts: ofKind(states, 'conflict'),
  returns: ofKind(states, 'return'),
  tasks: ofKind(states, 'task'),
  stubs: ofKind(states, 'stub'),
  held: ofKind(states, 'held'),
  noted: ofKind(states, 'gap'),
})

export const siteOf = (id: string | undefined, watch: Watch): Site | undefined =>
  watch.parties.sites.find((s) => s.id === id)

/** The moment before which a device switched on at `appliedAt` must be linked. */
export const dueOf = (appliedAt: Instant, site: Site): Instant => instantOf(dueMoment(msOf(appliedAt), site).due)

export const dayEnd = (day: string, site: Site): Instant => instantOf(localDay(day, site.timeZone).end)

/** On closed days no visit is expected. A date among the exceptions is open whatever its weekday. */
export const isClosed = (day: string, { closed, open }: Pick<Site, 'closed' | 'open'>): boolean =>
  open?.includes(day) !== true && (closed.includes(day) || closed.includes(weekdayOf(day)))
