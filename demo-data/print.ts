/** How the story, the reports and the checks look in a terminal: text alone, at most 100 columns. */
import type { EveningReport } from '../src/board/evening-report.ts'
import type { Check } from './checks.ts'
import type { Place } from './deeds.ts'

export type Print = (line: string) => void

const width = 100

/** Words in lines of at most `columns`. */
export const wrapped = (text: string, columns: number): readonly string[] => {
  const lines: string[] = []
  let line = ''
  for (const word of text.split(' ')) {
    if (line !== '' && line.length + 1 + word.length > columns) {
      lines.push(line)
      line = word
    } else line = line === '' ? word : `${line} ${word}`
  }
  return [...lines, line]
}

const indented = (print: Print, first: string, text: string): void => {
  const rest = ' '.repeat(first.length)
  for (const [i, line] of wrapped(text, width - first.length).entries()) print(`${i === 0 ? first : rest}${line}`)
}

const placeNames: Readonly<Record<Place, string>> = {
  'tern-harbour': 'Tern Harbour',
  'quarry-lane': 'Quarry Lane',
  pebble: 'Pebble',
}

export const printHeading = (print: Print, text: string): void => {
  print('')
  print(`── ${text} ${'─'.repeat(Math.max(0, width - text.length - 4))}`)
}

/** One thing that happened, and what the service said to it. */
export const printHappening = (print: Print, time: string, place: Place, tells: string, said?: string): void => {
  indented(print, `${time}  ${placeNames[place].padEnd(13)}`, tells)
  if (said !== undefined) indented(print, `${' '.repeat(20)}→ `, said)
}

export const printWrong = (print: Print, wrong: readonly string[]): void => {
  for (const text of wrong) indented(print, `${' '.repeat(20)}✗ `, text)
}

type Row = readonly string[]

const table = (print: Print, header: Row, rows: readonly Row[]): void => {
  const widths = header.map((title, i) =>
    Math.max(...[header, ...rows].map((row) => row[i]?.length ?? 0), title.length),
  )
  const lineOf = (row: Row) => `  ${row.map((cell, i) => cell.padEnd(widths[i] ?? 0)).join('  ')}`.trimEnd()
  print(lineOf(header))
  print(lineOf(widths.map((w) => '─'.repeat(w))))
  for (const row of rows) print(lineOf(row))
}

const share = ({ numerator, denominator }: EveningReport['linked']): string =>
  denominator === 0
    ? 'none due yet'
    : `${numerator} of ${denominator} (${((100 * numerator) / denominator).toFixed(1)} %)`

/** Local time of a report's moments, `HH:mm`. */
const clockTime = (written: string | undefined): string => written?.slice(11, 16) ?? ''

/**
 * The report of an evening, with what to do for each kind of gap in it.
 * @param told kinds of gaps that an earlier report explained; this one's are added
 */
export const printEvening = (
  print: Print,
  r: EveningReport,
  moment: 'cut-off' | 'day-end',
  told: Set<string>,
): void => {
  print('')
  const when = moment === 'cut-off' ? `at the cut-off, ${r.cutOff}` : 'at the end of the day'
  print(`  ${r.name} · ${r.date} · ${when} (${r.timeZone})`)
  print(
    `  Linked in time: ${share(r.linked)}; applied: ${r.linked.initial}. Accepted in time by Pebble: ${share(r.taken)}.`,
  )
  print('')
  table(
    print,
    ['Gap', 'Severity', 'Order', 'Recorder', 'Since', 'State', 'Whose turn'],
    r.gaps.map((g) => [
      g.gap,
      g.severity,
      g.order ?? '–',
      g.recorder ?? '–',
      clockTime(g.since),
      g.mended === undefined ? g.status : `mended ${clockTime(g.mended)}`,
      g.turn,
    ]),
  )
  const explained = r.gaps.filter(({ gap }, i) => !told.has(gap) && r.gaps.findIndex((g) => g.gap === gap) === i)
  if (explained.length > 0) print('')
  for (const { gap, what } of explained) indented(print, `  ${gap.padEnd(24)}`, what)
  for (const { gap } of explained) told.add(gap)
  print('')
}

const stateOf = (gap: EveningReport['gaps'][number] | undefined): string => {
  if (gap === undefined) return '–'
  return gap.mended === undefined ? gap.status : `mended ${clockTime(gap.mended)}`
}

/** The report of one day as of two moments: what was known then stays what was known then. */
export const printCompared = (
  print: Print,
  { before, now }: { readonly before: EveningReport; readonly now: EveningReport },
): void => {
  const known = new Map(before.gaps.map((g) => [g.id, g]))
  const rows = [...now.gaps, ...before.gaps.filter((g) => !now.gaps.some(({ id }) => id === g.id))]
  const local = (r: EveningReport) =>
    new Intl.DateTimeFormat('sv', { dateStyle: 'short', timeStyle: 'short', timeZone: r.timeZone }).format(
      new Date(r.asOf),
    )
  print('')
  table(
    print,
    ['Gap', 'Order', 'Recorder', `As of ${local(before)}`, `As of ${local(now)}`],
    rows.map((g) => [
      g.gap,
      g.order ?? '–',
      g.recorder ?? '–',
      stateOf(known.get(g.id)),
      stateOf(now.gaps.find(({ id }) => id === g.id)),
    ]),
  )
  print(`  Linked in time: then ${share(before.linked)}, now ${share(now.linked)}.`)
  print('')
}

export const printChecks = (print: Print, checks: readonly Check[]): void => {
  printHeading(print, 'Was that the day that it was built to be?')
  for (const { check, ok, differs } of checks) {
    indented(print, ok ? '  ✓ ' : '  ✗ ', check)
    for (const text of differs) indented(print, '      ', text)
  }
}
