import { describe, expect, test } from 'vitest'
import { issuerUri, readScan } from '../../../src/model/scan/read-scan.ts'
import { gs, outcome, problems, read, today, value } from './words.ts'

const device = '0109520123456788'
const production = '1726123110LOT1'
const serial = '21SN1'

describe('two GS1 barcodes of one label', () => {
  test.each([
    ['element strings', `]d2${device}`, `]d2${serial}`, `]d2${device}${serial}`],
    ['without identifiers', device, serial, `${device}${serial}`],
    ['the first ending in a field of free length', `${device}10LOT1`, serial, `${device}10LOT1${gs}${serial}`],
    ['a retail barcode', ']E09520123456788', `]C1${serial}`, `${device}${serial}`],
    ['a bare GTIN', '09520123456788', serial, `${device}${serial}`],
    ['a bare GTIN of 13 digits, which also reads as (95)', '9520123456788', serial, `${device}${serial}`],
    ['printed text', '(01)09520123456788', '(21)SN1', `${device}${serial}`],
  ])('are read in either order: %s', (_, one, other, carrier) => {
    const scan = value(read(one, other))
    expect(scan).toMatchObject({ deviceIdentifier: '09520123456788', serialNumber: 'SN1', carrier })
    expect(value(read(other, one))).toEqual(scan)
    expect(value(read(carrier))).toMatchObject({ humanReadable: scan.humanReadable })
  })

  test('may look like a GTIN both, and are told apart by what makes one device', () => {
    // 21123450 has a right check digit as a GTIN-8, calculated; as an element string it is a serial number
    expect(value(read('21123450'))).toMatchObject({ form: 'gtin', deviceIdentifier: '00000021123450' })
    for (const parts of [
      ['09520123456788', '21123450'],
      ['21123450', '09520123456788'],
    ]) {
      expect(value(read(...parts))).toMatchObject({ deviceIdentifier: '09520123456788', serialNumber: '123450' })
    }
  })

  test('that may each be the device identifier are not guessed at', () => {
    const scan = read('9520123456788', '9520000000127') // both a GTIN, and both (95)
    expect(outcome(scan)).toBe('scan-unreadable')
    expect(problems(scan)[0]?.note).toContain('Either')
  })

  test('that are the same barcode twice are one', () => {
    expect(value(read('9520123456788', '9520123456788')).humanReadable).toBe('(01)09520123456788')
    expect(value(read(`${device}${serial}`, `${device}${serial}`)).humanReadable).toBe('(01)09520123456788(21)SN1')
  })

  test('must stand together: what one lacks the other may have', () => {
    expect(outcome(read(production, serial))).toBe('scan-unreadable scan-unreadable scan-unreadable')
    expect(value(read(`${production}${gs}${serial}`, device))).toMatchObject({ lotNumber: 'LOT1', serialNumber: 'SN1' })
  })

  test('that name two devices are refused, with both places', () => {
    const scan = readScan([device, '0109520000000127'], today, ['Parameters.parameter[0]', 'Parameters.parameter[1]'])
    expect(problems(scan)).toMatchObject([
      { code: 'scan-disagrees', at: ['Parameters.parameter[0]', 'Parameters.parameter[1]'] },
    ])
  })

  test('that are both wrong are both told, each at its place', () => {
    const scan = readScan(['0109520123456789', '21A B'], today, ['Parameters.parameter[0]', 'Parameters.parameter[1]'])
    expect(problems(scan).map(({ code, at }) => [code, ...at])).toEqual([
      ['check-digit', 'Parameters.parameter[0]'],
      ['scan-unreadable', 'Parameters.parameter[1]'],
    ])
  })

  test('one of which has as many digits as a GTIN is not blamed for the other', () => {
    expect(outcome(read('17261231', '0109520123456789'))).toBe('check-digit')
  })
})

describe('barcodes that do not belong together', () => {
  test('of two issuers are refused', () => {
    expect(outcome(read(device, '+A123BJC5D6E71G'))).toBe('scan-disagrees')
  })

  test('one of them unreadable: the other is checked all the same', () => {
    expect(outcome(read('ABC', '0109520123456789'))).toBe('scan-unreadable check-digit')
    expect(outcome(read('ABC', serial))).toBe('scan-unreadable')
  })

  test('none at all is refused', () => {
    expect(outcome(readScan([], today))).toBe('no-scan')
  })
})

describe('the issuer', () => {
  // http://hl7.org/fhir/R4/device.html; the capital I of hibcc-dI is in that text
  test.each([
    [device, 'http://hl7.org/fhir/NamingSystem/gs1-di'],
    ['+A123BJC5D6E71G', 'http://hl7.org/fhir/NamingSystem/hibcc-dI'],
    ['=/A9999XYZ100T0944', 'http://hl7.org/fhir/NamingSystem/iccbba-other-di'],
    ['=)1TE123456A', 'http://hl7.org/fhir/NamingSystem/iccbba-blood-di'],
  ])('of %s is %s', (text, uri) => {
    expect(issuerUri(value(read(text)))).toBe(uri)
  })
})
