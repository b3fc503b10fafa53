/** What would be sent to whom at each moment of a day, and why others are not told; it plays the day and sends nothing. */
import type { Recipient, Site } from '../../../model/configuration.ts'
import { msOf } from '../../../model/instant.ts'
import { localDateOf } from '../../../model/local-day.ts'
import type { GapState, Instant } from '../../../model/states.ts'
import { isClosed } from '../day-facts.ts'
import { type Digest, type Due, digestOf, judge, type Silence, silences, type ToldGap, toldBy } from './digest.ts'
import { type AlertMoment, atOnce, momentsOfDay, offsetOf } from './moments.ts'

export interface Played {
  readonly recipient: string
  /** The rules that fall together: as the configuration writes their moments. */
  readonly rules: readonly string[]
  readonly dueAt: Instant
  /** Later than `dueAt` where that falls into quiet hours. */
  readonly sendAt: Instant
  readonly digest?: Digest
  /** So many open gaps are not told, by the reason. */
  readonly silent: Readonly<Partial<Record<Silence, number>>>
}

export interface Preview {
  readonly moments: readonly Played[]
  /** Why a rule has no moment on that day. */
  readonly without: readonly { readonly rule: string; readonly recipient: string; readonly why: string }[]
}

export interface PreviewAsked {
  readonly site: Site
  readonly day: string
  /** As of when it is asked: what is due later is told by what is known then. */
  readonly at: Instant
  readonly recipients: ReadonlyMap<string, Recipient>
  /** The gaps of the site, as they were or would be at a moment. */
  readonly gapsAt: (moment: Instant) => readonly GapState[]
  /** By recipient: what each was told before the first moment. */
  readonly told: ReadonlyMap<string, readonly ToldGap[]>
}

interface Turn {
  readonly recipient: string
  readonly dueAt: Instant
  readonly sendAt: Instant
  readonly due: readonly Due[]
}

const together = (moments: readonly AlertMoment[]): readonly Turn[] => {
  const turns = new Map<string, Turn>()
  for (const { site, rule, day, at, sendAt } of moments) {
    const key = `${sendAt} ${rule.to}`
    const before = turns.get(key)
    turns.set(key, {
      recipient: rule.to,
      sendAt,
      dueAt: before === undefined || at < before.dueAt ? at : before.dueAt,
      due: [...(before?.due ?? []), { site, rule, day }],
    })
  }
  return [...turns.values()]
}

const countSilent = (gaps: readonly GapState[], due: readonly Due[], told: readonly ToldGap[]): Played['silent'] => {
  const verdicts = gaps.map((gap) => judge(gap, due, told))
  const count = (why: Silence) => verdicts.filter((v) => 'silence' in v && v.silence === why).length
  return Object.fromEntries(silences.map((why) => [why, count(why)] as const).filter(([, n]) => n > 0))
}

const isToday = ({ site, day, at }: Pick<PreviewAsked, 'site' | 'day' | 'at'>): boolean =>
  localDateOf(msOf(at), site.timeZone) === day

/** Rules that tell at once are asked at the moment itself, where it lies on that day. */
const turnsOf = ({ site, day, at, recipients }: Omit<PreviewAsked, 'gapsAt' | 'told'>): readonly Turn[] =>
  [
    ...together(momentsOfDay(site, day, recipients)),
    ...[...recipients.values()].flatMap((recipient): readonly Turn[] => {
      const due = isToday({ site, day, at }) ? atOnce([site], recipient, at).map((r) => ({ ...r, day })) : []
      return due.length === 0 ? [] : [{ recipient: recipient.id, dueAt: at, sendAt: at, due }]
    }),
  ].toSorted((a, b) => (a.sendAt < b.sendAt ? -1 : a.sendAt > b.sendAt ? 1 : 0))

const without = ({ site, day, at, recipients }: PreviewAsked): Preview['without'] =>
  (site.alerts ?? []).flatMap((rule) => {
    const recipient = recipients.get(rule.to)
    const tells = (why: string) => [{ rule: rule.at, recipient: rule.to, why }]
    if (offsetOf(rule) !== undefined && isClosed(day, site)) return tells('The site is closed on that day.')
    if (rule.at === 'now' && !isToday({ site, day, at }))
      return tells('It tells as soon as a gap is known; it is asked on the day itself.')
    if (rule.at === 'now' && recipient && !atOnce([site], recipient, at).some((r) => r.rule === rule))
      return tells('These are quiet hours; what is open at their end is told then.')
    return []
  })

/** The moments at which it will be asked which gaps there are. */
export const previewMoments = (asked: Omit<PreviewAsked, 'gapsAt' | 'told'>): readonly Instant[] => [
  ...new Set(turnsOf(asked).map((t) => t.sendAt)),
]

/** Plays the moments of a day one after another: who was told at one is told no more without news at the next. */
export const previewOf = (asked: PreviewAsked): Preview => {
  const told = new Map(asked.told)
  const moments = turnsOf(asked).map(({ recipient, dueAt, sendAt, due }): Played => {
    const gaps = asked.gapsAt(sendAt)
    const before = told.get(recipient) ?? []
    const digest = digestOf({ recipient, dueAt, asOf: sendAt, due, gaps, told: before })
    if (digest) told.set(recipient, [...before, ...toldBy(digest)])
    const rules = due.map((d) => d.rule.at)
    return { recipient, rules, dueAt, sendAt, silent: countSilent(gaps, due, before), ...(digest && { digest }) }
  })
  return { moments, without: without(asked) }
}
