/** The service as its callers meet it: over HTTP, each with its own token. */
import type { FhirResource, OperationOutcome } from 'fhir/r4.js'
import { systems } from '../src/model/systems.ts'

export type CallerId = 'harbour-ehr' | 'lowwater-ehr' | 'harbour-desk' | 'quarry-desk' | 'pebble' | 'operator'
export type Tokens = Readonly<Record<CallerId, string>>

export interface Answer {
  readonly status: number
  readonly text: string
  readonly etag?: string
  /** Undefined when the answer is no JSON. */
  readonly body: unknown
}

export type Call<Caller extends string = CallerId> = (
  caller: Caller,
  method: 'GET' | 'POST' | 'PUT',
  path: string,
  body?: FhirResource,
) => Promise<Answer>

const parsed = (text: string): unknown => {
  try {
    return JSON.parse(text)
  } catch {
    return undefined
  }
}

const deadlineMs = 30_000

/** @throws when there is no answer at all */
export const callsTo =
  <Caller extends string>(url: string, tokens: Readonly<Record<Caller, string>>): Call<Caller> =>
  async (caller, method, path, body) => {
    const response = await fetch(`${url}${path}`, {
      method,
      headers: {
        authorization: `Bearer ${tokens[caller]}`,
        accept: path.startsWith('/fhir') ? 'application/fhir+json' : '*/*',
        ...(body && { 'content-type': 'application/fhir+json' }),
      },
      ...(body && { body: JSON.stringify(body) }),
      signal: AbortSignal.timeout(deadlineMs),
    })
    const text = await response.text()
    const etag = response.headers.get('etag')
    return { status: response.status, text, body: parsed(text), ...(etag !== null && { etag }) }
  }

const isResource = (value: unknown): value is FhirResource =>
  typeof value === 'object' && value !== null && 'resourceType' in value

/** The answer as a resource of this type, or undefined. */
export const asResource = <T extends FhirResource['resourceType']>(
  body: unknown,
  type: T,
): Extract<FhirResource, { resourceType: T }> | undefined =>
  isResource(body) && body.resourceType === type ? (body as Extract<FhirResource, { resourceType: T }>) : undefined

/** Our codes in an OperationOutcome, in its order. */
export const codesIn = (outcome: OperationOutcome | undefined): readonly string[] =>
  (outcome?.issue ?? []).flatMap(
    ({ details }) => details?.coding?.find(({ system }) => system === systems.refusal)?.code ?? [],
  )

/** The resources that an operation answers under a name. */
export const outsOf = (body: unknown, name: string): readonly FhirResource[] => {
  const parameters = asResource(body, 'Parameters')
  return (parameters?.parameter ?? []).flatMap((p) => (p.name === name && isResource(p.resource) ? [p.resource] : []))
}

/** The first resource that an operation answers under a name, as one of this type. */
export const outOf = <T extends FhirResource['resourceType']>(body: unknown, name: string, type: T) =>
  asResource(outsOf(body, name)[0], type)

/** What a search finds; the demo's stay below one page. */
export const foundIn = (body: unknown): readonly FhirResource[] =>
  (asResource(body, 'Bundle')?.entry ?? []).flatMap((e) =>
    e.search?.mode === 'match' && isResource(e.resource) ? [e.resource] : [],
  )
