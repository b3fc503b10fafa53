/** How a site does: the day beside the thirty days before it, from facts as of one moment alone. Pure. */
import type { Site, TimeZone } from '../../../model/configuration.ts'
import { msOf } from '../../../model/instant.ts'
import { firstDate, nextDate, previousDate, zoneAt } from '../../../model/local-day.ts'
import { printInstant } from '../../../model/moment.ts'
import type { Instant, LinkState } from '../../../model/states.ts'
import type { Facts } from '../day-facts.ts'
import { type Applied, appliedOn, countLinked } from '../evening.ts'
import { type Base, baseOf, type Limits, limitsFor, type Placed, placed } from './control-chart.ts'
import { type Delay, delayOf } from './delay.ts'
import { type Share, shareOf, type Tally } from './share.ts'

/** So many local days are looked at before a day. */
export const daysBefore = 30

export interface Tallied extends Tally {
  /** Absent where nothing is due. */
  readonly share?: Share
}

export interface DayFigures extends Tallied {
  readonly day: string
  /** Absent where nothing is due, or where the days before are too few. */
  readonly limits?: Limits
  readonly placed?: Placed
}

export interface Figures {
  /** The day itself, told by the limits that follow from the thirty days before it. */
  readonly today: DayFigures
  /** The thirty days up to the day, itself included. */
  readonly month: Tallied & { readonly from: string; readonly to: string; readonly delay: Delay }
  readonly base: Base
  /** The thirty days before the day and the day itself, the oldest first, each against the one base. */
  readonly days: readonly DayFigures[]
  /** By the local hour of switch-on, hours in which nothing was due left out. */
  readonly byHour: readonly (Tallied & { readonly hour: number })[]
  /** Only where the site allows it. */
  readonly byPerson?: readonly (Tallied & { readonly person: string })[]
}

/** The local days from which the figures of a day come. */
export const windowOf = (day: string): { readonly from: string; readonly to: string } => {
  let from = day
  // before the first date that there is are no days
  for (let n = 0; n < daysBefore && from > firstDate; n += 1) from = previousDate(from)
  return { from, to: day }
}

const tallied = ({ denominator, numerator }: Tally): Tallied => {
  const share = shareOf({ denominator, numerator })
  return { denominator, numerator, ...(share && { share }) }
}

const against = (day: string, tally: Tally, base: Base): DayFigures => {
  if (!base.enough || tally.denominator === 0) return { day, ...tallied(tally) }
  const limits = limitsFor(base.centre, tally.denominator)
  return { day, ...tallied(tally), limits, placed: placed(tally, limits) }
}

const linksOf = (applied: readonly Applied[]): readonly LinkState[] => applied.flatMap(({ link }) => link ?? [])

/** Tells apart, in the order of their keys. */
const groups = <K extends string | number>(
  applied: readonly Applied[],
  keyOf: (a: Applied) => K,
): readonly (readonly [K, readonly Applied[]])[] => {
  const found = new Map<K, Applied[]>()
  for (const a of applied) found.set(keyOf(a), [...(found.get(keyOf(a)) ?? []), a])
  return [...found].sort(([a], [b]) => (a < b ? -1 : 1))
}

/** A staff number or name as the clinic stated it; never a patient's. */
const personOf = ({ link }: Applied): string => {
  const who = link?.performer
  return who?.identifier?.value ?? who?.display ?? (link === undefined ? 'not linked' : 'not stated')
}

const hourOf = (a: Applied, zones: TimeZone): number => {
  const ms = msOf(a.appliedAt)
  return Number(printInstant(ms, zoneAt(ms, zones)).slice(11, 13))
}

/** @param facts what was applied on the site's days in `windowOf(day)`, and what answers for it */
export const figuresOf = (site: Site, day: string, facts: Facts, asOf: Instant): Figures => {
  const { from } = windowOf(day)
  const all: { day: string; applied: readonly Applied[]; tally: Tally }[] = []
  for (let date = from; date <= day; date = nextDate(date)) {
    const applied = appliedOn(facts, site, date)
    all.push({ day: date, applied, tally: countLinked(applied, site, asOf) })
  }
  const base = baseOf(all.slice(0, -1).map((d) => d.tally))
  const days = all.map((d) => against(d.day, d.tally, base))
  const month = all.slice(1).flatMap((d) => d.applied)
  const count = (applied: readonly Applied[]) => tallied(countLinked(applied, site, asOf))
  const due = <T extends Tallied>(rows: readonly T[]) => rows.filter((r) => r.denominator > 0)
  return {
    today: days.at(-1) ?? against(day, { denominator: 0, numerator: 0 }, base),
    month: { from: nextDate(from), to: day, ...count(month), delay: delayOf(linksOf(month)) },
    base,
    days,
    byHour: due(groups(month, (a) => hourOf(a, site.timeZone)).map(([hour, of]) => ({ hour, ...count(of) }))),
    ...(site.figures?.byPerson && {
      byPerson: due(groups(month, personOf).map(([person, of]) => ({ person, ...count(of) }))),
    }),
  }
}
