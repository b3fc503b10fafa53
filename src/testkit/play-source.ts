/** `fake source`: a source's FHIR server under control, which pushes its orders where that is asked for. */
import { readdirSync, readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import type { FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { type Command, type Commands, controlBy, type Told, wrong } from './control.ts'
import { complaintsOf, printedConversation } from './conversation.ts'
import { isBundle } from './door.ts'
import { faultNames } from './faults.ts'
import { inventedOrder, inventedOrders } from './invented-orders.ts'
import { inventedVisit, type VisitWord, visitWords } from './invented-visit.ts'
import { everyCommand, type Played, type PlayOptions, type Print, withComplaints } from './played.ts'
import { type Pushed, pusher } from './push.ts'
import { complaintsIn, ledger } from './rules.ts'
import { keyOf } from './shelf.ts'
import { type SourceCounterpart, startSource } from './source.ts'
import { isSourceFaultKind, type SourceFaultKind, sourceFaults } from './source-faults.ts'

export interface Held {
  /** A file of JSON, or a folder of them; absent: invented orders. */
  readonly load?: string
  readonly orders: number
  readonly seed: number
}

/** A file of JSON, or every `.json` of a folder; a Bundle stands for what is in it. */
function loaded(path: string): FhirResource[] {
  const files = statSync(path).isDirectory()
    ? readdirSync(path).flatMap((name) => (name.endsWith('.json') ? [join(path, name)] : []))
    : [path]
  return files.sort().flatMap((file) => {
    const read: unknown = JSON.parse(readFileSync(file, 'utf8'))
    return isBundle(read) ? (read.entry ?? []).flatMap(({ resource }) => resource ?? []) : [read as FhirResource]
  })
}

/** Every order that the source holds, with its patient. */
const ordersOf = (there: SourceCounterpart): Pushed[] =>
  (there.resources('ServiceRequest') as ServiceRequest[]).flatMap((order) => {
    const [, id = ''] = order.subject.reference?.split('/') ?? []
    const patient = there.versions('Patient', id).at(-1) as Patient | undefined
    return patient ? [{ patient, order }] : []
  })

/** By its id, or by the value of any of its identifiers. */
const named =
  (name: string) =>
  ({ id, identifier }: Patient | ServiceRequest): boolean =>
    id === name || (identifier?.some(({ value }) => value === name) ?? false)

/** What the source holds, for whoever mistook a name. */
const known = (what: string, name: string, held: readonly FhirResource[]): Told =>
  wrong(`There is no ${what} ${name} here. There are: ${held.map(({ id }) => id).join(', ')}.`)

interface Acting {
  readonly there: () => SourceCounterpart
  /** An order that is new or has changed. */
  readonly told: (pushed: Pushed, isNew: boolean) => Promise<void>
  readonly patientTold: (patient: Patient) => Promise<void>
  readonly visitTold: (visit: FhirResource, pushed: Pushed) => Promise<void>
  readonly newOrder: (at: Date) => readonly [Patient, ServiceRequest]
}

/** What a source does with its orders and patients; where it pushes, it sends what it did. */
function deeds({ there, told, patientTold, visitTold, newOrder }: Acting): Commands {
  const change = async (name: string, over: Partial<ServiceRequest>): Promise<Told> => {
    const pushed = ordersOf(there()).find(({ order }) => named(name)(order))
    if (!pushed) return known('order', name, there().resources('ServiceRequest'))
    const order = there().add({ ...pushed.order, ...over }) as ServiceRequest
    await told({ ...pushed, order }, false)
    return { shown: order }
  }
  const order: Command = {
    takes: '[late=SECONDS]',
    does: 'one more order; late: as from a transaction that committed so many seconds after its time',
    words: [0, 0],
    settings: ['late'],
    run: async ({ settings: { late = '0' } }) => {
      if (!/^\d{1,6}$/.test(late)) return wrong('late must be a whole number of seconds.')
      const stamped = new Date(Date.now() - 1_000 * Number(late))
      const [patient, made] = newOrder(stamped).map((r) => there().add(r, stamped.toISOString()))
      await told({ patient: patient as Patient, order: made as ServiceRequest }, true)
      return { shown: made }
    },
  }
  const revise: Command = {
    takes: 'ORDER [priority=urgent] [note=TEXT]',
    does: 'changes an order; without a setting its note says the moment',
    words: [1, 1],
    settings: ['priority', 'note'],
    run: ({ words: [name = ''], settings: { priority, note } }) =>
      change(name, {
        ...(priority && { priority: priority as 'urgent' }),
        ...((note || !priority) && { note: [{ text: note ?? `revised at ${new Date().toISOString()}` }] }),
      }),
  }
  const revoke: Command = {
    takes: 'ORDER',
    does: 'revokes an order',
    words: [1, 1],
    run: ({ words: [name = ''] }) => change(name, { status: 'revoked' }),
  }
  /** The one of before is no longer active, and each names the other: http://hl7.org/fhir/R4/patient.html#links */
  const merge: Command = {
    takes: 'PATIENT SURVIVOR',
    does: 'merges two patients: the first is replaced by the second',
    words: [2, 2],
    run: async ({ words: [from = '', into = ''] }) => {
      const patients = there().resources('Patient') as Patient[]
      const [gone, survivor] = [patients.find(named(from)), patients.find(named(into))]
      if (!gone || !survivor) return known('patient', gone ? into : from, patients)
      if (gone === survivor) return wrong('A patient is not merged into itself.')
      const link = (other: Patient, type: 'replaced-by' | 'replaces') => ({
        other: {
          type: 'Patient',
          reference: keyOf(other),
          ...(other.identifier?.[0] && { identifier: other.identifier[0] }),
        },
        type,
      })
      const after = there().add({ ...survivor, link: [...(survivor.link ?? []), link(gone, 'replaces')] })
      const before = there().add({ ...gone, active: false, link: [link(survivor, 'replaced-by')] })
      await patientTold(after as Patient)
      await patientTold(before as Patient)
      return { shown: [before, after] }
    },
  }
  const visit: Command = {
    takes: `ORDER ${visitWords.join('|')} [at=MOMENT] [recorder=LABEL]`,
    does: 'says of its visit when it is, that it is not, or that a recorder was applied; at: now by default',
    words: [2, 2],
    settings: ['at', 'recorder'],
    run: async ({ words: [name = '', word = ''], settings: { at, recorder } }) => {
      const pushed = ordersOf(there()).find(({ order: o }) => named(name)(o))
      const isWord = (w: string): w is VisitWord => visitWords.some((v) => v === w)
      if (!pushed) return known('order', name, there().resources('ServiceRequest'))
      if (!isWord(word)) return wrong(`A visit is ${visitWords.join(', ')}; found ${word}.`)
      if (recorder && word !== 'done') return wrong('A recorder is named of a visit that is done.')
      const moment = new Date(at ?? Date.now())
      if (Number.isNaN(moment.getTime())) return wrong('at must be a moment such as 2027-03-01T09:00:00Z.')
      const made = there().add(inventedVisit(pushed.order, { word, at: moment, ...(recorder && { recorder }) }))
      await visitTold(made, pushed)
      return { shown: made }
    },
  }
  const orders: Command = {
    takes: '',
    does: 'the orders that it holds',
    words: [0, 0],
    run: () => ({
      shown: ordersOf(there())
        .map(({ order: o, patient }) => `${o.id} ${o.status}, ${o.identifier?.[0]?.value}, of ${patient.id}`)
        .join('\n'),
    }),
  }
  return { orders, order, revise, revoke, merge, visit }
}

export async function playSource(options: PlayOptions, held: Held, print: Print): Promise<Played> {
  const { daybind, port, token } = options
  const seen = ledger()
  const talk = printedConversation(daybind, seen, print)
  const push = talk && pusher(talk)
  let count = held.orders
  const complaints = () => complaintsOf(there.complaints, talk)
  const commands: Commands = {
    ...deeds({
      there: () => there,
      told: async (pushed, isNew) => (isNew ? push?.together(pushed) : push?.revised(pushed)),
      patientTold: async (patient) => push?.patientRevised(patient),
      visitTold: async (said, pushed) => push?.visit(said, pushed),
      newOrder: (at) => inventedOrder(held.seed, ++count, at),
    }),
    ...everyCommand({
      kinds: [...faultNames.filter((kind) => kind !== 'lost-entry'), ...Object.values(sourceFaults).flat()],
      isKind: isSourceFaultKind,
      fault: (kind, fault) => there.fault(kind as SourceFaultKind, fault),
      clearFaults: () => there.clearFaults(),
      got: () => there.writes,
      complaints,
      checked: seen.checked,
    }),
  }
  const there = await startSource({
    port,
    ...(token && { token }),
    control: controlBy(commands),
    ledger: seen,
    onWrite: ({ findings, entries, ...write }) => {
      const found = complaintsIn(findings)
      print(
        { ...write, entries: entries.length, complaints: found },
        withComplaints(`${write.at} ${write.status} ${write.line}`, found),
      )
    },
  })
  const { load, orders, seed } = held
  for (const resource of load === undefined ? inventedOrders(seed, orders, new Date()) : loaded(load))
    there.add(resource)
  return {
    base: there.base,
    complaints,
    arrivals: () => there.writes.length,
    checked: seen.checked,
    commands,
    begin: async () => push?.all(ordersOf(there)),
    stop: there.stop,
  }
}
