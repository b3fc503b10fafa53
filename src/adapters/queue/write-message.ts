/** A message that is written piece by piece: into a source, and to a reading service that takes no linked order whole. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import type { Audience } from '../../flow/forward-order/write-merge.ts'
import { urlOf } from '../../flow/forward-order/write-parts.ts'
import type { PlanRow } from '../../flow/forward-order/write-plan.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Peer } from '../fhir/peer.ts'
import type { OfOrder } from '../postgres/attempts.ts'
import type { Database } from '../postgres/database.ts'
import { holdersNow, type OrderThere, rememberPlaces, theirIds } from '../postgres/written.ts'
import { type WriteOutcome, writeThere } from './write-there.ts'

export interface MessageWriter {
  readonly db: Database
  readonly luck: () => number
  /** Seconds for which the attempt is ours. */
  readonly leaseSeconds: number
}

export interface WrittenTo {
  readonly peer: Peer
  readonly plan: readonly PlanRow[]
  readonly to: Audience
  /** Of a source: its order and patient as it knows them. */
  readonly there?: OrderThere
}

const idsOf = (message: Bundle<FhirResource>, type?: string): readonly string[] =>
  (message.entry ?? []).flatMap(({ resource, fullUrl = '' }) =>
    type === undefined || resource?.resourceType === type ? [fullUrl.slice(urlOf('').length)] : [],
  )

/** Recorders as they are now: one that meanwhile is on somebody else's patient is left with that one. */
const withPresentHolders = (
  message: Bundle<FhirResource>,
  patientId: string,
  holders: ReadonlyMap<string, string | undefined>,
): Bundle<FhirResource> => ({
  ...message,
  entry: (message.entry ?? []).map((e) => {
    if (e.resource?.resourceType !== 'Device') return e
    const { patient: _then, ...device } = e.resource
    const worn = holders.get((e.fullUrl ?? '').slice(urlOf('').length)) === patientId
    return { ...e, resource: { ...device, ...(worn && { patient: { reference: urlOf(patientId) } }) } }
  }),
})

/** No call is begun in the last part of the lease, so that no second worker begins while one is waited for. */
const partOfLease = 0.5

export const writeMessage = async (
  { db, luck, leaseSeconds }: MessageWriter,
  { peer, plan, to, there }: WrittenTo,
  claimed: OfOrder,
): Promise<WriteOutcome> => {
  const begun = performance.now()
  const message = parseExactly(claimed.body) as Bundle<FhirResource>
  const [patientId = ''] = there === undefined ? idsOf(message, 'Patient') : [there.patientId]
  const holders = await holdersNow(db, idsOf(message, 'Device'))
  const others = [...holders].filter(([, holder]) => holder !== undefined && holder !== patientId)
  return writeThere({
    peer,
    plan,
    to,
    message: withPresentHolders(message, patientId, holders),
    known: there?.known ?? [],
    theirIds: await theirIds(db, claimed.destination, idsOf(message)),
    leave: new Map(others.map(([device]) => [device, ['patient']])),
    requestId: claimed.request_id,
    luck,
    mayCall: () => performance.now() - begun < leaseSeconds * 1000 * partOfLease,
    remember: (places) => rememberPlaces(db, claimed.destination, places),
  })
}
