import type { RefusalCode } from '../../../model/problems.ts'
import { narrativeFault } from './narrative.ts'

/** Why a value is none of its primitive type. */
export interface Wrong {
  readonly code: RefusalCode
  readonly expected: string
}

type TextCheck = (text: string) => Wrong | undefined

const maxText = 1024 * 1024
const maxInteger = 2_147_483_647

const calendarDate = String.raw`(?!0000)\d{4}(?:-(?:0[1-9]|1[0-2])(?:-(?:0[1-9]|[12]\d|3[01]))?)?`
const clockTime = String.raw`(?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d{1,9})?`
const offset = String.raw`(?:Z|[+-](?:(?:0\d|1[0-3]):[0-5]\d|14:00))`
const fullDate = String.raw`(?!0000)\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])`

/** Where the seconds begin in YYYY-MM-DDThh:mm:ss. */
const secondsAt = 17

const datePattern = new RegExp(`^${calendarDate}$`)
const momentPattern = new RegExp(`^${fullDate}T${clockTime}(${offset})?$`)
const timePattern = new RegExp(`^${clockTime}$`)

const wrongValue = (expected: string): Wrong => ({ code: 'wrong-value', expected })

const like = (pattern: RegExp, expected: string): TextCheck => {
  const wrong = wrongValue(expected)
  return (text) => (pattern.test(text) ? undefined : wrong)
}

/** Whether the day exists in its month: 30 February does not. `text` begins with YYYY-MM-DD or is shorter. */
const dayExists = (text: string): boolean => {
  const day = Number(text.slice(8, 10))
  if (day <= 28) return true
  const year = Number(text.slice(0, 4))
  const month = Number(text.slice(5, 7))
  if (month === 2) return day === 29 && year % 4 === 0 && (year % 100 !== 0 || year % 400 === 0)
  return day < 31 || ![4, 6, 9, 11].includes(month)
}

const noSuchDay = wrongValue('a day that exists in its month')
const aDate = wrongValue('a date: 2026, 2026-03 or 2026-03-02')
const aMoment = wrongValue('a moment to the second with its offset: 2026-03-02T09:30:00+01:00')
const aDateOrMoment = wrongValue('a date (2026-03-02) or a moment to the second with its offset (2026-03-02T09:30:00Z)')
const anOffset: Wrong = { code: 'missing-offset', expected: 'the same moment with its offset: …+01:00 or …Z' }

const noLeapSecond: Wrong = { code: 'leap-second', expected: 'the second before it or the second after it' }
const withinYears = wrongValue('a moment that lies in the years 0001 to 9999 in UTC too')

const firstInstant = Date.parse('0001-01-01T00:00:00Z')
const lastInstant = Date.parse('9999-12-31T23:59:59.999Z')

/** On the first and the last day that FHIR can write, an offset may lead out of its years. */
const isWithinYears = (text: string): boolean => {
  if (!text.startsWith('0001-01-01') && !text.startsWith('9999-12-31')) return true
  const instant = Date.parse(text)
  return instant >= firstInstant && instant <= lastInstant
}

const date: TextCheck = (text) => {
  if (!datePattern.test(text)) return aDate
  return dayExists(text) ? undefined : noSuchDay
}

const moment =
  (otherwise: Wrong): TextCheck =>
  (text) => {
    const match = momentPattern.exec(text)
    if (!match) return otherwise
    if (match[1] === undefined) return anOffset
    if (!dayExists(text)) return noSuchDay
    if (text.startsWith('60', secondsAt)) return noLeapSecond
    return isWithinYears(text) ? undefined : withinYears
  }

const instant = moment(aMoment)
const momentOrDate = moment(aDateOrMoment)
const dateTime: TextCheck = (text) => (text.length > 10 ? momentOrDate(text) : date(text))

const text: TextCheck = (value) => {
  // \v and \f alone lie outside R4's own pattern; U+001D must pass, scans carry it.
  return /[\v\f]/.test(value) ? wrongValue('text without vertical tabs and form feeds') : undefined
}

const base64: TextCheck = (value) => {
  // R4 allows white space anywhere between the groups of four.
  const packed = /\s/.test(value) ? value.replace(/\s+/g, '') : value
  const good = packed.length % 4 === 0 && /^[A-Za-z0-9+/]+={0,2}$/.test(packed)
  return good ? undefined : wrongValue('base64')
}

const narrative: TextCheck = (value) => {
  const expected = narrativeFault(value)
  return expected === undefined ? undefined : wrongValue(expected)
}

const address = like(/^\S+$/, 'a URI without white space')

/** Patterns after http://hl7.org/fhir/R4/datatypes.html, dates and base64 checked more closely than there. */
const texts: Readonly<Record<string, TextCheck>> = {
  base64Binary: base64,
  canonical: address,
  code: like(/^\S+(?:\s\S+)*$/, 'a code without white space around it'),
  date,
  dateTime,
  id: like(/^[A-Za-z0-9\-.]{1,64}$/, '1 to 64 letters, digits, hyphens and dots'),
  instant,
  markdown: text,
  oid: like(/^urn:oid:[0-2](?:\.(?:0|[1-9]\d*))+$/, 'urn:oid: and an object identifier'),
  string: text,
  time: like(timePattern, 'a time of day to the second: 09:30:00'),
  uri: address,
  url: address,
  uuid: like(/^urn:uuid:[\da-f]{8}-[\da-f]{4}-[\da-f]{4}-[\da-f]{4}-[\da-f]{12}$/, 'urn:uuid: and a lower-case UUID'),
  xhtml: narrative,
}

const integer = (from: number, to: number) => {
  const wrong = wrongValue(`a whole number from ${from} to ${to}`)
  return (value: number) => (Number.isInteger(value) && value >= from && value <= to ? undefined : wrong)
}

const numbers: Readonly<Record<string, (value: number) => Wrong | undefined>> = {
  decimal: (value) => (Number.isFinite(value) ? undefined : wrongValue('a finite number')),
  integer: integer(-maxInteger - 1, maxInteger),
  positiveInt: integer(1, maxInteger),
  unsignedInt: integer(0, maxInteger),
}

const wrongType = (expected: string): Wrong => ({ code: 'wrong-type', expected })
const aString = wrongType('a string')
const aNumber = wrongType('a number')
const aBoolean = wrongType('true or false')
const something: Wrong = { code: 'empty-value', expected: 'at least one visible character, or no such element' }
const shorter = wrongValue(`at most ${maxText} characters`)

export const isPrimitive = (type: string): boolean => type in texts || type in numbers || type === 'boolean'

/** What is wrong with the value for a primitive type of R4; undefined when nothing is. */
export const checkPrimitive = (type: string, value: unknown): Wrong | undefined => {
  const ofText = texts[type]
  if (ofText) {
    if (typeof value !== 'string') return aString
    if (value.trim() === '') return something
    return value.length > maxText && type !== 'base64Binary' ? shorter : ofText(value)
  }
  if (type === 'boolean') return typeof value === 'boolean' ? undefined : aBoolean
  return typeof value === 'number' ? numbers[type]?.(value) : aNumber
}
