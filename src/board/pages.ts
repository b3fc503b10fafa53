/** Pages for people: the start page and the evening, readable on a phone and on one printed page; no script. */
import { html, raw } from 'hono/html'
import { steps } from '../flow/steps.ts'
import type { Count } from '../flow/watch-flow/evening.ts'
import type { Site } from '../model/configuration.ts'
import { msOf } from '../model/instant.ts'
import { printInstant } from '../model/moment.ts'
import { caution, type EveningReport, type ReportRow } from './evening-report.ts'

type Markup = ReturnType<typeof html>

const style = raw(`
  body { font: 16px/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 62rem; padding: 1rem; color: #1a1a1a; background: #fff }
  h1 { font-size: 1.4rem; margin: 0.5rem 0 } h2 { font-size: 1.1rem; margin: 1.5rem 0 0.5rem }
  table { border-collapse: collapse; width: 100% } th, td { text-align: left; vertical-align: top; padding: 0.4rem; border-bottom: 1px solid #bbb }
  .open { font-weight: 600 } .mended { color: #555 } .small { color: #444; font-size: 0.85rem }
  @media (max-width: 40rem) { thead { display: none } tr { display: block; border-bottom: 2px solid #888; padding: 0.5rem 0 }
    td { display: block; border: 0; padding: 0.1rem 0 } td[data-name]::before { content: attr(data-name) ": "; color: #555 } }
  @media print { body { font-size: 10pt; max-width: none; padding: 0 } a { color: inherit; text-decoration: none } }
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

const row = (g: ReportRow): Markup => html`<tr class="${g.status}">
<td data-name="Gap">${g.gap}</td><td data-name="Severity">${g.severity}</td><td data-name="Order">${g.order ?? '–'}</td>
<td data-name="Recorder">${g.recorder ?? '–'}</td><td data-name="Since">${minutes(g.since)}</td>
<td data-name="State">${g.mended ? `mended ${minutes(g.mended)}` : g.final ? 'open' : 'open, not yet late'}</td><td data-name="Whose turn">${g.turn}</td><td data-name="What to do">${g.what}</td>
</tr>`

const table = (rows: readonly ReportRow[]): Markup =>
  rows.length === 0
    ? html`<p>Nothing is missing.</p>`
    : html`<table><thead><tr><th>Gap</th><th>Severity</th><th>Order</th><th>Recorder</th><th>Since</th><th>State</th><th>Whose turn</th><th>What to do</th></tr></thead>
<tbody>${rows.map(row)}</tbody></table>`

export const eveningPage = (r: EveningReport): string =>
  page(
    `${r.name}, ${r.date}`,
    html`<h1>${r.name}: evening of ${r.date}</h1>
<p>Cut-off ${r.cutOff}, ${r.timeZone}. As of ${localMinutes(r.asOf, r.timeZone)}, local time (${r.asOf}; time zone rules ${r.tzdata}).</p>
<h2>What is missing, and what was late</h2>
${table(r.gaps)}
<h2>What went well</h2>
<p>Linked in time: ${share(r.linked)}; ${r.linked.initial} applied that day.<br>Accepted in time by the reading services: ${share(r.taken)}.</p>
<p class="small">Issued: ${r.issued.length === 0 ? 'not yet' : r.issued.map((i, n) => html`${n > 0 ? ', ' : ''}<a href="?asOf=${i.asOf}">${i.moment} (${localMinutes(i.asOf, r.timeZone)})</a>`)}.
<a href="${r.date}.csv">CSV</a> <a href="${r.date}.json">JSON</a> <a href="/">All sites</a></p>`,
  )

export interface SiteDays {
  readonly site: Site
  /** Local dates, the newest first. */
  readonly days: readonly string[]
}

export const startPage = (sites: readonly SiteDays[]): string =>
  page(
    'Daybind',
    html`<h1>Daybind</h1><p>Every monitor tied to its patient before the day ends. The evening reports:</p>
${sites.map(
  ({ site, days }) => html`<h2>${site.name}</h2><ul>
${days.map((day) => html`<li><a href="/reports/day/${site.id}/${day}.html">${day}</a></li>`)}</ul>`,
)}
<h2>The flow</h2><ol>
${steps.map((s) => html`<li><strong>${s.name}</strong>: ${s.tells}</li>`)}</ol>
<p class="small"><a href="/fhir/metadata">CapabilityStatement</a></p>`,
  )
