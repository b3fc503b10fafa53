/** Reading what a FHIR server answered. Pure; nothing from here quotes their words. */
import type { Bundle, BundleEntry, FhirResource } from 'fhir/r4.js'
import type { Answered } from './peer-fates.ts'

/** Codes of http://hl7.org/fhir/R4/valueset-issue-type.html; any other text of theirs is left out. */
const issueTypes: ReadonlySet<unknown> = new Set(
  (
    'invalid structure required value invariant security login unknown expired forbidden suppressed processing ' +
    'not-supported duplicate multiple-matches not-found deleted too-long code-invalid extension too-costly ' +
    'business-rule conflict transient lock-error no-store exception timeout incomplete throttled informational'
  ).split(' '),
)

const isRecord = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

export const isResource = (value: unknown): value is FhirResource =>
  isRecord(value) && typeof value.resourceType === 'string' && value.resourceType !== ''

/** Codes of the errors in an OperationOutcome; whatever else is handed in has none. */
const errorsOf = (value: unknown): unknown[] =>
  isResource(value) && value.resourceType === 'OperationOutcome' && Array.isArray(value.issue)
    ? value.issue
        .filter(isRecord)
        .filter(({ severity }) => severity === 'error' || severity === 'fatal')
        .map(({ code }) => code)
    : []

/** Whether an OperationOutcome tells of an error. */
export const hasError = (outcome: FhirResource): boolean => errorsOf(outcome).length > 0

/** The status and up to three distinct issue codes: `422: business-rule, invalid`. */
export function statusWithCodes(status: number, body: unknown): string {
  const codes = [...new Set(errorsOf(body))].filter((code) => issueTypes.has(code)).slice(0, 3)
  return codes.length ? `${status}: ${codes.join(', ')}` : `${status}`
}

/** Where an entry of a transaction ended up. */
export interface Place {
  readonly type: string
  readonly id: string
  readonly version?: string
  readonly etag?: string
}

const location = /(?:^|\/)([A-Z][A-Za-z]+)\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/([A-Za-z0-9\-.]{1,64}))?$/

function placeOf(entry: BundleEntry | undefined): Place | undefined {
  const [, type, id, version] = location.exec(entry?.response?.location ?? '') ?? []
  if (!type || !id) return undefined
  const etag = entry?.response?.etag
  return { type, id, ...(version ? { version } : {}), ...(etag ? { etag } : {}) }
}

/** The version that an ETag stands for. */
export const versionOf = (etag: string | undefined): string | undefined =>
  /^(?:W\/)?"([^"]{1,64})"$/.exec(etag ?? '')?.[1]

/** Where a single write went: by its Location, else by the resource that was answered, else by the address called. */
export function placeIn(
  { location: told, body, etag }: Answered<FhirResource>,
  type: string,
  url: string,
): Place | undefined {
  const [, toldType, toldId, toldVersion] = location.exec(told ?? '') ?? []
  const shown = isResource(body) && body.resourceType === type ? body : undefined
  const id = (toldType === type ? toldId : undefined) ?? shown?.id ?? /^[A-Z][A-Za-z]+\/([^/?]+)$/.exec(url)?.[1]
  const version = versionOf(etag) ?? toldVersion ?? shown?.meta?.versionId
  return id === undefined ? undefined : { type, id, ...(version ? { version } : {}), ...(etag ? { etag } : {}) }
}

/** Type, id, version and ETag of each entry in request order; undefined where the server names no location. */
export const placesOf = (response: Bundle): (Place | undefined)[] => (response.entry ?? []).map(placeOf)

function entryFault(asked: BundleEntry, given: BundleEntry | undefined, position: number): string | undefined {
  const status = String(given?.response?.status ?? '')
  if (!/^2\d\d\b/.test(status)) return `entry ${position}: status ${/^\d{3}\b/.exec(status)?.[0] ?? 'missing'}`
  if (errorsOf(given?.response?.outcome).length) return `entry ${position}: an error beside its status`
  const place = placeOf(given)
  if (!place) return undefined
  const resource = asked.resource
  if (resource && place.type !== resource.resourceType) return `entry ${position}: another type than was sent`
  const target = /^[A-Z][A-Za-z]+\/([^/?]+)$/.exec(asked.request?.url ?? '')?.[1]
  return target && asked.request?.method === 'PUT' && place.id !== target
    ? `entry ${position}: another id than was sent`
    : undefined
}

/**
 * What is missing in the answer to a transaction, or undefined when every entry was done: as many entries as were
 * sent, in their order, each with a 2xx status and no error, and no two that came back as one resource (some servers
 * do the one and drop the other without a word).
 */
export function missingWork(request: Bundle, response: Bundle): string | undefined {
  const asked = request.entry ?? []
  const given = Array.isArray(response.entry) ? response.entry : []
  if (asked.length !== given.length) return `${given.length} entries for ${asked.length}`
  const fault = asked.map((entry, index) => entryFault(entry, given[index], index)).find((found) => found)
  if (fault) return fault
  const written = placesOf(response).flatMap((place) => (place ? [`${place.type}/${place.id}`] : []))
  return new Set(written).size < written.length ? 'two entries came back as one resource' : undefined
}
