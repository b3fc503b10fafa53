/**
 * accept-order: takes what a source pushes, a resource or a whole transaction, and decides for every entry whether it
 * is new, revises what is stored, says the same again, or is older than what is stored.
 */
import type { FhirResource, Location, Patient, ServiceRequest } from 'fhir/r4.js'
import type { Source, SystemValue } from '../../model/configuration.ts'
import { accept, type Checked, type Problem, refusal, refuse, warning } from '../../model/problems.ts'
import type { Instant, KeptState, LinkState, OrderState, PatientState, TaskState } from '../../model/states.ts'
import { home } from '../../model/systems.ts'
import { takers, taskFor } from '../apply-device/make-link.ts'
import { stands } from '../apply-device/periods.ts'
import { withdrawWork } from '../forward-order/withdraw-work.ts'
import type { Change, Context, Decision, Fact, Forward } from '../step.ts'
import {
  contentOf,
  type Identity,
  type Incoming,
  identitiesOf,
  identityKey,
  isOlder,
  placerOf,
  placesOf,
} from './incoming.ts'
import { readOrder } from './read-order.ts'
import { type KnownNames, resolveReferences } from './resolve-references.ts'

/** Types that a source may push besides orders and patients; kept and readable, not acted on. */
export const keptTypes = [
  'Procedure',
  'Encounter',
  'Appointment',
  'Practitioner',
  'PractitionerRole',
  'Organization',
  'Location',
  'Condition',
] as const

export const pushedTypes: readonly string[] = ['ServiceRequest', 'Patient', ...keptTypes]

type Stored = OrderState | PatientState | KeptState

/** A state with the version under which the world reads it, and since when. */
export interface StoredVersion {
  readonly state: Stored
  readonly version: number
  readonly updated: Instant
}

/** What the decision needs to know: the states behind the names that the entries mention. */
export interface Known extends KnownNames {
  /** By `Type/id`. */
  readonly stored: ReadonlyMap<string, StoredVersion>
  readonly locations: ReadonlyMap<string, Location>
  /** As stored, by `Patient/id`. */
  readonly patients: ReadonlyMap<string, Patient>
  /** What the orders among `stored` refer to besides: reasons, encounters, people. */
  readonly companions: readonly KeptState[]
  /** Of the orders among `stored`. */
  readonly links: readonly LinkState[]
  readonly tasks: readonly TaskState[]
}

/** One answer for each entry, in the order of the entries. */
export interface Accepted {
  readonly type: string
  readonly id: string
  readonly outcome: 'created' | 'revised' | 'same' | 'older' | 'matched'
  readonly version: number
  readonly updated: Instant
  readonly warnings: readonly Problem[]
}

interface Placed {
  readonly incoming: Incoming
  readonly id: string
  readonly identities: readonly Identity[]
  /** The names by which it was looked for. */
  readonly claims: readonly Identity[]
  readonly before?: StoredVersion
  /** If-None-Exist found one: the body is ignored. */
  readonly ignored: boolean
}

const typeOf = (incoming: Incoming): string => incoming.resource.resourceType

const idsBehind = (identities: readonly Identity[], known: Known): readonly string[] => [
  ...new Set(identities.flatMap((i) => known.byIdentity.get(identityKey(i)) ?? [])),
]

/** Two sets of identifiers that are not one person's: a system that both have, and no value in common. */
const contradict = (identities: readonly Identity[], patient: Patient | undefined): boolean => {
  const theirs = (patient?.identifier ?? []).filter((i) => i.system !== undefined && i.value !== undefined)
  return identities.some(({ system }) => {
    const [mine, stored] = [identities.filter((i) => i.system === system), theirs.filter((i) => i.system === system)]
    return stored.length > 0 && !mine.some((i) => stored.some((t) => t.value === i.value))
  })
}

/**
 * The ids of what is stored under the names that an entry claims. Named by a criterion it is that alone: its other
 * identifiers may be somebody else's too, as a family's policy number is. Without one, whoever shares a name and has
 * another number in a system of both is another person.
 */
const idsClaimed = (claims: readonly Identity[], type: string, byCriterion: boolean, known: Known): readonly string[] =>
  idsBehind(claims, known).filter(
    (id) => byCriterion || type !== 'Patient' || !contradict(claims, known.patients.get(`Patient/${id}`)),
  )

/** A resource that is made or revised under a criterion must be found by it the next time. */
const checkCriterion = (incoming: Incoming, identities: readonly Identity[]): Problem[] => {
  const criterion = incoming.criterion ?? incoming.ifNoneExist
  if (criterion === undefined) return []
  const own = identities.some((i) => i.system === criterion.system && i.value === criterion.value)
  return own
    ? []
    : [
        refusal('wrong-criterion', placesOf(incoming, 'identifier'), {
          found: `${criterion.system}|${criterion.value}`,
          expected: identities.map((i) => `${i.system}|${i.value}`).join(' or ') || 'an identifier in the body',
        }),
      ]
}

/** The placer number is what makes an order this order: content with another one is another order. */
const otherPlacer = (incoming: Incoming, before: OrderState, placer: SystemValue): readonly Problem[] =>
  before.placer.system === placer.system && before.placer.value === placer.value
    ? []
    : [
        refusal('identity-taken', placesOf(incoming, 'identifier'), {
          found: `${placer.system}|${placer.value}`,
          expected: `${before.placer.system}|${before.placer.value}`,
          note: 'The order under this address has another placer number.',
        }),
      ]

/** A clinic writes by hand what is its own; what a source sent is the source's to change. */
const notTheirs = (before: Stored | undefined, source: Source, ctx: Context): readonly Problem[] => {
  if (before === undefined) return []
  const own = before.source === source.id && (ctx.caller.role !== 'clinic' || before.source === ctx.caller.id)
  return own ? [] : [refusal('not-allowed', '', { note: 'It came from another source, which alone may change it.' })]
}

/** An entry that is refused has its place all the same, so that what else is wrong with it can be told too. */
interface Placing {
  readonly placed?: Placed
  readonly problems: readonly Problem[]
}

/** Which stored resource an entry is about, or the id that it gets. */
const place = (incoming: Incoming, source: Source, known: Known, ctx: Context): Placing => {
  const type = typeOf(incoming)
  if (!pushedTypes.includes(type))
    return {
      problems: [refusal('type-not-taken', placesOf(incoming, ''), { found: type, expected: pushedTypes.join(' | ') })],
    }
  const asked = incoming.ifNoneExist ? [{ type, ...incoming.ifNoneExist }] : []
  const [match, ...otherMatches] = idsBehind(asked, known)
  if (otherMatches.length > 0) return { problems: [refusal('too-many-matches', placesOf(incoming, ''))] }
  // the body is ignored, and so are the names in it: they may be another's
  if (match !== undefined) {
    const there = known.stored.get(`${type}/${match}`)
    const placed = {
      incoming,
      id: match,
      identities: asked,
      claims: asked,
      ignored: true,
      ...(there && { before: there }),
    }
    return { placed, problems: [] }
  }
  const placer = type === 'ServiceRequest' ? placerOf(incoming, source) : accept(undefined)
  const identities = identitiesOf(incoming, source)
  const problems = placer.ok ? checkCriterion(incoming, identities) : [...placer.problems]
  if (type === 'Patient' && !identities.some((i) => i.system !== ''))
    problems.push(
      refusal('no-patient-identifier', placesOf(incoming, 'identifier'), {
        expected: 'an identifier with system and value',
      }),
    )
  const criterion = type === 'ServiceRequest' ? undefined : (incoming.criterion ?? incoming.ifNoneExist)
  const claims = criterion ? [{ type, ...criterion }] : identities
  const byId = incoming.targetId !== undefined && type !== 'ServiceRequest'
  const claimed = byId ? [] : idsClaimed(claims, type, criterion !== undefined, known)
  const ids = [...new Set([...(incoming.targetId ? [incoming.targetId] : []), ...claimed])]
  const missing = incoming.targetId !== undefined && !known.stored.has(`${type}/${incoming.targetId}`)
  if (missing) problems.push(refusal('not-known'))
  else if (ids.length > 1 && criterion) problems.push(refusal('too-many-matches', placesOf(incoming, '')))
  else if (ids.length > 1)
    problems.push(
      refusal('identity-taken', placesOf(incoming, 'identifier'), {
        note: `${ids.length} stored resources have a claim to it; people join them, Daybind does not.`,
      }),
    )
  const id = ids[0] ?? ctx.newId()
  const before = known.stored.get(`${type}/${id}`)
  if (incoming.ifMatch !== undefined && before?.version !== incoming.ifMatch)
    problems.push(
      refusal('version-conflict', '', {
        found: `W/"${incoming.ifMatch}"`,
        expected: before ? `W/"${before.version}"` : 'no If-Match: nothing is stored yet',
      }),
    )
  problems.push(...notTheirs(before?.state, source, ctx))
  if (before?.state.kind === 'order' && placer.ok && placer.value)
    problems.push(...otherPlacer(incoming, before.state, placer.value))
  return { placed: { incoming, id, identities, claims, ignored: false, ...(before && { before }) }, problems }
}

const twice = (placed: readonly Placed[]): Problem[] =>
  placed.flatMap((p, i) =>
    placed
      .slice(0, i)
      .some(
        (q) =>
          typeOf(q.incoming) === typeOf(p.incoming) &&
          (q.id === p.id || q.claims.some((a) => p.claims.some((b) => identityKey(a) === identityKey(b)))),
      )
      ? [refusal('same-identity-twice', placesOf(p.incoming, 'identifier'))]
      : [],
  )

const patientIdOf = (incoming: Incoming, order: ServiceRequest): string | Problem => {
  const [type, id] = (order.subject?.reference ?? '').split('/')
  if (type === 'Patient' && id !== undefined) return id
  return refusal(
    order.subject?.reference === undefined ? 'no-patient' : 'wrong-reference',
    placesOf(incoming, 'subject'),
    { ...(type && { found: type }), expected: 'a Patient that Daybind knows or that comes in the same Bundle' },
  )
}

const revoked = (status: string): boolean => status === 'revoked' || status === 'entered-in-error'

const factOf = (before: OrderState | undefined, status: string): Fact => {
  if (before === undefined) return 'order-accepted'
  if (revoked(status) && !revoked(before.status)) return 'order-revoked'
  if (status === 'on-hold' && before.status !== 'on-hold') return 'order-held'
  return status === 'completed' && before.status !== 'completed' ? 'order-completed' : 'order-revised'
}

/** A new day in the order sets aside what people agreed and recorded about the old one. */
const visitOf = (before: OrderState | undefined, orderedDay: string | undefined) => {
  if (before !== undefined && before.orderedDay === orderedDay)
    return {
      ...(before.visitDay !== undefined && { visitDay: before.visitDay }),
      ...(before.notApplied !== undefined && { notApplied: before.notApplied }),
    }
  return orderedDay === undefined ? {} : { visitDay: orderedDay }
}

/** While a device is linked for it, an order stays with its patient: people correct the link first. */
const otherPatient = (p: Placed, patientId: string, links: readonly LinkState[]): readonly Problem[] =>
  links.some((l) => l.orderId === p.id && stands(l) && l.patientId !== patientId)
    ? [
        refusal('order-linked', placesOf(p.incoming, 'subject'), {
          note: 'The link names the patient of before: correct the link, then change the order.',
        }),
      ]
    : []

const acceptOrder = (
  p: Placed,
  resolved: ServiceRequest,
  source: Source,
  location: (reference: string) => Location | undefined,
  links: readonly LinkState[],
  ctx: Context,
): Checked<OrderState> => {
  const before = p.before?.state.kind === 'order' ? p.before.state : undefined
  const reading = readOrder(p.incoming, resolved, source, ctx.parties, location)
  const patient = patientIdOf(p.incoming, resolved)
  const placer = placerOf(p.incoming, source)
  const problems = [
    ...(reading.ok ? [] : reading.problems),
    ...(typeof patient === 'string' ? [] : [patient]),
    ...(reading.ok && ctx.caller.sites !== undefined && !ctx.caller.sites.includes(reading.value.site.id)
      ? [
          refusal('unknown-site', placesOf(p.incoming, 'locationReference'), {
            expected: ctx.caller.sites.join(' or '),
          }),
        ]
      : []),
  ]
  if (typeof patient === 'string') problems.push(...otherPatient(p, patient, links))
  if (problems.length > 0 || !reading.ok || !placer.ok || typeof patient !== 'string') return refuse(problems)
  const { site, codes, visitDay, wear } = reading.value
  const { status, intent } = resolved
  return accept({
    kind: 'order',
    id: p.id,
    source: before?.source ?? source.id,
    placer: placer.value,
    site: site.id,
    patientId: patient,
    status,
    intent,
    codes,
    ...(visitDay !== undefined && { orderedDay: visitDay }),
    ...visitOf(before, visitDay),
    wear,
    byHand: before?.byHand ?? ctx.caller.role === 'clinic',
    acceptedAt: before?.acceptedAt ?? ctx.now,
    ...(revoked(status) && { revokedAt: before?.revokedAt ?? ctx.now }),
    content: contentOf(resolved, p.incoming.resource),
  })
}

const orderOf = (resolved: FhirResource): string | undefined => {
  const { basedOn } = resolved as { basedOn?: { reference?: string }[] }
  return basedOn?.map((r) => /^ServiceRequest\/(.+)$/.exec(r.reference ?? '')?.[1]).find((id) => id !== undefined)
}

const stateOf = (
  p: Placed,
  resolved: FhirResource,
  source: Source,
  location: (reference: string) => Location | undefined,
  links: readonly LinkState[],
  ctx: Context,
): Checked<Stored> => {
  if (resolved.resourceType === 'ServiceRequest') return acceptOrder(p, resolved, source, location, links, ctx)
  const owner = p.before?.state.source ?? source.id
  const content = contentOf(resolved, p.incoming.resource)
  if (resolved.resourceType === 'Patient') return accept({ kind: 'patient', id: p.id, source: owner, content })
  const orderId = orderOf(resolved)
  return accept({
    kind: 'kept',
    id: p.id,
    source: owner,
    type: resolved.resourceType,
    ...(orderId && { orderId }),
    content,
  })
}

const markByHand = (resource: FhirResource): FhirResource => ({
  ...resource,
  meta: {
    ...resource.meta,
    tag: [
      ...(resource.meta?.tag ?? []).filter((t) => t.system !== `${home}/CodeSystem/origin`),
      { system: `${home}/CodeSystem/origin`, code: 'by-hand' },
    ],
  },
})

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
 * Same content, no new version. That the source said it again later is noted all the same: otherwise what it said in
 * between, and what arrives after, would pass as newer.
 */
const sameAgain = (p: Placed, before: Stored, now: Stored, ctx: Context): Result => {
  const { datedAt, sourceVersion } = now.content
  const later = isOlder(before.content, now.content)
  const content = {
    ...before.content,
    ...(datedAt !== undefined && { datedAt }),
    ...(sourceVersion !== undefined && { sourceVersion }),
  }
  return later
    ? {
        ...quiet(p, 'same'),
        changes: [{ fact: factOfSame(before), state: { ...before, content }, occurredAt: ctx.now }],
      }
    : quiet(p, 'same')
}

const factOfSame = ({ kind }: Stored): Fact =>
  kind === 'order' ? 'order-revised' : kind === 'patient' ? 'patient-received' : 'resource-received'

/** An order that is active again asks again for the work that its revocation cancelled. */
const askAgain = (state: OrderState, tasks: readonly TaskState[], known: Known, ctx: Context): readonly Change[] => {
  const open = (l: LinkState, service: string) =>
    tasks.some(
      (t) => t.linkId === l.id && t.readingService === service && t.asks === 'fulfill' && t.status !== 'cancelled',
    )
  const links = known.links.filter((l) => l.orderId === state.id && stands(l))
  return links.flatMap((link) =>
    takers(state, ctx.parties.readingServices)
      .filter((service) => !open(link, service.id))
      .map(
        (service): Change => ({ fact: 'task-requested', state: taskFor(link, service.id, ctx), occurredAt: ctx.now }),
      ),
  )
}

/** A revision of an order that was forwarded goes to the same reading services; a revocation ends their work. */
const followUp = (before: Stored | undefined, state: Stored, fact: Fact, known: Known, ctx: Context) => {
  if (state.kind !== 'order') return { changes: [], forward: [] }
  const tasks = known.tasks.filter((t) => t.orderId === state.id && t.status !== 'entered-in-error')
  const again = before?.kind === 'order' && revoked(before.status) && state.status === 'active'
  const changes = fact === 'order-revoked' ? withdrawWork(tasks, ctx) : again ? askAgain(state, tasks, known, ctx) : []
  const asked = changes.flatMap((c) => (c.state.kind === 'task' ? [c.state.readingService] : []))
  const services = [...new Set([...tasks.map((t) => t.readingService), ...asked])]
  return { changes, forward: services.map((readingService) => ({ orderId: state.id, readingService })) }
}

const settle = (p: Placed, resolved: FhirResource, state: Stored, known: Known, ctx: Context): Result => {
  const before = p.before?.state
  if (before !== undefined && before.content.digest === state.content.digest) return sameAgain(p, before, state, ctx)
  if (before !== undefined && isOlder(state.content, before.content))
    return quiet(p, 'older', [warning('stale-content', placesOf(p.incoming, 'meta'))])
  const fact: Fact =
    state.kind === 'order'
      ? factOf(before?.kind === 'order' ? before : undefined, state.status)
      : state.kind === 'patient'
        ? 'patient-received'
        : 'resource-received'
  const content = state.kind === 'order' && state.byHand ? markByHand(resolved) : resolved
  const left =
    before?.kind === 'order' && state.kind === 'order' && before.site !== state.site ? before.site : undefined
  const change: Change = { fact, state, occurredAt: ctx.now, content, ...(left !== undefined && { leaves: left }) }
  const after = followUp(before, state, fact, known, ctx)
  return {
    answer: {
      type: typeOf(p.incoming),
      id: p.id,
      outcome: before === undefined ? 'created' : 'revised',
      version: (p.before?.version ?? 0) + 1,
      updated: ctx.now,
      warnings: [],
    },
    changes: [change, ...after.changes],
    forward: after.forward,
  }
}

const inBundleOf = (placed: readonly Placed[]): ReadonlyMap<string, string> =>
  new Map(placed.flatMap((p) => (p.incoming.fullUrl ? [[p.incoming.fullUrl, `${typeOf(p.incoming)}/${p.id}`]] : [])))

/**
 * An entry without any name is known again by its content, where the stored order refers to it: a sender who repeats a
 * transaction, because no answer came, adds no second reason or requester.
 */
const recognised = (placed: readonly Placed[], source: Source, known: Known): readonly Placed[] => {
  const inBundle = inBundleOf(placed)
  const own = new Set([...known.own, ...inBundle.values()])
  const taken = new Set<string>()
  return placed.map((p) => {
    if (p.before !== undefined || p.claims.length > 0 || known.companions.length === 0) return p
    const { resource } = resolveReferences(p.incoming, { byIdentity: known.byIdentity, own, inBundle, source })
    const { digest } = contentOf(resource, p.incoming.resource)
    const there = known.companions.find(
      (c) => c.type === typeOf(p.incoming) && c.content.digest === digest && !taken.has(c.id),
    )
    if (there === undefined) return p
    taken.add(there.id)
    return { ...p, id: there.id, ignored: true }
  })
}

/** Patients and places first, so that what refers to them finds them; the answers keep the order of the entries. */
const rank = (incoming: Incoming): number =>
  ['Organization', 'Location', 'Practitioner', 'PractitionerRole', 'Patient'].includes(typeOf(incoming)) ? 0 : 1

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
  const places = entries.map((e) => place(e, source, known, ctx))
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

  const resolutions = placed.map((p) => resolveReferences(p.incoming, { byIdentity, own, inBundle, source }))
  problems.push(...resolutions.flatMap((r, i) => (placed[i]?.ignored ? [] : r.problems)))
  const locations = new Map(known.locations)
  placed.forEach((p, i) => {
    const resource = resolutions[i]?.resource
    if (resource?.resourceType === 'Location' && !p.ignored) locations.set(`Location/${p.id}`, resource)
  })
  const states = placed.map((p, i) =>
    p.ignored
      ? undefined
      : stateOf(p, resolutions[i]?.resource ?? p.incoming.resource, source, (r) => locations.get(r), known.links, ctx),
  )
  problems.push(...states.flatMap((s) => (s && !s.ok ? s.problems : [])))
  if (problems.length > 0) return refuse(problems)

  const results = placed.map((p, i): Result => {
    const [state, resolution] = [states[i], resolutions[i]]
    return state?.ok && resolution ? settle(p, resolution.resource, state.value, known, ctx) : quiet(p, 'matched')
  })
  const inOrder = results.map((result, i) => ({ result, rank: rank(placed[i]?.incoming ?? (entries[0] as Incoming)) }))
  inOrder.sort((a, b) => a.rank - b.rank)
  return accept({
    changes: inOrder.flatMap(({ result }) => result.changes),
    forward: results.flatMap((r) => r.forward),
    answer: results.map((r) => r.answer),
    warnings: results.flatMap((r) => r.answer.warnings),
  })
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
