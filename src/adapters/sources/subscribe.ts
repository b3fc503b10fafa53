/** The Subscription at a source's server: made, looked at, and made anew where it died. */
import { randomUUIDv7 } from 'node:crypto'
import type { FhirResource, Subscription } from 'fhir/r4.js'
import {
  isSilent,
  isWanted,
  lookEvery,
  repairOf,
  type Subscribing,
  subscriptionFor,
} from '../../flow/accept-order/subscription-plan.ts'
import type { Peer } from '../fhir/peer.ts'
import type { Failure } from '../fhir/peer-fates.ts'
import { type Leased, noteSubscription } from '../postgres/asked-sources.ts'
import type { Database } from '../postgres/database.ts'
import { Trouble } from './walk.ts'

export interface Subscriber {
  readonly db: Database
  readonly peer: Peer
  readonly leased: Leased
  readonly subscribing: Exclude<Subscribing, false>
  /** Where notifications go. */
  readonly endpoint: string
}

const trouble = ({ reason }: Failure): Trouble => new Trouble(reason)

/** By its id, else by its endpoint: whoever lost the id makes no second one. */
const find = async (
  { peer, leased, endpoint }: Subscriber,
  wanted: Subscription,
): Promise<Subscription | undefined> => {
  const requestId = randomUUIDv7()
  if (leased.subscription !== null) {
    const answer = await peer.read('Subscription', leased.subscription, requestId)
    if (answer.fate === 'answered') return answer.body
    if (answer.fate !== 'final') throw trouble(answer)
  }
  const answer = await peer.search('Subscription', { url: endpoint }, requestId)
  // a server that cannot search them has none of ours that we know of
  if (answer.fate === 'final') return undefined
  if (answer.fate !== 'answered') throw trouble(answer)
  const found = (answer.body.entry ?? [])
    .map(({ resource }) => resource as FhirResource | undefined)
    .filter((r): r is Subscription => r?.resourceType === 'Subscription' && r.channel?.endpoint === endpoint)
  return found.find((s) => isWanted(s, wanted)) ?? found[0]
}

const make = async ({ peer }: Subscriber, wanted: Subscription): Promise<Subscription> => {
  const answer = await peer.create(wanted, randomUUIDv7())
  if (answer.fate !== 'answered') throw trouble(answer)
  return answer.body
}

/** Puts what is wanted in its place; where that is refused, another one is made. */
const again = async (s: Subscriber, wanted: Subscription, there: Subscription): Promise<Subscription> => {
  if (there.id === undefined) return make(s, wanted)
  const answer = await s.peer.update({ ...wanted, id: there.id }, randomUUIDv7())
  if (answer.fate === 'answered') return answer.body
  if (answer.fate === 'final') return make(s, wanted)
  throw trouble(answer)
}

const silence = ({ leased }: Subscriber, now: number): boolean =>
  isSilent(leased.found ?? undefined, leased.hinted ?? undefined, leased.subscriptionSince ?? now, now)

const look = async (s: Subscriber, now: number): Promise<void> => {
  const wanted = subscriptionFor({ subscribing: s.subscribing, endpoint: s.endpoint, secret: s.leased.secret })
  const there = await find(s, wanted)
  const age = (now - (s.leased.subscriptionSince ?? 0)) / 1000
  const silent = silence(s, now)
  const repair = repairOf(there, wanted, age, silent)
  const anew = repair === 'make' || repair === 'again'
  const is = !anew ? there : there === undefined ? await make(s, wanted) : await again(s, wanted, there)
  const told = silent ? 'Changes came that no notification had told; it was made anew.' : undefined
  const status = is?.status ?? null
  // made active by their handshake some time after it was made: from then on it has to tell
  const activated = status === 'active' && s.leased.subscriptionStatus !== 'active'
  await noteSubscription(s.db, s.leased, {
    subscription: is?.id ?? null,
    status,
    made: anew,
    since: anew || activated,
    ...(told !== undefined && { trouble: told }),
  })
}

/** Looks where it is time to; what stands in the way is told with the source, and looked at again. */
export const keepSubscription = async (s: Subscriber, now: number): Promise<void> => {
  const { subscriptionChecked: checked, subscriptionStatus: status } = s.leased
  const every = status === 'active' ? lookEvery.well : lookEvery.ill
  if (checked !== null && now - checked < every * 1000) return
  try {
    await look(s, now)
  } catch (error) {
    if (!(error instanceof Trouble)) throw error
    const { subscription } = s.leased
    await noteSubscription(s.db, s.leased, { subscription, status, made: false, since: false, trouble: error.message })
  }
}
