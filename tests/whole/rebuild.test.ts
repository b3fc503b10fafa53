/**
 * What is stored follows from the journal: after days with everything in them, all rows are made anew from it and are
 * equal; and whatever is tampered with is found and named.
 */
import { spawnSync } from 'node:child_process'
import type { DetectedIssue, DeviceUseStatement, Patient, Task } from 'fhir/r4.js'
import { beforeAll, expect, test } from 'vitest'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { checkRebuild } from '../../src/adapters/postgres/rebuild.ts'
import { isEqual, rebuildText, type TableCheck } from '../../src/adapters/postgres/table-check.ts'
import type { Fact } from '../../src/flow/step.ts'
import { useTestService } from '../support/service.ts'
import { makeWorld } from '../support/world.ts'
import {
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  orderBundle,
  outs,
  seconds,
  sendOrder,
  sendPatient,
} from './bedside.ts'
import { luckOf } from './races.ts'

const service = useTestService()
const ask = (id: string) => service().as(id)
const [tern, lane] = ['tern-harbour', 'quarry-lane']
const steps = 120

/** Every fact that a journal may hold. */
const facts: readonly Fact[] = [
  ...(['order-accepted', 'order-revised', 'order-held', 'order-revoked', 'order-completed', 'not-applied'] as const),
  ...(['patient-received', 'resource-received', 'device-seen', 'device-tied', 'device-released'] as const),
  ...([
    'device-applied',
    'device-linked',
    'link-ended',
    'link-corrected',
    'device-returned',
    'return-matched',
  ] as const),
  ...(['task-requested', 'task-answered', 'task-cancelled', 'stubs-made', 'stubs-withdrawn'] as const),
  ...(['report-received', 'report-revised', 'report-held', 'report-settled'] as const),
  ...(['order-moved', 'link-moved', 'link-doubted', 'task-moved', 'stubs-moved'] as const),
  ...(['gap-opened', 'gap-changed', 'gap-mended', 'gap-acknowledged', 'gap-resolved'] as const),
]

const check = async (): Promise<readonly TableCheck[]> => {
  const db = openDatabase(service().database, () => undefined)
  return checkRebuild(db).finally(() => db.close())
}

const wrong = (checks: readonly TableCheck[]): string => rebuildText(checks.filter((c) => !isEqual(c)))

const present = async (): Promise<string> => {
  const [row] = await inDatabase<{ now: Date }>(
    service().database,
    'select clock_timestamp() + offset_by as now from clock',
  )
  return row?.now.toISOString() ?? ''
}

interface Met {
  readonly orders: Ordered[]
  readonly serials: string[]
  readonly links: string[]
  readonly tasks: Task[]
}

/** Observations in a report, more or fewer than before. */
const manyValues = (n: number) => {
  const contained = Array.from({ length: n + 1 }, (_, i) => ({
    resourceType: 'Observation',
    id: `o${i}`,
    status: 'final',
    code: { text: `value ${i}` },
    valueInteger: n,
  }))
  return { contained, result: contained.map((o) => ({ reference: `#${o.id}` })) }
}

/** One thing that somebody does; what is refused is refused, and leaves nothing. */
const deed = async (met: Met, luck: () => number): Promise<void> => {
  const pick = <T>(list: readonly T[]): T | undefined => list[Math.floor(luck() * list.length)]
  const [order, serial, tied, task] = [pick(met.orders), pick(met.serials), pick(met.links), pick(met.tasks)]
  const now = await present()
  const moment = seconds(now, -Math.floor(luck() * 7200) - 1)
  const bay = ask(luck() < 0.8 ? 'bay-3' : 'lane-desk')
  const site = { system: 'https://daybind.example/sites', value: luck() < 0.8 ? tern : lane }
  const revise = (more: object) =>
    order && ask('harbour-ehr')('POST', '/fhir', { body: orderBundle(order.person, order.placer.value ?? '', more) })
  const deeds: (() => Promise<unknown> | undefined)[] = [
    async () => met.orders.push(await sendOrder(ask('harbour-ehr'), { visit: now.slice(0, 10), site: site.value })),
    async () =>
      met.orders.push(
        await sendOrder(ask('harbour-ehr'), order ? { person: order.person, placer: `P-${newSerial()}` } : {}),
      ),
    async () => met.orders.push(await sendOrder(ask('bay-3'), { placer: `H-${newSerial()}`, site: tern })),
    () => revise({ note: `Note ${Math.floor(luck() * 3)}` }),
    () => revise({ site: site.value }),
    () => revise({ status: pick(['active', 'revoked', 'on-hold', 'completed']) }),
    () => order && sendPatient(ask('harbour-ehr'), { ...order.person, phone: `+353 1 555 ${Math.floor(luck() * 9)}` }),
    async () => {
      if (order === undefined) return
      const fresh = luck() < 0.7 || serial === undefined
      const used = fresh ? newSerial() : serial
      if (fresh) met.serials.push(used)
      const answer = await link(ask('ops'), order, {
        scan: label(used, '300101'),
        appliedAt: moment,
        site,
        bodySite: { text: 'Chest' },
      })
      met.links.push(...outs<DeviceUseStatement>(answer, 'link').map((l) => l.id ?? ''))
      met.tasks.push(...outs<Task>(answer, 'task'))
    },
    () =>
      tied === undefined
        ? undefined
        : operate(bay, `DeviceUseStatement/${tied}/$end-link`, {
            endedAt: now,
            why: pick(['removed', 'failed']),
            note: 'It fell off.',
          }),
    () =>
      tied === undefined
        ? undefined
        : operate(bay, `DeviceUseStatement/${tied}/$correct-link`, {
            because: 'Wrong.',
            ...pick([{}, { appliedAt: moment }, { scan: label(newSerial()) }]),
          }),
    () =>
      serial === undefined
        ? undefined
        : operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: now }),
    () =>
      operate(bay, 'Device/$record-application', {
        scan: label(serial ?? newSerial()),
        appliedAt: moment,
        site,
        evidence: 'capture',
      }),
    () =>
      order &&
      operate(bay, `ServiceRequest/${order.order}/$record-not-applied`, { why: 'rescheduled', newDate: '2035-06-01' }),
    () =>
      task &&
      ask('pebble')('PUT', `/fhir/Task/${task.id}`, {
        body: { ...task, status: pick(['accepted', 'rejected']), note: [{ text: 'Seen.' }] },
      }),
    () =>
      order &&
      ask('pebble')('POST', '/fhir/DiagnosticReport', {
        body: {
          resourceType: 'DiagnosticReport',
          identifier: [{ system: 'https://pebble.example/reports', value: order.order }],
          status: pick(['preliminary', 'final', 'amended', 'cancelled', 'entered-in-error']),
          code: { text: 'study' },
          basedOn: [{ reference: `ServiceRequest/${order.order}` }],
          ...pick([{}, {}, { effectiveDateTime: '2020-01-01' }]),
          ...pick([{}, manyValues(Math.floor(luck() * 3))]),
        },
      }),
  ]
  // links are what most of the rest is about
  await (luck() < 0.25 ? deeds[7]?.() : pick(deeds)?.())
}

/** Held, settled by one that agrees, and revised. */
const reportTwice = async (): Promise<void> => {
  const [read, serial] = [await sendOrder(ask('harbour-ehr')), newSerial()]
  await link(ask('bay-3'), read, { scan: label(serial), appliedAt: seconds(await present(), -3600) })
  for (const more of [{ effectiveDateTime: '2020-01-01' }, { status: 'preliminary' }, manyValues(2), {}])
    await ask('pebble')('POST', '/fhir/DiagnosticReport', {
      body: {
        resourceType: 'DiagnosticReport',
        identifier: [{ system: 'https://pebble.example/reports', value: serial }],
        status: 'amended',
        code: { text: 'study' },
        basedOn: [{ reference: `ServiceRequest/${read.order}` }],
        ...more,
      },
    })
}

/** What chance may leave out. */
const rarities = async (): Promise<void> => {
  const [bay, ehr] = [ask('bay-3'), ask('harbour-ehr')]
  const held = await sendOrder(ehr)
  for (const status of ['on-hold', 'completed'] as const)
    await sendOrder(ehr, { person: held.person, placer: held.placer.value ?? '', status })
  const missed = await sendOrder(ehr, { site: tern })
  await operate(bay, `ServiceRequest/${missed.order}/$record-not-applied`, { why: 'no-show', note: 'Nobody came.' })
  await sendOrder(ehr, { person: missed.person, placer: missed.placer.value ?? '', site: lane })
  const [before, serial] = [seconds(await present(), -7200), newSerial()]
  await operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: seconds(before, 3600) })
  const answer = await link(bay, await sendOrder(ehr), { scan: label(serial), appliedAt: before })
  const id = outs<DeviceUseStatement>(answer, 'link')[0]?.id
  await operate(bay, `DeviceUseStatement/${id}/$correct-link`, { because: 'It was somebody else.' })
  await reportTwice()
  await merged(before)
}

/** Two people at two sites are one: a recorder is on, another came back. Then they are two again. */
const merged = async (before: string): Promise<void> => {
  const [bay, ehr, ops] = [ask('bay-3'), ask('harbour-ehr'), ask('ops')]
  const [first, serial, survivor] = [await sendOrder(ehr, { site: tern }), newSerial(), newPerson()]
  const second = await sendOrder(ehr, { person: first.person, placer: `P-${serial}`, site: lane })
  await link(ops, first, { scan: label(serial), appliedAt: before })
  await link(ops, second, { scan: label(newSerial()), appliedAt: before })
  await operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: seconds(before, 3600) })
  const { id } = (await sendPatient(ehr, survivor)).body
  const put = (over: Partial<Patient>) =>
    ehr('PUT', `/fhir/Patient/${first.patient}`, {
      body: { ...orderBundle(first.person, '').entry?.[0]?.resource, ...over },
    })
  await put({ active: false, link: [{ type: 'replaced-by', other: { reference: `Patient/${id}` } }] })
  for (const gap of await found<DetectedIssue>(ops, `DetectedIssue?code=identity-doubt&patient=Patient/${id}`)) {
    await operate(ops, `DetectedIssue/${gap.id}/$acknowledge`, { note: 'Seen.' })
    await operate(ops, `DetectedIssue/${gap.id}/$resolve`, { action: 'confirmed', note: 'Asked.' })
  }
  await put({ active: true })
}

beforeAll(async () => {
  await makeWorld(service())
  await rarities()
  const met: Met = { orders: [], serials: [], links: [], tasks: [] }
  for (let i = 0; i < steps; i += 4) {
    await Promise.all([0, 1, 2, 3].map((n) => deed(met, luckOf(5_001 + i + n))))
    // evenings in between, so that gaps become final and whole days are missed
    if (i % 40 === 36) await service().setClock(seconds(await present(), 9 * 3600))
  }
})

test('every row is the one that follows from the journal', async () => {
  const checks = await check()
  expect(wrong(checks)).toBe('')
  // it had something of everything to look at
  const rows = (table: string) => checks.find((c) => c.table === table)?.rows ?? 0
  for (const { table } of checks.filter((c) => !['earlier_versions', 'names'].includes(c.table)))
    expect([table, rows(table) > 0]).toEqual([table, true])
  const seen = await inDatabase<{ fact: string }>(service().database, 'select distinct fact from journal')
  const unseen = new Set<string>(facts)
  for (const { fact } of seen) unseen.delete(fact)
  expect([...unseen]).toEqual([])
})

const command = (): { status: number | null; text: string } => {
  const { status, stdout, stderr } = spawnSync(process.execPath, ['src/main.ts', 'rebuild', '--check'], {
    env: { ...process.env, DATABASE_URL: service().database },
    encoding: 'utf8',
  })
  return { status, text: `${stdout}${stderr}` }
}

test('the command says so, while the service runs, and status 1 when anything was tampered with', async () => {
  expect(command()).toMatchObject({
    status: 0,
    text: expect.stringContaining('Everything stored is what the journal says.'),
  })
  const one = async (sql: string): Promise<string> =>
    (await inDatabase<{ name: string }>(service().database, sql))[0]?.name ?? '?'
  const lost = await one('delete from stubs where id = (select max(id::text)::uuid from stubs) returning id as name')
  const moved = await one(
    `update links set day = day + 1 where id = (select min(id::text)::uuid from links) returning id as name`,
  )
  const shown = await one(
    `update resources set seen_by = seen_by || '{site:elsewhere}' where type = 'Device' and id = (select min(id::text)::uuid from devices) returning id as name`,
  )
  const said = await one(
    `update resources set body = replace(body, '"status":"', '"status" :"') || '' , version = version + 1 where type = 'Task' and id = (select min(id::text)::uuid from tasks) returning id as name`,
  )
  const word = await one(
    `update resources set body = replace(body, 'Sandling', 'Dunling') where type = 'Patient' and id = (select min(id::text)::uuid from resources where type = 'Patient' and body like '%Sandling%') returning id as name`,
  )
  const stray = await one(
    `insert into names values ('Patient', '00000000-0000-4000-8000-00000000000f', 'family', 'nobody') returning id as name`,
  )
  const renamed = await one(
    `update identities set value = value || '-x' where type = 'ServiceRequest' and id = (select min(id::text)::uuid from orders) returning id as name`,
  )
  await inDatabase(
    service().database,
    `delete from resources where type = 'Provenance' and id = (select min(id::text)::uuid from resources where type = 'Provenance')`,
  )
  const checks = await check()
  const found = checks.flatMap((c) => c.first.map((f) => `${c.table}: ${f}`))
  expect(found.toSorted()).toEqual(
    [
      `links: ${moved} (day)`,
      `stubs: ${lost} missing`,
      `resources: Device/${shown} (seen_by)`,
      `resources: Task/${said} (version)`,
      `resources: Patient/${word} (content, names)`,
      'resources: records of what was done: Provenance missing',
      `names: Patient/${stray} surplus`,
      `identities: ServiceRequest/${renamed} missing`,
      `identities: ServiceRequest/${renamed} surplus`,
    ].toSorted(),
  )
  expect(command()).toMatchObject({ status: 1, text: expect.stringContaining('is not what the journal says') })
})

test('rebuild without --check is not understood', () => {
  const { status } = spawnSync(process.execPath, ['src/main.ts', 'rebuild'], { encoding: 'utf8' })
  expect(status).toBe(2)
})
