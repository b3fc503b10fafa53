/**
 * Signs that the separator between two GS1 fields did not survive the scanner: something else stands in its place, or
 * nothing does. Told, never repaired: what was lost cannot be known.
 */

import { dateOfDayZero, dateOfSix } from './dates.ts'
import type { Gs1Element } from './gs1-elements.ts'
import { identifiers } from './gs1-identifiers.ts'

/** What scanners, drivers and copied text put in its place. Common practice, from memory. */
const standIns = [
  ...['<gs>', '{gs}', '[gs]', '(gs)', '<fnc1>', '{fnc1}', '[fnc1]', '(fnc1)', '<f8>', '{f8}', '[f8]'],
  ...['<0x1d>', '\\x1d', '\\u001d', '\\035', '&#29;', '&#x1d;', '^]'],
  ...['\u241d', '\u2194', '\u001c', '\u001e', '\u001f'],
]

export interface StandIn {
  readonly index: number
  readonly text: string
}

/** The first known stand-in in the text. */
export const standIn = (text: string): StandIn | undefined => {
  // Not toLowerCase: it may change the length, and with it the position.
  const folded = text.replace(/[A-Z]/g, (letter) => letter.toLowerCase())
  let first: StandIn | undefined
  for (const each of standIns) {
    const index = folded.indexOf(each)
    if (index >= 0 && (first === undefined || index < first.index)) {
      first = { index, text: text.slice(index, index + each.length) }
    }
  }
  return first
}

/** A character or stand-in for people: itself when it prints, else its code point. */
export const shown = (text: string): string =>
  /^[\p{L}\p{N}\p{P}\p{S}]+$/u.test(text)
    ? text
    : `U+${(text.codePointAt(0) ?? 0).toString(16).toUpperCase().padStart(4, '0')}`

/** A run of fields that the end of a value would make, if a separator had stood before it. */
type Tail = readonly Gs1Element[]

/** The fields of a production identifier: those that a label usually prints after one another. */
const lookedFor = ['10', '11', '17', '21'] as const

const isDate = (text: string, today: string): boolean =>
  dateOfSix(text, today) !== undefined || dateOfDayZero(text, today) !== undefined

/** Reads the text as fields from `open` that fill it to its end; each field at most once. */
const tailOf = (text: string, open: readonly string[], today: string, at: string): Tail | undefined => {
  const ai = text.slice(0, 2)
  if (!open.includes(ai)) return undefined
  if (ai === '10' || ai === '21') {
    const value = text.slice(2)
    return value.length >= 1 && value.length <= 20 ? [{ ai, value, at }] : undefined
  }
  const value = text.slice(2, 8)
  if (!isDate(value, today)) return undefined
  if (text.length === 8) return [{ ai, value, at }]
  const rest = tailOf(
    text.slice(8),
    open.filter((each) => each !== ai),
    today,
    at,
  )
  return rest && [{ ai, value, at }, ...rest]
}

/**
 * Whether a tail is more than chance. A date or a missing serial number is. A lot at the end of a serial number is only
 * if digits change to letters there: one in twelve random serial numbers of ten digits has a 10 in it.
 */
const tells = (head: string, tail: Tail): boolean =>
  tail.some(({ ai }) => ai !== '10') || (/^[0-9]+$/.test(head) && /[A-Za-z]/.test(tail[0]?.value ?? ''))

export interface Swallowed {
  readonly by: Gs1Element
  /** The identifiers whose fields it may hold. */
  readonly ais: readonly string[]
}

/**
 * The first field of variable length whose end would itself read as a field that the scan does not have: a lot in which
 * `21` and more follows, with no serial number; a serial number that ends in `17` and a date, with no expiry.
 * A guess: `A213B1211234` may be a lot after all.
 *
 * @param all the fields of all barcodes
 * @param suspects those of them that separators keep apart, not brackets or slashes
 */
export const swallowed = (
  all: readonly Gs1Element[],
  suspects: readonly Gs1Element[],
  today: string,
): Swallowed | undefined => {
  const present = new Set(all.map(({ ai }) => ai))
  const open = lookedFor.filter((ai) => !present.has(ai))
  for (const by of suspects) {
    const identifier = identifiers.get(by.ai)
    if (!identifier?.needsSeparator || identifier.components.at(-1)?.set !== 'X') continue
    for (let i = 1; i < by.value.length - 2; i++) {
      const tail = tailOf(by.value.slice(i), open, today, by.at)
      if (tail && tells(by.value.slice(0, i), tail)) return { by, ais: tail.map(({ ai }) => ai) }
    }
  }
  return undefined
}
