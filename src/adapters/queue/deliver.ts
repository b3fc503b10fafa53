/** One attempt at one delivery: claim, look first where the fate is unknown, send, write down what became of it. */
import type { Bundle } from 'fhir/r4.js'
import type { Logger } from 'pino'
import { afterTrouble, type Patience } from '../../flow/forward-order/retry.ts'
import { systems } from '../../model/systems.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Peer } from '../fhir/peer.ts'
import type { Failure } from '../fhir/peer-fates.ts'
import { kindOf } from '../kind-of-error.ts'
import type { Database } from '../postgres/database.ts'
import { type Attempted, type Claimed, claimDelivery, settleDelivery, takeUnannounced } from '../postgres/deliveries.ts'
import type { Queue } from './queue.ts'

export interface Delivering {
  readonly db: Database
  readonly queue: Queue
  readonly peers: ReadonlyMap<string, Peer>
  readonly patience: Patience
  /** Between 0 and 1. */
  readonly luck: () => number
  readonly log: Logger
}

/** Longer than the deadline of a call, so that no second worker begins while the first still waits. */
const leaseSeconds = 30

const trouble = (d: Delivering, c: Claimed, f: Omit<Failure, 'cause'>): Attempted =>
  afterTrouble(
    { fate: f.fate, reason: f.reason, ...(f.retryAfterMs !== undefined && { retryAfterMs: f.retryAfterMs }) },
    c.attempts,
    c.age_seconds,
    d.patience,
    d.luck(),
  )

/** Every Task of a delivery names it: if they have one, they have all, for it was one transaction. */
const arrived = async (peer: Peer, claimed: Claimed): Promise<boolean | Failure> => {
  const answer = await peer.search(
    'Task',
    { identifier: `${systems.deliveries}|${claimed.id}`, _count: '1' },
    claimed.request_id,
  )
  if (answer.fate !== 'answered') return answer
  return (answer.body.entry ?? []).some((e) => e.resource?.resourceType === 'Task')
}

const attempt = async (d: Delivering, peer: Peer, claimed: Claimed): Promise<Attempted> => {
  if (claimed.fate === 'unsure') {
    const found = await arrived(peer, claimed)
    if (found === true) return { fate: 'sent', reason: 'Found there when read back.' }
    // what could not be looked up stays as unsure as it was
    if (found !== false)
      return { ...trouble(d, claimed, { ...found, fate: found.fate === 'final' ? 'final' : 'unsure' }) }
  }
  const answer = await peer.transaction(parseExactly(claimed.body) as Bundle, claimed.request_id)
  return answer.fate === 'answered' ? { fate: 'sent' } : trouble(d, claimed, answer)
}

/** A bug is told to the log and counts as an attempt, so that the delivery is parked in the end and not tried for ever. */
const attemptOrBug = async (d: Delivering, peer: Peer, claimed: Claimed): Promise<Attempted> => {
  try {
    return await attempt(d, peer, claimed)
  } catch (err) {
    const { id: delivery, request_id: requestId } = claimed
    d.log.error({ step: 'forward-order', delivery, requestId, err: kindOf(err) }, 'a bug')
    return trouble(d, claimed, { fate: 'unsure', reason: 'Something went wrong in Daybind; its log has more.' })
  }
}

/** Looks at a delivery. What is not due, paused, or behind an older one is left for later. */
export const deliver = async (d: Delivering, id: string): Promise<void> => {
  const claimed = await claimDelivery(d.db, id, leaseSeconds)
  const peer = claimed && d.peers.get(claimed.destination)
  if (claimed === undefined || peer === undefined) return
  const started = performance.now()
  const result = await attemptOrBug(d, peer, claimed)
  const next = await settleDelivery(d.db, claimed, result)
  if (next) await d.queue.announce(d.db, [next])
  d.log.info(
    {
      step: 'forward-order',
      delivery: id,
      destination: claimed.destination,
      requestId: claimed.request_id,
      attempt: claimed.attempts,
      fate: result.fate,
      reason: result.reason,
      ms: Math.round(performance.now() - started),
    },
    'delivery attempted',
  )
}

/** Finds what is due and has no job: retries, and what a crash left behind. */
export const sweep = async (d: Delivering): Promise<void> => {
  const due = await takeUnannounced(d.db, 500)
  if (due.length > 0) await d.queue.announce(d.db, due)
}
