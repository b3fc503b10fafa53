import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import fc from 'fast-check'
import type { Bundle, BundleEntry, FhirResource, Task } from 'fhir/r4.js'
import { afterEach, describe, expect, test } from 'vitest'
import { openPeer } from '../../src/adapters/fhir/peer.ts'
import { answerTask } from '../../src/testkit/answer-task.ts'
import { mayBecome } from '../../src/testkit/linked-order.ts'
import {
  type ReadingServiceCounterpart,
  type ReadingServiceOptions,
  startReadingService,
} from '../../src/testkit/reading-service.ts'
import { readCriterion } from '../../src/testkit/transaction.ts'

const open: { stop(): Promise<unknown> }[] = []
afterEach(async () => {
  await Promise.all(open.splice(0).map((item) => item.stop()))
})

async function pebble(options: ReadingServiceOptions = {}): Promise<ReadingServiceCounterpart> {
  const service = await startReadingService(options)
  open.push(service)
  return service
}

function line(service: ReadingServiceCounterpart, token?: string) {
  const peer = openPeer({ id: 'pebble', base: service.base, deadlineMs: 3_000, ...(token ? { token } : {}) })
  open.push({ stop: () => peer.close() })
  return peer
}

type Entry = BundleEntry<FhirResource>
const home = 'https://daybind.example'
const criterion = (system: string, value: string) => `identifier=${encodeURIComponent(`${system}|${value}`)}`
const bundle = (...entry: Entry[]): Bundle<FhirResource> => ({ resourceType: 'Bundle', type: 'transaction', entry })
const ref = (n: number) => ({ reference: `urn:uuid:00000000-0000-4000-8000-00000000000${n}` })
const fullUrl = (n: number) => ref(n).reference

/** A resource by conditional PUT on its identifier. */
const keyed = (n: number, resource: FhirResource, system: string, value: string): Entry => ({
  fullUrl: fullUrl(n),
  resource: { ...resource, identifier: [{ system, value }] } as FhirResource,
  request: { method: 'PUT', url: `${resource.resourceType}?${criterion(system, value)}` },
})

const patient: Entry = {
  fullUrl: fullUrl(1),
  resource: {
    resourceType: 'Patient',
    identifier: [{ system: 'https://harbour.example/mrn', value: 'TH-1' }],
    birthDate: '1961-04-05',
  },
  request: { method: 'POST', url: 'Patient', ifNoneExist: criterion('https://harbour.example/mrn', 'TH-1') },
}

const task = (status: Task['status'], over: Partial<Task> = {}): Entry =>
  keyed(
    5,
    {
      resourceType: 'Task',
      status,
      intent: 'order',
      code: { coding: [{ system: 'http://hl7.org/fhir/CodeSystem/task-code', code: 'fulfill' }] },
      focus: ref(2),
      basedOn: [ref(2)],
      for: ref(1),
      owner: { type: 'Organization', identifier: { system: `${home}/reading-services`, value: 'pebble' } },
      ...over,
    },
    `${home}/tasks`,
    't-1',
  )

const linked = {
  patient,
  order: keyed(
    2,
    { resourceType: 'ServiceRequest', status: 'active', intent: 'order', subject: ref(1) },
    `${home}/orders`,
    'o-1',
  ),
  device: keyed(3, { resourceType: 'Device', serialNumber: 'S1', patient: ref(1) }, `${home}/devices`, 'd-1'),
  link: keyed(
    4,
    {
      resourceType: 'DeviceUseStatement',
      status: 'active',
      subject: ref(1),
      device: ref(3),
      basedOn: [ref(2)],
      timingPeriod: { start: '2026-06-01T09:14:00+01:00' },
    },
    `${home}/links`,
    'l-1',
  ),
  task: task('requested'),
}
const linkedOrder = (over: Partial<Record<keyof typeof linked, Entry>> = {}) =>
  bundle(...Object.values({ ...linked, ...over }))
const without = (name: keyof typeof linked) =>
  bundle(...Object.values({ ...linked, [name]: undefined }).filter((e) => e !== undefined))

describe('a linked order', () => {
  test('is stored, answered entry by entry, and draws no complaint', async () => {
    const service = await pebble()
    const answer = await line(service).transaction(linkedOrder(), 'req-1')
    expect(answer).toMatchObject({ fate: 'answered', status: 200 })
    expect(service.complaints).toEqual([])
    expect(service.checked().map(({ rule, broken }) => [rule, broken])).toEqual(
      [
        ...[
          'request-id-sent',
          'valid-write',
          'identified',
          'sent-twice',
          'own-references',
          'patient-kept',
          'link-whole',
        ],
        ...['link-task', 'link-refers', 'link-moment', 'order-patient', 'device-serial', 'task-path'],
      ].map((rule) => [rule, []]),
    )
    expect(service.received).toMatchObject([{ requestId: 'req-1', stored: true, bundle: linkedOrder() }])
    const [held] = service.resources('DeviceUseStatement')
    const [person] = service.resources('Patient')
    expect(held).toMatchObject({ subject: { reference: `Patient/${person?.id}` }, meta: { versionId: '1' } })
    expect(JSON.stringify(['Task', 'Device', 'ServiceRequest'].flatMap(service.resources))).not.toContain('urn:uuid:')
  })

  test('sent again changes nothing; with other content it makes new versions of what changed alone', async () => {
    const service = await pebble()
    const peer = line(service)
    const first = await peer.transaction(linkedOrder(), 'r')
    const second = await peer.transaction(linkedOrder(), 'r')
    expect(second).toMatchObject({ body: { entry: Array(5).fill({ response: { status: '200 OK', etag: 'W/"1"' } }) } })
    const third = await peer.transaction(linkedOrder({ task: task('cancelled') }), 'r')
    expect(third.fate === 'answered' && third.body.entry?.map(({ response }) => response?.etag)).toEqual([
      ...Array(4).fill('W/"1"'),
      'W/"2"',
    ])
    const id = service.resources('Task')[0]?.id ?? ''
    expect(service.versions('Task', id)).toMatchObject([{ status: 'requested' }, { status: 'cancelled' }])
    expect([first, third].map(({ fate }) => fate)).toEqual(['answered', 'answered'])
    expect(service.complaints).toEqual([])
  })

  test('a patient that is there already is left as it is', async () => {
    const service = await pebble()
    const peer = line(service)
    await peer.transaction(linkedOrder(), 'r')
    const other = { ...patient, resource: { ...patient.resource, birthDate: '1999-01-01' } as FhirResource }
    await peer.transaction(linkedOrder({ patient: other }), 'r')
    expect(service.resources('Patient')).toMatchObject([{ birthDate: '1961-04-05' }])
  })

  test.for([
    ['without Patient', () => without('patient'), 'leads nowhere'],
    ['without ServiceRequest', () => without('order'), 'a linked order without ServiceRequest'],
    ['without Device', () => without('device'), 'a linked order without Device'],
    ['without DeviceUseStatement', () => without('link'), 'a linked order without DeviceUseStatement'],
    ['without Task', () => without('task'), 'a linked order without Task'],
    [
      'with a Task about something else',
      () => linkedOrder({ task: task('requested', { focus: ref(4) }) }),
      'a Task does not have the order as its focus',
    ],
    [
      'with a Task for a device',
      () => linkedOrder({ task: task('requested', { for: ref(3) }) }),
      'a Task is not for the patient',
    ],
    ['with a draft Task', () => linkedOrder({ task: task('draft') }), 'never has between two parties: draft'],
    [
      'with a switch-on time without offset',
      () =>
        linkedOrder({
          link: {
            ...linked.link,
            resource: { ...linked.link.resource, timingPeriod: { start: '2026-06-01T09:14:00' } } as FhirResource,
          },
        }),
      'with an offset',
    ],
    [
      'with a device without serial',
      () => linkedOrder({ device: keyed(3, { resourceType: 'Device' }, `${home}/devices`, 'd-1') }),
      'a device has no serial number',
    ],
    [
      'with a patient that would be overwritten',
      () => linkedOrder({ patient: keyed(1, { resourceType: 'Patient' }, 'https://harbour.example/mrn', 'TH-1') }),
      'never overwritten',
    ],
    [
      'with a link that would be made again each time',
      () => linkedOrder({ link: { ...linked.link, request: { method: 'POST', url: 'DeviceUseStatement' } } }),
      'created again each time',
    ],
    [
      'with a reference to another server',
      () =>
        linkedOrder({ task: task('requested', { requester: { reference: 'https://elsewhere.example/Device/1' } }) }),
      'requester.reference points to another server',
    ],
    [
      'with a stub that has a value',
      () =>
        bundle(
          ...Object.values(linked),
          keyed(
            6,
            { resourceType: 'Observation', status: 'registered', code: { text: 'rhythm' }, valueString: 'sinus' },
            `${home}/observations`,
            'b-1',
          ),
        ),
      'already says something',
    ],
  ] as const)('%s draws a complaint', async ([, make, complaint]) => {
    const service = await pebble()
    await line(service).transaction(make(), 'r')
    expect(service.complaints.join('\n')).toContain(complaint)
    const broken = service.checked().flatMap((c) => c.broken)
    expect(broken.map(({ wrong }) => wrong)).toEqual(expect.arrayContaining([expect.stringContaining(complaint)]))
    expect(broken[0]?.in).toMatch(/^\d{4}-\S+Z POST \/ \(r\)$/)
  })

  test('a Task that goes back from an end is complained about', async () => {
    const service = await pebble()
    const peer = line(service)
    await peer.transaction(linkedOrder({ task: task('cancelled') }), 'r')
    await peer.transaction(linkedOrder({ task: task('requested') }), 'r')
    expect(service.complaints).toEqual(['the Task went from cancelled to requested'])
  })

  // Source: http://hl7.org/fhir/R4/task.html#statemachine, with steps in between left out
  test.for([
    ['requested', 'completed', true],
    ['accepted', 'cancelled', true],
    ['in-progress', 'on-hold', true],
    ['on-hold', 'completed', true],
    ['in-progress', 'cancelled', false],
    ['rejected', 'accepted', false],
    ['completed', 'in-progress', false],
    ['completed', 'entered-in-error', true],
    ['requested', 'requested', true],
  ] as const)('from %s to %s: %s', ([from, to, may]) => {
    expect(mayBecome(from, to)).toBe(may)
  })
})

describe('what FHIR lets a server refuse', () => {
  const device = linked.device
  const put = (url: string, resource: object = { ...device.resource }): Entry => ({
    resource: resource as FhirResource,
    request: { method: 'PUT', url },
  })
  const d1 = `Device?${criterion(`${home}/devices`, 'd-1')}`
  test.for([
    ['two entries of one criterion', bundle(device, put(d1)), 'same identity'],
    ['two entries of one full address', bundle(device, { ...linked.order, fullUrl: fullUrl(3) }), 'same identity'],
    ['a batch', { ...bundle(device), type: 'batch' }, 'not a transaction'],
    ['no entries', bundle(), 'not a transaction with entries'],
    ['a bare | in a criterion', bundle(put(`Device?identifier=${home}/devices|d-1`)), 'not URL-encoded'],
    ['two criteria', bundle(put(`${d1}&status=active`)), 'not one single identifier'],
    ['a criterion without system', bundle(put('Device?identifier=d-1')), 'lacks its system or its value'],
    ['a criterion by name', bundle(put('Device?device-name=x')), 'not one single identifier'],
    ['a criterion that the resource does not carry', bundle(put(`${d1}2`)), 'does not carry'],
    ['an address of another type', bundle(put(d1.replace('Device', 'Patient'))), 'resource type'],
    [
      'an id that is not that of the resource',
      bundle(put('Device/9', { resourceType: 'Device', id: '8' })),
      'the id in',
    ],
    ['an unknown urn:uuid', bundle(device), 'leads nowhere'],
    [
      'an unknown relative reference',
      bundle(put(d1, { ...device.resource, patient: { reference: 'Patient/77' } })),
      'leads nowhere',
    ],
    [
      'a contained reference to nothing',
      bundle(put(d1, { ...device.resource, patient: { reference: '#p' } })),
      'leads nowhere',
    ],
    [
      'a conditional reference that matches nothing',
      bundle(put(d1, { ...device.resource, patient: { reference: 'Patient?identifier=urn%3Ax%7C1' } })),
      'leads nowhere',
    ],
    ['a DELETE', bundle({ ...device, request: { method: 'DELETE', url: 'Device/1' } }), 'only PUT and POST'],
    ['an entry without resource', bundle({ request: { method: 'PUT', url: d1 } }), 'no resource'],
  ] as const)('%s: nothing is stored', async ([, sent, says]) => {
    const service = await pebble()
    const answer = await line(service).transaction(sent as Bundle, 'r')
    expect(answer).toMatchObject({ fate: 'final', status: 400 })
    expect(service.received).toMatchObject([{ stored: false }])
    expect(service.resources('Device')).toEqual([])
    expect(service.complaints.join('\n')).toContain(says)
  })

  test('a criterion is read back as it was written, whatever it holds', () => {
    const word = fc
      .string({ minLength: 1, unit: 'grapheme' })
      .filter((text) => !text.includes('|') && text.isWellFormed())
    fc.assert(
      fc.property(word, word, (system, value) => {
        expect(readCriterion(criterion(system, value))).toEqual({ system, value })
      }),
    )
  })

  test('several matches are 412, and so is a stale If-Match', async () => {
    const service = await pebble()
    const peer = line(service)
    const twin = (id: string) =>
      put(`Device/${id}`, { resourceType: 'Device', id, identifier: [{ system: 'urn:x', value: '1' }] })
    expect((await peer.transaction(bundle(twin('a'), twin('b')), 'r')).fate).toBe('answered')
    const either = put('Device?identifier=urn%3Ax%7C1', {
      resourceType: 'Device',
      identifier: [{ system: 'urn:x', value: '1' }],
    })
    expect(await peer.transaction(bundle(either), 'r')).toMatchObject({
      fate: 'try-again',
      cause: 'conflict',
      status: 412,
    })
    const stale = { ...twin('a'), request: { method: 'PUT' as const, url: 'Device/a', ifMatch: 'W/"9"' } }
    expect(await peer.transaction(bundle(stale), 'r')).toMatchObject({
      fate: 'try-again',
      cause: 'conflict',
      status: 412,
    })
  })

  test('references to what the same transaction puts under an id, and to a contained resource, are followed', async () => {
    const service = await pebble()
    const sent = bundle(
      put('Device/a', {
        resourceType: 'Device',
        id: 'a',
        patient: { reference: 'Patient/p' },
        contained: [{ resourceType: 'Organization', id: 'o' }],
        owner: { reference: '#o' },
      }),
      put('Patient/p', { resourceType: 'Patient', id: 'p' }),
    )
    expect((await line(service).transaction(sent, 'r')).fate).toBe('answered')
  })

  test('a missing or wrong token is 401 and a complaint; the CapabilityStatement needs none', async () => {
    const service = await pebble({ token: 'sesame' })
    expect(await line(service).transaction(linkedOrder(), 'r')).toMatchObject({ cause: 'credentials', status: 401 })
    expect(await line(service, 'other').read('Task', '1', 'r')).toMatchObject({ cause: 'credentials' })
    expect(service.complaints).toHaveLength(2)
    expect((await fetch(`${service.base}/metadata`)).status).toBe(200)
    expect((await line(service, 'sesame').transaction(linkedOrder(), 'r')).fate).toBe('answered')
  })

  test.for([
    ['GET', '/nowhere/at/all', undefined, 404],
    ['GET', '/Task/none', undefined, 404],
    ['GET', '/Task?priority=high', undefined, 400],
    ['PUT', '/Task/1', '{}', 405],
    ['POST', '', '{"resourceType":"Bundle"', 400],
    ['POST', '', '{"resourceType":"Patient"}', 400],
  ] as const)('%s %s %s is %i', async ([method, path, body, status]) => {
    const service = await pebble()
    const headers = { 'Content-Type': 'application/fhir+json' }
    const response = await fetch(service.base + path, { method, headers, ...(body ? { body } : {}) })
    expect(response.status).toBe(status)
    expect(await response.json()).toMatchObject({ resourceType: 'OperationOutcome' })
  })

  test('a transaction without X-Request-Id is taken, and complained about', async () => {
    const service = await pebble()
    const headers = { 'Content-Type': 'application/fhir+json' }
    const response = await fetch(service.base, { method: 'POST', headers, body: JSON.stringify(linkedOrder()) })
    expect(response.status).toBe(200)
    expect(service.complaints).toEqual(['a transaction came without X-Request-Id'])
  })

  test('another media type is 415', async () => {
    const service = await pebble()
    const response = await fetch(service.base, {
      method: 'POST',
      headers: { 'Content-Type': 'text/plain' },
      body: '{}',
    })
    expect(response.status).toBe(415)
  })
})

describe('reading back', () => {
  test.for([
    ['Task', { identifier: `${home}/tasks|t-1` }, 1],
    ['Task', { identifier: 't-1' }, 1],
    ['Task', { identifier: `${home}/links|t-1` }, 0],
    ['Task', { identifier: `${home}/tasks|t-2` }, 0],
    ['Task', { patient: '?', 'based-on': '?' }, 1],
    ['Device', { patient: '?' }, 1],
    ['DeviceUseStatement', { patient: 'Patient/none' }, 0],
    ['Task', { _id: '?' }, 1],
  ] as const)('%s by %j: %i', async ([type, asked, total]) => {
    const service = await pebble()
    const peer = line(service)
    await peer.transaction(linkedOrder(), 'r')
    const idOf = (of: string) => service.resources(of)[0]?.id ?? ''
    const ids: Record<string, string> = {
      patient: idOf('Patient'),
      'based-on': idOf('ServiceRequest'),
      _id: idOf('Task'),
    }
    const params = Object.fromEntries(Object.entries(asked).map(([k, v]) => [k, v === '?' ? (ids[k] ?? '') : v]))
    expect(await peer.search(type, params, 'r')).toMatchObject({ fate: 'answered', body: { total } })
  })

  test('a resource is read with its ETag, and a search goes on page by page', async () => {
    const service = await pebble()
    const peer = line(service)
    const devices = ['a', 'b', 'c'].map(
      (id): Entry => ({
        resource: { resourceType: 'Device', id },
        request: { method: 'PUT', url: `Device/${id}` },
      }),
    )
    await peer.transaction(bundle(...devices), 'r')
    expect(await peer.read('Device', 'b', 'r')).toMatchObject({ body: { id: 'b' }, etag: 'W/"1"' })
    const first = await peer.search('Device', { _count: '2' }, 'r')
    expect(first).toMatchObject({ body: { total: 3, entry: [{}, {}] } })
    const second = first.fate === 'answered' ? await peer.nextPage(first.body, 'r') : undefined
    expect(second).toMatchObject({ body: { entry: [{ resource: { id: 'c' } }] } })
    expect(second?.fate === 'answered' && peer.nextPage(second.body, 'r')).toBeUndefined()
  })
})

describe('faults on request', () => {
  test('down: the connection is refused, and it comes back on the same port with what it held', async () => {
    const service = await pebble()
    const peer = line(service)
    await peer.transaction(linkedOrder(), 'r')
    await service.fault('down')
    expect(await peer.transaction(linkedOrder(), 'r')).toMatchObject({ fate: 'try-again', cause: 'not-reached' })
    await service.clearFaults()
    expect((await peer.transaction(linkedOrder(), 'r')).fate).toBe('answered')
    expect(service.received).toHaveLength(2)
  })

  test('drop-after-store: unsure, and reading back finds it', async () => {
    const service = await pebble()
    const peer = line(service)
    await service.fault('drop-after-store', { times: 1 })
    expect(await peer.transaction(linkedOrder(), 'r')).toMatchObject({ fate: 'unsure', cause: 'cut-off' })
    const found = await peer.search('DeviceUseStatement', { identifier: `${home}/links|l-1` }, 'r')
    expect(found).toMatchObject({ body: { total: 1 } })
  })

  test('drop-before-store: unsure, and reading back finds nothing', async () => {
    const service = await pebble()
    const peer = line(service)
    await service.fault('drop-before-store', { times: 1 })
    expect(await peer.transaction(linkedOrder(), 'r')).toMatchObject({ fate: 'unsure', cause: 'cut-off' })
    expect(await peer.search('Task', { identifier: 't-1' }, 'r')).toMatchObject({ body: { total: 0 } })
  })

  test.for([
    ['hang', {}, 'unsure', 'no-answer'],
    ['html', {}, 'unsure', 'unexpected-answer'],
    ['lost-entry', {}, 'unsure', 'work-missing'],
    ['error-503', { retryAfter: '3' }, 'try-again', 'later'],
    ['error-500', {}, 'unsure', 'trouble'],
    ['error-422', {}, 'final', 'refused'],
    ['error-409', {}, 'try-again', 'conflict'],
  ] as const)('%s %j: %s (%s), once', async ([kind, options, fate, cause]) => {
    const service = await pebble()
    const peer = line(service)
    await service.fault(kind, { ...options, times: 1, writesOnly: true })
    expect(await peer.search('Task', {}, 'r')).toMatchObject({ fate: 'answered' })
    expect(await peer.transaction(linkedOrder(), 'r')).toMatchObject({ fate, cause })
    expect((await peer.transaction(linkedOrder(), 'r')).fate).toBe('answered')
  })

  test('a fault without a count lasts until it is cleared; faults follow one another', async () => {
    const service = await pebble()
    const peer = line(service)
    await service.fault('error-503', { times: 2 })
    await service.fault('error-422')
    const statuses = []
    for (let n = 0; n < 4; n++) statuses.push((await peer.transaction(linkedOrder(), 'r')).status)
    expect(statuses).toEqual([503, 503, 422, 422])
    await service.clearFaults()
    expect((await peer.transaction(linkedOrder(), 'r')).fate).toBe('answered')
  })
})

describe('answering a Task', () => {
  async function daybind(ifMatchWanted: string) {
    const calls: { method?: string; url?: string; headers: object; body: string }[] = []
    const server = createServer(async (request, response) => {
      let body = ''
      for await (const piece of request) body += piece
      calls.push({ ...request, method: request.method ?? '', url: request.url ?? '', headers: request.headers, body })
      const stale = request.method === 'PUT' && request.headers['if-match'] !== ifMatchWanted
      const known = request.url === '/fhir/Task/t-1'
      response.writeHead(known ? (stale ? 412 : 200) : 404, { ETag: 'W/"3"' })
      response.end(
        JSON.stringify(
          known ? { resourceType: 'Task', id: 't-1', status: 'requested' } : { resourceType: 'OperationOutcome' },
        ),
      )
    })
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    open.push({
      stop: async () => {
        server.close()
        server.closeAllConnections()
      },
    })
    return { calls, base: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir` }
  }

  test('reads the Task and puts it back with the new status, on the version that was read', async () => {
    const there = await daybind('W/"3"')
    const answer = await answerTask({
      daybind: there.base,
      token: 'sesame',
      taskId: 't-1',
      status: 'rejected',
      statusReason: { text: 'no capacity' },
    })
    expect(answer.status).toBe(200)
    expect(there.calls.map(({ method }) => method)).toEqual(['GET', 'PUT'])
    expect(there.calls[1]?.headers).toMatchObject({ authorization: 'Bearer sesame', 'if-match': 'W/"3"' })
    expect(JSON.parse(there.calls[1]?.body ?? '')).toEqual({
      resourceType: 'Task',
      id: 't-1',
      status: 'rejected',
      statusReason: { text: 'no capacity' },
    })
  })

  test('a Task that is not there, and one that changed meanwhile, give the status of the answer', async () => {
    const there = await daybind('W/"4"')
    expect(await answerTask({ daybind: there.base, taskId: 'none', status: 'accepted' })).toMatchObject({ status: 404 })
    expect(await answerTask({ daybind: there.base, taskId: 't-1', status: 'accepted' })).toMatchObject({ status: 412 })
    expect(there.calls.map(({ method }) => method)).toEqual(['GET', 'GET', 'PUT'])
  })
})
