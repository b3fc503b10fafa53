/** What every step is made of: it decides, and says what shall become true; the rim makes it so. */
import type { FhirResource } from 'fhir/r4.js'
import type { Parties, Tolerances } from '../model/configuration.ts'
import type { Problem } from '../model/problems.ts'
import type { Instant, State } from '../model/states.ts'

/** What happened, as the journal calls it. */
export type Fact =
  | 'order-accepted'
  | 'order-revised'
  | 'order-held'
  | 'order-revoked'
  | 'order-completed'
  | 'order-moved'
  | 'not-applied'
  | 'patient-received'
  | 'resource-received'
  | 'device-seen'
  | 'device-tied'
  | 'device-released'
  | 'device-applied'
  | 'device-linked'
  | 'link-refused'
  | 'link-ended'
  | 'link-corrected'
  | 'link-moved'
  | 'link-doubted'
  | 'device-returned'
  | 'return-matched'
  | 'task-requested'
  | 'task-answered'
  | 'task-cancelled'
  | 'task-moved'
  | 'stubs-made'
  | 'stubs-moved'
  | 'stubs-withdrawn'
  | 'report-received'
  | 'report-revised'
  | 'report-held'
  | 'report-settled'
  | 'gap-opened'
  | 'gap-changed'
  | 'gap-mended'
  | 'gap-acknowledged'
  | 'gap-resolved'

/** Time, ids and the caller come in as arguments: a step that is decided twice decides the same. */
export interface Context {
  /** The moment that the database stamped for this step. */
  readonly now: Instant
  readonly newId: () => string
  readonly caller: ActingCaller
  readonly requestId: string
  readonly parties: Parties
  readonly tolerances: Tolerances
}

export interface ActingCaller {
  readonly id: string
  readonly role: 'source' | 'clinic' | 'reading-service' | 'operator' | 'local'
  /** Absent: all. */
  readonly sites?: readonly string[]
}

/** A caller without a list of sites works at all of them. */
export const worksAt = ({ sites }: ActingCaller, siteId: string): boolean => sites?.includes(siteId) ?? true

/** One fact with the state after it. `content` is the resource itself where it is somebody else's words. */
export interface Change {
  readonly fact: Fact
  readonly state: State
  readonly occurredAt: Instant
  readonly content?: FhirResource
  /** Nothing of it is stored yet. */
  readonly isNew?: true
  /** The site that an order has left: who works there alone sees it no more. */
  readonly leaves?: string
  /** The order about which a source does not say this any more: its gaps follow. */
  readonly leavesOrder?: string
}

/** A linked order that a reading service shall get; what exactly is sent is read off the state after the step. */
export interface Forward {
  readonly orderId: string
  readonly readingService: string
}

export interface Decision<Answer> {
  readonly changes: readonly Change[]
  /** Resources that record what was done: Provenance and AuditEvent. Written once, never changed. */
  readonly records?: readonly FhirResource[]
  readonly forward?: readonly Forward[]
  readonly answer: Answer
  readonly warnings: readonly Problem[]
}

/** Nothing becomes true: an answer that was given before, or one that only reads. */
export const unchanged = <A>(answer: A, warnings: readonly Problem[] = []): Decision<A> => ({
  changes: [],
  answer,
  warnings,
})
