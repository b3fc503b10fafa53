/** Prefer (RFC 7240; R4 4.0.1, http.html, "Managing Return Content"), OPTIONS (RFC 9110, 9.3.7) and what is never deleted. */
import type { Bundle, OperationOutcome, Task } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import {
  anOrder,
  aPatient,
  bundle,
  codesIn,
  entry,
  harbour,
  idsIn,
  orderWithPatient,
  refusalOf,
} from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { makeWorld, type World } from '../support/world.ts'

const service = useTestService()
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const nobody = '01900000-0000-7000-8000-000000000001'
let world: World
beforeAll(async () => {
  world = await makeWorld(service())
})

const preferring = (prefer: string, body: unknown) => ({ body, headers: { prefer } })
let count = 0
const newPatient = () => aPatient(`PREFER-${++count}`)

describe('return', () => {
  it.each([
    ['return=minimal', 'nothing'],
    ['return=OperationOutcome', 'OperationOutcome'],
    ['return=representation', 'Patient'],
    ['handling=lenient, return=minimal', 'nothing'],
    ['RETURN="minimal"; x=y', 'nothing'],
    ['return=minimal, return=representation', 'nothing'],
    ['return=everything', 'Patient'],
    ['respond-async', 'Patient'],
    ['return', 'Patient'],
  ])('of a create with Prefer: %s is %s', async (prefer, returned) => {
    const answer = await ehr<OperationOutcome>('POST', '/fhir/Patient', preferring(prefer, newPatient()))
    expect([answer.status, answer.headers.get('etag')]).toEqual([201, 'W/"1"'])
    expect(answer.headers.get('location')).toMatch(/\/fhir\/Patient\/[0-9a-f-]{36}\/_history\/1$/)
    if (returned === 'nothing') expect(answer.text).toBe('')
    else expect(answer.body.resourceType).toBe(returned)
  })

  it.each([
    ['return=minimal', true],
    ['return=OperationOutcome', true],
    ['return=representation', false],
    ['', false],
  ])(
    'of what revises or repeats, with Prefer: "%s": where the resource is not told, its address is',
    async (prefer, told) => {
      const [order, patient] = [anOrder('W1', `Patient/${world.Patient}`), newPatient()]
      const made = await ehr('POST', '/fhir/Patient', { body: patient })
      const version = (at: string | null) => (told ? `${service().url}/fhir/${at}` : null)
      const changed = { ...patient, birthDate: '1951-03-17' }
      const answers = [
        await ehr('POST', '/fhir/Patient', preferring(prefer, patient)),
        await ehr('PUT', `/fhir/Patient?identifier=${harbour.patients}|PREFER-${count}`, preferring(prefer, changed)),
      ]
      const id = made.headers.get('location')?.split('/').at(-3)
      expect(answers.map((a) => [a.status, a.headers.get('location')])).toEqual([
        [200, version(`Patient/${id}/_history/1`)],
        [200, version(`Patient/${id}/_history/2`)],
      ])
      const again = await ehr('POST', '/fhir/ServiceRequest', preferring(prefer, order))
      const [, orderVersion] = /^W\/"(\d+)"$/.exec(again.headers.get('etag') ?? '') ?? []
      expect([again.status, again.headers.get('location')]).toEqual([
        200,
        version(`ServiceRequest/${world.ServiceRequest}/_history/${orderVersion}`),
      ])
    },
  )

  it('of an update, of an order and of a task', async () => {
    const order = anOrder('W1', `Patient/${world.Patient}`, { note: [{ text: 'preferred' }] })
    const put = await ehr('PUT', `/fhir/ServiceRequest/${world.ServiceRequest}`, preferring('return=minimal', order))
    expect([put.status, put.text]).toEqual([200, ''])
    const version = /\/_history\/(\d+)$/.exec(put.headers.get('location') ?? '')?.[1]
    expect(put.headers.get('etag')).toBe(`W/"${version}"`)
    const pebble = service().as('pebble')
    const task = (await pebble<Task>('GET', `/fhir/Task/${world.Task}`)).body
    const took = await pebble(
      'PUT',
      `/fhir/Task/${world.Task}`,
      preferring('return=OperationOutcome', { ...task, status: 'accepted' }),
    )
    expect([took.status, took.body.resourceType, took.headers.get('etag')]).toEqual([
      200,
      'OperationOutcome',
      expect.stringMatching(/^W\/"\d+"$/),
    ])
    const again = await pebble(
      'PUT',
      `/fhir/Task/${world.Task}`,
      preferring('return=minimal', { ...task, status: 'accepted' }),
    )
    expect([again.status, again.text]).toEqual([200, ''])
  })

  it('tells what was not applied', async () => {
    const dated = (day: string) => ({ ...aPatient('PREFER-OLD'), meta: { lastUpdated: `2026-03-0${day}T00:00:00Z` } })
    await ehr('POST', '/fhir/Patient', { body: dated('2') })
    const path = `/fhir/Patient?identifier=${harbour.patients}|PREFER-OLD`
    const old = await ehr('PUT', path, preferring('return=OperationOutcome', { ...dated('1'), active: true }))
    expect([old.status, codesIn(old.body)]).toEqual([200, ['stale-content']])
  })

  it('leaves a refusal what it is', async () => {
    const refused = await ehr(
      'POST',
      '/fhir/Patient',
      preferring('return=minimal', { ...newPatient(), birthDate: 'x' }),
    )
    expect(refusalOf(refused)).toEqual({ status: 400, codes: ['wrong-value'] })
  })

  it.each(['transaction', 'batch'] as const)('of a %s: each entry holds what is preferred', async (type) => {
    const sent = (prefer: string) => {
      const of = { ...orderWithPatient(`PREFER-${++count}`, `PREFER-${count}`), type }
      const two =
        type === 'transaction'
          ? of
          : bundle('batch', entry('POST Patient', newPatient()), entry('POST Patient', newPatient()))
      return ehr<Bundle>('POST', '/fhir', preferring(prefer, two))
    }
    const [usual, minimal] = [await sent(''), await sent('return=minimal')]
    expect([usual, minimal].map((a) => a.body.entry?.some((e) => e.resource !== undefined))).toEqual([false, false])
    const whole = await sent('return=representation')
    expect(whole.body.entry?.map((e) => e.resource?.id)).toEqual(idsIn(whole.body))
    expect(whole.body.entry?.every((e) => e.response?.etag === `W/"${e.resource?.meta?.versionId}"`)).toBe(true)
    const told = await sent('return=OperationOutcome')
    expect(told.body.entry?.map((e) => e.response?.outcome?.resourceType)).toEqual([
      'OperationOutcome',
      'OperationOutcome',
    ])
  })

  it('of a read is what it is', async () => {
    const answer = await ehr('GET', `/fhir/Patient/${world.Patient}`, { headers: { prefer: 'return=minimal' } })
    expect([answer.status, answer.body.resourceType]).toEqual([200, 'Patient'])
  })
})

describe('handling', () => {
  it.each([
    ['handling=strict', 400],
    ['Handling = "strict"', 400],
    ['return=minimal, handling=strict; x', 400],
    ['handling=lenient', 200],
    ['handling=lenient, handling=strict', 200],
    ['handling=stern', 200],
    ['mishandling=strict', 200],
  ])('%s answers an unknown parameter with %d', async (prefer, status) => {
    expect((await ehr('GET', '/fhir/Patient?shoe-size=44', { headers: { prefer } })).status).toBe(status)
  })
})

describe('OPTIONS', () => {
  it.each([
    ['/fhir/Patient', 'POST, PUT, GET, HEAD, OPTIONS'],
    [`/fhir/Patient/${nobody}`, 'PUT, GET, HEAD, OPTIONS'],
    [`/fhir/Patient/${nobody}/_history`, 'GET, HEAD, OPTIONS'],
    [`/fhir/Patient/${nobody}/_history/1`, 'GET, HEAD, OPTIONS'],
    ['/fhir/Patient/_search', 'POST, OPTIONS'],
    ['/fhir', 'POST, OPTIONS'],
    ['/fhir/metadata', 'GET, HEAD, OPTIONS'],
    [`/fhir/ServiceRequest/${nobody}/$link-device`, 'POST, OPTIONS'],
    ['/reports/day/tern-harbour/2026-03-02.json', 'GET, HEAD, OPTIONS'],
    ['/deliveries', 'GET, HEAD, OPTIONS'],
    ['/healthz', 'GET, HEAD, OPTIONS'],
  ])('of %s says what it takes, to everybody, and no other page may ask more', async (path, allow) => {
    const origin = { origin: 'https://elsewhere.example', 'access-control-request-method': 'POST' }
    const answer = await service().call('OPTIONS', path, { headers: origin })
    expect([answer.status, answer.text]).toEqual([204, ''])
    expect(answer.headers.get('allow')).toBe(allow)
    expect([...answer.headers.keys()].filter((name) => name.startsWith('access-control'))).toEqual([])
  })

  it('says the same of what is there, what is not and what the caller may not see', async () => {
    const answers = await Promise.all(
      [`Patient/${world.Patient}`, `Patient/${nobody}`].flatMap((path) =>
        [service().call, service().as('lowwater-ehr')].map((ask) => ask('OPTIONS', `/fhir/${path}`)),
      ),
    )
    expect(new Set(answers.map((a) => `${a.status} ${a.headers.get('allow')}`)).size).toBe(1)
    expect((await service().call('OPTIONS', '/nowhere')).status).toBe(404)
  })
})

describe('DELETE', () => {
  it.each(['Patient', 'ServiceRequest', 'Task', 'Device'] as const)(
    'of a %s is taken by nobody: nothing is ever gone',
    async (type) => {
      const answer = await service().as('ops')('DELETE', `/fhir/${type}/${world[type]}`)
      expect([refusalOf(answer), answer.headers.get('allow')]).toEqual([
        { status: 405, codes: ['method-not-taken'] },
        expect.stringContaining('GET, HEAD'),
      ])
      expect((await service().as('ops')('GET', `/fhir/${type}/${world[type]}`)).status).toBe(200)
    },
  )
})
