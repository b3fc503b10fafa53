/**
 * R4 rest-hook Subscriptions: which of them a change concerns, and the call that tells of it.
 * Source: http://hl7.org/fhir/R4/subscription.html#rest-hook
 */
import type { FhirResource, Subscription } from 'fhir/r4.js'
import { matches, unknownParameters } from './search.ts'
import { keyOf, ofType, type Shelf } from './shelf.ts'

const parts = (criteria: string): [type: string, query: URLSearchParams] => {
  const [type = '', query = ''] = criteria.split('?')
  return [type, new URLSearchParams(query)]
}

/** Why a Subscription cannot be kept; undefined when it can. */
export function cannotKeep({ status, criteria = '', channel }: Subscription): string | undefined {
  const [type, query] = parts(criteria)
  if (status !== 'requested' && status !== 'off') return 'a client asks for a Subscription by the status requested'
  if (channel?.type !== 'rest-hook') return 'only the channel rest-hook is kept'
  if (!URL.canParse(channel.endpoint ?? '')) return 'the endpoint is no URL'
  if (!/^[A-Z]\w+$/.test(type)) return 'the criteria name no type'
  const unknown = unknownParameters(query)
  return unknown.length ? `the criteria cannot be looked for: ${unknown.join(', ')}` : undefined
}

/** Active ones whose criteria a changed resource meets. */
export const concerned = (shelf: Shelf, changed: FhirResource): Subscription[] =>
  ofType(shelf, 'Subscription').filter((held): held is Subscription => {
    if (held.resourceType !== 'Subscription' || held.status !== 'active') return false
    const [type, query] = parts(held.criteria)
    return type === changed.resourceType && matches(changed, query)
  })

/**
 * Tells of a change: with a payload by PUT of the resource below the endpoint, without one by an empty POST.
 * @returns undefined when it was taken, else what went wrong
 */
export async function notify({ channel }: Subscription, changed: FhirResource): Promise<string | undefined> {
  const headers = Object.fromEntries(
    (channel.header ?? []).map((line) => {
      const colon = line.indexOf(':')
      return [line.slice(0, colon).trim(), line.slice(colon + 1).trim()]
    }),
  )
  const endpoint = `${channel.endpoint}`.replace(/\/+$/, '')
  const told = channel.payload
    ? fetch(`${endpoint}/${keyOf(changed)}`, {
        method: 'PUT',
        headers: { ...headers, 'Content-Type': channel.payload },
        body: JSON.stringify(changed),
        signal: AbortSignal.timeout(10_000),
      })
    : fetch(endpoint, { method: 'POST', headers, signal: AbortSignal.timeout(10_000) })
  const answer = await told.catch((error: unknown) => `${error}`)
  if (typeof answer === 'string') return answer
  await answer.body?.cancel()
  return answer.ok ? undefined : `the endpoint answered ${answer.status}`
}
