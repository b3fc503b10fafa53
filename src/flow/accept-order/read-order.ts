/** Reading what matters of an order: its site, patient, codes, visit day and wear; all problems at once. */
import type { Identifier, Location, ServiceRequest } from 'fhir/r4.js'
import type { Coding, Parties, Site, Source } from '../../model/configuration.ts'
import { localDateOf } from '../../model/local-day.ts'
import { readMoment } from '../../model/moment.ts'
import { accept, type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import { systems } from '../../model/systems.ts'
import { type Incoming, placesOf } from './incoming.ts'

export interface OrderReading {
  readonly site: Site
  readonly codes: readonly Coding[]
  readonly visitDay?: string
  readonly wear: string
}

const sameName = (a: Identifier, b: { system: string; value: string }): boolean =>
  a.system === b.system && a.value === b.value

const siteSystems = (parties: Parties): ReadonlySet<string> =>
  new Set([systems.sites, ...parties.sites.map((s) => s.identifier.system)])

/** The identifiers of the places that the order names, by themselves or through a Location that is known. */
const placesNamed = (order: ServiceRequest, location: (reference: string) => Location | undefined) =>
  (order.locationReference ?? []).flatMap((ref, i) => [
    ...(ref.identifier ? [{ identifier: ref.identifier, at: `locationReference[${i}].identifier` }] : []),
    ...(ref.reference !== undefined ? (location(ref.reference)?.identifier ?? []) : []).map((identifier) => ({
      identifier,
      at: `locationReference[${i}]`,
    })),
  ])

const siteOf = (
  incoming: Incoming,
  order: ServiceRequest,
  source: Source,
  parties: Parties,
  location: (reference: string) => Location | undefined,
  allowed: readonly string[] | undefined,
): Site | Problem => {
  const ours = siteSystems(parties)
  // a site at which the caller does not work is as unknown as any other
  const sites = parties.sites.filter((s) => allowed?.includes(s.id) ?? true)
  const named = placesNamed(order, location).filter((p) => ours.has(p.identifier.system ?? ''))
  const first = named[0]
  if (first !== undefined) {
    const site = sites.find((s) => sameName(first.identifier, s.identifier))
    return (
      site ??
      refusal('unknown-site', placesOf(incoming, first.at), {
        found: `${first.identifier.system}|${first.identifier.value}`,
        expected: sites.map((s) => `${s.identifier.system}|${s.identifier.value}`).join(' or '),
      })
    )
  }
  const byDefault = source.site ?? (parties.sites.length === 1 ? parties.sites[0]?.id : undefined)
  return (
    sites.find((s) => s.id === byDefault) ??
    refusal('no-site', placesOf(incoming, 'locationReference'), {
      expected: `an identifier in the system ${[...ours].join(' or ')}`,
    })
  )
}

const hours = (from: string, until: string): string | undefined => {
  const [a, b] = [Date.parse(from), Date.parse(until)]
  return Number.isNaN(a) || Number.isNaN(b) || b <= a ? undefined : `PT${Math.round((b - a) / 3_600_000)}H`
}

/** Seconds of the UCUM units of time; a month is a twelfth of 365.25 days. Source: https://ucum.org/ucum, mo is mo_j. */
const ucum: Readonly<Record<string, number>> = { min: 60, h: 3600, d: 86_400, wk: 604_800, mo: 2_629_800 }

const boundsDuration = (value?: number | object, code?: string): string | undefined => {
  const amount = Number(typeof value === 'object' ? (value as { rawJSON?: string }).rawJSON : value)
  const seconds = Math.round(amount * (ucum[code ?? ''] ?? Number.NaN))
  if (!(seconds > 0) || seconds >= 1e9) return undefined
  return seconds % 86_400 === 0 ? `P${seconds / 86_400}D` : `PT${seconds}S`
}

/** A date is the site's local day; a dateTime with offset lies in one. */
const dayOf = (text: string | undefined, site: Site): string | undefined => {
  if (text === undefined) return undefined
  if (/^\d{4}-\d{2}-\d{2}$/.test(text)) return text
  const moment = readMoment(text, '')
  return moment.ok ? localDateOf(moment.value.ms, site.timeZone) : undefined
}

const occurrenceOf = (order: ServiceRequest, site: Site): { visitDay?: string; wear: string } => {
  const bounds = order.occurrenceTiming?.repeat
  const period = order.occurrencePeriod ?? bounds?.boundsPeriod
  const visitDay = dayOf(period?.start ?? order.occurrenceDateTime, site)
  const wear =
    (period?.start !== undefined && period.end !== undefined ? hours(period.start, period.end) : undefined) ??
    boundsDuration(bounds?.boundsDuration?.value, bounds?.boundsDuration?.code) ??
    site.wear
  return { ...(visitDay !== undefined && { visitDay }), wear }
}

const codesOf = (order: ServiceRequest): readonly Coding[] =>
  (order.code?.coding ?? []).flatMap((c) =>
    c.system !== undefined && c.code !== undefined ? [{ system: c.system, code: c.code }] : [],
  )

/**
 * Refused with `code-not-taken`, `unknown-site` or `no-site`.
 * @param allowed ids of the sites at which the caller works; absent: all
 */
export const readOrder = (
  incoming: Incoming,
  order: ServiceRequest,
  source: Source,
  parties: Parties,
  location: (reference: string) => Location | undefined,
  allowed?: readonly string[],
): Checked<OrderReading> => {
  const codes = codesOf(order)
  const problems: Problem[] = []
  if (!codes.some((c) => source.takes.some((t) => t.system === c.system && t.code === c.code)))
    problems.push(
      refusal('code-not-taken', placesOf(incoming, 'code'), {
        found: codes.map((c) => `${c.system}|${c.code}`).join(', ') || 'no coding',
        expected: source.takes.map((t) => `${t.system}|${t.code}`).join(' or '),
      }),
    )
  if (order.doNotPerform === true)
    problems.push(
      refusal('do-not-perform', placesOf(incoming, 'doNotPerform'), { found: true, expected: 'false, or absent' }),
    )
  const site = siteOf(incoming, order, source, parties, location, allowed)
  if ('severity' in site) return refuse([...problems, site])
  if (problems.length > 0) return refuse(problems)
  return accept({ site, codes, ...occurrenceOf(order, site) })
}
