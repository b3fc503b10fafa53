/** What the entries of a site's calendar do not show one by one. */
import { at, type Entry, listAt, textAt } from './entries.ts'
import { type Refused, show, valueAt } from './mistakes.ts'

/** The entries of a cut-off by days. */
export const cutOffsOf = (raw: unknown, site: Entry): Entry[] => listAt(raw, [...site.path, 'cutOff'])

const daysOf = (rule: Entry): readonly unknown[] => {
  const on = valueAt(rule.value, ['on'])
  return Array.isArray(on) ? on : ['every day']
}

/** Two entries for the same day from the same date: neither would be the one that counts. */
const twoForADay = (rules: readonly Entry[]): Refused[] =>
  rules.flatMap((rule, n) => {
    const [from, days] = [textAt(rule, 'from'), daysOf(rule)]
    const before = rules
      .slice(0, n)
      .findIndex((r) => textAt(r, 'from') === from && daysOf(r).some((d) => days.includes(d)))
    const shared = before < 0 ? undefined : daysOf(rules[before] as Entry).find((d) => days.includes(d))
    if (shared === undefined) return []
    const since = from === undefined ? '' : ` from ${from}`
    return [
      {
        path: rule.path,
        text: `found ${shared}${since} as in cutOff[${before}], expected one entry for a day and "from"`,
      },
    ]
  })

/** A date before the entry's own beginning. */
const neverCounts = (rules: readonly Entry[]): Refused[] =>
  rules.flatMap((rule) => {
    const from = textAt(rule, 'from')
    return listAt(rule.value, ['on']).flatMap(({ value, path }) =>
      from !== undefined && typeof value === 'string' && /^\d/.test(value) && value < from
        ? [{ path: [...rule.path, ...path], text: `found ${show(value)}, expected no date before "from"` }]
        : [],
    )
  })

const movesOutOfOrder = (zones: readonly Entry[]): Refused[] =>
  zones.flatMap((entry, n) => {
    const [from, before] = [textAt(entry, 'from'), textAt(zones[n - 1] ?? entry, 'from') ?? '']
    if (n === 0)
      return from === undefined
        ? []
        : [at(entry, 'from', 'expected no "from" in the first zone: it counts for all days before')]
    if (from === undefined) return [at(entry, 'from', 'missing, expected the date from which this zone counts')]
    return from > before ? [] : [at(entry, 'from', `found ${show(from)}, expected a date after ${before}`)]
  })

const openAndClosed = (raw: unknown, site: Entry): Refused[] => {
  const closed = listAt(raw, [...site.path, 'closed']).map(({ value }) => value)
  return listAt(raw, [...site.path, 'open']).flatMap(({ value, path }) =>
    closed.includes(value) ? [{ path, text: `found ${show(value)} in "closed" too, expected it in one of them` }] : [],
  )
}

export const calendarMistakes = (raw: unknown): Refused[] =>
  listAt(raw, ['sites']).flatMap((site) => {
    const rules = cutOffsOf(raw, site)
    return [
      ...twoForADay(rules),
      ...neverCounts(rules),
      ...movesOutOfOrder(listAt(raw, [...site.path, 'timeZone'])),
      ...openAndClosed(raw, site),
    ]
  })
