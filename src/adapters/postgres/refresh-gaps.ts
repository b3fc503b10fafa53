/** After a step: what its facts open, change or mend among the gaps of the orders and devices that it touched. */
import { isEvidence } from '../../flow/accept-order/evidence.ts'
import type { Change, Context } from '../../flow/step.ts'
import { type Facts, factsFrom } from '../../flow/watch-flow/day-facts.ts'
import { gapsOf, goneOf } from '../../flow/watch-flow/gaps.ts'
import { type Evidence, type GapCode, type GapState, ofKind, type State, type TaskState } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import type { Tx } from './database.ts'
import { linksOfPatients, statesAround } from './load-states.ts'
import { save } from './save.ts'

const ordersOf = (s: State): readonly string[] =>
  s.kind === 'order' ? [s.id] : 'orderId' in s && s.kind !== 'gap' && s.orderId ? [s.orderId] : []

const devicesOf = (s: State): readonly string[] => {
  if (s.kind === 'kept') return s.says?.deviceId ? [s.says.deviceId] : []
  return s.kind === 'link' || s.kind === 'application' || s.kind === 'conflict' || s.kind === 'return'
    ? [s.deviceId]
    : []
}

/** Of a Task that matters nothing can be said before it is due, unless the reading service declines. */
const taskMatters = (t: TaskState, now: string): boolean =>
  t.asks === 'fulfill' && (t.status === 'rejected' || (t.acceptDue ?? now) <= now)

/** A new order for a visit to come can have no gap yet; most orders are such. */
const mayMatter = ({ fact, state, leavesOrder }: Change, ctx: Context): boolean => {
  if (leavesOrder !== undefined) return true
  if (state.kind === 'patient' || state.kind === 'device') return false
  if (state.kind === 'kept') return state.orderId !== undefined && isEvidence(state.type)
  if (state.kind === 'task') return taskMatters(state, ctx.now)
  return fact !== 'order-accepted' || (state.kind === 'order' && (state.visitDay ?? '9999') <= ctx.now.slice(0, 10))
}

/** The number of the fact that it rests on changes with every fact about the same; that alone is no news of a gap. */
const withoutFacts = (gap: GapState): GapState => ({
  ...gap,
  restsOn: (gap.restsOn ?? []).map(({ fact: _fact, ...e }) => e),
})

const sameGap = (a: GapState, b: GapState): boolean => canonical(withoutFacts(a)) === canonical(withoutFacts(b))

/**
 * What has to be written: gaps that are new or differ, and gaps that stood open and are no more. A final gap that the
 * facts no longer show (an evidence was corrected) is mended, never deleted.
 */
export const gapChanges = (
  found: readonly GapState[],
  stored: readonly GapState[],
  facts: Facts,
  now: string,
): readonly Change[] => {
  const before = new Map(stored.map((g) => [g.id, g]))
  const ids = new Set(found.map((g) => g.id))
  const changed = found
    .filter((gap) => {
      const old = before.get(gap.id)
      return old === undefined || !sameGap(old, gap)
    })
    .map((state): Change => {
      const old = before.get(state.id)
      const fact =
        state.mended !== undefined && old?.mended === undefined
          ? 'gap-mended'
          : old === undefined
            ? 'gap-opened'
            : 'gap-changed'
      return { fact, state, occurredAt: state.mended?.at ?? state.since }
    })
  const gone = stored
    .filter((g) => !ids.has(g.id) && g.mended === undefined)
    .map(
      (g): Change => ({
        fact: 'gap-mended',
        state: { ...g, mended: { at: now, action: goneOf(g, facts) } },
        occurredAt: now,
      }),
    )
  return [...changed, ...gone]
}

/** What a step holds the locks of. */
export interface Held {
  readonly orders: readonly string[]
  readonly devices: readonly string[]
  /** Patients whose links it changes. */
  readonly wearers: readonly string[]
}

/**
 * Whose lock a gap's step has to hold: that of the recorder or of the wearer, where it follows from all facts about
 * that one; that of either, where who opens it holds both; else that of the order, whose links nobody changes without
 * it. A step that judged more than it holds would take a gap that another one has just opened for one that the facts no
 * longer show.
 */
const followsFrom: Partial<Record<GapCode, 'device' | 'wearer' | 'either'>> = {
  'no-link': 'device',
  'return-without-patient': 'device',
  'patient-with-two-devices': 'wearer',
  'device-on-two-patients': 'either',
  // a report about the order mends it, and so does the next link of the recorder
  'overdue-return': 'either',
}

const isHeld = (gap: GapState, { orders, devices, wearers }: Held): boolean => {
  const byOrder = gap.orderId !== undefined && orders.includes(gap.orderId)
  const byDevice = gap.deviceId !== undefined && devices.includes(gap.deviceId)
  switch (followsFrom[gap.code]) {
    case 'device':
      // what the source says was applied is about the order, whichever recorder it names
      return gap.restsOn?.some((e) => e.kind === 'kept') ? byOrder : byDevice
    case 'wearer':
      return gap.patientId !== undefined && wearers.includes(gap.patientId)
    case 'either':
      return byOrder || byDevice
    default:
      return byOrder
  }
}

/** Each gap with the facts in the journal that made what it rests on. */
const withFacts = async (tx: Tx, changes: readonly Change[]): Promise<readonly Change[]> => {
  const rests = changes.flatMap(({ state }) => (state.kind === 'gap' ? (state.restsOn ?? []) : []))
  const rows = await tx.query<{ id: string; kind: string; seq: number }>(
    `select x.id, x.kind, j.seq::int8 as seq from unnest($1::text[], $2::uuid[]) as x(kind, id) cross join lateral (
       select seq from journal where kind = x.kind and id = x.id order by seq desc limit 1) j`,
    [rests.map((e) => e.kind), rests.map((e) => e.id)],
  )
  const seqs = new Map(rows.map((r) => [`${r.kind} ${r.id}`, Number(r.seq)]))
  return changes.map((change) =>
    change.state.kind === 'gap' ? { ...change, state: restingOn(change.state, seqs) } : change,
  )
}

/** @param seqs of the newest fact of each state, by kind and id */
export const restingOn = (gap: GapState, seqs: ReadonlyMap<string, number>): GapState => ({
  ...gap,
  restsOn: (gap.restsOn ?? []).map((e): Evidence => {
    const fact = e.fact ?? seqs.get(`${e.kind} ${e.id}`)
    return fact === undefined ? e : { ...e, fact }
  }),
})

/** Brings the gaps around what is held in line with the facts as of now. */
export const watchAround = async (tx: Tx, held: Held, ctx: Context): Promise<void> => {
  const { orders, devices, wearers } = held
  const [near, worn] = await Promise.all([statesAround(tx, orders, devices), linksOfPatients(tx, wearers)])
  const states = [...near, ...worn]
  const [theirOrders, theirDevices] = [
    [...new Set([...orders, ...states.flatMap(ordersOf)])],
    [...new Set([...devices, ...states.flatMap(devicesOf)])],
  ]
  // an order's links lead to devices whose other facts matter too, and the other way round: one more look is enough
  const isWhole = theirOrders.length === orders.length && theirDevices.length === devices.length
  const all = isWhole ? near : await statesAround(tx, theirOrders, theirDevices)
  const facts = factsFrom(all)
  const found = gapsOf(facts, { asOf: ctx.now, parties: ctx.parties, tolerances: ctx.tolerances })
  // what is about others is looked at and left to the steps that hold their locks
  const mine = (g: GapState) => isHeld(g, held)
  const changes = gapChanges(found.filter(mine), ofKind(all, 'gap').filter(mine), facts, ctx.now)
  if (changes.length > 0) await save(tx, { step: 'watch-flow', changes: await withFacts(tx, changes) }, ctx)
}

/** Of a link that moved along with a merge those of before too. */
const wearersOf = (s: State): readonly string[] => (s.kind === 'link' ? [s.patientId, ...(s.mergedFrom ?? [])] : [])

export const mayHaveGaps = (changes: readonly Change[], ctx: Context): boolean => changes.some((c) => mayMatter(c, ctx))

export const refreshGaps = async (tx: Tx, changes: readonly Change[], ctx: Context): Promise<void> => {
  const matter = changes.filter((c) => mayMatter(c, ctx))
  const states = matter.map((c) => c.state)
  const of = (ids: (s: State) => readonly string[]) => [...new Set(states.flatMap(ids))]
  const left = matter.flatMap((c) => c.leavesOrder ?? [])
  const held = { orders: [...new Set([...of(ordersOf), ...left])], devices: of(devicesOf), wearers: of(wearersOf) }
  if (held.orders.length + held.devices.length > 0) await watchAround(tx, held, ctx)
}
