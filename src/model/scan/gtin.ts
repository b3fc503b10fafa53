/** A GTIN by itself: from a retail barcode, or typed. */

import type { Checked } from '../problems.ts'
import { accept, refusal, refuse } from '../problems.ts'
import { checkDigitFault } from './check-digits.ts'

const lengths = [8, 12, 13, 14]

/** Whether the text has as many digits as a GTIN has: 8, 12, 13 or 14, and nothing else. */
export const isGtinLike = (text: string): boolean => lengths.includes(text.length) && /^[0-9]+$/.test(text)

/** GTIN-8, -12, -13 or -14, filled up with zeros to 14 digits. Refused with a wrong check digit or length, or all zeros. */
export const readGtin = (text: string, at: string): Checked<string> => {
  if (!isGtinLike(text) || /^0+$/.test(text)) {
    return refuse([
      refusal('scan-unreadable', at, { found: text, expected: 'a GTIN of 8, 12, 13 or 14 digits, not all of them 0' }),
    ])
  }
  const wrong = checkDigitFault(text)
  return wrong?.fault === 'wrong'
    ? refuse([refusal('check-digit', at, { found: text, expected: `${text.slice(0, -1)}${wrong.expected}` })])
    : accept(text.padStart(14, '0'))
}
