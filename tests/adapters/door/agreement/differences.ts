/** Where our verdict differs from the reference validator's, and why. */

export interface Compared {
  readonly kind: string
  readonly path: string
  /** Our problems, `code place`; none: taken. */
  readonly ours: readonly string[]
  /** What the validator's errors are called; none: taken. */
  readonly theirs: readonly string[]
}

export interface Difference {
  readonly reason: string
  readonly covers: (c: Compared) => boolean
}

/** They refuse for these reasons alone, and we take it. */
const takenDespite =
  (...names: readonly string[]) =>
  ({ ours, theirs }: Compared): boolean =>
    ours.length === 0 && theirs.length > 0 && theirs.every((t) => names.includes(t))

/** We refuse for this at one place alone, and they take it. */
const refusedDespite =
  (...problems: readonly RegExp[]) =>
  ({ ours, theirs }: Compared): boolean =>
    theirs.length === 0 && ours.length > 0 && ours.every((o) => problems.some((p) => p.test(o)))

export const differences: readonly Difference[] = [
  {
    reason:
      'an empty list of plain values: R4 lets no array be empty (http://hl7.org/fhir/R4/json.html, "Properties can never be empty"); their parser drops it unseen',
    covers: refusedDespite(/^empty-value .*\.(given|suffix|prefix|line|profile)$/),
  },
  {
    reason:
      'base64 in a signature: R4 wants base64 there too (http://hl7.org/fhir/R4/datatypes.html#base64Binary); they look into attachments alone',
    covers: refusedDespite(/^wrong-value .*signature\[0\]\.data$/),
  },
  {
    reason:
      'a canonical that is relative: published so by HL7; R4 says that canonicals should be absolute, and nothing here resolves one',
    covers: takenDespite('TYPE_SPECIFIC_CHECKS_CANONICAL_ABSOLUTE'),
  },
  {
    reason:
      'an identifier in the system of URIs whose value is none: published so by HL7, and the value tells one thing from another all the same',
    covers: takenDespite('TYPE_SPECIFIC_CHECKS_DT_IDENTIFIER_IETF_SYSTEM_VALUE'),
  },
  {
    reason:
      'a hash that is not that of the attached data: published so by HL7; attachments are passed on and not opened',
    covers: takenDespite('TYPE_SPECIFIC_CHECKS_DT_ATT_HASH_MISMATCH'),
  },
  {
    reason:
      'an extension that nobody here defines: R4 wants unknown extensions kept (http://hl7.org/fhir/R4/extensibility.html); unknown modifiers are refused by both',
    covers: takenDespite('Extension_EXT_Unknown_NotHere'),
  },
  {
    reason: 'a picture in the text that is not contained: what a text shows is not resolved here',
    covers: takenDespite('Type_Specific_Checks_DT_XHTML_Resolve_Img'),
  },
  {
    reason:
      'a coding without code in an extensible or preferred binding: codes are checked against required bindings alone, where there is a code',
    covers: takenDespite('Terminology_PassThrough_TX_Message'),
  },
  {
    reason:
      'the inside of a contained resource whose type Daybind does not use (here a Specimen): kept and passed on as it is',
    covers: (c) =>
      takenDespite('Type_Specific_Checks_DT_DateTime_TZ')(c) &&
      c.path.startsWith('ServiceRequest.contained.collection'),
  },
]
