/**
 * What the EHR that sent an order gets back: the link with all that belongs to it, as it stands. Never the order, which
 * is theirs, and never the patient.
 */
import type { Bundle } from 'fhir/r4.js'
import type { Parties, Source } from '../../model/configuration.ts'
import type { OrderState } from '../../model/states.ts'
import type { Change } from '../step.ts'
import { type LinkedOrder, linkedOrderBundle } from './linked-order.ts'

/** A source that is written back to, and where. */
export type WrittenSource = Source & { readonly fhir: string }

/** Where `writeBack: false` is not said and the source has a FHIR server. */
export const isWrittenTo = (source: Source): source is WrittenSource =>
  source.fhir !== undefined && source.writeBack !== false

/** Everybody to whom messages go. No two of them share an id. */
export const destinationIds = ({
  readingServices,
  sources,
  recipients = [],
}: Pick<Parties, 'sources' | 'readingServices' | 'recipients'>): readonly string[] => [
  ...readingServices.map((r) => r.id),
  ...sources.filter(isWrittenTo).map((s) => s.id),
  ...recipients.map((r) => r.id),
]

/** Orders of whose link, work or stubs something changed, each once. */
export const ordersToTell = (changes: readonly Change[]): readonly string[] => [
  ...new Set(
    changes.flatMap(({ state }) =>
      state.kind === 'link' || state.kind === 'task' || state.kind === 'stub' ? [state.orderId] : [],
    ),
  ),
]

/** The source that is told of an order; none where a clinic wrote the order itself. */
export const toldOf = ({ source, byHand }: OrderState, sources: readonly Source[]): string | undefined =>
  byHand ? undefined : sources.filter(isWrittenTo).find((s) => s.id === source)?.id

const theirs = ['ServiceRequest', 'Patient']

/**
 * The same parts as a reading service gets, without what is the source's own. References to the order and the patient
 * name them by our ids, `urn:uuid:<id>`; where they are over there is found out when it is sent.
 */
export const writeBackBundle = (o: LinkedOrder): Bundle => {
  const { entry = [], ...bundle } = linkedOrderBundle(o)
  return { ...bundle, entry: entry.filter((e) => !theirs.includes(e.resource?.resourceType ?? '')) }
}
