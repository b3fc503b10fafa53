/**
 * What follows for orders and links when a source replaces a patient by another of its records, or says something of a
 * patient that the two identifiers of a link may no longer agree with. Orders go with the record; whether the recorder
 * is still on the right person, a person says.
 */
import type { Patient, ServiceRequest } from 'fhir/r4.js'
import { msOf } from '../../model/instant.ts'
import { identityChanges } from '../../model/patient-match.ts'
import type { DeviceState, IdentityDoubt, LinkState, OrderState, StubState, TaskState } from '../../model/states.ts'
import { forwardAgain } from '../apply-device/end-link.ts'
import { zoneOf } from '../apply-device/moments.ts'
import { isOpen, stands } from '../apply-device/periods.ts'
import { recordsOfMovedLink, recordsOfMovedOrder } from '../apply-device/records.ts'
import { isOver } from '../forward-order/withdraw-work.ts'
import type { Change, Context, Decision } from '../step.ts'
import { contentOf } from './incoming.ts'
import { withoutMark } from './origin.ts'
import { isReplaced, type PatientOf, successorOf, survivorOf, withSurvivor } from './successors.ts'

/** A patient whose record the source has changed. */
export interface Revised {
  readonly id: string
  readonly before: Patient
  readonly after: Patient
}

/** An order as stored, with the words of its source. */
export interface StoredOrder {
  readonly state: OrderState
  readonly resource: ServiceRequest
}

/** What is stored of the orders that a change of their patients concerns. */
export interface Concerned {
  readonly orders: readonly StoredOrder[]
  readonly links: readonly LinkState[]
  readonly tasks: readonly TaskState[]
  readonly stubs: readonly StubState[]
  readonly devices: readonly DeviceState[]
}

/** The recorder is on, or its recording is still being worked on. */
const inQuestion = (link: LinkState, { tasks }: Concerned): boolean =>
  stands(link) && (isOpen(link) || tasks.some((t) => t.linkId === link.id && t.asks === 'fulfill' && !isOver(t)))

type Doubt = Pick<IdentityDoubt, 'why' | 'kinds'>

const saysInactive = (p: Patient): boolean => p.active === false || (p.link ?? []).some((l) => l.type === 'replaced-by')

/** What a change of a record leaves for a person to look at; that links moved is told of the links. */
const doubtOf = ({ before, after }: Revised, ctx: Context, site: string): Doubt | undefined => {
  const successors = [before, after].map(successorOf)
  if (successors[0] !== undefined && successors[0] !== successors[1]) return { why: 'unmerged' }
  if (successors[1] !== undefined) return undefined
  if (isReplaced(after)) return isReplaced(before) ? undefined : { why: 'successor-unknown' }
  if (saysInactive(after) && !saysInactive(before)) return { why: 'inactive' }
  const kinds = identityChanges(before, after, { ms: msOf(ctx.now), zone: zoneOf(site, ctx) })
  return kinds.length > 0 ? { why: 'changed', kinds } : undefined
}

/** An unmerged record has a part in what was moved from it; any other in what is its own. */
const concerns = (link: LinkState, id: string, { why }: Doubt): boolean =>
  why === 'unmerged' ? (link.mergedFrom ?? []).includes(id) : link.patientId === id

const doubtsOf = (link: LinkState, revised: readonly Revised[], ctx: Context): readonly Doubt[] =>
  revised.flatMap((r) => {
    const doubt = doubtOf(r, ctx, link.site)
    return doubt && concerns(link, r.id, doubt) ? [doubt] : []
  })

const withDoubts = (link: LinkState, doubts: readonly Doubt[], ctx: Context): LinkState => ({
  ...link,
  doubts: [...(link.doubts ?? []), ...doubts.map((d) => ({ ...d, id: ctx.newId(), at: ctx.now }))],
})

/** What is over stays with the record under which it was done. */
const goesAlong = ({ state }: StoredOrder, known: Concerned): boolean =>
  !['completed', 'revoked', 'entered-in-error'].includes(state.status) ||
  known.links.some((l) => l.orderId === state.id && inQuestion(l, known))

const movedOrder = ({ state, resource }: StoredOrder, patientOf: PatientOf, ctx: Context): Change => {
  const content = withSurvivor(resource, patientOf)
  const { digest } = contentOf(state.byHand ? withoutMark(content) : content, content)
  const patientId = survivorOf(state.patientId, patientOf)
  return {
    fact: 'order-moved',
    state: { ...state, patientId, content: { ...state.content, digest } },
    occurredAt: ctx.now,
    content,
  }
}

const movedLink = (link: LinkState, patientId: string, known: Concerned, ctx: Context): LinkState => {
  const moved = { ...link, patientId, mergedFrom: [...(link.mergedFrom ?? []), link.patientId] }
  return inQuestion(link, known) ? withDoubts(moved, [{ why: 'merged' }], ctx) : moved
}

/** What belongs to a link that has moved: its recorder, while it is on, its work, and its stubs. */
const alongWith = (link: LinkState, known: Concerned, ctx: Context): readonly Change[] => {
  const { id, patientId } = link
  const devices = isOpen(link) ? known.devices.filter((d) => d.id === link.deviceId) : []
  const tasks = known.tasks.filter((t) => t.linkId === id && t.status !== 'entered-in-error')
  const stubs = known.stubs.filter((s) => s.linkId === id && s.status !== 'entered-in-error')
  return [
    ...devices.map((d): Change => ({ fact: 'device-tied', state: { ...d, patientId }, occurredAt: link.appliedAt })),
    ...tasks.map(
      (t): Change => ({
        fact: 'task-moved',
        state: { ...t, patientId, modifiedAt: ctx.now },
        occurredAt: ctx.now,
      }),
    ),
    ...stubs.map((s): Change => ({ fact: 'stubs-moved', state: { ...s, patientId }, occurredAt: ctx.now })),
  ]
}

/**
 * Moves what is under way to the records that take the place of its patients, once, and notes what a person has to
 * look at. Nothing is ever moved back: who was merged wrongly, nobody guesses.
 * @param written the orders that the same step writes anew, each with its patient of now
 */
export const followPatients = (
  revised: readonly Revised[],
  written: readonly OrderState[],
  known: Concerned,
  patientOf: PatientOf,
  ctx: Context,
): Required<Pick<Decision<unknown>, 'changes' | 'records' | 'forward'>> => {
  const own = new Set(written.map((o) => o.id))
  const orders = known.orders
    .filter((o) => !own.has(o.state.id) && survivorOf(o.state.patientId, patientOf) !== o.state.patientId)
    .filter((o) => goesAlong(o, known))
    .map((o) => movedOrder(o, patientOf, ctx))
  const patients = new Map(
    [...written, ...orders.map(({ state }) => state as OrderState)].map((o) => [o.id, o.patientId]),
  )
  const links = known.links.filter(stands).flatMap((link) => {
    const patientId = patients.get(link.orderId) ?? link.patientId
    const moves = patientId !== link.patientId
    const before = moves ? movedLink(link, patientId, known, ctx) : link
    const doubts = inQuestion(link, known) ? doubtsOf(link, revised, ctx) : []
    if (!moves && doubts.length === 0) return []
    return [{ moves, link: doubts.length > 0 ? withDoubts(before, doubts, ctx) : before }]
  })
  const moved = links.filter((l) => l.moves).map((l) => l.link)
  const told = new Set([...orders.map((o) => o.state.id), ...moved.map((l) => l.orderId)])
  return {
    changes: [
      ...orders,
      ...links.map(
        ({ moves, link }): Change => ({
          fact: moves ? 'link-moved' : 'link-doubted',
          state: link,
          occurredAt: ctx.now,
        }),
      ),
      ...moved.flatMap((link) => alongWith(link, known, ctx)),
    ],
    records: [
      ...orders.flatMap(({ state }) => recordsOfMovedOrder(state as OrderState, ctx)),
      ...moved.flatMap((link) => recordsOfMovedLink(link, ctx)),
    ],
    forward: forwardAgain(known.tasks.filter((t) => told.has(t.orderId) && t.status !== 'entered-in-error')),
  }
}

/** Whether a change of a record can concern an order at all; most say nothing that matters here. */
export const mayConcernOrders = (before: Patient, after: Patient, ms: number): boolean =>
  saysInactive(before) || saysInactive(after) || identityChanges(before, after, { ms, zone: 'UTC' }).length > 0
