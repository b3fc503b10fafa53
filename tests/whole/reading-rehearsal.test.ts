/** `?dry-run=true` and `$validate`: the same answer as the call, and not one row of difference. */
import type { Bundle, FhirResource, OperationOutcome, Parameters, ParametersParameter, Task } from 'fhir/r4.js'
import { Client } from 'pg'
import { beforeAll, describe, expect, it } from 'vitest'
import { usualPatience } from '../../src/flow/forward-order/retry.ts'
import { mutants, spoilt } from '../profiles/spoilt.ts'
import {
  anOrder,
  aPatient,
  bundle,
  codesIn,
  entry,
  harbour,
  orderWithPatient,
  placeOrder,
  refusalOf,
} from '../support/messages.ts'
import { type Answer, type Ask, askingAs, useTestService } from '../support/service.ts'
import { linkParameters, makeWorld, returnParameters, type World } from '../support/world.ts'
import { inDatabase } from './bedside.ts'

// what the service does by itself stands still: what differs comes of the calls
const service = useTestService({ roundMs: 3_600_000, patience: usualPatience })
const asCaller = askingAs(service)
const [ehr, clinic, pebble, operator] = ['harbour-ehr', 'bay-3', 'pebble', 'ops'].map(asCaller) as [Ask, Ask, Ask, Ask]
const nobody = '01900000-0000-7000-8000-000000000001'

let world: World
let open: { readonly orderId: string; readonly patientId: string }
let link = ''
let gapOrder = ''

/** A digest of every row of every table of ours and of the queue; sequences may move. */
const everything = async (): Promise<Readonly<Record<string, string>>> => {
  const client = new Client({ connectionString: service().database })
  await client.connect()
  try {
    const tables = await client.query<{ name: string }>(
      `select format('%I.%I', n.nspname, c.relname) as name from pg_class c join pg_namespace n on n.oid = c.relnamespace
       where c.relkind = 'r' and (n.nspname = 'daybind' or (n.nspname = 'daybind_queue' and c.relname ~ '^(job|j[0-9a-f]+)'))`,
    )
    const digests: [string, string][] = []
    for (const { name } of tables.rows) {
      const { rows } = await client.query<{ digest: string }>(
        `select count(*) || ' ' || coalesce(md5(string_agg(t::text, '' order by t::text)), '') as digest from ${name} t`,
      )
      digests.push([name, rows[0]?.digest ?? ''])
    }
    return Object.fromEntries(digests)
  } finally {
    await client.end()
  }
}

/** Whether a message is on its way, or announced and not heard yet. */
const underWay = async (): Promise<boolean> => {
  const [row] = await inDatabase<{ n: number }>(
    service().database,
    `select (select count(*) from daybind_queue.job where state < 'completed')::int
       + (select count(*) from deliveries where fate in ('queued', 'unsure') and leased_until is not null)::int as n`,
  )
  return row?.n !== 0
}

/** Everything, once two looks in a row see the same: deliveries that fail are put off by minutes. */
const settled = async () => {
  for (let [before, tries] = [await everything(), 0]; ; tries += 1) {
    await new Promise((resolve) => setTimeout(resolve, 150))
    const busy = await underWay()
    const after = await everything()
    if ((!busy && JSON.stringify(before) === JSON.stringify(after)) || tries > 100) return after
    before = after
  }
}

beforeAll(async () => {
  // else the queue clears away what is a minute old in the middle of a rehearsal
  await inDatabase(service().database, 'update daybind_queue.queue set deletion_seconds = 86400')
  world = await makeWorld(service())
  open = await placeOrder(ehr, 'OPEN', 'OPEN')
  const worn = await placeOrder(ehr, 'WORN', 'WORN')
  gapOrder = worn.orderId
  const linked = await clinic<Parameters>('POST', `/fhir/ServiceRequest/${worn.orderId}/$link-device`, {
    body: linkParameters('WORN', 'WORN'),
  })
  link = linked.body.parameter?.find((p) => p.name === 'link')?.resource?.id ?? ''
})

const parameters = (...parameter: ParametersParameter[]): Parameters => ({ resourceType: 'Parameters', parameter })
const now = () => `${new Date(Date.now() - 1000).toISOString().slice(0, 19)}Z`
const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
const task = async (): Promise<Task> => (await operator<Task>('GET', `/fhir/Task/${world.Task}`)).body

type Writing = readonly [
  name: string,
  ask: Ask,
  method: string,
  path: () => string,
  body: () => unknown | Promise<unknown>,
]

/** Every call that writes, each so that it would. */
const writings: readonly Writing[] = [
  ['a new patient', ehr, 'POST', () => '/fhir/Patient', () => aPatient('DRY-1')],
  ['a patient by criterion', ehr, 'PUT', () => `/fhir/Patient?identifier=${harbour.patients}|W1`, () => aPatient('W1')],
  ['a patient by id', ehr, 'PUT', () => `/fhir/Patient/${world.Patient}`, () => aPatient('W1', { active: false })],
  ['a new order', ehr, 'POST', () => '/fhir/ServiceRequest', () => anOrder('DRY-1', `Patient/${world.Patient}`)],
  [
    'a revised order',
    ehr,
    'PUT',
    () => `/fhir/ServiceRequest?identifier=${harbour.orders}|W1`,
    () => anOrder('W1', `Patient/${world.Patient}`),
  ],
  [
    'a revoked order that is worn',
    ehr,
    'PUT',
    () => `/fhir/ServiceRequest/${gapOrder}`,
    () => ({ ...anOrder('WORN', `Patient?identifier=${harbour.patients}|WORN`), status: 'revoked' }),
  ],
  ['a transaction', ehr, 'POST', () => '/fhir', () => orderWithPatient('DRY-2', 'DRY-2')],
  [
    'a batch',
    ehr,
    'POST',
    () => '/fhir',
    () => bundle('batch', entry('POST Patient', aPatient('DRY-3')), entry('POST Patient', aPatient('DRY-4'))),
  ],
  [
    'a link',
    clinic,
    'POST',
    () => `/fhir/ServiceRequest/${open.orderId}/$link-device`,
    () => linkParameters('OPEN', 'OPEN'),
  ],
  [
    'a link with a captureKey',
    clinic,
    'POST',
    () => `/fhir/ServiceRequest/${open.orderId}/$link-device`,
    () => {
      const { parameter = [] } = linkParameters('OPEN', 'OPEN')
      return parameters(...parameter, { name: 'captureKey', valueString: 'dry' })
    },
  ],
  [
    'not applied',
    clinic,
    'POST',
    () => `/fhir/ServiceRequest/${open.orderId}/$record-not-applied`,
    () => parameters({ name: 'reason', valueCode: 'no-show' }),
  ],
  [
    'the end of a link',
    clinic,
    'POST',
    () => `/fhir/DeviceUseStatement/${link}/$end-link`,
    () => parameters({ name: 'endedAt', valueDateTime: now() }, { name: 'reason', valueCode: 'removed' }),
  ],
  [
    'a corrected link',
    clinic,
    'POST',
    () => `/fhir/DeviceUseStatement/${link}/$correct-link`,
    () => parameters({ name: 'reason', valueString: 'wrong' }),
  ],
  [
    'an application',
    clinic,
    'POST',
    () => '/fhir/Device/$record-application',
    () =>
      parameters(
        { name: 'scan', valueString: '(01)09520123456788(21)DRY' },
        { name: 'appliedAt', valueDateTime: now() },
        { name: 'evidence', valueCode: 'capture' },
        { name: 'site', valueIdentifier: site },
      ),
  ],
  ['a return', clinic, 'POST', () => '/fhir/Device/$record-return', () => returnParameters('WORN')],
  ['a return of nobody’s', clinic, 'POST', () => '/fhir/Device/$record-return', () => returnParameters('DRY-5')],
  [
    'an answer to a task',
    pebble,
    'PUT',
    () => `/fhir/Task/${world.Task}`,
    async () => ({ ...(await task()), status: 'accepted' }),
  ],
  [
    'an evening',
    clinic,
    'POST',
    () => '/fhir/$reconcile-day',
    () => parameters({ name: 'site', valueIdentifier: site }, { name: 'date', valueDate: '2026-03-02' }),
  ],
  ['a pause', operator, 'POST', () => '/destinations/pebble/pause', () => undefined],
]

const sent = async ([, ask, method, path, body]: Writing, dry: boolean): Promise<Answer<Bundle & OperationOutcome>> => {
  const content = await body()
  const query = dry ? `${path().includes('?') ? '&' : '?'}dry-run=true` : ''
  return ask(method, `${path()}${query}`, content === undefined ? {} : { body: content })
}

/** An answer without what is new with every call: ids, moments, and whether a resource has been made meanwhile. */
const shapeOf = ({ status, text }: Answer<unknown>) => [
  status,
  text
    .replace(/[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}/g, 'ID')
    .replace(/\d{4}-\d{2}-\d{2}T[\d:.]+Z/g, 'MOMENT')
    .replace(/("https:\/\/daybind.example\/journal","value":)"\d+"/g, '$1"FACT"'),
]

describe('a rehearsal', () => {
  it.each(writings)('of %s is answered and keeps nothing', async (...writing) => {
    const before = await settled()
    const answer = await sent(writing, true)
    expect([answer.status, answer.text]).toEqual([
      writing[2] === 'POST' && /^a new/.test(writing[0]) ? 201 : 200,
      answer.text,
    ])
    expect(await everything()).toEqual(before)
  })

  it('and the call itself then answers the same, and keeps something', async () => {
    for (const writing of writings.filter(([name]) => !/captureKey|not applied|corrected|an evening/.test(name))) {
      const before = await settled()
      const [dry, done] = [await sent(writing, true), await sent(writing, false)]
      expect([writing[0], ...shapeOf(done)]).toEqual([writing[0], ...shapeOf(dry)])
      expect([writing[0], await everything()]).not.toEqual([writing[0], before])
    }
    await operator('POST', '/destinations/pebble/resume')
  })

  it('of a replay keeps nothing', async () => {
    const { deliveries } = (await operator<{ deliveries: { id: string; fate: string }[] }>('GET', '/deliveries')).body
    expect(deliveries.length).toBeGreaterThan(0)
    const before = await settled()
    for (const { id } of deliveries)
      expect([202, 409]).toContain((await operator('POST', `/deliveries/${id}/replay?dry-run=true`)).status)
    expect(await everything()).toEqual(before)
  })

  it.each(['dry-run=yes', 'dry-run=', 'dry-run=TRUE', 'dry-run=1', 'dry-run=true&dry-run=false'])(
    'that is not plainly asked for is refused: %s',
    async (query) => {
      const before = await settled()
      const answer = await ehr('POST', `/fhir/Patient?${query}`, { body: aPatient('DRY-9') })
      expect(refusalOf(answer)).toEqual({ status: 400, codes: ['wrong-parameter'] })
      expect(await everything()).toEqual(before)
    },
  )

  it('that is not asked for keeps what it does', async () => {
    expect((await ehr('POST', '/fhir/Patient?dry-run=false', { body: aPatient('WET-1') })).status).toBe(201)
    expect((await ehr<Bundle>('GET', '/fhir/Patient?identifier=WET-1')).body.entry).toHaveLength(1)
  })
})

const validated = async (path: string, body: unknown, ask = ehr) => {
  const { status, body: outcome, text } = await ask('POST', `/fhir/${path}`, { body })
  if (status !== 200) throw new Error(`${status} ${text}`)
  return outcome
}
const around = (resource: FhirResource | object, ...more: ParametersParameter[]) =>
  parameters({ name: 'resource', resource: resource as FhirResource }, ...more)

/** R4 4.0.1, resource-operation-validate.html. */
describe('$validate', () => {
  const order = () => anOrder('VALID', `Patient/${open.patientId}`)

  it('says that all is well, and keeps nothing', async () => {
    const before = await settled()
    for (const body of [order(), around(order()), around(order(), { name: 'mode', valueCode: 'create' })]) {
      const outcome = await validated('ServiceRequest/$validate', body)
      expect(outcome.issue.map((i) => [i.severity, i.code])).toEqual([['information', 'informational']])
    }
    await validated('Patient/$validate', aPatient('VALID'))
    await validated(
      `ServiceRequest/${open.orderId}/$validate`,
      anOrder('OPEN', `Patient/${open.patientId}`, { status: 'on-hold' }),
    )
    expect(await everything()).toEqual(before)
  })

  it.each<[string, object, readonly string[]]>([
    ['what is no FHIR', { status: 'started', intent: 1, shoe: 'x' }, ['unknown-code', 'unknown-element', 'wrong-type']],
    [
      'what our own rules refuse',
      { code: { coding: [{ system: 'urn:x', code: '1' }] }, identifier: [] },
      ['empty-value'],
    ],
    ['a code that no rule takes', { code: { coding: [{ system: 'urn:x', code: '1' }] } }, ['code-not-taken']],
    ['no placer number', { identifier: [{ value: 'x' }] }, ['no-placer-number']],
    ['who is not known', { subject: { reference: `Patient/${nobody}` } }, ['reference-not-found']],
  ])('tells %s as a write does, at the same places', async (_, over, codes) => {
    const body = { ...order(), ...over }
    const outcome = await validated('ServiceRequest/$validate', body)
    expect(codesIn(outcome)).toEqual(expect.arrayContaining([...codes]))
    const write = await ehr('POST', '/fhir/ServiceRequest?dry-run=true', { body })
    expect(write.status).toBeGreaterThanOrEqual(400)
    expect(outcome.issue).toEqual(write.body.issue)
    expect((await validated('ServiceRequest/$validate', around(body))).issue).toEqual(outcome.issue)
  })

  it('tells what a write would be warned of', async () => {
    const dated = (day: string) => ({ ...aPatient('VALID-OLD'), meta: { lastUpdated: `2026-03-0${day}T00:00:00Z` } })
    await ehr('POST', '/fhir/Patient', { body: dated('2') })
    const outcome = await validated('Patient/$validate', { ...dated('1'), active: true })
    expect([outcome.issue.map((i) => i.severity), codesIn(outcome)]).toEqual([['warning'], ['stale-content']])
  })

  it('of an update looks at the resource that it would update', async () => {
    const path = `ServiceRequest/${world.ServiceRequest}/$validate`
    expect(codesIn(await validated(path, { ...order(), id: nobody }))).toEqual(['wrong-id'])
    const update = { name: 'mode', valueCode: 'update' }
    expect(codesIn(await validated('ServiceRequest/$validate', around({ ...order(), id: nobody }, update)))).toEqual([
      'not-known',
    ])
    expect(refusalOf(await ehr('POST', `/fhir/ServiceRequest/${nobody}/$validate`, { body: order() }))).toEqual({
      status: 404,
      codes: ['not-known'],
    })
    const other = asCaller('lowwater-ehr')
    expect((await other('POST', `/fhir/${path}`, { body: order() })).status).toBe(404)
  })

  it('of a task is what the reading service would be told', async () => {
    const at = async (status: Task['status']) => ({ ...(await task()), status })
    await pebble('PUT', `/fhir/Task/${world.Task}`, { body: await at('in-progress') })
    const before = await settled()
    const path = `Task/${world.Task}/$validate`
    expect(codesIn(await validated(path, await at('completed'), pebble))).toEqual(['none'])
    expect(codesIn(await validated(path, await at('received'), pebble))).toEqual(['illegal-step'])
    expect(codesIn(await validated('Task/$validate', { ...(await task()), intent: 'plan' }, pebble))).toEqual([
      'element-not-changeable',
    ])
    expect(await everything()).toEqual(before)
  })

  it.each<[string, string, () => unknown, Ask, readonly string[]]>([
    [
      'a type that nobody writes',
      'Device/$validate',
      () => ({ resourceType: 'Device', status: 'x' }),
      ehr,
      ['type-not-taken', 'unknown-code'],
    ],
    ['a caller who may not write it', 'Patient/$validate', () => aPatient('X'), pebble, ['not-allowed']],
    [
      'a deletion',
      'Patient/$validate',
      () => around(aPatient('X'), { name: 'mode', valueCode: 'delete' }),
      ehr,
      ['method-not-taken'],
    ],
    ['another type', 'Patient/$validate', () => anOrder('X', 'Patient/x'), ehr, ['wrong-resource-type']],
    [
      'the shape alone',
      'ServiceRequest/$validate',
      () => around({ ...order(), status: 'x' }, { name: 'mode', valueCode: 'profile' }),
      ehr,
      ['unknown-code'],
    ],
  ])('says of %s that it would be refused', async (_, path, body, ask, codes) => {
    expect(codesIn(await validated(path, body(), ask))).toEqual([...codes].toSorted())
  })

  it.each<[string, string, unknown, number, readonly string[]]>([
    ['no resource', 'Patient/$validate', parameters({ name: 'mode', valueCode: 'create' }), 400, ['missing-parameter']],
    ['no body', 'Patient/$validate', undefined, 400, ['missing-parameter']],
    ['an unknown mode', 'Patient/$validate?mode=guess', aPatient('X'), 400, ['unknown-code']],
    ['an unknown profile', 'Patient/$validate?profile=urn:x', aPatient('X'), 422, ['profile-not-known']],
    [
      'two resources',
      'Patient/$validate',
      parameters(...[1, 2].map(() => ({ name: 'resource', resource: aPatient('X') }))),
      400,
      ['wrong-cardinality'],
    ],
    [
      'an unknown parameter',
      'Patient/$validate',
      around(aPatient('X'), { name: 'shoe', valueString: 'x' }),
      400,
      ['unknown-parameter'],
    ],
    ['an unknown type', 'Questionnaire/$validate', {}, 404, ['not-known']],
  ])('with %s cannot be done', async (_, path, body, status, codes) => {
    expect(refusalOf(await ehr('POST', `/fhir/${path}`, body === undefined ? {} : { body }))).toEqual({ status, codes })
  })

  it('takes R4’s own profile of the type', async () => {
    const profile = { name: 'profile', valueUri: 'http://hl7.org/fhir/StructureDefinition/Patient' }
    expect(codesIn(await validated('Patient/$validate', around(aPatient('VALID-3'), profile)))).toEqual(['none'])
  })

  const ours = (id: string) => `https://daybind.example/StructureDefinition/${id}`

  it.each([
    ['stub-observation', 'Observation'],
    ['stub-report', 'DiagnosticReport'],
    ['link', 'DeviceUseStatement'],
    ['gap-no-link', 'DetectedIssue'],
  ])('takes our profile of %s, by the address and by a parameter', async (example, type) => {
    const resource = spoilt(example, {}) as { meta: { profile: string[] } }
    const url = resource.meta.profile[0] ?? ''
    const query = `${type}/$validate?profile=${encodeURIComponent(`${url}|0.1.0`)}`
    expect(codesIn(await validated(query, resource))).toEqual(['none'])
    const named = around(resource as never, { name: 'profile', valueUri: url })
    expect(codesIn(await validated(`${type}/$validate`, named))).toEqual(['none'])
  })

  it('tells what a profile of ours asks for, each thing once', async () => {
    const resource = spoilt('stub-observation', { valueString: 'x', status: 'final', subject: undefined })
    const told = await validated(`Observation/$validate?profile=${ours('stub-observation')}`, resource)
    expect(told.issue.map((i) => i.expression?.[0]).toSorted()).toEqual([
      'Observation.status',
      'Observation.subject',
      'Observation.value',
    ])
  })

  it('refuses our profile of another type, and names those of this one', async () => {
    const answer = await ehr('POST', `/fhir/Patient/$validate?profile=${ours('link')}`, { body: aPatient('X') })
    expect(refusalOf(answer)).toEqual({ status: 422, codes: ['profile-not-known'] })
    expect(answer.text).toContain(ours('patient'))
  })

  // the rules at the door say of what comes in what its profiles say
  it.each(mutants.filter(([example]) => example === 'order' || example === 'patient'))(
    'a %s %s is refused by its profile, and when it is written',
    async (example, _, over) => {
      const { meta: _meta, ...resource } = spoilt(example, over) as { meta?: unknown; resourceType: string }
      const type = resource.resourceType
      const told = await validated(`${type}/$validate?profile=${ours(example)}`, resource)
      expect(codesIn(told)).not.toEqual(['none'])
      const written = await ehr('POST', `/fhir/${type}`, { body: resource })
      expect([400, 422]).toContain(written.status)
    },
  )
})
