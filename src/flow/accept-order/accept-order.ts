/**
 * accept-order: takes what a source pushes, a resource or a whole transaction, and decides for every entry whether it
 * is new, revises what is stored, says the same again, or is older than what is stored.
 */
import type { FhirResource } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { accept, type Checked, information, type Problem, refuse, warning } from '../../model/problems.ts'
import type { DeviceState, Instant, KeptState, OrderState } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import type { Change, Context, Decision, Fact, Forward } from '../step.ts'
import { evidenceOf, mayBeEvidence, saidOf } from './evidence.ts'
import { followPatients, type Revised } from './follow-patients.ts'
import { followUp } from './follow-up.ts'
import { type Identity, type Incoming, identitiesOf, identityKey, isOlder, placesOf } from './incoming.ts'
import { revoked, stateOf } from './order-state.ts'
import { markByHand } from './origin.ts'
import { meant, patientsAfter } from './patients-after.ts'
import { inBundleOf, type Known, type Placed, place, recognised, type Stored, twice, typeOf } from './place.ts'
import { recorderOf } from './recorder-stated.ts'
import { type Resolved, resolveReferences } from './resolve-references.ts'
import { isReplaced, successorReferences, survivorOf, withSurvivor } from './successors.ts'

/** One answer for each entry, in the order of the entries. */
export interface Accepted {
  readonly type: string
  readonly id: string
  readonly outcome: 'created' | 'revised' | 'same' | 'older' | 'matched'
  readonly version: number
  readonly updated: Instant
  readonly warnings: readonly Problem[]
}

const factOf = (before: Stored | undefined, state: Stored): Fact => {
  if (state.kind === 'order') return factOfOrder(before?.kind === 'order' ? before : undefined, state.status)
  return state.kind === 'patient' ? 'patient-received' : 'resource-received'
}

const factOfOrder = (before: OrderState | undefined, status: string): Fact => {
  if (before === undefined) return 'order-accepted'
  if (revoked(status) && !revoked(before.status)) return 'order-revoked'
  if (status === 'on-hold' && before.status !== 'on-hold') return 'order-held'
  return status === 'completed' && before.status !== 'completed' ? 'order-completed' : 'order-revised'
}

interface Result {
  readonly answer: Accepted
  readonly changes: readonly Change[]
  readonly forward: readonly Forward[]
}

const quiet = (p: Placed, outcome: Accepted['outcome'], warnings: readonly Problem[] = []): Result => ({
  answer: {
    type: typeOf(p.incoming),
    id: p.id,
    outcome,
    version: p.before?.version ?? 1,
    updated: p.before?.updated ?? '',
    warnings,
  },
  changes: [],
  forward: [],
})

/**
 * Same content, no new version. What it means may be another all the same, since its order has another patient or site.
 * That the source said it again later is noted all the same: otherwise what it said in
 * between, and what arrives after, would pass as newer. So is where its server has a patient.
 */
const sameAgain = (p: Placed, before: Stored, now: Stored, ctx: Context): Result => {
  const { datedAt, sourceVersion } = now.content
  const address = now.kind === 'patient' ? now.address : undefined
  const moved = before.kind === 'patient' && before.address !== address
  const meansElse =
    before.kind === 'kept' && now.kind === 'kept' && canonical(before.says ?? {}) !== canonical(now.says ?? {})
  const later = isOlder(before.content, now.content)
  const content = {
    ...before.content,
    ...(later && datedAt !== undefined && { datedAt }),
    ...(later && sourceVersion !== undefined && { sourceVersion }),
  }
  const state = meansElse ? now : { ...before, ...(moved && address !== undefined && { address }) }
  return later || moved || meansElse
    ? {
        ...quiet(p, 'same'),
        changes: [{ fact: factOf(before, before), state: { ...state, content }, occurredAt: ctx.now }],
      }
    : quiet(p, 'same')
}

/** It is taken all the same: said again when the successor is known, the orders move. */
const unknownSuccessor = (incoming: Incoming, resolved: FhirResource): readonly Problem[] =>
  resolved.resourceType === 'Patient' && isReplaced(resolved) && successorReferences(resolved).length === 0
    ? [warning('successor-not-known', placesOf(incoming, 'link'))]
    : []

const settle = (p: Placed, resolved: FhirResource, state: Stored, known: Known, ctx: Context): Result => {
  const before = p.before?.state
  if (before !== undefined && before.content.digest === state.content.digest) return sameAgain(p, before, state, ctx)
  if (before !== undefined && isOlder(state.content, before.content))
    return quiet(p, 'older', [warning('stale-content', placesOf(p.incoming, 'meta'))])
  const fact = factOf(before, state)
  const content = state.kind === 'order' && state.byHand ? markByHand(resolved) : resolved
  const left =
    before?.kind === 'order' && state.kind === 'order' && before.site !== state.site ? before.site : undefined
  const was =
    before?.kind === 'kept' && state.kind === 'kept' && before.orderId !== state.orderId ? before.orderId : undefined
  const change: Change = {
    fact,
    state,
    occurredAt: ctx.now,
    content,
    ...(before === undefined && { isNew: true }),
    ...(left !== undefined && { leaves: left }),
    ...(was !== undefined && { leavesOrder: was }),
  }
  const after = followUp(before, state, fact, known, ctx)
  return {
    answer: {
      type: typeOf(p.incoming),
      id: p.id,
      outcome: before === undefined ? 'created' : 'revised',
      version: (p.before?.version ?? 0) + 1,
      updated: ctx.now,
      warnings: unknownSuccessor(p.incoming, resolved),
    },
    changes: [change, ...after.changes],
    forward: after.forward,
  }
}

const isAboutSubject = (p: Problem): boolean => p.at.some((at) => /\.subject(\.|$)/.test(at))

/** A subject that could not be resolved is no patient either: one fault, told once. */
const toldAlready = (p: Problem, resolution: Resolved | undefined): boolean =>
  isAboutSubject(p) && (resolution?.problems.some(isAboutSubject) ?? false)

/** Patients and places first, so that what refers to them finds them; the answers keep the order of the entries. */
const rank = (incoming: Incoming): number =>
  ['Organization', 'Location', 'Practitioner', 'PractitionerRole', 'Patient'].includes(typeOf(incoming)) ? 0 : 1

/** The work as it stands when the entries are written. */
const tasksAfter = (known: Known, changes: readonly Change[]) => [
  ...new Map(
    [...known.tasks, ...changes.flatMap(({ state }) => (state.kind === 'task' ? [state] : []))].map((t) => [t.id, t]),
  ).values(),
]

const uniqueForward = (forward: readonly Forward[]): readonly Forward[] => [
  ...new Map(forward.map((f) => [`${f.orderId} ${f.readingService}`, f])).values(),
]

/**
 * Decides all entries together: all or nothing. A batch calls it once for each entry.
 * @returns one answer an entry, or every problem of every entry.
 */
export const acceptEntries = (
  entries: readonly Incoming[],
  source: Source,
  known: Known,
  ctx: Context,
): Checked<Decision<readonly Accepted[]>> => {
  const decided = decideEntries(entries, source, known, ctx)
  if (decided.ok || known.waiting.length === 0) return decided
  // what was said before is in nobody's way: what cannot be placed any more is left as it is
  const waiting = known.waiting.filter((e) => decideEntries(entries, source, { ...known, waiting: [e] }, ctx).ok)
  return decideEntries(entries, source, { ...known, waiting }, ctx)
}

const decideEntries: typeof acceptEntries = (entries, source, known, ctx) => {
  const sent = entries.map((e) => place(e, source, known, ctx))
  const ids = new Set(sent.flatMap((p) => p.placed?.id ?? []))
  const waiting = known.waiting.filter((e) => !ids.has(e.targetId ?? '')).map((e) => place(e, source, known, ctx))
  const places = [...sent, ...waiting]
  const placed = recognised(
    places.flatMap((p) => p.placed ?? []),
    source,
    known,
  )
  const problems: Problem[] = [...places.flatMap((p) => p.problems), ...twice(placed)]
  const inBundle = inBundleOf(placed)
  const byIdentity = new Map(known.byIdentity)
  for (const { id, identities } of placed)
    for (const key of identities.map(identityKey))
      byIdentity.set(key, [...new Set([...(byIdentity.get(key) ?? []), id])])
  const own = new Set([...known.own, ...inBundle.values()])

  const asWritten = placed.map((p) =>
    resolveReferences(p.incoming, { byIdentity: meant(byIdentity, known), own, inBundle, source }),
  )
  const { patientOf, now, problems: merging } = patientsAfter(placed, asWritten, source, known)
  problems.push(...merging)
  const resolutions = asWritten.map((r) => ({ ...r, resource: withSurvivor(r.resource, patientOf) }))
  problems.push(...resolutions.flatMap((r, i) => (placed[i]?.ignored ? [] : r.problems)))
  const locations = new Map(known.locations)
  placed.forEach((p, i) => {
    const resource = resolutions[i]?.resource
    if (resource?.resourceType === 'Location' && !p.ignored) locations.set(`Location/${p.id}`, resource)
  })
  // a link of a record that was replaced is one of its survivor, to whom it moves
  const links = known.links.map((l) => ({ ...l, patientId: survivorOf(l.patientId, patientOf) }))
  const read = placed.map((p, i) =>
    p.ignored
      ? undefined
      : stateOf(p, resolutions[i]?.resource ?? p.incoming.resource, source, (r) => locations.get(r), links, ctx),
  )
  const recorders = new Map<string, DeviceState>()
  const states = read.map((s, i) => {
    const [p, resource] = [placed[i], resolutions[i]?.resource]
    if (!(s?.ok && s.value.kind === 'kept' && p && resource)) return s
    const named = recorderOf(p.incoming, resource, [...known.recorders, ...recorders.values()], ctx)
    const { state, doubts } = withSaid(
      s.value,
      resource,
      p.before?.state,
      ordersIn(read, known),
      named.device,
      source,
      ctx,
    )
    if (named.device && state.says?.deviceId === named.device.id) recorders.set(named.device.id, named.device)
    const warnings = doubts.map((d) => ({ ...d, at: placesOf(p.incoming, d.at[0] ?? '') }))
    return accept(state, [...s.warnings, ...warnings, ...(state.says === undefined ? [] : named.warnings)])
  })
  problems.push(
    ...states.flatMap((s, i) => (s && !s.ok ? s.problems.filter((p) => !toldAlready(p, resolutions[i])) : [])),
  )
  if (problems.length > 0) return refuse(problems)

  const ranked = placed.map((p, i) => {
    const [state, resolution] = [states[i], resolutions[i]]
    const result =
      state?.ok && resolution ? settle(p, resolution.resource, state.value, known, ctx) : quiet(p, 'matched')
    return { result: state?.ok ? told(result, state.warnings) : result, rank: rank(p.incoming) }
  })
  const results = ranked.map(({ result }) => result)
  const named = new Set(
    results.flatMap((r) =>
      r.changes.flatMap(({ state }) => (state.kind === 'kept' ? (state.says?.deviceId ?? []) : [])),
    ),
  )
  const newRecorders = [...recorders.values()].filter(
    (d) => named.has(d.id) && !known.recorders.some(({ id }) => id === d.id),
  )
  const changes = [
    ...newRecorders.map((state): Change => ({ fact: 'device-seen', state, occurredAt: ctx.now })),
    ...ranked.toSorted((a, b) => a.rank - b.rank).flatMap(({ result }) => result.changes),
  ]
  const revised = results.flatMap(({ answer }): readonly Revised[] => {
    const [before, after] = [known.patients.get(`Patient/${answer.id}`), now.get(answer.id)]
    return before && after && answer.outcome === 'revised' ? [{ id: answer.id, before, after }] : []
  })
  const written = states.flatMap((s, i) =>
    s?.ok && s.value.kind === 'order' && results[i]?.answer.outcome !== 'older' ? [s.value] : [],
  )
  const after = followPatients(revised, written, { ...known, tasks: tasksAfter(known, changes) }, patientOf, ctx)
  return accept({
    changes: [...changes, ...after.changes],
    ...(after.records.length > 0 && { records: after.records }),
    forward: uniqueForward([...results.flatMap((r) => r.forward), ...after.forward]),
    answer: results.slice(0, entries.length).map((r) => r.answer),
    warnings: results.slice(0, entries.length).flatMap((r) => r.answer.warnings),
  })
}

const told = (result: Result, warnings: readonly Problem[]): Result =>
  warnings.length === 0
    ? result
    : { ...result, answer: { ...result.answer, warnings: [...result.answer.warnings, ...warnings] } }

const ordersIn =
  (read: readonly (Checked<Stored> | undefined)[], known: Known) =>
  (id: string): OrderState | undefined => {
    const sent = read.find((s) => s?.ok && s.value.kind === 'order' && s.value.id === id)
    const state = sent?.ok ? sent.value : known.stored.get(`ServiceRequest/${id}`)?.state
    return state?.kind === 'order' ? state : undefined
  }

interface Speaking {
  readonly state: KeptState
  readonly doubts: readonly Problem[]
}

/** What a resource says of the visit of the order that it is based on. */
const withSaid = (
  kept: KeptState,
  resource: FhirResource,
  before: Stored | undefined,
  orderOf: (id: string) => OrderState | undefined,
  recorder: DeviceState | undefined,
  source: Source,
  ctx: Context,
): Speaking => {
  if (!mayBeEvidence(resource) || !evidenceOf(source).includes(resource.resourceType))
    return { state: kept, doubts: [] }
  if (kept.awaits !== undefined && kept.orderId === undefined)
    return { state: kept, doubts: [information('waits-for-order', 'basedOn[0]')] }
  const order = kept.orderId === undefined ? undefined : orderOf(kept.orderId)
  const site = ctx.parties.sites.find((s) => s.id === order?.site)
  if (order === undefined || site === undefined) return { state: kept, doubts: [] }
  const said = before?.kind === 'kept' && before.orderId === kept.orderId ? before.says : undefined
  const { says, doubts } = saidOf(resource, order, site, said, ctx, recorder?.id)
  return { state: { ...kept, ...(says && { says }) }, doubts }
}

/** The names that stored patients had, and that what was accepted of them no longer has. */
export const namesDropped = (
  entries: readonly Incoming[],
  answers: readonly Accepted[],
  source: Source,
  known: Known,
): readonly (Identity & { readonly id: string })[] =>
  answers.flatMap(({ type, id, outcome }, i) => {
    const [entry, patient] = [entries[i], known.patients.get(`${type}/${id}`)]
    if (entry === undefined || patient === undefined || outcome !== 'revised') return []
    const kept = new Set(identitiesOf(entry, source).map(identityKey))
    return identitiesOf({ at: '', method: 'PUT', resource: patient }, source)
      .filter((name) => !kept.has(identityKey(name)))
      .map((name) => ({ ...name, id }))
  })
