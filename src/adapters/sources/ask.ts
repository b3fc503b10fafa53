/**
 * Asking one source's server for its orders. What it answers goes the way of what a source sends by itself; nothing is
 * believed of what it says about how much there is, and nothing of it harms another source.
 */
import { randomUUIDv7 } from 'node:crypto'
import type { Bundle, FhirResource } from 'fhir/r4.js'
import type { Logger } from 'pino'
import type { Walk } from '../../flow/accept-order/poll-plan.ts'
import type { Problem } from '../../model/problems.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import type { Peer } from '../fhir/peer.ts'
import type { Answer, Failure } from '../fhir/peer-fates.ts'
import { noteSeen, openPatientsThere, openThere, type Seen, seenBefore } from '../postgres/asked-sources.ts'
import type { Sight } from '../postgres/find-resources.ts'
import type { StepRunner } from '../postgres/run-step.ts'
import { writeEntries } from '../postgres/write-entries.ts'
import {
  type AskedSource,
  addressOf,
  asIncoming,
  companionsOf,
  isOpen,
  isTaken,
  type Of,
  readPage,
  successorsOf,
  type Target,
  targetOf,
  versionOf,
} from './fetched.ts'

export interface Asking {
  readonly source: AskedSource
  readonly peer: Peer
  readonly runner: StepRunner
  readonly sight: Sight
  readonly log: Logger
  /** Called between pages; throws where the source is not ours any more, or the service ends. */
  readonly goOn: () => Promise<void>
}

/** Asking did not come to its end; what was taken up to then stays. */
export class Trouble extends Error {
  readonly retryAfterMs: number
  constructor(reason: string, retryAfterMs = 0) {
    super(reason)
    this.retryAfterMs = retryAfterMs
  }
}

const inTrouble = ({ reason, retryAfterMs }: Failure): Trouble => new Trouble(reason, retryAfterMs)

/** Pages of a search at most: a server that always has another one is told from one that has many orders. */
const maxPages = 2_000
const pageSize = 100

/** What was noticed and stops nothing. */
export type Warnings = Set<string>

type Searched = 'ServiceRequest' | 'Patient'
type Params = Record<string, string | string[]>

const expired = (answer: Answer<Bundle>): boolean => answer.fate !== 'answered' && answer.status === 410

/**
 * Walks through all pages of a search and hands on what is found, page by page.
 * @returns the clocks at the beginning
 * @throws Trouble where the walk does not come to a good end: what lies beyond is not known, so nobody may go on from there
 */
async function* walk<T extends Searched>(
  a: Asking,
  type: T,
  params: Params,
  warnings: Warnings,
  begun: (w: Walk) => void,
) {
  const requestId = randomUUIDv7()
  const ours = Date.now()
  let answer = await a.peer.search(type, { ...params, _count: String(pageSize), _total: 'accurate' }, requestId)
  const seen = new Set<string>()
  let total: number | undefined
  for (let pages = 1; ; pages += 1) {
    if (answer.fate !== 'answered') throw inTrouble(answer)
    if (pages === 1) {
      begun({ ours, ...(answer.date !== undefined && { theirs: answer.date }) })
      total = answer.body.total
    }
    const page = readPage(type, answer.body)
    for (const strange of page.strange) warnings.add(`A page of ${type} had ${strange}; it was passed over.`)
    const before = seen.size
    for (const { id } of page.found as readonly { readonly id: string }[]) seen.add(id)
    yield page
    await a.goOn()
    const next = a.peer.nextPage(answer.body, requestId)
    if (next === undefined) break
    if (pages >= maxPages || (seen.size === before && page.found.length > 0))
      throw new Trouble('Their pages do not end: one more is offered, and it holds nothing new.')
    answer = await next
    if (expired(answer)) throw new Trouble('A page of theirs had expired; the search begins anew.')
  }
  if (total !== undefined && seen.size < total)
    throw new Trouble(`They count ${total} and gave ${seen.size}: what is missing is asked for again.`)
}

/** Resources of theirs that were read in this round, by address; undefined: not there. */
type Shelf = Map<string, Promise<(FhirResource & { id: string }) | undefined>>

const read = (a: Asking, shelf: Shelf, target: Target) => {
  const address = addressOf(a.source, target)
  const ask = async () => {
    const answer = await a.peer.read(target.type as FhirResource['resourceType'], target.id, randomUUIDv7())
    if (answer.fate === 'answered') return answer.body as FhirResource & { id: string }
    // what is not there, or not for us, is left out; anything else may be there the next time
    if (answer.fate === 'final' || answer.cause === 'credentials') return undefined
    throw inTrouble(answer)
  }
  const known = shelf.get(address) ?? ask()
  shelf.set(address, known)
  return known
}

/** Companions at most; an order that speaks of more has the rest as logical references. */
const maxCompanions = 20
/** A record that was replaced leads to the one that replaces it, and that perhaps to another. */
const maxSuccessors = 10

const withSuccessors = async (a: Asking, shelf: Shelf, patient: Of<'Patient'>): Promise<Of<'Patient'>[]> => {
  const chain = [patient]
  for (const next of chain) {
    for (const target of successorsOf(next, a.source)) {
      if (chain.length > maxSuccessors || chain.some(({ id }) => id === target.id)) continue
      const successor = await read(a, shelf, target)
      if (successor?.resourceType === 'Patient') chain.push(successor)
    }
  }
  return chain
}

const isSound = (resource: FhirResource): boolean => checkResource(resource, [resource.resourceType]).length === 0

/** The order with its patient and what else is kept along with it; what is no R4 among the latter is left out. */
const together = async (
  a: Asking,
  shelf: Shelf,
  order: Of<'ServiceRequest'>,
): Promise<(FhirResource & { id: string })[]> => {
  const subject = targetOf(order.subject?.reference, a.source)
  const patient = subject?.type === 'Patient' ? await read(a, shelf, subject) : undefined
  const patients = patient?.resourceType === 'Patient' ? await withSuccessors(a, shelf, patient) : []
  const companions: (FhirResource & { id: string })[] = []
  for (const target of companionsOf(order, a.source).slice(0, maxCompanions)) {
    const companion = await read(a, shelf, target)
    if (companion !== undefined && isSound(companion)) companions.push(companion)
  }
  return [...patients, ...companions, order]
}

const told = ({ code, at }: Problem): string => (at[0] === undefined ? code : `${code} at ${at[0]}`)

/** Problems that are remembered of one refusal. */
const maxProblems = 20

/** Stores resources of theirs together. @returns what was wrong */
const take = async (a: Asking, resources: readonly (FhirResource & { id: string })[]): Promise<readonly string[]> => {
  const entries = asIncoming(resources, a.source)
  const problems = entries.flatMap(({ resource, at }) => checkResource(resource, [resource.resourceType], at))
  if (problems.length > 0) return [...new Set(problems.map(told))].slice(0, maxProblems)
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
  return done.ok ? [] : [...new Set(done.problems.map(told))].slice(0, maxProblems)
}

const note = async (a: Asking, seen: Seen): Promise<void> => {
  await noteSeen(a.runner.db, a.source.id, seen)
  if (seen.fate === 'refused')
    a.log.warn(
      { step: 'accept-order', source: a.source.id, type: seen.type, version: seen.version, problems: seen.problems },
      'not taken',
    )
}

/** An order of theirs that was not seen in this version: taken, counted as none of ours, or refused and told. */
const takeOrder = async (a: Asking, shelf: Shelf, order: Of<'ServiceRequest'>, knownAsOurs: boolean): Promise<void> => {
  const version = versionOf(order)
  const base = { type: 'ServiceRequest' as const, id: order.id, version }
  if (!knownAsOurs && !isTaken(order, a.source)) {
    await note(a, { ...base, fate: 'not-ours', open: false, problems: [] })
    return
  }
  const resources = await together(a, shelf, order)
  const problems = await take(a, resources)
  const patient = targetOf(order.subject?.reference, a.source)?.id
  await note(a, {
    ...base,
    fate: problems.length === 0 ? 'taken' : 'refused',
    open: isOpen(order),
    ...(patient !== undefined && { patient }),
    problems,
  })
  if (problems.length > 0) return
  for (const r of resources) if (r.resourceType === 'Patient') await notePatient(a, r, [])
}

const notePatient = (a: Asking, patient: Of<'Patient'>, problems: readonly string[]): Promise<void> => {
  const [successor] = successorsOf(patient, a.source)
  return note(a, {
    type: 'Patient',
    id: patient.id,
    version: versionOf(patient),
    fate: problems.length === 0 ? 'taken' : 'refused',
    open: false,
    ...(successor && { patient: successor.id }),
    problems,
  })
}

const takeOrders = async (a: Asking, shelf: Shelf, orders: readonly Of<'ServiceRequest'>[]): Promise<number> => {
  const before = await seenBefore(
    a.runner.db,
    a.source.id,
    'ServiceRequest',
    orders.map(({ id }) => id),
  )
  let fresh = 0
  for (const order of orders) {
    const seen = before.get(order.id)
    const version = versionOf(order)
    if (seen?.version === version && version !== '') continue
    await takeOrder(a, shelf, order, seen?.fate === 'taken')
    fresh += 1
  }
  return fresh
}

/** Patients whose record has changed since they were taken. */
const takePatients = async (a: Asking, shelf: Shelf, patients: readonly Of<'Patient'>[]): Promise<void> => {
  const before = await seenBefore(
    a.runner.db,
    a.source.id,
    'Patient',
    patients.map(({ id }) => id),
  )
  for (const patient of patients) {
    const seen = before.get(patient.id)
    if (seen === undefined || seen.version === versionOf(patient)) continue
    const records = await withSuccessors(a, shelf, patient)
    const problems = await take(a, records)
    for (const record of records) await notePatient(a, record, problems)
  }
}

const walkOrders = async (
  a: Asking,
  params: Params,
  warnings: Warnings,
  on: (ids: readonly string[]) => void = () => {},
) => {
  const shelf: Shelf = new Map()
  let clocks: Walk | undefined
  let fresh = 0
  const asked = { ...params, _include: 'ServiceRequest:subject' }
  for await (const page of walk(a, 'ServiceRequest', asked, warnings, (w) => (clocks = w))) {
    for (const patient of page.patients.values())
      shelf.set(addressOf(a.source, { type: 'Patient', id: patient.id }), Promise.resolve(patient))
    fresh += await takeOrders(a, shelf, page.found)
    await takePatients(a, shelf, [...page.patients.values()])
    on(page.found.map(({ id }) => id))
  }
  return { clocks: clocks ?? { ours: Date.now() }, fresh }
}

/** Everything that was last updated since then; the moment itself, and what settles late, included. */
export const askForChanges = (a: Asking, watermark: number, warnings: Warnings) =>
  walkOrders(a, { _lastUpdated: `ge${new Date(watermark).toISOString()}` }, warnings)

const chunks = <T>(list: readonly T[], size: number): T[][] =>
  Array.from({ length: Math.ceil(list.length / size) }, (_, i) => list.slice(i * size, (i + 1) * size))

const askForPatients = async (
  a: Asking,
  ids: readonly string[],
  warnings: Warnings,
  changed: Params = {},
): Promise<void> => {
  const shelf: Shelf = new Map()
  for (const some of chunks(ids, 50))
    for await (const page of walk(a, 'Patient', { _id: some.join(','), ...changed }, warnings, () => {}))
      await takePatients(a, shelf, page.found)
}

/**
 * Patients of what is open, whose record may change though nothing of their orders does.
 * @param watermark only those that were last updated since then
 */
export const askForOpenPatients = async (
  a: Asking,
  watermark: number | undefined,
  warnings: Warnings,
): Promise<void> => {
  const ids = await openPatientsThere(a.runner.db, a.source.id)
  const changed = watermark === undefined ? {} : { _lastUpdated: `ge${new Date(watermark).toISOString()}` }
  await askForPatients(a, ids, warnings, changed)
}

/**
 * Everything that may still be worked on, whenever it changed: what they have as open, what we know as open and they no
 * longer show so, and the patients of both.
 * @returns the clocks at the beginning: whatever was updated before is known now
 */
export const askForAllOpen = async (a: Asking, warnings: Warnings) => {
  const code = a.source.takes.map(({ system, code }) => `${system}|${code}`).join(',')
  const shown = new Set<string>()
  const walked = await walkOrders(a, { status: 'active,on-hold,draft', code }, warnings, (ids) => {
    for (const id of ids) shown.add(id)
  })
  const open = await openThere(a.runner.db, a.source.id)
  const shelf: Shelf = new Map()
  let gone = 0
  for (const id of open.filter((o) => !shown.has(o))) {
    await a.goOn()
    const order = await read(a, shelf, { type: 'ServiceRequest', id })
    if (order?.resourceType === 'ServiceRequest') await takeOrders(a, shelf, [order])
    else gone += 1
  }
  if (gone > 0) warnings.add(`${gone} orders that we know as open are there no more, or not for us.`)
  await askForPatients(a, await openPatientsThere(a.runner.db, a.source.id), warnings)
  return walked
}
