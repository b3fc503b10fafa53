/** What is stored about what a report names: its stub, its order, and everything around that. */
import type { Patient, Resource } from 'fhir/r4.js'
import { mentionsOf, ownAsked } from '../../flow/accept-order/resolve-references.ts'
import { heldId, type Known, serviceOf } from '../../flow/send-result/hold-report.ts'
import { idAsked, identifiersOf, namesAsked, type SentReport } from '../../flow/send-result/sent-report.ts'
import type { ActingCaller } from '../../flow/step.ts'
import type { SystemValue } from '../../model/configuration.ts'
import { type HeldState, type OrderState, ofKind, type StubState } from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { isId, readResource, readResources, type Sight } from './find-resources.ts'
import { ordersNamed } from './load-for-links.ts'
import { statesAround, statesById } from './load-states.ts'
import { resourceText } from './resource-text.ts'

/** Who reports: a reading service under its name, or an operator for one. */
export interface Reporter {
  readonly caller: ActingCaller
  readonly sight: Sight
}

/** Reports that carry this identifier; that of another service is another report. */
const idsWithIdentifier = async (tx: Tx, { system, value }: SystemValue, sight: Sight): Promise<readonly string[]> =>
  (
    await tx.query<{ id: string }>(
      `select id from resources where type = 'DiagnosticReport' and tokens @> array[$1]
       and ($2::text[] is null or seen_by && $2)`,
      [`identifier=${system}|${value}`, sight ?? null],
    )
  ).map((r) => r.id)

const isStub = (s: { kind: string }): s is StubState => s.kind === 'stub'

/** By our id in the address or among the identifiers, else by an identifier of the service's. */
const stubsNamed = async (tx: Tx, { incoming, report }: SentReport, by: Reporter): Promise<readonly StubState[]> => {
  const names = [...(incoming.criterion ? [incoming.criterion] : []), ...identifiersOf(report)]
  const own = names.filter((n) => n.system === identifierSystems.DiagnosticReport).map((n) => n.value)
  const asked = [incoming.targetId ?? '', ...own].filter(isId)
  const seen = await readResources(
    tx,
    asked.map((id) => `DiagnosticReport/${id}`),
    by.sight,
  )
  const found = (
    await statesById(
      tx,
      'stub',
      seen.map((r) => r.id),
    )
  ).filter(isStub)
  if (found.length > 0) return found
  const theirs = names.filter((n) => n.system !== identifierSystems.DiagnosticReport)
  const ids = (await Promise.all(theirs.map((n) => idsWithIdentifier(tx, n, by.sight)))).flat()
  return (await statesById(tx, 'stub', [...new Set(ids)]))
    .filter(isStub)
    .filter(
      (s) => s.status !== 'entered-in-error' && (by.caller.role !== 'reading-service' || s.report?.by === by.caller.id),
    )
}

/** The orders that the report asks for: by our id, or by a number that is theirs or ours; those that the caller may see. */
const ordersAsked = async (tx: Tx, { report }: SentReport, { sight }: Reporter): Promise<readonly string[]> => {
  const found: string[] = []
  for (const ref of report.basedOn ?? []) {
    const id = idAsked(ref, 'ServiceRequest')
    const names = namesAsked(ref, report.contained)
    const own = names.filter((n) => n.system === identifierSystems.ServiceRequest).map((n) => n.value)
    for (const asked of [...(id === undefined ? [] : [id]), ...own])
      if (await readResource(tx, 'ServiceRequest', asked, sight)) found.push(asked)
    for (const name of names) found.push(...(await ordersNamed(tx, name, sight, '')))
  }
  return [...new Set(found)]
}

/** The ids of the orders that a report may be about; their locks are to be taken before it is decided. */
export const ordersOfReport = async (tx: Tx, sent: SentReport, by: Reporter): Promise<readonly string[]> => {
  const [stubs, asked] = await Promise.all([stubsNamed(tx, sent, by), ordersAsked(tx, sent, by)])
  return [...new Set([...stubs.map((s) => s.orderId), ...asked])]
}

const patientsOf = async (tx: Tx, ids: readonly string[]): Promise<ReadonlyMap<string, Patient>> => {
  const rows = await readResources(
    tx,
    ids.map((id) => `Patient/${id}`),
    undefined,
  )
  return new Map(rows.map((r) => [r.id, parseExactly(resourceText(r)) as Patient]))
}

const mentionedIn = (sent: SentReport): readonly string[] =>
  [sent.report, ...sent.results.map((r) => r.resource)].flatMap((resource: Resource) =>
    mentionsOf(resource as Parameters<typeof mentionsOf>[0]).flatMap((m) => ownAsked(m) ?? []),
  )

/** The report in doubt that this one would take the place of: the one in the address, or one that means the same. */
const heldBefore = async (tx: Tx, sent: SentReport, service: string): Promise<HeldState | undefined> => {
  const ids = [sent.incoming.targetId ?? '', heldId(service, sent)].filter(isId)
  const held = ofKind(await statesById(tx, 'held', ids), 'held').filter((h) => h.readingService === service)
  return held.find((h) => h.id === ids[0]) ?? held[0]
}

export const loadForReport = async (tx: Tx, sent: SentReport, by: Reporter): Promise<Known> => {
  const [stubs, asked] = await Promise.all([stubsNamed(tx, sent, by), ordersAsked(tx, sent, by)])
  const [named] = stubs
  const orderIds = named ? [named.orderId] : asked
  const states = await statesAround(tx, orderIds, [])
  const orders: readonly OrderState[] = ofKind(states, 'order').filter((o) => orderIds.includes(o.id))
  const [links, tasks] = [ofKind(states, 'link'), ofKind(states, 'task')]
  const around = ofKind(states, 'stub')
  const [devices, patients, seen, rows, held] = await Promise.all([
    statesById(tx, 'device', [...new Set(links.map((l) => l.deviceId))]),
    patientsOf(tx, [...new Set(orders.map((o) => o.patientId))]),
    readResources(tx, mentionedIn(sent), by.sight),
    readResources(
      tx,
      around.map((s) => `DiagnosticReport/${s.id}`),
      undefined,
    ),
    heldBefore(tx, sent, serviceOf(by.caller, tasks)),
  ])
  return {
    ...(named && { named }),
    orders,
    asked,
    links,
    stubs: around,
    tasks,
    devices: ofKind(devices, 'device'),
    patients,
    own: new Set(seen.map((r) => `${r.type}/${r.id}`)),
    versions: new Map(rows.map((r) => [r.id, r.version])),
    ...(held && { held }),
  }
}
