/**
 * Local days of a site, and the moment at which its day is too late.
 *
 * A local day is the half-open interval between the first instants of its date and of the next: 23 or 25 hours
 * long when the clocks change, empty where a zone left a date out. A date that has begun does not end again when
 * the clock is set back over midnight. Only offsets of the named zone are looked at, never the machine's own zone.
 * A site that moves to another zone on a date begins that day by the clock that it leaves and ends it by the new one:
 * days follow each other without a gap, and only the day of the move is longer or shorter.
 * Milliseconds since 1970-01-01T00:00Z everywhere; dates are `YYYY-MM-DD` from 0001-01-01 to 9999-12-31.
 * Throws RangeError for a zone, date or time that does not exist: both are checked at the door.
 */
import { DateTime, IANAZone } from 'luxon'
import type { CutOffRule, Site, TimeZone, ZoneFrom } from './configuration.ts'

const dayLength = 86_400_000

/** No zone was ever further from UTC. Source: tzdata 2025b, Asia/Manila −15:56:08 and America/Juneau +15:02:19 before 1868. */
const reach = 16 * 3_600_000

/** Whether this machine knows the IANA zone. A bare offset such as `+01:00` is none. */
export const isZone = (name: string): boolean => /^[A-Z]/i.test(name) && IANAZone.create(name).isValid

/** Whether the text is a date of the calendar, written in full. */
export const isLocalDate = (text: string): boolean => {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(text) || text.startsWith('0000')) return false
  // 30 February is read as a day in March
  const day = new Date(`${text}T00:00:00Z`).getUTCDate()
  return day === Number(text.slice(8))
}

/** Milliseconds to add to an instant to get what the zone's clock shows, to the second. */
export const offsetAt = (ms: number, zone: string): number => {
  const minutes = isZone(zone) ? IANAZone.create(zone).offset(ms) : Number.NaN
  if (Number.isNaN(minutes)) throw new RangeError(`No offset of zone ${zone} at ${ms}`)
  return Math.round(minutes * 60_000)
}

/**
 * Remembers answers, since every link of a day asks for the same day and cut-off (146 µs a link without, 40 with). Emptied when it is full.
 */
const remembered = <R>(answers: Map<string, R>, key: string, find: () => R): R => {
  const known = answers.get(key)
  if (known !== undefined) return known
  if (answers.size >= 5000) answers.clear()
  const found = find()
  answers.set(key, found)
  return found
}

const dayNumbers = new Map<string, number>()

/** Days since 1970-01-01 in the calendar, whatever the zone. */
const dayNumber = (date: string): number =>
  remembered(dayNumbers, date, () => {
    if (!isLocalDate(date)) throw new RangeError(`Not a date: ${date}`)
    return DateTime.fromISO(date, { zone: 'utc' }).toMillis() / dayLength
  })

const firstDay = dayNumber('0001-01-01')
const lastDay = dayNumber('9999-12-31')

const dateOf = (day: number): string => DateTime.fromMillis(day * dayLength, { zone: 'utc' }).toFormat('yyyy-MM-dd')

const checkedDateOf = (day: number): string => {
  if (day < firstDay || day > lastDay) throw new RangeError('No date before 0001-01-01 or after 9999-12-31')
  return dateOf(day)
}

/** The first instant of (from, until] with the offset of `until`. Both are whole seconds, as is every change in tzdata. */
const changeBetween = (from: number, until: number, zone: string): number => {
  const after = offsetAt(until, zone)
  let [early, late] = [from, until]
  while (late - early > 1000) {
    const middle = early + Math.floor((late - early) / 2000) * 1000
    if (offsetAt(middle, zone) === after) late = middle
    else early = middle
  }
  return late
}

/**
 * When the zone's clock shows a reading (written as if it were UTC): `first` is the first instant at which it has come
 * that far, `last` the last at which it shows it. A reading that never occurs gives the next existing instant twice.
 * Relies on at most one change of offset within 32 hours; the closest two in tzdata 2025b are 95 hours apart.
 */
const placesOf = (reading: number, zone: string): Places =>
  remembered(places, `${zone} ${reading}`, () => findPlaces(reading, zone))

interface Places {
  readonly first: number
  readonly last: number
}

const places = new Map<string, Places>()

const findPlaces = (reading: number, zone: string): Places => {
  const [from, until] = [reading - reach, reading + reach]
  const [before, after] = [offsetAt(from, zone), offsetAt(until, zone)]
  const [byBefore, byAfter] = [reading - before, reading - after]
  if (before === after) return { first: byBefore, last: byBefore }
  const change = changeBetween(from, until, zone)
  const first = byBefore < change ? byBefore : Math.max(change, byAfter)
  return { first, last: byAfter >= change ? byAfter : first }
}

const firstInstantOf = (day: number, zone: string): number => placesOf(day * dayLength, zone).first

/** The last of the zones for which `began` holds; the first holds always. */
const zoneWhere = (zones: readonly ZoneFrom[], began: (from: string) => boolean): ZoneFrom => {
  const [first] = zones
  if (first === undefined) throw new RangeError('No zone')
  return zones.findLast(({ from }) => from === undefined || began(from)) ?? first
}

/** The zone by whose clock a local date is told. */
export const zoneOn = (date: string, zones: TimeZone): string =>
  typeof zones === 'string' ? zones : zoneWhere(zones, (from) => from <= date).zone

/** The zone by whose clock an instant is told. */
export const zoneAt = (ms: number, zones: TimeZone): string =>
  typeof zones === 'string' ? zones : zoneWhere(zones, (from) => startOfDay(from, zones) <= ms).zone

/** By the clock of the day before. A move to the east may be over before that clock has come to the new date. */
const beginOf = (day: number, zones: TimeZone): number => {
  if (typeof zones === 'string') return firstInstantOf(day, zones)
  const { zone, from } = zoneWhere(zones, (since) => dayNumber(since) < day)
  const first = firstInstantOf(day, zone)
  return from === undefined ? first : Math.max(first, startOfDay(from, zones))
}

/** The first instant of a local date; of a date that the zone left out, the first instant of the next. */
export const startOfDay = (date: string, zones: TimeZone): number => beginOf(dayNumber(date), zones)

/** A local day: from its first instant, up to but without the first instant of the next date. */
export const localDay = (date: string, zones: TimeZone): { readonly start: number; readonly end: number } => {
  const day = dayNumber(date)
  return { start: beginOf(day, zones), end: beginOf(day + 1, zones) }
}

/** The local date in whose day the instant lies. Before year 1 and after year 9999: the first and the last date. */
export const localDateOf = (ms: number, zones: TimeZone): string => {
  if (typeof zones === 'string') return dateInZone(ms, zones)
  const { zone, from } = zoneWhere(zones, (since) => startOfDay(since, zones) <= ms)
  const date = dateInZone(ms, zone)
  // after a move to the west the new clock shows the date of before for some hours
  return from !== undefined && date < from ? from : date
}

const dateInZone = (ms: number, zone: string): string =>
  remembered(localDates, `${zone} ${ms}`, () => {
    const shown = Math.floor((ms + offsetAt(ms, zone)) / dayLength)
    const day = firstInstantOf(shown + 1, zone) <= ms ? shown + 1 : shown
    return dateOf(Math.min(Math.max(day, firstDay), lastDay))
  })

const localDates = new Map<string, string>()

export const firstDate = '0001-01-01'

export const nextDate = (date: string): string => checkedDateOf(dayNumber(date) + 1)

export const previousDate = (date: string): string => checkedDateOf(dayNumber(date) - 1)

const weekdays = ['sun', 'mon', 'tue', 'wed', 'thu', 'fri', 'sat']

/** `mon` … `sun`. */
export const weekdayOf = (date: string): string => weekdays[new Date(`${date}T00:00:00Z`).getUTCDay()] ?? ''

/** What a site says about its days. */
type SiteDay = Pick<Site, 'timeZone' | 'cutOff'>

/** An entry that names the date goes before one that names its weekday, and that before one for every day. */
const closeness = ({ on }: CutOffRule, date: string): number => {
  if (on === undefined) return 1
  if (on.includes(date)) return 3
  return on.includes(weekdayOf(date)) ? 2 : 0
}

/**
 * The time `HH:mm` that is too late on a local date; undefined: the end of the day. Of the entries that count by then
 * the one closest to the date wins, of those equally close the one that began last.
 */
export const cutOffTimeOn = (date: string, { cutOff }: SiteDay): string | undefined => {
  if (cutOff === undefined || typeof cutOff === 'string') return cutOff
  const [rule] = cutOff
    .filter((r) => closeness(r, date) > 0 && (r.from ?? '') <= date)
    .toSorted((a, b) => closeness(b, date) - closeness(a, date) || ((a.from ?? '') < (b.from ?? '') ? 1 : -1))
  return rule === undefined || rule.at === 'day-end' ? undefined : rule.at
}

const sinceMidnight = (time: string): number => {
  const [, hour, minute] = /^([01]\d|2[0-3]):([0-5]\d)$/.exec(time) ?? []
  if (hour === undefined) throw new RangeError(`Not a time HH:mm: ${time}`)
  return (Number(hour) * 60 + Number(minute)) * 60_000
}

/**
 * The cut-off of a local date: without one, the end of the local day. In an hour that happens twice the later one,
 * in an hour that never happens the next existing instant; never outside its local day.
 */
export const cutOffOf = (date: string, site: SiteDay): number => {
  const { start, end } = localDay(date, site.timeZone)
  const time = cutOffTimeOn(date, site)
  return time === undefined ? end : Math.min(Math.max(instantAt(date, time, site.timeZone), start), end)
}

/**
 * The instant at which the zone's clock shows a time `HH:mm` on a date: the later one where it shows it twice, the next
 * existing instant where it never does.
 */
export const instantAt = (date: string, time: string, zones: TimeZone): number =>
  placesOf(dayNumber(date) * dayLength + sinceMidnight(time), zoneOn(date, zones)).last

export interface Due {
  /** The local date on which the device was switched on. */
  readonly date: string
  /** The cut-off of that date. */
  readonly cutOff: number
  /** A link that is committed before this instant is in time; at it, it is late. */
  readonly due: number
}

/** By when a device must be linked: before the cut-off of its local day; switched on at it or after it, before the day ends. */
export const dueMoment = (appliedAt: number, site: SiteDay): Due => {
  const date = localDateOf(appliedAt, site.timeZone)
  const cutOff = cutOffOf(date, site)
  return { date, cutOff, due: appliedAt < cutOff ? cutOff : localDay(date, site.timeZone).end }
}
