/** What the command `fake` plays: a counterpart, and how it is asked for. */
import type { Daybind } from './calls.ts'
import type { Checked } from './rules.ts'

/** Prints an event: as an object for machines, as lines for people. */
export type Print = (event: Record<string, unknown>, lines: string) => void

export interface Played {
  readonly base: string
  /** What it has to complain about, in what arrived and in what was answered to it. */
  readonly complaints: () => readonly string[]
  readonly arrivals: () => number
  readonly checked: () => readonly Checked[]
  /** What it does by itself once it is up. */
  readonly begin: () => Promise<void>
  readonly stop: () => Promise<void>
}

export interface PlayOptions {
  readonly port: number
  /** Demanded from whoever calls. */
  readonly token?: string
  /** Where calls of its own go. */
  readonly daybind?: Daybind
}

export const done = (body: unknown = { done: true }) => ({ status: 200, body })
export const wrong = (problem: string) => ({ status: 400, body: { problem } })

/** What happened, and below it what there is to complain about. */
export const withComplaints = (first: string, complaints: readonly string[]): string =>
  [first, ...complaints.map((says) => `  complaint: ${says}`)].join('\n')
