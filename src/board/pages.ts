/** Pages for people: the start page and the evening, readable on a phone and on one printed page; no script. */
import { html, raw } from 'hono/html'
import { steps } from '../flow/steps.ts'
import type { Standing } from '../flow/watch-flow/difference.ts'
import type { Count } from '../flow/watch-flow/evening.ts'
import { needed } from '../flow/watch-flow/figures/control-chart.ts'
import type { Share } from '../flow/watch-flow/figures/share.ts'
import { daysBefore, type Figures } from '../flow/watch-flow/figures/trend.ts'
import type { Site } from '../model/configuration.ts'
import { msOf } from '../model/instant.ts'
import { printInstant } from '../model/moment.ts'
import { caution, type EveningReport, type ReportRow } from './evening-report.ts'
import type { EveningLine, SeveralEvenings } from './several-evenings.ts'
import { trendChart } from './trend-chart.ts'

type Markup = ReturnType<typeof html>

const style = raw(`
  body { font: 16px/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 72rem; padding: 1rem; color: #1a1a1a; background: #fff }
  h1 { font-size: 1.4rem; margin: 0.5rem 0 } h2 { font-size: 1.1rem; margin: 1.5rem 0 0.5rem }
  table { border-collapse: collapse; width: 100% } th, td { text-align: left; vertical-align: top; padding: 0.4rem; border-bottom: 1px solid #bbb }
  .open td[data-name=Gap], .open td[data-name=State] { font-weight: 600 } td[data-name=Gap], td[data-name=Order], td[data-name=Since] span, td[data-name=Day] { white-space: nowrap }
  @media (min-width: 40.01rem) { td[data-name="What to do"] { min-width: 15rem } } @media print { td[data-name="What to do"] { min-width: 55mm } }
  .mended { color: #555 } .small { color: #444; font-size: 0.85rem }
  @media (max-width: 40rem) { thead { display: none } tr { display: block; border-bottom: 2px solid #888; padding: 0.5rem 0 }
    td { display: block; border: 0; padding: 0.1rem 0 } td[data-name]::before { content: attr(data-name) ": "; color: #555 } }
  @media print { @page { size: A4; margin: 12mm } body { font-size: 8.5pt; line-height: 1.3; max-width: none; padding: 0 }
    h1 { font-size: 13pt; margin: 0 0 2mm } h2 { font-size: 10pt; margin: 3mm 0 1mm; break-after: avoid } p { margin: 0 0 1.5mm }
    th, td { padding: 0.7mm 1.2mm } thead { display: table-header-group } tr { break-inside: avoid } svg { max-height: 34mm }
    .small { font-size: 7.5pt } a { color: inherit; text-decoration: none } .screen { display: none } }
`)

const page = (title: string, body: Markup): string =>
  String(html`<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>${title}</title><style>${style}</style></head>
<body>${body}<p class="small">${caution}</p></body>
</html>
`)

/** `2026-11-25 18:00`: local minutes of the site are what people read. */
const minutes = (local: string): string => local.slice(0, 16).replace('T', ' ')

const localMinutes = (instant: string, zone: string): string => minutes(printInstant(msOf(instant), zone))

const share = (c: Count): string =>
  c.denominator === 0
    ? 'none due yet'
    : `${c.numerator} of ${c.denominator} (${((100 * c.numerator) / c.denominator).toFixed(1)} %)`

const percent = (value: number): string => `${(100 * value).toFixed(1)} %`

/** `75.0 % (95 %: 41.0 to 93.0 %)`: what few can tell is told with it. */
const shareText = (s: Share | undefined): string =>
  s === undefined ? '–' : `${percent(s.share)} (95 %: ${(100 * s.low).toFixed(1)} to ${percent(s.high)})`

/** `1 h 05 min`: seconds for people. */
export const spanText = (seconds: number | undefined): string => {
  if (seconds === undefined) return '–'
  const [hours, rest] = [Math.floor(Math.abs(seconds) / 3600), Math.abs(seconds) % 3600]
  const minutes = Math.floor(rest / 60)
  const sign = seconds < 0 ? '−' : ''
  if (hours > 0) return `${sign}${hours} h ${String(minutes).padStart(2, '0')} min`
  return minutes > 0 ? `${sign}${minutes} min` : `${sign}${Math.round(rest)} s`
}

const stateText = (g: ReportRow): string => {
  if (g.mended === undefined && g.status === 'mended') return 'answered in time, moved, or an error'
  if (g.mended === undefined) return g.final ? 'open' : 'open, not yet late'
  const { action = '', by, note } = g.closing ?? {}
  return `mended ${minutes(g.mended)}: ${action}${by === undefined ? '' : ` by ${by}`}${note === undefined ? '' : `, “${note}”`}`
}

const seenText = (g: ReportRow): string =>
  g.acknowledged.map((a) => `seen by ${a.by} ${minutes(a.at)}${a.note === undefined ? '' : `, “${a.note}”`}`).join('; ')

const row = (g: ReportRow): Markup => html`<tr class="${g.status}">
${g.change === undefined ? '' : html`<td data-name="Change">${g.change}</td>`}<td data-name="Gap">${g.gap}</td><td data-name="Severity">${g.severity}</td><td data-name="Order">${g.order ?? '–'}</td>
<td data-name="Recorder">${g.recorder ?? '–'}</td><td data-name="Since"><span>${minutes(g.since).slice(0, 10)}</span>${minutes(g.since).slice(10)}</td>
<td data-name="State">${stateText(g)}${g.acknowledged.length > 0 ? html`<br>${seenText(g)}` : ''}</td><td data-name="Whose turn">${g.turn}</td><td data-name="What to do">${g.status === 'mended' ? 'Nothing any more.' : g.what}</td>
</tr>`

const table = (rows: readonly ReportRow[], nothing: string): Markup =>
  rows.length === 0
    ? html`<p>${nothing}</p>`
    : html`<table><thead><tr>${rows[0]?.change === undefined ? '' : html`<th scope="col">Change</th>`}<th scope="col">Gap</th><th scope="col">Severity</th><th scope="col">Order</th><th scope="col">Recorder</th><th scope="col">Since</th><th scope="col">State</th><th scope="col">Whose turn</th><th scope="col">What to do</th></tr></thead>
<tbody>${rows.map(row)}</tbody></table>`

/** Open gaps that are no matter of lateness come first; the others are over, or can only be explained. */
const isMissing = (g: ReportRow): boolean => g.status === 'open' && g.gap !== 'late-link'

const standingText = (s: Standing): string =>
  `${s.open} open, ${s.mended} mended, ${s.linked.numerator} of ${s.linked.denominator} due linked in time`

const differencePart = (r: Pick<EveningReport, 'difference' | 'timeZone'>): Markup | '' =>
  r.difference === undefined
    ? ''
    : html`<p>Since ${localMinutes(r.difference.before.asOf, r.timeZone)}: before, ${standingText(r.difference.before)}; now, ${standingText(r.difference.after)}.</p>`

const wentWell = (r: EveningReport): Markup => {
  const { inTime } = r
  const times =
    inTime.links === 0 ? '' : ` Fastest ${spanText(inTime.fastest)} after switch-on, median ${spanText(inTime.median)}.`
  return html`<p>Linked in time: ${share(r.linked)}; ${r.linked.initial} applied that day.${times}<br>Accepted in time by the reading services: ${share(r.taken)}.</p>`
}

const placedText = ({ today, base }: Figures): string => {
  if (!base.enough)
    return `Too few days for limits: ${base.days} of ${needed.days} days and ${base.applications} of ${needed.applications} recorders in the ${daysBefore} days before.`
  const usual = `Usual here: ${percent(base.centre)}, by ${base.days} days before with ${base.applications} recorders.`
  if (today.limits === undefined) return `${usual} Nothing is due on this day yet.`
  const where = today.placed === 'usual' ? 'within' : today.placed
  return `${usual} This day is ${where} its limits (${percent(today.limits.low)} to ${percent(today.limits.high)}).`
}

/** Groups on one line, so that the page stays one page. */
const groupsText = (groups: readonly (readonly [string, { numerator: number; denominator: number }])[]): string =>
  groups.map(([name, g]) => `${name}: ${g.numerator} of ${g.denominator}`).join('; ')

const trend = ({ figures: f }: EveningReport): Markup => {
  const { month } = f
  const hours = f.byHour.map(
    (h) => [`${String(h.hour).padStart(2, '0')}–${String(h.hour + 1).padStart(2, '0')} h`, h] as const,
  )
  const chart = trendChart(f)
  return html`<p>${month.from} to ${month.to}: ${month.numerator} of ${month.denominator} linked in time, ${shareText(month.share)}. From switch-on to link: median ${spanText(month.delay.median)}, 90 % within ${spanText(month.delay.ninetyPercent)}. ${placedText(f)}</p>
${chart === undefined ? '' : html`${chart}<p class="small">Circle: a day within its limits. Black triangle: below them. Diamond: above them. Long dashes: the usual share. Dots: the limits of each day (three standard deviations).</p>`}
${hours.length === 0 ? '' : html`<p>In time by hour of switch-on: ${groupsText(hours)}.</p>`}
${f.byPerson === undefined || f.byPerson.length === 0 ? '' : html`<p>In time by person: ${groupsText(f.byPerson.map((p) => [p.person, p] as const))}.</p>`}`
}

const issuedText = (r: EveningReport): Markup | string =>
  r.issued.length === 0
    ? 'not yet'
    : html`${r.issued.map((i, n) => html`${n > 0 ? ', ' : ''}<a href="?asOf=${i.asOf}">${i.moment} (${localMinutes(i.asOf, r.timeZone)}${i.late ? `, late: it was due ${localMinutes(i.dueAt, r.timeZone)}` : ''})</a>, archive head ${i.head}`)}`

export const eveningPage = (r: EveningReport): string => {
  const [missing, others] = [r.gaps.filter(isMissing), r.gaps.filter((g) => !isMissing(g))]
  return page(
    `${r.name}, ${r.date}`,
    html`<h1>${r.name}: evening of ${r.date}</h1>
<p>${r.closed ? 'Closed on this day: no visit is expected, and nobody is told. ' : ''}Cut-off ${r.cutOff}, ${r.timeZone}. As of ${localMinutes(r.asOf, r.timeZone)}, local time (${r.asOf}; time zone rules ${r.tzdata}).</p>
${differencePart(r)}
<h2>What is missing</h2>
${table(missing, 'Nothing is missing.')}
${others.length === 0 ? '' : html`<h2>What was late, and what was mended</h2>${table(others, '')}`}
<h2>What went well</h2>
${wentWell(r)}
<h2>How this site does</h2>
${trend(r)}
<p class="small">Issued: ${issuedText(r)}.
<span class="screen"><a href="${r.date}.csv">CSV</a> <a href="${r.date}.json">JSON</a> <a href="/">All sites</a></span></p>`,
  )
}

const line = (l: EveningLine): Markup => html`<tr>
<td data-name="Site">${l.name}</td><td data-name="Day">${l.date}</td><td data-name="In time">${l.inTime} of ${l.due}</td><td data-name="Share">${shareText(l.share)}</td>
<td data-name="Median to link">${spanText(l.median)}</td><td data-name="90 % within">${spanText(l.ninetyPercent)}</td><td data-name="Open">${l.open}</td><td data-name="Mended">${l.mended}</td>
</tr>`

/** Days of a range, or sites of a day: a line each, then what is missing, evening by evening. */
export const severalPage = (s: SeveralEvenings): string => {
  const names = [...new Set(s.lines.map((l) => l.name))]
  const whose = names.length > 1 ? 'All sites' : (names[0] ?? '')
  const title = s.of === 'sites' ? `All sites: evening of ${s.from}` : `${whose}: ${s.from} to ${s.to}`
  return page(
    title,
    html`<h1>${title}</h1>
<p>As of ${s.asOf}${s.since === undefined ? '' : `; changes since ${s.since}`}. ${s.total.inTime} of ${s.total.due} due linked in time, ${shareText(s.total.share)}; ${s.total.open} open.</p>
<table><thead><tr><th scope="col">Site</th><th scope="col">Day</th><th scope="col">In time</th><th scope="col">Share</th><th scope="col">Median to link</th><th scope="col">90 % within</th><th scope="col">Open</th><th scope="col">Mended</th></tr></thead>
<tbody>${s.lines.map(line)}</tbody></table>
${s.evenings
  .filter((e) => e.gaps.length > 0)
  .map(
    (e) =>
      html`<h2><a href="/reports/day/${e.site}/${e.date}.html">${e.name}, ${e.date}</a></h2>${differencePart(e)}${table(e.gaps, '')}`,
  )}`,
  )
}

export interface SiteDays {
  readonly site: Site
  /** Local dates, the newest first. */
  readonly days: readonly string[]
}

export const startPage = (sites: readonly SiteDays[]): string =>
  page(
    'Daybind',
    html`<h1>Daybind</h1><p>Every monitor tied to its patient before the day ends. The evening reports:</p>
${sites.length > 1 ? html`<p><a href="/reports/day/all/${sites[0]?.days[0]}.html">All sites, ${sites[0]?.days[0]}</a></p>` : ''}
${sites.map(
  ({ site, days }) => html`<h2>${site.name}</h2><ul>
${days.map((day) => html`<li><a href="/reports/day/${site.id}/${day}.html">${day}</a></li>`)}
<li><a href="/reports/days/${site.id}/${days.at(-1)}..${days[0]}.html">these days together</a></li></ul>`,
)}
<h2>The flow</h2><ol>
${steps.map((s) => html`<li><strong>${s.name}</strong>: ${s.tells}</li>`)}</ol>
<p class="small"><a href="/fhir/metadata">CapabilityStatement</a></p>`,
  )
