/** Which day is played, and when its local times are. The flow's clock runs forward only, so the day lies ahead. */
import { instantOf } from '../src/model/instant.ts'
import { cutOffOf, isLocalDate, localDateOf, localDay, nextDate } from '../src/model/local-day.ts'
import type { Instant } from '../src/model/states.ts'

export interface Calendar {
  readonly weekBefore: string
  readonly day: string
  readonly dayAfter: string
  readonly nextWeek: string
}

export const daysAfter = (date: string, days: number): string =>
  new Date(Date.parse(`${date}T00:00:00Z`) + days * 86_400_000).toISOString().slice(0, 10)

const isWeekend = (date: string): boolean => [0, 6].includes(new Date(`${date}T00:00:00Z`).getUTCDay())

const zone = 'Europe/Dublin'

/** @param day the day to play, at least eight days ahead; by default the first weekday that is */
export const calendarFrom = (now: number, day?: string): Calendar | { readonly mistake: string } => {
  const tomorrow = nextDate(localDateOf(now, zone))
  const earliest = daysAfter(tomorrow, 7)
  if (day !== undefined && (!isLocalDate(day) || day < earliest))
    return { mistake: `--day: found ${day}, expected a date from ${earliest} on; the demo's clock runs forward only.` }
  let chosen = day ?? earliest
  while (day === undefined && isWeekend(chosen)) chosen = nextDate(chosen)
  return { weekBefore: daysAfter(chosen, -7), day: chosen, dayAfter: nextDate(chosen), nextWeek: daysAfter(chosen, 7) }
}

/** When a zone's clock shows `HH:mm` on a date; `24:00` is the first instant of the next date. */
export const momentOf = (date: string, time: string, timeZone: string): Instant =>
  instantOf(time === '24:00' ? localDay(date, timeZone).end : cutOffOf(date, { timeZone, cutOff: time }))
