/** What a deed needs at hand, and what the story remembers. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { EveningReport } from '../src/board/evening-report.ts'
import { msOf } from '../src/model/instant.ts'
import { zoneOn } from '../src/model/local-day.ts'
import { printInstant } from '../src/model/moment.ts'
import type { Instant } from '../src/model/states.ts'
import { type Calendar, momentOf } from './calendar.ts'
import { type Call, type CallerId, callsTo } from './caller.ts'
import type { Happening, Place } from './deeds.ts'
import type { SiteId } from './people.ts'
import type { Stage } from './stage.ts'

export interface KeptEvening {
  readonly site: SiteId
  readonly moment: 'cut-off' | 'day-end'
  readonly asOf: Instant
  /** As people see it. */
  readonly report: EveningReport
  /** The bytes that were sealed. */
  readonly sealed: string
}

export interface Scene {
  readonly stage: Stage
  readonly call: Call
  readonly calendar: Calendar
  /** Serial number → id of the link that the service made. */
  readonly links: Map<string, string>
  readonly evenings: KeptEvening[]
  /** Ids of Tasks that the reading service has accepted. */
  readonly accepted: Set<string>
  /** Ids of alerts that were told. */
  readonly paged: Set<string>
}

/** What came of a deed: what the service said, for the story, and where that is not what the timetable says. */
export interface Came {
  readonly said?: string
  readonly evening?: KeptEvening
  /** The report of one day as of two moments. */
  readonly compared?: { readonly before: EveningReport; readonly now: EveningReport }
  readonly wrong: readonly string[]
}

export const setScene = (stage: Stage, calendar: Calendar): Scene => ({
  stage,
  calendar,
  call: callsTo(stage.service.url, stage.tokens),
  links: new Map(),
  evenings: [],
  accepted: new Set(),
  paged: new Set(),
})

/** The reading room is in the same town as the harbour. */
const zoneOf = (scene: Scene, place: Place): string => {
  const site = scene.stage.configuration.sites.find(({ id }) => id === (place === 'pebble' ? 'tern-harbour' : place))
  if (site === undefined) throw new Error(`daybind.yaml has no site ${place}`)
  return zoneOn(scene.calendar.day, site.timeZone)
}

export const deskOf: Readonly<Record<Place, CallerId>> = {
  'tern-harbour': 'harbour-desk',
  'quarry-lane': 'quarry-desk',
  pebble: 'pebble',
}

export const dateOf = ({ calendar }: Scene, on: Happening['on']): string =>
  ({ day: calendar.day, 'week-before': calendar.weekBefore, 'day-after': calendar.dayAfter })[on]

/** When something happens. */
export const instantAt = (scene: Scene, { on, place }: Pick<Happening, 'on' | 'place'>, time: string): Instant =>
  momentOf(dateOf(scene, on), time, zoneOf(scene, place))

/** A moment as it is written down at the place, with its offset. */
export const writtenAt = (scene: Scene, place: Place, instant: Instant): string =>
  printInstant(msOf(instant), zoneOf(scene, place))

const patienceMs = 15_000

const waiting = async (call: Call): Promise<number> => {
  const lists = await Promise.all(
    ['queued', 'unsure'].map((fate) => call('operator', 'GET', `/deliveries?fate=${fate}&count=1000`)),
  )
  return lists.reduce((sum, { body }) => sum + ((body as { deliveries?: unknown[] }).deliveries?.length ?? 0), 0)
}

/** Waits until no delivery is under way; says how many still are when patience has run out. */
export const untilDelivered = async ({ call }: Scene): Promise<readonly string[]> => {
  const deadline = performance.now() + patienceMs
  for (;;) {
    const left = await waiting(call)
    if (left === 0) return []
    if (performance.now() > deadline) return [`${left} deliveries have not arrived within ${patienceMs / 1000} s`]
    await sleep(20)
  }
}
