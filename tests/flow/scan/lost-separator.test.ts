import { describe, expect, test } from 'vitest'
import { requireSerial } from '../../../src/model/scan/read-scan.ts'
import { gs, outcome, problems, read, value } from './words.ts'

const before = '0151022222233336111412311715070710A213B1'

describe('something that stands in for a separator', () => {
  // common practice, from memory
  test.each([
    '<GS>',
    '<gs>',
    '{GS}',
    '[GS]',
    '(GS)',
    '<FNC1>',
    '↔',
    '\\x1d',
    '\\u001d',
    '^]',
    '\u241d',
    '<0x1D>',
    '{F8}',
    '&#29;',
    '\u001c',
    '\u001e',
    // none of the known ones, but no GS1 character and an identifier after it
    ' ',
    '^',
    '~',
    '|',
    '#',
    '\t',
    '\ufffd',
    '\u0000',
    '💥',
  ])('%j is told as such, not put right', (instead) => {
    const scan = read(`${before}${instead}211234`)
    expect(outcome(scan)).toBe('lost-separator')
    expect(problems(scan)[0]?.expected).toContain('U+001D')
    expect(outcome(read(`]d2${before}${instead}211234`))).toBe('lost-separator')
  })

  test('does not hide what is wrong before it', () => {
    expect(outcome(read('010952012345678910A1<GS>21B'))).toBe('check-digit lost-separator')
  })

  test('is told in the bracketed form and at the beginning too', () => {
    expect(outcome(read('(01)09520123456788(10)A1<GS>(21)1234'))).toBe('lost-separator')
    expect(outcome(read('{GS}010952012345678821A1'))).toBe('lost-separator')
  })

  test('is not seen in a foreign character that ends a value', () => {
    expect(outcome(read('010952012345678821A1é'))).toBe('scan-unreadable')
  })
})

describe('a separator that is gone without trace', () => {
  test('is told where a field becomes too long', () => {
    const scan = read('010952012345678810LOT4567890123452112345678')
    expect(outcome(scan)).toBe('lost-separator')
    expect(problems(scan)[0]).toMatchObject({ found: '(10)LOT4567890123452112345678, 25 characters' })
    expect(outcome(read('0109520123456788700326123112002112345'))).toBe('lost-separator')
  })

  // Calculated from the label G1 of FDA, UDI formats, v1.3: well formed, and another device.
  test('leaves a lot and no serial number: refused, and the likely cause named', () => {
    const scan = read(`${before}211234`)
    expect(value(scan)).toMatchObject({ lotNumber: 'A213B1211234' })
    expect(value(scan).serialNumber).toBeUndefined()
    expect(problems(scan)).toMatchObject([{ code: 'lost-separator', severity: 'warning', found: '(10)A213B1211234' }])
    const why = requireSerial(value(scan), 'Parameters.parameter[0]')
    expect(why.map(({ code, severity, at }) => [code, severity, at])).toEqual([
      ['no-serial', 'error', ['Parameters.parameter[0]']],
      ['lost-separator', 'error', ['Parameters.parameter[0]']],
    ])
    expect(why[0]?.note).toContain('lost separator')
  })

  test.each([
    ['010952012345678810LOT211', ['(21)']],
    ['010952012345678810LOT1726123121A', ['(17)', '(21)']],
    ['010952012345678821SN117261231', ['(17)']],
    ['010952012345678821SN111260101', ['(11)']],
    ['010952012345678821SN11126010010L', ['(11)', '(10)']],
    ['01095201234567882112345610LOTA', ['(10)']],
    ['0109520123456788240PART21A1', ['(21)']],
  ])('is suspected in %s', (text, expected) => {
    expect(problems(read(text))).toMatchObject([{ code: 'lost-separator', severity: 'warning' }])
    for (const ai of expected) expect(value(read(text)).mayHoldMore?.expected).toContain(ai)
  })

  test.each([
    ['a lot with 21 and a serial number beside it', `010952012345678810LOT211${gs}21A1`],
    ['a lot that ends in 21', '010952012345678810LOT21'],
    ['a lot that begins with 21', '01095201234567881021ABC'],
    ['a serial number with 17 and no date', '010952012345678821SN117261301'],
    ['a serial number with 17 and a date, and an expiry beside it', '01095201234567881726123121SN117261231'],
    ['a lot in brackets', '(01)09520123456788(10)LOT211'],
    ['a lot between slashes', 'https://id.gs1.org/01/09520123456788/10/LOT211'],
    ['a serial number of digits with a 10 inside', '0109520123456788212100104567'],
    ['a serial number of letters and digits with a 10 inside', '010952012345678821M10234'],
  ])('is not suspected in %s', (_, text) => {
    expect(problems(read(text))).toEqual([])
  })

  test('is no excuse when there is a serial number', () => {
    expect(requireSerial(value(read('010952012345678821SN117261231')))).toEqual([])
  })

  test('is not blamed for a label that has no serial number and no such lot', () => {
    expect(requireSerial(value(read('09520123456788'))).map(({ code }) => code)).toEqual(['no-serial'])
  })
})
