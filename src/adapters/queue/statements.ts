/** What the servers of our destinations say of themselves, asked once and kept for a while. */
import { randomUUIDv7 } from 'node:crypto'
import type { CapabilityStatement } from 'fhir/r4.js'
import type { Peer } from '../fhir/peer.ts'
import type { Answer } from '../fhir/peer-fates.ts'

export interface Statements {
  /**
   * @param refresh asks anew, whatever is known
   * @param mayFail a failure that is not older than a minute is an answer too: the caller can do without
   */
  of(
    peer: Peer,
    asking?: { readonly refresh?: boolean; readonly mayFail?: boolean },
  ): Promise<Answer<CapabilityStatement>>
  /** For how long what was said of this destination counts; asked anew after it. */
  forget(destination: string): void
}

interface Asked {
  readonly at: number
  readonly answer: Promise<Answer<CapabilityStatement>>
  /** Known once it is here. */
  failed?: boolean
}

/** Milliseconds: a server seldom learns something new, and one that did not answer is soon asked again. */
const keptFor = { statement: 600_000, failure: 60_000 } as const

/** Each server is asked by one call at a time, however many wait for what it says. */
export const openStatements = (now: () => number = () => performance.now()): Statements => {
  const asked = new Map<string, Asked>()
  const ask = (peer: Peer): Asked => {
    const entry: Asked = { at: now(), answer: peer.metadata(randomUUIDv7()) }
    asked.set(peer.id, entry)
    entry.answer.then(
      ({ fate }) => {
        entry.failed = fate !== 'answered'
      },
      () => asked.delete(peer.id),
    )
    return entry
  }
  const holds = ({ at, failed }: Asked, mayFail: boolean): boolean =>
    failed ? mayFail && now() - at < keptFor.failure : now() - at < keptFor.statement
  return {
    of: (peer, { refresh = false, mayFail = false } = {}) => {
      const known = asked.get(peer.id)
      return (known !== undefined && !refresh && holds(known, mayFail) ? known : ask(peer)).answer
    },
    forget: (destination) => void asked.delete(destination),
  }
}
