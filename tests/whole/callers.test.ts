import { request as httpRequest } from 'node:http'
import type { Bundle, CapabilityStatement, Device, Parameters } from 'fhir/r4.js'
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
const callers = [...testCallers, caller('all-bays', 'clinic'), caller('lantern', 'reading-service')]
const service = useTestService({ callers })
let world: World
beforeAll(async () => {
  world = await makeWorld(service())
})

const nobody = '01900000-0000-7000-8000-000000000001'
const roles = ['source', 'clinic', 'reading-service', 'operator'] as const
type Role = (typeof roles)[number]
const inRole: Readonly<Record<Role, string>> = {
  source: 'harbour-ehr',
  clinic: 'bay-3',
  'reading-service': 'pebble',
  operator: 'ops',
}

const all = roles
const pushers = ['source', 'clinic', 'operator'] as const
const bedside = ['clinic', 'operator'] as const
const readers = ['reading-service', 'operator'] as const

/** Every route, and who may call it: the table of the contract, "Who may call". */
const routes: readonly (readonly [request: string, may: readonly Role[] | 'public'])[] = [
  ['GET /fhir/metadata', 'public'],
  ['GET /healthz', 'public'],
  ['GET /readyz', 'public'],
  ['GET /openapi.json', 'public'],
  ...['StructureDefinition', 'OperationDefinition', 'CodeSystem', 'ValueSet', 'SearchParameter', 'Measure'].flatMap(
    (type) =>
      [
        [`GET /fhir/${type}`, 'public'],
        [`GET /fhir/${type}/x`, 'public'],
      ] as const,
  ),
  ['POST /fhir', pushers],
  ['POST /fhir/ServiceRequest', pushers],
  ['PUT /fhir/ServiceRequest?identifier=urn:x|1', pushers],
  [`PUT /fhir/ServiceRequest/${nobody}`, pushers],
  ['POST /fhir/Patient', pushers],
  ['PUT /fhir/Patient?identifier=urn:x|1', pushers],
  [`PUT /fhir/Patient/${nobody}`, pushers],
  ...[...readTypes, 'MeasureReport'].flatMap(
    (type) =>
      [
        [`GET /fhir/${type}/${nobody}`, all],
        [`HEAD /fhir/${type}/${nobody}`, all],
        [`GET /fhir/${type}`, all],
        [`POST /fhir/${type}/_search`, all],
        [`GET /fhir/${type}/${nobody}/_history`, all],
        [`GET /fhir/${type}/${nobody}/_history/1`, all],
        [`POST /fhir/${type}/$validate`, all],
      ] as const,
  ),
  ['POST /fhir/ServiceRequest/$link-device', bedside],
  [`POST /fhir/ServiceRequest/${nobody}/$link-device`, bedside],
  [`POST /fhir/ServiceRequest/${nobody}/$record-not-applied`, bedside],
  [`POST /fhir/ServiceRequest/${nobody}/$join`, bedside],
  [`POST /fhir/DeviceUseStatement/${nobody}/$end-link`, bedside],
  [`POST /fhir/DeviceUseStatement/${nobody}/$correct-link`, bedside],
  ['POST /fhir/Device/$record-application', bedside],
  ['POST /fhir/Device/$record-return', ['clinic', 'reading-service', 'operator']],
  ['POST /fhir/Device/$suggest-orders', bedside],
  [`PUT /fhir/Task/${nobody}`, readers],
  ['PUT /fhir/Task?identifier=urn:x|1', readers],
  ['POST /fhir/DiagnosticReport', readers],
  ['PUT /fhir/DiagnosticReport?identifier=urn:x|1', readers],
  [`PUT /fhir/DiagnosticReport/${nobody}`, readers],
  ['POST /fhir/$reconcile-day', bedside],
  [`POST /fhir/DetectedIssue/${nobody}/$acknowledge`, bedside],
  [`POST /fhir/DetectedIssue/${nobody}/$resolve`, bedside],
  ['GET /', bedside],
  ['GET /reports/day/tern-harbour/2026-03-02.json', bedside],
  ['GET /reports/day/tern-harbour/2026-03-02.csv', bedside],
  ['GET /reports/day/tern-harbour/2026-03-02.html', bedside],
  ['POST /hooks/harbour-ehr', ['source', 'operator']],
  [`PUT /hooks/harbour-ehr/Patient/${nobody}`, ['source', 'operator']],
  [`DELETE /hooks/harbour-ehr/Patient/${nobody}`, ['source', 'operator']],
  ['GET /metrics', ['operator']],
  ['GET /deliveries', ['operator']],
  [`POST /deliveries/${nobody}/replay`, ['operator']],
  ['POST /destinations/nobody/pause', ['operator']],
  ['POST /destinations/nobody/resume', ['operator']],
]

const send = (request: string, token?: string) => {
  const [method = '', path = ''] = request.split(' ')
  const form = path.endsWith('/_search')
  return service().call(method, path, {
    ...(token !== undefined && { token }),
    ...(form && { headers: { 'content-type': 'application/x-www-form-urlencoded' } }),
    ...(['POST', 'PUT'].includes(method) && { body: form ? '_count=1' : {} }),
  })
}

const tokenOf = (role: Role): string => `token-of-${inRole[role]}`

describe('a route', () => {
  it.each(routes)('%s lets in whom it may, and nobody else', async (request, may) => {
    const without = await send(request)
    if (may === 'public') expect([401, 403]).not.toContain(without.status)
    else {
      expect(without.status).toBe(401)
      if (!request.startsWith('HEAD')) expect(refusalOf(without).codes).toEqual(['login-needed'])
      expect(without.headers.get('www-authenticate')).toMatch(/^(Bearer|Basic )/)
      expect((await send(request, 'token-of-nobody')).status).toBe(401)
    }
    for (const role of roles) {
      const answer = await send(request, tokenOf(role))
      const allowed = may === 'public' || may.includes(role)
      if (allowed) expect([role, [401, 403, 405, 415, 500].includes(answer.status)]).toEqual([role, false])
      else expect([role, refusalOf(answer)]).toEqual([role, { status: 403, codes: ['not-allowed'] }])
    }
  })

  it('that is announced stands in the table above', async () => {
    const { body } = await service().call<CapabilityStatement>('GET', '/fhir/metadata')
    const rest = body.rest?.[0]
    const tested = new Set(routes.map(([request]) => request.replace(nobody, ':id').replace(/\?.*/, '')))
    const announced = (rest?.resource ?? []).flatMap((r) => [
      ...(r.interaction ?? []).map(({ code }) => {
        if (code === 'read') return `GET /fhir/${r.type}/:id`
        if (code === 'history-instance') return `GET /fhir/${r.type}/:id/_history`
        if (code === 'vread') return `GET /fhir/${r.type}/:id/_history/1`
        if (code === 'search-type') return `GET /fhir/${r.type}`
        return code === 'create' ? `POST /fhir/${r.type}` : `PUT /fhir/${r.type}/:id`
      }),
      ...(r.operation ?? []).map(({ name }) =>
        tested.has(`POST /fhir/${r.type}/$${name}`)
          ? `POST /fhir/${r.type}/$${name}`
          : `POST /fhir/${r.type}/:id/$${name}`,
      ),
    ])
    const system = (rest?.operation ?? []).map(({ name }) => `POST /fhir/$${name}`)
    expect([...announced, ...system].filter((request) => !tested.has(request))).toEqual([])
  })

  it('that is not there, and a token of another form, are nobody’s', async () => {
    expect(refusalOf(await send('GET /nowhere/at/all'))).toEqual({ status: 404, codes: ['not-known'] })
    for (const authorization of [
      'token-of-ops',
      'Bearer',
      'Bearer ',
      'Bearer token-of-ops x',
      'Basic b3BzOnRva2VuLW9mLW9wcw==',
    ])
      expect((await service().call('GET', '/fhir/Patient', { headers: { authorization } })).status).toBe(401)
    const lowerCase = { authorization: 'bearer token-of-ops' }
    expect((await service().call('GET', '/fhir/Patient', { headers: lowerCase })).status).toBe(200)
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

describe('open on loopback', () => {
  const open = useTestService({ callers: [] })

  /** `fetch` lets nobody set Host. */
  const status = (headers: Record<string, string>, path = '/fhir/Patient'): Promise<number> =>
    new Promise((resolve, reject) => {
      const { port } = new URL(open().url)
      httpRequest({ port, host: '127.0.0.1', path, headers }, (answer) => {
        answer.resume()
        resolve(answer.statusCode ?? 0)
      })
        .on('error', reject)
        .end()
    })

  it('every local caller may do everything, and the log says so', async () => {
    expect((await open().call('POST', '/fhir/Patient', { body: aPatient('LOCAL') })).status).toBe(201)
    for (const path of ['/fhir/Patient', '/deliveries', '/', '/fhir/AuditEvent'])
      expect([path, (await open().call('GET', path)).status]).toEqual([path, 200])
    expect(open().logText()).toContain('open on loopback')
    expect(
      open()
        .logLines()
        .find((l) => l.msg === 'request'),
    ).toMatchObject({ caller: 'local' })
  })

  it.each([
    ['its own name', {}, 200],
    ['localhost', { host: 'localhost:8090' }, 200],
    ['the loopback of IPv6', { host: '[::1]:8090' }, 200],
    ['another name', { host: 'daybind.example' }, 403],
    ['a name that only begins like it', { host: 'localhost.attacker.example' }, 403],
    ['a number that only begins like it', { host: '127.0.0.1.attacker.example' }, 403],
  ])('called under %s: %s', async (_, headers, expected) => {
    expect(await status(headers)).toBe(expected)
  })

  it.each([
    ['its own page', { 'sec-fetch-site': 'same-origin', host: '127.0.0.1:8090', origin: 'http://127.0.0.1:8090' }, 200],
    ['the address bar', { 'sec-fetch-site': 'none' }, 200],
    ['a page of another site', { origin: 'https://attacker.example' }, 403],
    ['a page without an origin', { origin: 'null' }, 403],
    ['a page on another port', { host: '127.0.0.1:8090', origin: 'http://127.0.0.1:3000' }, 403],
    ['a link of another site', { 'sec-fetch-site': 'cross-site' }, 403],
  ])('called by a browser from %s: %s', async (_, headers, expected) => {
    expect(await status(headers as Record<string, string>)).toBe(expected)
  })

  it('is guarded at every address that shows or changes anything', async () => {
    const foreign = { host: 'attacker.example' }
    for (const path of ['/', '/deliveries', '/fhir/Patient/x', '/reports/day/tern-harbour/2026-03-02.html', '/metrics'])
      expect([path, await status(foreign, path)]).toEqual([path, 403])
  })
})
