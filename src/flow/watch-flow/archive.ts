/**
 * The archive of a site's evenings is a chain: each head is the SHA-256 of the head before it and of all that the row
 * says, its report by its own hash. Whoever knows one head knows everything before it. Pure.
 */
import { createHash } from 'node:crypto'
import type { Instant } from '../../model/states.ts'

export interface Sealed {
  readonly position: number
  readonly site: string
  readonly day: string
  readonly moment: string
  readonly asOf: Instant
  readonly dueAt: Instant
  readonly issuedAt: Instant
  readonly report: string
  /** As it was stored when the evening was issued. */
  readonly sha256: string
  readonly head: string
}

const sha256 = (text: string): string => createHash('sha256').update(text).digest('hex')

/** What comes before the first evening. */
export const noHead = ''

/** A line each: head before, position, site, day, moment, as of, due, issued, SHA-256 of the report; all hashes in hex. */
export const headOf = (before: string, e: Omit<Sealed, 'head' | 'sha256'>): string =>
  sha256([before, e.position, e.site, e.day, e.moment, e.asOf, e.dueAt, e.issuedAt, sha256(e.report)].join('\n'))

export interface Broken {
  readonly position: number
  readonly day: string
  readonly moment: string
  readonly why: string
}

const whatIsWrong = (e: Sealed, position: number, before: string): string | undefined => {
  if (e.position > position) return `evening ${position} is missing`
  if (e.position < position) return 'an evening stands twice in the chain'
  if (sha256(e.report) !== e.sha256) return 'the report has other bytes than when it was issued'
  return headOf(before, e) === e.head ? undefined : 'what it says, or what came before it, was changed'
}

/** Goes along a chain piece by piece, so that no archive is too long to be held in memory. */
export interface Walk {
  readonly count: number
  readonly head: string
  readonly broken?: Broken
}

export const beginning: Walk = { count: 0, head: noHead }

/** @param next the evenings that follow, in the order of their positions */
export const walkOn = (walk: Walk, next: readonly Sealed[]): Walk => {
  let { count, head } = walk
  if (walk.broken) return walk
  for (const e of next) {
    const why = whatIsWrong(e, count + 1, head)
    if (why !== undefined) return { count, head, broken: { position: e.position, day: e.day, moment: e.moment, why } }
    count += 1
    head = e.head
  }
  return { count, head }
}

/** When an evening was issued by itself. */
export interface IssuedMoment {
  readonly moment: string
  readonly dueAt: Instant
  readonly asOf: Instant
  /** It was issued long after it was due, once the service was back. */
  readonly late?: true
  /** Its head in the chain of the site's evenings. */
  readonly head: string
}
