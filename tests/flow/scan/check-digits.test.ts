import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { checkDigitFault, gtinCheckDigit, hibcCheckCharacter } from '../../../src/model/scan/check-digits.ts'
import { outcome, read } from './words.ts'

const linter = 'gs1/gs1-syntax-dictionary, linter csum, published vectors'
const calculated = 'calculated from the rule of that linter'

const numbers: readonly [digits: string, verdict: string, source: string][] = [
  ['02345673', 'right', linter],
  ['416000336108', 'right', linter],
  ['1234567890128', 'right', linter],
  ['12345678901231', 'right', linter],
  ['123456789012345675', 'right', linter],
  ['12345673', 'wrong', linter],
  ['416000336109', 'wrong', linter],
  ['1234567890129', 'wrong', linter],
  ['12345678901232', 'wrong', linter],
  ['123456789012345670', 'wrong', linter],
  ['', 'too-short', linter],
  ['12345 67890128', 'not-digits', linter],
  ['09506000117843', 'right', calculated],
  ['51022222233336', 'right', calculated],
  ['09520123456788', 'right', calculated],
]

describe('the GS1 check digit', () => {
  test.each(numbers)('%s is %s (%s)', (digits, verdict) => {
    expect(checkDigitFault(digits)?.fault ?? 'right').toBe(verdict)
  })

  test.each([
    ['0950600011784', '3'], // weighted sum 87, calculated
    ['5102222223333', '6'], // 64
    ['0952012345678', '8'], // 102
  ])('of %s is %s', (digits, check) => {
    expect(gtinCheckDigit(digits)).toBe(check)
  })

  const gtin = fc.stringMatching(/^[0-9]{13}$/).map((body) => body + gtinCheckDigit(body))

  test('tells every error in a single digit', () => {
    fc.assert(
      fc.property(gtin, fc.nat(13), fc.integer({ min: 1, max: 9 }), (digits, place, by) => {
        const other = (Number(digits[place]) + by) % 10
        const wrong = `${digits.slice(0, place)}${other}${digits.slice(place + 1)}`
        expect(checkDigitFault(wrong)?.fault).toBe('wrong')
        expect(outcome(read(`01${wrong}2112345`))).toBe('check-digit')
      }),
    )
  })

  test('tells every error in a single digit of one GTIN, in every form in which it may be scanned', () => {
    const right = '09520123456788'
    for (let place = 0; place < right.length; place++) {
      for (let by = 1; by <= 9; by++) {
        const wrong = `${right.slice(0, place)}${(Number(right[place]) + by) % 10}${right.slice(place + 1)}`
        expect(outcome(read(`]d201${wrong}2112345`)), wrong).toBe('check-digit')
        expect(outcome(read(`(01)${wrong}(21)12345`)), wrong).toBe('check-digit')
        expect(outcome(read(`https://id.gs1.org/01/${wrong}/21/12345`)), wrong).toBe('check-digit')
        expect(outcome(read(wrong)), wrong).toBe('check-digit')
      }
    }
  })
})

describe('the HIBC check character', () => {
  const fda = 'FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3'
  test.each([
    ['+A123BJC5D6E71', 'G', fda],
    ['+A123BJC5D6E71/$$52001510X3', 'C', fda],
    ['+H123ABC01234567890', 'D', fda],
    ['+2001510X3G', 'G', fda],
    ['+A999ABC123DE0/$+1234567', 'Y', 'IMDRF UDI WG/N48, appendix C'],
    ['+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ4567890123 45678/16D20130202', 'C', fda],
    ['+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202', 'H', 'calculated: 834'],
  ])('of %s is %s (%s)', (text, check) => {
    expect(hibcCheckCharacter(text)).toBe(check)
  })

  test('does not exist for lower case', () => {
    expect(hibcCheckCharacter('+a123')).toBeUndefined()
  })
})
