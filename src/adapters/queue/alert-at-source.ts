/** Alerts into the FHIR server of a source: what its CapabilityStatement takes of them, once however often it is tried. */

import type { Trouble } from '../../flow/forward-order/retry.ts'
import { type PlanRow, writePlan } from '../../flow/forward-order/write-plan.ts'
import { alertBundle } from '../../flow/watch-flow/alerts/fhir-alert.ts'
import type { AlertMessage } from '../../flow/watch-flow/alerts/message.ts'
import type { Peer } from '../fhir/peer.ts'
import { causes, type Failure } from '../fhir/peer-fates.ts'
import type { AlertSent, AlertToSend, Messenger } from '../notify/messenger.ts'
import type { Statements } from './statements.ts'
import { writeThere } from './write-there.ts'

const needs = ['Communication', 'Task'].map((type) => ({ type, does: 'write' as const }))

/** Created once, and never changed: people there may have worked with it. */
const createdOnce = (row: PlanRow): PlanRow =>
  ['create', 'transaction', 'create-once'].includes(row.how)
    ? { ...row, how: 'create-once' }
    : { ...row, how: 'not-at-all', why: row.how === 'not-at-all' ? row.why : 'They take no create of it.' }

const troubleOf = ({ fate, cause, reason, retryAfterMs }: Failure): Trouble => ({
  fate,
  whose: causes[cause].whose,
  reason,
  ...(retryAfterMs !== undefined && { retryAfterMs }),
})

export interface AtSource {
  readonly peer: Peer
  readonly statements: Statements
  /** Between 0 and 1. */
  readonly luck: () => number
  /** No call is begun later than so many milliseconds after the first. */
  readonly beginWithinMs: number
}

export const openAlertsAtSource = ({ peer, statements, luck, beginWithinMs }: AtSource): Messenger => ({
  connections: 1,
  inTurn: (work) => work(),
  send: async ({ id, body, requestId }: AlertToSend): Promise<AlertSent> => {
    const statement = await statements.of(peer)
    if (statement.fate !== 'answered') return { arrived: false, trouble: troubleOf(statement), mayBeThere: false }
    const begun = performance.now()
    const outcome = await writeThere({
      peer,
      plan: writePlan(statement.body, needs).map(createdOnce),
      to: 'source',
      message: alertBundle(id, JSON.parse(body) as AlertMessage),
      known: [],
      theirIds: new Map(),
      leave: new Map(),
      requestId,
      luck,
      mayCall: () => performance.now() - begun < beginWithinMs,
      remember: async () => undefined,
    })
    if (outcome.done) return { arrived: true, fate: 'taken' }
    if (outcome.trouble.fate === 'final') statements.forget(peer.id)
    const trouble = 'cause' in outcome.trouble ? troubleOf(outcome.trouble) : outcome.trouble
    return { arrived: false, trouble, mayBeThere: outcome.mayBeThere }
  },
  breakOff: () => peer.breakOff(),
  close: () => peer.close(),
})
