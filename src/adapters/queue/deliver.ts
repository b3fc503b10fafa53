/** One attempt at one delivery: claim, look first where the fate is unknown, send, write down what became of it. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import type { Logger } from 'pino'
import {
  afterTrouble,
  closedFor,
  type Patience,
  strikesToClose,
  type Trouble,
  type Verdict,
} from '../../flow/forward-order/retry.ts'
import type { WrittenSource } from '../../flow/forward-order/write-back.ts'
import type { Audience } from '../../flow/forward-order/write-merge.ts'
import {
  goesWhole,
  needsAtReadingService,
  needsAtSource,
  type PlanRow,
  writePlan,
} from '../../flow/forward-order/write-plan.ts'
import type { StepName } from '../../flow/steps.ts'
import { systems } from '../../model/systems.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Peer } from '../fhir/peer.ts'
import { causes, type Failure } from '../fhir/peer-fates.ts'
import { kindOf } from '../kind-of-error.ts'
import type { AlertSent, Messenger } from '../notify/messenger.ts'
import {
  type Attempted,
  type Claimed,
  claimNext,
  isOfOrder,
  type OfOrder,
  settleDelivery,
} from '../postgres/attempts.ts'
import { type Database, isOutage } from '../postgres/database.ts'
import { renewBody } from '../postgres/deliveries.ts'
import { noteArrival, noteTrouble, pauseDestination } from '../postgres/destinations.ts'
import { orderAtSource } from '../postgres/written.ts'
import type { Answers } from './read-answers.ts'
import type { Statements } from './statements.ts'
import { writeMessage } from './write-message.ts'

export interface Delivering {
  readonly db: Database
  readonly peers: ReadonlyMap<string, Peer>
  /** To those who are told of gaps. */
  readonly messengers: ReadonlyMap<string, Messenger>
  /** Those of the destinations that are sources. */
  readonly sources: ReadonlyMap<string, WrittenSource>
  readonly statements: Statements
  readonly answers: Answers
  readonly patience: Patience
  /** For how long an attempt is its worker's alone. */
  readonly leaseSeconds: number
  /** Between 0 and 1. */
  readonly luck: () => number
  readonly log: Logger
}

/**
 * Longer than the deadlines of the four calls of an attempt (10 s each) together, so that no second worker begins while
 * the first still waits. What is written piece by piece begins no call in the second half of it.
 */
export const usualLeaseSeconds = 45

/** How an attempt went: it is there, or what the trouble was, and whether it may be there all the same. */
type Outcome =
  | {
      readonly arrived: true
      /** Absent: sent. */
      readonly fate?: 'sent' | 'taken'
      readonly reason?: string
      readonly answered?: readonly FhirResource[]
    }
  | {
      readonly arrived: false
      readonly trouble: Trouble
      readonly mayBeThere: boolean
      /** They want nothing more. */
      readonly gone?: true
    }

const troubleOf = ({ fate, cause, reason, retryAfterMs }: Failure): Trouble => ({
  fate,
  whose: causes[cause].whose,
  reason,
  ...(retryAfterMs !== undefined && { retryAfterMs }),
})

/** Every Task of a delivery names it: if they have one, they have all, for it was one transaction. */
const isThere = async (peer: Peer, claimed: Claimed): Promise<boolean | Failure> => {
  const answer = await peer.search(
    'Task',
    { identifier: `${systems.deliveries}|${claimed.id}`, _count: '1' },
    claimed.request_id,
  )
  if (answer.fate !== 'answered') return answer
  return (answer.body.entry ?? []).some((e) => e.resource?.resourceType === 'Task')
}

/** What they have said in Tasks of theirs is taken first, or the message would take it back. */
const send = async (d: Delivering, peer: Peer, claimed: OfOrder): Promise<Outcome> => {
  const news = claimed.follows && (await d.answers.before(claimed.order_id, peer, claimed.request_id))
  const body = news ? await renewBody(d.db, claimed) : claimed.body
  const answer = await peer.transaction(parseExactly(body) as Bundle, claimed.request_id)
  return answer.fate === 'answered'
    ? { arrived: true, answered: (answer.body.entry ?? []).flatMap((e) => (e.resource as FhirResource) ?? []) }
    : { arrived: false, trouble: troubleOf(answer), mayBeThere: answer.fate === 'unsure' }
}

/**
 * What may be there is looked for before it is sent again. Where they never let us look, a person decides; and who
 * asked for it again has decided. Where they have answered its Task, a repetition asks for nothing new.
 */
const sendWhole = async (d: Delivering, peer: Peer, claimed: OfOrder): Promise<Outcome> => {
  if (claimed.fate === 'queued') return send(d, peer, claimed)
  const found = await isThere(peer, claimed)
  if (found === true) return { arrived: true, reason: 'Found there when read back.' }
  if (found === false || (found.fate === 'final' && (claimed.replayed || claimed.answered)))
    return send(d, peer, claimed)
  // what could not be looked up stays as unsure as it was
  const fate = found.fate === 'final' ? 'final' : 'unsure'
  return { arrived: false, trouble: { ...troubleOf(found), fate }, mayBeThere: true }
}

interface Pieces {
  readonly peer: Peer
  readonly plan: readonly PlanRow[]
  readonly to: Audience
}

/** Whatever became of an attempt before, this one reads what is there and writes what is missing. */
const sendInPieces = async (d: Delivering, { peer, plan, to }: Pieces, claimed: OfOrder): Promise<Outcome> => {
  const source = d.sources.get(claimed.destination)
  const there =
    source && (await orderAtSource(d.db, { source: source.id, base: source.fhir, orderId: claimed.order_id }))
  const outcome = await writeMessage(d, { peer, plan, to, ...(there && { there }) }, claimed)
  if (outcome.done) return { arrived: true, ...(outcome.notes.length > 0 && { reason: outcome.notes.join(' ') }) }
  // they may have changed what they take since they were asked
  if (outcome.trouble.fate === 'final') d.statements.forget(peer.id)
  const trouble = 'cause' in outcome.trouble ? troubleOf(outcome.trouble) : outcome.trouble
  const unsure = claimed.fate === 'unsure' && trouble.fate === 'try-again'
  return {
    arrived: false,
    trouble: unsure ? { ...trouble, fate: 'unsure' } : trouble,
    mayBeThere: outcome.mayBeThere || claimed.fate === 'unsure',
  }
}

const typesIn = (body: string): ReadonlySet<string> =>
  new Set(((parseExactly(body) as Bundle).entry ?? []).flatMap((e) => e.resource?.resourceType ?? []))

const attempt = async (d: Delivering, peer: Peer, claimed: OfOrder): Promise<Outcome> => {
  const toSource = d.sources.has(claimed.destination)
  // a reading service that does not describe itself gets what every one got before it was asked
  const statement = await d.statements.of(peer, { mayFail: !toSource })
  if (statement.fate !== 'answered' && !toSource) return sendWhole(d, peer, claimed)
  if (statement.fate !== 'answered')
    return { arrived: false, trouble: troubleOf(statement), mayBeThere: claimed.fate === 'unsure' }
  const plan = writePlan(statement.body, toSource ? needsAtSource : needsAtReadingService)
  if (goesWhole(plan, typesIn(claimed.body))) return sendWhole(d, peer, claimed)
  return sendInPieces(d, { peer, plan, to: toSource ? 'source' : 'reading-service' }, claimed)
}

const notForThem: Outcome = {
  arrived: false,
  mayBeThere: false,
  trouble: {
    fate: 'final',
    whose: 'message',
    reason: 'This name was that of another destination when it was queued; nothing was sent.',
  },
}

/** An alert of unknown fate is sent again: it says who it is, and one that comes twice does less harm than none. */
const sendAlert = (messenger: Messenger, { id, body, request_id, attempts, fate }: Claimed): Promise<AlertSent> =>
  messenger.send({ id, body, requestId: request_id, attempt: attempts, repeats: fate === 'unsure' })

type Attempt = (claimed: Claimed) => Promise<Outcome>

/** How one attempt is made at a destination; undefined where it is none of ours. */
const attemptAt = (d: Delivering, destination: string): Attempt | undefined => {
  const [peer, messenger] = [d.peers.get(destination), d.messengers.get(destination)]
  if (messenger) return async (claimed) => (isOfOrder(claimed) ? notForThem : sendAlert(messenger, claimed))
  return peer && (async (claimed) => (isOfOrder(claimed) ? attempt(d, peer, claimed) : notForThem))
}

/**
 * A bug is told to the log and counts as an attempt, so that the delivery is parked in the end and not tried for ever.
 * Where our database is lost, nothing can be written down: the lease runs out, and what became of it is looked for then.
 */
const attemptOrBug = async (d: Delivering, once: Attempt, claimed: Claimed): Promise<Outcome> => {
  try {
    return await once(claimed)
  } catch (err) {
    if (isOutage(err)) throw err
    const { id: delivery, request_id: requestId } = claimed
    d.log.error({ step: stepOf(claimed), delivery, requestId, err: kindOf(err) }, 'a bug')
    const reason = 'Something went wrong in Daybind; its log has more.'
    return { arrived: false, trouble: { fate: 'unsure', whose: 'unclear', reason }, mayBeThere: true }
  }
}

const attempted = (d: Delivering, claimed: Claimed, outcome: Outcome): Attempted => {
  if (outcome.arrived)
    return { fate: outcome.fate ?? 'sent', mayBeThere: false, ...(outcome.reason && { reason: outcome.reason }) }
  const { attempts, age_seconds: age } = claimed
  const verdict: Verdict = afterTrouble(outcome.trouble, attempts, age, d.patience, d.luck())
  return { ...verdict, mayBeThere: outcome.mayBeThere }
}

/** What an attempt says of the destination is written down too, before its line goes on. */
const settle = async (d: Delivering, claimed: Claimed, outcome: Outcome): Promise<Attempted> => {
  const result = attempted(d, claimed, outcome)
  const { destination, probe } = claimed
  if (!outcome.arrived && outcome.trouble.whose !== 'message') {
    const { trouble } = outcome
    const seconds = await noteTrouble(d.db, {
      destination,
      delivery: claimed.id,
      probe,
      certain: trouble.whose === 'destination',
      reason: trouble.reason,
      strikesToClose,
      closedFor: (closing) => closedFor(trouble, closing, d.patience, d.luck()),
    })
    if (seconds !== undefined)
      d.log.warn({ step: stepOf(claimed), destination, seconds, reason: trouble.reason }, 'destination closed')
  }
  await settleDelivery(d.db, claimed, result)
  // what is queued for them waits, and people see why
  if (!outcome.arrived && outcome.gone) await pauseDestination(d.db, destination, outcome.trouble.reason)
  if (claimed.troubled && (outcome.arrived || outcome.trouble.whose === 'message')) {
    await noteArrival(d.db, destination, probe)
    if (probe) d.log.info({ step: stepOf(claimed), destination }, 'destination open again')
  }
  if (outcome.arrived && isOfOrder(claimed) && d.peers.has(destination) && !d.sources.has(destination))
    await d.answers.arrived(claimed.order_id, destination, outcome.answered ?? [], claimed.request_id)
  return result
}

/**
 * Makes one attempt at the next delivery of a destination that is due. No connection to the database is held while the
 * other side is waited for.
 * @returns whether there was one
 */
export const deliverNext = async (d: Delivering, destination: string): Promise<boolean> => {
  const messenger = d.messengers.get(destination)
  // before it is claimed: who waits for a turn would hold a lease meanwhile
  return messenger ? messenger.inTurn(() => deliverOne(d, destination)) : deliverOne(d, destination)
}

const stepOf = (claimed: Claimed): StepName => (isOfOrder(claimed) ? 'forward-order' : 'watch-flow')

const deliverOne = async (d: Delivering, destination: string): Promise<boolean> => {
  const once = attemptAt(d, destination)
  const claimed = once && (await claimNext(d.db, destination, d.leaseSeconds))
  if (once === undefined || claimed === undefined) return false
  const started = performance.now()
  const result = await settle(d, claimed, await attemptOrBug(d, once, claimed))
  d.log.info(
    {
      step: stepOf(claimed),
      delivery: claimed.id,
      destination,
      requestId: claimed.request_id,
      attempt: claimed.attempts,
      fate: result.fate,
      reason: result.reason,
      ms: Math.round(performance.now() - started),
    },
    'delivery attempted',
  )
  return true
}
