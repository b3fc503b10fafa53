import type { Bundle, Device, Parameters } from 'fhir/r4.js'
import { pino } from 'pino'
import { beforeAll, describe, expect, it } from 'vitest'
import type { Route } from '../../src/adapters/http/call.ts'
import { createServer } from '../../src/adapters/http/server.ts'
import { steps } from '../../src/flow/steps.ts'
import {
  anOrder,
  aPatient,
  bundle,
  entry,
  found,
  harbourOrders,
  lowwater,
  orderWithPatient,
  placeOrder,
  refusalOf,
} from '../support/messages.ts'
import { caller, testCallers, useTestService } from '../support/service.ts'
import { linkParameters, makeWorld, type ReadType, readTypes, returnParameters, type World } from '../support/world.ts'

/** Also: a clinic that works everywhere, and a reading service to which nothing is sent. */
const callers = [
  ...testCallers,
  caller('cove-ehr', 'source', 'tern-harbour'),
  caller('all-bays', 'clinic'),
  caller('lantern', 'reading-service'),
]
const service = useTestService({ callers })
let world: World
beforeAll(async () => {
  world = await makeWorld(service())
})

describe('a route', () => {
  it('that is not there is told to anybody', async () => {
    expect(refusalOf(await service().call('GET', '/nowhere/at/all'))).toEqual({ status: 404, codes: ['not-known'] })
  })

  it('that says nothing about its callers does not start', () => {
    const route = { method: 'GET', url: '/x', step: 'read', handle: async () => ({ status: 200 }) }
    const start = (may: unknown) => () =>
      createServer(service().configuration, [{ ...route, may } as Route], pino({ enabled: false }))
    expect(start(undefined)).toThrow('The route GET /x does not say who may call it.')
    expect(start([])).toThrow('does not say who may call it')
    expect(start(['operator'])).not.toThrow()
  })
})

describe('the first class of refusal sets the status', () => {
  it('401, 403, 404, 400, 422, 409, and then it is done', async () => {
    const { patientId, orderId } = await placeOrder(service().as('harbour-ehr'), 'LADDER', 'LADDER')
    const path = (id: string) => `/fhir/ServiceRequest/${id}`
    const foreign = await placeOrder(service().as('lowwater-ehr'), 'LADDER', 'LADDER', {}, lowwater)
    const right = anOrder('LADDER', `Patient/${patientId}`, { priority: 'stat' })
    const conflicting = anOrder('OTHER', `Patient/${patientId}`)
    const against = { ...conflicting, code: { text: 'something else' } }
    const invalid = { ...against, intent: 'wish' }
    const calls = [
      [undefined, foreign.orderId, invalid],
      ['pebble', foreign.orderId, invalid],
      ['harbour-ehr', foreign.orderId, invalid],
      ['harbour-ehr', orderId, invalid],
      ['harbour-ehr', orderId, against],
      ['harbour-ehr', orderId, conflicting],
      ['harbour-ehr', orderId, right],
    ] as const
    const statuses = []
    for (const [who, id, body] of calls) {
      const ask = who === undefined ? service().call : service().as(who)
      statuses.push((await ask('PUT', path(id), { body })).status)
    }
    expect(statuses).toEqual([401, 403, 404, 400, 422, 409, 200])
  })

  it('what is wrong with the body is not told to whom the address is not known', async () => {
    const wrong = { resourceType: 'Parameters', parameter: [{ name: 'nothing', valueString: 'x' }] }
    const status = async (who: string, path: string) => (await service().as(who)('POST', path, { body: wrong })).status
    expect(await status('lane-desk', `/fhir/ServiceRequest/${world.ServiceRequest}/$link-device`)).toBe(404)
    expect(await status('bay-3', `/fhir/ServiceRequest/${world.ServiceRequest}/$link-device`)).toBe(400)
    expect(await status('lane-desk', `/fhir/DeviceUseStatement/${world.DeviceUseStatement}/$end-link`)).toBe(404)
    expect(await status('lane-desk', `/fhir/DeviceUseStatement/${world.DeviceUseStatement}/$correct-link`)).toBe(404)
    expect(await status('lane-desk', `/fhir/ServiceRequest/${world.ServiceRequest}/$record-not-applied`)).toBe(404)
  })
})

describe('what a caller sees', () => {
  const flow: readonly ReadType[] = readTypes.filter((t) => t !== 'AuditEvent')
  const pushedAlong: readonly ReadType[] = [
    'Encounter',
    'Appointment',
    'Practitioner',
    'PractitionerRole',
    'Organization',
    'Location',
    'Condition',
  ]
  const readable = async (who: string): Promise<readonly ReadType[]> => {
    const ask = service().as(who)
    const statuses = await Promise.all(
      readTypes.map(async (type) => [type, (await ask('GET', `/fhir/${type}/${world[type]}`)).status] as const),
    )
    expect(statuses.every(([, status]) => status === 200 || status === 404)).toBe(true)
    return statuses.flatMap(([type, status]) => (status === 200 ? [type] : []))
  }
  const searchable = async (who: string): Promise<readonly ReadType[]> => {
    const finds = await Promise.all(
      readTypes.map(async (type) =>
        (await found(service().as(who), type, `_id=${world[type]}`)).length > 0 ? [type] : [],
      ),
    )
    return finds.flat()
  }

  it.each([
    ['an operator', 'ops', readTypes],
    ['the source of the order', 'harbour-ehr', flow],
    ['another source', 'lowwater-ehr', []],
    ['the clinic', 'bay-3', flow.filter((t) => !pushedAlong.includes(t) || t === 'Encounter' || t === 'Appointment')],
    [
      'a clinic that works everywhere',
      'all-bays',
      flow.filter((t) => !pushedAlong.includes(t) || t === 'Encounter' || t === 'Appointment'),
    ],
    ['another clinic', 'lane-desk', []],
    [
      'the reading service',
      'pebble',
      flow.filter((t) => !pushedAlong.includes(t) && t !== 'DetectedIssue' && t !== 'Provenance'),
    ],
    ['another reading service', 'lantern', []],
  ] as const)('%s', async (_, who, types) => {
    expect(await readable(who)).toEqual(types)
    expect(await searchable(who)).toEqual(types)
  })

  it('a reading service sees an order from the moment it is linked', async () => {
    const { patientId, orderId } = await placeOrder(service().as('harbour-ehr'), 'SENT', 'SENT')
    const sees = async () => [
      await found(service().as('pebble'), 'ServiceRequest', `_id=${orderId}`),
      await found(service().as('pebble'), 'Patient', `_id=${patientId}`),
    ]
    expect(await sees()).toEqual([[], []])
    await service().as('bay-3')('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
      body: linkParameters('SENT', 'SENT'),
    })
    expect(await sees()).toEqual([[orderId], [patientId]])
  })

  it('a clinic that takes back a device of another sees the device, and nothing of whose it was', async () => {
    const { orderId } = await placeOrder(service().as('harbour-ehr'), 'BACK', 'BACK')
    await service().as('bay-3')('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
      body: linkParameters('BACK', 'BACK'),
    })
    const stray = service().as('lane-desk')
    const [application, back] = [
      await stray<Parameters>('POST', '/fhir/Device/$record-application', {
        body: {
          ...returnParameters('BACK'),
          parameter: [
            ...(returnParameters('BACK').parameter?.slice(0, 1) ?? []),
            { name: 'appliedAt', valueDateTime: '2026-03-02T09:00:00Z' },
            { name: 'evidence', valueCode: 'stock' },
            {
              name: 'site',
              valueIdentifier: { system: 'https://daybind.example/sites', value: 'quarry-lane' },
            },
          ],
        },
      }),
      await stray<Parameters>('POST', '/fhir/Device/$record-return', { body: returnParameters('BACK') }),
    ]
    expect([application.status, back.status]).toEqual([200, 200])
    expect(back.body.parameter ?? []).toEqual([])
    const seen = await stray<Bundle<Device>>('GET', '/fhir/Device')
    expect(`${application.text} ${back.text} ${seen.text}`).not.toMatch(/Patient\/|Sandling|1950-03-17/)
    expect(await found(stray, 'DeviceUseStatement', '')).toEqual([])
  })

  it('an order that a clinic writes is by hand, at its own site, and no other source sees it', async () => {
    const clinic = service().as('bay-3')
    const { orderId } = await placeOrder(clinic, 'PAPER', 'PAPER')
    const order = await clinic<{ meta: { tag: unknown[] } }>('GET', `/fhir/ServiceRequest/${orderId}`)
    expect(order.body.meta.tag).toEqual([{ system: 'https://daybind.example/CodeSystem/origin', code: 'by-hand' }])
    const seenBy = async (who: string) => (await found(service().as(who), 'ServiceRequest', `_id=${orderId}`)).length
    expect(await Promise.all(['bay-3', 'ops', 'harbour-ehr', 'lane-desk', 'pebble'].map(seenBy))).toEqual([
      1, 1, 0, 0, 0,
    ])
    const elsewhere = {
      type: 'Location',
      identifier: { system: 'https://daybind.example/sites', value: 'quarry-lane' },
    }
    const there = orderWithPatient('PAPER-2', 'PAPER', { order: { locationReference: [elsewhere] } })
    expect(refusalOf(await clinic('POST', '/fhir', { body: there }))).toEqual({ status: 422, codes: ['unknown-site'] })
  })

  it('a source writes its own only: the same names from another are other resources', async () => {
    const [one, two] = [service().as('harbour-ehr'), service().as('lowwater-ehr')]
    const first = await placeOrder(one, 'MINE', 'MINE')
    const second = await placeOrder(two, 'MINE', 'MINE')
    expect(new Set([first.orderId, second.orderId, first.patientId, second.patientId]).size).toBe(4)
    const put = (id: string) =>
      two('PUT', `/fhir/Patient/${id}`, { body: aPatient('MINE', { birthDate: '1999-01-01' }) })
    expect((await put(first.patientId)).status).toBe(404)
    expect((await put(second.patientId)).status).toBe(200)
    const inBundle = bundle('transaction', entry(`PUT Patient/${first.patientId}`, aPatient('MINE')))
    expect(refusalOf(await two('POST', '/fhir', { body: inBundle }))).toEqual({ status: 404, codes: ['not-known'] })
    expect(await found(one, 'Patient', 'birthdate=1999-01-01')).toEqual([])
  })

  it('a clinic reads what a source sent for its site, and does not change it', async () => {
    const { patientId, orderId } = await placeOrder(service().as('harbour-ehr'), 'THEIRS', 'THEIRS')
    const body = anOrder('THEIRS', `Patient/${patientId}`, { status: 'revoked' })
    const answer = await service().as('bay-3')('PUT', `/fhir/ServiceRequest/${orderId}`, { body })
    expect(refusalOf(answer)).toEqual({ status: 403, codes: ['not-allowed'] })
    const read = await service().as('bay-3')<{ status: string }>('GET', `/fhir/ServiceRequest/${orderId}`)
    expect([read.status, read.body.status]).toEqual([200, 'active'])
  })

  it('a source that is limited to a site sends for it, and what was moved away is not its to change', async () => {
    const [limited, ops] = [service().as('cove-ehr'), service().as('ops')]
    const at = (site: string) => ({
      locationReference: [{ type: 'Location', identifier: { system: 'https://daybind.example/sites', value: site } }],
    })
    const send = (site: string) =>
      limited('POST', '/fhir', { body: orderWithPatient(`COVE-${site.length}`, 'COVE', { order: at(site) }) })
    expect((await send('tern-harbour')).status).toBe(200)
    const [elsewhere, nowhere] = [await send('quarry-lane'), await send('quarry-lanx')]
    expect(refusalOf(elsewhere)).toEqual({ status: 422, codes: ['unknown-site'] })
    expect(elsewhere.text.replaceAll('quarry-lane', '')).toBe(nowhere.text.replaceAll('quarry-lanx', ''))

    const { patientId, orderId } = await placeOrder(limited, 'COVE', 'COVE', { order: at('tern-harbour') })
    const order = (site: string, over = {}) => anOrder('COVE', `Patient/${patientId}`, { ...at(site), ...over })
    const put = (ask: typeof ops, body: unknown) => ask('PUT', `/fhir/ServiceRequest/${orderId}`, { body })
    expect((await put(limited, order('tern-harbour', { priority: 'asap' }))).status).toBe(200)
    expect((await put(ops, order('quarry-lane'))).status).toBe(200)
    expect(refusalOf(await put(limited, order('tern-harbour')))).toEqual({ status: 403, codes: ['not-allowed'] })
  })

  it('an operator revises on behalf of the source that it came from', async () => {
    const { patientId, orderId } = await placeOrder(service().as('harbour-ehr'), 'HELPED', 'HELPED')
    const body = anOrder('HELPED', `Patient/${patientId}`, { priority: 'asap' })
    expect((await service().as('ops')('PUT', `/fhir/ServiceRequest/${orderId}`, { body })).status).toBe(200)
    expect(await found(service().as('harbour-ehr'), 'ServiceRequest', `identifier=${harbourOrders}|HELPED`)).toEqual([
      orderId,
    ])
  })

  it('a clinic is told the evenings of its own sites', async () => {
    const reconcile = (site: string) =>
      service().as('bay-3')('POST', '/fhir/$reconcile-day', {
        body: {
          resourceType: 'Parameters',
          parameter: [
            { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: site } },
            { name: 'date', valueDate: '2026-03-02' },
          ],
        },
      })
    expect([(await reconcile('tern-harbour')).status, (await reconcile('quarry-lane')).status]).toEqual([200, 422])
    const report = (site: string) => service().as('bay-3')('GET', `/reports/day/${site}/2026-03-02.json`)
    expect([(await report('tern-harbour')).status, (await report('quarry-lane')).status]).toEqual([200, 404])
    const start = await service().as('bay-3')<string>('GET', '/')
    expect(start.body).toContain('Tern Harbour Clinic')
    expect(start.body).not.toContain('Quarry Lane')
    for (const { name } of steps) expect(start.body).toContain(name)
  })
})
