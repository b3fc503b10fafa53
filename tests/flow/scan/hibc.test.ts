import { describe, expect, test } from 'vitest'
import { hibcCheckCharacter } from '../../../src/model/scan/read-scan.ts'
import { outcome, problems, read, value } from './words.ts'

const fda = 'FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3'
const imdrf = 'IMDRF UDI WG/N48, appendices A and C'

const withCheck = (text: string): string => `${text}${hibcCheckCharacter(text)}`
const label = (data: string): string => withCheck(`+A123BJC5D6E71/${data}`)

type Row = [name: string, text: string, facts: object, source: string]

describe('an HIBC label', () => {
  test.each<Row>([
    ['H1', '+A123BJC5D6E71G', { deviceIdentifier: 'A123BJC5D6E71' }, fda],
    [
      'H2',
      '+A123BJC5D6E71/$$52001510X3C',
      { deviceIdentifier: 'A123BJC5D6E71', expirationDate: '2020-01-15', lotNumber: '10X3' },
      fda,
    ],
    ['H3', '+H123ABC01234567890D', { deviceIdentifier: 'H123ABC01234567890' }, fda],
    ['H6', '+A999ABC123DE0/$+1234567Y', { deviceIdentifier: 'A999ABC123DE0', serialNumber: '1234567' }, imdrf],
    [
      'H8',
      '+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ4567890123 45678/16D20130202C',
      {
        deviceIdentifier: 'H123PARTNO1234567890120',
        expirationDate: '2020-02-02',
        expiresAtHour: 16,
        lotNumber: 'LOT123456789012345',
        serialNumber: 'XYZ4567890123 45678',
        manufactureDate: '2013-02-02',
      },
      fda,
    ],
  ])('%s: %s (%s)', (_, text, facts) => {
    const expected = { issuer: 'hibcc', form: 'hibc', ...facts, humanReadable: `*${text}*`, carrier: text }
    expect(value(read(text))).toEqual(expected)
    expect(value(read(`*${text}*`))).toEqual({ ...expected, carrier: `*${text}*` })
  })

  test('H8 without the space in its serial number does not have that check character (calculated: 834, H)', () => {
    const scan = read('+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C')
    expect(outcome(scan)).toBe('check-character')
    expect(problems(scan)[0]).toMatchObject({ expected: 'H' })
  })

  test.each([
    ['$LOT1', { lotNumber: 'LOT1' }],
    ['$$0228LOT1', { lotNumber: 'LOT1', expirationDate: '2028-02-29' }],
    ['$$1228', { expirationDate: '2028-12-31' }],
    ['$$2123128LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31' }],
    ['$$3281231LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31' }],
    ['$$428123107LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31', expiresAtHour: 7 }],
    ['$$528366LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31' }],
    ['$$62836607LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31', expiresAtHour: 7 }],
    ['$$7LOT1', { lotNumber: 'LOT1' }],
    ['$+SN1', { serialNumber: 'SN1' }],
    ['$$+0228SN1', { serialNumber: 'SN1', expirationDate: '2028-02-29' }],
    ['$$+2123128SN1', { serialNumber: 'SN1', expirationDate: '2028-12-31' }],
    ['$$+3281231SN1', { serialNumber: 'SN1', expirationDate: '2028-12-31' }],
    ['$$+428123107SN1', { serialNumber: 'SN1', expirationDate: '2028-12-31', expiresAtHour: 7 }],
    ['$$+528366SN1', { serialNumber: 'SN1', expirationDate: '2028-12-31' }],
    ['$$+62836607SN1', { serialNumber: 'SN1', expirationDate: '2028-12-31', expiresAtHour: 7 }],
    ['$$+7SN1', { serialNumber: 'SN1' }],
    [
      '$$7LOT1/SSN1/14D20281231/16D20260101',
      {
        lotNumber: 'LOT1',
        serialNumber: 'SN1',
        expirationDate: '2028-12-31',
        manufactureDate: '2026-01-01',
      },
    ],
    ['28366LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31' }],
    ['16D20260101', { manufactureDate: '2026-01-01' }],
    ['$LOT1/Q12', { lotNumber: 'LOT1' }], // a supplemental string that nobody here asks for
    ['$$8123281231LOT1', { lotNumber: 'LOT1', expirationDate: '2028-12-31' }], // quantity 12
    ['$$9000127LOT1', { lotNumber: 'LOT1' }], // quantity 12
  ])(`reads the data %s (${imdrf}; quantities: public documentation of a barcode writer)`, (data, facts) => {
    const text = label(data)
    const printed = `*${text.replace(/ $/, '_')}*`
    const head = { issuer: 'hibcc', form: 'hibc', deviceIdentifier: 'A123BJC5D6E71' }
    expect(value(read(text))).toEqual({ ...head, ...facts, humanReadable: printed, carrier: text })
  })

  test.each([
    ['a date that does not exist', '$$3280230LOT1'],
    ['a month that does not exist', '$$1328LOT1'],
    ['a day of the year that does not exist', '$$527366'],
    ['an unknown qualifier', '$$XLOT1'],
    ['a lot of 19 characters', '$ABCDEFGHIJ123456789'],
    ['a date of manufacture that does not exist', '16D20260230'],
    ['an empty string', ''],
    ['more strings than any label has', `$LOT1${'/Q1'.repeat(20)}`],
    ['an empty string between others', '$LOT1//SSN1'],
  ])('is refused with %s', (_, data) => {
    expect(outcome(read(label(data)))).toBe('scan-unreadable')
  })

  test.each([
    ['no product code', '+A1231'],
    ['a product code of 19', '+A123ABCDEFGHIJ1234567891'],
    ['no digit for the unit of measure', '+A123BJC5D6E7X'],
    ['a mark where the labeler should be', '+-123BJC5D6E71'],
    ['the flag alone', '+'],
  ])('is refused with %s in place of an identifier', (_, text) => {
    expect(outcome(read(withCheck(text)))).toBe('scan-unreadable')
  })

  test('takes identifiers of 6 and of 23 characters', () => {
    for (const identifier of ['A123X1', 'A123ABCDEFGHIJ123456781']) {
      expect(value(read(withCheck(`+${identifier}`))).deviceIdentifier).toBe(identifier)
    }
  })

  test('has a space as check character, which is printed as _', () => {
    // Calculated: the values of +A123BJC5D6EX0 to its end leave 38 when the last letter is right.
    const spaced = [...'ABCDEFGHIJKLMNOPQRSTUVWXYZ']
      .map((x) => `+A123BJC5D6E${x}1`)
      .find((t) => withCheck(t).endsWith(' '))
    expect(spaced).toBeDefined()
    const scan = value(read(`${spaced} `))
    expect(scan.humanReadable).toBe(`*${spaced}_*`)
    expect(value(read(scan.humanReadable)).deviceIdentifier).toBe(scan.deviceIdentifier)
    expect(outcome(read(`${spaced}`))).toContain('check-character') // the space got lost
  })

  test('has no lower case, and the finding says whose fault that is', () => {
    const scan = read('+a123bjc5d6e71g')
    expect(outcome(scan)).toBe('scan-unreadable')
    expect(problems(scan)[0]?.note).toContain('lower case')
  })

  test('tells a wrong check character and other faults together', () => {
    expect(outcome(read('+A123BJC5D6E71/$$3280230LOT1+'))).toBe('check-character scan-unreadable')
  })

  test('states one serial number', () => {
    expect(outcome(read(label('$+SN1/SSN2')))).toBe('scan-disagrees')
    expect(value(read(label('$+SN1/SSN1'))).serialNumber).toBe('SN1')
  })
})

describe('HIBC in two barcodes', () => {
  const primary = '+A123BJC5D6E71G'
  const secondary = '+2001510X3GG' // H4: link character G, then its own check character G

  test.each([
    ['primary first', [primary, secondary]],
    ['secondary first', [secondary, primary]],
  ])(`is read with the %s (${fda})`, (_, parts) => {
    expect(value(read(...parts))).toEqual({
      issuer: 'hibcc',
      form: 'hibc',
      deviceIdentifier: 'A123BJC5D6E71',
      expirationDate: '2020-01-15',
      lotNumber: '10X3',
      humanReadable: `*${label('2001510X3')}*`,
      carrier: `${primary}${secondary}`,
    })
  })

  test('is refused when the link character is that of another primary barcode', () => {
    expect(outcome(read(primary, withCheck('+2001510X3H')))).toBe('check-character')
  })

  test('is refused without its primary barcode', () => {
    expect(outcome(read(secondary))).toBe('scan-unreadable')
    expect(outcome(read(secondary, secondary))).toBe('scan-unreadable')
  })

  test('reads a serial number and supplemental data of the second', () => {
    const scan = value(read(withCheck('+$$+7SN1/16D20260101G'), primary))
    expect(scan).toMatchObject({ serialNumber: 'SN1', manufactureDate: '2026-01-01' })
  })
})
