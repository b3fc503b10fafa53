/** Runs accept-order for what was read: alone, as a transaction, or entry by entry. */
import { type Accepted, acceptEntries, namesDropped } from '../../flow/accept-order/accept-order.ts'
import { mayBeEvidence } from '../../flow/accept-order/evidence.ts'
import { type Incoming, identitiesOf, identityKey } from '../../flow/accept-order/incoming.ts'
import type { Known } from '../../flow/accept-order/place.ts'
import { isReplaced } from '../../flow/accept-order/successors.ts'
import type { ActingCaller, Decision } from '../../flow/step.ts'
import type { Parties, Source } from '../../model/configuration.ts'
import { accept, type Checked } from '../../model/problems.ts'
import { defaultTakes } from '../../model/systems.ts'
import type { Tx } from './database.ts'
import type { Sight } from './find-resources.ts'
import { loadForOrders, namesToLock, recordersIn, subjectsToLock } from './load-for-orders.ts'
import {
  deviceLock,
  NotLocked,
  nameLock,
  orderLock,
  patientLocks,
  runStep,
  type StepCall,
  type StepRunner,
  type Told,
  withFreshLocks,
} from './run-step.ts'
import type { Names } from './writing.ts'

/** As which source a caller speaks: the configured one with its id, or one of its own by default. */
const sourceOf = (caller: ActingCaller, parties: Parties): Source => {
  const own: Source = { id: caller.id, takes: defaultTakes }
  const only = caller.role === 'clinic' && caller.sites?.length === 1 ? caller.sites[0] : undefined
  return parties.sources.find((s) => s.id === caller.id) ?? { ...own, ...(only !== undefined && { site: only }) }
}

/** Names of the order's and the patient's own, for those that are not named yet. */
const namesOf =
  (source: Source, entries: readonly Incoming[]) =>
  (decision: Decision<readonly Accepted[]>, known: Known): Names => ({
    given: decision.answer.flatMap((a, i) => {
      const entry = entries[i]
      if (entry === undefined || a.outcome === 'matched' || a.outcome === 'older') return []
      return identitiesOf(entry, source).map((identity) => ({ ...identity, owner: source.id, id: a.id }))
    }),
    dropped: namesDropped(entries, decision.answer, source, known).map((name) => ({ ...name, owner: source.id })),
  })

/** Whoever revises a resource by our id writes on behalf of the source that it came from. */
const ownerOf = (
  entries: readonly Incoming[],
  known: Known,
  speaking: Source,
  parties: Parties,
): Source | undefined => {
  const [only, ...others] = entries
  if (only?.targetId === undefined || others.length > 0) return undefined
  const owner = known.stored.get(`${only.resource.resourceType}/${only.targetId}`)?.state.source
  if (owner === undefined || owner === speaking.id) return undefined
  return parties.sources.find((s) => s.id === owner) ?? { id: owner, takes: defaultTakes }
}

/** Who writes, and what they may see. */
export interface Writer {
  readonly caller: ActingCaller
  readonly sight: Sight
  readonly requestId: string
  /** Everything but that anything is kept. */
  readonly dryRun: boolean
}

export type Tell = (tx: Tx, answers: readonly Accepted[]) => Told | Promise<Told>

/** Where a resource is named by our id, its owner is looked up first: whoever revises it writes for that source. */
const speaker = async (runner: StepRunner, call: Writer, entries: readonly Incoming[]): Promise<Source> => {
  const speaking = sourceOf(call.caller, runner.parties)
  if (entries.every((e) => e.targetId === undefined)) return speaking
  const known = await loadForOrders(runner.db, entries, speaking, call.sight)
  return ownerOf(entries, known, speaking, runner.parties) ?? speaking
}

/** The stored patients that the entries may be about are locked by all of their names, those that an entry leaves out too. */
const namesOfPatients = (entries: readonly Incoming[], known: Known, source: Source): readonly string[] =>
  entries.flatMap((entry) => {
    const { resource } = entry
    if (resource.resourceType !== 'Patient') return []
    const criterion = entry.criterion && [{ type: 'Patient', ...entry.criterion }]
    const ids = (criterion ?? identitiesOf(entry, source)).flatMap((i) => known.byIdentity.get(identityKey(i)) ?? [])
    return [...ids, entry.targetId ?? ''].flatMap((id) => {
      const patient = known.patients.get(`Patient/${id}`)
      if (!patient) return []
      // an order that names it by our id comes before this, or finds it replaced
      const whole = isReplaced(resource) ? [`Patient/${id}`] : []
      return [...whole, ...patientLocks(source.id, patient)]
    })
  })

/**
 * What a change of a patient may reach: the record itself under our id, those that it leads to, its orders and their
 * recorders.
 */
const locksReached = ({ orders, devices, patients, owners }: Known): readonly string[] =>
  orders.length === 0
    ? []
    : [
        ...orders.map(({ state }) => orderLock(state)),
        ...devices.map((d) => deviceLock(d.serialNumber)),
        ...[...patients].flatMap(([name, patient]) => [name, ...patientLocks(owners.get(name) ?? '', patient)]),
      ]

/** The stored orders of whose visit an entry may say something: their gaps follow. */
const spokenOfLocks = (entries: readonly Incoming[], { stored, waiting, spokenOf }: Known): readonly string[] =>
  [...entries, ...waiting].some((e) => mayBeEvidence(e.resource))
    ? [...[...stored.values()].flatMap(({ state }) => (state.kind === 'order' ? [state] : [])), ...spokenOf].map(
        orderLock,
      )
    : []

/** The recorders that evidence names: what they are tied to is looked at with it. */
const recorderLocks = (entries: readonly Incoming[], { recorders }: Known): readonly string[] => [
  ...recordersIn(entries).flatMap((s) => ('id' in s ? [] : [deviceLock(s.serialNumber)])),
  ...recorders.map((d) => deviceLock(d.serialNumber)),
]

/** Runs accept-order for entries that stand or fall together, under the locks of the names that they carry. */
export const writeEntries = async (
  runner: StepRunner,
  call: Writer,
  entries: readonly Incoming[],
  inbound: string,
  route: string,
  tell: Tell,
): Promise<Checked<Told>> => {
  const source = await speaker(runner, call, entries)
  const locks = new Set([
    ...namesToLock(entries, source).map((key) => nameLock(source.id, key)),
    ...subjectsToLock(entries),
  ])
  const step = (): StepCall => ({
    step: 'accept-order',
    caller: call.caller,
    requestId: call.requestId,
    locks: [...locks],
    inbound: { route, body: inbound },
    dryRun: call.dryRun,
  })
  return withFreshLocks(() =>
    runStep(runner, step(), {
      load: async (tx, begun) => {
        const known = await loadForOrders(tx, entries, source, call.sight, begun)
        const reached = [
          ...namesOfPatients(entries, known, source),
          ...locksReached(known),
          ...spokenOfLocks(entries, known),
          ...namesToLock(known.waiting, source).map((key) => nameLock(source.id, key)),
          ...recorderLocks([...entries, ...known.waiting], known),
        ]
        const others = reached.filter((name) => !locks.has(name))
        for (const name of others) locks.add(name)
        if (others.length > 0) throw new NotLocked()
        return accept(known)
      },
      decide: (known, ctx) => acceptEntries(entries, source, known, ctx),
      names: namesOf(source, entries),
      tell: (tx, decision) => tell(tx, decision.answer),
    }),
  )
}
