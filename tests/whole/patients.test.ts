/** Who is who, and who may say so, over HTTP: people told apart, what a source sent is its own to change. */
import type { Bundle, Device, DeviceUseStatement, FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import {
  anOrder,
  aPatient,
  bundle,
  entry,
  found,
  harbourOrders,
  harbourPatients,
  idsIn,
  orderWithPatient,
  placeOrder,
  refusalOf,
} from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { codesOf, label, link, newPerson, newSerial, operate, out, outs, seconds, sendOrder } from './bedside.ts'

const service = useTestService()
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const lane: Ask = (...asked) => service().as('lane-desk')(...asked)

let last = 0
/** A number that no other test of this file uses. */
const fresh = (): string => `Q${++last}`
const ago = (s: number): string => seconds(Date.now(), -s)

const policies = 'https://harbour.example/policies'
const mrn = (value: string) => ({ system: harbourPatients, value })
const policy = (value: string) => ({ system: policies, value })

/** PUT under the patient number, as most EHRs write. */
const putByNumber = (number: string, over: Partial<Patient>) =>
  ehr<Patient>('PUT', `/fhir/Patient?identifier=${harbourPatients}|${number}`, { body: aPatient(number, over) })

const post = (over: Partial<Patient>) => ehr<Patient>('POST', '/fhir/Patient', { body: aPatient('', over) })

/** A mother and her son with one policy number. */
const family = async () => {
  const [a, b, shared] = [fresh(), fresh(), fresh()]
  const mother = await putByNumber(a, { identifier: [mrn(a), policy(shared)], birthDate: '1950-03-17' })
  const son = await putByNumber(b, { identifier: [mrn(b), policy(shared)], birthDate: '1980-05-02' })
  return { a, b, shared, mother, son }
}

describe('two people with one policy number', () => {
  test('named by their own numbers stay two, whichever is said again', async () => {
    const { a, shared, mother, son } = await family()
    expect([mother.status, son.status]).toEqual([201, 201])
    expect(son.body.id).not.toBe(mother.body.id)
    const again = await putByNumber(a, { identifier: [mrn(a), policy(shared)], birthDate: '1950-03-18' })
    expect([again.status, again.body.id]).toEqual([200, mother.body.id])
    const read = await ehr<Patient>('GET', `/fhir/Patient/${son.body.id}`)
    expect([read.headers.get('etag'), read.body.birthDate]).toEqual(['W/"1"', '1980-05-02'])
  })

  test('are never meant by that number: not as a subject, not as a criterion', async () => {
    const { shared } = await family()
    const subjects = [
      { reference: `Patient?identifier=${policies}|${shared}` },
      { type: 'Patient', identifier: policy(shared) },
    ]
    for (const subject of subjects) {
      const body = anOrder(fresh(), '', { subject })
      const { status, codes } = refusalOf(await ehr('POST', '/fhir/ServiceRequest', { body }))
      expect(status).toBe(422)
      expect(codes).toContain('multiple-matches')
    }
    const query = `identifier=${policies}|${shared}`
    const body = aPatient('', { identifier: [policy(shared)] })
    const refused = { status: 412, codes: ['too-many-matches'] }
    expect(refusalOf(await ehr('PUT', `/fhir/Patient?${query}`, { body }))).toEqual(refused)
    const headers = { 'if-none-exist': query }
    expect(refusalOf(await ehr('POST', '/fhir/Patient', { body, headers }))).toEqual(refused)
  })

  test('in one transaction stay two as well', async () => {
    const [a, b, shared] = [fresh(), fresh(), fresh()]
    const put = (number: string) =>
      entry(
        `PUT Patient?identifier=${harbourPatients}|${number}`,
        aPatient(number, { identifier: [mrn(number), policy(shared)] }),
      )
    const answer = await ehr<Bundle>('POST', '/fhir', { body: bundle('transaction', put(a), put(b)) })
    expect(answer.status, answer.text).toBe(200)
    expect(new Set(idsIn(answer.body)).size).toBe(2)
  })

  test('are two without a criterion, where both have a number of one system and it differs', async () => {
    const [a, b, shared] = [fresh(), fresh(), fresh()]
    const first = await post({ identifier: [mrn(a), policy(shared)] })
    const second = await post({ identifier: [mrn(b), policy(shared)] })
    expect([first.status, second.status]).toEqual([201, 201])
    // who says nothing that speaks against it is the same
    const alone = fresh()
    const third = await post({ identifier: [mrn(alone), policy(alone)] })
    const same = await post({ identifier: [policy(alone)], birthDate: '1950-03-18' })
    expect([same.status, same.body.id]).toEqual([200, third.body.id])
  })
})

test('a number that a revision dropped leads to that patient no more', async () => {
  const [a, wrong] = [fresh(), fresh()]
  const { body } = await putByNumber(a, { identifier: [mrn(a), policy(wrong)] })
  await putByNumber(a, { identifier: [mrn(a)] })
  const subject = { reference: `Patient?identifier=${policies}|${wrong}` }
  const order = () => ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: anOrder(fresh(), '', { subject }) })
  expect(refusalOf(await order()).codes).toContain('reference-not-found')
  expect(await found(ehr, 'Patient', `identifier=${policies}|${wrong}`)).toEqual([])
  const right = await putByNumber(fresh(), { identifier: [mrn(`Q${last}`), policy(wrong)] })
  expect(right.status).toBe(201)
  expect(right.body.id).not.toBe(body.id)
  expect((await order()).body.subject.reference).toBe(`Patient/${right.body.id}`)
})

test('an order stays with its patient while a recorder is on, until people have corrected the link', async () => {
  const [ordered, other] = [await sendOrder(ehr), newPerson()]
  const made = await link(bay, ordered, { scan: label(newSerial()), appliedAt: ago(600) })
  const linkId = out<DeviceUseStatement>(made, 'link').id
  const placer = ordered.placer.value ?? ''
  await sendOrder(ehr, { person: other, placer: fresh() })
  const subject = `Patient?identifier=${harbourPatients}|${other.number}`
  const move = () =>
    ehr<ServiceRequest>('PUT', `/fhir/ServiceRequest?identifier=${harbourOrders}|${placer}`, {
      body: anOrder(placer, subject),
    })
  expect(refusalOf(await move())).toEqual({ status: 409, codes: ['order-linked'] })
  const read = await ehr<ServiceRequest>('GET', `/fhir/ServiceRequest/${ordered.order}`)
  expect(read.body.subject.reference).toBe(`Patient/${ordered.patient}`)
  const corrected = await operate(bay, `DeviceUseStatement/${linkId}/$correct-link`, { because: 'wrong chart' })
  expect(corrected.status, corrected.text).toBe(200)
  const moved = await move()
  expect(moved.status, moved.text).toBe(200)
  expect(moved.body.subject.reference).not.toBe(`Patient/${ordered.patient}`)
})

describe('a clinic', () => {
  const notAllowed = { status: 403, codes: ['not-allowed'] }

  test('does not change what an EHR sent, alone or in a Bundle', async () => {
    const [placer, number] = [fresh(), fresh()]
    const { patientId, orderId } = await placeOrder(ehr, placer, number)
    const changes: readonly [string, FhirResource][] = [
      [`Patient/${patientId}`, aPatient(number, { birthDate: '2000-01-01' })],
      [`ServiceRequest/${orderId}`, anOrder(placer, `Patient/${patientId}`, { priority: 'stat' })],
    ]
    for (const [path, body] of changes) {
      expect(refusalOf(await bay('PUT', `/fhir/${path}`, { body }))).toEqual(notAllowed)
      const transaction = bundle('transaction', entry(`PUT ${path}`, body))
      expect(refusalOf(await bay('POST', '/fhir', { body: transaction }))).toEqual(notAllowed)
      // beside something of its own, so that it speaks for itself
      const own = entry('POST Patient', aPatient(fresh()))
      const mixed = bundle('transaction', own, entry(`PUT ${path}`, body))
      expect(refusalOf(await bay('POST', '/fhir', { body: mixed }))).toEqual(notAllowed)
      expect((await ehr('GET', `/fhir/${path}`)).headers.get('etag')).toBe('W/"1"')
    }
  })

  test('changes what it wrote by hand itself', async () => {
    const [placer, number] = [fresh(), fresh()]
    const { patientId, orderId } = await placeOrder(bay, placer, number)
    const patient = await bay<Patient>('PUT', `/fhir/Patient/${patientId}`, {
      body: aPatient(number, { birthDate: '1950-03-18' }),
    })
    expect([patient.status, patient.body.birthDate]).toEqual([200, '1950-03-18'])
    const body = anOrder(placer, `Patient/${patientId}`, { priority: 'stat' })
    const order = await bay<ServiceRequest>('PUT', `/fhir/ServiceRequest/${orderId}`, { body })
    expect([order.status, order.body.priority], order.text).toEqual([200, 'stat'])
  })

  test('is warned where the patient is inactive, or was replaced in the chart', async () => {
    const warned = async (patient: Partial<Patient>) => {
      const number = fresh()
      const { orderId, patientId } = await placeOrder(ehr, fresh(), number, { patient })
      const person = { ...newPerson(), number, birthDate: '1950-03-17' }
      const placer = { system: harbourOrders, value: '' }
      const answer = await link(
        bay,
        { person, placer, order: orderId, patient: patientId },
        { scan: label(newSerial()), appliedAt: ago(600) },
      )
      expect(out<Device>(answer, 'device').patient?.reference).toBe(`Patient/${patientId}`)
      return outs(answer, 'outcome').flatMap((o) => codesOf(o as never))
    }
    const other = { display: 'the chart that stays' }
    expect(await warned({ active: false })).toEqual(['inactive-patient'])
    expect(await warned({ link: [{ type: 'replaced-by', other }] })).toEqual(['inactive-patient'])
    expect(await warned({ link: [{ type: 'replaces', other }], active: true })).toEqual([])
  })
})

test('the same transaction twice, with a reason and a requester without names, makes nothing new', async () => {
  const [placer, number] = [fresh(), fresh()]
  let n = 0
  const send = () => {
    const urn = () => `urn:uuid:11111111-2222-4333-8444-${String(++n).padStart(12, '0')}`
    const [patient, reason, requester] = [urn(), urn(), urn()]
    const body = bundle(
      'transaction',
      entry(`PUT Patient?identifier=${harbourPatients}|${number}`, aPatient(number), {}, patient),
      entry(
        'POST Condition',
        { resourceType: 'Condition', subject: { reference: patient }, code: { text: 'palpitations' } },
        {},
        reason,
      ),
      entry('POST Practitioner', { resourceType: 'Practitioner', name: [{ family: 'Reedmace' }] }, {}, requester),
      entry(
        `PUT ServiceRequest?identifier=${harbourOrders}|${placer}`,
        anOrder(placer, patient, { requester: { reference: requester }, reasonReference: [{ reference: reason }] }),
      ),
    )
    return ehr<Bundle>('POST', '/fhir', { body })
  }
  const [first, second] = [await send(), await send()]
  expect([first.status, second.status]).toEqual([200, 200])
  expect(idsIn(second.body)).toEqual(idsIn(first.body))
  const [patientId = '', , , orderId] = idsIn(first.body)
  expect((await ehr('GET', `/fhir/ServiceRequest/${orderId}`)).headers.get('etag')).toBe('W/"1"')
  expect(await found(ehr, 'Condition', `patient=Patient/${patientId}`)).toHaveLength(1)
})

describe('an order that moves to another site', () => {
  const statusOf = async (ask: Ask, path: string) => (await ask('GET', `/fhir/${path}`)).status

  test('is there no more for the site that it left, nor is its patient', async () => {
    const ordered = await sendOrder(ehr)
    const paths = [`ServiceRequest/${ordered.order}`, `Patient/${ordered.patient}`]
    const seen = async (ask: Ask) => Promise.all(paths.map((p) => statusOf(ask, p)))
    expect([await seen(bay), await seen(lane)]).toEqual([
      [200, 200],
      [404, 404],
    ])
    await sendOrder(ehr, { person: ordered.person, placer: ordered.placer.value ?? '', site: 'quarry-lane' })
    expect([await seen(bay), await seen(lane)]).toEqual([
      [404, 404],
      [200, 200],
    ])
  })

  test('leaves the patient there where another order of theirs is', async () => {
    const ordered = await sendOrder(ehr)
    const stays = await sendOrder(ehr, { person: ordered.person, placer: fresh() })
    await sendOrder(ehr, { person: ordered.person, placer: ordered.placer.value ?? '', site: 'quarry-lane' })
    expect(await statusOf(bay, `ServiceRequest/${ordered.order}`)).toBe(404)
    expect(await statusOf(bay, `ServiceRequest/${stays.order}`)).toBe(200)
    expect(await statusOf(bay, `Patient/${ordered.patient}`)).toBe(200)
  })
})

describe('a subject', () => {
  test('that is contained is the patient with its identifier', async () => {
    const number = fresh()
    const { patientId } = await placeOrder(ehr, fresh(), number)
    const contained = [{ ...aPatient(number), id: 'p' }] as FhirResource[]
    const body = anOrder(fresh(), '#p', { contained })
    const answer = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body })
    expect(answer.status, answer.text).toBe(201)
    expect(answer.body.subject.reference).toBe(`Patient/${patientId}`)
    expect(answer.body.contained).toBeUndefined()
    const unknown = anOrder(fresh(), '#p', { contained: [{ ...aPatient(fresh()), id: 'p' }] as FhirResource[] })
    expect((await ehr('POST', '/fhir/ServiceRequest', { body: unknown })).status).toBe(422)
  })

  test('below our own address is the patient with that id, alone and in a Bundle', async () => {
    const { patientId } = await placeOrder(ehr, fresh(), fresh())
    const subject = `${service().url}/fhir/Patient/${patientId}`
    const one = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: anOrder(fresh(), subject) })
    expect([one.status, one.body.subject?.reference]).toEqual([201, `Patient/${patientId}`])
    const body = bundle('transaction', entry('POST ServiceRequest', anOrder(fresh(), subject)))
    const answer = await ehr<Bundle>('POST', '/fhir', { body })
    expect(answer.status, answer.text).toBe(200)
    const order = await ehr<ServiceRequest>('GET', `/fhir/ServiceRequest/${idsIn(answer.body)[0]}`)
    expect(order.body.subject.reference).toBe(`Patient/${patientId}`)
    const batch = await ehr<Bundle>('POST', '/fhir', {
      body: bundle('batch', entry('POST ServiceRequest', anOrder(fresh(), subject))),
    })
    expect(batch.body.entry?.[0]?.response?.status).toBe('201 Created')
  })

  // http://hl7.org/fhir/R4/bundle.html#references: a relative reference is resolved against the base of the fullUrl
  test('by a relative address is the entry beside it, at a server that Daybind does not know', async () => {
    const base = 'https://attic.example/fhir'
    const number = fresh()
    const body = bundle(
      'transaction',
      entry(
        `PUT Patient?identifier=${harbourPatients}|${number}`,
        { ...aPatient(number), id: '66' },
        {},
        `${base}/Patient/66`,
      ),
      entry('POST ServiceRequest', anOrder(fresh(), 'Patient/66'), {}, `${base}/ServiceRequest/77`),
    )
    const answer = await ehr<Bundle>('POST', '/fhir', { body })
    expect(answer.status, answer.text).toBe(200)
    const [patientId, orderId] = idsIn(answer.body)
    const order = await ehr<ServiceRequest>('GET', `/fhir/ServiceRequest/${orderId}`)
    expect(order.body.subject.reference).toBe(`Patient/${patientId}`)
    // beside an entry of another server, that id is nobody's
    const elsewhere = bundle(
      'transaction',
      entry('POST Patient', aPatient(fresh()), {}, `${base}/Patient/66`),
      entry('POST ServiceRequest', anOrder(fresh(), 'Patient/66'), {}, 'https://cellar.example/fhir/ServiceRequest/77'),
    )
    expect(refusalOf(await ehr('POST', '/fhir', { body: elsewhere }))).toEqual({
      status: 422,
      codes: ['reference-not-found'],
    })
  })
})

test('an order that asks that something is not done is refused', async () => {
  const body = orderWithPatient(fresh(), fresh(), { order: { doNotPerform: true } })
  expect(refusalOf(await ehr('POST', '/fhir', { body }))).toEqual({ status: 422, codes: ['do-not-perform'] })
  const done = orderWithPatient(fresh(), fresh(), { order: { doNotPerform: false } })
  expect((await ehr('POST', '/fhir', { body: done })).status).toBe(200)
})

test('one resource that is older than what is stored is answered with what is stored, and a word of it', async () => {
  const [placer, number] = [fresh(), fresh()]
  const { patientId, orderId } = await placeOrder(ehr, placer, number, {
    order: { meta: { lastUpdated: '2026-03-02T09:00:00Z' }, priority: 'urgent' },
  })
  const put = (lastUpdated: string) =>
    ehr<ServiceRequest>('PUT', `/fhir/ServiceRequest/${orderId}`, {
      body: anOrder(placer, `Patient/${patientId}`, { meta: { lastUpdated }, priority: 'stat' }),
    })
  const stale = await put('2026-03-02T08:00:00Z')
  expect([stale.status, stale.body.priority]).toEqual([200, 'urgent'])
  expect(stale.headers.get('x-daybind-warning')).toBe('stale-content')
  const newer = await put('2026-03-02T10:00:00Z')
  expect([newer.status, newer.body.priority, newer.headers.get('x-daybind-warning')]).toEqual([200, 'stat', null])
})
