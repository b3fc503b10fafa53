/** Which stored resource an entry is about: by the names that it carries, by our id, or by its content. */
import type { Identifier, Location, Patient } from 'fhir/r4.js'
import type { Source, SystemValue } from '../../model/configuration.ts'
import { unmet } from '../../model/preconditions.ts'
import { accept, type Problem, refusal } from '../../model/problems.ts'
import type { DeviceState, Instant, KeptState, OrderState, PatientState } from '../../model/states.ts'
import { type Context, worksAt } from '../step.ts'
import type { Concerned } from './follow-patients.ts'
import {
  contentOf,
  type Identity,
  type Incoming,
  identitiesOf,
  identityKey,
  placerOf,
  placesOf,
  urlIdentity,
} from './incoming.ts'
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

export type Stored = OrderState | PatientState | KeptState

/** A state with the version under which the world reads it, and since when. */
export interface StoredVersion {
  readonly state: Stored
  readonly version: number
  readonly updated: Instant
}

/**
 * What the decision needs to know: the states behind the names that the entries mention. Links, tasks and stubs are
 * those of the orders among `stored`, and of the orders of patients whose change may concern them.
 */
export interface Known extends KnownNames, Concerned {
  /** By `Type/id`. */
  readonly stored: ReadonlyMap<string, StoredVersion>
  readonly locations: ReadonlyMap<string, Location>
  /** As stored, by `Patient/id`; the records that took the place of others are among them. */
  readonly patients: ReadonlyMap<string, Patient>
  /** From which source each of these came. */
  readonly owners: ReadonlyMap<string, string>
  /** What was said before of the visits of orders among the entries: it is read again as if it came now. */
  readonly waiting: readonly Incoming[]
  /** Orders of which evidence among the entries spoke until now. */
  readonly spokenOf: readonly OrderState[]
  /** Recorders that evidence among the entries may name. */
  readonly recorders: readonly DeviceState[]
  /** What the orders among `stored` refer to besides: reasons, encounters, people. */
  readonly companions: readonly KeptState[]
}

export interface Placed {
  readonly incoming: Incoming
  readonly id: string
  readonly identities: readonly Identity[]
  /** The names by which it was looked for. */
  readonly claims: readonly Identity[]
  readonly before?: StoredVersion
  /** If-None-Exist found one: the body is ignored. */
  readonly ignored: boolean
}

export const typeOf = (incoming: Incoming): string => incoming.resource.resourceType

/** A number that is old for one patient and in use for another is the other's (Identifier.use `old`). */
const inUseBy = (ids: readonly string[], name: Identity, known: Known): readonly string[] => {
  const uses = (id: string) =>
    known.patients
      .get(`Patient/${id}`)
      ?.identifier?.some((i) => i.system === name.system && i.value === name.value && i.use !== 'old') ?? true
  const current = ids.length > 1 && name.type === 'Patient' ? ids.filter(uses) : ids
  return current.length > 0 ? current : ids
}

const idsBehind = (identities: readonly Identity[], known: Known): readonly string[] => [
  ...new Set(identities.flatMap((i) => inUseBy(known.byIdentity.get(identityKey(i)) ?? [], i, known))),
]

/** Two sets of identifiers that are not one person's: a system that both have, and no value in common. */
const contradict = (identities: readonly Identity[], patient: Patient | undefined): boolean => {
  const theirs = (patient?.identifier ?? []).filter((i) => i.system !== undefined && i.value !== undefined)
  return identities.some(({ system }) => {
    const [mine, stored] = [identities.filter((i) => i.system === system), theirs.filter((i) => i.system === system)]
    return stored.length > 0 && !mine.some((i) => stored.some((t) => t.value === i.value))
  })
}

/** An old number of the one is not a claim to another who has it now: a survivor carries those of whom they replaced. */
const isOldClaim = (name: Identity, { resource }: Incoming, id: string, known: Known): boolean => {
  const same = (i: Identifier) => i.system === name.system && i.value === name.value
  const isOld = (patient: Patient | undefined) => patient?.identifier?.find(same)?.use === 'old'
  return resource.resourceType === 'Patient' && isOld(resource) && !isOld(known.patients.get(`Patient/${id}`))
}

const addressesIn = (claims: readonly Identity[]): readonly Identity[] => claims.filter((c) => c.system === urlIdentity)

/** A number that the entry has in a system of the stored patient, who has not. */
const hasAnother = (claims: readonly Identity[], patient: Patient | undefined): boolean => {
  const theirs = patient?.identifier ?? []
  return claims.some(
    ({ system, value }) =>
      theirs.some((i) => i.system === system) && !theirs.some((i) => i.system === system && i.value === value),
  )
}

/**
 * Two addresses on a source's server are two records, whatever numbers they share: in one message always, else where
 * the one has a number that the other has not. A server that was set up anew has the same record elsewhere.
 */
const isElsewhere = (claims: readonly Identity[], id: string, known: Known): boolean => {
  const own = addressesIn(claims)
  if (own.length === 0 || own.some((a) => known.byIdentity.get(identityKey(a))?.includes(id))) return false
  const stored = known.stored.get(`Patient/${id}`)?.state
  const address = stored?.kind === 'patient' ? stored.address : undefined
  return (
    [...known.byIdentity].some(([key, ids]) => key.startsWith(`Patient|${urlIdentity}|`) && ids.includes(id)) ||
    (address !== undefined && hasAnother(claims, known.patients.get(`Patient/${id}`)))
  )
}

/**
 * The ids of what is stored under the names that an entry claims. Named by a criterion it is that alone: its other
 * identifiers may be somebody else's too, as a family's policy number is. Without one, whoever shares a name and has
 * another number in a system of both is another person.
 */
const idsClaimed = (
  claims: readonly Identity[],
  incoming: Incoming,
  byCriterion: boolean,
  known: Known,
): readonly string[] => {
  if (byCriterion || typeOf(incoming) !== 'Patient') return idsBehind(claims, known)
  // where the source's server has it, it is, whose numbers it may carry besides
  const there = idsBehind(addressesIn(claims), known)
  if (there.length === 1) return there
  const claimed = claims.flatMap((name) =>
    idsBehind([name], known).filter((id) => !isOldClaim(name, incoming, id, known)),
  )
  return [...new Set(claimed)].filter(
    (id) => !contradict(claims, known.patients.get(`Patient/${id}`)) && !isElsewhere(claims, id, known),
  )
}

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

/** What is wrong with the request rather than with the resource: inside a Bundle it has a place. */
const requestOf = ({ at }: Incoming): string => at.replace(/resource$/, 'request')

/** A clinic writes by hand what is its own; what a source sent is the source's to change. */
const notTheirs = (
  incoming: Incoming,
  before: Stored | undefined,
  source: Source,
  ctx: Context,
): readonly Problem[] => {
  if (before === undefined) return []
  const own = before.source === source.id && (ctx.caller.role !== 'clinic' || before.source === ctx.caller.id)
  if (!own)
    return [
      refusal('not-allowed', requestOf(incoming), { note: 'It came from another source, which alone may change it.' }),
    ]
  const elsewhere = before.kind === 'order' && !worksAt(ctx.caller, before.site)
  return elsewhere
    ? [refusal('not-allowed', requestOf(incoming), { note: 'The order is at a site that is not yours.' })]
    : []
}

/** An entry that is refused has its place all the same, so that what else is wrong with it can be told too. */
interface Placing {
  readonly placed?: Placed
  readonly problems: readonly Problem[]
}

/** Which stored resource an entry is about, or the id that it gets. */
export const place = (incoming: Incoming, source: Source, known: Known, ctx: Context): Placing => {
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
    return { placed, problems: unmet(incoming, there?.version, requestOf(incoming)) }
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
  const claimed = byId ? [] : idsClaimed(claims, incoming, criterion !== undefined, known)
  const ids = [...new Set([...(incoming.targetId ? [incoming.targetId] : []), ...claimed])]
  const missing = incoming.targetId !== undefined && !known.stored.has(`${type}/${incoming.targetId}`)
  if (missing) problems.push(refusal('not-known', requestOf(incoming)))
  else if (ids.length > 1 && criterion) problems.push(refusal('too-many-matches', placesOf(incoming, '')))
  else if (ids.length > 1)
    problems.push(
      refusal('identity-taken', placesOf(incoming, 'identifier'), {
        note: `${ids.length} stored resources have a claim to it; people join them, Daybind does not.`,
      }),
    )
  const id = ids[0] ?? ctx.newId()
  const before = known.stored.get(`${type}/${id}`)
  // RFC 9110, 13.2.1: conditions do not count where the answer would be an error without them
  if (!missing) problems.push(...unmet(incoming, before?.version, requestOf(incoming)))
  problems.push(...notTheirs(incoming, before?.state, source, ctx))
  if (before?.state.kind === 'order' && placer.ok && placer.value)
    problems.push(...otherPlacer(incoming, before.state, placer.value))
  return { placed: { incoming, id, identities, claims, ignored: false, ...(before && { before }) }, problems }
}

/** Two patients of one message that a source's server has at two addresses are two. */
const areApart = (a: Placed, b: Placed): boolean =>
  typeOf(a.incoming) === 'Patient' && [a, b].every(({ claims }) => addressesIn(claims).length > 0)

const shareName = (a: Placed, b: Placed): boolean => {
  const names = new Set(a.claims.map(identityKey))
  return b.claims.some((c) => names.has(identityKey(c)) && (c.system === urlIdentity || !areApart(a, b)))
}

export const twice = (placed: readonly Placed[]): Problem[] =>
  placed.flatMap((p, i) =>
    placed.slice(0, i).some((q) => typeOf(q.incoming) === typeOf(p.incoming) && (q.id === p.id || shareName(q, p)))
      ? [refusal('same-identity-twice', placesOf(p.incoming, 'identifier'))]
      : [],
  )

export const inBundleOf = (placed: readonly Placed[]): ReadonlyMap<string, string> =>
  new Map(placed.flatMap((p) => (p.incoming.fullUrl ? [[p.incoming.fullUrl, `${typeOf(p.incoming)}/${p.id}`]] : [])))

/**
 * An entry without any name is known again by its content, where the stored order refers to it: a sender who repeats a
 * transaction, because no answer came, adds no second reason or requester.
 */
export const recognised = (placed: readonly Placed[], source: Source, known: Known): readonly Placed[] => {
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
