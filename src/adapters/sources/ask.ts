/** Asking one source's server for its orders and their patients; nothing of it harms another source. */
import type { FhirResource } from 'fhir/r4.js'
import { mayBeEvidence } from '../../flow/accept-order/evidence.ts'
import type { Walk } from '../../flow/accept-order/poll-plan.ts'
import type { EvidenceType } from '../../model/configuration.ts'
import { noteTried, openPatientsThere, openThere, seenBefore, toAskAgain } from '../postgres/asked-sources.ts'
import { takeEvidence } from './ask-evidence.ts'
import { addressOf, companionsOf, isOpen, isTaken, type Of, successorsOf, targetOf, versionOf } from './fetched.ts'
import { chunks, guarded, isSound, note, read, Shelf, type Taken, take, unreadOf } from './take.ts'
import { type Asking, type Params, type Warnings, walk } from './walk.ts'

/** Companions at most; an order that speaks of more has the rest as logical references. */
const maxCompanions = 20
/** A record that was replaced leads to the one that replaces it, and that perhaps to another. */
const maxSuccessors = 10

const withSuccessors = async (a: Asking, shelf: Shelf, patient: Of<'Patient'>): Promise<Of<'Patient'>[]> => {
  const chain = [patient]
  for (const next of chain) {
    // what is no R4 is refused as a whole
    for (const target of isSound(next) ? successorsOf(next, a.source) : []) {
      if (chain.length > maxSuccessors || chain.some(({ id }) => id === target.id)) continue
      const successor = await read(a, shelf, target)
      if (successor?.resourceType === 'Patient') chain.push(successor)
    }
  }
  return chain
}

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

/** An order of theirs that was not seen in this version: taken, counted as none of ours, or refused and told. */
const takeOrder = async (a: Asking, shelf: Shelf, order: Of<'ServiceRequest'>, knownAsOurs: boolean): Promise<void> => {
  const version = versionOf(order)
  const base = { type: 'ServiceRequest' as const, id: order.id, version }
  if (!knownAsOurs && !isTaken(order, a.source)) {
    await note(a, { ...base, fate: 'not-ours', open: false, problems: [] })
    return
  }
  const sound = isSound(order)
  const resources = sound ? await together(a, shelf, order) : [order]
  const taken = await take(a, resources)
  const subject = targetOf(order.subject?.reference, a.source)
  const patient = subject?.id
  const unread = sound
    ? unreadOf(a, shelf, [...(subject ? [subject] : []), ...companionsOf(order, a.source).slice(0, maxCompanions)])
    : []
  await note(a, {
    ...base,
    fate: taken.fate,
    problems: [...taken.problems, ...unread],
    open: isOpen(order),
    ...(patient !== undefined && { patient }),
  })
  if (taken.fate === 'refused') return
  for (const r of resources) if (r.resourceType === 'Patient') await notePatient(a, r, { fate: 'taken', problems: [] })
}

const notePatient = (a: Asking, patient: Of<'Patient'>, taken: Taken): Promise<void> => {
  const [successor] = isSound(patient) ? successorsOf(patient, a.source) : []
  return note(a, {
    type: 'Patient',
    id: patient.id,
    version: versionOf(patient),
    ...taken,
    open: false,
    ...(successor && { patient: successor.id }),
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
    const base = { type: 'ServiceRequest', id: order.id, version, open: isOpen(order) } as const
    await guarded(a, base, () => takeOrder(a, shelf, order, seen?.fate === 'taken'))
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
    await guarded(a, { type: 'Patient', id: patient.id, version: versionOf(patient), open: false }, () =>
      takePatient(a, shelf, patient),
    )
  }
}

const takePatient = async (a: Asking, shelf: Shelf, patient: Of<'Patient'>): Promise<void> => {
  const records = await withSuccessors(a, shelf, patient)
  const taken = await take(a, records)
  for (const record of records) await notePatient(a, record, taken)
}

/** What was refused, or taken without a part that could not be read: the reason may be mended by now. */
export const askAgain = async (a: Asking, anyPause: boolean): Promise<void> => {
  const shelf = new Shelf()
  for (const seen of await toAskAgain(a.runner.db, a.source.id, anyPause)) {
    await a.goOn()
    await noteTried(a.runner.db, a.source.id, seen)
    const again = await read(a, shelf, seen)
    if (again?.resourceType !== seen.type) continue
    await guarded(a, { ...seen, version: versionOf(again) }, async () => {
      if (again.resourceType === 'ServiceRequest') await takeOrder(a, shelf, again, true)
      else if (again.resourceType === 'Patient') await takePatient(a, shelf, again)
      else if (mayBeEvidence(again)) await takeEvidence(a, shelf, again as Of<EvidenceType>)
    })
  }
}

const walkOrders = async (
  a: Asking,
  params: Params,
  warnings: Warnings,
  on: (ids: readonly string[]) => void = () => {},
) => {
  const shelf = new Shelf()
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

const askForPatients = async (
  a: Asking,
  ids: readonly string[],
  warnings: Warnings,
  changed: Params = {},
): Promise<void> => {
  const shelf = new Shelf()
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
  const shelf = new Shelf()
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
