/** What a source can be asked to do wrong, besides what any server can. */
import type { Bundle, FhirResource } from 'fhir/r4.js'
import { outcome, type Reply } from './door.ts'
import { type FaultKind, type FaultOptions, isFaultKind } from './faults.ts'

/**
 * At each request:
 * - `outcome-200`: 200 with an OperationOutcome that tells of an error.
 * - `not-modified`: 304 although nobody asked for a condition.
 * - `clock-skew`: the Date header is off by `seconds` (600).
 * - `xml`: the answer is FHIR XML, whatever was asked for.
 *
 * At `metadata`: `r5`: the server says that it speaks FHIR 5.0.0.
 *
 * At searches:
 * - `foreign-next`: the next page is on another host (`host`, `elsewhere.example`).
 * - `endless`: every page has a next one.
 * - `wrong-total`: the total is off by one.
 * - `foreign-resource`: a resource of another type is among the matches.
 * - `huge`: the page is padded by `megabytes` (50).
 *
 * At writes: `stale-409`: a stale If-Match is told by 409, as before R4. At changes: `silent`: no notification goes out.
 */
export const sourceFaults = {
  any: ['outcome-200', 'not-modified', 'clock-skew', 'xml'],
  metadata: ['r5'],
  search: ['foreign-next', 'endless', 'wrong-total', 'foreign-resource', 'huge'],
  write: ['stale-409'],
  change: ['silent'],
} as const

export type SourceFaultKind = FaultKind | (typeof sourceFaults)[keyof typeof sourceFaults][number]

export interface SourceFaultOptions extends FaultOptions {
  readonly seconds?: number
  readonly host?: string
  readonly megabytes?: number
}

const known: readonly string[] = Object.values(sourceFaults).flat()

export const isSourceFaultKind = (kind: string): kind is SourceFaultKind => known.includes(kind) || isFaultKind(kind)

/** What a request is, as far as faults go. */
export type Moment = keyof typeof sourceFaults

/** Whether a fault shows at such a request. */
export const showsAt =
  (moment: Moment) =>
  (kind: SourceFaultKind): boolean => {
    const { any, [moment]: here } = sourceFaults
    if (moment === 'change') return here.some((k) => k === kind)
    return isFaultKind(kind) || [...any, ...here].some((k) => k === kind)
  }

const isSearchset = (body: Reply['body']): body is Bundle<FhirResource> =>
  typeof body === 'object' && body.resourceType === 'Bundle' && body.type === 'searchset'

const withNext = (page: Bundle<FhirResource>, url: string): Bundle<FhirResource> => ({
  ...page,
  link: [...(page.link ?? []).filter(({ relation }) => relation !== 'next'), { relation: 'next', url }],
})

const stranger: FhirResource = { resourceType: 'Basic', id: 'stranger', code: { text: 'not asked for' } }

const spoiledPage = (page: Bundle<FhirResource>, kind: SourceFaultKind, options: SourceFaultOptions, base: string) => {
  const self = page.link?.[0]?.url ?? base
  if (kind === 'foreign-next')
    return withNext(page, `http://${options.host ?? 'elsewhere.example'}/fhir?_run=1&_offset=1`)
  if (kind === 'endless') return withNext(page, self)
  if (kind === 'wrong-total') return { ...page, total: (page.total ?? 0) + 1 }
  if (kind === 'foreign-resource')
    return {
      ...page,
      entry: [
        { fullUrl: `${base}/Basic/stranger`, resource: stranger, search: { mode: 'match' as const } },
        ...(page.entry ?? []),
      ],
    }
  if (kind === 'huge') return { ...page, id: 'x'.repeat((options.megabytes ?? 50) * 1_000_000) }
  return page
}

/** A right answer, made wrong. */
export function spoiled(answer: Reply, kind: SourceFaultKind, options: SourceFaultOptions, base: string): Reply {
  if (kind === 'outcome-200') return { ...outcome(200, 'exception', 'On request.') }
  if (kind === 'not-modified') return { status: 304, body: '' }
  if (kind === 'clock-skew') {
    const date = new Date(Date.now() + (options.seconds ?? 600) * 1_000).toUTCString()
    return { ...answer, headers: { ...answer.headers, Date: date } }
  }
  if (kind === 'xml') {
    const body = '<Bundle xmlns="http://hl7.org/fhir"><type value="searchset"/></Bundle>'
    return { status: 200, body, headers: { 'Content-Type': 'application/fhir+xml' } }
  }
  if (kind === 'r5' && typeof answer.body === 'object' && answer.body.resourceType === 'CapabilityStatement') {
    const body = JSON.stringify({ ...answer.body, fhirVersion: '5.0.0' })
    return { ...answer, body, headers: { 'Content-Type': 'application/fhir+json' } }
  }
  if (kind === 'stale-409' && answer.status === 412) return { ...answer, status: 409 }
  return isSearchset(answer.body) ? { ...answer, body: spoiledPage(answer.body, kind, options, base) } : answer
}
