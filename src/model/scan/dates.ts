/** Dates as labels write them. Today is always an argument, `YYYY-MM-DD`. All answers are calendar dates of that form. */

const pad = (value: number, length: number): string => String(value).padStart(length, '0')

const isLeap = (year: number): boolean => (year % 4 === 0 && year % 100 !== 0) || year % 400 === 0

const daysIn = (year: number, month: number): number =>
  month === 2 ? (isLeap(year) ? 29 : 28) : [4, 6, 9, 11].includes(month) ? 30 : 31

/**
 * The year that two digits mean: never more than 50 years before and never more than 50 years after this one.
 * Source: GS1 General Specifications 7.12, as quoted in public parsers.
 */
export const fullYear = (twoDigits: number, today: string): number => {
  const thisYear = Number(today.slice(0, 4))
  const century = thisYear - (thisYear % 100)
  const apart = twoDigits - (thisYear % 100)
  if (apart >= 51) return century - 100 + twoDigits
  if (apart <= -50) return century + 100 + twoDigits
  return century + twoDigits
}

export const calendarDate = (year: number, month: number, day: number): string | undefined =>
  month >= 1 && month <= 12 && day >= 1 && day <= daysIn(year, month)
    ? `${pad(year, 4)}-${pad(month, 2)}-${pad(day, 2)}`
    : undefined

export const lastDayOfMonth = (year: number, month: number): string | undefined =>
  month >= 1 && month <= 12 ? calendarDate(year, month, daysIn(year, month)) : undefined

/** The day of the year, 1 to 365 or 366. */
export const ordinalDate = (year: number, dayOfYear: number): string | undefined => {
  if (dayOfYear < 1 || dayOfYear > (isLeap(year) ? 366 : 365)) return undefined
  let [month, day] = [1, dayOfYear]
  while (day > daysIn(year, month)) day -= daysIn(year, month++)
  return calendarDate(year, month, day)
}

const digits = (text: string, from: number, length: number): number => Number(text.slice(from, from + length))

/** `YYMMDD`, six digits; undefined if there is no such day. Day 00 is no such day here. */
export const dateOfSix = (text: string, today: string): string | undefined =>
  /^[0-9]{6}$/.test(text)
    ? calendarDate(fullYear(digits(text, 0, 2), today), digits(text, 2, 2), digits(text, 4, 2))
    : undefined

/** `YYMM00`, which means the last day of that month. */
export const dateOfDayZero = (text: string, today: string): string | undefined =>
  /^[0-9]{4}00$/.test(text) ? lastDayOfMonth(fullYear(digits(text, 0, 2), today), digits(text, 2, 2)) : undefined

/** `YYYYMMDD`. */
export const dateOfEight = (text: string): string | undefined =>
  /^[0-9]{8}$/.test(text) ? calendarDate(digits(text, 0, 4), digits(text, 4, 2), digits(text, 6, 2)) : undefined

/** `CYYDDD` of ISBT 128: the hundreds digit of the year, its last two, the day of the year. 9 means the years 19xx. */
export const dateOfCentury = (text: string): string | undefined => {
  if (!/^[0-9]{6}$/.test(text)) return undefined
  const year = digits(text, 0, 3)
  return ordinalDate(year >= 900 ? 1000 + year : 2000 + year, digits(text, 3, 3))
}

export interface Moment {
  readonly date: string
  /** 0 to 23. */
  readonly hour?: number
}

/** The date forms of HIBC secondary data, by their digits. Its two-digit years are read in the window of GS1. */
export type HibcDateForm = 'MMYY' | 'MMDDYY' | 'YYMMDD' | 'YYMMDDHH' | 'YYJJJ' | 'YYJJJHH'

/** A date of HIBC secondary data; undefined if there is no such moment. MMYY means the last day of that month. */
export const hibcDate = (form: HibcDateForm, text: string, today: string): Moment | undefined => {
  if (text.length !== form.length || !/^[0-9]+$/.test(text)) return undefined
  const part = (letters: string): number => digits(text, form.indexOf(letters), letters.length)
  const year = fullYear(part('YY'), today)
  const date = form.includes('JJJ')
    ? ordinalDate(year, part('JJJ'))
    : form.includes('DD')
      ? calendarDate(year, part('MM'), part('DD'))
      : lastDayOfMonth(year, part('MM'))
  if (date === undefined) return undefined
  if (!form.includes('HH')) return { date }
  return part('HH') <= 23 ? { date, hour: part('HH') } : undefined
}
