import { describe, expect, test } from 'vitest'
import { printElementString, readElementString, readHumanReadable } from '../../../src/model/scan/gs1-elements.ts'
import { identifierAt, identifiers } from '../../../src/model/scan/gs1-identifiers.ts'
import { dataOfScan, scanOfData } from '../../../src/model/scan/read-scan.ts'
import { fnc1, gs, outcome, problems, read, today, value, withSeparators } from './words.ts'

const fda = 'FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3'
const engine = 'gs1/gs1-syntax-engine, unit tests'

const g1 = {
  humanReadable: '(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234',
  scanned: `0151022222233336111412311715070710A213B1${gs}211234`,
  source: fda,
}

describe('a GS1 label', () => {
  test.each([
    ['as printed', g1.humanReadable],
    ['as scanned', g1.scanned],
    ['with the symbology identifier of a DataMatrix', `]d2${g1.scanned}`],
    ['with FNC1 in front sent as a separator', `${gs}${g1.scanned}`],
    ['with the line end of a keyboard wedge', `${g1.scanned}\r\n`],
  ])(`is read %s (${g1.source})`, (_, text) => {
    expect(value(read(text))).toMatchObject({
      issuer: 'gs1',
      deviceIdentifier: '51022222233336',
      manufactureDate: '2014-12-31',
      expirationDate: '2015-07-07',
      lotNumber: 'A213B1',
      serialNumber: '1234',
      humanReadable: g1.humanReadable,
      carrier: text.trimEnd(),
    })
  })

  test('goes through base64 and back (calculated)', () => {
    const base64 = 'XWQyMDE1MTAyMjIyMjIzMzMzNjExMTQxMjMxMTcxNTA3MDcxMEEyMTNCMR0yMTEyMzQ='
    expect(dataOfScan(`]d2${g1.scanned}`)).toBe(base64)
    expect(value(scanOfData(base64, ''))).toBe(`]d2${g1.scanned}`)
    expect(value(scanOfData('4g==', ''))).toBe('â') // not UTF-8, so ISO 8859-1
    expect(outcome(scanOfData('not base64', ''))).toBe('scan-unreadable')
  })

  // FDA, UDI formats, v1.3: maximum sizes
  test('takes a lot and a serial number of 20 characters', () => {
    const twenty = 'ABCDEFGHIJ1234567890'
    const scan = value(read(`0109520123456788${`10${twenty}${gs}21${twenty}`}`))
    expect([scan.lotNumber, scan.serialNumber]).toEqual([twenty, twenty])
  })
})

describe('the bracketed form', () => {
  test.each([
    ['(01)12345678901231(10)12345', '^01123456789012311012345', engine],
    ['(10)12345(11)991225', '^1012345^11991225', engine],
    ['(10)12345\\(11)991225', '^1012345(11)991225', engine],
  ])('%s has the data %s (%s)', (text, data) => {
    const { elements, problems: found } = readHumanReadable({ text, at: '' }, today)
    expect(found).toEqual([])
    expect(printElementString(elements)).toBe(fnc1(data))
  })

  test.each([
    ['(10)(11)98765', engine],
    ['(10)12345^', engine],
    ['(17)9(90)217', engine],
    ['(01)123456789012312(10)12345', engine],
    ['(', 'calculated'],
    ['(01', 'calculated'],
    ['()', 'calculated'],
    ['(89)1234', 'calculated'],
    ['(01)09520123456788(10)ABCDEFGHIJ1234567890X', 'calculated'],
  ])('%s is refused (%s)', (text) => {
    expect(readHumanReadable({ text, at: '' }, today).problems.map(({ code }) => code)).toContain('scan-unreadable')
    expect(outcome(read(text))).toMatch(/^scan-unreadable/)
  })

  test('may have gaps between its fields, as printed lines have', () => {
    expect(value(read('(01)09520123456788 (10)ABC\n(21)123')).humanReadable).toBe('(01)09520123456788(10)ABC(21)123')
  })

  test('keeps a bracket of a value through print and reading', () => {
    const scan = value(read(`010952012345678821A(1)2`))
    expect(scan.humanReadable).toBe('(01)09520123456788(21)A\\(1)2')
    expect(value(read(scan.humanReadable)).serialNumber).toBe('A(1)2')
  })
})

describe('the element string', () => {
  test.each([
    [
      '^0112345678901231^991234',
      [
        ['01', '12345678901231'],
        ['99', '1234'],
      ],
      engine,
    ],
    [
      '^0112345678901231^991234^',
      [
        ['01', '12345678901231'],
        ['99', '1234'],
      ],
      engine,
    ],
  ])('%s has a separator too many, which is allowed (%s)', (text, fields) => {
    const { elements, problems: found } = readElementString({ text: fnc1(text), at: '' }, today)
    expect(found).toEqual([])
    expect(elements.map(({ ai, value: v }) => [ai, v])).toEqual(fields)
  })

  test.each([
    ['^0112345678901234', 'check-digit', engine],
    ['^891234', 'scan-unreadable', engine],
    ['^00000000000000000000', 'scan-unreadable', 'calculated'],
  ])('%s is refused with %s (%s)', (text, code) => {
    expect(readElementString({ text: fnc1(text), at: '' }, today).problems.map((p) => p.code)).toEqual([code])
  })

  test('tells everything that is wrong at once, with what was found and what is right', () => {
    const scan = read(`]d2010952012345678917261301${gs}89X${gs}21A B`)
    expect(problems(scan).map(({ code, found, expected }) => [code, found, expected])).toEqual([
      ['check-digit', '(01)09520123456789', '(01)09520123456788'],
      ['scan-unreadable', '(17)261301', 'a date as YYMMDD'],
      ['scan-unreadable', '89X', 'a GS1 application identifier'],
      ['scan-unreadable', 'U+0020 in (21)', 'the 82 characters of GS1'],
    ])
  })

  test('takes a field twice if both say the same', () => {
    expect(value(read(`010952012345678821A1${gs}21A1`)).humanReadable).toBe('(01)09520123456788(21)A1')
    expect(outcome(read(`010952012345678821A1${gs}21A2`))).toBe('scan-disagrees')
  })
})

describe('the symbology identifier', () => {
  const data = `011231231231233310ABC123${gs}99TESTING`
  test.each([']Q3', ']d2', ']C1', ']J1', ']e0'])(`%s is one of GS1 data (${engine})`, (symbology) => {
    expect(value(read(`${symbology}${data}`)).humanReadable).toBe('(01)12312312312333(10)ABC123(99)TESTING')
  })

  test.each([
    [']d2', 'scan-unreadable', engine],
    [']Q3', 'scan-unreadable', engine],
    [']C1', 'scan-unreadable', engine],
    [']e0', 'scan-unreadable', engine],
    ['ABC', 'scan-unreadable', engine],
    [']XX', 'scan-unreadable', engine],
    [']XX0109520123456788', 'scan-unreadable', 'calculated'],
    [']E02112345678900', 'ok', engine],
    [']E02112345678901', 'check-digit', engine],
    [']E402345673', 'ok', engine],
    [']I109520123456788', 'ok', 'common practice'],
    [']C0+A123BJC5D6E71G', 'ok', 'common practice'],
    [']A0+A123BJC5D6E71G', 'ok', 'common practice'],
    [']d1+A123BJC5D6E71G', 'ok', 'common practice'],
    [']Q1https://id.gs1.org/01/09520123456788/21/12345', 'ok', 'common practice'],
    [']J0(01)09520123456788(21)12345', 'ok', 'common practice'],
    [']C0010952012345678821A1', 'scan-unreadable', 'FNC1 makes GS1 data of it, and there is none'],
    ['', 'scan-unreadable', 'common practice'],
  ])('%s gives %s (%s)', (text, code) => {
    expect(outcome(read(text))).toBe(code)
  })

  test.each([
    [']E02112345678900', '02112345678900'],
    [']E402345673', '00000002345673'],
    ['9520123456788', '09520123456788'],
  ])('%s is the GTIN %s alone', (text, deviceIdentifier) => {
    expect(value(read(text))).toMatchObject({
      form: 'gtin',
      deviceIdentifier,
      humanReadable: `(01)${deviceIdentifier}`,
    })
  })
})

describe('what must stand together', () => {
  // gs1-syntax-dictionary, req
  test.each([
    ['21A1', '(21)A1 alone', '(01) (03) (8006)'],
    ['10A1', '(10)A1 alone', '(01) (02) (03) (8006) (8026)'],
    ['17261231', '(17)261231 alone', '(01) (02) (03) (255) (8006) (8026)'],
  ])('%s says what it needs', (text, found, expected) => {
    const scan = read(`]d2${text}`)
    expect(outcome(scan)).toBe('scan-unreadable')
    expect(problems(scan)[0]).toMatchObject({ found, expected: expect.stringContaining(expected) })
  })

  test('a label with no GTIN names no device, whatever else is on it', () => {
    expect(problems(read(withSeparators(']d28006095201234567880102<GS>21A1')))).toMatchObject([
      { code: 'scan-unreadable', expected: '(01) and a GTIN' },
    ])
    expect(outcome(read(']d299ABC'))).toBe('scan-unreadable')
  })
})

describe('the table of application identifiers', () => {
  // gs1-syntax-dictionary, flags: predefined length, no separator needed
  test('knows which need no separator', () => {
    const without = [...identifiers.values()].filter((id) => !id.needsSeparator).map(({ ai }) => ai.slice(0, 2))
    const expected = '00 01 02 03 11 12 13 15 16 17 20 31 32 33 34 35 36 41'.split(' ')
    expect([...new Set(without)].sort()).toEqual(expected)
  })

  test.each([
    ['01', 14, 14],
    ['10', 1, 20],
    ['21', 1, 20],
    ['22', 1, 20],
    ['240', 1, 30],
    ['241', 1, 30],
    ['250', 1, 30],
    ['3103', 6, 6],
    ['3923', 1, 15],
    ['3939', 4, 18],
    ['253', 13, 30],
    ['7003', 10, 10],
    ['8006', 18, 18],
    ['99', 1, 90],
  ])('(%s) has %i to %i characters', (ai, min, max) => {
    expect(identifiers.get(ai)).toMatchObject({ min, max })
  })

  test('tells an identifier by its first two digits', () => {
    for (const ai of identifiers.keys()) expect(identifierAt(`${ai}0000`, 0)?.ai).toBe(ai)
    for (const none of ['04', '09', '18', '38', '89', '3106', '3380', '', '1']) {
      expect(identifierAt(none, 0)).toBeUndefined()
    }
  })
})
