/** Published examples that are wrong: read as they stand, they must be refused, and for the right reason. */

import { describe, expect, test } from 'vitest'
import { scanOfData } from '../../../src/model/scan/read-scan.ts'
import { outcome, problems, read, value } from './words.ts'

describe('published examples with errors', () => {
  const carrier = ']d201108576740020171714112010NYFUL01↔21192837↔713A1B2C3D4E5F6G'

  test('Device/example-udi1 of FHIR R4: the separators of its carrier have become arrows', () => {
    expect(outcome(read(carrier))).toBe('lost-separator')
    const base64 = Buffer.from(carrier, 'utf8').toString('base64')
    expect(value(scanOfData(base64, ''))).toBe(carrier)
    expect(outcome(read(carrier.replaceAll('↔', '\u001d')))).toBe('ok')
  })

  test('the same: its text for people has braces', () => {
    const scan = read('{01}00844588003288{17}141120{10}7654321D{21}10987654d321')
    expect(outcome(scan)).toBe('scan-unreadable')
    expect(problems(scan)[0]?.note).toContain('round brackets')
  })

  test('the same: its carrier and its text are two products', () => {
    const text = '(01)00844588003288(17)141120(10)7654321D(21)10987654d321'
    expect(value(read(text)).serialNumber).toBe('10987654d321')
    expect(outcome(read(carrier.replaceAll('↔', '\u001d'), text))).toMatch(/^scan-disagrees/)
  })

  test('Device/example-udi2 of FHIR R4: its identifier is not that of the FDA document that it copies', () => {
    expect(outcome(read('=/A9999XYZ100T0474', '=/A9999XYZ100T0944'))).toBe('scan-disagrees')
  })

  test('Device/example-udi3 of FHIR R4: its check character belongs to a serial number with a space', () => {
    const printed = '+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C'
    expect(problems(read(printed))).toMatchObject([{ code: 'check-character', expected: 'H' }])
  })

  test.each([
    ['00011954013448', '00011954013442'],
    ['00208851107345', '00208851107347'],
    ['10844588003288', '10844588003285'],
  ])('the GTIN %s of public samples should be %s', (printed, right) => {
    expect(problems(read(`(01)${printed}`))).toMatchObject([{ code: 'check-digit', expected: `(01)${right}` }])
    expect(outcome(read(`(01)${right}`))).toBe('ok')
  })
})
