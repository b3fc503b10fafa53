import type {
  Bundle,
  BundleEntryResponse,
  FhirResource,
  Identifier,
  OperationOutcome,
  Patient,
  Reference,
  Resource,
  ServiceRequest,
} from 'fhir/r4.js'
import { Client } from 'pg'
import { describe, expect, it } from 'vitest'
import {
  anOrder,
  aPatient,
  bundle,
  codesIn,
  entry,
  found,
  harbour,
  harbourOrders,
  harbourPatients,
  idsIn,
  lowwater,
  monitoring,
  orderWithPatient,
  placeOrder,
  refusalOf,
} from '../support/messages.ts'
import { type Answer, useTestService } from '../support/service.ts'
import { inDatabase } from './bedside.ts'

const service = useTestService()
const ehr: ReturnType<typeof service>['call'] = (...asked) => service().as('harbour-ehr')(...asked)
const operator: ReturnType<typeof service>['call'] = (...asked) => service().as('ops')(...asked)

let last = 0
/** A number that no other test uses. */
const fresh = (): string => `N${++last}`

const readOrder = async (id: string): Promise<Answer<ServiceRequest>> => ehr('GET', `/fhir/ServiceRequest/${id}`)
const byPlacer = (placer: string) => found(operator, 'ServiceRequest', `identifier=${harbourOrders}|${placer}`)

const count = async (table: string): Promise<number> => {
  const client = new Client({ connectionString: service().database })
  await client.connect()
  const { rows } = await client.query<{ n: string }>(`select count(*) as n from daybind.${table}`)
  await client.end()
  return Number(rows[0]?.n)
}

/** How much there is of everything that a write may leave behind. */
const stored = async () => Promise.all(['resources', 'journal', 'inbound', 'identities', 'orders'].map(count))

const outcomeOf = (response: BundleEntryResponse | undefined) => response?.outcome as OperationOutcome | undefined

describe('an order arrives', () => {
  it('in a transaction with its patient: both are made, and lead to each other', async () => {
    const [placer, patient] = [fresh(), fresh()]
    const answer = await ehr<Bundle>('POST', '/fhir', { body: orderWithPatient(placer, patient) })
    expect(answer.status).toBe(200)
    expect(answer.body.type).toBe('transaction-response')
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual(['201 Created', '201 Created'])
    const [patientId = '', orderId = ''] = idsIn(answer.body)
    const order = await readOrder(orderId)
    expect(order.headers.get('etag')).toBe('W/"1"')
    expect(order.body).toMatchObject({ id: orderId, subject: { reference: `Patient/${patientId}` } })
  })

  it('by POST: 201 with Location and ETag, and the resource as stored', async () => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const answer = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', {
      body: anOrder(fresh(), `Patient/${patientId}`),
    })
    expect(answer.status).toBe(201)
    expect(answer.headers.get('location')).toBe(`${service().url}/fhir/ServiceRequest/${answer.body.id}/_history/1`)
    expect(answer.headers.get('etag')).toBe('W/"1"')
    expect((await readOrder(answer.body.id ?? '')).text).toBe(answer.text)
  })

  it('by conditional PUT: 201, then 200 and a new version, then 200 and the same version', async () => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const put = (over: Partial<ServiceRequest> = {}) =>
      ehr<ServiceRequest>('PUT', `/fhir/ServiceRequest?identifier=${harbourOrders}|${placer}`, {
        body: anOrder(placer, `Patient/${patientId}`, over),
      })
    const answers = [await put(), await put({ priority: 'urgent' }), await put({ priority: 'urgent' })]
    expect(answers.map((a) => [a.status, a.headers.get('etag')])).toEqual([
      [201, 'W/"1"'],
      [200, 'W/"2"'],
      [200, 'W/"2"'],
    ])
    expect(new Set(answers.map((a) => a.body.id)).size).toBe(1)
  })

  it('by POST of a known placer number: the order is revised', async () => {
    const placer = fresh()
    const { patientId, orderId } = await placeOrder(ehr, placer, fresh())
    const body = anOrder(placer, `Patient/${patientId}`, { priority: 'stat' })
    const answer = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body })
    expect([answer.status, answer.body.id, answer.headers.get('etag')]).toEqual([200, orderId, 'W/"2"'])
  })

  it('by POST with If-None-Exist: one match is 200, and the body is ignored', async () => {
    const placer = fresh()
    const { patientId, orderId } = await placeOrder(ehr, placer, fresh())
    const answer = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', {
      body: anOrder(placer, `Patient/${patientId}`, { priority: 'stat' }),
      headers: { 'if-none-exist': `identifier=${harbourOrders}|${placer}` },
    })
    expect([answer.status, answer.body.id, answer.headers.get('etag')]).toEqual([200, orderId, 'W/"1"'])
    expect((await readOrder(orderId)).body.priority).toBeUndefined()
  })

  it('by PUT under our id, as whole resource; an id of nobody is 404 and makes nothing', async () => {
    const placer = fresh()
    const { patientId, orderId } = await placeOrder(ehr, placer, fresh())
    const body = anOrder(placer, `Patient/${patientId}`, { priority: 'asap' })
    const revised = await ehr('PUT', `/fhir/ServiceRequest/${orderId}`, { body: { ...body, id: orderId } })
    expect([revised.status, revised.headers.get('etag')]).toEqual([200, 'W/"2"'])
    const nobody = '01900000-0000-7000-8000-000000000001'
    const other = anOrder(fresh(), `Patient/${patientId}`)
    expect(refusalOf(await ehr('PUT', `/fhir/ServiceRequest/${nobody}`, { body: other }))).toEqual({
      status: 404,
      codes: ['not-known'],
    })
    expect(await byPlacer(other.identifier?.[0]?.value ?? '')).toEqual([])
  })

  // http://hl7.org/fhir/R4/bundle.html, bdl-7
  it('twice in a batch: both are told, and one alone has the address', async () => {
    const patient = entry('POST Patient', aPatient(fresh()))
    const { body } = await ehr<Bundle>('POST', '/fhir', { body: bundle('batch', patient, patient) })
    expect(body.entry?.map((e) => [e.response?.status, e.fullUrl === undefined])).toEqual([
      ['201 Created', false],
      ['200 OK', true],
    ])
  })

  it('in a batch: each entry stands for itself, and each is told apart', async () => {
    const [one, two, three] = [fresh(), fresh(), fresh()]
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const answer = await ehr<Bundle>('POST', '/fhir', {
      body: bundle(
        'batch',
        entry('POST ServiceRequest', anOrder(one, `Patient/${patientId}`)),
        entry('POST ServiceRequest', anOrder(two, 'Patient/4711')),
        entry('POST ServiceRequest', anOrder(three, `Patient/${patientId}`, { code: { text: 'something' } })),
        entry('PUT ServiceRequest?identifier=x|y', anOrder(three, `Patient/${patientId}`)),
        entry('POST Patient', aPatient(three)),
        { request: { method: 'DELETE', url: `Patient/${patientId}` } },
        entry('POST Patient?identifier=x|y', aPatient(three)),
      ),
    })
    expect([answer.status, answer.body.type]).toEqual([200, 'batch-response'])
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual([
      '201 Created',
      '422',
      '422',
      '400',
      '201 Created',
      '405',
      '400',
    ])
    const outcomes = answer.body.entry?.map((e) => outcomeOf(e.response))
    expect(outcomes?.slice(1, 4).map(codesIn)).toEqual([
      ['reference-not-found'],
      ['code-not-taken'],
      ['wrong-criterion'],
    ])
    expect(outcomes?.slice(5).map(codesIn)).toEqual([['method-not-taken'], ['wrong-value']])
    expect([await byPlacer(one), await byPlacer(two), await byPlacer(three)].map((ids) => ids.length)).toEqual([
      1, 0, 0,
    ])
  })
})

describe('an order changes', () => {
  it('a revision is a new version; the same content is none, whatever its id, text, version and date', async () => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const text = (said: string) => ({
      status: 'generated' as const,
      div: `<div xmlns="http://www.w3.org/1999/xhtml">${said}</div>`,
    })
    const said: readonly Partial<ServiceRequest>[] = [
      { priority: 'routine' },
      { priority: 'routine', id: 'theirs-1' },
      { priority: 'routine', text: text('one') },
      { priority: 'routine', meta: { versionId: '7', lastUpdated: '2026-03-01T08:00:00Z', source: 'urn:x' } },
      { priority: 'urgent', meta: { versionId: '8', lastUpdated: '2026-03-02T08:00:00Z' } },
      { priority: 'urgent', meta: { versionId: '9', lastUpdated: '2026-03-03T08:00:00Z', tag: [{ code: 'x' }] } },
    ]
    const etags: (string | null)[] = []
    for (const over of said) {
      const body = anOrder(placer, `Patient/${patientId}`, over)
      const answer = await ehr('PUT', `/fhir/ServiceRequest?identifier=${harbourOrders}|${placer}`, { body })
      etags.push(answer.headers.get('etag'))
    }
    expect(etags).toEqual(['W/"1"', 'W/"1"', 'W/"1"', 'W/"1"', 'W/"2"', 'W/"3"'])
  })

  it('the same patient again is no new version, and new demographics are one', async () => {
    const number = fresh()
    const put = (over: Partial<Patient> = {}) =>
      ehr('PUT', `/fhir/Patient?identifier=${harbourPatients}|${number}`, { body: aPatient(number, over) })
    const answers = [await put(), await put({ id: 'theirs' }), await put({ birthDate: '1951-03-17' })]
    expect(answers.map((a) => [a.status, a.headers.get('etag')])).toEqual([
      [201, 'W/"1"'],
      [200, 'W/"1"'],
      [200, 'W/"2"'],
    ])
  })

  it.each(['on-hold', 'revoked', 'entered-in-error', 'completed'] as const)(
    'to %s: that is a new version, and no device can be tied to it',
    async (status) => {
      const [placer, number] = [fresh(), fresh()]
      const { patientId, orderId } = await placeOrder(ehr, placer, number)
      const body = anOrder(placer, `Patient/${patientId}`, { status })
      expect((await ehr('PUT', `/fhir/ServiceRequest/${orderId}`, { body })).headers.get('etag')).toBe('W/"2"')
      expect((await readOrder(orderId)).body.status).toBe(status)
      const link = await operator('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
        body: {
          resourceType: 'Parameters',
          parameter: [
            { name: 'scan', valueString: `(01)09520123456788(21)${placer}` },
            { name: 'appliedAt', valueDateTime: '2026-03-02T09:00:00Z' },
            { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: number } },
            { name: 'birthDate', valueDate: '1950-03-17' },
          ],
        },
      })
      expect(refusalOf(link)).toEqual({ status: 422, codes: ['order-not-linkable'] })
    },
  )

  it.each([
    ['dated', { lastUpdated: '2026-03-02T08:00:00Z' }, { lastUpdated: '2026-03-01T08:00:00Z' }],
    ['dated, in two zones,', { lastUpdated: '2026-03-02T08:00:00+02:00' }, { lastUpdated: '2026-03-02T05:00:00Z' }],
    ['numbered', { versionId: '10' }, { versionId: '9' }],
  ])('content that the source itself has %s before what is stored is not applied', async (_, newer, older) => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const put = async (meta: { lastUpdated?: string; versionId?: string }, priority: 'stat' | 'asap') => {
      const order = anOrder(placer, `Patient/${patientId}`, { priority, meta })
      const body = bundle('transaction', entry(`PUT ServiceRequest?identifier=${harbourOrders}|${placer}`, order))
      return (await ehr<Bundle>('POST', '/fhir', { body })).body
    }
    const [id = ''] = idsIn(await put(newer, 'stat'))
    const late = (await put(older, 'asap')).entry?.[0]?.response
    expect([late?.status, late?.etag, codesIn(outcomeOf(late))]).toEqual(['200 OK', 'W/"1"', ['stale-content']])
    expect((await readOrder(id)).body.priority).toBe('stat')
  })

  it('with If-Match: the version that is stored passes, another is 412 and changes nothing', async () => {
    const placer = fresh()
    const { patientId, orderId } = await placeOrder(ehr, placer, fresh())
    const put = (ifMatch: string, priority: 'stat' | 'asap') =>
      ehr('PUT', `/fhir/ServiceRequest/${orderId}`, {
        body: anOrder(placer, `Patient/${patientId}`, { priority }),
        headers: { 'if-match': ifMatch },
      })
    expect((await put('W/"1"', 'stat')).headers.get('etag')).toBe('W/"2"')
    expect(refusalOf(await put('W/"1"', 'asap'))).toEqual({ status: 412, codes: ['version-conflict'] })
    expect(refusalOf(await put('one', 'asap'))).toEqual({ status: 400, codes: ['wrong-parameter'] })
    expect((await put('*', 'stat')).headers.get('etag')).toBe('W/"2"')
    expect((await put('W/"1", W/"2"', 'stat')).headers.get('etag')).toBe('W/"2"')
    expect((await readOrder(orderId)).body.priority).toBe('stat')
  })

  it('an order under our id keeps its placer number and its id', async () => {
    const placer = fresh()
    const { patientId, orderId } = await placeOrder(ehr, placer, fresh())
    const put = (body: ServiceRequest) => ehr('PUT', `/fhir/ServiceRequest/${orderId}`, { body })
    const same = anOrder(placer, `Patient/${patientId}`)
    expect(refusalOf(await put(anOrder(fresh(), `Patient/${patientId}`)))).toEqual({
      status: 409,
      codes: ['identity-taken'],
    })
    expect(refusalOf(await put({ ...same, id: 'another' }))).toEqual({ status: 400, codes: ['wrong-id'] })
  })
})

describe('what Daybind does not use', () => {
  it('comes back as it was sent: extensions, elements, the digits of a number, tags', async () => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const body = `{"resourceType":"ServiceRequest","meta":{"tag":[{"system":"urn:x","code":"kept"}]},
      "identifier":[{"system":"${harbourOrders}","value":"${placer}"}],"status":"active","intent":"order",
      "code":${JSON.stringify(monitoring)},"subject":{"reference":"Patient/${patientId}","display":"as written"},
      "_priority":{"extension":[{"url":"https://elsewhere.example/why","valueString":"left open"}]},
      "note":[{"text":"left\\u00adside \\ud83e\\ude7a"}],"quantityQuantity":{"value":1.50,"unit":"d"},
      "extension":[{"url":"https://elsewhere.example/x","valueDecimal":0.10}]}`
    const made = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body })
    expect(made.status).toBe(201)
    const read = await readOrder(made.body.id ?? '')
    expect(read.text).toContain('"value":1.50,')
    expect(read.text).toContain('"valueDecimal":0.10}')
    const { id: _, meta, ...rest } = read.body
    const { meta: sentMeta, ...sent } = JSON.parse(body) as ServiceRequest
    expect(rest).toEqual(sent)
    expect(meta?.tag).toEqual(sentMeta?.tag)
  })

  it('is kept as it was received too, in a batch as well: the digits of a number', async () => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const order = JSON.stringify(anOrder(placer, `Patient/${patientId}`)).slice(0, -1)
    const body = `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"POST","url":"ServiceRequest"},
      "resource":${order},"quantityQuantity":{"value":1.50,"unit":"d"}}}]}`
    expect((await ehr<Bundle>('POST', '/fhir', { body })).body.entry?.[0]?.response?.status).toBe('201 Created')
    const [kept] = await inDatabase<{ body: string }>(
      service().database,
      'select body from inbound where body like $1',
      [`%${placer}%`],
    )
    expect(kept?.body).toContain('"value":1.50,')
  })

  it.each([
    [
      'it may change the meaning',
      { modifierExtension: [{ url: 'urn:x:not', valueBoolean: true }] },
      'unknown-modifier',
    ],
    [
      'it may change the meaning of a part',
      {
        contained: [
          {
            resourceType: 'Condition',
            id: 'c',
            modifierExtension: [{ url: 'urn:x:not', valueBoolean: true }],
            subject: { display: 'x' },
          },
        ],
        reasonReference: [{ reference: '#c' }],
      },
      'unknown-modifier',
    ],
    ['R4 has no such element', { colour: 'red' }, 'unknown-element'],
  ])('is refused where %s', async (_, over, code) => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const body = { ...anOrder(fresh(), `Patient/${patientId}`), ...over }
    expect(refusalOf(await ehr('POST', '/fhir/ServiceRequest', { body }))).toEqual({ status: 400, codes: [code] })
  })
})

describe('at the same time', () => {
  const sixteen = <T>(ask: () => Promise<T>) => Promise.all(Array.from({ length: 16 }, ask))

  it.each([
    ['POST', () => 'POST /fhir/ServiceRequest'],
    ['conditional PUT', (placer: string) => `PUT /fhir/ServiceRequest?identifier=${harbourOrders}|${placer}`],
  ])('sixteen equal orders by %s are one order with one version', async (_, request) => {
    const [placer, { patientId }] = [fresh(), await placeOrder(ehr, fresh(), fresh())]
    const [method = '', path = ''] = request(placer).split(' ')
    const body = anOrder(placer, `Patient/${patientId}`)
    const answers = await sixteen(() => ehr<ServiceRequest>(method, path, { body }))
    expect(answers.map((a) => a.status).sort()).toEqual([...Array(15).fill(200), 201])
    expect(new Set(answers.map((a) => `${a.body.id} ${a.headers.get('etag')}`)).size).toBe(1)
    expect(await byPlacer(placer)).toHaveLength(1)
    expect(await count(`journal where id = '${answers[0]?.body.id}'`)).toBe(1)
  })

  it('sixteen equal transactions with a new patient are one order and one patient', async () => {
    const [placer, number] = [fresh(), fresh()]
    const answers = await sixteen(() => ehr<Bundle>('POST', '/fhir', { body: orderWithPatient(placer, number) }))
    expect(new Set(answers.map((a) => a.status))).toEqual(new Set([200]))
    expect(new Set(answers.map((a) => idsIn(a.body).join())).size).toBe(1)
    expect(await byPlacer(placer)).toHaveLength(1)
    expect(await found(operator, 'Patient', `identifier=${harbourPatients}|${number}`)).toHaveLength(1)
  })

  it('sixteen different orders for one new patient are sixteen orders and one patient', async () => {
    const number = fresh()
    const answers = await sixteen(() => ehr<Bundle>('POST', '/fhir', { body: orderWithPatient(fresh(), number) }))
    expect(new Set(answers.map((a) => a.status))).toEqual(new Set([200]))
    const [patients, orders] = [0, 1].map((i) => new Set(answers.map((a) => idsIn(a.body)[i])))
    expect([patients?.size, orders?.size]).toEqual([1, 16])
    expect(await found(operator, 'ServiceRequest', `patient=${[...(patients ?? [])][0]}`)).toHaveLength(16)
  })
})

describe('bad input', () => {
  const urn = 'urn:uuid:00000000-0000-4000-8000-00000000000a'
  const told = (answer: Answer<OperationOutcome>) =>
    answer.body.issue.map((i) => [i.details?.coding?.[0]?.code, ...(i.expression ?? [])].join(' ')).sort()

  it('one bad entry, and nothing of the transaction is stored', async () => {
    const before = await stored()
    const body = bundle(
      'transaction',
      entry('POST Patient', aPatient(fresh()), {}, urn),
      entry('POST ServiceRequest', anOrder(fresh(), urn)),
      entry('POST ServiceRequest', anOrder(fresh(), urn, { code: { text: 'x' } })),
    )
    expect(refusalOf(await ehr('POST', '/fhir', { body }))).toEqual({ status: 422, codes: ['code-not-taken'] })
    expect(await stored()).toEqual(before)
  })

  it('every problem of every entry is told at once, at its place in the Bundle and in the resource', async () => {
    const patient = { ...aPatient(fresh()), gender: 'm', birthDate: '2026-02-30' } as unknown as Patient
    const { status: _, ...order } = {
      ...anOrder(fresh(), 'Patient/1'),
      intent: 'wish',
      authoredOn: '2026-03-02T09:00:00',
    }
    const answer = await ehr('POST', '/fhir', {
      body: bundle(
        'transaction',
        entry('POST Patient', patient),
        entry('POST ServiceRequest', order as ServiceRequest),
      ),
    })
    expect(answer.status).toBe(400)
    expect(told(answer)).toEqual([
      'missing-element Bundle.entry[1].resource.status ServiceRequest.status',
      'missing-offset Bundle.entry[1].resource.authoredOn ServiceRequest.authoredOn',
      'unknown-code Bundle.entry[0].resource.gender Patient.gender',
      'unknown-code Bundle.entry[1].resource.intent ServiceRequest.intent',
      'wrong-value Bundle.entry[0].resource.birthDate Patient.birthDate',
    ])
    const gender = answer.body.issue.find((i) => i.expression?.includes('Patient.gender'))
    expect(gender).toMatchObject({ severity: 'error', code: 'code-invalid' })
    expect(gender?.diagnostics).toMatch(/Found: m\. Expected: .*male/)
  })

  it('every broken rule of ours is told at once', async () => {
    const body = anOrder('', 'Patient/4711', {
      identifier: [{ value: 'without a system' }],
      code: { text: 'x' },
      locationReference: [{ identifier: { system: 'https://daybind.example/sites', value: 'nowhere' } }],
      requester: { reference: 'Practitioner/4711' },
    })
    const answer = await ehr('POST', '/fhir/ServiceRequest', { body })
    expect(answer.status).toBe(422)
    expect(told(answer)).toEqual([
      'code-not-taken ServiceRequest.code',
      'no-placer-number ServiceRequest.identifier',
      'reference-not-found ServiceRequest.requester.reference',
      'reference-not-found ServiceRequest.subject.reference',
      'unknown-site ServiceRequest.locationReference[0].identifier',
    ])
  })

  it('two entries of one identity are 400: by placer number, by our id, by patient number', async () => {
    const [placer, number] = [fresh(), fresh()]
    const { patientId, orderId } = await placeOrder(ehr, placer, number)
    const order = anOrder(placer, `Patient/${patientId}`)
    const pairs = [
      [entry('POST ServiceRequest', order), entry(`PUT ServiceRequest?identifier=${harbourOrders}|${placer}`, order)],
      [entry('POST ServiceRequest', order), entry(`PUT ServiceRequest/${orderId}`, order)],
      [entry('POST Patient', aPatient(number)), entry('POST Patient', aPatient(number))],
    ]
    for (const pair of pairs)
      expect(refusalOf(await ehr('POST', '/fhir', { body: bundle('transaction', ...pair) }))).toEqual({
        status: 400,
        codes: ['same-identity-twice'],
      })
  })

  const ifNoneExist = (criterion: string): [string, Record<string, string>] => [
    'POST /fhir/ServiceRequest',
    { 'if-none-exist': criterion },
  ]
  const put = (query: string): [string, Record<string, string>] => [`PUT /fhir/ServiceRequest${query}`, {}]
  it.each([
    ['that is not the placer number of the body', put('?identifier=urn:x|1'), 'wrong-criterion'],
    ['of If-None-Exist that is not that of the body', ifNoneExist('identifier=urn:x|1'), 'wrong-criterion'],
    ['without a system', put('?identifier=1'), 'wrong-parameter'],
    ['of If-None-Exist without a system', ifNoneExist('identifier=1'), 'wrong-parameter'],
    ['that is missing', put(''), 'wrong-parameter'],
    ['by something else', put('?status=active'), 'unknown-parameter'],
    ['with one more', put('?identifier=urn:x|1&status=active'), 'unknown-parameter'],
    ['with a NUL', put('?identifier=urn:x|%00'), 'wrong-criterion'],
    ['of If-None-Exist with a NUL', ifNoneExist('identifier=urn:x|%00'), 'wrong-criterion'],
  ] as const)('a criterion %s is 400', async (_, [request, headers], code) => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const [method = '', path = ''] = request.split(' ')
    const answer = await ehr(method, path, { body: anOrder(fresh(), `Patient/${patientId}`), headers })
    expect(refusalOf(answer)).toEqual({ status: 400, codes: [code] })
  })

  it.each([
    ['is no JSON', '{"resourceType":', 'malformed-json'],
    ['is empty', '', 'malformed-json'],
    ['is no resource', '[]', 'wrong-type'],
    ['is of another type', '{"resourceType":"Patient"}', 'wrong-resource-type'],
    ['has a name twice', '{"resourceType":"ServiceRequest","status":"active","status":"active"}', 'duplicate-key'],
    ['has a forbidden name', '{"resourceType":"ServiceRequest","__proto__":{}}', 'forbidden-key'],
    ['is nested too deeply', `${'['.repeat(100)}${']'.repeat(100)}`, 'too-deep'],
    ['has half a character', '{"resourceType":"ServiceRequest","id":"\\ud800"}', 'wrong-value'],
    ['has a NUL', '{"resourceType":"ServiceRequest","id":"\\u0000"}', 'wrong-value'],
  ])('a body that %s is 400', async (_, body, code) => {
    const answer = await ehr('POST', '/fhir/ServiceRequest', { body })
    expect(answer.status).toBe(400)
    expect(codesIn(answer.body)).toContain(code)
  })

  it('a body of another media type is 415, one that is too large 413', async () => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const body = JSON.stringify(anOrder(fresh(), `Patient/${patientId}`))
    const send = (type: string, text = body) =>
      ehr('POST', '/fhir/ServiceRequest', { body: text, headers: { 'content-type': type } })
    const notTaken = { status: 415, codes: ['media-type-not-taken'] }
    expect(refusalOf(await send('application/fhir+xml'))).toEqual(notTaken)
    expect(refusalOf(await send('text/plain'))).toEqual(notTaken)
    const large = await send('application/json', ' '.repeat(1024 * 1024 + 1))
    expect(refusalOf(large)).toEqual({ status: 413, codes: ['body-too-large'] })
    expect((await send('application/json; charset=utf-8')).status).toBe(201)
    expect((await send('application/fhir+json; fhirVersion=4.0')).status).toBe(200)
  })

  it.each([
    ['a Bundle that is a collection', { resourceType: 'Bundle', type: 'collection' }, 400, ['unknown-code']],
    [
      'an entry that deletes',
      bundle('transaction', { request: { method: 'DELETE', url: 'Patient/1' } }),
      400,
      ['entry-method-not-taken'],
    ],
    [
      'an entry that reads',
      bundle('transaction', { request: { method: 'GET', url: 'Patient/1' } }, entry('POST Patient', aPatient('x'))),
      400,
      ['entry-method-not-taken'],
    ],
    [
      'a PUT without id and criterion',
      bundle('transaction', entry('PUT Patient', aPatient('x'))),
      400,
      ['wrong-value'],
    ],
    ['a POST under an id', bundle('transaction', entry('POST Patient/1', aPatient('x'))), 400, ['wrong-value']],
    [
      'a POST with a criterion',
      bundle('transaction', entry('POST Patient?identifier=urn:x|x', aPatient('x'))),
      400,
      ['wrong-value'],
    ],
    [
      'a type that nobody may push',
      bundle('transaction', entry('POST Device', { resourceType: 'Device' })),
      422,
      ['type-not-taken'],
    ],
    ['an id of nobody', bundle('transaction', entry('PUT Patient/1', aPatient('x'))), 404, ['not-known']],
  ] as const)('%s is refused', async (_, body, status, codes) => {
    expect(refusalOf(await ehr('POST', '/fhir', { body }))).toEqual({ status, codes })
  })

  it.each(['transaction', 'batch'] as const)('an empty %s does nothing, and says so in FHIR', async (type) => {
    const answer = await ehr<Bundle>('POST', '/fhir', { body: { resourceType: 'Bundle', type } })
    expect([answer.status, answer.body]).toEqual([200, { resourceType: 'Bundle', type: `${type}-response` }])
  })
})

describe('the placer number', () => {
  const plac = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/v2-0203', code: 'PLAC' }] }
  const post = async (identifier: Identifier[]) => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const body = anOrder('', `Patient/${patientId}`, { identifier })
    return { body, answer: await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body }) }
  }

  it.each([
    ['the one of type PLAC', { system: 'urn:x', value: 'V', type: plac }, { system: harbourOrders, value: 'V' }],
    [
      'else the one in the system of the source',
      { system: harbourOrders, value: 'V' },
      { system: 'urn:x', value: 'V' },
    ],
    ['else the only one with a system', { system: 'urn:x', value: 'V' }, { value: 'V' }],
    ['of type PLAC, and of the source by default', { value: 'V', type: plac }, { system: 'urn:x', value: 'V' }],
  ] as [string, Identifier, Identifier][])('is %s', async (_, placer, other) => {
    const [value, otherValue] = [fresh(), fresh()]
    const { body, answer } = await post([
      { ...other, value: otherValue },
      { ...placer, value },
    ])
    expect(answer.status).toBe(201)
    const criterion = (system: string, number: string) =>
      ehr('PUT', `/fhir/ServiceRequest?identifier=${system}|${number}`, { body })
    expect((await criterion(placer.system ?? harbourOrders, value)).status).toBe(200)
    expect((await criterion(other.system ?? 'urn:x', otherValue)).status).toBe(400)
  })

  it.each([
    ['no identifier has a system', [{ value: 'one' }]],
    [
      'two have systems that are not those of the source',
      [
        { system: 'urn:x', value: '1' },
        { system: 'urn:y', value: '2' },
      ],
    ],
    [
      'two are of type PLAC',
      [
        { system: 'urn:x', value: '1', type: plac },
        { system: 'urn:y', value: '2', type: plac },
      ],
    ],
  ] as [string, Identifier[]][])('cannot be told where %s', async (_, identifier) => {
    expect(refusalOf((await post(identifier)).answer)).toEqual({ status: 422, codes: ['no-placer-number'] })
  })

  it('of one source is not that of another: each has its own order', async () => {
    const [number, system] = [fresh(), 'urn:x:shared']
    const lowwaterEhr = service().as('lowwater-ehr')
    const ids = [
      (await placeOrder(ehr, number, fresh(), {}, { ...harbour, orders: system })).orderId,
      (await placeOrder(lowwaterEhr, number, fresh(), {}, { ...lowwater, orders: system })).orderId,
    ]
    expect(new Set(ids).size).toBe(2)
    expect(await found(ehr, 'ServiceRequest', `identifier=${system}|${number}`)).toEqual([ids[0]])
    expect((await found(operator, 'ServiceRequest', `identifier=${system}|${number}`)).toSorted()).toEqual(
      ids.toSorted(),
    )
  })
})

describe('the site', () => {
  const named = (value: string) => ({
    type: 'Location',
    identifier: { system: 'https://daybind.example/sites', value },
  })
  const seenBy = async (placer: string): Promise<readonly string[]> => {
    const seen = await Promise.all(
      ['bay-3', 'lane-desk'].map(async (clinic) =>
        (await found(service().as(clinic), 'ServiceRequest', `identifier=${harbourOrders}|${placer}`)).map(
          () => clinic,
        ),
      ),
    )
    return seen.flat()
  }

  it.each([
    ['is the one that the order names', { locationReference: [named('quarry-lane')] }, 'lane-desk'],
    ['is that of the source, where the order names none', {}, 'bay-3'],
    [
      'is that of the source, where the place is in a system of nobody',
      { locationReference: [{ identifier: { system: 'urn:x', value: 'quarry-lane' } }] },
      'bay-3',
    ],
  ] as [string, Partial<ServiceRequest>, string][])('%s', async (_, order, clinic) => {
    const placer = fresh()
    await placeOrder(ehr, placer, fresh(), { order })
    expect(await seenBy(placer)).toEqual([clinic])
  })

  it('may be named by a Location that comes along', async () => {
    const [placer, urn] = [fresh(), 'urn:uuid:00000000-0000-4000-8000-00000000000b']
    const { identifier } = named('quarry-lane')
    const body = orderWithPatient(placer, fresh(), { order: { locationReference: [{ reference: urn }] } })
    body.entry?.push(entry('POST Location', { resourceType: 'Location', identifier: [identifier] }, {}, urn))
    expect((await ehr('POST', '/fhir', { body })).status).toBe(200)
    expect(await seenBy(placer)).toEqual(['lane-desk'])
  })

  it('must be told by a caller that has none, where there are several', async () => {
    const order = orderWithPatient(fresh(), fresh())
    expect(refusalOf(await operator('POST', '/fhir', { body: order }))).toEqual({ status: 422, codes: ['no-site'] })
    const lowwaterSite = orderWithPatient(fresh(), fresh(), { order: { locationReference: [named('nowhere')] } })
    expect(refusalOf(await ehr('POST', '/fhir', { body: lowwaterSite }))).toEqual({
      status: 422,
      codes: ['unknown-site'],
    })
  })
})

describe('a reference', () => {
  const practitioner = (value: string): FhirResource => ({
    resourceType: 'Practitioner',
    identifier: [{ system: 'https://harbour.example/staff', value }],
  })
  const sendWith = async (
    requester: Reference,
    ...more: Parameters<typeof bundle> extends [unknown, ...infer E] ? E : never
  ) => {
    const body = orderWithPatient(fresh(), fresh(), { order: { requester } })
    body.entry?.push(...more)
    return ehr<Bundle>('POST', '/fhir', { body })
  }
  const requesterOf = async (answer: Answer<Bundle>) => (await readOrder(idsIn(answer.body)[1] ?? '')).body.requester

  it.each([
    ['an entry of the Bundle', () => ({ reference: 'urn:uuid:00000000-0000-4000-8000-00000000000c' })],
    [
      'a name that an entry of the Bundle has',
      (n: string) => ({ reference: `Practitioner?identifier=https://harbour.example/staff|${n}` }),
    ],
    [
      'an identifier',
      (n: string) => ({ type: 'Practitioner', identifier: { system: 'https://harbour.example/staff', value: n } }),
    ],
    ['an address at the source', (n: string) => ({ reference: `https://harbour.example/fhir/Practitioner/${n}` })],
  ] as [string, (number: string) => Reference][])('by %s leads to ours', async (_, requester) => {
    const number = fresh()
    const fullUrl = 'urn:uuid:00000000-0000-4000-8000-00000000000c'
    const given = requester(number)
    const at = given.reference?.startsWith('https:') ? given.reference : fullUrl
    const answer = await sendWith(given, entry('POST Practitioner', practitioner(number), {}, at))
    const [, , id] = idsIn(answer.body)
    expect(await requesterOf(answer)).toEqual({ ...given, reference: `Practitioner/${id}` })
    // and again, when it is stored already
    const again = given.reference === fullUrl ? { reference: `Practitioner/${id}` } : given
    expect(await requesterOf(await sendWith(again))).toMatchObject({ reference: `Practitioner/${id}` })
  })

  it('that only names somebody, or leads to what is contained, stays as it is', async () => {
    const logical = {
      type: 'Practitioner',
      identifier: { system: 'urn:x', value: 'nobody we know' },
      display: 'Dr. N.',
    }
    expect(await requesterOf(await sendWith(logical))).toEqual(logical)
    const contained = [{ ...practitioner('inner'), id: 'p' }] as FhirResource[]
    const body = orderWithPatient(fresh(), fresh(), { order: { contained, requester: { reference: '#p' } } })
    const answer = await ehr<Bundle>('POST', '/fhir', { body })
    expect(await requesterOf(answer)).toEqual({ reference: '#p' })
  })

  it.each([
    ['a relative id of theirs', 'Practitioner/4711'],
    ['a name that nobody has', 'Practitioner?identifier=https://harbour.example/staff|nobody'],
    ['a name with a NUL', 'Practitioner?identifier=urn:x|%00'],
    ['an address at the source that nobody sent', 'https://harbour.example/fhir/Practitioner/4711'],
    ['an address elsewhere', 'https://elsewhere.example/fhir/Practitioner/4711'],
    ['an entry that is not there', 'urn:uuid:00000000-0000-4000-8000-0000000000ff'],
  ])('by %s is 422, and nothing is stored', async (_, reference) => {
    const before = await stored()
    expect(refusalOf(await sendWith({ reference }))).toEqual({ status: 422, codes: ['reference-not-found'] })
    expect(await stored()).toEqual(before)
  })

  it('by an id is never looked up among what is another’s', async () => {
    const { patientId } = await placeOrder(service().as('lowwater-ehr'), fresh(), fresh(), {}, lowwater)
    const body = anOrder(fresh(), `Patient/${patientId}`)
    expect(refusalOf(await ehr('POST', '/fhir/ServiceRequest', { body }))).toEqual({
      status: 422,
      codes: ['reference-not-found'],
    })
  })

  it('to a patient by a number is to that of the same source', async () => {
    const [number, theirs] = [fresh(), { ...lowwater, patients: harbourPatients }]
    await placeOrder(service().as('lowwater-ehr'), fresh(), number, {}, theirs)
    const subject = { type: 'Patient', identifier: { system: harbourPatients, value: number } }
    const post = () =>
      ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', {
        body: anOrder(fresh(), '', { subject }),
      })
    expect(refusalOf(await post())).toEqual({ status: 422, codes: ['no-patient'] })
    const { patientId } = await placeOrder(ehr, fresh(), number)
    expect((await post()).body.subject.reference).toBe(`Patient/${patientId}`)
  })
})

describe('a dry run', () => {
  it('answers the same and keeps nothing', async () => {
    const [placer, number] = [fresh(), fresh()]
    const { patientId, orderId } = await placeOrder(ehr, placer, number)
    const revised = anOrder(placer, `Patient/${patientId}`, { priority: 'stat' })
    const calls: [string, string, FhirResource][] = [
      ['POST', '/fhir/ServiceRequest?dry-run=true', anOrder(fresh(), `Patient/${patientId}`)],
      ['PUT', `/fhir/ServiceRequest/${orderId}?dry-run=true`, revised],
      ['PUT', `/fhir/ServiceRequest?identifier=${harbourOrders}|${placer}&dry-run=true`, revised],
      ['POST', '/fhir?dry-run=true', orderWithPatient(fresh(), fresh())],
      ['POST', '/fhir?dry-run=true', { ...orderWithPatient(fresh(), number), type: 'batch' }],
    ]
    const before = await stored()
    const dry = []
    for (const [method, path, body] of calls) dry.push((await ehr(method, path, { body })).status)
    expect(dry).toEqual([201, 200, 200, 200, 200])
    expect(await stored()).toEqual(before)
    expect((await readOrder(orderId)).headers.get('etag')).toBe('W/"1"')
    const wrong = await ehr('POST', '/fhir/ServiceRequest?dry-run=true', { body: anOrder(fresh(), 'Patient/4711') })
    expect(refusalOf(wrong)).toEqual({ status: 422, codes: ['reference-not-found'] })
  })
})

describe('the other resources of a source', () => {
  it('are taken in a transaction and readable afterwards, each leading to ours', async () => {
    const urn = (n: number) => `urn:uuid:00000000-0000-4000-8000-00000000010${n}`
    const patient = { reference: urn(1) }
    const resources: [string, FhirResource][] = [
      [urn(1), aPatient(fresh())],
      [urn(2), anOrder(fresh(), urn(1))],
      [urn(3), { resourceType: 'Organization', name: 'Lowwater Health' }],
      [urn(4), { resourceType: 'Location', managingOrganization: { reference: urn(3) } }],
      [urn(5), { resourceType: 'Practitioner' }],
      [urn(6), { resourceType: 'PractitionerRole', practitioner: { reference: urn(5) } }],
      [urn(7), { resourceType: 'Condition', subject: patient }],
      [
        urn(8),
        {
          resourceType: 'Encounter',
          status: 'finished',
          class: { code: 'AMB' },
          subject: patient,
          basedOn: [{ reference: urn(2) }],
        },
      ],
      [
        urn(9),
        {
          resourceType: 'Appointment',
          status: 'fulfilled',
          start: '2026-03-02T09:00:00Z',
          end: '2026-03-02T09:30:00Z',
          participant: [{ actor: patient, status: 'accepted' }],
        },
      ],
      [urn(0), { resourceType: 'Procedure', status: 'completed', subject: patient, basedOn: [{ reference: urn(2) }] }],
    ]
    const entries = resources.map(([url, r]) => entry(`POST ${r.resourceType}`, r, {}, url))
    const answer = await ehr<Bundle>('POST', '/fhir', { body: bundle('transaction', ...entries.toReversed()) })
    expect(answer.status).toBe(200)
    const ids = new Map(idsIn(answer.body).map((id, i) => [entries.toReversed()[i]?.fullUrl ?? '', id]))
    for (const [url, sent] of resources) {
      const { status, body } = await ehr<Resource>('GET', `/fhir/${sent.resourceType}/${ids.get(url)}`)
      expect([sent.resourceType, status]).toEqual([sent.resourceType, 200])
      const { id: _, meta: __, ...read } = body
      const resolved = JSON.stringify(sent).replace(/urn:uuid:[0-9a-f-]+/g, (u) => {
        const type = resources.find(([other]) => other === u)?.[1].resourceType
        return `${type}/${ids.get(u)}`
      })
      expect(read).toEqual(JSON.parse(resolved))
    }
  })
})
