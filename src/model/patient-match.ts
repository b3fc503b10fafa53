/**
 * The two-identifier rule: what is stated at the bedside against the patient of the order.
 * Source: Joint Commission NPSG.01.01.01, "Use at least two patient identifiers when providing care, treatment, or
 * services"; a room number or place is none. What is stored of the patient is never quoted in a problem.
 */
import type { Patient, Period } from 'fhir/r4.js'
import { readPartial } from './moment.ts'
import { type Problem, refusal } from './problems.ts'

/** What somebody stated about the patient, from wristband, chart or the patient's own mouth. */
export interface Claims {
  readonly identifiers: readonly { readonly system?: string | undefined; readonly value?: string | undefined }[]
  readonly birthDate?: string | undefined
  readonly family?: string | undefined
  readonly given?: string | undefined
  readonly phone?: string | undefined
}

/** The kinds of identifier that count independently; each identifier system is a kind of its own. */
export type Kind = `identifier ${string}` | 'birth date' | 'full name' | 'phone'

export interface PatientMatch {
  /** Kinds of which everything stated agrees. */
  readonly agreed: readonly Kind[]
  /** Kinds of which something stated is another value than the patient's. */
  readonly disagreed: readonly Kind[]
  /** Why the patient is not confirmed; none when at least two kinds agree and nothing speaks against it. */
  readonly problems: readonly Problem[]
}

export type ClaimParameter = 'patientIdentifier' | 'birthDate' | 'family' | 'given' | 'phone'

/** Where a claim stands in the call, as FHIRPath; `index` counts the repetitions of the parameter from 0. */
export type ClaimPath = (parameter: ClaimParameter, index: number) => string

export const parameterPath: ClaimPath = (parameter, index) =>
  `Parameters.parameter.where(name='${parameter}')[${index}].value`

/** `silent`: nothing that can be compared, which neither helps nor harms. */
type Verdict = 'agrees' | 'disagrees' | 'silent'

interface Finding {
  readonly kind: Kind
  readonly verdict: Verdict
  readonly at: readonly string[]
  /** As the caller sent it. */
  readonly found: string
}

/** One value that agrees is enough; a disagreement must be one with everything that is stored. */
const against = <T>(stored: readonly T[], compare: (value: T) => Verdict): Verdict => {
  const verdicts = stored.map(compare)
  if (verdicts.includes('agrees')) return 'agrees'
  return verdicts.length === 0 || verdicts.includes('silent') ? 'silent' : 'disagrees'
}

/** Letters, digits and vowel signs of a name, without case, accents, and whatever stands between them. */
export const foldName = (text: string): string =>
  text
    .normalize('NFKD')
    // Latin, Greek and Cyrillic accents only: the vowel signs of Indic scripts are marks too, and tell names apart
    .replace(/[\u0300-\u036f]/g, '')
    .toUpperCase()
    .toLowerCase()
    .replace(/[ßøæœðđłþς]/g, (letter) => alone[letter] ?? letter)
    .normalize('NFKD')
    .replace(/[^\p{L}\p{M}\p{N}]/gu, '')
    // what now stands side by side may have an order of its own
    .normalize('NFKD')

/** Letters that Unicode does not take apart. The dotless ı becomes i by its capital. */
const alone: Record<string, string> = { ß: 'ss', ø: 'o', æ: 'ae', œ: 'oe', ð: 'd', đ: 'd', ł: 'l', þ: 'th', ς: 'σ' }

/**
 * Given names agree when they are the same sequence, or one is the beginning of the other: the first given name always
 * counts in full, and of the later ones an initial will do. A hyphenated name is one name.
 */
const givenAgree = (a: string, b: string): boolean => {
  if (foldName(a) === foldName(b)) return true
  const [left, right] = [a, b].map((text) => text.split(/\s+/).map(foldName).filter(Boolean)) as [string[], string[]]
  const isInitial = (x: string, y: string) => x.length === 1 && y.startsWith(x)
  return left
    .slice(0, right.length)
    .every((x, i) => x === right[i] || (i > 0 && (isInitial(x, right[i] ?? '') || isInitial(right[i] ?? '', x))))
}

type FullName = { readonly family: string; readonly given: string }

/** Only family and given together can agree; each of them alone can disagree. */
const compareNames = (claim: FullName, stored: FullName): Verdict => {
  const both = (part: keyof FullName) => foldName(claim[part]) !== '' && foldName(stored[part]) !== ''
  if (both('family') && foldName(claim.family) !== foldName(stored.family)) return 'disagrees'
  if (both('given') && !givenAgree(claim.given, stored.given)) return 'disagrees'
  return both('family') && both('given') ? 'agrees' : 'silent'
}

/** A partial date never agrees; it disagrees when its year or month is another. */
const compareBirthDates = (claim: string, stored: string): Verdict => {
  if (claim === stored) return claim.length === 10 ? 'agrees' : 'silent'
  return claim.startsWith(stored) || stored.startsWith(claim) ? 'silent' : 'disagrees'
}

/** One and two digits long; all others have three. Source: ITU-T E.164, list of assigned country codes (from memory). */
const countryCode = /^(1|7|2[07]|3[0-469]|4[013-9]|5[1-8]|6[0-6]|8[1246]|9[0-58]|\d{3})/

/** The digits of a phone number: after `+` or `00` the country code apart; a trunk 0 and an extension left out. */
const phoneOf = (text: string): { country: string; national: string } => {
  const [line = ''] = text.replace('(0)', '').split(/[;,#x]/i)
  const plain = line.replace(/^\s*(tel:)?\s*/i, '')
  const digits = plain.replace(/\D/g, '')
  const international = plain.startsWith('+') ? digits : digits.startsWith('00') ? digits.slice(2) : undefined
  const country = international?.match(countryCode)?.[0] ?? ''
  const national = (international ?? digits).slice(country.length).replace(/^0/, '')
  return { country, national }
}

/** Fewer digits than this tell no line from another. Common practice: the shortest full subscriber numbers. */
const enoughDigits = 7

/**
 * Phones agree when all national digits are the same, at least seven, and no two country codes differ. One that is
 * the tail of the other may lack its area code: that neither agrees nor disagrees.
 */
const comparePhones = (claim: string, stored: string): Verdict => {
  const [a, b] = [phoneOf(claim), phoneOf(stored)]
  if (a.national === '' || b.national === '') return 'silent'
  if (a.country !== '' && b.country !== '' && a.country !== b.country) return 'disagrees'
  if (a.national === b.national) return a.national.length >= enoughDigits ? 'agrees' : 'silent'
  return a.national.endsWith(b.national) || b.national.endsWith(a.national) ? 'silent' : 'disagrees'
}

/** Where and when the claims were made: it decides which of the patient's names and numbers are still in use. */
export interface Occasion {
  /** Milliseconds since 1970-01-01T00:00Z. */
  readonly ms: number
  /** IANA zone, for periods that end on a date. */
  readonly zone: string
}

const inUse =
  ({ ms, zone }: Occasion) =>
  (entry: { use?: string | undefined; period?: Period | undefined }): boolean => {
    if (entry.use === 'old') return false
    const end = entry.period?.end === undefined ? undefined : readPartial(entry.period.end, zone, '')
    return !end?.ok || ms < end.value.until
  }

const stated = (text: string | undefined): text is string => text !== undefined && text.trim() !== ''

const identifierFindings = (claims: Claims, patient: Patient, when: Occasion, path: ClaimPath): Finding[] =>
  claims.identifiers.flatMap(({ system, value }, i): Finding[] => {
    if (!stated(system) || !stated(value)) return []
    const known = (patient.identifier ?? [])
      .filter(inUse(when))
      .filter((other) => other.system?.trim() === system.trim() && stated(other.value))
    const verdict = against(known, (other) => (other.value?.trim() === value.trim() ? 'agrees' : 'disagrees'))
    return [{ kind: `identifier ${system.trim()}`, verdict, at: [path('patientIdentifier', i)], found: value }]
  })

const nameFindings = (claims: Claims, patient: Patient, when: Occasion, path: ClaimPath): Finding[] => {
  const claim = { family: claims.family ?? '', given: claims.given ?? '' }
  const names = (patient.name ?? []).filter(inUse(when)).map((name) => ({
    family: name.family ?? '',
    given: (name.given ?? []).filter(Boolean).join(' '),
  }))
  const parts = (['family', 'given'] as const).filter((part) => stated(claim[part]))
  if (parts.length === 0) return []
  const verdict = against(names, (name) => compareNames(claim, name))
  const found = parts.map((part) => claim[part]).join(', ')
  return [{ kind: 'full name', verdict, at: parts.map((part) => path(part, 0)), found }]
}

const isBirthDate = (text: string): boolean => !text.includes('T') && readPartial(text, 'UTC', '').ok

const birthDateFindings = (claims: Claims, patient: Patient, path: ClaimPath): Finding[] => {
  const [claim, known] = [claims.birthDate?.trim() ?? '', patient.birthDate?.trim() ?? '']
  if (!isBirthDate(claim)) return []
  const verdict = isBirthDate(known) ? compareBirthDates(claim, known) : 'silent'
  return [{ kind: 'birth date', verdict, at: [path('birthDate', 0)], found: claim }]
}

const phoneFindings = (claims: Claims, patient: Patient, when: Occasion, path: ClaimPath): Finding[] => {
  if (!stated(claims.phone)) return []
  const { phone } = claims
  const known = (patient.telecom ?? [])
    .filter(inUse(when))
    .filter(({ system, value }) => (system === 'phone' || system === 'sms') && stated(value))
  const verdict = against(known, ({ value = '' }) => comparePhones(phone, value))
  return [{ kind: 'phone', verdict, at: [path('phone', 0)], found: phone }]
}

/** Claims that cannot be compared with anybody. */
const unusableClaims = ({ identifiers, birthDate }: Claims, path: ClaimPath): Problem[] => [
  ...identifiers.flatMap(({ system, value }, i): Problem[] => {
    const at = path('patientIdentifier', i)
    if (!stated(system)) return [refusal('identifier-without-system', `${at}.system`, { found: value })]
    return stated(value) ? [] : [refusal('missing-element', `${at}.value`)]
  }),
  ...(stated(birthDate) && !isBirthDate(birthDate.trim())
    ? [
        refusal('wrong-value', path('birthDate', 0), {
          found: birthDate,
          expected: 'a date of the calendar, YYYY-MM-DD',
        }),
      ]
    : []),
]

const suffices = (kinds: readonly Kind[]): boolean =>
  kinds.length >= 2 && kinds.some((kind) => kind === 'birth date' || kind.startsWith('identifier '))

const needed =
  'two of: an identifier of each system, the full birth date, family and given name together, phone; one of them an identifier or the birth date'

const tooFew = (agreed: readonly Kind[]): Problem =>
  refusal('too-few-identifiers', 'Parameters.parameter', {
    note: `What agreed: ${agreed.join(', ') || 'nothing'}.`,
    expected: needed,
  })

const disagrees = ({ kind, at, found }: Finding): Problem =>
  refusal('identifier-disagrees', at, { found, note: `What disagrees: ${kind}.` })

/**
 * Compares what was stated with the order's patient. Confirmed, without problems, when at least two kinds agree, one of
 * them an identifier or the birth date, and none disagrees. A kind that the patient lacks counts for nothing.
 * Identifiers are compared letter for letter, names folded, phones by digits; what is marked old or has ended is not
 * looked at. `too-few-identifiers` is told only when the agreement of all kinds that disagree would not mend it.
 */
export const matchPatient = (
  claims: Claims,
  patient: Patient,
  when: Occasion,
  path: ClaimPath = parameterPath,
): PatientMatch => {
  const findings = [
    ...identifierFindings(claims, patient, when, path),
    ...birthDateFindings(claims, patient, path),
    ...nameFindings(claims, patient, when, path),
    ...phoneFindings(claims, patient, when, path),
  ]
  const kindsThat = (verdict: Verdict) => [...new Set(findings.filter((f) => f.verdict === verdict).map((f) => f.kind))]
  const disagreed = kindsThat('disagrees')
  const agreed = kindsThat('agrees').filter((kind) => !disagreed.includes(kind))
  const problems = [
    ...unusableClaims(claims, path),
    ...findings.filter((f) => f.verdict === 'disagrees').map(disagrees),
    ...(suffices([...agreed, ...disagreed]) ? [] : [tooFew(agreed)]),
  ]
  return { agreed, disagreed, problems }
}

/** Whether the patient was certainly born after the moment; a birth date that leaves it open, or none, says no. */
export const bornAfter = (patient: Patient, ms: number, zone: string): boolean => {
  const birth = stated(patient.birthDate) ? readPartial(patient.birthDate.trim(), zone, '') : undefined
  return birth?.ok === true && ms < birth.value.from
}

/**
 * What somebody who knew the patient by the earlier record would now find to be another: identifiers of a system,
 * birth date, full name. What the later record lacks counts for nothing, as at the bedside; nor does the phone, which
 * people change.
 */
export const identityChanges = (before: Patient, after: Patient, when: Occasion): readonly Kind[] => {
  const bySystem = Map.groupBy((before.identifier ?? []).filter(inUse(when)), (i) => i.system ?? '')
  const identifiers = [...bySystem.values()].filter(
    (claims) =>
      against(
        identifierFindings({ identifiers: claims }, after, when, parameterPath).map((f) => f.verdict),
        (verdict) => verdict,
      ) === 'disagrees',
  )
  const names = (before.name ?? []).filter(inUse(when)).flatMap((name) => {
    const claims = { identifiers: [], family: name.family, given: (name.given ?? []).join(' ') }
    return nameFindings(claims, after, when, parameterPath).map((f) => f.verdict)
  })
  const birthDates = birthDateFindings({ identifiers: [], birthDate: before.birthDate }, after, parameterPath)
  return [
    ...identifiers.map(([first]): Kind => `identifier ${first?.system ?? ''}`),
    ...birthDates.flatMap(({ kind, verdict }) => (verdict === 'disagrees' ? [kind] : [])),
    ...(against(names, (verdict) => verdict) === 'disagrees' ? (['full name'] as const) : []),
  ]
}
