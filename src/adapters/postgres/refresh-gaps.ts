/** After a step: what its facts open, change or mend among the gaps of the orders and devices that it touched. */
import type { Change, Context } from '../../flow/step.ts'
import { factsFrom } from '../../flow/watch-flow/day-facts.ts'
import { gapsOf } from '../../flow/watch-flow/gaps.ts'
import { type GapState, ofKind, type State } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import type { Tx } from './database.ts'
import { statesAround } from './load-states.ts'
import { save } from './save.ts'

const ordersOf = (s: State): readonly string[] =>
  s.kind === 'order'
    ? [s.id]
    : s.kind === 'link' || s.kind === 'task' || s.kind === 'return' || s.kind === 'stub' || s.kind === 'held'
      ? s.orderId
        ? [s.orderId]
        : []
      : []

const devicesOf = (s: State): readonly string[] =>
  s.kind === 'link' || s.kind === 'application' || s.kind === 'return' ? [s.deviceId] : []

/** A new order for a visit to come can have no gap yet; most orders are such. */
const mayMatter = ({ fact, state }: Change, ctx: Context): boolean => {
  if (state.kind === 'patient' || state.kind === 'kept' || state.kind === 'device' || state.kind === 'task')
    return false
  return fact !== 'order-accepted' || (state.kind === 'order' && (state.visitDay ?? '9999') <= ctx.now.slice(0, 10))
}

const sameGap = (a: GapState, b: GapState): boolean => canonical(a) === canonical(b)

/**
 * What has to be written: gaps that are new or differ, and gaps that stood open and are no more. A final gap that the
 * facts no longer show (an evidence was corrected) is mended, never deleted.
 */
export const gapChanges = (found: readonly GapState[], stored: readonly GapState[], now: string): readonly Change[] => {
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
        state: {
          ...g,
          mended: {
            at: now,
            action: g.code === 'no-link' || g.code === 'return-without-patient' ? 'linked' : 'cancelled',
          },
        },
        occurredAt: now,
      }),
    )
  return [...changed, ...gone]
}

/**
 * Gaps that follow from what is known of a recorder alone, and belong to whoever holds its lock; all others follow from
 * an order and its links, which nobody changes without the lock of the order. A step that judged more than it holds
 * would take a gap that another one has just opened for one that the facts no longer show.
 */
const ofDevice: ReadonlySet<GapState['code']> = new Set(['no-link', 'return-without-patient'])

/** Brings the gaps around these orders and devices in line with the facts as of now. */
export const watchAround = async (
  tx: Tx,
  orders: readonly string[],
  devices: readonly string[],
  ctx: Context,
): Promise<void> => {
  const states = await statesAround(tx, orders, devices)
  const noted = ofKind(states, 'gap')
  const [theirOrders, theirDevices] = [
    [...new Set([...orders, ...states.flatMap(ordersOf)])],
    [...new Set([...devices, ...states.flatMap(devicesOf)])],
  ]
  // an order's links lead to devices whose other facts matter too, and the other way round: one more look is enough
  const isWhole = theirOrders.length === orders.length && theirDevices.length === devices.length
  const all = isWhole ? states : await statesAround(tx, theirOrders, theirDevices)
  const found = gapsOf(factsFrom(all), { asOf: ctx.now, parties: ctx.parties, tolerances: ctx.tolerances })
  // what is about others is looked at and left to the steps that hold their locks
  const mine = (g: GapState) =>
    ofDevice.has(g.code)
      ? g.deviceId !== undefined && devices.includes(g.deviceId)
      : g.orderId !== undefined && orders.includes(g.orderId)
  const changes = gapChanges(found.filter(mine), noted.filter(mine), ctx.now)
  if (changes.length > 0) await save(tx, { step: 'watch-flow', changes }, ctx)
}

export const mayHaveGaps = (changes: readonly Change[], ctx: Context): boolean => changes.some((c) => mayMatter(c, ctx))

export const refreshGaps = async (tx: Tx, changes: readonly Change[], ctx: Context): Promise<void> => {
  const states = changes.filter((c) => mayMatter(c, ctx)).map((c) => c.state)
  const [orders, devices] = [[...new Set(states.flatMap(ordersOf))], [...new Set(states.flatMap(devicesOf))]]
  if (orders.length + devices.length > 0) await watchAround(tx, orders, devices, ctx)
}
