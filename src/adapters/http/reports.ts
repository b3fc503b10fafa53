/** Evening reports for people and spreadsheets: a day of a site, a range of days, all sites of a day. */
import { type AskedMoments, most, readDays, readMoments, readReportDay } from '../../flow/watch-flow/asked-report.ts'
import type { Evening } from '../../flow/watch-flow/evening.ts'
import type { Figures } from '../../flow/watch-flow/figures/trend.ts'
import type { Site } from '../../model/configuration.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { Instant } from '../../model/states.ts'
import { eveningAsOf, issuedMoments, labelsOf, type Watching } from '../postgres/evenings.ts'
import { figuresAsOf } from '../postgres/figures.ts'
import { type Call, problemReply, queryValue, type Reply, type Route, sitesOfCall } from './call.ts'
import { knownTime, settle } from './watch-flow.ts'

/** What a report is made from. */
export interface ToldEvening {
  readonly evening: Evening
  readonly before?: Evening
  readonly labels: Awaited<ReturnType<typeof labelsOf>>
  readonly issued: Awaited<ReturnType<typeof issuedMoments>>
}

type Form = 'json' | 'csv' | 'html'

/** How the board shows evenings; handed in, so that the pages stay apart from the routes. */
export interface ReportViews {
  readonly one: (told: ToldEvening, figures: Figures) => Readonly<Record<Form, () => string>>
  readonly several: (
    of: 'days' | 'sites',
    told: readonly ToldEvening[],
    asOf: Instant,
    since: Instant | undefined,
  ) => Readonly<Record<Form, () => string>>
}

const types: Readonly<Record<Form, string>> = { json: 'application/json', csv: 'text/csv', html: 'text/html' }

const tell = async (
  w: Watching,
  site: Site,
  day: string,
  asOf: Instant,
  since: Instant | undefined,
): Promise<ToldEvening> => {
  const evening = await eveningAsOf(w, site, day, asOf)
  const before = since === undefined ? undefined : await eveningAsOf(w, site, day, since)
  return {
    evening,
    ...(before && { before }),
    labels: await labelsOf(w.db, evening, before),
    issued: await issuedMoments(w.db, site.id, day, asOf),
  }
}

/** One after the other: however many are asked for, one connection works for them. */
const tellAll = async (
  w: Watching,
  sites: readonly Site[],
  days: readonly string[],
  asOf: Instant,
  since: Instant | undefined,
): Promise<readonly ToldEvening[]> => {
  const told: ToldEvening[] = []
  for (const site of sites) for (const day of days) told.push(await tell(w, site, day, asOf, since))
  return told
}

interface Asked extends AskedMoments {
  readonly sites: readonly Site[]
  readonly days: readonly string[]
  readonly as: 'one' | 'days' | 'sites'
  readonly form: Form
}

const fileOf = (call: Call): readonly [string, Form] | undefined => {
  const [, name = '', form] = /^(.*)\.(json|csv|html)$/.exec(call.params.file ?? '') ?? []
  return form === undefined ? undefined : [name, form as Form]
}

const readAsked =
  (range: boolean) =>
  async (w: Watching, call: Call): Promise<Checked<Asked>> => {
    const [where, file] = [sitesOfCall(call, w.parties.sites), fileOf(call)]
    if (!where.ok) return where
    if (file === undefined)
      return refuse([
        refusal('not-known', '', {
          found: call.params.file,
          expected: range ? 'FROM..TO.json, .csv or .html' : 'DATE.json, .csv or .html',
        }),
      ])
    const [name, form] = file
    const known = await knownTime(w)
    const one = range ? undefined : readReportDay(name, 'http.date', known.present)
    const days = one === undefined ? readDays(name, known.present) : one.ok ? accept([one.value]) : one
    const moments = readMoments({ asOf: queryValue(call, 'asOf'), since: queryValue(call, 'since') }, known)
    if (!days.ok || !moments.ok) return refuse(problemsOf(days, moments))
    const { sites, together } = where.value
    const evenings = sites.length * days.value.length
    if (evenings > most.evenings)
      return refuse([
        refusal('too-much-asked', '', {
          found: `${evenings} evenings`,
          expected: `at most ${most.evenings}: fewer days, or site by site`,
          location: 'http.site',
        }),
      ])
    const as = range ? 'days' : together ? 'sites' : 'one'
    return accept({ ...moments.value, sites, days: days.value, as, form })
  }

const report =
  (w: Watching, views: ReportViews, range: boolean) =>
  async (call: Call): Promise<Reply> => {
    const read = await readAsked(range)(w, call)
    if (!read.ok) return problemReply(read.problems)
    const { sites, days, as, form, since } = read.value
    const asOf = await settle(w, read.value.asOf)
    const told = await tellAll(w, sites, days, asOf, since)
    const [first] = told
    const shown =
      as === 'one' && first !== undefined
        ? views.one(first, await figuresAsOf(w.db, first.evening))
        : views.several(as === 'one' ? 'sites' : as, told, asOf, since)
    return { status: 200, body: shown[form](), type: `${types[form]}; charset=utf-8` }
  }

const route = (w: Watching, views: ReportViews, url: string, range: boolean): Route => ({
  method: 'GET',
  url,
  query: ['asOf', 'since'],
  may: ['clinic', 'operator'],
  step: 'watch-flow',
  page: true,
  find: async (call) => problemsOf(sitesOfCall(call, w.parties.sites)),
  handle: report(w, views, range),
})

export const reportRoutes = (w: Watching, views: ReportViews): readonly Route[] => [
  route(w, views, '/reports/day/:site/:file', false),
  route(w, views, '/reports/days/:site/:file', true),
]
