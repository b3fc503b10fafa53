import fc from 'fast-check'
import type { HumanName, Patient } from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import { bornAfter, type Claims, foldName, matchPatient } from '../../src/model/patient-match.ts'
import { sentence } from '../../src/model/problems.ts'

const numbers = 'https://tern-harbour.example/patients'
const national = 'https://lowwater.example/national'
const when = { ms: Date.UTC(2026, 4, 1, 9), zone: 'Europe/Dublin' }
const path = (name: string, index = 0) => `Parameters.parameter.where(name='${name}')[${index}].value`

const patient: Patient = {
  resourceType: 'Patient',
  identifier: [
    { system: numbers, value: 'TH-0042' },
    { system: national, value: 'LW900' },
    { system: numbers, value: 'TH-0001', use: 'old' },
  ],
  birthDate: '1950-03-17',
  name: [
    { family: 'Sørensen-Quill', given: ['Anna', 'Maria'] },
    { use: 'maiden', family: "O'Fenn", given: ['Anna'] },
    { use: 'old', family: 'Mudlark', given: ['Anna'] },
    { family: 'Saltmarsh', given: ['Anna'], period: { end: '2019' } },
  ],
  telecom: [
    { system: 'phone', value: '+353 1 555 0100' },
    { system: 'email', value: '5550199999@tern-harbour.example' },
    { system: 'phone', value: '087 555 0177', use: 'old' },
  ],
}

const mrn = { system: numbers, value: 'TH-0042' }
const match = (claims: Partial<Claims>, other = patient) => matchPatient({ identifiers: [], ...claims }, other, when)
const codes = (claims: Partial<Claims>, other = patient) => match(claims, other).problems.map(({ code }) => code)

describe('two identifiers', () => {
  it.each<[string, Partial<Claims>, string[]]>([
    [
      'a number and the birth date',
      { identifiers: [mrn], birthDate: '1950-03-17' },
      [`identifier ${numbers}`, 'birth date'],
    ],
    [
      'a number and the name',
      { identifiers: [mrn], family: 'Sørensen-Quill', given: 'Anna' },
      [`identifier ${numbers}`, 'full name'],
    ],
    ['a number and the phone', { identifiers: [mrn], phone: '01 555 0100' }, [`identifier ${numbers}`, 'phone']],
    [
      'numbers of two systems',
      { identifiers: [mrn, { system: national, value: 'LW900' }] },
      [`identifier ${numbers}`, `identifier ${national}`],
    ],
    [
      'the birth date and the name',
      { birthDate: '1950-03-17', family: "O'Fenn", given: 'Anna' },
      ['birth date', 'full name'],
    ],
    [
      'a number with blanks around it',
      { identifiers: [{ system: ` ${numbers}`, value: ' TH-0042 ' }], birthDate: '1950-03-17' },
      [`identifier ${numbers}`, 'birth date'],
    ],
    [
      'a number of a system that the patient lacks besides',
      { identifiers: [mrn, { system: 'urn:other', value: '1' }], birthDate: '1950-03-17' },
      [`identifier ${numbers}`, 'birth date'],
    ],
    [
      'a partial birth date besides',
      { identifiers: [mrn], phone: '+35315550100', birthDate: '1950' },
      [`identifier ${numbers}`, 'phone'],
    ],
  ])('confirm the patient: %s', (_, claims, agreed) => {
    expect(match(claims)).toEqual({ agreed, disagreed: [], problems: [] })
  })

  it.each<[string, Partial<Claims>, RegExp]>([
    ['nothing stated', {}, /What agreed: nothing/],
    ['one number', { identifiers: [mrn] }, /What agreed: identifier https:\/\/tern-harbour.example\/patients\./],
    ['one number stated twice', { identifiers: [mrn, mrn] }, /What agreed: identifier/],
    [
      'name and phone, without a number or the birth date',
      { family: 'Sørensen-Quill', given: 'Anna', phone: '+35315550100' },
      /What agreed: full name, phone\./,
    ],
    ['a birth month', { identifiers: [mrn], birthDate: '1950-03' }, /What agreed: identifier/],
    ['a family name alone', { birthDate: '1950-03-17', family: 'Sørensen-Quill' }, /What agreed: birth date\./],
    ['a given name alone', { birthDate: '1950-03-17', given: 'Anna' }, /What agreed: birth date\./],
    [
      'a number of a system that the patient lacks',
      { identifiers: [{ system: 'urn:room', value: '12' }], birthDate: '1950-03-17' },
      /What agreed: birth date\./,
    ],
    ['blanks', { identifiers: [mrn], birthDate: ' ', family: ' ', given: ' ', phone: ' ' }, /What agreed: identifier/],
    ['a phone that may lack its area code', { identifiers: [mrn], phone: '555 0100' }, /What agreed: identifier/],
  ])('are too few: %s', (_, claims, note) => {
    const { problems, disagreed } = match(claims)
    expect(problems).toMatchObject([{ code: 'too-few-identifiers', note: expect.stringMatching(note) }])
    expect(problems[0]?.expected).toMatch(/two of/)
    expect(disagreed).toEqual([])
  })

  it.each<[string, Partial<Claims>, string, string[]]>([
    [
      'another number of the same system',
      { identifiers: [{ system: numbers, value: 'TH-0043' }] },
      `identifier ${numbers}`,
      [path('patientIdentifier')],
    ],
    [
      'a number in small letters',
      { identifiers: [{ system: numbers, value: 'th-0042' }] },
      `identifier ${numbers}`,
      [path('patientIdentifier')],
    ],
    [
      'a number that is marked old',
      { identifiers: [{ system: numbers, value: 'TH-0001' }] },
      `identifier ${numbers}`,
      [path('patientIdentifier')],
    ],
    [
      'a right and a wrong number of one system',
      { identifiers: [mrn, { system: numbers, value: 'TH-0043' }] },
      `identifier ${numbers}`,
      [path('patientIdentifier', 1)],
    ],
    ['another birth date', { birthDate: '1950-03-18' }, 'birth date', [path('birthDate')]],
    ['another birth year', { birthDate: '1951' }, 'birth date', [path('birthDate')]],
    ['another birth month', { birthDate: '1950-04' }, 'birth date', [path('birthDate')]],
    ['another family name', { family: 'Marram', given: 'Anna' }, 'full name', [path('family'), path('given')]],
    ['another family name alone', { family: 'Marram' }, 'full name', [path('family')]],
    ['another given name', { family: 'Sørensen-Quill', given: 'Maria' }, 'full name', [path('family'), path('given')]],
    ['a name that is marked old', { family: 'Mudlark', given: 'Anna' }, 'full name', [path('family'), path('given')]],
    [
      'a name whose period has ended',
      { family: 'Saltmarsh', given: 'Anna' },
      'full name',
      [path('family'), path('given')],
    ],
    ['another phone', { phone: '01 555 0101' }, 'phone', [path('phone')]],
    ['a phone that is marked old', { phone: '087 555 0177' }, 'phone', [path('phone')]],
  ])('are refused, however many agree, for %s', (_, claim, kind, at) => {
    const right: Claims = {
      identifiers: [{ system: national, value: 'LW900' }],
      birthDate: '1950-03-17',
      phone: '+35315550100',
    }
    const claims = { ...right, ...claim, identifiers: [...(claim.identifiers ?? []), ...right.identifiers] }
    const { agreed, disagreed, problems } = match(claims)
    expect(disagreed).toEqual([kind])
    expect(agreed).not.toContain(kind)
    expect(problems).toMatchObject([{ code: 'identifier-disagrees', at, note: `What disagrees: ${kind}.` }])
  })

  it('never quote what is stored, and show what the caller sent', () => {
    const { problems } = match({
      identifiers: [
        { system: numbers, value: 'X-1' },
        { system: national, value: 'X-2' },
      ],
      birthDate: '1999-01-01',
      family: 'Marram',
      given: 'Bo',
      phone: '0999999999',
    })
    expect(problems.map(({ found }) => found)).toEqual(['X-1', 'X-2', '1999-01-01', 'Marram, Bo', '0999999999'])
    const told = problems.map(sentence).join(' ')
    for (const secret of ['TH-0042', 'LW900', '1950', 'rensen', 'Quill', 'Anna', 'Fenn', '5550100', '555 0100']) {
      expect(told).not.toContain(secret)
    }
  })

  it('tell a disagreement alone when mending it would be enough, and both reasons when it would not', () => {
    expect(codes({ identifiers: [mrn], birthDate: '1950-03-18' })).toEqual(['identifier-disagrees'])
    expect(codes({ birthDate: '1950-03-18' })).toEqual(['identifier-disagrees', 'too-few-identifiers'])
  })

  it('take no identifier without a system or a value, and no birth date outside the calendar', () => {
    const claims = {
      identifiers: [mrn, { value: 'TH-0042' }, { system: ' ', value: '1' }, { system: numbers }],
      birthDate: '1950-02-30',
    }
    expect(match(claims).problems).toMatchObject([
      { code: 'identifier-without-system', at: [`${path('patientIdentifier', 1)}.system`] },
      { code: 'identifier-without-system', at: [`${path('patientIdentifier', 2)}.system`] },
      { code: 'missing-element', at: [`${path('patientIdentifier', 3)}.value`] },
      { code: 'wrong-value', at: [path('birthDate')], found: '1950-02-30' },
      { code: 'too-few-identifiers' },
    ])
  })

  it('count for nothing when the patient lacks them', () => {
    const bare: Patient = {
      resourceType: 'Patient',
      identifier: [mrn],
      birthDate: '1950-03',
      name: [{ text: 'Anna Quill' }],
    }
    const claims = { identifiers: [mrn], birthDate: '1950-03-17', family: 'Marram', given: 'Bo', phone: '015550100' }
    expect(match(claims, bare)).toMatchObject({ agreed: [`identifier ${numbers}`], disagreed: [] })
    expect(codes(claims, { resourceType: 'Patient' })).toEqual(['too-few-identifiers'])
  })

  it('name the place in the call as the caller of the rule says', () => {
    const claims = { identifiers: [], birthDate: '1950-03-18' }
    const [problem] = matchPatient(claims, patient, when, (name, i) => `${name}/${i}`).problems
    expect(problem?.at).toEqual(['birthDate/0'])
  })

  it('look at a name until its period has ended, in the zone of the site', () => {
    const renamed: Patient = {
      ...patient,
      name: [{ family: 'Saltmarsh', given: ['Anna'], period: { end: '2026-05-01' } }],
    }
    const claims = { identifiers: [], birthDate: '1950-03-17', family: 'Saltmarsh', given: 'Anna' }
    const agreedAt = (ms: number) => matchPatient(claims, renamed, { ...when, ms }).agreed
    expect(agreedAt(Date.UTC(2026, 4, 1, 22, 59))).toContain('full name')
    expect(agreedAt(Date.UTC(2026, 4, 1, 23))).not.toContain('full name')
  })
})

describe('names', () => {
  const verdict = (claim: { family: string; given: string }, ...name: HumanName[]) => {
    const found = match(claim, { resourceType: 'Patient', name })
    return found.agreed.length > 0 ? 'agrees' : found.disagreed.length > 0 ? 'disagrees' : 'silent'
  }

  it.each([
    ['accents', 'Sorensen', 'Sørensen'],
    ['case', 'ÉLODIE', 'élodie'],
    ['sharp s', 'STRASSER', 'Straßer'],
    ['a capital sharp s', 'STRAẞER', 'Straßer'],
    ['ligatures', 'Aesir', 'Æsir'],
    ['a barred l', 'Lodz', 'Łódź'],
    ['a dotless i', 'Isik', 'Işık'],
    ['a final sigma', 'ΣΑΣ', 'σας'],
    ['composed and decomposed letters', 'No\u0065\u0308l', 'Noël'],
    ['a curly apostrophe', "O'Fenn", 'O’Fenn'],
    ['no apostrophe', 'OFenn', "O'Fenn"],
    ['a blank for a hyphen', 'Marram Quill', 'Marram-Quill'],
    ['a hyphen that does not break', 'Marram\u2011Quill', 'Marram-Quill'],
    ['blanks around and inside', '  van  der Fenn ', 'Van der Fenn'],
    ['full-width letters', 'Ｆｅｎｎ', 'Fenn'],
  ])('agree apart from %s', (_, claim, stored) => {
    expect(foldName(claim)).toBe(foldName(stored))
    expect(verdict({ family: claim, given: 'Bo' }, { family: stored, given: ['Bo'] })).toBe('agrees')
  })

  it.each([
    ['letters', 'Fenn', 'Fehn'],
    ['vowel signs, which are marks too', 'राम', 'रमा'],
    ['voicing marks', 'かき', 'かぎ'],
    ['the German spelling of an umlaut', 'Mueller', 'Müller'],
  ])('disagree in %s', (_, claim, stored) => {
    expect(verdict({ family: claim, given: 'Bo' }, { family: stored, given: ['Bo'] })).toBe('disagrees')
  })

  it.each([
    ['the first of several', 'Anna', ['Anna', 'Maria'], 'agrees'],
    ['all of several', 'Anna Maria', ['Anna', 'Maria'], 'agrees'],
    ['several where one is stored', 'Anna Maria', ['Anna'], 'agrees'],
    ['several that are stored as one', 'Anna', ['Anna Maria'], 'agrees'],
    ['an initial for the second', 'Anna M.', ['Anna', 'Maria'], 'agrees'],
    ['an initial stored for the second', 'Anna Maria', ['Anna', 'M'], 'agrees'],
    ['a hyphen where two are stored', 'Anna-Maria', ['Anna', 'Maria'], 'agrees'],
    ['half of a hyphenated name', 'Anna', ['Anna-Maria'], 'disagrees'],
    ['an initial for the first', 'A', ['Anna'], 'disagrees'],
    ['the second alone', 'Maria', ['Anna', 'Maria'], 'disagrees'],
    ['another second', 'Anna Louise', ['Anna', 'Maria'], 'disagrees'],
    ['another initial', 'Anna L', ['Anna', 'Maria'], 'disagrees'],
    ['a longer first', 'Annabel', ['Anna'], 'disagrees'],
    ['punctuation alone, which is nothing', '-', ['Anna'], 'silent'],
  ])('of the given: %s', (_, given, stored, expected) => {
    expect(verdict({ family: 'Fenn', given }, { family: 'Fenn', given: stored })).toBe(expected)
  })

  it('agree with any one name in use, never with parts of two', () => {
    const names = [
      { family: 'Fenn', given: ['Anna'] },
      { family: 'Quill', given: ['Bo'] },
    ]
    expect(verdict({ family: 'Quill', given: 'Bo' }, ...names)).toBe('agrees')
    expect(verdict({ family: 'Quill', given: 'Anna' }, ...names)).toBe('disagrees')
  })

  it('of which only the family is stored neither agree nor stay silent about another family', () => {
    expect(verdict({ family: 'Fenn', given: 'Anna' }, { family: 'Fenn' })).toBe('silent')
    expect(verdict({ family: 'Quill', given: 'Anna' }, { family: 'Fenn' })).toBe('disagrees')
  })

  const letters = fc.string({ unit: 'grapheme', maxLength: 12 })
  it('are folded once and for all, whatever the composition, the case or what stands between the letters', () => {
    fc.assert(
      fc.property(letters, letters, (a, b) => {
        expect(foldName(foldName(a))).toBe(foldName(a))
        expect(foldName(a.normalize('NFD'))).toBe(foldName(a.normalize('NFC')))
        expect(foldName(`${a} - ${b}’`)).toBe(foldName(foldName(a) + foldName(b)))
      }),
      // marks that the letters taken out had kept from their order
      { examples: [['\uFE81\u{1D157}\u{1D165}', '']] },
    )
    fc.assert(
      fc.property(fc.stringMatching(/^[a-zà-ÿœšž' -]{0,12}$/), (a) => foldName(a.toUpperCase()) === foldName(a)),
    )
  })

  it('agree or disagree the same way round and the other', () => {
    const word = fc.constantFrom('Anna', 'ANNA', 'A.', 'Maria', 'M', 'Åsa', 'Asa', 'Anna-Maria')
    const given = fc.array(word, { minLength: 1, maxLength: 3 }).map((words) => words.join(' '))
    fc.assert(
      fc.property(given, given, (a, b) => {
        const stored = (text: string) => ({ family: 'Fenn', given: [text] })
        expect(verdict({ family: 'Fenn', given: a }, stored(b))).toBe(verdict({ family: 'Fenn', given: b }, stored(a)))
        expect(verdict({ family: 'Fenn', given: a }, stored(a))).toBe('agrees')
      }),
    )
  })
})

describe('phones', () => {
  const verdict = (claim: string, stored: string, system: 'phone' | 'sms' | 'fax' = 'phone') => {
    const found = match({ phone: claim }, { resourceType: 'Patient', telecom: [{ system, value: stored }] })
    return found.agreed.length > 0 ? 'agrees' : found.disagreed.length > 0 ? 'disagrees' : 'silent'
  }

  it.each([
    ['the same digits, written in another way', '(01) 555-0100', '01 5550100', 'agrees'],
    ['the national and the international form', '01 555 0100', '+353 1 555 0100', 'agrees'],
    ['00 and +', '00353 1 555 0100', '+353 1 555 0100', 'agrees'],
    ['a trunk 0 in brackets', '+44 (0)1632 960001', '01632 960001', 'agrees'],
    ['a trunk 0 that is dialled from abroad too', '+39 06 5550100', '06 5550100', 'agrees'],
    ['a country code of one digit', '+1 555 010 0199', '555-010-0199', 'agrees'],
    ['an extension', '01 555 0100 ext. 12', 'tel:+353-1-555-0100', 'agrees'],
    ['another last digit', '01 555 0101', '01 555 0100', 'disagrees'],
    ['another area code', '02 555 0100', '01 555 0100', 'disagrees'],
    ['another country', '+44 1 555 0100', '+353 1 555 0100', 'disagrees'],
    ['the area code left out', '555 0100', '01 555 0100', 'silent'],
    ['the area code left out, against the international form', '5550 0100', '+61 2 5550 0100', 'silent'],
    ['a national prefix 1', '1 555 010 0199', '555 010 0199', 'silent'],
    ['six digits, too few to tell', '55 01 00', '55 01 00', 'silent'],
    ['no digits at all', 'none', '01 555 0100', 'silent'],
  ])('%s: %s and %s: %s', (_, claim, stored, expected) => {
    expect(verdict(claim, stored)).toBe(expected)
    expect(verdict(stored, claim)).toBe(expected)
  })

  it('are numbers for talking or short messages, not for fax', () => {
    expect(verdict('01 555 0100', '01 555 0100', 'sms')).toBe('agrees')
    expect(verdict('01 555 0101', '01 555 0100', 'fax')).toBe('silent')
  })
})

describe('a moment before the birth', () => {
  const zone = 'Europe/Dublin'
  it.each([
    ['an hour before the first instant of the day, local', '2026-05-01', Date.UTC(2026, 3, 30, 22), true],
    ['at the first instant of the day, local', '2026-05-01', Date.UTC(2026, 3, 30, 23), false],
    ['in the month of birth, the day not known', '2026-05', Date.UTC(2026, 4, 1), false],
    ['before the month of birth', '2026-05', Date.UTC(2026, 3, 30), true],
    ['in the year of birth, no more known', '2026', Date.UTC(2026, 0, 1), false],
    ['before the year of birth', '2026', Date.UTC(2025, 11, 31, 23), true],
    ['of a patient without birth date', undefined, 0, false],
    ['of a birth date that cannot be read', '26-05-01', 0, false],
  ])('%s', (_, birthDate, ms, expected) => {
    const other: Patient = { resourceType: 'Patient', ...(birthDate !== undefined && { birthDate }) }
    expect(bornAfter(other, ms, zone)).toBe(expected)
  })
})
