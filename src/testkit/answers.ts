/** What the contract says of Daybind's answers, looked for in one answer at a time. No I/O. */
import type { Bundle, DiagnosticReport, FhirResource, Identifier, OperationOutcome } from 'fhir/r4.js'
import type { Answered } from './calls.ts'
import { isBundle } from './door.ts'
import { type Finding, looked, type Rule } from './rules.ts'
import { isRecord } from './shelf.ts'

/** A sentence when it does not hold. */
const unless = (holds: boolean, says: string): string | undefined => (holds ? undefined : says)

const isOutcome = (body: unknown): body is OperationOutcome =>
  isRecord(body) && body.resourceType === 'OperationOutcome' && Array.isArray(body.issue)

const reasonsIn = (body: unknown): string =>
  isOutcome(body) ? body.issue.map(({ diagnostics, details }) => diagnostics ?? details?.text).join(' ') : 'no reason'

export const isResource = (body: unknown): body is FhirResource =>
  isRecord(body) && typeof body.resourceType === 'string'

/** `identifier=system|value`, as a query holds it. */
export const criterion = ({ system = '', value = '' }: Identifier = {}): string =>
  `identifier=${encodeURIComponent(`${system}|${value}`)}`

/** What a search found. */
export const matchesIn = ({ body }: Answered): FhirResource[] =>
  (isBundle(body) ? (body.entry ?? []) : []).flatMap(({ resource }) => resource ?? [])

/** What any refusal says, whatever it is about: contract sections 3 and 4. */
function aboutRefusal({ status, body }: Answered): Finding[] {
  if (!isOutcome(body)) return looked('refusal-outcome', `${status} without an OperationOutcome`)
  const errors = body.issue.filter(({ severity }) => severity === 'error' || severity === 'fatal')
  const uncoded = errors.filter(({ details, diagnostics }) => !details?.coding?.[0]?.code || !diagnostics)
  return [
    ...looked('refusal-outcome', unless(errors.length > 0, `${status} with an OperationOutcome without an error`)),
    ...looked('refusal-coded', unless(uncoded.length === 0, 'an error has no code, or says nothing')),
    ...(status === 422
      ? looked(
          'refusal-place',
          unless(
            errors.every(({ expression }) => expression?.length),
            'an error names no place',
          ),
        )
      : []),
  ]
}

/** What holds for each answer. */
export function aboutAnswer(answer: Answered): Finding[] {
  const { status, headers, body, requestId, trouble } = answer
  if (trouble !== undefined) return looked('answered', trouble)
  const type = headers.get('content-type') ?? 'none'
  return [
    ...looked('answered'),
    ...looked('request-id', unless(headers.get('x-request-id') === requestId, 'another X-Request-Id, or none')),
    ...looked(
      'media-type',
      unless(
        /^application\/fhir\+json\b/.test(type) && isResource(body),
        `the type is ${type}${isResource(body) ? '' : ', the body no resource'}`,
      ),
    ),
    ...(status >= 400 ? aboutRefusal(answer) : []),
  ]
}

/** What was written, as the answer tells it. */
export interface Written {
  readonly status: number
  readonly location?: string
  readonly etag?: string
}

const versionIn = (etag: string | undefined): string | undefined => /^W\/"(.+)"$/.exec(etag ?? '')?.[1]

/** What a single write tells. */
export const writtenAlone = ({ status, headers }: Answered): Written => ({
  status,
  ...(headers.has('location') && { location: headers.get('location') ?? '' }),
  ...(headers.has('etag') && { etag: headers.get('etag') ?? '' }),
})

/** What each entry of a transaction tells. */
export const writtenTogether = ({ body }: Answered): readonly Written[] =>
  ((isBundle(body) ? body : ({} as Bundle)).entry ?? []).map(({ response }) => ({
    status: Number.parseInt(response?.status ?? '0', 10),
    ...(response?.location !== undefined && { location: response.location }),
    ...(response?.etag !== undefined && { etag: response.etag }),
  }))

/** A transaction that was taken has an answer for each of its entries. */
export const aboutTransaction = ({ status, body }: Answered, entries: number): Finding[] =>
  looked(
    'every-entry',
    unless(status === 200, `the transaction was answered ${status}`),
    unless(isBundle(body) && body.type === 'transaction-response', 'the answer is no transaction-response'),
    unless(isBundle(body) && body.entry?.length === entries, `the answer has not ${entries} entries`),
  )

/** Where Daybind is: the address that is called, and the one that it says it has. */
export type Bases = readonly string[]

/** The base that a CapabilityStatement names: behind a proxy another than the one that is called. */
export const statedBase = ({ body }: Answered): string | undefined =>
  isResource(body) && body.resourceType === 'CapabilityStatement' ? body.implementation?.url : undefined

/** What a CapabilityStatement must say so that a client knows with whom it speaks. */
export const aboutStatement = (answer: Answered): Finding[] => {
  const { body } = answer
  const statement = isResource(body) && body.resourceType === 'CapabilityStatement' ? body : undefined
  return looked(
    'statement',
    unless(statement !== undefined, 'it is no CapabilityStatement'),
    unless(statement?.fhirVersion === '4.0.1', `the version is ${statement?.fhirVersion ?? 'missing'}`),
    unless(statedBase(answer) !== undefined, 'it names no base (implementation.url)'),
  )
}

/** How a resource stood before it was written; undefined: it was not there. */
export type Before = { readonly version: string } | undefined

/** What of a Location lies below one of these bases; undefined where it lies below none. */
export const pathBelow = (bases: readonly string[], location = ''): string | undefined =>
  bases.flatMap((base) => (location.startsWith(`${base}/`) ? location.slice(base.length + 1) : []))[0]

const aboutPlace = ({ location }: Written, version: string | undefined, bases: Bases): string | undefined => {
  if (location === undefined) return 'it has no Location'
  if (pathBelow(bases, location) === undefined) return `the Location ${location} is below none of ${bases.join(', ')}`
  return unless(location.endsWith(`/_history/${version}`), `the Location ${location} does not end with its version`)
}

/** What the answer to a write must say of it. A revision is looked at where it is known that the content is new. */
export function aboutWrite(written: Written, before: Before, bases: Bases): Finding[] {
  const version = versionIn(written.etag)
  const wanted = before === undefined ? 201 : 200
  return [
    ...looked('new-201', unless(written.status === wanted, `${written.status}, not ${wanted}`)),
    ...looked('etag', unless(version !== undefined, `the ETag is ${written.etag ?? 'missing'}`)),
    ...(written.status === 201 ? looked('location', aboutPlace(written, version, bases)) : []),
  ]
}

export const aboutSameContent = (first: Written, again: Written): Finding[] =>
  looked(
    'same-content',
    unless(again.status === 200, `sent again: ${again.status}`),
    unless(again.etag === first.etag, `the ETag went from ${first.etag} to ${again.etag}`),
  )

export const aboutNewContent = (first: Written, next: Written): Finding[] =>
  looked(
    'new-content',
    unless(next.status === 200, `revised: ${next.status}`),
    unless(
      Number(versionIn(next.etag)) === Number(versionIn(first.etag)) + 1,
      `the ETag went from ${first.etag} to ${next.etag}`,
    ),
  )

/** What is read at the place that a write named. */
export const aboutReadBack = (read: Answered, written: Written): Finding[] =>
  looked(
    'location-leads',
    unless(read.status === 200, `${written.location} is answered ${read.status}`),
    unless(read.headers.get('etag') === written.etag, `it is read with the ETag ${read.headers.get('etag')}`),
    unless(
      isResource(read.body) && read.body.meta?.versionId === versionIn(written.etag),
      'its meta.versionId is another',
    ),
  )

/** A report of a linked order: the first is new, a later one revises it, and one that a final one overtook changes nothing. */
export function aboutReport(answer: Answered, before: DiagnosticReport | undefined, status: string): Finding[] {
  const version = before?.meta?.versionId
  const written = writtenAlone(answer)
  const held = answer.status === 202 ? `held: ${reasonsIn(answer.body)}` : undefined
  if (before === undefined)
    return looked('report-first', held ?? unless(written.status === 201, `${written.status}, not 201`))
  if (status === 'preliminary' && before.status !== 'preliminary')
    return looked(
      'report-overtaken',
      unless(written.status === 200, `${written.status}, not 200`),
      unless(answer.headers.has('x-daybind-warning'), 'there is no warning'),
      unless(versionIn(written.etag) === version, `the version went from ${version} to ${versionIn(written.etag)}`),
    )
  return looked(
    'report-later',
    held ?? unless(written.status === 200, `${written.status}, not 200`),
    unless(
      held !== undefined || Number(versionIn(written.etag)) > Number(version),
      `the version went from ${version} to ${versionIn(written.etag)}`,
    ),
  )
}

/** A call that must be refused with this status. */
export const aboutRefused = (rule: Rule, answer: Answered, status: number): Finding[] =>
  looked(rule, unless(answer.status === status, `${answer.status}, not ${status}`))
