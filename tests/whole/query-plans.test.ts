/**
 * How the database finds what is asked for every day, among twenty thousand orders: each by an index of its own, in the
 * plans that the service's connections use.
 */
import { v5 as uuidv5 } from 'uuid'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { instantSql } from '../../src/adapters/clock.ts'
import { lookedUntil, newestGapFact, openGaps, toldGaps } from '../../src/adapters/postgres/alerts.ts'
import { claimNext } from '../../src/adapters/postgres/attempts.ts'
import { type Database, openDatabase, openForSearches, type Tx } from '../../src/adapters/postgres/database.ts'
import { type DeliveryFilter, listDeliveries } from '../../src/adapters/postgres/deliveries.ts'
import { parkTooOld, withWork } from '../../src/adapters/postgres/destinations.ts'
import { eveningAsOf } from '../../src/adapters/postgres/evenings.ts'
import { readResource, type Sight } from '../../src/adapters/postgres/find-resources.ts'
import { readHistory, readVersion } from '../../src/adapters/postgres/history.ts'
import { devicesWithSerial, ordersNamed } from '../../src/adapters/postgres/load-for-links.ts'
import { loadForOrders } from '../../src/adapters/postgres/load-for-orders.ts'
import { loadForReport } from '../../src/adapters/postgres/load-for-reports.ts'
import { linksOfPatients, statesAround, statesOfDay } from '../../src/adapters/postgres/load-states.ts'
import { readSearch, type Search } from '../../src/adapters/postgres/read-search.ts'
import { includedWith, includesOf, readInclusion, revIncludesOf } from '../../src/adapters/postgres/search-includes.ts'
import { type SearchParameter, searchParameters } from '../../src/adapters/postgres/search-parameters.ts'
import { searchResources } from '../../src/adapters/postgres/search-resources.ts'
import { sentReports } from '../../src/flow/send-result/sent-report.ts'
import { anOrder, harbourOrders, harbourPatients } from '../support/messages.ts'
import { testSites, testSources, useTestService } from '../support/service.ts'
import { inDatabase } from './bedside.ts'

const service = useTestService()
const rows = 20_000

/** The id that the database gives to the `n`th thing of a kind. */
const idSql = (kind: string): string => `md5('${kind}' || n)::uuid`
const anId = uuidv5('any', uuidv5.URL)

/** Enough of everything, spread over 200 days, two sites and as many people as orders. */
const seed = `
  insert into resources (type, id, version, updated, seen_by, tokens, from1, until1, from2, until2, body)
    select t, md5(t || n)::uuid, 2, now() - n * interval '1 minute', array['site:' || (array['tern-harbour', 'quarry-lane'])[1 + n % 2]],
      array['identifier=${harbourPatients}|' || n, 'patient=Patient/' || md5('Patient' || n)::uuid, 'status=active'],
      now() - n * interval '1 minute', now() - n * interval '1 minute' + interval '1 day', now() - n * interval '1 minute', null, '{}'
    from generate_series(1, ${rows}) n, unnest(array['Patient', 'ServiceRequest', 'Task', 'DiagnosticReport']) t;
  insert into earlier_versions (type, id, version, updated, seen_by, tokens, from1, until1, body)
    select type, id, 1, updated - interval '1 hour', seen_by, tokens, from1, until1, body from resources;
  insert into names (type, id, param, value)
    select 'Patient', md5('Patient' || n)::uuid, 'family', 'sandling' || n from generate_series(1, ${rows}) n;
  insert into identities (owner, type, system, value, id)
    select 'harbour-ehr', t, '${harbourOrders}', n::text, md5(t || n)::uuid
    from generate_series(1, ${rows}) n, unnest(array['Patient', 'ServiceRequest']) t;
  insert into orders (id, site, visit_day, state)
    select ${idSql('ServiceRequest')}, 'tern-harbour', date '2026-01-01' + n % 200, '{}' from generate_series(1, ${rows}) n;
  insert into patients (id, state) select ${idSql('Patient')}, '{}' from generate_series(1, ${rows}) n;
  insert into kept (id, order_id, state) select ${idSql('Kept')}, ${idSql('ServiceRequest')}, '{}' from generate_series(1, ${rows}) n;
  insert into devices (id, device_identifier, serial_number, state)
    select ${idSql('Device')}, '09520123456788', 'S' || n, '{}' from generate_series(1, ${rows}) n;
  insert into links (id, order_id, device_id, patient_id, site, day, active, period, state)
    select ${idSql('Link')}, ${idSql('ServiceRequest')}, ${idSql('Device')}, ${idSql('Patient')}, 'tern-harbour', date '2026-01-01' + n % 200, true,
      tstzrange(now() - interval '1 day', null), '{}' from generate_series(1, ${rows}) n;
  insert into conflicts (id, order_id, device_id, site, day, state)
    select ${idSql('Conflict')}, ${idSql('ServiceRequest')}, ${idSql('Device')}, 'tern-harbour', date '2026-01-01' + n % 200, '{}' from generate_series(1, ${rows}) n;
  insert into applications (id, device_id, site, day, state)
    select ${idSql('Application')}, ${idSql('Device')}, 'tern-harbour', date '2026-01-01' + n % 200, '{}' from generate_series(1, ${rows}) n;
  insert into returns (id, device_id, order_id, state)
    select ${idSql('Return')}, ${idSql('Device')}, ${idSql('ServiceRequest')}, '{}' from generate_series(1, ${rows}) n;
  insert into tasks (id, order_id, link_id, state)
    select ${idSql('Task')}, ${idSql('ServiceRequest')}, ${idSql('Link')}, '{}' from generate_series(1, ${rows}) n;
  insert into stubs (id, order_id, link_id, state)
    select ${idSql('Stub')}, ${idSql('ServiceRequest')}, ${idSql('Link')}, '{}' from generate_series(1, ${rows}) n;
  insert into held_reports (id, order_id, state)
    select ${idSql('Held')}, ${idSql('ServiceRequest')}, '{}' from generate_series(1, ${rows}) n;
  insert into gaps (id, site, day, order_id, device_id, open, state)
    select ${idSql('Gap')}, 'tern-harbour', date '2026-01-01' + n % 200, ${idSql('ServiceRequest')}, ${idSql('Device')}, true, '{}'
    from generate_series(1, ${rows}) n;
  insert into journal (recorded_at, occurred_at, step, fact, kind, id, order_id, device_id, patient_id, site, day, due_day, who, request_id, state)
    select now(), now(), 's', 'f', k, md5(k || n)::uuid, ${idSql('ServiceRequest')}, ${idSql('Device')},
      case k when 'link' then ${idSql('Patient')} end,
      case k when 'return' then null else 'tern-harbour' end, date '2026-01-01' + n % 200,
      case k when 'link' then date '2026-01-01' + n % 200 end, 'w', 'r', '{}'
    from generate_series(1, ${rows}) n, unnest(array['order', 'link', 'return']) k;
  insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, queued_at)
    select ${idSql('Delivery')}, 'd' || n / 10 % 10, ${idSql('ServiceRequest')}, '{}', 'r', f,
      case f when 'queued' then now() end, now()
    from generate_series(1, ${rows}) n, lateral (select case when n % 10 = 0 then 'queued' when n % 1000 = 1 then 'parked' else 'taken' end) s (f);
  insert into alerts (recipient, moment, looked_at) select 'desk', now() - n * interval '1 hour', now() from generate_series(1, ${rows}) n;
  insert into told_gaps (recipient, gap, status, delivery, told_at)
    select 'desk', ${idSql('Gap')}, 'final', ${idSql('Delivery')}, now() from generate_series(1, ${rows}) n;
  insert into destinations (id) select 'd' || n from generate_series(1, 100) n;
  analyze`

let db: Database
let searching: Database
beforeAll(async () => {
  await inDatabase(service().database, seed)
  db = openDatabase(service().database, () => {})
  searching = openForSearches(service().database, () => {})
})
afterAll(() => Promise.all([db.close(), searching.close()]))

interface Plan {
  readonly 'Node Type': string
  readonly 'Relation Name'?: string
  readonly 'Index Name'?: string
  readonly Plans?: readonly Plan[]
}

const nodesOf = (plan: Plan): readonly Plan[] => [plan, ...(plan.Plans ?? []).flatMap(nodesOf)]

let explained = 0

/**
 * Prepared with values that nobody knows, on a connection that is told to plan so; `generic_plan` says the same from
 * PostgreSQL 16 on.
 */
const planOf = (text: string, on: Database): Promise<readonly { 'QUERY PLAN': [{ Plan: Plan }] }[]> => {
  const name = `explained${++explained}`
  const values = Math.max(0, ...[...text.matchAll(/\$(\d+)/g)].map(([, n]) => Number(n)))
  const given = values === 0 ? '' : `(${Array.from({ length: values }, () => 'null').join(', ')})`
  return on.script(`prepare ${name} as ${text}; explain (format json) execute ${name}${given}`)
}

/** Every statement that the work sends, as the database plans it without knowing the values. */
const plansOf = async (work: (tx: Database) => Promise<unknown>, on = db): Promise<readonly Plan[]> => {
  const texts: string[] = []
  const query: Tx['query'] = (text, values) => {
    texts.push(text)
    return on.query(text, values)
  }
  await work({ ...on, query })
  const plans = await Promise.all(texts.map((text) => planOf(text, on)))
  return plans.flatMap((p) => nodesOf((p[0] as { 'QUERY PLAN': [{ Plan: Plan }] })['QUERY PLAN'][0].Plan))
}

const asked = (type: string, ...query: readonly (readonly [string, string])[]): Search => {
  const read = readSearch(type, query, true)
  if (!read.ok) throw new Error(JSON.stringify([query, read.problems]))
  return read.value
}

const search = (type: string, name: string, value: string, sight: Sight) => (tx: Tx) =>
  searchResources(tx, asked(type, [name, value]), sight)

const [harbour, tern] = [testSources[0], testSites[0]]
if (harbour === undefined || tern === undefined) throw new Error('no source, no site')
const here = ['site:tern-harbour']
const watching = (tx: Database) => ({
  db: tx,
  parties: { sites: testSites, sources: testSources, readingServices: [] },
  tolerances: { skew: 120, recorderClock: 60 },
})
const around = [
  'links_by_order',
  'links_by_device',
  'kept_by_order',
  'kept_by_device',
  'conflicts_by_order',
  'conflicts_by_device',
  'applications_by_device',
  'returns_by_device',
  'tasks_by_order',
  'stubs_by_order',
  'held_reports_by_order',
]
const incoming = [
  { at: '', method: 'POST', resource: anOrder('7', `Patient?identifier=${harbourPatients}|7`) } as const,
]

const [report] = sentReports([
  {
    at: '',
    method: 'POST',
    resource: {
      resourceType: 'DiagnosticReport',
      identifier: [{ system: 'https://pebble.example/reports', value: '7' }],
      status: 'final',
      code: { text: 'study' },
      basedOn: [{ identifier: { system: harbourOrders, value: '7' } }],
    },
  },
]).reports
if (report === undefined) throw new Error('no report')

const hot: readonly (readonly [string, (tx: Database) => Promise<unknown>, readonly string[]])[] = [
  ['one resource', (tx) => readResource(tx, 'Patient', anId, here), ['resources_pkey']],
  ['a search by id', search('Patient', '_id', anId, here), ['resources_pkey']],
  ['a search by patient number', search('Patient', 'identifier', `${harbourPatients}|7`, here), ['resources_by_token']],
  [
    'the same by an operator',
    search('Patient', 'identifier', `${harbourPatients}|7`, undefined),
    ['resources_by_token'],
  ],
  [
    'a search by placer number',
    search('ServiceRequest', 'identifier', `${harbourOrders}|7`, here),
    ['resources_by_token'],
  ],
  ['the orders of a patient', search('ServiceRequest', 'patient', `Patient/${anId}`, here), ['resources_by_token']],
  ['the work of a patient', search('Task', 'patient', `Patient/${anId}`, here), ['resources_by_token']],
  ['a search by family name', search('Patient', 'family', 'Sandling7777', here), ['names_by_value', 'resources_pkey']],
  [
    'an order by its placer number',
    (tx) => ordersNamed(tx, { system: harbourOrders, value: '7' }, here, 'bay-3'),
    ['identities_pkey', 'resources_pkey'],
  ],
  [
    'a recorder by its serial number',
    (tx) => devicesWithSerial(tx, 'S7'),
    ['devices_serial_number_device_identifier_key'],
  ],
  [
    'what an incoming order names',
    (tx) => loadForOrders(tx, incoming, harbour, undefined),
    ['identities_pkey', 'kept_awaiting'],
  ],
  [
    'what a report names',
    (tx) => loadForReport(tx, report, { caller: { id: 'pebble', role: 'reading-service' }, sight: ['reader:pebble'] }),
    ['resources_by_token', 'identities_pkey', 'resources_pkey', 'stubs_by_order'],
  ],
  ['what is around an order and a recorder', (tx) => statesAround(tx, [anId], [anId]), around],
  ['all links of a patient', (tx) => linksOfPatients(tx, [anId]), ['links_by_patient']],
  [
    'what has to do with a day, now',
    (tx) => statesOfDay(tx, tern.id, '2026-03-02', ['2026-03-02T00:00:00Z', '2026-03-03T00:00:00Z']),
    [
      'orders_by_visit',
      'links_by_day',
      'applications_by_day',
      'gaps_by_day',
      'journal_by_day',
      'journal_by_due',
      'journal_without_site',
    ],
  ],
  [
    'what has to do with a day, as it was',
    (tx) => eveningAsOf(watching(tx), tern, '2020-03-02', '2020-03-03T00:00:00Z'),
    [
      ...['journal_by_day', 'journal_by_due', 'journal_by_order', 'journal_by_device', 'journal_by_patient'],
      ...['journal_by_subject', 'journal_without_site', 'journal_pkey'],
    ],
  ],
]

const listed = (filter: DeliveryFilter) => (tx: Tx) => listDeliveries(tx, filter, 100)

const waiting: typeof hot = [
  ['the next message for a destination', (tx) => claimNext(tx, 'd1', 1), ['deliveries_due', 'deliveries_by_order']],
  ['which destinations have work', (tx) => withWork(tx, ['d1', 'd2']), ['deliveries_due']],
  ['what has waited too long', (tx) => parkTooOld(tx, 3600), ['deliveries_due']],
  ['the messages of an order', listed({ order: anId }), ['deliveries_by_order']],
  ['the messages to a destination', listed({ destination: 'd1' }), ['deliveries_by_fate']],
  ['the parked messages', listed({ fate: 'parked' }), ['deliveries_by_fate']],
  ['the next page of them', listed({ fate: 'parked', before: 9000 }), ['deliveries_by_fate']],
  ['the parked messages to a destination', listed({ destination: 'd1', fate: 'parked' }), ['deliveries_by_fate']],
  ['the newest messages', listed({}), ['deliveries_by_fate']],
  ['up to when recipients were told', (tx) => lookedUntil(tx, ['desk'], '2026-01-01T00:00:00Z'), ['alerts_pkey']],
  ['the newest fact about a gap', newestGapFact, ['journal_of_gaps']],
  [
    'the open gaps to tell of',
    (tx) => openGaps(tx, 'desk', ['tern-harbour'], ['no-link']),
    ['gaps_open', 'told_gaps_pkey'],
  ],
  ['what somebody was told of gaps', (tx) => toldGaps(tx, 'desk', [anId]), ['told_gaps_pkey']],
]

test.each([...hot, ...waiting])('%s: by its index', async (_, work, indexes) => {
  const nodes = await plansOf(work)
  const used = nodes.flatMap((n) => n['Index Name'] ?? [])
  expect(used).toEqual(expect.arrayContaining([...indexes]))
  // nothing walks through all that was ever written, neither by its last change nor row by row
  expect(used).not.toContain('resources_by_update')
  const walked = nodes.filter((n) => n['Node Type'] === 'Seq Scan').map((n) => n['Relation Name'])
  // of destinations there are a few
  expect(walked.filter((name) => name !== 'destinations')).toEqual([])
})

const samples: Readonly<Record<SearchParameter['kind'], readonly string[]>> = {
  token: ['active', `${harbourPatients}|7`, `${harbourPatients}|`],
  reference: [`Patient/${anId}`],
  string: ['s', 'sandling77'],
  date: ['2026-01-01', 'ge2026-01-01', 'lt2026-01-01', 'ne2026-01-01'],
}

const everyType = Object.keys(searchParameters)

/** What a search walks through row by row, whatever page it asks for. */
const walkedBy = async (type: string, query: readonly (readonly [string, string])[]): Promise<readonly string[]> => {
  const first = asked(type, ...query)
  const { 0: moment } = await db.query<{ now: string }>(`select ${instantSql('clock_timestamp()')} as now`)
  const now = moment?.now ?? ''
  const next = { ...first, cursor: { asOf: now, updated: now, id: anId } }
  const nodes = await plansOf(async (tx) => {
    for (const page of [first, next]) for (const sight of [here, undefined]) await searchResources(tx, page, sight)
  }, searching)
  const kept = ['resources', 'names', 'earlier_versions']
  return nodes.flatMap(({ 'Node Type': node, 'Relation Name': name = '' }) =>
    node === 'Seq Scan' && kept.includes(name) ? [`${JSON.stringify(query)} ${name}`] : [],
  )
}

const orders = [
  ['_sort', '_lastUpdated'],
  ['_sort', '-_lastUpdated'],
] as const

describe('every announced search, in both orders, its first page and the next, goes by an index', () => {
  test.each(everyType)('%s', async (type) => {
    for (const order of orders) {
      expect(await walkedBy(type, [order])).toEqual([])
      expect(await walkedBy(type, [order, ['_lastUpdated', 'gt2026-01-01']])).toEqual([])
      for (const { name, kind } of searchParameters[type] ?? [])
        for (const value of samples[kind]) expect(await walkedBy(type, [order, [name, value]])).toEqual([])
    }
  })

  test.each(everyType)('what comes along with %s', async (type) => {
    const matches = [{ type, id: anId, version: 1, updated: '', body: '}', tokens: [`patient=Patient/${anId}`] }]
    const inclusions = (['_include', '_revinclude'] as const).flatMap((way) =>
      (way === '_include' ? includesOf : revIncludesOf)(type).flatMap((value) => readInclusion(type, way, value) ?? []),
    )
    const nodes = await plansOf((tx) => includedWith(tx, inclusions, matches, here), searching)
    expect(nodes.filter((n) => n['Node Type'] === 'Seq Scan' && n['Relation Name'] === 'resources')).toEqual([])
  })

  test('and so do the versions of a resource', async () => {
    const [{ id = '' } = {}] = await db.query<{ id: string }>(`select id from resources where type = 'Patient' limit 1`)
    const nodes = await plansOf(async (tx) => {
      await readHistory(tx, 'Patient', id, here, { count: 10, since: '2026-01-01T00:00:00Z', before: 9 })
      await readVersion(tx, 'Patient', id, 1, here)
    }, searching)
    expect(nodes.flatMap((n) => n['Index Name'] ?? [])).toContain('earlier_versions_pkey')
    expect(nodes.filter((n) => n['Node Type'] === 'Seq Scan')).toEqual([])
  })
})
