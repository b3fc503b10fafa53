/** `fake source`: a source's FHIR server under control, which pushes its orders where that is asked for. */
import { readdirSync, readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import type { FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { type Controls, controlBy } from './control.ts'
import { conversation, exchangeText } from './conversation.ts'
import { isBundle } from './door.ts'
import { inventedOrder, inventedOrders } from './invented-orders.ts'
import { done, type Played, type PlayOptions, type Print, withComplaints, wrong } from './played.ts'
import { type Pushed, pusher } from './push.ts'
import { ledger } from './rules.ts'
import { type SourceCounterpart, startSource } from './source.ts'
import { isSourceFaultKind, type SourceFaultOptions } from './source-faults.ts'

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

export async function playSource(options: PlayOptions, held: Held, print: Print): Promise<Played> {
  const { daybind, port, token } = options
  const seen = ledger()
  const talk =
    daybind &&
    conversation({
      daybind,
      ledger: seen,
      onExchange: (exchange) => print({ ...exchange }, exchangeText(exchange)),
    })
  const push = talk && pusher(talk)
  let count = held.orders
  const controls: Controls = {
    'GET writes': () => done(there.writes),
    'GET complaints': () => done(complaints()),
    'POST orders': ({ late }) => {
      const stamped = new Date(Date.now() - 1_000 * (typeof late === 'number' ? late : 0))
      const made = inventedOrder(held.seed, ++count, stamped).map((r) => there.add(r, stamped.toISOString()))
      return done(made)
    },
    'POST faults': async ({ kind, ...fault }) => {
      if (typeof kind !== 'string' || !isSourceFaultKind(kind) || kind === 'down')
        return wrong('there is no such fault here')
      await there.fault(kind, fault as SourceFaultOptions)
      return done()
    },
    'DELETE faults': async () => {
      await there.clearFaults()
      return done()
    },
  }
  const there = await startSource({
    port,
    ...(token && { token }),
    control: controlBy(controls),
    onWrite: (write) =>
      print(
        { ...write, entries: write.entries.length },
        withComplaints(`${write.at} ${write.status} ${write.line}`, write.complaints),
      ),
  })
  const complaints = () => [...there.complaints, ...(talk?.exchanges ?? []).flatMap((e) => e.complaints)]
  const { load, orders, seed } = held
  for (const resource of load === undefined ? inventedOrders(seed, orders, new Date()) : loaded(load))
    there.add(resource)
  return {
    base: there.base,
    complaints,
    arrivals: () => there.writes.length,
    checked: seen.checked,
    begin: async () => push?.all(ordersOf(there)),
    stop: there.stop,
  }
}
