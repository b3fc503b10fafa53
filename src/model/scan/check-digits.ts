/** Check digit of GS1 keys and check character of HIBC. */

/**
 * The check digit that belongs to `digits`, which come without it.
 * Weights 3, 1, 3, 1 … from the right; what is missing to the next ten.
 * Source: gs1/gs1-syntax-dictionary, linter `csum`.
 */
export const gtinCheckDigit = (digits: string): string => {
  let sum = 0
  for (let i = 0; i < digits.length; i++) sum += Number(digits[digits.length - 1 - i]) * (i % 2 === 0 ? 3 : 1)
  return String((10 - (sum % 10)) % 10)
}

export type CheckDigitFault =
  | { readonly fault: 'too-short' | 'not-digits' }
  | { readonly fault: 'wrong'; expected: string }

/** What is wrong with a number that ends in its check digit; nothing if it is right. */
export const checkDigitFault = (digits: string): CheckDigitFault | undefined => {
  if (digits === '') return { fault: 'too-short' }
  if (!/^[0-9]+$/.test(digits)) return { fault: 'not-digits' }
  const expected = gtinCheckDigit(digits.slice(0, -1))
  return digits.endsWith(expected) ? undefined : { fault: 'wrong', expected }
}

/** The 43 characters of HIBC in the order of their values. Source: ANSI/HIBC 2.6. */
export const hibcCharacters = '0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%'

/**
 * The check character that belongs to `text`, which comes with its leading `+` and without the check character: the sum
 * of all values modulo 43. Undefined if a character is not in the set.
 */
export const hibcCheckCharacter = (text: string): string | undefined => {
  let sum = 0
  for (const character of text) {
    const value = hibcCharacters.indexOf(character)
    if (value < 0) return undefined
    sum += value
  }
  return hibcCharacters[sum % 43]
}
