/** The trend of a site as a small chart: SVG inside the page, told apart by shapes and dashes, readable in grey. */
import { html } from 'hono/html'
import type { DayFigures, Figures } from '../flow/watch-flow/figures/trend.ts'

type Markup = ReturnType<typeof html>

const box = { width: 640, height: 132, left: 44, right: 8, top: 8, bottom: 22 } as const

const percent = (value: number): string => `${(100 * value).toFixed(1)} %`

const y = (share: number): string => (box.top + (1 - share) * (box.height - box.top - box.bottom)).toFixed(1)

const xOf = (count: number) => {
  const step = (box.width - box.left - box.right) / Math.max(1, count)
  return { step, middle: (n: number) => box.left + (n + 0.5) * step }
}

/** A circle lies between the limits, a triangle points down below them, a diamond lies above them. */
const mark = (x: number, { share, placed }: DayFigures): Markup => {
  const [at, height] = [x.toFixed(1), y(share?.share ?? 0)]
  const [cx, cy] = [Number(at), Number(height)]
  if (placed === 'below') return html`<path d="M${cx - 6} ${cy - 5}h12l-6 11z" fill="#000"/>`
  if (placed === 'above')
    return html`<path d="M${cx} ${cy - 7}l6 7l-6 7l-6 -7z" fill="#fff" stroke="#000" stroke-width="2"/>`
  return html`<circle cx="${at}" cy="${height}" r="3.5" fill="#fff" stroke="#000" stroke-width="1.5"/>`
}

/** A short line over each day at its own limit: days with few have wide ones. */
const limitLines = (f: Figures, pick: (d: DayFigures) => number | undefined): string => {
  const { step, middle } = xOf(f.days.length)
  return f.days
    .flatMap((d, n) => {
      const value = pick(d)
      return value === undefined ? [] : [`M${(middle(n) - step / 2).toFixed(1)} ${y(value)}h${step.toFixed(1)}`]
    })
    .join('')
}

const told = (d: DayFigures): string =>
  `${d.day}: ${d.numerator} of ${d.denominator}${d.placed === 'below' || d.placed === 'above' ? `, ${d.placed} the limits` : ''}`

/** What a screen reader says in place of the picture. */
export const chartWords = (f: Figures): string => {
  const due = f.days.filter((d) => d.denominator > 0)
  const outside = due.filter((d) => d.placed === 'below' || d.placed === 'above')
  const base = f.base.enough
    ? `Centre line ${percent(f.base.centre)}. ${outside.length === 0 ? 'No day lies outside its limits.' : `Outside the limits: ${outside.map(told).join('; ')}.`}`
    : 'Too few days for limits.'
  return `${due.length} of ${f.days.length} days had recorders due. ${base}`
}

/** Undefined where no day has anything to show. */
export const trendChart = (f: Figures): Markup | undefined => {
  if (f.days.every((d) => d.denominator === 0)) return undefined
  const { middle } = xOf(f.days.length)
  const right = box.width - box.right
  const grid = [0, 0.5, 1].map(
    (share) => html`<path d="M${box.left} ${y(share)}H${right}" stroke="#bbb" stroke-width="1"/>
<text x="${box.left - 6}" y="${Number(y(share)) + 4}" text-anchor="end" font-size="11">${100 * share} %</text>`,
  )
  const centre = f.base.enough
    ? html`<path d="M${box.left} ${y(f.base.centre)}H${right}" stroke="#000" stroke-width="1.5" stroke-dasharray="8 4"/>
<path d="${limitLines(f, (d) => d.limits?.low)}${limitLines(f, (d) => d.limits?.high)}" fill="none" stroke="#000" stroke-width="1" stroke-dasharray="2 2"/>`
    : ''
  return html`<svg viewBox="0 0 ${box.width} ${box.height}" width="100%" role="img" aria-labelledby="trend-title trend-words">
<title id="trend-title">Linked in time, by day</title><desc id="trend-words">${chartWords(f)}</desc>
${grid}${centre}${f.days.map((d, n) => (d.denominator === 0 ? '' : mark(middle(n), d)))}
<text x="${box.left}" y="${box.height - 6}" font-size="11">${f.days[0]?.day ?? ''}</text>
<text x="${right}" y="${box.height - 6}" text-anchor="end" font-size="11">${f.days.at(-1)?.day ?? ''}</text>
</svg>`
}
