/** What a source's server gave goes the way of what a source sends by itself. */
import { randomUUIDv7 } from 'node:crypto'
import type { FhirResource } from 'fhir/r4.js'
import type { Problem } from '../../model/problems.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import type { Failure } from '../fhir/peer-fates.ts'
import { kindOf } from '../kind-of-error.ts'
import { noteSeen, notRead, type Seen } from '../postgres/asked-sources.ts'
import { DatabaseError } from '../postgres/database.ts'
import { writeEntries } from '../postgres/write-entries.ts'
import { addressOf, asIncoming, type Target } from './fetched.ts'
import { type Asking, inTrouble, Trouble } from './walk.ts'

/** Resources of theirs that were read in this round, by address; undefined: not there, or it could not be read. */
export class Shelf extends Map<string, Promise<(FhirResource & { id: string }) | undefined>> {
  /** Addresses of what may be there and could not be read. */
  readonly unread = new Set<string>()
}

/** An error of theirs about this one resource; in any other trouble nothing else can be read either. */
const isAboutIt = ({ cause, status }: Failure): boolean => cause === 'credentials' || status === 500

export const read = (a: Asking, shelf: Shelf, target: Target) => {
  const address = addressOf(a.source, target)
  const ask = async () => {
    const answer = await a.peer.read(target.type as FhirResource['resourceType'], target.id, randomUUIDv7())
    if (answer.fate === 'answered') return answer.body as FhirResource & { id: string }
    if (answer.fate === 'final') return undefined
    if (!isAboutIt(answer)) throw inTrouble(answer)
    shelf.unread.add(address)
    return undefined
  }
  const known = shelf.get(address) ?? ask()
  shelf.set(address, known)
  return known
}

/** What of these targets could not be read: it is asked for again. */
export const unreadOf = (a: Asking, shelf: Shelf, targets: readonly Target[]): readonly string[] => [
  ...new Set(targets.filter((t) => shelf.unread.has(addressOf(a.source, t))).map(({ type }) => `${notRead} ${type}`)),
]

export const isSound = (resource: FhirResource): boolean =>
  checkResource(resource, [resource.resourceType]).length === 0

const told = ({ code, at }: Problem): string => (at[0] === undefined ? code : `${code} at ${at[0]}`)

/** Problems that are remembered of one refusal. */
const maxProblems = 20

export interface Taken {
  readonly fate: 'taken' | 'refused'
  /** Why it was refused; of what was taken, what is odd about it. Codes of ours, with places. */
  readonly problems: readonly string[]
}

const taken = (fate: Taken['fate'], problems: readonly Problem[]): Taken => ({
  fate,
  problems: [...new Set(problems.map(told))].slice(0, maxProblems),
})

/**
 * Does one resource's work. What is no trouble of theirs and no outage is a bug of ours, told in the log, and holds up
 * nothing else.
 */
export const guarded = async (a: Asking, seen: Omit<Seen, 'fate' | 'problems'>, work: () => Promise<void>) => {
  try {
    await work()
  } catch (error) {
    if (error instanceof Trouble || error instanceof DatabaseError) throw error
    a.log.error(
      { step: 'accept-order', source: a.source.id, type: seen.type, err: kindOf(error) },
      'could not be taken',
    )
    await note(a, { ...seen, fate: 'refused', problems: ['unexpected'] })
  }
}

/** Stores resources of theirs together. */
export const take = async (a: Asking, resources: readonly (FhirResource & { id: string })[]): Promise<Taken> => {
  const entries = asIncoming(resources, a.source)
  const problems = entries.flatMap(({ resource, at }) => checkResource(resource, [resource.resourceType], at))
  if (problems.length > 0) return taken('refused', problems)
  const writer = {
    caller: { id: a.source.id, role: 'source' as const },
    sight: a.sight,
    requestId: randomUUIDv7(),
    dryRun: false,
  }
  const inbound = writeJson({
    resourceType: 'Bundle',
    type: 'collection',
    entry: resources.map((resource) => ({ resource })),
  })
  const done = await writeEntries(a.runner, writer, entries, inbound, `GET ${a.source.id}`, () => ({
    status: 200,
    body: '',
  }))
  return done.ok ? taken('taken', done.warnings) : taken('refused', done.problems)
}

export const note = async (a: Asking, seen: Seen): Promise<void> => {
  await noteSeen(a.runner.db, a.source.id, seen)
  if (seen.fate === 'refused')
    a.log.warn(
      { step: 'accept-order', source: a.source.id, type: seen.type, version: seen.version, problems: seen.problems },
      'not taken',
    )
}

export const chunks = <T>(list: readonly T[], size: number): T[][] =>
  Array.from({ length: Math.ceil(list.length / size) }, (_, i) => list.slice(i * size, (i + 1) * size))
