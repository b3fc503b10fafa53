/** watch-flow over HTTP: $reconcile-day, and the evening report for people and spreadsheets. */
import { siteNamed } from '../../flow/apply-device/link-device.ts'
import type { Evening } from '../../flow/watch-flow/evening.ts'
import { readAsOf, readDay, reconcileDayParameters } from '../../flow/watch-flow/reconcile-day.ts'
import type { Site } from '../../model/configuration.ts'
import { msOf } from '../../model/instant.ts'
import { localDateOf, previousDate } from '../../model/local-day.ts'
import { accept, type Checked, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import { now, settledNow } from '../clock.ts'
import {
  eveningAsOf,
  eveningText,
  issuedEvening,
  issuedMoments,
  labelsOf,
  type Watching,
} from '../postgres/evenings.ts'
import { type Call, problemReply, type Reply, type Route } from './call.ts'
import { takeParameters } from './operation.ts'

/** How the board shows an evening; handed in, so that the pages stay apart from the routes. */
export interface EveningViews {
  readonly report: (
    e: Evening,
    labels: Awaited<ReturnType<typeof labelsOf>>,
    issued: Awaited<ReturnType<typeof issuedMoments>>,
  ) => unknown
  readonly json: (report: unknown) => string
  readonly csv: (report: unknown) => string
  readonly html: (report: unknown) => string
  readonly start: (sites: readonly { readonly site: Site; readonly days: readonly string[] }[]) => string
}

/** What was stamped long ago is committed; for anything newer the commits under way are waited for. */
const surelyCommittedMs = 600_000

const settle = async (w: Watching, asOf: Instant | undefined, dryRun = false): Promise<Instant> => {
  // a rehearsal notes no moment: what it shows of this instant may still change
  if (dryRun) return asOf ?? (await now(w.db))
  if (asOf !== undefined && msOf(asOf) < msOf(await now(w.db)) - surelyCommittedMs) return asOf
  const settled = await settledNow(w.db)
  return asOf ?? settled
}

const reconcile =
  (w: Watching) =>
  async (call: Call): Promise<Reply> => {
    const read = takeParameters(call, reconcileDayParameters)
    if (!read.ok) return problemReply(read.problems)
    const p = read.value
    const [given] = p.date
    const site = siteNamed(p, undefined, { caller: call.caller, parties: w.parties })
    const day = given ? readDay(given) : refuse([refusal('missing-parameter')])
    const asOf = readAsOf(p.asOf[0], await now(w.db))
    if (!site.ok || !day.ok || !asOf.ok) return problemReply(problemsOf(site, day, asOf))
    return { status: 200, body: await eveningBody(w, site.value, day.value, asOf.value, call.dryRun) }
  }

/** The bytes as they were issued, where the moment is that of an issue; else computed from the journal. */
const eveningBody = async (
  w: Watching,
  site: Site,
  day: string,
  asOf: Instant | undefined,
  dryRun: boolean,
): Promise<string> => {
  const sealed = await issuedEvening(w.db, site.id, day, asOf)
  return sealed?.report ?? eveningText(await eveningAsOf(w, site, day, await settle(w, asOf, dryRun)))
}

const siteOfCall = (w: Watching, call: Call): Checked<Site> => {
  const site = w.parties.sites.find((s) => s.id === call.params.site)
  const mine = site !== undefined && (call.caller.sites?.includes(site.id) ?? true)
  return site && mine ? accept(site) : refuse([refusal('not-known')])
}

/** What is wrong with a part of the address, which no FHIRPath names. */
const problemsAt = (location: string, read: Checked<unknown>): readonly Problem[] =>
  problemsOf(read).map((p) => ({ ...p, location }))

const forPeople =
  (w: Watching, views: EveningViews) =>
  async (call: Call): Promise<Reply> => {
    const [, date = '', ending = ''] = /^(.*)\.(json|csv|html)$/.exec(call.params.file ?? '') ?? []
    const site = siteOfCall(w, call)
    if (!site.ok || ending === '') return problemReply([refusal('not-known')])
    const day = readDay({ value: date, at: '' })
    const asked = call.query.find(([name]) => name === 'asOf')?.[1]
    const asOf = readAsOf(asked === undefined ? undefined : { value: asked, at: '' }, await now(w.db))
    if (!day.ok || !asOf.ok) return problemReply([...problemsAt('http.date', day), ...problemsAt('http.asOf', asOf)])
    const evening = await eveningAsOf(w, site.value, day.value, await settle(w, asOf.value))
    const report = views.report(
      evening,
      await labelsOf(w.db, evening),
      await issuedMoments(w.db, site.value.id, day.value, evening.asOf),
    )
    const type = { json: 'application/json', csv: 'text/csv', html: 'text/html' }[ending] ?? 'text/plain'
    const body = views[ending as 'json' | 'csv' | 'html'](report)
    return { status: 200, body, type: `${type}; charset=utf-8` }
  }

/** Today and the week before, for each site that the caller works at. */
const startPage =
  (w: Watching, views: EveningViews) =>
  async (call: Call): Promise<Reply> => {
    const present = msOf(await now(w.db))
    const sites = w.parties.sites
      .filter((s) => call.caller.sites?.includes(s.id) ?? true)
      .map((site) => {
        const days = [localDateOf(present, site.timeZone)]
        while (days.length < 8) days.push(previousDate(days.at(-1) ?? ''))
        return { site, days }
      })
    return { status: 200, body: views.start(sites), type: 'text/html; charset=utf-8' }
  }

export const watchFlowRoutes = (w: Watching, views: EveningViews): readonly Route[] => [
  {
    method: 'POST',
    url: '/fhir/$reconcile-day',
    may: ['clinic', 'operator'],
    step: 'watch-flow',
    fhir: { types: [], operation: 'reconcile-day' },
    handle: reconcile(w),
  },
  {
    method: 'GET',
    url: '/reports/day/:site/:file',
    query: ['asOf'],
    may: ['clinic', 'operator'],
    step: 'watch-flow',
    page: true,
    find: async (call) => problemsOf(siteOfCall(w, call)),
    handle: forPeople(w, views),
  },
  { method: 'GET', url: '/', may: ['clinic', 'operator'], step: 'watch-flow', page: true, handle: startPage(w, views) },
]
