/** HIBC secondary data: expiry, lot and serial number, each string of it led by a qualifier. */

import type { Problem } from '../problems.ts'
import { refusal } from '../problems.ts'
import type { HibcDateForm } from './dates.ts'
import { dateOfEight, hibcDate } from './dates.ts'
import type { Fact } from './facts.ts'

/** After `$$` or `$$+`: one digit that says how the expiry date is written. 0 and 1 begin a date as MMYY. */
const dateForms: { readonly [flag: string]: HibcDateForm | undefined } = {
  '2': 'MMDDYY',
  '3': 'YYMMDD',
  '4': 'YYMMDDHH',
  '5': 'YYJJJ',
  '6': 'YYJJJHH',
}

interface Qualified {
  readonly names: 'lotNumber' | 'serialNumber'
  readonly dateForm?: HibcDateForm
  readonly date: string
  /** The lot or serial number. */
  readonly number: string
}

const dated = (names: Qualified['names'], dateForm: HibcDateForm, text: string): Qualified => ({
  names,
  dateForm,
  date: text.slice(0, dateForm.length),
  number: text.slice(dateForm.length),
})

const afterTwoDollars = (names: Qualified['names'], text: string): Qualified | undefined => {
  // a quantity of two or five digits may stand first; nobody here asks for it
  const quantity = /^(?:8[0-9]{2}|9[0-9]{5})/.exec(text)?.[0].length ?? 0
  const rest = text.slice(quantity)
  const flag = rest.slice(0, 1)
  const dateForm = dateForms[flag]
  if (dateForm !== undefined) return dated(names, dateForm, rest.slice(1))
  if (flag === '7') return { names, date: '', number: rest.slice(1) }
  if (flag === '0' || flag === '1') return dated(names, 'MMYY', rest)
  return quantity > 0 && rest === '' ? { names, date: '', number: '' } : undefined
}

const qualified = (segment: string): Qualified | undefined => {
  if (segment.startsWith('$$+')) return afterTwoDollars('serialNumber', segment.slice(3))
  if (segment.startsWith('$$')) return afterTwoDollars('lotNumber', segment.slice(2))
  if (segment.startsWith('$+')) return { names: 'serialNumber', date: '', number: segment.slice(2) }
  if (segment.startsWith('$')) return { names: 'lotNumber', date: '', number: segment.slice(1) }
  // the oldest form: a date and a lot, and no qualifier
  return /^[0-9]{5}/.test(segment) ? dated('lotNumber', 'YYJJJ', segment) : undefined
}

/** Up to 18 characters, spaces not counted: FDA's own example has 19 with its space. */
const isNumber = (text: string): boolean => text.replaceAll(' ', '').length <= 18 && /^[A-Z0-9\-. $+%]*$/.test(text)

/** What a string of secondary data states; undefined if it is none. */
export const secondaryFacts = (segment: string, at: string, today: string): readonly Fact[] | undefined => {
  const found = qualified(segment)
  if (found === undefined || !isNumber(found.number)) return undefined
  const facts: Fact[] = found.number === '' ? [] : [{ name: found.names, value: found.number, at }]
  if (found.dateForm === undefined) return facts
  const moment = hibcDate(found.dateForm, found.date, today)
  if (moment === undefined) return undefined
  facts.push({ name: 'expirationDate', value: moment.date, at })
  if (moment.hour !== undefined) facts.push({ name: 'expiresAtHour', value: moment.hour, at })
  return facts
}

/** What a supplemental string states: `S` serial number, `16D` made, `14D` expires; others are kept and not read. */
export const supplementalFacts = (segment: string, at: string): readonly Fact[] | undefined => {
  const [, identifier, value = ''] = /^([0-9]{0,3}[A-Z])([A-Z0-9\-. $+%]+)$/.exec(segment) ?? []
  if (identifier === undefined) return undefined
  if (identifier === 'S') return isNumber(value) ? [{ name: 'serialNumber', value, at }] : undefined
  if (identifier !== '16D' && identifier !== '14D') return []
  const date = dateOfEight(value)
  if (date === undefined) return undefined
  return [{ name: identifier === '16D' ? 'manufactureDate' : 'expirationDate', value: date, at }]
}

/** Why a string is neither secondary nor supplemental data. */
export const dataProblem = (segment: string, at: string, today: string): Problem | undefined => {
  if ((secondaryFacts(segment, at, today) ?? supplementalFacts(segment, at)) !== undefined) return undefined
  const found = qualified(segment)
  if (found?.dateForm !== undefined && isNumber(found.number)) {
    return refusal('scan-unreadable', at, {
      found: `${found.date} in ${segment}`,
      expected: `a date as ${found.dateForm}`,
    })
  }
  return refusal('scan-unreadable', at, {
    found: segment,
    expected: '$, $$ with 2 to 7, each with + for a serial number, or S, 16D or 14D; numbers of up to 18 characters',
  })
}
