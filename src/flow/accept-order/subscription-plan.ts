/**
 * A Subscription at a source's server: notifications are hints to ask sooner. It is made, watched, and made anew when it
 * died: orders are found by asking all the same, only later.
 * R4: http://hl7.org/fhir/R4/subscription.html. By topic: http://hl7.org/fhir/uv/subscriptions-backport (1.1.0).
 */
import type { CapabilityStatement, Subscription } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { isTree, type Tree } from '../../model/tree.ts'

/** How a source is subscribed to. */
export type Subscribing = NonNullable<Source['subscribe']>

/** Seconds between two looks at a Subscription that is well, and at one that is not. */
export const lookEvery = { well: 300, ill: 30 } as const

/** The header by which a notification shows that it was asked for. */
export const hookHeader = 'X-Daybind-Hook'

const backport = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition'

interface Wanted {
  readonly subscribing: Exclude<Subscribing, false>
  /** `https://…/hooks/harbour-ehr` */
  readonly endpoint: string
  readonly secret: string
}

/** What it has to be; a topic-based one carries the topic as its criteria and asks for empty notifications. */
export const subscriptionFor = ({ subscribing, endpoint, secret }: Wanted): Subscription => {
  const channel: Subscription['channel'] = { type: 'rest-hook', endpoint, header: [`${hookHeader}: ${secret}`] }
  const common = {
    resourceType: 'Subscription' as const,
    status: 'requested' as const,
    reason: 'Monitoring orders for Daybind',
  }
  if (subscribing === 'rest-hook') return { ...common, criteria: 'ServiceRequest?', channel }
  return {
    ...common,
    meta: { profile: [`${backport}/backport-subscription`] },
    criteria: subscribing.topic,
    channel: {
      ...channel,
      extension: [{ url: `${backport}/backport-heartbeat-period`, valueUnsignedInt: 60 }],
      payload: 'application/fhir+json',
      _payload: { extension: [{ url: `${backport}/backport-payload-content`, valueCode: 'empty' }] },
    },
  }
}

/** Whether the server says that it takes Subscriptions from its callers. */
export const takesSubscriptions = (c: CapabilityStatement): boolean =>
  (c.rest ?? []).some(
    ({ mode, resource }) =>
      mode === 'server' &&
      (resource ?? []).some((r) => r.type === 'Subscription' && (r.interaction ?? []).some((i) => i.code === 'create')),
  )

/** Whether what is there is what is wanted, whatever its status; a server may leave the secret out of what it shows. */
export const isWanted = (there: Subscription, wanted: Subscription): boolean =>
  there.criteria === wanted.criteria &&
  there.channel.type === wanted.channel.type &&
  there.channel.endpoint === wanted.channel.endpoint &&
  (there.channel.header === undefined || there.channel.header.join() === wanted.channel.header?.join())

/** What to do with what was found: `undefined` is nothing at all. */
export type Repair = 'none' | 'wait' | 'make' | 'again'

/** A handshake may take so long. */
const handshakeSeconds = 120

/**
 * @param there as their server has it; absent: it is not there
 * @param ageSeconds since it was made or made active
 * @param silent changes were found by asking that no notification had told
 */
export const repairOf = (
  there: Subscription | undefined,
  wanted: Subscription,
  ageSeconds: number,
  silent: boolean,
): Repair => {
  if (there === undefined) return 'make'
  if (!isWanted(there, wanted)) return 'again'
  if (there.status === 'active') return silent ? 'again' : 'none'
  if (there.status === 'requested') return ageSeconds < handshakeSeconds ? 'wait' : 'again'
  return 'again'
}

/** For so long a notification may be under way after the change that it tells. */
const noticeSeconds = 120

/**
 * Whether a change that was found by asking should have been told by now.
 * @param since when the Subscription became active; all in milliseconds since 1970
 */
export const isSilent = (
  foundAt: number | undefined,
  hintedAt: number | undefined,
  since: number,
  now: number,
): boolean =>
  foundAt !== undefined &&
  foundAt > since + noticeSeconds * 1000 &&
  now > foundAt + noticeSeconds * 1000 &&
  (hintedAt === undefined || hintedAt < foundAt - noticeSeconds * 1000)

const partsOf = (value: unknown): readonly Tree[] => (Array.isArray(value) ? value.filter(isTree) : [])

/**
 * Whether a notification tells of a change. Topic-based ones say what they are in their first entry (a Parameters of the
 * backport's form): a handshake and a heartbeat tell that the channel works. Whatever else comes may be news.
 */
export const isNews = (body: unknown): boolean => {
  const status = isTree(body) ? partsOf(body.entry)[0]?.resource : undefined
  const type = isTree(status) ? partsOf(status.parameter).find((p) => p.name === 'type') : undefined
  return type?.valueCode !== 'handshake' && type?.valueCode !== 'heartbeat'
}
