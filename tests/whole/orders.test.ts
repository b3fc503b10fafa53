import type { Bundle, Encounter, Organization, Patient, ServiceRequest } from 'fhir/r4.js'
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

const stored = async () => Promise.all(['resources', 'journal', 'inbound', 'identities', 'orders'].map(count))

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
      ),
    })
    expect([answer.status, answer.body.type]).toEqual([200, 'batch-response'])
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual(['201 Created', '422', '422', '400', '201 Created'])
    const outcomes = answer.body.entry?.map((e) => e.response?.outcome as Parameters<typeof codesIn>[0])
    expect(outcomes?.slice(1, 4).map(codesIn)).toEqual([['reference-not-found', 'wrong-reference'], ['code-not-taken'], ['wrong-criterion']])
    expect([await byPlacer(one), await byPlacer(two), await byPlacer(three)].map((ids) => ids.length)).toEqual([1, 0, 0])
  })
})
