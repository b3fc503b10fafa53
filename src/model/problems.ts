/**
 * What Daybind can find wrong: one closed table. A refusal is a value from it, never an exception;
 * what is thrown is a bug or an outage.
 */

/** The classes of refusal in the order in which they are looked at: the first that applies sets the status. */
const order = [401, 403, 404, 410, 405, 406, 408, 412, 413, 415, 417, 431, 400, 422, 409, 501, 503, 505] as const
export type RefusalStatus = (typeof order)[number]

/** FHIR issue types that we use. Source: http://hl7.org/fhir/R4/valueset-issue-type.html */
export type IssueType =
  | 'structure'
  | 'required'
  | 'value'
  | 'invariant'
  | 'login'
  | 'forbidden'
  | 'not-supported'
  | 'duplicate'
  | 'multiple-matches'
  | 'not-found'
  | 'too-long'
  | 'code-invalid'
  | 'extension'
  | 'too-costly'
  | 'business-rule'
  | 'conflict'
  | 'transient'
  | 'timeout'
  | 'exception'
  | 'informational'

interface Refusal {
  readonly status: RefusalStatus
  readonly issue: IssueType
  readonly text: string
}

const table = <T extends Record<string, Refusal>>(rows: T): T => rows
const row = (status: RefusalStatus, issue: IssueType, text: string): Refusal => ({ status, issue, text })

/** Every refusal and warning there is. The keys are the codes of our refusal CodeSystem. */
export const refusals = table({
  // who is calling
  'login-needed': row(401, 'login', 'The call carries no valid credentials.'),
  'not-allowed': row(403, 'forbidden', 'The caller may not do this.'),
  // what is called
  'not-known': row(404, 'not-found', 'Nothing is known under this address.'),
  'cursor-gone': row(410, 'not-found', 'This page can no longer be shown: search again from the first page.'),
  'method-not-taken': row(405, 'not-supported', 'This address does not take this method.'),
  'too-slow': row(408, 'timeout', 'The request took too long to arrive.'),
  'format-not-offered': row(406, 'not-supported', 'Daybind speaks FHIR R4 in JSON only.'),
  'version-conflict': row(412, 'conflict', 'The resource has changed since the version named in If-Match.'),
  'already-stored': row(412, 'conflict', 'What If-None-Match rules out is stored already.'),
  'too-many-matches': row(412, 'multiple-matches', 'The criterion matches more than one resource.'),
  'body-too-large': row(413, 'too-long', 'The body is larger than the limit.'),
  'media-type-not-taken': row(415, 'not-supported', 'The media type of the body is not taken.'),
  'content-coding-not-taken': row(415, 'not-supported', 'The body is compressed, which is not taken.'),
  'expectation-not-met': row(417, 'not-supported', 'What the header Expect asks for cannot be met.'),
  'headers-too-large': row(431, 'too-long', 'The address and the headers are larger than the limit.'),
  'transfer-coding-not-taken': row(501, 'not-supported', 'The transfer coding of the body is not known.'),
  'http-version-not-taken': row(505, 'not-supported', 'This version of HTTP is not taken.'),
  'not-built': row(501, 'not-supported', 'This route is part of the contract and is not built yet.'),
  'not-ready': row(503, 'transient', 'The service cannot do this at the moment; try again.'),
  'search-too-slow': row(503, 'timeout', 'The search takes too long: narrow it, or try again later.'),
  // is it FHIR (400)
  'malformed-request': row(400, 'structure', 'The request cannot be read as HTTP.'),
  'malformed-json': row(400, 'structure', 'The body is not valid JSON.'),
  'too-deep': row(400, 'structure', 'The body is nested too deeply.'),
  'too-many-items': row(400, 'too-costly', 'An array in the body is too long.'),
  'forbidden-key': row(400, 'structure', 'A property name in the body is not allowed.'),
  'duplicate-key': row(400, 'structure', 'A property is given twice in one object.'),
  'unknown-element': row(400, 'structure', 'The element is not part of the resource type.'),
  'wrong-type': row(400, 'structure', 'The element has another type.'),
  'wrong-cardinality': row(400, 'structure', 'The element is given too often.'),
  'missing-element': row(400, 'required', 'A required element is missing.'),
  'wrong-value': row(400, 'value', 'The value is not allowed for its type.'),
  'empty-value': row(400, 'value', 'A value is empty.'),
  'missing-offset': row(400, 'value', 'A dateTime with a time must carry an offset; Daybind does not guess it.'),
  'unknown-code': row(400, 'code-invalid', 'The code is not in the required value set.'),
  'broken-invariant': row(400, 'invariant', 'An invariant of the resource type does not hold.'),
  'unknown-modifier': row(400, 'extension', 'An unknown modifier may change the meaning of what it stands in.'),
  'wrong-resource-type': row(400, 'value', 'The resource has another type than the call takes.'),
  'wrong-criterion': row(400, 'value', "The criterion is not the body's own identifier."),
  'wrong-id': row(400, 'value', 'The id in the body is not the id in the address.'),
  'same-identity-twice': row(400, 'duplicate', 'Two entries of the Bundle have one identity.'),
  'entry-method-not-taken': row(400, 'not-supported', 'A transaction takes no entry of this method.'),
  'unknown-parameter': row(400, 'not-supported', 'The parameter is not known.'),
  'missing-parameter': row(400, 'required', 'A required parameter is missing.'),
  'wrong-parameter': row(400, 'value', 'The parameter has a wrong value.'),
  'too-much-asked': row(400, 'too-costly', 'More is asked for than is answered at once.'),
  // our own rules (422)
  'profile-not-known': row(422, 'not-supported', 'Daybind cannot check against this profile.'),
  'breaks-profile': row(422, 'invariant', 'The resource does not do what the profile asks for.'),
  'type-not-taken': row(422, 'not-supported', 'Daybind does not take this resource type from this caller.'),
  'no-placer-number': row(422, 'required', 'The order carries no placer number that Daybind can tell.'),
  'code-not-taken': row(422, 'business-rule', 'No rule of this source takes an order with this code.'),
  'do-not-perform': row(422, 'business-rule', 'The order asks that this is not done; Daybind takes orders to do it.'),
  'unknown-site': row(422, 'not-found', 'The site is not known here.'),
  'no-site': row(422, 'required', 'The site of the order cannot be told.'),
  'reference-not-found': row(422, 'not-found', 'The reference cannot be resolved.'),
  'wrong-reference': row(422, 'business-rule', 'The reference does not lead to a type that is allowed here.'),
  'no-patient': row(422, 'required', 'The order names no patient that Daybind can tell.'),
  'no-patient-identifier': row(422, 'required', 'The patient carries no identifier with a system.'),
  'multiple-matches': row(422, 'multiple-matches', 'More than one order has this placer number.'),
  'identifier-without-system': row(422, 'business-rule', 'An identifier without a system identifies nobody.'),
  'no-scan': row(422, 'required', 'Neither a scan nor a typed device identifier and serial number is given.'),
  'scan-unreadable': row(422, 'value', 'The scan cannot be read as a device identifier.'),
  'check-digit': row(422, 'value', 'The check digit is wrong: scan again.'),
  'check-character': row(422, 'value', 'The check character is wrong: scan again.'),
  'lost-separator': row(422, 'value', 'A separator seems to be lost in the scan: scan again or set up the scanner.'),
  'no-serial': row(
    422,
    'required',
    'The scan carries no serial number: this recorder cannot be told from its siblings.',
  ),
  'serial-ambiguous': row(422, 'multiple-matches', 'The serial number alone does not tell one device.'),
  'scan-disagrees': row(422, 'business-rule', 'Two statements about the device disagree.'),
  'too-few-identifiers': row(422, 'business-rule', 'Two independent patient identifiers must agree with the order.'),
  'identifier-disagrees': row(422, 'business-rule', "A patient identifier disagrees with the order's patient."),
  'in-the-past': row(422, 'business-rule', 'The day lies in the past.'),
  'in-the-future': row(422, 'business-rule', 'The moment lies in the future.'),
  'before-first-record': row(422, 'business-rule', 'Nothing was recorded yet at this moment.'),
  'before-birth': row(422, 'business-rule', "The moment lies before the patient's birth."),
  'ends-before-start': row(422, 'business-rule', 'The end does not lie after the start.'),
  'moment-needs-seconds': row(422, 'business-rule', 'The moment must be given to the second, with its offset.'),
  'leap-second': row(422, 'business-rule', 'A leap second has no place on our time line.'),
  'order-not-linkable': row(422, 'business-rule', 'The order cannot be linked in its present state.'),
  'element-not-changeable': row(422, 'business-rule', 'This element may not be changed by this caller.'),
  'result-without-report': row(
    422,
    'business-rule',
    'What belongs to a report comes with it, in one transaction or contained in it.',
  ),
  'merge-not-possible': row(422, 'business-rule', 'The patient cannot be replaced by this one.'),
  'not-by-hand': row(422, 'business-rule', 'Nobody can close this gap by hand in this way.'),
  'stale-content': row(
    422,
    'business-rule',
    'The content is older than what is stored; it is kept as received and not applied.',
  ),
  // conflicts with what is stored (409)
  'device-linked': row(409, 'conflict', 'The device is linked in an overlapping period.'),
  'order-linked': row(409, 'conflict', 'The order has a linked device in an overlapping period.'),
  'gap-closed': row(409, 'conflict', 'The gap is closed already.'),
  'link-ended': row(409, 'conflict', 'The link has ended already.'),
  'illegal-step': row(409, 'conflict', 'The status cannot go this way.'),
  'key-reused': row(409, 'duplicate', 'The captureKey was used with other content.'),
  'message-superseded': row(409, 'conflict', 'A newer message for the same order has taken the place of this one.'),
  'reported-by-another': row(
    409,
    'conflict',
    'Another reading service has reported here; send the report without this id.',
  ),
  'identity-taken': row(409, 'duplicate', 'Another resource has this identity.'),
  // told as warnings only
  'report-held': row(
    422,
    'business-rule',
    'The report is held: it is kept, is in nobody’s record, and people are told.',
  ),
  'report-late': row(422, 'business-rule', 'The report was overtaken by a later one, which stands.'),
  'after-revocation': row(422, 'business-rule', 'The order was revoked; the report is taken and marked so.'),
  'not-all-included': row(422, 'too-costly', 'More belongs to this page than is included at once.'),
  'successor-not-known': row(
    422,
    'not-found',
    'The record that takes the place of this patient is not known here, so no order was moved.',
  ),
  'not-evaluated': row(422, 'informational', 'It is kept and not evaluated yet.'),
  'says-nothing': row(422, 'business-rule', 'It is kept, and tells nothing of the visit of its order.'),
  'waits-for-order': row(422, 'informational', 'It is kept, and waits for the order that it names.'),
  'recorder-not-told': row(422, 'value', 'The recorder that is named cannot be told; the rest is taken.'),
  'end-stands': row(422, 'business-rule', 'The link has ended at another moment already, and that end stands.'),
  'recorded-already': row(
    422,
    'business-rule',
    'This return was recorded already; what is told otherwise now is not kept.',
  ),
  'expired-device': row(422, 'business-rule', 'The device was applied after its expiry date.'),
  'inactive-patient': row(
    422,
    'business-rule',
    "The order's patient is inactive or was replaced in the chart: confirm who this is.",
  ),
  'day-zero': row(422, 'value', 'A date in the scan has day 00; it is read as the last day of that month.'),
  'another-day': row(422, 'business-rule', 'The moment lies on another local day than the visit.'),
  'clock-doubt': row(422, 'business-rule', "The recorder's clock and the stated moment cannot both be right."),
})

export type RefusalCode = keyof typeof refusals

export interface Problem {
  readonly code: RefusalCode
  readonly severity: 'error' | 'warning' | 'information'
  /** FHIRPath of the element in question, `ServiceRequest.intent`; none for the call as a whole. */
  readonly at: readonly string[]
  /** A place that is no FHIRPath: a header or a parameter of the query (`http.If-Match`), a line and column of the body. */
  readonly location?: string
  /** What was found, as the sender wrote it; shown to the sender, never logged. */
  readonly found?: string
  /** What would be right. */
  readonly expected?: string
  /** One more sentence where the table's text is too general. */
  readonly note?: string
}

type Details = { found?: unknown; expected?: string; note?: string; location?: string }

const codeOf = (character: string): string =>
  `<U+${(character.codePointAt(0) ?? 0).toString(16).toUpperCase().padStart(4, '0')}>`

/** What was found, for people: never at length, never invisible, and nothing that a terminal would obey. */
const describe = (value: unknown): string => {
  const text = typeof value === 'string' ? value : (JSON.stringify(value) ?? String(value))
  if (text.trim() === '') return text === '' ? 'an empty string' : 'white space alone'
  const short = text.length > 120 ? `${text.slice(0, 117).replace(/[\ud800-\udbff]$/, '')}…` : text
  return short.replace(/\p{Cc}/gu, codeOf)
}

const problem = (
  severity: Problem['severity'],
  code: RefusalCode,
  at: string | readonly string[],
  details: Details,
): Problem => ({
  code,
  severity,
  at: typeof at === 'string' ? (at === '' ? [] : [at]) : at,
  ...(details.location !== undefined && { location: details.location }),
  ...(details.found !== undefined && { found: describe(details.found) }),
  ...(details.expected !== undefined && { expected: details.expected }),
  ...(details.note !== undefined && { note: details.note }),
})

/** A problem that refuses the call. `at` is a FHIRPath, or '' for the call as a whole. */
export const refusal = (code: RefusalCode, at: string | readonly string[] = '', details: Details = {}): Problem =>
  problem('error', code, at, details)

/** A problem that the caller is told about and that refuses nothing. */
export const warning = (code: RefusalCode, at: string | readonly string[] = '', details: Details = {}): Problem =>
  problem('warning', code, at, details)

/** What the caller should know, and is no trouble. */
export const information = (code: RefusalCode, at: string | readonly string[] = '', details: Details = {}): Problem =>
  problem('information', code, at, details)

export const isRefusal = (p: Problem): boolean => p.severity === 'error'

/** The status of a refused call: of all classes found, the one that is looked at first. */
export const statusOf = (problems: readonly Problem[]): RefusalStatus => {
  const found = new Set(problems.filter(isRefusal).map((p) => refusals[p.code].status))
  return order.find((status) => found.has(status)) ?? 422
}

/** One sentence for people: what is wrong, what was found, what is expected. */
export const sentence = (p: Problem): string =>
  [
    refusals[p.code].text,
    p.note,
    p.found !== undefined && `Found: ${p.found}.`,
    p.expected !== undefined && `Expected: ${p.expected.replace(/\.$/, '')}.`,
  ]
    .filter(Boolean)
    .join(' ')

/** Either a value with warnings, or everything that is wrong. */
export type Checked<T> =
  | { readonly ok: true; readonly value: T; readonly warnings: readonly Problem[] }
  | { readonly ok: false; readonly problems: readonly Problem[] }

export const accept = <T>(value: T, warnings: readonly Problem[] = []): Checked<T> => ({ ok: true, value, warnings })
export const refuse = (problems: readonly Problem[]): Checked<never> => ({ ok: false, problems })

/** Everything that is wrong in any of these. */
export const problemsOf = (...checked: readonly Checked<unknown>[]): readonly Problem[] =>
  checked.flatMap((each) => (each.ok ? [] : each.problems))
