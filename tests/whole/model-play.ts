/**
 * What may happen on random clinic days, and playing it over HTTP: a few patients with several orders at two sites,
 * recorders that go round among them, everything told in time, late, or so that it is refused.
 */

import fc from 'fast-check'
import type { DetectedIssue, Device, DeviceUseStatement } from 'fhir/r4.js'
import { expect } from 'vitest'
import { dayAfter, dayOf, type Happening, momentOn, type Place, type Rules, type Told } from '../support/model-day.ts'
import { type Answer, type Ask, testSites } from '../support/service.ts'
import {
  type Told as Answered,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  outs,
  type Person,
  sendOrder,
  verdict,
} from './bedside.ts'

const hour = 3_600_000

/** Short, so that what becomes overdue does so within the days that are played. */
export const sites = testSites.map((s) => ({ ...s, wear: 'PT30H', transit: 'PT20H' }))

export const places: readonly Place[] = sites.map(({ id, timeZone, cutOff }) => ({
  id,
  zone: timeZone as string,
  cutOff: cutOff as string,
  wearMs: 30 * hour,
  transitMs: 20 * hour,
}))

// What is drawn

const order = fc.integer({ min: 0, max: 3 })
const device = fc.integer({ min: 0, max: 2 })
const site = fc.constantFrom(0, 1)
/** One of the links so far. */
const which = fc.nat(5)
/** So many of the moments that may be stated lie between what happened and what is told. */
const ago = fc.oneof({ weight: 3, arbitrary: fc.integer({ min: 0, max: 3 }) }, fc.integer({ min: 4, max: 9 }))

const linking = fc.record(
  {
    do: fc.constant('link' as const),
    order,
    device,
    ago,
    /** So many moments; absent: it is worn on. */
    lasts: fc.integer({ min: 0, max: 6 }),
    clockOff: fc.constantFrom(-12 * hour, -61_000, -60_000, 0, 60_000, 61_000),
  },
  { requiredKeys: ['do', 'order', 'device', 'ago'] },
)
const ending = fc.record({
  do: fc.constant('end' as const),
  which,
  ago,
  why: fc.constantFrom('removed', 'failed', 'lost', 'replaced'),
})
const withdrawing = fc.record({ do: fc.constant('withdraw' as const), which })
const applying = fc.record({
  do: fc.constant('apply' as const),
  device,
  site,
  ago,
  evidence: fc.constantFrom('capture', 'capture', 'activation', 'stock'),
})
const notApplying = fc.record(
  {
    do: fc.constant('not applied' as const),
    order,
    why: fc.constantFrom('no-show', 'declined', 'unfit', 'rescheduled'),
    inDays: fc.integer({ min: 0, max: 2 }),
  },
  { requiredKeys: ['do', 'order', 'why'] },
)
const revising = fc.record({
  do: fc.constant('revise' as const),
  order,
  status: fc.constantFrom('active' as const, 'on-hold' as const, 'on-hold' as const, 'revoked' as const),
})
const returning = fc.record(
  { do: fc.constant('return' as const), device, site, ago, worn: ago },
  { requiredKeys: ['do', 'device', 'site', 'ago'] },
)

const act = fc.oneof(
  { weight: 8, arbitrary: linking },
  { weight: 2, arbitrary: ending },
  { weight: 2, arbitrary: withdrawing },
  { weight: 4, arbitrary: applying },
  { weight: 2, arbitrary: notApplying },
  { weight: 3, arbitrary: revising },
  { weight: 3, arbitrary: returning },
)

const drawnOrder = fc.record(
  {
    patient: fc.constantFrom(0, 0, 1),
    elsewhere: fc.constantFrom(false, false, false, true),
    /** From the first day on. */
    visit: fc.integer({ min: -1, max: 2 }),
    slot: fc.constantFrom(0, 0, 0, 9),
  },
  { requiredKeys: ['patient', 'elsewhere', 'slot'] },
)

/** Of four days with six slots each; most is told on the first one. */
const slot = fc.oneof(
  { weight: 3, arbitrary: fc.integer({ min: 0, max: 5 }) },
  { weight: 2, arbitrary: fc.integer({ min: 6, max: 14 }) },
  { weight: 1, arbitrary: fc.integer({ min: 15, max: 23 }) },
)

type Act = typeof act extends fc.Arbitrary<infer T> ? T : never

interface Said {
  readonly slot: number
  readonly act: Act
}

const single = fc.record({ slot, act }).map((said): readonly Said[] => [said])

const lag = fc.integer({ min: 1, max: 4 })
const later = (from: number, by: number): number => Math.min(from + by, 23)

/** A recorder comes back, and is linked only then; chance alone seldom hits on it. */
const linkedAfterReturn = fc
  .record({
    slot,
    lag,
    order,
    device,
    site,
    ago: fc.integer({ min: 0, max: 1 }),
    before: fc.integer({ min: 3, max: 9 }),
  })
  .map(({ slot: from, lag: by, before, ...a }): readonly Said[] => [
    { slot: from, act: { do: 'return', device: a.device, site: a.site, ago: a.ago } },
    { slot: later(from, by), act: { do: 'link', order: a.order, device: a.device, ago: before } },
  ])

/** An order is revoked, or put on hold, while its recorder is worn; the recorder comes off. */
const calledOff = fc.record({ slot, lag, order, device, site, ago: fc.integer({ min: 0, max: 3 }) }).chain((a) =>
  fc
    .record({ last: fc.oneof(ending, returning), status: fc.constantFrom('revoked' as const, 'on-hold' as const) })
    .map(({ last, status }): readonly Said[] => [
      { slot: a.slot, act: { do: 'link', order: a.order, device: a.device, ago: a.ago } },
      { slot: later(a.slot, a.lag), act: { do: 'revise', order: a.order, status } },
      {
        slot: later(a.slot, 2 * a.lag),
        act: last.do === 'end' ? { ...last, which: 0, ago: 0 } : { ...last, device: a.device, ago: 0 },
      },
    ]),
)

/** A recorder does not come back: days later it is told as lost, or is on the next patient. */
const neverBack = fc
  .record({
    slot: fc.integer({ min: 0, max: 5 }),
    later: fc.integer({ min: 12, max: 18 }),
    order,
    device,
    ago: fc.integer({ min: 5, max: 9 }),
    isLost: fc.boolean(),
  })
  .map(({ later: by, isLost, ...a }): readonly Said[] => {
    const first = { do: 'link' as const, order: a.order, device: a.device, ago: a.ago }
    const last = isLost
      ? { do: 'end' as const, which: 0, ago: 3, why: 'lost' as const }
      : { do: 'link' as const, order: (a.order + 1) % 4, device: a.device, ago: 0 }
    const wear = isLost ? first : { ...first, lasts: 2 }
    return [
      { slot: a.slot, act: wear },
      { slot: later(a.slot, by), act: last },
    ]
  })

/** A visit is put off, and the new date is put off or missed too. */
const putOffTwice = fc
  .record({ slot, order, by: fc.integer({ min: 1, max: 14 }), inDays: fc.integer({ min: 0, max: 2 }) })
  .map(({ slot: from, by, ...a }): readonly Said[] => [
    { slot: from, act: { do: 'not applied', why: 'rescheduled', ...a } },
    { slot: later(from, by), act: { do: 'not applied', order: a.order, why: 'no-show' } },
  ])

/** A recorder is switched on in the moment of the cut-off, and linked on the same evening. */
const atTheCutOff = fc
  .record({ slot: fc.constantFrom(5, 11), order, device })
  .map(({ slot: from, ...a }): readonly Said[] => [{ slot: from, act: { do: 'link', ...a, ago: 2 } }])

const story = fc.oneof(
  { weight: 10, arbitrary: single },
  ...[linkedAfterReturn, calledOff, neverBack, putOffTwice, atTheCutOff].map((arbitrary) => ({ weight: 1, arbitrary })),
)

/** Whom and what it is about, and what is told of them, each in one of the moments (slots) in which things are told. */
const cell = fc.record({
  site,
  orders: fc.array(drawnOrder, { minLength: 1, maxLength: 4, size: 'max' }),
  /** Day of expiry of each recorder, from the first day on; absent: none. */
  expires: fc.array(fc.option(fc.integer({ min: -2, max: 2 }), { nil: undefined }), { minLength: 3, maxLength: 3 }),
  stories: fc.array(story, { maxLength: 20, size: 'max' }),
})

export const clinicDays = fc.record({
  cells: fc.array(cell, { minLength: 1, maxLength: 9, size: 'max' }),
  /** Every third moment is looked at. */
  phase: fc.integer({ min: 0, max: 2 }),
})

type Cell = typeof cell extends fc.Arbitrary<infer T> ? T : never
type Doing<Kind extends Act['do']> = Extract<Act, { do: Kind }>
export type ClinicDays = typeof clinicDays extends fc.Arbitrary<infer T> ? T : never

// When

const minutesLater = (time: string, by: number): string => {
  const [h = 0, m = 0] = time.split(':').map(Number)
  const at = h * 60 + m + by
  return `${String(Math.floor(at / 60)).padStart(2, '0')}:${String(at % 60).padStart(2, '0')}`
}

const momentsOn = (place: Place, first: string, from: number, times: readonly string[]): number[] => {
  const moments: number[] = []
  for (let n = from; n <= 3; n += 1)
    for (const time of times) moments.push(momentOn(dayAfter(first, n), time, place.zone))
  return moments.toSorted((a, b) => a - b)
}

const slotsOf = (place: Place, first: string): number[] =>
  momentsOn(place, first, 0, ['00:00', '08:00', '12:00', minutesLater(place.cutOff, -1), place.cutOff, '20:00'])

const happensAt = (place: Place, first: string): number[] => {
  const { cutOff } = place
  return momentsOn(place, first, -1, ['00:00', '09:00', '11:30', cutOff, minutesLater(cutOff, 1), '19:00', '23:59'])
}

export const utc = (ms: number): string => new Date(ms).toISOString()

// Playing

/** One draw being played. */
export interface Play {
  readonly ehr: Ask
  readonly clinic: Ask
  /** Local day on which it begins. */
  readonly first: string
  readonly rules: Rules
  readonly told: Told[]
  /** What was said and answered, for whoever looks into a failure. */
  readonly log: string[]
  /** Own names by id. */
  readonly names: Map<string, string>
}

interface Cast {
  readonly cell: Cell
  readonly name: string
  readonly place: Place
  readonly people: readonly Person[]
  readonly orders: Map<number, Ordered>
  readonly serials: readonly string[]
  /** In the order in which they were made. */
  readonly links: { readonly name: string; readonly id: string }[]
}

/** Somebody tells something now. */
interface Telling {
  readonly play: Play
  readonly cast: Cast
  readonly now: number
}

/** Undefined: it was refused, or there is nothing to do it to. */
type Came = Promise<Happening | undefined>

const castOf = (drawn: Cell, n: number): Cast => ({
  cell: drawn,
  name: `${String.fromCharCode(97 + n)}-`,
  place: places[drawn.site] as Place,
  people: [newPerson(), newPerson()],
  orders: new Map(),
  serials: [newSerial(), newSerial(), newSerial()],
  links: [],
})

export const siteOf = (place: Place) => ({ system: 'https://daybind.example/sites', value: place.id })
const orderName = (c: Cast, n: number) => `${c.name}order${n}`
const deviceName = (c: Cast, n: number) => `${c.name}device${n}`

const scanOf = ({ play, cast }: Telling, n: number): string =>
  label(cast.serials[n] ?? '', play.rules.expires.get(deviceName(cast, n))?.slice(2).replaceAll('-', ''))

/** A moment before now. */
const earlier = ({ play, cast, now }: Telling, by: number): number => {
  const moments = happensAt(cast.place, play.first).filter((m) => m <= now)
  return moments.at(-1 - by) ?? moments[0] ?? now
}

/** What is refused has not happened. */
const ifTaken = (t: Telling, answer: Answer<Answered>, happening: () => Happening): Happening | undefined => {
  expect([200, 409, 422], answer.text).toContain(answer.status)
  if (answer.status === 200) return happening()
  t.play.log.push(`${utc(t.now)} ${t.cast.name} ${verdict(answer)}`)
  return undefined
}

const send = async ({ play, cast }: Telling, n: number, status: 'active' | 'on-hold' | 'revoked'): Came => {
  const drawn = cast.cell.orders[n]
  const person = cast.people[drawn?.patient ?? 0]
  if (drawn === undefined || person === undefined) return undefined
  const at = places.find((p) => (p === cast.place) !== drawn.elsewhere) as Place
  const visit = drawn.visit === undefined ? {} : { visit: dayAfter(play.first, drawn.visit) }
  const said = { person, placer: `${person.number}-${n}`, site: at.id, status, ...visit }
  const ordered = await sendOrder(play.ehr, said)
  cast.orders.set(n, ordered)
  play.names.set(ordered.order, orderName(cast, n))
  const patient = `${cast.name}patient${drawn.patient}`
  return { what: 'order', order: orderName(cast, n), patient, site: at.id, status, ...visit }
}

const tie = async (t: Telling, a: Doing<'link'>): Came => {
  const { play, cast } = t
  const n = orderDrawn(cast, a.order)
  const ordered = cast.orders.get(n)
  if (ordered === undefined) return undefined
  const appliedAt = earlier(t, a.ago)
  const endedAt = a.lasts === undefined ? undefined : earlier(t, Math.max(0, a.ago - a.lasts))
  const clock = a.clockOff === undefined ? undefined : appliedAt + a.clockOff
  const answer = await link(play.clinic, ordered, {
    scan: scanOf(t, a.device),
    appliedAt: utc(appliedAt),
    endedAt: endedAt === undefined ? undefined : utc(endedAt),
    deviceClock: clock === undefined ? undefined : utc(clock),
  })
  const id = outs<DeviceUseStatement>(answer, 'link')[0]?.id ?? ''
  // the same again
  if (cast.links.some((l) => l.id === id)) return undefined
  nameDevice(t, answer, a.device)
  const names = { order: orderName(cast, n), device: deviceName(cast, a.device) }
  const name = `${names.order}-${names.device}-${cast.links.length}`
  return ifTaken(t, answer, () => {
    cast.links.push({ name, id })
    play.names.set(id, name)
    const said = { ...(endedAt !== undefined && { endedAt }), ...(clock !== undefined && { clock }) }
    return { what: 'link', link: name, ...names, appliedAt, ...said }
  })
}

const nameDevice = ({ play, cast }: Telling, answer: Answer<Answered>, n: number): void => {
  const ids = [
    ...outs<Device>(answer, 'device').map(({ id }) => id ?? ''),
    ...outs<DetectedIssue>(answer, 'gap').flatMap((gap) =>
      (gap.implicated ?? []).map((r) => idIn(r.reference, 'Device')),
    ),
  ]
  for (const id of ids) play.names.set(id, deviceName(cast, n))
}

/** Empty where it is of another type. */
export const idIn = (reference: string | undefined, type: string): string =>
  reference?.startsWith(`${type}/`) ? reference.slice(type.length + 1) : ''

const linkDrawn = ({ links }: Cast, n: number) => links.at(-1 - (n % Math.max(1, links.length)))

/** Fewer orders may be there than are numbered. */
const orderDrawn = ({ cell: { orders } }: Cast, n: number): number => n % orders.length

const end = async (t: Telling, a: Doing<'end'>): Came => {
  const drawn = linkDrawn(t.cast, a.which)
  if (drawn === undefined) return undefined
  const endedAt = earlier(t, a.ago)
  const said = { endedAt: utc(endedAt), why: a.why }
  const answer = await operate(t.play.clinic, `DeviceUseStatement/${drawn.id}/$end-link`, said)
  return ifTaken(t, answer, () => ({ what: 'end', link: drawn.name, endedAt, lost: a.why === 'lost' }))
}

const withdraw = async (t: Telling, a: Doing<'withdraw'>): Came => {
  const drawn = linkDrawn(t.cast, a.which)
  if (drawn === undefined) return undefined
  const said = { because: 'It was nobody.' }
  const answer = await operate(t.play.clinic, `DeviceUseStatement/${drawn.id}/$correct-link`, said)
  return ifTaken(t, answer, () => ({ what: 'withdraw', link: drawn.name }))
}

const apply = async (t: Telling, a: Doing<'apply'>): Came => {
  const at = places[a.site] as Place
  const appliedAt = earlier(t, a.ago)
  const said = { scan: scanOf(t, a.device), appliedAt: utc(appliedAt), site: siteOf(at), evidence: a.evidence }
  const answer = await operate(t.play.clinic, 'Device/$record-application', said)
  nameDevice(t, answer, a.device)
  const shelf = a.evidence === 'stock'
  return ifTaken(t, answer, () => ({
    what: 'application',
    device: deviceName(t.cast, a.device),
    site: at.id,
    appliedAt,
    shelf,
  }))
}

const notApplied = async (t: Telling, a: Doing<'not applied'>): Came => {
  const n = orderDrawn(t.cast, a.order)
  const ordered = t.cast.orders.get(n)
  if (ordered === undefined) return undefined
  const newDate = a.inDays === undefined ? undefined : dayAfter(dayOf(t.now, t.cast.place.zone), a.inDays)
  const path = `ServiceRequest/${ordered.order}/$record-not-applied`
  const answer = await operate(t.play.clinic, path, { why: a.why, newDate })
  return ifTaken(t, answer, () => ({
    what: 'not-applied',
    order: orderName(t.cast, n),
    rescheduled: a.why === 'rescheduled',
    ...(newDate !== undefined && { newDate }),
  }))
}

const revise = async (t: Telling, a: Doing<'revise'>): Came => {
  const n = orderDrawn(t.cast, a.order)
  return t.cast.orders.has(n) ? send(t, n, a.status) : undefined
}

const giveBack = async (t: Telling, a: Doing<'return'>): Came => {
  const at = places[a.site] as Place
  const receivedAt = earlier(t, a.ago)
  const wornUntil = a.worn === undefined ? undefined : earlier(t, a.ago + a.worn)
  const answer = await operate(t.play.clinic, 'Device/$record-return', {
    scan: scanOf(t, a.device),
    receivedAt: utc(receivedAt),
    wornUntil: wornUntil === undefined ? undefined : utc(wornUntil),
    site: siteOf(at),
  })
  nameDevice(t, answer, a.device)
  return ifTaken(t, answer, () => ({
    what: 'return',
    back: `return${t.play.told.length}`,
    device: deviceName(t.cast, a.device),
    site: at.id,
    receivedAt,
    ...(wornUntil !== undefined && { wornUntil }),
  }))
}

const perform = async (t: Telling, a: Act): Came => {
  switch (a.do) {
    case 'link':
      return tie(t, a)
    case 'end':
      return end(t, a)
    case 'withdraw':
      return withdraw(t, a)
    case 'apply':
      return apply(t, a)
    case 'not applied':
      return notApplied(t, a)
    case 'revise':
      return revise(t, a)
    case 'return':
      return giveBack(t, a)
  }
}

/** Of the recorders of a draw. */
const expiries = (casts: readonly Cast[], first: string): ReadonlyMap<string, string> =>
  new Map(
    casts.flatMap((c) =>
      c.cell.expires.flatMap((day, n): [string, string][] =>
        day === undefined ? [] : [[deviceName(c, n), dayAfter(first, day)]],
      ),
    ),
  )

export interface Turn {
  readonly at: number
  /** Stamped within the next minute, before anything else falls due. */
  readonly tell: (play: Play) => Promise<void>
}

/** Everything that is told, in its order, and the recorders that have an expiry date. */
export const turnsOf = ({ cells }: ClinicDays, first: string) => {
  const casts = cells.map(castOf)
  const turn = (cast: Cast, slot: number, what: (t: Telling) => Came): Turn => {
    const at = slotsOf(cast.place, first)[slot] ?? 0
    const tell = async (play: Play): Promise<void> => {
      const happening = await what({ play, cast, now: at })
      if (happening === undefined) return
      play.told.push({ ...happening, told: at + 1 })
      const shown = (_: string, v: unknown) => (typeof v === 'number' && v > 1e9 ? utc(v) : v)
      play.log.push(`${utc(at)} ${JSON.stringify(happening, shown)}`)
    }
    return { at, tell }
  }
  const turns = casts.flatMap((c) => [
    ...c.cell.orders.map((o, n) => turn(c, o.slot, (t) => send(t, n, 'active'))),
    ...c.cell.stories.flat().map(({ slot, act: a }) => turn(c, slot, (t) => perform(t, a))),
  ])
  return { expires: expiries(casts, first), turns: turns.toSorted((a, b) => a.at - b.at) }
}
