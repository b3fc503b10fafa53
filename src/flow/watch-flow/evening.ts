/** The evening of one site and day, as of a moment: figures and gaps; pure, so the same facts give the same evening. */

import type { Bundle, MeasureReport, MeasureReportGroup } from 'fhir/r4.js'
import { v5 as uuidv5 } from 'uuid'
import type { Site } from '../../model/configuration.ts'
import { addSeconds, instantOf } from '../../model/instant.ts'
import { localDay } from '../../model/local-day.ts'
import { readDuration } from '../../model/moment.ts'
import { ownIdentifier, shown } from '../../model/resources/common.ts'
import type { GapState, Instant, LinkState } from '../../model/states.ts'
import { extensions, measure, standard, systems } from '../../model/systems.ts'
import { takers } from '../apply-device/make-link.ts'
import { stands } from '../apply-device/periods.ts'
import { answersFor } from '../apply-device/record-application.ts'
import { dueOf, type Facts, type Watch } from './day-facts.ts'
import { detectedIssue } from './detected-issue.ts'
import { type Delay, delayOf } from './figures/delay.ts'
import { linkOfTold, recorderToldIn, toldByDay } from './gaps/application.ts'
import { gapsOf } from './gaps.ts'

/** Three counts and their share, as in a MeasureReport group. */
export interface Count {
  readonly initial: number
  /** Those whose moment has come. */
  readonly denominator: number
  readonly numerator: number
}

export interface Evening {
  readonly site: Site
  readonly day: string
  readonly asOf: Instant
  /** Version of the time zone rules by which the day was measured. */
  readonly tzdata: string
  readonly linked: Count
  /** Of those that were linked in time. */
  readonly inTime: Delay
  readonly taken: Count
  readonly gaps: readonly GapState[]
}

/** A device that was applied, and its link where there is one. */
export interface Applied {
  readonly appliedAt: Instant
  readonly link?: LinkState
}

/** Each device that was applied at the site on the day, linked or not; what was entered in error is left out. */
export const appliedOn = (facts: Facts, site: Site, day: string): readonly Applied[] => {
  const links = facts.links.filter((l) => stands(l) && l.site === site.id && l.day === day)
  const loose = new Map<string, Applied>()
  const ofDevice = Map.groupBy(facts.links, (l) => l.deviceId)
  for (const a of facts.applications) {
    if (a.evidence === 'stock' || a.site !== site.id || a.day !== day) continue
    if (ofDevice.get(a.deviceId)?.some((l) => answersFor(l, a))) continue
    const before = loose.get(a.deviceId)
    if (before === undefined || a.appliedAt < before.appliedAt) loose.set(a.deviceId, { appliedAt: a.appliedAt })
  }
  for (const { group, denied } of toldByDay(facts)) {
    if (denied !== undefined) continue
    const { orderId, says } = group.reduce((a, b) => ((a.says.at ?? '') <= (b.says.at ?? '') ? a : b))
    if (says.at === undefined || says.site !== site.id || says.day !== day) continue
    if (linkOfTold(group, facts) !== undefined) continue
    loose.set(recorderToldIn(group) ?? `order ${orderId}`, { appliedAt: says.at })
  }
  return [...links.map((link) => ({ appliedAt: link.appliedAt, link })), ...loose.values()]
}

/** Those whose moment has come. */
const dueOn = (applied: readonly Applied[], site: Site, asOf: Instant): readonly Applied[] =>
  applied.filter((a) => dueOf(a.appliedAt, site) <= asOf)

export const countLinked = (applied: readonly Applied[], site: Site, asOf: Instant): Count => {
  const due = dueOn(applied, site, asOf)
  return { initial: applied.length, denominator: due.length, numerator: linksInTime(due, site).length }
}

const linksInTime = (due: readonly Applied[], site: Site): readonly LinkState[] =>
  due.flatMap(({ link, appliedAt }) => (link !== undefined && link.tiedAt < dueOf(appliedAt, site) ? [link] : []))

const countTaken = (applied: readonly Applied[], facts: Facts, watch: Watch): Count => {
  const works = applied.flatMap(({ link }) => {
    const order = facts.orders.find((o) => o.id === link?.orderId)
    const services = link && order ? takers(order, watch.parties.readingServices) : []
    if (link === undefined || services.length === 0) return []
    return [
      services.map((s) => {
        const accept = readDuration(s.accept, '')
        const deadline = addSeconds(link.recordedAt, accept.ok ? accept.value / 1000 : 0)
        const task = facts.tasks.find((t) => t.linkId === link.id && t.readingService === s.id && t.asks === 'fulfill')
        return { deadline, inTime: task?.acceptedAt !== undefined && task.acceptedAt <= deadline }
      }),
    ]
  })
  const due = works.filter((w) => w.every((s) => s.deadline <= watch.asOf))
  return {
    initial: works.length,
    denominator: due.length,
    numerator: due.filter((w) => w.every((s) => s.inTime)).length,
  }
}

export const eveningOf = (site: Site, day: string, facts: Facts, watch: Watch, tzdata: string): Evening => {
  const applied = appliedOn(facts, site, day)
  const belongs = (gap: GapState) =>
    gap.site === undefined ? within(gap, site, day) : gap.site === site.id && gap.day === day
  return {
    site,
    day,
    asOf: watch.asOf,
    tzdata,
    linked: countLinked(applied, site, watch.asOf),
    inTime: delayOf(linksInTime(dueOn(applied, site, watch.asOf), site)),
    taken: countTaken(applied, facts, watch),
    gaps: gapsOf(facts, watch).filter(belongs),
  }
}

/** A gap of which nobody could tell the site is shown to every site, on the day in which it was found. */
const within = (gap: GapState, site: Site, day: string): boolean => {
  const { start, end } = localDay(day, site.timeZone)
  return instantOf(start) <= gap.since && gap.since < instantOf(end)
}

const names = uuidv5('https://daybind.example/evenings', uuidv5.URL)

const population = (code: string, count: number) => ({
  code: { coding: [{ system: standard.measurePopulation, code }] },
  count,
})

/** Four decimals, always printed: 1.0000. */
const score = (c: Count) =>
  c.denominator === 0 ? {} : { measureScore: { value: fourDecimals(c.numerator / c.denominator) as number } }

// JSON.rawJSON is in Node 24 and not yet in TypeScript's own types
const { rawJSON } = JSON as unknown as { readonly rawJSON: (text: string) => unknown }

const fourDecimals = (value: number): unknown => rawJSON(value.toFixed(4))

const group = (code: string, c: Count): MeasureReportGroup => ({
  code: { coding: [{ system: systems.measureGroup, code }] },
  population: [
    population('initial-population', c.initial),
    population('denominator', c.denominator),
    population('numerator', c.numerator),
  ],
  ...score(c),
})

/** The id follows from site, day and moment: the same evening is the same report. */
export const measureReport = (e: Evening): MeasureReport => {
  const { start, end } = localDay(e.day, e.site.timeZone)
  const id = uuidv5(`${e.site.id} ${e.day} ${e.asOf}`, names)
  return {
    resourceType: 'MeasureReport',
    id,
    extension: [{ url: extensions.timeZoneData, valueString: e.tzdata }],
    identifier: [ownIdentifier('MeasureReport', id)],
    status: 'complete',
    type: 'summary',
    measure,
    date: e.asOf,
    reporter: { type: 'Location', identifier: { ...e.site.identifier }, display: e.site.name },
    period: { start: shown(instantOf(start)), end: shown(instantOf(end - 1)) },
    group: [group('linked', e.linked), group('taken', e.taken)],
  }
}

/** One MeasureReport and a DetectedIssue for each gap; the fullUrls name no server, so the bytes are the same on any. */
export const eveningBundle = (e: Evening): Bundle => ({
  resourceType: 'Bundle',
  type: 'collection',
  timestamp: e.asOf,
  entry: [measureReport(e), ...e.gaps.map(detectedIssue)].map((resource) => ({
    fullUrl: `urn:uuid:${resource.id}`,
    resource,
  })),
})
