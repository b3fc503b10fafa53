import { describe, expect, test } from 'vitest'
import { outcome, problems, read, value } from './words.ts'

const fda = 'FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3; IMDRF UDI WG/N48'
const i1 = '=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123'

describe('an ISBT 128 label', () => {
  const facts = {
    issuer: 'iccbba',
    form: 'isbt-128',
    deviceIdentifier: 'A9999XYZ100T0944',
    serialNumber: '000025',
    donationIdentifier: 'A99971312345600',
    expirationDate: '2014-02-01',
    manufactureDate: '2013-02-01',
    lotNumber: '000000000000XYZ123',
    humanReadable: i1,
  }

  test(`I1 is read (${fda})`, () => {
    expect(value(read(i1))).toEqual({ ...facts, carrier: i1 })
  })

  test.each([
    ['in order', ['=/A9999XYZ100T0944=,000025', i1.slice(26)]],
    ['in reverse', [i1.slice(26), '=/A9999XYZ100T0944=,000025']],
  ])('in two barcodes is read %s', (_, parts) => {
    expect(value(read(...parts))).toEqual({ ...facts, carrier: i1 })
  })

  test.each([['=)1TE123456A&)RZ12345678'], ['=)1TE123456A &)RZ12345678']])(
    `%s is a blood container; the space is a line break of print (${fda})`,
    (text) => {
      expect(value(read(text))).toEqual({
        issuer: 'iccbba',
        form: 'isbt-128-container',
        deviceIdentifier: '1TE123456A',
        lotNumber: 'RZ12345678',
        humanReadable: '=)1TE123456A&)RZ12345678',
        carrier: text,
      })
    },
  )

  test.each([
    ['cut short', '=/A9999XYZ100T094'],
    ['with a day that does not exist', '=/A9999XYZ100T0944=>014366'],
    ['with a structure that is not of a device', '=/A9999XYZ100T0944=%5100'],
    ['with no device identifier', '=,000025'],
    ['with its & escaped as in HL7 v2', '=/A9999XYZ100T0944\\T\\,1000000000000XYZ123'],
    ['with marks in a number', '=/A9999XYZ100T0944=,00-025'],
    ['that is a flag alone', '='],
  ])('%s is refused', (_, text) => {
    expect(outcome(read(text))).toBe('scan-unreadable')
  })

  test('tells everything that is wrong', () => {
    expect(problems(read('=/A9999XYZ100T094!=>014366')).map(({ found }) => found)).toEqual([
      '=/A9999XYZ100T094!',
      '=>014366',
    ])
  })
})
