/** GS1 fields one by one, and the two written forms in which they stand one after another. */

import type { Problem } from '../problems.ts'
import { refusal, warning } from '../problems.ts'
import { checkDigitFault } from './check-digits.ts'
import { dateOfDayZero, dateOfSix } from './dates.ts'
import type { Component, Identifier } from './gs1-identifiers.ts'
import { characterSets, identifierAt, identifiers } from './gs1-identifiers.ts'
import { shown, standIn } from './lost-separator.ts'
import type { Barcode } from './scan.ts'
import { separator } from './scan.ts'

/** An application identifier with its value, and the FHIRPath of the barcode that it comes from. */
export interface Gs1Element {
  readonly ai: string
  readonly value: string
  readonly at: string
}

/** What was read, warnings and refusals alike; the elements are of use only if nothing is refused. */
export interface Gs1Reading {
  readonly elements: readonly Gs1Element[]
  readonly problems: readonly Problem[]
}

/** How fields are kept apart: by separators, which may get lost, or by brackets and slashes. */
type Kept = 'by-separators' | 'by-marks'

const lengthWords = ({ min, max }: Identifier): string => (min === max ? `${max}` : `${min} to ${max}`)

const lostSeparator = (at: string, found: string, note: string): Problem =>
  refusal('lost-separator', at, { found, expected: 'U+001D between the fields', note })

const foreignCharacter = (id: Identifier, value: string, at: string): Problem | undefined => {
  let from = 0
  for (const { set, max } of id.components) {
    const place = value.slice(from, from + max).search(characterSets[set].pattern)
    if (place >= 0) {
      const character = String.fromCodePoint(value.codePointAt(from + place) ?? 0)
      const isGs1 = !characterSets.X.pattern.test(character)
      // A character that GS1 does not know, and then an identifier: the scanner has translated something.
      return !isGs1 && id.needsSeparator && identifierAt(value, from + place + character.length) !== undefined
        ? lostSeparator(at, `(${id.ai})${value}`, `${shown(character)} stands where a separator may have been.`)
        : refusal('scan-unreadable', at, {
            found: `${shown(character)} in (${id.ai})`,
            expected: characterSets[set].words,
          })
    }
    from += max
  }
  return undefined
}

const wrongLength = (id: Identifier, value: string, at: string, kept: Kept): Problem | undefined => {
  const details = {
    found: `(${id.ai})${value}, ${value.length} characters`,
    expected: `${lengthWords(id)} characters`,
  }
  if (value.length > id.max && id.needsSeparator && kept === 'by-separators') {
    return refusal('lost-separator', at, { ...details, note: `(${id.ai}) runs on into the next field.` })
  }
  return value.length > id.max || value.length < id.min ? refusal('scan-unreadable', at, details) : undefined
}

const componentProblem = (
  { test }: Component,
  id: Identifier,
  text: string,
  at: string,
  today: string,
): Problem | undefined => {
  const found = `(${id.ai})${text}`
  if (test === 'check-digit') {
    const wrong = checkDigitFault(text)
    if (wrong?.fault === 'wrong') {
      return refusal('check-digit', at, { found, expected: `(${id.ai})${text.slice(0, -1)}${wrong.expected}` })
    }
    return /^0+$/.test(text) ? refusal('scan-unreadable', at, { found, expected: 'a number above zero' }) : undefined
  }
  if (test === 'time') {
    return /^(?:[01][0-9]|2[0-3])[0-5][0-9]$/.test(text)
      ? undefined
      : refusal('scan-unreadable', at, { found, expected: 'a time as HHMM' })
  }
  if (test === undefined || dateOfSix(text, today) !== undefined) return undefined
  return test === 'date-or-day-zero' && dateOfDayZero(text, today) !== undefined
    ? warning('day-zero', at, { found, expected: 'a day from 01' })
    : refusal('scan-unreadable', at, { found, expected: 'a date as YYMMDD' })
}

/** Everything that is wrong with one value: characters, then length, then check digit, date and time. */
export const valueProblems = (id: Identifier, value: string, at: string, today: string, kept: Kept): Problem[] => {
  if (value === '') {
    return [
      refusal('scan-unreadable', at, { found: `(${id.ai}) with no value`, expected: `${lengthWords(id)} characters` }),
    ]
  }
  // Length first where a lost separator tells itself by it: what follows may have other characters.
  const structural = [wrongLength(id, value, at, kept), foreignCharacter(id, value, at)].filter((p) => p !== undefined)
  if (structural.length > 0) return structural
  let from = 0
  const problems: Problem[] = []
  for (const component of id.components) {
    const text = value.slice(from, from + component.max)
    const problem = text === '' ? undefined : componentProblem(component, id, text, at, today)
    if (problem) problems.push(problem)
    from += component.max
  }
  return problems
}

const unknownIdentifier = (text: string, at: string): Problem =>
  refusal('scan-unreadable', at, {
    found: text.length > 20 ? `${text.slice(0, 20)}…` : text,
    expected: 'a GS1 application identifier',
  })

/** Reads up to the first unknown identifier of each stretch between separators, and goes on after the separator. */
const split = ({ text, at }: Pick<Barcode, 'text' | 'at'>, today: string): Gs1Reading => {
  const elements: Gs1Element[] = []
  const problems: Problem[] = []
  const endOf = (from: number): number => {
    const end = text.indexOf(separator, from)
    return end < 0 ? text.length : end
  }
  let i = 0
  while (i < text.length) {
    if (text[i] === separator) {
      i++ // one too many is allowed, and one at the end
      continue
    }
    const id = identifierAt(text, i)
    if (id === undefined) {
      problems.push(unknownIdentifier(text.slice(i, endOf(i)), at))
      i = endOf(i)
      continue
    }
    const start = i + id.ai.length
    i = id.needsSeparator ? endOf(start) : Math.min(start + id.max, endOf(start))
    const value = text.slice(start, i)
    elements.push({ ai: id.ai, value, at })
    problems.push(...valueProblems(id, value, at, today, 'by-separators'))
  }
  return { elements, problems }
}

/**
 * An element string without symbology identifier, U+001D between its fields. If something else stands in for U+001D
 * only what comes before it is read, and the scan is refused.
 */
export const readElementString = (barcode: Pick<Barcode, 'text' | 'at'>, today: string): Gs1Reading => {
  const { text, at } = barcode
  const instead = standIn(text)
  if (instead === undefined) return split(barcode, today)
  const before = split({ text: text.slice(0, instead.index), at }, today)
  return {
    ...before,
    problems: [
      ...before.problems,
      lostSeparator(at, text, `${shown(instead.text)} stands where a separator should be.`),
    ],
  }
}

/** `(01)…(21)…` into pairs; `\(` is a bracket that belongs to a value. */
const bracketed = (text: string): { ai: string; value: string }[] => {
  const pairs: { ai: string; value: string }[] = []
  let i = 0
  while (i < text.length) {
    const close = text.indexOf(')', i)
    const ai = close < 0 ? text.slice(i + 1) : text.slice(i + 1, close)
    let value = ''
    for (i = close < 0 ? text.length : close + 1; i < text.length && text[i] !== '('; i++) {
      if (text[i] === '\\' && text[i + 1] === '(') i++
      value += text[i]
    }
    // Labels break lines and leave gaps between fields; a space is not in the character set, so none is lost.
    pairs.push({ ai, value: value.replace(/[ \n]{1,4}$/, '') })
  }
  return pairs
}

/** The bracketed form beside a barcode. The text begins with `(`. */
export const readHumanReadable = ({ text, at }: Pick<Barcode, 'text' | 'at'>, today: string): Gs1Reading => {
  const instead = standIn(text)
  if (instead !== undefined) {
    return { elements: [], problems: [lostSeparator(at, text, `${shown(instead.text)} has no place in this form.`)] }
  }
  const elements: Gs1Element[] = []
  const problems: Problem[] = []
  for (const { ai, value } of bracketed(text)) {
    const id = identifiers.get(ai)
    elements.push({ ai, value, at })
    problems.push(...(id ? valueProblems(id, value, at, today, 'by-marks') : [unknownIdentifier(`(${ai})`, at)]))
  }
  return { elements, problems }
}

type Field = Pick<Gs1Element, 'ai' | 'value'>

/** The data of a barcode: U+001D after each field whose length is not predefined, the last one excepted. */
export const printElementString = (fields: readonly Field[]): string =>
  fields
    .map(({ ai, value }, i) => {
      const ends = i === fields.length - 1 || identifiers.get(ai)?.needsSeparator !== true
      return `${ai}${value}${ends ? '' : separator}`
    })
    .join('')

/** The form for people: identifiers in brackets, a bracket inside a value as `\(`. */
export const printHumanReadable = (fields: readonly Field[]): string =>
  fields.map(({ ai, value }) => `(${ai})${value.replaceAll('(', '\\(')}`).join('')
