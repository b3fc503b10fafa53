/** What must hold after every crash, as sentences about what does not. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { FhirResource, Task } from 'fhir/r4.js'
import { tables } from '../../src/adapters/postgres/shapes.ts'
import { identifierSystems, systems } from '../../src/model/systems.ts'
import type { Stage } from './stage.ts'

/** How long deliveries may take to settle once everything runs again, on a slow machine. */
const drainMs = 240_000

export const drained = async (stage: Stage): Promise<readonly string[]> => {
  const deadline = performance.now() + drainMs
  for (;;) {
    const open = await stage.ask<{ fate: string; n: number }>(
      `select fate, count(*)::int as n from deliveries where fate in ('queued', 'unsure', 'parked') group by fate`,
    )
    if (open.length === 0) return []
    if (performance.now() > deadline) return open.map((o) => `${o.n} deliveries are still ${o.fate}`)
    await sleep(100)
  }
}

/** Statements that find what must not be there; each answers `what`. */
const forbidden: Readonly<Record<string, string>> = {
  'a placer number has several orders': `select state->'placer'->>'value' as what from orders group by 1 having count(*) > 1`,
  'a recorder has two rows': `select serial_number as what from devices group by 1 having count(*) > 1`,
  'a recorder is on two patients at once': `select a.id::text as what from links a join links b on a.device_id = b.device_id
    and a.id < b.id and a.active and b.active and a.period && b.period`,
  'an order has two recorders at once': `select a.id::text as what from links a join links b on a.order_id = b.order_id
    and a.id < b.id and a.active and b.active and a.period && b.period`,
  'a link is open and ended': `select id::text as what from links where (state->>'status' = 'active') = (state::jsonb ? 'endedAt')
    and state->>'status' <> 'entered-in-error'`,
  'work is asked for on a link recorded in error': `select t.id::text as what from tasks t join links l on l.id = t.link_id
    where l.state->>'status' = 'entered-in-error' and t.state->>'asks' = 'fulfill'
      and t.state->>'status' in ('requested', 'received', 'accepted')`,
  'a link asks twice for the same work': `select link_id::text as what from tasks where state->>'asks' = 'fulfill'
    and state->>'status' in ('requested', 'received', 'accepted') group by 1 having count(*) > 1`,
  'a return has no stub': `select r.id::text as what from returns r where r.state::jsonb ? 'linkId'
    and not exists (select from stubs s where s.link_id = (r.state->>'linkId')::uuid)`,
  'a link has two stubs': `select link_id::text as what from stubs where state->>'status' = 'registered' group by 1 having count(*) > 1`,
  'a linked order was never forwarded': `select l.id::text as what from links l
    where not exists (select from deliveries d where d.order_id = l.order_id)`,
}

/** Each state is the last fact of its id, and each id in the journal has its state. */
const journalChecks = Object.entries(tables).map(
  ([kind, { name }]) =>
    [
      `the ${kind} is not as the journal has it`,
      `select coalesce(t.id, j.id)::text as what from ${name} t full join
         (select distinct on (id) id, state from journal where kind = '${kind}' order by id, seq desc) j on j.id = t.id
       where t.state::jsonb is distinct from j.state::jsonb`,
    ] as const,
)

const inDatabase = async (stage: Stage): Promise<readonly string[]> => {
  const findings: string[] = []
  for (const [sentence, text] of [...Object.entries(forbidden), ...journalChecks])
    for (const { what } of await stage.ask<{ what: string }>(text)) findings.push(`${sentence}: ${what.slice(0, 200)}`)
  return findings
}

interface Here {
  readonly id: string
  readonly placer: string
  readonly status: string
  readonly version: number
}

/** Everything that was acknowledged is there, once, as it was acknowledged. */
const acknowledged = async (stage: Stage): Promise<readonly string[]> => {
  const orders = await stage.ask<Here>(
    `select o.id, o.state->'placer'->>'value' as placer, o.state->>'status' as status, r.version
     from orders o join resources r on r.type = 'ServiceRequest' and r.id = o.id`,
  )
  const links = await stage.ask<{ id: string; order_id: string; status: string }>(
    `select id, order_id, state->>'status' as status from links order by id`,
  )
  const stubs = await stage.ask<{ order_id: string }>('select order_id from stubs')
  const byPlacer = new Map(orders.map((o) => [o.placer, o]))
  const stubbed = new Set(stubs.map((s) => s.order_id))
  const findings = stage.ledger.cases.flatMap((c) => {
    const o = byPlacer.get(c.number)
    const told = o && `${o.id} ${o.status} version ${o.version}`
    const wanted = `${c.orderId} ${c.revoked ? 'revoked' : 'active'} version ${c.contents}`
    const theirs = links.filter((l) => l.order_id === c.orderId).map((l) => `${l.id} ${l.status}`)
    const owed = c.links.map((l) => `${l.id} ${l.status}`)
    return [
      ...(told === wanted ? [] : [`order ${c.number} was acknowledged as ${wanted} and is ${told}`]),
      ...(theirs.toSorted().join() === owed.toSorted().join()
        ? []
        : [`order ${c.number} was acknowledged with the links ${owed} and has ${theirs}`]),
      ...(c.returned && !stubbed.has(c.orderId) ? [`the return of order ${c.number} has no stub`] : []),
    ]
  })
  if (orders.length !== stage.ledger.cases.length)
    findings.push(`${stage.ledger.cases.length} orders were acknowledged and ${orders.length} are there`)
  return findings
}

const valuesOf = (resource: FhirResource, system: string): readonly string[] =>
  ('identifier' in resource && Array.isArray(resource.identifier) ? resource.identifier : []).flatMap((i) =>
    i.system === system && i.value !== undefined ? [i.value] : [],
  )

const sentTypes = [
  'ServiceRequest',
  'Device',
  'DeviceUseStatement',
  'Procedure',
  'Task',
  'Observation',
  'DiagnosticReport',
] as const

/** The reading service has each linked order, once, and its newest content. */
const atReadingService = async (stage: Stage): Promise<readonly string[]> => {
  const { pebble, ledger } = stage
  const findings = pebble.complaints.map((c) => `the reading service complains: ${c}`)
  for (const type of sentTypes) {
    const held = pebble.resources(type).flatMap((r) => valuesOf(r, identifierSystems[type]))
    const twice = held.filter((id, n) => held.indexOf(id) !== n)
    findings.push(...twice.map((id) => `the reading service has ${type} ${id} twice`))
  }
  const newest = await stage.ask<{ id: string; order_id: string; row: string }>(
    `select distinct on (order_id) id, order_id, (to_jsonb(deliveries) - '{body,request_id}'::text[])::text as row
     from deliveries order by order_id, seq desc`,
  )
  const arrived = new Set(pebble.resources('Task').flatMap((t) => valuesOf(t as Task, systems.deliveries)))
  findings.push(
    ...newest
      .filter((d) => !arrived.has(d.id))
      .map((d) => `the newest message of order ${d.order_id} is not there: ${d.row}`),
  )
  const statements = new Map(
    pebble
      .resources('DeviceUseStatement')
      .map((r) => [
        valuesOf(r, identifierSystems.DeviceUseStatement)[0],
        r.resourceType === 'DeviceUseStatement' ? r.status : '',
      ]),
  )
  for (const { id, status } of ledger.cases.flatMap((c) => c.links))
    if (statements.get(id) !== status)
      findings.push(`link ${id} is ${status} and at the reading service ${statements.get(id)}`)
  return findings
}

/** Sent again although it had arrived: no fault, since a repetition changes nothing, but a number worth knowing. */
export const sentAgain = (stage: Stage): number => {
  const stored = stage.pebble.received
    .filter((r) => r.stored)
    .map(({ bundle }) => bundle.entry?.flatMap((e) => (e.resource ? valuesOf(e.resource, systems.deliveries) : []))[0])
  return stored.length - new Set(stored).size
}

const bugs = ['a bug', 'a bug, or an outage that is not known as one', 'in the background', 'closing']

const inLogs = async (stage: Stage): Promise<readonly string[]> =>
  (await stage.logLines()).flatMap(({ msg, err }) =>
    msg !== undefined && bugs.includes(msg) ? [`the log says "${msg}": ${JSON.stringify(err)}`] : [],
  )

/** Everything that is wrong. */
export const findings = async (stage: Stage): Promise<readonly string[]> => {
  const unsettled = await drained(stage)
  return [
    ...unsettled,
    ...stage.ledger.findings.splice(0),
    ...(await inDatabase(stage)),
    ...(await acknowledged(stage)),
    ...(await atReadingService(stage)),
    ...(await inLogs(stage)),
  ]
}
