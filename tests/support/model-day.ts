/**
 * The reference: which gaps there are, said again from the contract (sections 5 to 8) and from the words `opens` and
 * `closes` of the table of gaps, as slowly and plainly as it can be said. What was told up to a moment is played from
 * the beginning; after each thing told, and at each moment at which something falls due, everything is looked at anew.
 * Trouble that shows opens a gap, trouble that is answered mends it, trouble that shows again is another gap.
 *
 * It shares no code with the service; local days come from Temporal.
 *
 * Codes: no-link, late-link, no-application, return-without-patient, revoked-while-worn, expired-device, clock-doubt,
 * patient-with-two-devices, overdue-return, link-without-order (on hold). Left out: device-on-two-patients,
 * identity-doubt, report-doubt, not-taken, overdue-report, orders by hand, evidence that a source sends, orders whose
 * patient, site or day changes, links and returns at another site than the order's, corrections with a successor, words
 * of people, closed days and changed calendars.
 *
 * Where the contract is silent it follows the service, and says so.
 */
import { Temporal } from 'temporal-polyfill'

export interface Place {
  readonly id: string
  readonly zone: string
  /** Local time, `HH:mm`. */
  readonly cutOff: string
  readonly wearMs: number
  readonly transitMs: number
}

export interface Rules {
  readonly places: readonly Place[]
  /** Expiry date of each recorder that has one, `YYYY-MM-DD`. */
  readonly expires: ReadonlyMap<string, string>
  /** So far the clock of a recorder may be off. */
  readonly clockMs: number
}

/** Everything has a name of the teller's own; moments in ms. */
export type Happening =
  | {
      readonly what: 'order'
      readonly order: string
      readonly patient: string
      readonly site: string
      readonly visit?: string
      readonly status: 'active' | 'on-hold' | 'revoked'
    }
  | {
      readonly what: 'link'
      readonly link: string
      readonly order: string
      readonly device: string
      readonly appliedAt: number
      readonly endedAt?: number
      readonly clock?: number
    }
  | { readonly what: 'end'; readonly link: string; readonly endedAt: number; readonly lost: boolean }
  | { readonly what: 'withdraw'; readonly link: string }
  | {
      readonly what: 'application'
      readonly device: string
      readonly site: string
      readonly appliedAt: number
      readonly shelf: boolean
    }
  | { readonly what: 'not-applied'; readonly order: string; readonly rescheduled: boolean; readonly newDate?: string }
  | {
      readonly what: 'return'
      readonly back: string
      readonly device: string
      readonly site: string
      readonly receivedAt: number
      readonly wornUntil?: number
    }

export type Told = Happening & {
  /** When the service heard of it. */
  readonly told: number
}

export const codes = [
  'no-link',
  'late-link',
  'no-application',
  'return-without-patient',
  'revoked-while-worn',
  'expired-device',
  'clock-doubt',
  'patient-with-two-devices',
  'overdue-return',
  'link-without-order',
] as const
export type Code = (typeof codes)[number]

export type Action = 'linked' | 'returned' | 'cancelled' | 'confirmed' | 'rescheduled'

export interface Gap {
  readonly code: Code
  readonly site: string
  /** Local day of the site in whose evening it stands. */
  readonly day: string
  /** Own names: of the recorder, the order or the links. */
  readonly about: string
  readonly final: boolean
  readonly mended?: Action
  /** When its trouble showed no more, though nothing had answered it. */
  readonly vanished?: number
  /** The trouble turned out to be none: an evening shows it no more, the gap that was noted says how it ended. */
  readonly hidden: boolean
}

export interface Counts {
  readonly initial: number
  readonly denominator: number
  readonly numerator: number
}

interface Order {
  readonly name: string
  readonly patient: string
  readonly site: string
  visit: string | undefined
  status: 'active' | 'on-hold' | 'revoked'
  readonly heard: number
  /** When it was told that the order is on hold or revoked. */
  since: number
  /** By the day of the visit: why nothing was applied, since when that is known, and how it answers. */
  reasons: Map<string, { readonly told: number; readonly answer: Action }>
}

interface Wear {
  readonly name: string
  readonly order: Order
  readonly device: string
  readonly appliedAt: number
  readonly told: number
  readonly clock: number | undefined
  endedAt: number | undefined
  statedEnd: number | undefined
  /** When it was told that the wear is over; a wear that is linked when it is over was never open. */
  endTold: number | undefined
  lost: boolean
  returned: Back | undefined
  withdrawn: boolean
}

interface Seen {
  readonly device: string
  readonly site: string
  readonly appliedAt: number
  readonly shelf: boolean
}

interface Back {
  readonly name: string
  readonly device: string
  readonly site: string
  readonly receivedAt: number
  readonly wornUntil: number | undefined
  readonly told: number
  wear: Wear | undefined
}

interface World {
  readonly orders: Map<string, Order>
  readonly wears: Wear[]
  readonly seen: Seen[]
  readonly backs: Back[]
}

// Time

/** Temporal takes its time, and the same is asked again and again. */
const remembering = <Args extends readonly (string | number)[], Result>(of: (...args: Args) => Result) => {
  const known = new Map<string, Result>()
  return (...args: Args): Result => {
    const key = args.join(' ')
    const result = known.get(key) ?? of(...args)
    known.set(key, result)
    return result
  }
}

export const dayOf = remembering((ms: number, zone: string): string =>
  Temporal.Instant.fromEpochMilliseconds(ms).toZonedDateTimeISO(zone).toPlainDate().toString(),
)

/** Of a clock that is set back over the time, the later reading. */
export const momentOn = remembering(
  (day: string, time: string, zone: string): number =>
    Temporal.PlainDateTime.from(`${day}T${time}`).toZonedDateTime(zone, { disambiguation: 'later' }).epochMilliseconds,
)

export const dayAfter = remembering((day: string, days: number): string =>
  Temporal.PlainDate.from(day).add({ days }).toString(),
)

export const startOf = remembering(
  (day: string, zone: string): number => Temporal.PlainDate.from(day).toZonedDateTime(zone).epochMilliseconds,
)

const endOf = (day: string, zone: string): number => startOf(dayAfter(day, 1), zone)

/**
 * "Before the cut-off of D; if it was switched on after that cut-off, before the first instant of D+1." Of the cut-off
 * itself the contract is silent: nothing can be linked before it is switched on, so it counts as after.
 */
const tooLate = (appliedAt: number, { zone, cutOff }: Place): number => {
  const day = dayOf(appliedAt, zone)
  const cut = momentOn(day, cutOff, zone)
  return appliedAt >= cut ? endOf(day, zone) : cut
}

// What was told

const until = (w: { endedAt: number | undefined }): number => w.endedAt ?? Number.POSITIVE_INFINITY

const overlap = (a: Wear, b: Wear): boolean => a.appliedAt < until(b) && b.appliedAt < until(a)

/**
 * "Its wear period contains this appliedAt or both lie on one local day." Against the contract's wording a wear that was
 * over by then answers for nothing, as DEVELOPERS.md has decided.
 */
const answers = (w: Wear, s: Seen, rules: Rules): boolean => {
  if (w.withdrawn || w.device !== s.device || until(w) <= s.appliedAt) return false
  if (w.appliedAt <= s.appliedAt) return true
  const { zone } = placeOf(rules, s.site)
  return w.order.site === s.site && dayOf(w.appliedAt, zone) === dayOf(s.appliedAt, zone)
}

const placeOf = (rules: Rules, id: string): Place => {
  for (const place of rules.places) if (place.id === id) return place
  throw new Error(`no place ${id}`)
}

const latest = <T extends { readonly appliedAt: number }>(list: readonly T[]): T | undefined => {
  let best: T | undefined
  for (const item of list) if (best === undefined || item.appliedAt > best.appliedAt) best = item
  return best
}

/** The wear that was the last to begin before the return; none where it is over, or where somebody unknown came since. */
const wearOfReturn = (world: World, device: string, receivedAt: number, rules: Rules): Wear | undefined => {
  const own = world.wears.filter((w) => !w.withdrawn && w.device === device)
  const wear = latest(own.filter((w) => w.appliedAt < receivedAt))
  if (wear === undefined || wear.returned !== undefined) return undefined
  for (const s of world.seen)
    if (!s.shelf && s.device === device && wear.appliedAt < s.appliedAt && s.appliedAt < receivedAt)
      if (!own.some((w) => answers(w, s, rules))) return undefined
  return wear
}

/** A return that nobody has and that ends a wear which is told only now; it is not that of somebody who came between. */
const returnOfWear = (world: World, device: string, from: number, to: number | undefined): Back | undefined => {
  const free = world.backs.filter((b) => b.device === device && b.wear === undefined && from < b.receivedAt)
  const inOrder = free.toSorted((a, b) => a.receivedAt - b.receivedAt)
  return inOrder.find(
    (b) =>
      (to === undefined || to <= b.receivedAt) &&
      !world.wears.some((w) => !w.withdrawn && w.device === device && from < w.appliedAt && w.appliedAt < b.receivedAt),
  )
}

const hearOrder = (world: World, t: Extract<Told, { what: 'order' }>): void => {
  const known = world.orders.get(t.order)
  if (known === undefined) {
    const { order: name, patient, site, visit, status, told } = t
    const order = { name, patient, site, visit, status, heard: told, since: told, reasons: new Map() }
    world.orders.set(name, order)
    return
  }
  if (known.status !== t.status) known.since = t.told
  known.status = t.status
}

const hearLink = (world: World, t: Extract<Told, { what: 'link' }>): void => {
  const order = world.orders.get(t.order)
  if (order === undefined) throw new Error(`no order ${t.order}`)
  const back = returnOfWear(world, t.device, t.appliedAt, t.endedAt)
  const endedAt = t.endedAt ?? back?.wornUntil ?? back?.receivedAt
  const wear: Wear = {
    name: t.link,
    order,
    device: t.device,
    appliedAt: t.appliedAt,
    told: t.told,
    clock: t.clock,
    endedAt,
    statedEnd: endedAt,
    endTold: endedAt === undefined ? undefined : t.told,
    lost: false,
    returned: back,
    withdrawn: false,
  }
  if (back !== undefined) back.wear = wear
  world.wears.push(wear)
}

const hearReturn = (world: World, t: Extract<Told, { what: 'return' }>, rules: Rules): void => {
  if (world.backs.some((b) => b.device === t.device && b.receivedAt === t.receivedAt)) return
  const wear = wearOfReturn(world, t.device, t.receivedAt, rules)
  const { back: name, device, receivedAt, wornUntil, told } = t
  // the contract is silent: once it was somebody's it stays with that site, even if the link is withdrawn
  const site = wear?.order.site ?? t.site
  const back: Back = { name, device, site, receivedAt, wornUntil, told, wear }
  world.backs.push(back)
  if (wear === undefined) return
  wear.returned = back
  if (wear.endedAt !== undefined) return
  wear.endedAt = t.wornUntil ?? t.receivedAt
  wear.endTold = t.told
}

const wearNamed = (world: World, name: string): Wear => {
  for (const wear of world.wears) if (wear.name === name) return wear
  throw new Error(`no link ${name}`)
}

const hear = (world: World, t: Told, rules: Rules): void => {
  switch (t.what) {
    case 'order':
      hearOrder(world, t)
      return
    case 'link':
      hearLink(world, t)
      return
    case 'end': {
      const wear = wearNamed(world, t.link)
      // the same end, told again
      if (wear.endedAt !== undefined) return
      wear.endedAt = t.endedAt
      wear.statedEnd = t.endedAt
      wear.endTold = t.told
      wear.lost = t.lost
      return
    }
    case 'withdraw': {
      const wear = wearNamed(world, t.link)
      wear.withdrawn = true
      if (wear.returned !== undefined) wear.returned.wear = undefined
      return
    }
    case 'application':
      world.seen.push(t)
      return
    case 'not-applied': {
      const order = world.orders.get(t.order)
      if (order === undefined) throw new Error(`no order ${t.order}`)
      if (order.visit !== undefined) {
        const before = order.reasons.get(order.visit)
        const answer = t.newDate === undefined ? 'cancelled' : 'rescheduled'
        order.reasons.set(order.visit, { told: before?.told ?? t.told, answer })
      }
      // a new date is another visit, even on the same day
      if (t.newDate !== undefined) order.reasons.delete(t.newDate)
      order.visit = t.newDate ?? (t.rescheduled ? undefined : order.visit)
      return
    }
    case 'return':
      hearReturn(world, t, rules)
  }
}

// What shows

interface Trouble {
  readonly code: Code
  readonly site: string
  readonly day: string
  readonly about: string
  /** Distinguishes two troubles of one code, site, day and about. */
  readonly nth?: string
  /** From when on it is final; absent: from the beginning. */
  readonly finalFrom?: number
  /** What has answered it; absent: it is open. */
  readonly answered?: Action
  /**
   * It was answered too late, so the gap is told even if nobody ever saw it open: it was not known of before, or what
   * had answered it in time turned out to be an error.
   */
  readonly anyhow?: boolean
}

type Look = (world: World, now: number, rules: Rules) => readonly Trouble[]

const worn = (world: World): readonly Wear[] => world.wears.filter((w) => !w.withdrawn)

const aboutWear = (w: Wear, rules: Rules) => ({
  site: w.order.site,
  day: dayOf(w.appliedAt, placeOf(rules, w.order.site).zone),
  about: w.name,
})

/** One for a recorder and a day, however often it was seen; what was linked in time is none. */
const noLink: Look = (world, _now, rules) => {
  const troubles: Trouble[] = []
  for (const s of world.seen) {
    const place = placeOf(rules, s.site)
    const day = dayOf(s.appliedAt, place.zone)
    const isSame = (t: Seen) =>
      !t.shelf && t.device === s.device && t.site === s.site && dayOf(t.appliedAt, place.zone) === day
    const group = world.seen.filter(isSame)
    if (group[0] !== s) continue
    const linksOf = (t: Seen) => world.wears.filter((w) => answers(w, t, rules))
    const missing = group.filter((t) => !linksOf(t).some((w) => w.told < tooLate(t.appliedAt, place)))
    if (missing.length === 0) continue
    const open = missing.filter((t) => linksOf(t).length === 0)
    const finalFrom = Math.min(...(open.length > 0 ? open : missing).map((t) => tooLate(t.appliedAt, place)))
    const answered = open.length > 0 ? {} : ({ answered: 'linked' } as const)
    troubles.push({ code: 'no-link', site: s.site, day, about: s.device, finalFrom, ...answered })
  }
  return troubles
}

const lateLink: Look = (world, _now, rules) =>
  worn(world)
    .filter((w) => w.told >= tooLate(w.appliedAt, placeOf(rules, w.order.site)))
    .map((w) => ({ code: 'late-link', ...aboutWear(w, rules) }))

const visitsOf = (o: Order): ReadonlySet<string> =>
  new Set([...o.reasons.keys(), ...(o.visit === undefined ? [] : [o.visit])])

/**
 * What was told in time and stands leaves no gap, what was told later answers one. The contract is silent about orders
 * on hold (they ask for nothing now), and about which of several answers is named.
 */
const noApplication: Look = (world, now, rules) => {
  const troubles: Trouble[] = []
  for (const o of world.orders.values())
    for (const day of visitsOf(o)) {
      const end = endOf(day, placeOf(rules, o.site).zone)
      const links = worn(world).filter((w) => w.order === o)
      const reason = o.reasons.get(day)
      if (now < end || o.status === 'on-hold') continue
      if (links.some((w) => w.told < end) || (reason !== undefined && reason.told < end)) continue
      const isRevoked = o.status === 'revoked'
      if (isRevoked && o.since < Math.max(end, o.heard)) continue
      const answered = links.length > 0 ? 'linked' : (reason?.answer ?? (isRevoked ? 'cancelled' : undefined))
      const about = { code: 'no-application' as const, site: o.site, day, about: o.name }
      troubles.push({ ...about, ...(answered && { answered, anyhow: true }) })
    }
  return troubles
}

const returnWithoutPatient: Look = (world, _now, rules) =>
  world.backs.map((b) => ({
    code: 'return-without-patient',
    site: b.site,
    day: dayOf(b.receivedAt, placeOf(rules, b.site).zone),
    about: b.device,
    nth: b.name,
    ...(b.wear !== undefined && { answered: 'linked' as const }),
  }))

/** The contract is silent about the day: that on which it was revoked. */
const revokedWhileWorn: Look = (world, _now, rules) =>
  worn(world)
    .filter((w) => w.order.status === 'revoked')
    // a wear that turns out to have been over by then was not revoked while worn
    .filter((w) => until(w) > w.order.since)
    .map((w) => ({
      code: 'revoked-while-worn',
      ...aboutWear(w, rules),
      day: dayOf(w.order.since, placeOf(rules, w.order.site).zone),
      ...(w.endTold !== undefined && { answered: w.returned === undefined ? 'cancelled' : ('returned' as const) }),
    }))

/** The contract is silent about the day: that on which it was put on hold. */
const linkWithoutOrder: Look = (world, _now, rules) =>
  worn(world)
    .filter((w) => w.order.status === 'on-hold' && w.endTold === undefined)
    .map((w) => ({
      code: 'link-without-order',
      ...aboutWear(w, rules),
      day: dayOf(w.order.since, placeOf(rules, w.order.site).zone),
    }))

const expiredDevice: Look = (world, _now, rules) =>
  worn(world)
    .map((w) => ({ code: 'expired-device' as const, ...aboutWear(w, rules), expires: rules.expires.get(w.device) }))
    .filter((t) => t.expires !== undefined && t.expires < t.day)

const clockDoubt: Look = (world, _now, rules) =>
  worn(world)
    .filter((w) => w.clock !== undefined && Math.abs(w.clock - w.appliedAt) > rules.clockMs)
    .map((w) => ({ code: 'clock-doubt', ...aboutWear(w, rules) }))

const patientWithTwoDevices: Look = (world, _now, rules) => {
  const troubles: Trouble[] = []
  for (const later of worn(world))
    for (const earlier of worn(world)) {
      if (world.wears.indexOf(earlier) >= world.wears.indexOf(later)) continue
      if (earlier.order.patient !== later.order.patient || earlier.device === later.device) continue
      if (!overlap(earlier, later)) continue
      const names = earlier.order.site === later.order.site ? [earlier.name, later.name].toSorted() : [later.name]
      const about = { ...aboutWear(later, rules), about: names.join(' and '), nth: earlier.name }
      troubles.push({ code: 'patient-with-two-devices', ...about })
    }
  return troubles
}

/** The end that was stated, else the planned one, and transit; what a return says of the end moves nothing. */
const missedFrom = (w: Wear, rules: Rules): number => {
  const { wearMs, transitMs } = placeOf(rules, w.order.site)
  return (w.statedEnd ?? w.appliedAt + wearMs) + transitMs
}

/** The contract does not say so: a recorder that the next patient wears has come back, too. */
const backSince = (w: Wear, world: World): number | undefined => {
  if (w.returned !== undefined) return w.returned.told
  return worn(world).find((x) => x.device === w.device && x.appliedAt > w.appliedAt)?.told
}

const overdueReturn: Look = (world, now, rules) => {
  const troubles: Trouble[] = []
  for (const w of worn(world)) {
    const [missed, back] = [missedFrom(w, rules), backSince(w, world)]
    if (w.lost || now < missed || (back !== undefined && back < missed)) continue
    const day = dayOf(missed, placeOf(rules, w.order.site).zone)
    const answered = back === undefined ? {} : ({ answered: 'returned', anyhow: true } as const)
    troubles.push({ code: 'overdue-return', ...aboutWear(w, rules), day, ...answered })
  }
  return troubles
}

const looks: readonly Look[] = [
  noLink,
  lateLink,
  noApplication,
  returnWithoutPatient,
  revokedWhileWorn,
  expiredDevice,
  clockDoubt,
  patientWithTwoDevices,
  overdueReturn,
  linkWithoutOrder,
]

/** How a gap is noted to have ended whose trouble shows no more and was not answered; the contract is silent. */
const gone: Readonly<Record<Code, Action>> = {
  'no-link': 'linked',
  'late-link': 'cancelled',
  'no-application': 'cancelled',
  'return-without-patient': 'linked',
  'revoked-while-worn': 'cancelled',
  'expired-device': 'cancelled',
  'clock-doubt': 'cancelled',
  'patient-with-two-devices': 'confirmed',
  'overdue-return': 'cancelled',
  'link-without-order': 'confirmed',
}

// Gaps

interface Episode {
  trouble: Trouble
  final: boolean
  mended: Action | undefined
  vanished: number | undefined
  /** The trouble shows no more at the last look. */
  hidden: boolean
}

/** Moments at which something falls due though nobody tells anything. */
const dueMoments = (world: World, rules: Rules): readonly number[] => {
  const due: number[] = []
  for (const s of world.seen) due.push(tooLate(s.appliedAt, placeOf(rules, s.site)))
  for (const o of world.orders.values())
    for (const day of visitsOf(o)) due.push(endOf(day, placeOf(rules, o.site).zone))
  for (const w of world.wears) due.push(missedFrom(w, rules))
  return due
}

/**
 * By which the same trouble is known again: a recorder is worn on many days, and an order may have several visits; all else is the same
 * trouble on any day.
 */
const keyOf = (t: Trouble): string => {
  const isOfDay = t.code === 'no-link' || t.code === 'no-application'
  return [t.code, t.site, isOfDay ? t.day : '', t.about, t.nth ?? ''].join(' ')
}

/** What a look makes of the gaps that a trouble has led to so far. */
const gapsAfter = (own: readonly Episode[], trouble: Trouble, now: number): readonly Episode[] => {
  const { answered, finalFrom = now } = trouble
  const last = own.at(-1)
  const isNew = answered === undefined ? last?.mended !== undefined || last === undefined : last === undefined
  if (isNew && answered !== undefined && !trouble.anyhow) return own
  if (isNew) return [...own, { trouble, final: finalFrom <= now, mended: answered, vanished: undefined, hidden: false }]
  if (last === undefined) return own
  if (last.mended === undefined) {
    last.trouble = trouble
    if (answered === undefined && finalFrom <= now) last.final = true
  }
  last.mended = answered ?? last.mended
  return own
}

const lookAt = (episodes: Map<string, readonly Episode[]>, world: World, now: number, rules: Rules): void => {
  const shown = new Map<string, Trouble>()
  for (const look of looks) for (const trouble of look(world, now, rules)) shown.set(keyOf(trouble), trouble)
  for (const [key, trouble] of shown) episodes.set(key, gapsAfter(episodes.get(key) ?? [], trouble, now))
  for (const [key, own] of episodes) {
    for (const episode of own) episode.hidden = !shown.has(key)
    const last = own.at(-1)
    if (last === undefined || !last.hidden || last.mended !== undefined) continue
    last.mended = gone[last.trouble.code]
    last.vanished = now
  }
}

const worldAt = (
  told: readonly Told[],
  asOf: number,
  rules: Rules,
  step: (world: World, now: number) => void,
): World => {
  const world: World = { orders: new Map(), wears: [], seen: [], backs: [] }
  let now = Number.NEGATIVE_INFINITY
  const wait = (to: number): void => {
    const due = dueMoments(world, rules).filter((m) => now < m && m <= to)
    for (const moment of due.toSorted((a, b) => a - b)) step(world, moment)
    now = to
  }
  for (const t of told) {
    if (t.told > asOf) continue
    wait(t.told)
    hear(world, t, rules)
    step(world, t.told)
  }
  wait(asOf)
  return world
}

/** When something falls due by itself, by all that was told. */
export const fallsDue = (told: readonly Told[], rules: Rules): readonly number[] =>
  dueMoments(
    worldAt(told, Number.POSITIVE_INFINITY, rules, () => undefined),
    rules,
  )

/** @param told in the order in which it was told */
export const gapsAsOf = (told: readonly Told[], asOf: number, rules: Rules): readonly Gap[] => {
  const episodes = new Map<string, readonly Episode[]>()
  worldAt(told, asOf, rules, (world, now) => lookAt(episodes, world, now, rules))
  return [...episodes.values()]
    .flat()
    .map(({ trouble: { code, site, day, about }, final, mended, vanished, hidden }) => ({
      code,
      site,
      day,
      about,
      final,
      hidden,
      ...(mended && { mended }),
      ...(vanished !== undefined && { vanished }),
    }))
}

/**
 * The group `linked` of the MeasureReport. An application that a link answers is that of the link; the contract is
 * silent about a recorder that was seen several times and linked to nobody: it counts once a day,
 * by its first moment.
 */
export const countsAsOf = (
  told: readonly Told[],
  { site, day, asOf }: { readonly site: string; readonly day: string; readonly asOf: number },
  rules: Rules,
): Counts => {
  const world = worldAt(told, asOf, rules, () => undefined)
  const place = placeOf(rules, site)
  const isHere = (x: { appliedAt: number }, where: string) => where === site && dayOf(x.appliedAt, place.zone) === day
  const wears = worn(world).filter((w) => isHere(w, w.order.site))
  const applied: { appliedAt: number; told?: number }[] = [...wears]
  const devices = new Set<string>()
  for (const s of world.seen.toSorted((a, b) => a.appliedAt - b.appliedAt)) {
    if (s.shelf || !isHere(s, s.site) || devices.has(s.device)) continue
    if (world.wears.some((w) => answers(w, s, rules))) continue
    devices.add(s.device)
    applied.push({ appliedAt: s.appliedAt })
  }
  const due = applied.filter((a) => tooLate(a.appliedAt, place) <= asOf)
  const inTime = due.filter((a) => a.told !== undefined && a.told < tooLate(a.appliedAt, place))
  return { initial: applied.length, denominator: due.length, numerator: inTime.length }
}
