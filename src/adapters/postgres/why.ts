/** Why there is a gap: the facts in the journal that it rests on, and what became of it since. */
import type { GapState, Instant } from '../../model/states.ts'
import { instantSql } from '../clock.ts'
import type { Tx } from './database.ts'
import { gapById } from './load-states.ts'

/** A fact of the journal, without the state that came of it. */
export interface JournalFact {
  /** Its number in the journal. */
  readonly fact: number
  readonly what: string
  readonly kind: string
  readonly id: string
  readonly occurredAt: Instant
  readonly recordedAt: Instant
  readonly who: string
  readonly requestId: string
  /** Of the message that brought it, as it was received; null where none did. */
  readonly inbound: number | null
  /** The gap was found with this one as the newest of what it rests on. */
  readonly restedOn: boolean
}

export interface Why {
  readonly gap: GapState
  /** Oldest first: what it rests on, with everything that was recorded of the same since. */
  readonly restsOn: readonly JournalFact[]
  /** Oldest first; those of the gaps before it that it reopens too. */
  readonly history: readonly JournalFact[]
}

const factsOf = async (tx: Tx, subjects: readonly { kind: string; id: string }[], rested: ReadonlySet<number>) => {
  const rows = await tx.query<Omit<JournalFact, 'restedOn'>>(
    `select j.seq::int8 as fact, j.fact as what, j.kind, j.id, ${instantSql('j.occurred_at')} as "occurredAt",
       ${instantSql('j.recorded_at')} as "recordedAt", j.who, j.request_id as "requestId", j.inbound
     from unnest($1::text[], $2::uuid[]) as x(kind, id) cross join lateral (
       select * from journal where kind = x.kind and id = x.id offset 0) j order by j.seq`,
    [subjects.map((s) => s.kind), subjects.map((s) => s.id)],
  )
  return rows.map((r): JournalFact => {
    const fact = Number(r.fact)
    return { ...r, fact, inbound: r.inbound === null ? null : Number(r.inbound), restedOn: rested.has(fact) }
  })
}

/** The gaps that it reopens, and itself. */
const lineOf = async (tx: Tx, gap: GapState): Promise<readonly GapState[]> => {
  const before = gap.reopens === undefined ? undefined : await gapById(tx, gap.reopens)
  return before === undefined ? [gap] : [...(await lineOf(tx, before)), gap]
}

/** Undefined where no such gap was ever found. */
export const whyGap = async (tx: Tx, id: string): Promise<Why | undefined> => {
  const gap = await gapById(tx, id)
  if (gap === undefined) return undefined
  const line = await lineOf(tx, gap)
  const rested = new Set(line.flatMap((g) => (g.restsOn ?? []).flatMap((e) => e.fact ?? [])))
  const subjects = [...new Map(line.flatMap((g) => (g.restsOn ?? []).map((e) => [`${e.kind} ${e.id}`, e]))).values()]
  return {
    gap,
    restsOn: await factsOf(tx, subjects, rested),
    history: await factsOf(tx, line, rested),
  }
}
