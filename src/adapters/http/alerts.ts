/** watch-flow over HTTP: what alerts of a day would be sent to whom, and why others are not told. Nothing is sent. */
import { alertMessage, alertWords } from '../../flow/watch-flow/alerts/message.ts'
import { type Played, type Preview, previewMoments, previewOf } from '../../flow/watch-flow/alerts/preview.ts'
import { readDay } from '../../flow/watch-flow/reconcile-day.ts'
import type { Recipient, Site } from '../../model/configuration.ts'
import { instantOf, msOf } from '../../model/instant.ts'
import { zoneAt } from '../../model/local-day.ts'
import { printInstant, readMoment } from '../../model/moment.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { GapState, Instant } from '../../model/states.ts'
import { now } from '../clock.ts'
import { openOnOtherDays, toldGaps } from '../postgres/alerts.ts'
import { eveningAsOf, labelsOf, type Watching } from '../postgres/evenings.ts'
import { type Call, json, problemReply, queryValue, type Reply, type Route } from './call.ts'

interface Asked {
  readonly site: Site
  readonly day: string
  readonly at: Instant
}

const siteIn = (w: Watching, call: Call): Checked<Site> => {
  const found = queryValue(call, 'site')
  const site = w.parties.sites.find((s) => s.id === found)
  const expected = w.parties.sites.map((s) => s.id).join(', ')
  return site
    ? accept(site)
    : refuse([
        refusal('wrong-parameter', '', { ...(found !== undefined && { found }), expected, location: 'http.site' }),
      ])
}

const atLocation = <T>(read: Checked<T>, location: string): Checked<T> =>
  read.ok ? read : refuse(read.problems.map((p) => ({ ...p, location })))

const readAt = (text: string | undefined, present: Instant): Checked<Instant> => {
  if (text === undefined) return accept(present)
  const read = readMoment(text, '')
  return read.ok ? accept(instantOf(read.value.ms)) : read
}

const readAsked = (w: Watching, call: Call, present: Instant): Checked<Asked> => {
  const site = siteIn(w, call)
  const day = atLocation(readDay({ value: queryValue(call, 'date') ?? '', at: '' }, present), 'http.date')
  const at = atLocation(readAt(queryValue(call, 'at'), present), 'http.at')
  if (!site.ok || !day.ok || !at.ok) return refuse(problemsOf(site, day, at))
  return accept({ site: site.value, day: day.value, at: at.value })
}

/** The gaps of the day as of each moment, by what is known as of `at` at most; those of other days as they are. */
const gapsByMoment = async (
  w: Watching,
  { site, day, at }: Asked,
  moments: readonly Instant[],
): Promise<ReadonlyMap<Instant, readonly GapState[]>> => {
  const others = await openOnOtherDays(w.db, site.id, day)
  const gaps = new Map<Instant, readonly GapState[]>()
  for (const moment of moments) {
    const evening = await eveningAsOf(w, site, day, moment, moment < at ? moment : at)
    gaps.set(moment, [...evening.gaps, ...others.filter((g) => g.since <= moment)])
  }
  return gaps
}

const waysOf = (recipients: ReadonlyMap<string, Recipient>, id: string): string => {
  const { webhook, fhir } = recipients.get(id) ?? {}
  return webhook ? 'webhook' : fhir === undefined ? 'email' : `FHIR at ${fhir}`
}

const momentJson = async (w: Watching, publicUrl: string, played: Played, asked: Asked, by: string) => {
  const { digest, recipient, rules, dueAt, sendAt, silent } = played
  const local = (instant: Instant) =>
    printInstant(msOf(instant), zoneAt(msOf(instant), asked.site.timeZone)).replace(/\.\d+/, '')
  const labels = await labelsOf(w.db, { gaps: digest?.sites.flatMap((s) => s.gaps.map((g) => g.gap)) ?? [] })
  const message = digest && alertMessage(digest, publicUrl, labels)
  return {
    recipient,
    by,
    rules,
    dueAt: local(dueAt),
    sendAt: local(sendAt),
    notTold: silent,
    ...(message && { subject: alertWords(message).subject, message }),
  }
}

const preview =
  (w: Watching, publicUrl: () => string) =>
  async (call: Call): Promise<Reply> => {
    const read = readAsked(w, call, await now(w.db))
    if (!read.ok) return problemReply(read.problems)
    const asked = read.value
    const recipients = new Map((w.parties.recipients ?? []).map((r) => [r.id, r]))
    const moments = previewMoments({ ...asked, recipients })
    const gaps = await gapsByMoment(w, asked, moments)
    const ids = [...new Set([...gaps.values()].flat().map((g) => g.id))]
    const before = moments[0] ?? asked.at
    const told = new Map<string, Awaited<ReturnType<typeof toldGaps>>>()
    for (const id of recipients.keys()) told.set(id, await toldGaps(w.db, id, ids, before))
    const played: Preview = previewOf({ ...asked, recipients, told, gapsAt: (m) => gaps.get(m) ?? [] })
    const shown = []
    for (const m of played.moments)
      shown.push(await momentJson(w, publicUrl(), m, asked, waysOf(recipients, m.recipient)))
    const { site, day, at } = asked
    return json(200, {
      site: site.id,
      name: site.name,
      date: day,
      asOf: at,
      moments: shown,
      without: played.without,
    })
  }

export const alertRoutes = (w: Watching, publicUrl: () => string): readonly Route[] => [
  {
    method: 'GET',
    url: '/alerts/preview',
    query: ['site', 'date', 'at'],
    may: ['operator'],
    step: 'operate',
    handle: preview(w, publicUrl),
  },
]
