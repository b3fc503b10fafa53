/** Whether a source can notify us of changes. */
import type { CapabilityStatement } from 'fhir/r4.js'
import { isHeard, type PlainCalls } from '../adapters/fhir/plain-call.ts'
import { takesSubscriptions } from '../flow/accept-order/subscription-plan.ts'
import type { Examined } from './examined.ts'
import { type Facts, type Finding, finding } from './findings.ts'

const loopback = /^(localhost|127(\.\d+){3}|\[::1\])$/

const isOfThisMachine = (url: string): boolean => loopback.test(new URL(url).hostname)

/** What has to hold before a notification can arrive. */
const possible = (base: string, endpoint: string, facts: Facts): Finding => {
  if (isOfThisMachine(endpoint) && !isOfThisMachine(base)) return finding('channel-unreachable', facts)
  return finding(
    endpoint.startsWith('http:') && !isOfThisMachine(endpoint) ? 'channel-plain' : 'channel-possible',
    facts,
  )
}

/** Codes of R4's Subscription.status. */
const statuses = ['requested', 'active', 'error', 'off']

export interface Listening {
  readonly calls: PlainCalls
  readonly headers: Readonly<Record<string, string>>
  readonly deadlineMs: number
}

/** The state of the Subscription that is there already, or undefined. */
const statusThere = async (base: string, endpoint: string, l: Listening): Promise<string | undefined> => {
  const headers = { ...l.headers, accept: 'application/fhir+json', 'cache-control': 'no-cache' }
  const query = new URLSearchParams({ url: endpoint })
  const heard = await l.calls.ask(`${base}/Subscription?${query}`, {
    method: 'GET',
    headers,
    deadlineMs: l.deadlineMs,
  })
  const entries = isHeard(heard) && Array.isArray(heard.body?.entry) ? heard.body.entry : []
  const ours = entries.flatMap(({ resource }: { resource?: { status?: unknown; channel?: { endpoint?: unknown } } }) =>
    resource?.channel?.endpoint === endpoint ? [resource.status] : [],
  )
  return statuses.find((status) => ours.includes(status))
}

/** @param base of the source's FHIR server */
export const lookAtChannel = async (
  { id, publicUrl, poll = '', subscribe }: Examined,
  base: string,
  statement: CapabilityStatement,
  listening: Listening | undefined,
): Promise<readonly Finding[]> => {
  if (subscribe === false) return [finding('channel-none-wanted', { poll })]
  if (!takesSubscriptions(statement)) return [finding('channel-not-offered', { poll })]
  const endpoint = `${publicUrl}/hooks/${id}`
  const facts = { endpoint, poll, host: new URL(base).hostname }
  const status = listening && (await statusThere(base, endpoint, listening))
  if (status === undefined) return [possible(base, endpoint, facts)]
  const alive = status === 'active' || status === 'requested'
  return [possible(base, endpoint, facts), finding(alive ? 'channel-alive' : 'channel-dead', { ...facts, status })]
}
