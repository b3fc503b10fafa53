/**
 * What a recipient is told at a moment: the open gaps that are news to them, all in one digest; nothing where none is.
 * Pure: the same gaps, and the same told before, give the same digest.
 */
import type { AlertRule, Site } from '../../../model/configuration.ts'
import type { GapState, Instant } from '../../../model/states.ts'
import { ruleOf } from '../gaps.ts'

/** A gap that somebody was told of, and how it stood then. */
export interface ToldGap {
  readonly gap: string
  readonly status: GapState['status']
}

/** A rule whose moment has come. */
export interface Due {
  readonly site: Site
  readonly rule: AlertRule
  /** The local day that it is about. */
  readonly day: string
}

/** It was never told of; it is the same trouble as one before; or it is final, and was not when it was told. */
export type News = 'new' | 'again' | 'final'

/** Why somebody is not told of a gap. */
export const silences = ['mended', 'acknowledged', 'of no rule', 'told before'] as const

export type Silence = (typeof silences)[number]

export interface Judged {
  readonly gap: GapState
  readonly verdict: { readonly news: News; readonly site: Site } | { readonly silence: Silence }
}

export interface SiteDigest {
  readonly site: Site
  /** The local day that the alert is about; a gap may belong to an earlier one. */
  readonly day: string
  readonly gaps: readonly { readonly gap: GapState; readonly news: News }[]
}

export interface Digest {
  readonly recipient: string
  /** When it was to be sent, and as of when it tells. */
  readonly dueAt: Instant
  readonly asOf: Instant
  readonly sites: readonly SiteDigest[]
}

const newsOf = (gap: GapState, told: readonly ToldGap[]): News | undefined => {
  const before = told.filter((t) => t.gap === gap.id)
  if (before.some((t) => t.status === 'final' || t.status === gap.status)) return undefined
  if (before.length > 0) return 'final'
  return gap.reopens === undefined ? 'new' : 'again'
}

/** A gap of which nobody could tell the site is every site's. */
const isAbout = ({ site, rule }: Due, gap: GapState): boolean =>
  (gap.site === undefined || gap.site === site.id) && rule.severities.includes(ruleOf(gap.code).severity)

/** Whether a recipient whose rules are due is told of a gap, and if not, why. */
export const judge = (gap: GapState, due: readonly Due[], told: readonly ToldGap[]): Judged['verdict'] => {
  const site = due.find((d) => isAbout(d, gap))?.site
  if (gap.mended !== undefined) return { silence: 'mended' }
  if (site === undefined) return { silence: 'of no rule' }
  if ((gap.acknowledged ?? []).length > 0) return { silence: 'acknowledged' }
  const news = newsOf(gap, told)
  return news === undefined ? { silence: 'told before' } : { news, site }
}

export interface Asked {
  readonly recipient: string
  readonly dueAt: Instant
  readonly asOf: Instant
  readonly due: readonly Due[]
  /** As of now; those that nobody asks for are passed over. */
  readonly gaps: readonly GapState[]
  readonly told: readonly ToldGap[]
}

/** The newest day for which a site is due: what came late is told with what is due now. */
const lastDay = (due: readonly Due[], site: Site): string =>
  due
    .filter((d) => d.site.id === site.id)
    .map((d) => d.day)
    .toSorted()
    .at(-1) ?? ''

/** @returns undefined where there is nothing to tell */
export const digestOf = ({ recipient, dueAt, asOf, due, gaps, told }: Asked): Digest | undefined => {
  const judged = gaps.map((gap) => ({ gap, verdict: judge(gap, due, told) }))
  const sites = [...new Map(due.map((d) => [d.site.id, d.site])).values()].flatMap((site): readonly SiteDigest[] => {
    const news = judged.flatMap(({ gap, verdict }) =>
      'news' in verdict && verdict.site.id === site.id ? [{ gap, news: verdict.news }] : [],
    )
    return news.length === 0 ? [] : [{ site, day: lastDay(due, site), gaps: news }]
  })
  return sites.length === 0 ? undefined : { recipient, dueAt, asOf, sites }
}

/** What a recipient knows once they have got a digest. */
export const toldBy = ({ sites }: Digest): readonly ToldGap[] =>
  sites.flatMap((s) => s.gaps.map(({ gap }) => ({ gap: gap.id, status: gap.status })))
