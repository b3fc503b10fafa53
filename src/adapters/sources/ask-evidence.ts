/** Asking a source's server what it says of the visits of our orders. */
import { randomUUIDv7 } from 'node:crypto'
import type { Device, Procedure, Reference } from 'fhir/r4.js'
import { type EvidenceResource, isOurs } from '../../flow/accept-order/evidence.ts'
import { evidenceParameter } from '../../flow/accept-order/poll-plan.ts'
import type { EvidenceType } from '../../model/configuration.ts'
import { openOrdersThere, seenBefore } from '../postgres/asked-sources.ts'
import { saidThere, withdrawSaid } from '../postgres/withdraw-said.ts'
import { addressOf, type Of, type Target, targetOf, versionOf } from './fetched.ts'
import { chunks, guarded, isSound, note, read, Shelf, take, unreadOf } from './take.ts'
import { type Asking, orTold, type Params, Trouble, type Warnings, walk } from './walk.ts'

type Evidence = Of<EvidenceType>

/** What tells a recorder; of whom it belongs to and where it is nothing is kept. */
const label = ({ identifier, udiCarrier, serialNumber, lotNumber, manufactureDate, expirationDate, type }: Device) => ({
  ...(identifier && { identifier }),
  ...(udiCarrier && { udiCarrier }),
  ...(manufactureDate && { manufactureDate }),
  ...(expirationDate && { expirationDate }),
  ...(lotNumber && { lotNumber }),
  ...(serialNumber && { serialNumber }),
  ...(type && { type }),
})

/** Devices that are asked for of one Procedure, at most: a visit fits one recorder. */
const maxDevices = 10

/**
 * A Device at an address of theirs tells us nothing: the label that it has there is taken along.
 * @param procedure sound
 */
const withLabels = async (a: Asking, shelf: Shelf, procedure: Of<'Procedure'>): Promise<Of<'Procedure'>> => {
  const labels: Device[] = []
  let asked = 0
  const labelled = async (reference: Reference): Promise<Reference> => {
    const target = targetOf(reference.reference, a.source)
    if (target?.type !== 'Device' || asked >= maxDevices) return reference
    asked += 1
    const device = await read(a, shelf, target)
    if (device?.resourceType !== 'Device' || !isSound(device)) return reference
    const id = `recorder-${labels.length + 1}`
    labels.push({ resourceType: 'Device', id, ...label(device) })
    return { ...reference, reference: `#${id}` }
  }
  const { focalDevice, usedReference, contained = [] } = procedure
  const focal: Procedure['focalDevice'] = []
  for (const f of focalDevice ?? []) focal.push({ ...f, manipulated: await labelled(f.manipulated) })
  const used: Reference[] = []
  for (const reference of usedReference ?? []) used.push(await labelled(reference))
  if (labels.length === 0) return procedure
  return {
    ...procedure,
    contained: [...contained, ...labels],
    ...(focalDevice && { focalDevice: focal }),
    ...(usedReference && { usedReference: used }),
  }
}

export const takeEvidence = async (a: Asking, shelf: Shelf, resource: Evidence): Promise<void> => {
  const seen = { type: resource.resourceType, id: resource.id, version: versionOf(resource), open: false }
  const act = resource.resourceType === 'Procedure' && isSound(resource) ? resource : undefined
  if (act && isOurs(act)) return note(a, { ...seen, fate: 'not-ours', problems: [] })
  const { fate, problems } = await take(a, [act ? await withLabels(a, shelf, act) : resource])
  const unread = act ? unreadOf(a, shelf, recordersOf(act, a).slice(0, maxDevices)) : []
  await note(a, { ...seen, fate, problems: [...problems, ...unread] })
}

const recordersOf = ({ focalDevice = [], usedReference = [] }: Procedure, { source }: Asking): readonly Target[] =>
  [...focalDevice.map((f) => f.manipulated), ...usedReference].flatMap((r) => targetOf(r.reference, source) ?? [])

/** Nothing of it was checked yet: whatever stands there that is no list of references leads to no order. */
const isAbout = ({ basedOn }: EvidenceResource, orders: ReadonlySet<string>, { source }: Asking): boolean =>
  (Array.isArray(basedOn) ? basedOn : []).some((based: Reference | null) => {
    const target = targetOf(based?.reference, source)
    return target?.type === 'ServiceRequest' && orders.has(target.id)
  })

/** Of one search; an order that has more said of its visit is not what a search by orders is for. */
const maxPages = 50

const askFor = async (
  a: Asking,
  type: EvidenceType,
  orders: readonly string[],
  changed: Params,
  warnings: Warnings,
): Promise<ReadonlySet<string>> => {
  const shelf = new Shelf()
  const shown = new Set<string>()
  for (const some of chunks(orders, 50)) {
    const asked = new Set(some)
    const about = some.map((id) => `ServiceRequest/${id}`).join(',')
    let pages = 0
    for await (const page of walk<EvidenceType>(
      a,
      type,
      { [evidenceParameter]: about, ...changed },
      warnings,
      () => {},
    )) {
      const found = page.found.filter((resource) => isAbout(resource, asked, a))
      if (found.length === 0 && page.found.length > 0)
        throw new Trouble(`Their server answers with every ${type} when it is asked for those of some orders.`)
      if (found.length < page.found.length)
        warnings.add(`A page of ${type} had some of other orders; they were passed over.`)
      pages += 1
      if (pages > maxPages) throw new Trouble(`There is too much of ${type} about ${some.length} orders.`)
      for (const { id } of found) shown.add(id)
      await takeFresh(a, shelf, type, found)
    }
  }
  return shown
}

/** What we believe and they show no more: it lost its order, or it is gone. */
const lookForGone = async (
  a: Asking,
  type: EvidenceType,
  orders: readonly string[],
  shown: ReadonlySet<string>,
): Promise<void> => {
  const shelf = new Shelf()
  const addresses = orders.map((id) => addressOf(a.source, { type: 'ServiceRequest', id }))
  for (const address of await saidThere(a.runner.db, a.source.id, type, addresses)) {
    const target = targetOf(address, a.source)
    if (target === undefined || shown.has(target.id)) continue
    await a.goOn()
    const there = await read(a, shelf, target)
    if (there?.resourceType === type) await takeFresh(a, shelf, type, [there as Evidence])
    else if (!shelf.unread.has(address))
      await withdrawSaid(a.runner, { id: a.source.id, role: 'source' }, randomUUIDv7(), type, address)
  }
}

const takeFresh = async (a: Asking, shelf: Shelf, type: EvidenceType, found: readonly Evidence[]): Promise<void> => {
  const ids = found.map(({ id }) => id)
  const before = await seenBefore(a.runner.db, a.source.id, type, ids)
  for (const resource of found) {
    const version = versionOf(resource)
    if (version !== '' && before.get(resource.id)?.version === version) continue
    await a.goOn()
    await guarded(a, { type, id: resource.id, version, open: false }, () => takeEvidence(a, shelf, resource))
  }
}

/** What was asked of one type. */
export interface Heard {
  /** Up to which moment of their server what it says is known; milliseconds since 1970. */
  readonly watermark: number
  /** Their ids of the orders of which that holds. */
  readonly orders: ReadonlySet<string>
}

export type HeardByType = ReadonlyMap<EvidenceType, Heard>

/** For each type: orders are asked for in between, however much is said of their visits. */
const budgetMs = 15_000

const inTime = (a: Asking): Asking => {
  const until = performance.now() + budgetMs
  const goOn = async () => {
    if (performance.now() > until) throw new Trouble('It takes long, and goes on with the next look.')
    await a.goOn()
  }
  return { ...a, goOn }
}

/** Of orders that are new everything is asked, however old, and what is gone noticed; of others what was updated since. */
const askForType = async (
  a: Asking,
  type: EvidenceType,
  orders: readonly string[],
  before: Heard | undefined,
  warnings: Warnings,
): Promise<void> => {
  const known = orders.filter((id) => before?.orders.has(id))
  const fresh = orders.filter((id) => !before?.orders.has(id))
  const shown = await askFor(a, type, fresh, {}, warnings)
  if (before) await askFor(a, type, known, { _lastUpdated: `ge${new Date(before.watermark).toISOString()}` }, warnings)
  await lookForGone(a, type, fresh, shown)
}

/**
 * Asks for what is said of the visits of our orders.
 * @param types that their server can be asked for
 * @param watermark up to which moment of their server is known what was updated before now; milliseconds since 1970
 * @returns what is known by type; of one that could not be asked as before
 */
export const askForEvidence = async (
  a: Asking,
  types: readonly EvidenceType[],
  watermark: number,
  before: HeardByType,
  warnings: Warnings,
): Promise<HeardByType> => {
  const orders = types.length === 0 ? [] : await openOrdersThere(a.runner.db, a.source.id)
  const heard = new Map(before)
  for (const type of types) {
    await orTold(type, warnings, async () => {
      await askForType(inTime(a), type, orders, before.get(type), warnings)
      heard.set(type, { watermark, orders: new Set(orders) })
    })
  }
  return heard
}
