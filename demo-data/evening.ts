/** The evening as the service issued it by itself: fetched, kept, and held against what was expected. */
import type { EveningReport } from '../src/board/evening-report.ts'
import { addSeconds } from '../src/model/instant.ts'
import type { Instant } from '../src/model/states.ts'
import { expectStatus, siteParameter } from './bedside.ts'
import { asResource } from './caller.ts'
import type { Deed, Happening } from './deeds.ts'
import {
  type ExpectedCount,
  type ExpectedEvening,
  type ExpectedGap,
  expectedEvenings,
  expectedNextMorning,
} from './expected.ts'
import type { SiteId } from './people.ts'
import { type Came, deskOf, type Scene } from './scene.ts'

const showCount = ({ initial, denominator, numerator }: ExpectedCount): string =>
  `${numerator} of ${denominator} due, ${initial} in all`

const countDiffers = (what: string, found: ExpectedCount, expected: ExpectedCount): readonly string[] =>
  showCount(found) === showCount(expected) ? [] : [`${what}: ${showCount(found)}; expected ${showCount(expected)}`]

const gapKey = ({ gap, order, recorder, status }: { readonly gap: string } & Omit<ExpectedGap, 'gap'>): string =>
  [gap, order, recorder, status].filter((part) => part !== undefined).join(' ')

/** What is on one list and not on the other; something twice counts twice. */
export const listsDiffer = (found: readonly string[], expected: readonly string[]): readonly string[] => {
  const missing = [...expected]
  const extra = found.filter((item) => {
    const at = missing.indexOf(item)
    if (at >= 0) missing.splice(at, 1)
    return at < 0
  })
  return [...missing.map((item) => `missing: ${item}`), ...extra.map((item) => `too many: ${item}`)]
}

/** Every difference between a report and what the day was built to contain. */
export const reportDiffers = (report: EveningReport, expected: ExpectedEvening): readonly string[] => [
  ...countDiffers('linked in time', report.linked, expected.linked),
  ...countDiffers('accepted in time', report.taken, expected.taken),
  ...listsDiffer(report.gaps.map(gapKey), expected.gaps.map(gapKey)),
  ...report.gaps.filter(({ final }) => !final).map((g) => `not final: ${gapKey(g)}`),
]

/** The report for people, as of a moment. */
const reportPath = (site: SiteId, date: string, asOf?: Instant): string =>
  `/reports/day/${site}/${date}.json${asOf === undefined ? '' : `?asOf=${encodeURIComponent(asOf)}`}`

export const issuedOn = async (scene: Scene, site: SiteId, date: string): Promise<EveningReport['issued']> => {
  const answer = await scene.call('operator', 'GET', reportPath(site, date))
  return (answer.body as Partial<EveningReport> | undefined)?.issued ?? []
}

/** The Bundle of `$reconcile-day`, as text. */
export const reconciled = async (scene: Scene, site: SiteId, asOf: Instant) =>
  scene.call(deskOf[site], 'POST', '/fhir/$reconcile-day', {
    resourceType: 'Parameters',
    parameter: [
      siteParameter(site),
      { name: 'date', valueDate: scene.calendar.day },
      { name: 'asOf', valueInstant: asOf },
    ],
  })

export const keepEvening = async (
  scene: Scene,
  { moment }: Extract<Deed, { do: 'evening' }>,
  { place }: Happening,
): Promise<Came> => {
  if (place === 'pebble') throw new Error('a reading service has no evening')
  const { day } = scene.calendar
  const asOf = (await issuedOn(scene, place, day)).find((issued) => issued.moment === moment)?.asOf
  if (asOf === undefined) return { wrong: [`no evening was issued at ${place}'s ${moment}`] }
  const answer = await scene.call(deskOf[place], 'GET', reportPath(place, day, asOf))
  const sealed = await reconciled(scene, place, asOf)
  const wrong = [...expectStatus(answer, 200), ...expectStatus(sealed, 200)]
  if (wrong.length > 0) return { wrong }
  const report = answer.body as EveningReport
  const evening = { site: place, moment, asOf, report, sealed: sealed.text }
  scene.evenings.push(evening)
  return { evening, wrong: [] }
}

export const compareEvening = async (scene: Scene, { place }: Happening): Promise<Came> => {
  const kept = scene.evenings.find((e) => e.site === place && e.moment === 'cut-off')
  if (place === 'pebble' || kept === undefined) return { wrong: [`${place} has no evening to compare`] }
  const { day } = scene.calendar
  const [before, now] = [
    await scene.call(deskOf[place], 'GET', reportPath(place, day, kept.asOf)),
    await scene.call(deskOf[place], 'GET', reportPath(place, day)),
  ]
  const wrong = [...expectStatus(before, 200), ...expectStatus(now, 200)]
  if (wrong.length > 0) return { wrong }
  const compared = { before: before.body as EveningReport, now: now.body as EveningReport }
  const moved = [
    ...reportDiffers(compared.before, expectedEvenings[place]['cut-off']).map((text) => `as of the cut-off: ${text}`),
    ...reportDiffers(compared.now, expectedNextMorning).map((text) => `as of the next morning: ${text}`),
  ]
  return { compared, wrong: moved }
}

/** Content alone: neither the moment as of which it is told nor the id that follows from it. */
const withoutMoment = (text: string, asOf: Instant): string => {
  const id = asResource(JSON.parse(text), 'Bundle')?.entry?.[0]?.resource?.id ?? ''
  return text.replaceAll(asOf, 'T').replaceAll(id, 'ID')
}

/**
 * Sealed bytes are given out again as they are; and what is computed anew from the journal, as of a millisecond after
 * the sealed moment, is the same to the byte but for that moment.
 */
export const evenlyRecomputed = async (scene: Scene): Promise<readonly string[]> => {
  const differences: string[] = []
  for (const { site, moment, asOf, sealed } of scene.evenings) {
    const after = addSeconds(asOf, 0.001)
    const [again, anew] = [await reconciled(scene, site, asOf), await reconciled(scene, site, after)]
    if (again.text !== sealed) differences.push(`${site} ${moment}: the sealed report has other bytes now`)
    if (withoutMoment(anew.text, after) !== withoutMoment(sealed, asOf))
      differences.push(`${site} ${moment}: computed anew, the report says something else`)
  }
  return differences
}

export const eveningsDiffer = (scene: Scene, site: SiteId, moment: 'cut-off' | 'day-end'): readonly string[] => {
  const kept = scene.evenings.find((e) => e.site === site && e.moment === moment)
  return kept === undefined ? ['there is no report'] : reportDiffers(kept.report, expectedEvenings[site][moment])
}
