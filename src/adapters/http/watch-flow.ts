/** watch-flow over HTTP: $reconcile-day, and the start page of the board. */
import { siteNamed } from '../../flow/apply-device/link-device.ts'
import { type Known, readAsOf, readDay, reconcileDayParameters, recorded } from '../../flow/watch-flow/reconcile-day.ts'
import type { Site } from '../../model/configuration.ts'
import { msOf } from '../../model/instant.ts'
import { localDateOf, previousDate } from '../../model/local-day.ts'
import { accept, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import { now, settledNow } from '../clock.ts'
import { eveningAsOf, eveningText, firstRecorded, issuedEvening, type Watching } from '../postgres/evenings.ts'
import { type Call, problemReply, type Reply, type Route, sitesOfCaller } from './call.ts'
import { takeParameters } from './operation.ts'

/** What was stamped long ago is committed; for anything newer the commits under way are waited for. */
const surelyCommittedMs = 600_000

export const settle = async (w: Watching, asOf: Instant | undefined, dryRun = false): Promise<Instant> => {
  // a rehearsal notes no moment: what it shows of this instant may still change
  if (dryRun) return asOf ?? (await now(w.db))
  if (asOf !== undefined && msOf(asOf) < msOf(await now(w.db)) - surelyCommittedMs) return asOf
  const settled = await settledNow(w.db)
  return asOf ?? settled
}

export const knownTime = async (w: Watching): Promise<Known> => {
  const present = await now(w.db)
  return { present, first: (await firstRecorded(w.db)) ?? present }
}

const reconcile =
  (w: Watching) =>
  async (call: Call): Promise<Reply> => {
    const read = takeParameters(call, reconcileDayParameters)
    if (!read.ok) return problemReply(read.problems)
    const p = read.value
    const [given] = p.date
    const site = siteNamed(p, undefined, { caller: call.caller, parties: w.parties })
    const known = await knownTime(w)
    const day = given ? readDay(given, known.present) : refuse([refusal('missing-parameter')])
    const asOf = readAsOf(p.asOf[0], known.present)
    const [moment] = p.asOf
    const told = asOf.ok && moment ? recorded(asOf.value, moment, known) : accept(undefined)
    if (!site.ok || !day.ok || !asOf.ok || !told.ok) return problemReply(problemsOf(site, day, asOf, told))
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

/** How the board shows the start page; handed in, so that the pages stay apart from the routes. */
export type StartView = (sites: readonly { readonly site: Site; readonly days: readonly string[] }[]) => string

/** Today and the week before, for each site that the caller works at. */
const startPage =
  (w: Watching, start: StartView) =>
  async (call: Call): Promise<Reply> => {
    const present = msOf(await now(w.db))
    const sites = sitesOfCaller(call, w.parties.sites).map((site) => {
      const days = [localDateOf(present, site.timeZone)]
      while (days.length < 8) days.push(previousDate(days.at(-1) ?? ''))
      return { site, days }
    })
    return { status: 200, body: start(sites), type: 'text/html; charset=utf-8' }
  }

export const watchFlowRoutes = (w: Watching, start: StartView): readonly Route[] => [
  {
    method: 'POST',
    url: '/fhir/$reconcile-day',
    may: ['clinic', 'operator'],
    step: 'watch-flow',
    fhir: { types: [], operation: 'reconcile-day' },
    handle: reconcile(w),
  },
  { method: 'GET', url: '/', may: ['clinic', 'operator'], step: 'watch-flow', page: true, handle: startPage(w, start) },
]
