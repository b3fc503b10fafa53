/** Refusals to the letter: what an OperationOutcome must be, written down in short, and whether anything was kept. */
import type { OperationOutcome, OperationOutcomeIssue } from 'fhir/r4.js'
import { Client } from 'pg'
import { afterAll } from 'vitest'

/**
 * FHIR issue type and text of each of our codes, as the refusal CodeSystem tells them.
 * Issue types: http://hl7.org/fhir/R4/valueset-issue-type.html; the texts are our own.
 */
const meanings = {
  'login-needed': ['login', 'The call carries no valid credentials.'],
  'not-allowed': ['forbidden', 'The caller may not do this.'],
  'not-known': ['not-found', 'Nothing is known under this address.'],
  'method-not-taken': ['not-supported', 'This address does not take this method.'],
  'too-slow': ['timeout', 'The request took too long to arrive.'],
  'format-not-offered': ['not-supported', 'Daybind speaks FHIR R4 in JSON only.'],
  'version-conflict': ['conflict', 'The resource has changed since the version named in If-Match.'],
  'already-stored': ['conflict', 'What If-None-Match rules out is stored already.'],
  'body-too-large': ['too-long', 'The body is larger than the limit.'],
  'media-type-not-taken': ['not-supported', 'The media type of the body is not taken.'],
  'content-coding-not-taken': ['not-supported', 'The body is compressed, which is not taken.'],
  'expectation-not-met': ['not-supported', 'What the header Expect asks for cannot be met.'],
  'headers-too-large': ['too-long', 'The address and the headers are larger than the limit.'],
  'transfer-coding-not-taken': ['not-supported', 'The transfer coding of the body is not known.'],
  'http-version-not-taken': ['not-supported', 'This version of HTTP is not taken.'],
  'malformed-request': ['structure', 'The request cannot be read as HTTP.'],
  'malformed-json': ['structure', 'The body is not valid JSON.'],
  'too-deep': ['structure', 'The body is nested too deeply.'],
  'too-many-items': ['too-costly', 'An array in the body is too long.'],
  'forbidden-key': ['structure', 'A property name in the body is not allowed.'],
  'duplicate-key': ['structure', 'A property is given twice in one object.'],
  'unknown-element': ['structure', 'The element is not part of the resource type.'],
  'wrong-type': ['structure', 'The element has another type.'],
  'wrong-cardinality': ['structure', 'The element is given too often.'],
  'missing-element': ['required', 'A required element is missing.'],
  'wrong-value': ['value', 'The value is not allowed for its type.'],
  'empty-value': ['value', 'A value is empty.'],
  'missing-offset': ['value', 'A dateTime with a time must carry an offset; Daybind does not guess it.'],
  'unknown-code': ['code-invalid', 'The code is not in the required value set.'],
  'broken-invariant': ['invariant', 'An invariant of the resource type does not hold.'],
  'unknown-modifier': ['extension', 'An unknown modifier may change the meaning of what it stands in.'],
  'wrong-resource-type': ['value', 'The resource has another type than the call takes.'],
  'wrong-criterion': ['value', "The criterion is not the body's own identifier."],
  'wrong-id': ['value', 'The id in the body is not the id in the address.'],
  'same-identity-twice': ['duplicate', 'Two entries of the Bundle have one identity.'],
  'unknown-parameter': ['not-supported', 'The parameter is not known.'],
  'missing-parameter': ['required', 'A required parameter is missing.'],
  'wrong-parameter': ['value', 'The parameter has a wrong value.'],
  'type-not-taken': ['not-supported', 'Daybind does not take this resource type from this caller.'],
  'code-not-taken': ['business-rule', 'No rule of this source takes an order with this code.'],
  'unknown-site': ['not-found', 'The site is not configured here.'],
  'reference-not-found': ['not-found', 'The reference cannot be resolved.'],
  'wrong-reference': ['business-rule', 'The reference does not lead to a type that is allowed here.'],
  'identifier-without-system': ['business-rule', 'An identifier without a system identifies nobody.'],
  'no-scan': ['required', 'Neither a scan nor a typed device identifier and serial number is given.'],
  'scan-unreadable': ['value', 'The scan cannot be read as a device identifier.'],
  'too-few-identifiers': ['business-rule', 'Two independent patient identifiers must agree with the order.'],
  'identifier-disagrees': ['business-rule', "A patient identifier disagrees with the order's patient."],
  'in-the-future': ['business-rule', 'The moment lies in the future.'],
  'before-birth': ['business-rule', "The moment lies before the patient's birth."],
  'moment-needs-seconds': ['business-rule', 'The moment must be given to the second, with its offset.'],
  'leap-second': ['business-rule', 'A leap second has no place on our time line.'],
  'no-placer-number': ['required', 'The order carries no placer number that Daybind can tell.'],
} as const satisfies Record<string, readonly [OperationOutcomeIssue['code'], string]>

export interface Told {
  readonly code: keyof typeof meanings
  /** FHIRPaths, in order. */
  readonly at?: string | readonly string[]
  /** What is no FHIRPath: a header, a parameter of the query, a line of the body. */
  readonly location?: string
  /** What the diagnostics say behind the text of the code. */
  readonly says?: string
}

const issueOf = ({ code, at = [], location, says }: Told): OperationOutcomeIssue => {
  const [type, text] = meanings[code]
  const expression = typeof at === 'string' ? [at] : [...at]
  return {
    severity: 'error',
    code: type,
    details: { coding: [{ system: 'https://daybind.example/CodeSystem/refusal', code }], text },
    diagnostics: says === undefined ? text : `${text} ${says}`,
    ...(location !== undefined && { location: [location] }),
    ...(expression.length > 0 && { expression }),
  }
}

/** The whole OperationOutcome, to be compared to the letter. */
export const outcome = (...told: readonly Told[]): OperationOutcome => ({
  resourceType: 'OperationOutcome',
  issue: told.map(issueOf),
})

/** The same problem where the resource stands in an entry of a Bundle: told at both places. */
export const inEntry = (i: number, told: Told): Told => {
  const { at = [] } = told
  const [place] = typeof at === 'string' ? [at] : at
  if (place === undefined) return told
  return { ...told, at: [`Bundle.entry[${i}].resource${place.replace(/^[A-Za-z]+/, '')}`, place] }
}

const tables = [
  ...['inbound', 'journal', 'identities', 'orders', 'patients', 'kept', 'devices', 'links', 'applications', 'returns'],
  ...['tasks', 'stubs', 'gaps', 'resources', 'earlier_versions', 'names', 'captures', 'deliveries'],
]

type RowCounts = Readonly<Record<string, number>>

/**
 * How many rows there are of everything that a call may leave behind, by table; on one connection for the tests of a
 * file or of a `describe`.
 */
export const useRowCounts = (database: () => string): (() => Promise<RowCounts>) => {
  const counts = tables.map((t) => `(select count(*)::int from daybind.${t}) as ${t}`)
  let client: Client | undefined
  afterAll(() => client?.end())
  return async () => {
    if (client === undefined) {
      client = new Client({ connectionString: database() })
      await client.connect()
    }
    return (await client.query<RowCounts>(`select ${counts.join(', ')}`)).rows[0] ?? {}
  }
}
