/** The linked order goes out to the reading services, over HTTP: contract sections 4 and 7. */
import { createServer, type IncomingMessage, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import { setTimeout as pause } from 'node:timers/promises'
import type { Bundle, DetectedIssue, Device, DeviceUseStatement, FhirResource, ServiceRequest, Task } from 'fhir/r4.js'
import { afterAll, afterEach, describe, expect, test } from 'vitest'
import { defaultTakes } from '../../src/model/systems.ts'
import { answerTask } from '../../src/testkit/answer-task.ts'
import type { FaultKind, FaultOptions } from '../../src/testkit/faults.ts'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { type Ask, caller, testCallers, testSources, tokenOf, useTestService } from '../support/service.ts'
import {
  continuousEcg,
  ecgMonitoring,
  found,
  inDatabase,
  label,
  link,
  newSerial,
  type Ordered,
  operate,
  out,
  outs,
  read,
  type Said,
  seconds,
  sendOrder,
  twoIdentifiers,
  verdict,
} from './bedside.ts'

const listening = async (server: Server): Promise<string> => {
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return `http://127.0.0.1:${(server.address() as AddressInfo).port}`
}

/** A code of this source's own for each reading service, so that each order goes where its test wants it. */
const codeFor = (destination: string) => ({ system: 'https://harbour.example/codes', code: destination })

const pebble = await startReadingService({ token: 'token-at-pebble' })
const slate = await startReadingService({ name: 'Slate Reading Room' })
const heron = await startReadingService({ name: 'Heron Reading Room' })

/** In front of heron: it takes the work before it answers that it has it. */
const eager = createServer(async (request, response) => {
  const body = await text(request)
  const answer = await fetch(`${heron.base.replace('/fhir', '')}${request.url}`, {
    method: request.method ?? 'GET',
    headers: Object.entries(request.headers).filter(([name]) => /^(content-type|x-request-id)$/.test(name)) as [
      string,
      string,
    ][],
    ...(body !== '' && { body }),
  })
  const said = await answer.text()
  const tasks = body === '' ? [] : ((JSON.parse(body) as Bundle<Task>).entry ?? []).flatMap((e) => e.resource ?? [])
  for (const { resourceType, identifier } of tasks)
    if (resourceType === 'Task')
      await answerTask({
        daybind: `${service().url}/fhir`,
        token: tokenOf('heron'),
        taskId: identifier?.[0]?.value ?? '',
        status: 'accepted',
      })
  response.writeHead(answer.status, { 'content-type': 'application/fhir+json' }).end(said)
})
const eagerBase = await listening(eager)

/** Another origin, to which nothing of ours may go. */
const elsewhere: IncomingMessage['headers'][] = []
const thief = createServer((request, response) => {
  elsewhere.push(request.headers)
  response.end('{}')
})
const thiefBase = await listening(thief)
const redirected: IncomingMessage['headers'][] = []
const redirecting = createServer((request, response) => {
  redirected.push(request.headers)
  response.writeHead(307, { location: `${thiefBase}/fhir` }).end()
})
const redirectingBase = await listening(redirecting)

const destination = (id: string, fhir: string, token?: string) => ({
  id,
  fhir,
  accept: 'PT4H',
  takes: [{ code: codeFor(id) }],
  ...(token !== undefined && { token }),
})

const service = useTestService({
  sources: testSources.map((s) => ({
    ...s,
    takes: [...defaultTakes, ...['pebble', 'slate', 'heron', 'redirecting', 'blocked'].map(codeFor)],
  })),
  readingServices: [
    { ...destination('pebble', pebble.base, 'token-at-pebble'), takes: [{ code: ecgMonitoring }] },
    { ...destination('slate', slate.base), takes: [{ code: continuousEcg }] },
    destination('heron', `${eagerBase}/fhir`),
    destination('redirecting', `${redirectingBase}/fhir`, 'token-at-redirecting'),
    // a port to which `fetch` itself makes no call
    destination('blocked', 'http://127.0.0.1:9/fhir'),
  ],
  callers: [...testCallers, caller('slate', 'reading-service'), caller('heron', 'reading-service')],
  roundMs: 100,
  deliveryDeadlineMs: 4_000,
  patience: { first: 0.05, longest: 0.4, age: 3600, attempts: 40 },
})

const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const ops: Ask = (...asked) => service().as('ops')(...asked)

/** What a test leaves under way would meet the faults of the next one, and be counted there. */
const nothingWaits = () =>
  expect
    .poll(() => inDatabase(service().database, `select id from deliveries where fate in ('queued', 'unsure')`))
    .toEqual([])

afterEach(async () => {
  await Promise.all([pebble.clearFaults(), slate.clearFaults()])
  await nothingWaits()
})
afterAll(async () => {
  await Promise.all([pebble.stop(), slate.stop(), heron.stop()])
  for (const server of [eager, thief, redirecting]) {
    server.close()
    server.closeAllConnections()
  }
})

interface Delivery {
  readonly id: string
  readonly destination: string
  readonly fate: string
  readonly reason: string | null
  readonly attempts: number
  readonly nextAttempt: string | null
}

/** Oldest first. */
const deliveries = async (order: string, filter = ''): Promise<readonly Delivery[]> => {
  const answer = await ops<{ deliveries: Delivery[] }>('GET', `/deliveries?order=${order}${filter}`)
  expect(answer.status, answer.text).toBe(200)
  return answer.body.deliveries.toReversed()
}

const fates = (order: string, ...expected: readonly string[]) =>
  expect.poll(async () => (await deliveries(order)).map((d) => d.fate), { interval: 25 }).toEqual(expected)

const ago = (s: number): string => seconds(Date.now(), -s)

interface Linked {
  readonly ordered: Ordered
  readonly serial: string
  readonly link: DeviceUseStatement
  readonly id: string
  readonly task: Task
  readonly device: Device
  readonly requestId: string
}

const linked = async (codings = [ecgMonitoring], said: Said = {}): Promise<Linked> => {
  const ordered = await sendOrder(ehr, { codings })
  const serial = newSerial()
  const answer = await link(bay, ordered, { scan: label(serial), appliedAt: ago(3600), ...said })
  const made = out<DeviceUseStatement>(answer, 'link')
  const requestId = answer.headers.get('x-request-id') ?? ''
  const task = outs<Task>(answer, 'task')[0] as Task
  return { ordered, serial, link: made, id: made.id ?? '', task, device: out<Device>(answer, 'device'), requestId }
}

const end = (id: string, why = 'removed') =>
  operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt: ago(10), why })

/** What arrived there about an order, oldest first. */
const arrived = (at: ReadingServiceCounterpart, { order }: Ordered) =>
  at.received.filter(({ bundle }) => JSON.stringify(bundle).includes(order))

/** The one resource that a counterpart holds under our identifier. */
const heldAt = <T>(at: ReadingServiceCounterpart, type: string, id: string | undefined): T => {
  const all = at.resources(type).filter((r) => JSON.stringify(r).includes(`"value":"${id}"`))
  expect(all, `${type} ${id}`).toHaveLength(1)
  return all[0] as T
}

const answerAs = (id: string, taskId: string | undefined, status: Task['status']) =>
  answerTask({ daybind: `${service().url}/fhir`, token: tokenOf(id), taskId: taskId ?? '', status })

describe('the linked order', () => {
  test('arrives as one transaction with everything in it, under the id of the call that made the link', async () => {
    const { ordered, task, id, device, requestId } = await linked()
    await fates(ordered.order, 'sent')
    const [only, ...others] = arrived(pebble, ordered)
    expect(others).toEqual([])
    expect(only?.requestId).toBe(requestId)
    expect(only?.bundle.entry?.map((e) => e.resource?.resourceType).sort()).toEqual([
      'Device',
      'DeviceUseStatement',
      'Patient',
      'Procedure',
      'ServiceRequest',
      'Task',
    ])
    expect(heldAt<Task>(pebble, 'Task', task.id).status).toBe('requested')
    expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe('active')
    expect(heldAt<Device>(pebble, 'Device', device.id).serialNumber).toBe(device.serialNumber)
    expect(heldAt<ServiceRequest>(pebble, 'ServiceRequest', ordered.order).identifier).toContainEqual(ordered.placer)
    expect(pebble.complaints).toEqual([])
  })

  test('goes to each reading service whose rule takes it, and to no other', async () => {
    const { ordered } = await linked([ecgMonitoring, continuousEcg])
    await fates(ordered.order, 'sent', 'sent')
    expect([arrived(pebble, ordered).length, arrived(slate, ordered).length]).toEqual([1, 1])
    const one = await linked([continuousEcg])
    await fates(one.ordered.order, 'sent')
    expect([arrived(pebble, one.ordered).length, arrived(slate, one.ordered).length]).toEqual([0, 1])
    for (const at of [pebble, slate]) expect(at.complaints).toEqual([])
  })

  test('goes again when the order is revised, the link ends, and the recorder comes back', async () => {
    const { ordered, id, serial } = await linked()
    await fates(ordered.order, 'sent')
    await sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', note: 'Mind the plaster allergy.' })
    await fates(ordered.order, 'sent', 'sent')
    expect(heldAt<ServiceRequest>(pebble, 'ServiceRequest', ordered.order).note?.[0]?.text).toMatch(/plaster/)
    await sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', note: 'Mind the plaster allergy.' })
    expect((await deliveries(ordered.order)).length).toBe(2)
    await end(id)
    await fates(ordered.order, 'sent', 'sent', 'sent')
    expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe('completed')
    const back = await operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: ago(1) })
    await fates(ordered.order, 'sent', 'sent', 'sent', 'sent')
    expect(heldAt<{ status: string }>(pebble, 'DiagnosticReport', out(back, 'report').id).status).toBe('registered')
    expect(heldAt<{ status: string }>(pebble, 'Observation', out(back, 'observation').id).status).toBe('registered')
    const patients = pebble.resources('Patient').filter((r) => JSON.stringify(r).includes(ordered.person.number))
    expect(patients.map((p) => pebble.versions('Patient', p.id ?? '').length)).toEqual([1])
    expect(pebble.complaints).toEqual([])
  })

  test('goes again when the link is corrected: to whoever got the wrong one, and to who takes the right one', async () => {
    const old = await linked()
    const right = await sendOrder(ehr, { codings: [continuousEcg] })
    await fates(old.ordered.order, 'sent')
    const answer = await operate(bay, `DeviceUseStatement/${old.id}/$correct-link`, {
      because: 'wrong chart',
      order: right.placer,
      ...twoIdentifiers(right.person),
    })
    await fates(old.ordered.order, 'sent', 'sent')
    await fates(right.order, 'sent')
    const status = (type: string, id: string | undefined) => heldAt<{ status: string }>(pebble, type, id).status
    expect(status('DeviceUseStatement', old.id)).toBe('entered-in-error')
    expect(status('Task', old.task.id)).toBe('entered-in-error')
    const made = out<DeviceUseStatement>(answer, 'link')
    expect(heldAt<DeviceUseStatement>(slate, 'DeviceUseStatement', made.id).status).toBe('active')
    // who got the wrong patient is not told of the right one
    expect(JSON.stringify(arrived(pebble, old.ordered))).not.toContain(right.person.family)
    expect(JSON.stringify(arrived(pebble, old.ordered))).not.toContain(right.patient)
    for (const at of [pebble, slate]) expect(at.complaints).toEqual([])
  })

  test('goes again when the order is revoked: work not begun is cancelled', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    await sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', status: 'revoked' })
    await fates(ordered.order, 'sent', 'sent')
    expect(heldAt<ServiceRequest>(pebble, 'ServiceRequest', ordered.order).status).toBe('revoked')
    expect(heldAt<Task>(pebble, 'Task', task.id).status).toBe('cancelled')
    expect(pebble.complaints).toEqual([])
  })

  test('revoked and active again while it is worn asks again for what was cancelled, by a new Task', async () => {
    const { ordered, task, id } = await linked()
    await fates(ordered.order, 'sent')
    const say = (status: ServiceRequest['status']) =>
      sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', status })
    await say('revoked')
    await fates(ordered.order, 'sent', 'sent')
    await say('active')
    await fates(ordered.order, 'sent', 'sent', 'sent')
    const tasks = await found<Task>(bay, `Task?based-on=ServiceRequest/${ordered.order}`)
    expect(tasks.map((t) => t.status).toSorted()).toEqual(['cancelled', 'requested'])
    const again = tasks.find((t) => t.status === 'requested')
    expect([again?.code?.coding?.[0]?.code, again?.id === task.id]).toEqual(['fulfill', false])
    expect(heldAt<Task>(pebble, 'Task', again?.id).status).toBe('requested')
    expect(heldAt<Task>(pebble, 'Task', task.id).status).toBe('cancelled')
    expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe('active')
    expect((await answerAs('pebble', again?.id, 'accepted')).status).toBe(200)
    expect(pebble.complaints).toEqual([])
  })

  test('revoked after the work began asks for its end by a Task of its own', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    expect((await answerAs('pebble', task.id, 'accepted')).status).toBe(200)
    expect((await answerAs('pebble', task.id, 'in-progress')).status).toBe(200)
    await sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', status: 'revoked' })
    await fates(ordered.order, 'taken', 'sent')
    const tasks = (arrived(pebble, ordered).at(-1)?.bundle.entry ?? []).flatMap((e) =>
      e.resource?.resourceType === 'Task' ? [[e.resource.code?.coding?.[0]?.code, e.resource.status]] : [],
    )
    expect(tasks.sort()).toEqual([
      ['abort', 'requested'],
      ['fulfill', 'in-progress'],
    ])
    expect(pebble.complaints).toEqual([])
  })
})

describe('sent and taken are two things', () => {
  test('what was sent is taken when the reading service accepts the Task', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    expect((await answerAs('pebble', task.id, 'received')).status).toBe(200)
    expect((await deliveries(ordered.order))[0]?.fate).toBe('sent')
    expect(await answerAs('pebble', task.id, 'accepted')).toMatchObject({ status: 200, body: { status: 'accepted' } })
    await fates(ordered.order, 'taken')
  })

  test('and refused when it rejects it', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    expect((await answerAs('pebble', task.id, 'rejected')).status).toBe(200)
    await fates(ordered.order, 'refused')
    expect((await answerAs('pebble', task.id, 'accepted')).status).toBe(409)
  })

  test('a reading service that takes the work before it answers the delivery has taken it', async () => {
    const { ordered, task } = await linked([codeFor('heron')])
    await fates(ordered.order, 'taken')
    expect((await read<Task>(bay, `Task/${task.id}`)).status).toBe('accepted')
    expect(arrived(heron, ordered)).toHaveLength(1)
  })

  test('an answer never hides that a newer message has not arrived yet', async () => {
    const { ordered, task, id } = await linked()
    await fates(ordered.order, 'sent')
    await pebble.fault('drop-before-store', { times: 1, writesOnly: true })
    await pebble.fault('error-500')
    await end(id)
    await expect.poll(async () => (await deliveries(ordered.order))[1]?.fate).toBe('unsure')
    expect((await answerAs('pebble', task.id, 'accepted')).status).toBe(200)
    await pebble.clearFaults()
    await fates(ordered.order, 'taken', 'sent')
    expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe('completed')
  })

  test('an answer to a Task that was read here keeps back nothing that has not arrived', async () => {
    await pebble.fault('down')
    const { ordered, task } = await linked()
    await expect.poll(async () => (await deliveries(ordered.order))[0]?.attempts).toBeGreaterThan(0)
    expect((await answerAs('pebble', task.id, 'accepted')).status).toBe(200)
    await pebble.clearFaults()
    await fates(ordered.order, 'taken')
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  test('nor what a process left before it was sent', async () => {
    await ops('POST', '/destinations/pebble/pause')
    const { ordered, task } = await linked()
    // as it is when the process was killed after it had taken the message for an attempt
    await inDatabase(
      service().database,
      `update deliveries set attempts = 1, fence = 1, leased_until = clock_timestamp() + interval '1 s' where order_id = $1`,
      [ordered.order],
    )
    expect((await answerAs('pebble', task.id, 'rejected')).status).toBe(200)
    await ops('POST', '/destinations/pebble/resume')
    await fates(ordered.order, 'refused')
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  const put = (taskId: string | undefined, body: object, headers = {}, as = 'pebble') =>
    service().as(as)<Task>('PUT', `/fhir/Task/${taskId}`, { body, headers })

  test('a Task may be found by our identifier too', async () => {
    const { task } = await linked()
    const stored = await read<Task>(bay, `Task/${task.id}`)
    const query = encodeURIComponent(`https://daybind.example/tasks|${task.id}`)
    const answer = await service().as('pebble')<Task>('PUT', `/fhir/Task?identifier=${query}`, {
      body: { ...stored, status: 'received' },
    })
    expect([answer.status, answer.body.status]).toEqual([200, 'received'])
  })

  test('a Task may come back as the server of the reading service holds it', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    const held = heldAt<Task>(pebble, 'Task', task.id)
    expect(held.focus?.reference).not.toBe(`ServiceRequest/${ordered.order}`)
    const answer = await put(task.id, { ...held, id: task.id, status: 'accepted' })
    expect([answer.status, answer.body.status], answer.text).toEqual([200, 'accepted'])
    const query = encodeURIComponent(`https://daybind.example/tasks|${task.id}`)
    const { id: _theirs, ...nameless } = held
    const begun = await service().as('pebble')<Task>('PUT', `/fhir/Task?identifier=${query}`, {
      body: { ...nameless, status: 'in-progress' },
    })
    expect([begun.status, begun.body.status], begun.text).toEqual([200, 'in-progress'])
    const stored = await read<Task>(bay, `Task/${task.id}`)
    expect([stored.focus?.reference, stored.for?.reference]).toEqual([
      `ServiceRequest/${ordered.order}`,
      `Patient/${ordered.patient}`,
    ])
  })

  test('an illegal step is 409, any other change 422, a stale version 412, another’s Task 404', async () => {
    const { task } = await linked()
    const stored = await read<Task>(bay, `Task/${task.id}`)
    expect(verdict(await put(task.id, { ...stored, status: 'completed' }))).toBe('409 illegal-step')
    expect(verdict(await put(task.id, { ...stored, status: 'failed' }))).toBe('409 illegal-step')
    expect(verdict(await put(task.id, { ...stored, status: 'cancelled' }))).toBe('422 element-not-changeable')
    const meddled = { ...stored, status: 'received', priority: 'stat', description: 'now' }
    const both = await put(task.id, meddled)
    expect(verdict(both)).toBe('422 element-not-changeable element-not-changeable')
    expect(JSON.stringify(both.body)).toMatch(/Task\.priority.*Task\.description|Task\.description.*Task\.priority/)
    const owner = { identifier: { system: 'https://daybind.example/reading-services', value: 'slate' } }
    expect(verdict(await put(task.id, { ...stored, owner }))).toBe('422 element-not-changeable')
    const first = await put(task.id, { ...stored, status: 'received' }, { 'if-match': 'W/"1"' })
    expect([first.status, first.headers.get('etag')]).toEqual([200, 'W/"2"'])
    const stale = await put(task.id, { ...stored, status: 'accepted' }, { 'if-match': 'W/"1"' })
    expect(verdict(stale)).toBe('412 version-conflict')
    expect(stale.text).toContain('"location":["http.If-Match"]')
    const again = { ...stored, status: 'received' }
    for (const ifMatch of ['*', 'W/"1", W/"2"', '"2"'])
      expect([ifMatch, (await put(task.id, again, { 'if-match': ifMatch })).status]).toEqual([ifMatch, 200])
    expect(verdict(await put(task.id, again, { 'if-match': '2' }))).toBe('400 wrong-parameter')
    expect(verdict(await put(task.id, again, { 'if-none-match': '*' }))).toBe('412 already-stored')
    expect(verdict(await put(task.id, { ...stored, status: 'accepted' }, {}, 'slate'))).toBe('404 not-known')
    expect(verdict(await put(task.id, { ...stored, status: 'accepted' }, {}, 'harbour-ehr'))).toBe('403 not-allowed')
    expect((await read<Task>(bay, `Task/${task.id}`)).status).toBe('received')
  })

  test('the same answer again is no new version', async () => {
    const { ordered, task } = await linked()
    await fates(ordered.order, 'sent')
    const stored = await read<Task>(bay, `Task/${task.id}`)
    const said = { ...stored, status: 'accepted', note: [{ text: 'Reader on shift.' }] }
    expect((await put(task.id, said)).headers.get('etag')).toBe('W/"2"')
    expect((await put(task.id, said)).headers.get('etag')).toBe('W/"2"')
  })
})

describe('a reading service in trouble', () => {
  const trouble: readonly (readonly [string, FaultKind, FaultOptions, { arrives: number; looks: boolean }])[] = [
    ['hangs', 'hang', { times: 1 }, { arrives: 1, looks: true }],
    ['stores it and drops the connection', 'drop-after-store', { times: 1 }, { arrives: 1, looks: true }],
    ['drops the connection before it stores it', 'drop-before-store', { times: 1 }, { arrives: 1, looks: true }],
    ['stores it and answers short of an entry', 'lost-entry', { times: 1 }, { arrives: 1, looks: true }],
    ['answers with a web page', 'html', { times: 1 }, { arrives: 1, looks: true }],
    ['has an error of its own', 'error-500', { times: 1 }, { arrives: 1, looks: true }],
    ['is behind a gateway that gave up', 'error-502', { times: 1 }, { arrives: 1, looks: true }],
    ['asks to come back later', 'error-429', { times: 1, retryAfter: '0' }, { arrives: 1, looks: false }],
    ['does not know our credentials for a while', 'error-401', { times: 2 }, { arrives: 1, looks: false }],
  ]

  test.each(trouble)('that %s has one version of it in the end', async (_what, kind, options, expected) => {
    await pebble.fault(kind, { writesOnly: true, ...options })
    const before = pebble.requests.length
    const { ordered, id, task } = await linked()
    await fates(ordered.order, 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(expected.arrives)
    expect(pebble.requests.slice(before).includes('GET /fhir/Task')).toBe(expected.looks)
    const held = heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id)
    expect(pebble.versions('DeviceUseStatement', held.id ?? '')).toHaveLength(1)
    const work = heldAt<Task>(pebble, 'Task', task.id)
    expect(pebble.versions('Task', work.id ?? '')).toHaveLength(1)
    expect(pebble.complaints).toEqual([])
  })

  test('that cannot be looked into either is looked into again, and nothing is sent meanwhile', async () => {
    await pebble.fault('drop-after-store', { times: 1, writesOnly: true })
    await pebble.fault('error-500', { times: 3 })
    const { ordered } = await linked()
    await fates(ordered.order, 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(1)
    expect((await deliveries(ordered.order))[0]?.attempts).toBe(5)
  })

  test('that does not say what it has has it parked, for a person to look and to send again', async () => {
    await pebble.fault('drop-after-store', { times: 1, writesOnly: true })
    await pebble.fault('error-404', { times: 1 })
    const { ordered, task } = await linked()
    await fates(ordered.order, 'parked')
    const [delivery] = await deliveries(ordered.order)
    expect(delivery?.reason).toMatch(/do not have it/)
    // it was there all along: who asks for it again has it looked for first
    expect((await ops('POST', `/deliveries/${delivery?.id}/replay`)).status).toBe(202)
    await fates(ordered.order, 'sent')
    expect((await deliveries(ordered.order))[0]?.reason).toMatch(/read back/)
    expect(arrived(pebble, ordered)).toHaveLength(1)
    const work = heldAt<Task>(pebble, 'Task', task.id)
    expect(pebble.versions('Task', work.id ?? '')).toHaveLength(1)
  })

  test('that lost it is sent it again by a replay, after a look', async () => {
    await pebble.fault('drop-before-store', { times: 1, writesOnly: true })
    await pebble.fault('error-404', { times: 1 })
    const { ordered } = await linked()
    await fates(ordered.order, 'parked')
    const seen = pebble.requests.length
    const [delivery] = await deliveries(ordered.order)
    expect((await ops('POST', `/deliveries/${delivery?.id}/replay`)).status).toBe(202)
    await fates(ordered.order, 'sent')
    expect(pebble.requests.slice(seen)).toEqual(['GET /fhir/Task', 'POST /fhir'])
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  test('that never lets us look is sent it again all the same when a person asks for it', async () => {
    await pebble.fault('drop-after-store', { times: 1, writesOnly: true })
    await pebble.fault('error-404', { times: 1 })
    const { ordered, id } = await linked()
    await fates(ordered.order, 'parked')
    await pebble.fault('error-404', { times: 1 })
    const [delivery] = await deliveries(ordered.order)
    expect((await ops('POST', `/deliveries/${delivery?.id}/replay`)).status).toBe(202)
    await fates(ordered.order, 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(2)
    const held = heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id)
    expect(pebble.versions('DeviceUseStatement', held.id ?? '')).toHaveLength(1)
  })

  test('that has it may answer for it though it is parked', async () => {
    await pebble.fault('drop-after-store', { times: 1, writesOnly: true })
    await pebble.fault('error-404', { times: 1 })
    const { ordered, task } = await linked()
    await fates(ordered.order, 'parked')
    expect((await answerAs('pebble', task.id, 'accepted')).status).toBe(200)
    await fates(ordered.order, 'taken')
  })

  test('that is down gets it when it is up again', async () => {
    await pebble.fault('down')
    const { ordered } = await linked()
    await expect.poll(async () => (await deliveries(ordered.order))[0]?.attempts).toBeGreaterThan(1)
    const [waiting] = await deliveries(ordered.order)
    expect(waiting).toMatchObject({ fate: 'queued', reason: expect.stringMatching(/No connection/) })
    expect(waiting?.nextAttempt).not.toBeNull()
    await pebble.clearFaults()
    await fates(ordered.order, 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  test('that says when to come back is not called before', async () => {
    await pebble.fault('error-503', { times: 1, retryAfter: '1' })
    const before = pebble.requests.length
    const { ordered } = await linked()
    await fates(ordered.order, 'sent')
    const [delivery] = await deliveries(ordered.order)
    const attempts = () =>
      service()
        .logLines()
        .filter((l) => l.msg === 'delivery attempted' && l.delivery === delivery?.id)
    await expect.poll(() => attempts().length).toBe(2)
    expect(attempts()[0]?.reason).toMatch(/come back later/)
    // by the log, since whoever looks now and then may see late that it was told to wait
    const [first = 0, second = 0] = attempts().map((l) => Number(l.time) - Number(l.ms))
    expect(second - first).toBeGreaterThan(990)
    expect(pebble.requests.length - before).toBe(2)
  })

  test('that refuses it for good has it parked, with a reason and without a word of the patient', async () => {
    await pebble.fault('error-422', { times: 1 })
    const { ordered } = await linked()
    await fates(ordered.order, 'parked')
    const answer = await ops('GET', '/deliveries?fate=parked&destination=pebble')
    const parked = (answer.body as unknown as { deliveries: Delivery[] }).deliveries
    expect(parked.map((d) => d.reason)).toEqual([expect.stringMatching(/422/)])
    for (const word of Object.values(ordered.person)) expect(answer.text).not.toContain(word)
    expect(service().logText()).not.toContain(ordered.person.family)
    const [delivery] = await deliveries(ordered.order)
    expect((await ops('POST', `/deliveries/${delivery?.id}/replay`)).status).toBe(202)
    await fates(ordered.order, 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  test('that answers too late for its age has it parked', async () => {
    await pebble.fault('down')
    const { ordered } = await linked()
    await inDatabase(
      service().database,
      `update deliveries set queued_at = queued_at - interval '2 hours' where order_id = $1`,
      [ordered.order],
    )
    await fates(ordered.order, 'parked')
    expect((await deliveries(ordered.order))[0]?.reason).toMatch(/Given up after 2 h/)
  })

  test('that asks to wait beyond the limit has it parked at once', async () => {
    await pebble.fault('error-503', { times: 1, retryAfter: '7200' })
    const { ordered } = await linked()
    await fates(ordered.order, 'parked')
    expect((await deliveries(ordered.order))[0]?.attempts).toBe(1)
  })

  test('that fails too often has it parked', async () => {
    await pebble.fault('error-401')
    const { ordered } = await linked()
    await inDatabase(service().database, 'update deliveries set attempts = 39 where order_id = $1', [ordered.order])
    await fates(ordered.order, 'parked')
    expect((await deliveries(ordered.order))[0]?.reason).toMatch(/Given up after 4\d attempts/)
  })

  test('to which Daybind cannot even make a call has it parked in the end, not tried for ever', async () => {
    const { ordered } = await linked([codeFor('blocked')])
    await expect.poll(async () => (await deliveries(ordered.order))[0]?.attempts).toBeGreaterThan(1)
    await inDatabase(service().database, 'update deliveries set attempts = 39 where order_id = $1', [ordered.order])
    await fates(ordered.order, 'parked')
  })

  test('that redirects gets nothing sent to the other place, least of all the token', async () => {
    const { ordered } = await linked([codeFor('redirecting')])
    await fates(ordered.order, 'parked')
    // asked what it can do, and sent the message
    expect(redirected.map((h) => h.authorization)).toEqual(Array(2).fill('Bearer token-at-redirecting'))
    expect(elsewhere).toEqual([])
  })

  test('does not hold up another one', async () => {
    await slate.fault('hang')
    const both = await Promise.all(Array.from({ length: 24 }, () => linked([ecgMonitoring, continuousEcg])))
    for (const { ordered } of both)
      await expect.poll(async () => (await deliveries(ordered.order, '&destination=pebble'))[0]?.fate).toBe('sent')
    const waiting = await Promise.all(both.map(({ ordered }) => deliveries(ordered.order, '&destination=slate')))
    expect(waiting.flat().filter((d) => d.fate === 'sent')).toEqual([])
    await slate.clearFaults()
    for (const { ordered } of both) await fates(ordered.order, 'sent', 'sent')
    for (const { ordered } of both) expect(arrived(slate, ordered)).toHaveLength(1)
    expect(slate.complaints).toEqual([])
  })
})

describe('a link, a return and a revocation of one order within milliseconds', () => {
  const rounds = 50

  /** What is stored of a gap, or told of it by an evening. */
  const gist = (g: DetectedIssue) =>
    [g.id, g.code?.coding?.[0]?.code, g.status, g.mitigation?.[0]?.action.coding?.[0]?.code ?? 'open'].join(' ')

  const evening = async (date: string): Promise<readonly DetectedIssue[]> => {
    const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
    const answer = await operate(bay, '$reconcile-day', { site, date })
    return ((JSON.parse(answer.text) as Bundle<FhirResource>).entry ?? []).flatMap(({ resource: r }) =>
      r?.resourceType === 'DetectedIssue' ? [r] : [],
    )
  }

  /** Held back by up to as long as a link takes here: then each of the three is first in some rounds. */
  const round = async (i: number, heldBackMs: number) => {
    const ordered = await sendOrder(ehr)
    const serial = newSerial()
    const [made, back, revoked] = await Promise.all([
      link(bay, ordered, { scan: label(serial), appliedAt: ago(3600) }),
      pause(((i % 4) / 3) * heldBackMs).then(() =>
        operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: ago(60) }),
      ),
      pause(((i % 5) / 4) * heldBackMs).then(() =>
        sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', status: 'revoked' }),
      ),
    ])
    expect([back.status, revoked.order], back.text).toEqual([200, ordered.order])
    // it was revoked before it could be linked
    if (made.status !== 200) expect(verdict(made)).toBe('422 order-not-linkable')
    return { ordered, serial, linked: made.status === 200 }
  }

  test('leave the reading service with what is stored, and the gaps of the day with what is true', async () => {
    const alone = await sendOrder(ehr)
    const began = performance.now()
    await link(bay, alone, { scan: label(newSerial()), appliedAt: ago(3600) })
    const heldBackMs = Math.max(16, performance.now() - began)
    const all = []
    for (let i = 0; i < rounds; i += 1) all.push(await round(i, heldBackMs))
    const linkedOnes = all.filter((r) => r.linked)
    expect(linkedOnes.length).toBeGreaterThan(rounds / 10)
    for (const { ordered } of linkedOnes) {
      await expect.poll(async () => (await deliveries(ordered.order)).at(-1)?.fate, { interval: 25 }).toBe('sent')
      const order = await read<ServiceRequest>(bay, `ServiceRequest/${ordered.order}`)
      const links = await found<DeviceUseStatement>(bay, `DeviceUseStatement?based-on=ServiceRequest/${ordered.order}`)
      const tasks = await found<Task>(bay, `Task?based-on=ServiceRequest/${ordered.order}`)
      expect(links.map((l) => l.status)).toEqual(['completed'])
      expect(heldAt<ServiceRequest>(pebble, 'ServiceRequest', ordered.order).status).toBe(order.status)
      for (const { id, status } of links)
        expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe(status)
      for (const { id, status } of tasks) expect(heldAt<Task>(pebble, 'Task', id).status).toBe(status)
      expect(order.status).toBe('revoked')
    }
    const days = [3600, 60].map((s) => ago(s).slice(0, 10))
    const told = (await Promise.all([...new Set(days)].map(evening))).flat()
    for (const { ordered, serial } of all) {
      const [device] = await inDatabase<{ id: string }>(
        service().database,
        'select id from devices where serial_number = $1',
        [serial],
      )
      const about = [`Device/${device?.id}`, `ServiceRequest/${ordered.order}`]
      const mine = (g: DetectedIssue) => g.implicated?.some((i) => about.includes(i.reference ?? ''))
      const stored = await found<DetectedIssue>(bay, `DetectedIssue?implicated=${about.join()}`)
      const now = told.filter(mine).map(gist)
      expect(stored.map(gist)).toEqual(expect.arrayContaining(now))
      // what was open for a moment, and the facts show no more, stays as mended
      const gone = stored.filter((g) => !now.includes(gist(g)))
      expect(gone.filter((g) => g.mitigation === undefined)).toEqual([])
      const worn = stored.filter((g) => g.code?.coding?.[0]?.code === 'revoked-while-worn')
      expect(worn.filter((g) => g.mitigation === undefined)).toEqual([])
    }
    expect(pebble.complaints).toEqual([])
  })
})

describe('the order of messages', () => {
  test('a newer one takes the place of older ones that were not sent', async () => {
    await ops('POST', '/destinations/pebble/pause')
    const { ordered, id } = await linked()
    await end(id)
    await fates(ordered.order, 'superseded', 'queued')
    await ops('POST', '/destinations/pebble/resume')
    await fates(ordered.order, 'superseded', 'sent')
    expect(arrived(pebble, ordered)).toHaveLength(1)
    expect(heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id).status).toBe('completed')
  })

  test('a newer one waits for an older one of which nobody knows whether it arrived', async () => {
    await pebble.fault('drop-before-store', { times: 1, writesOnly: true })
    await pebble.fault('error-500')
    const { ordered, id } = await linked()
    await expect.poll(async () => (await deliveries(ordered.order))[0]?.fate).toBe('unsure')
    await end(id)
    expect((await deliveries(ordered.order)).map((d) => d.fate)).toEqual(['unsure', 'queued'])
    await pebble.clearFaults()
    await fates(ordered.order, 'sent', 'sent')
    const statuses = arrived(pebble, ordered).map(
      ({ bundle }) =>
        bundle.entry?.flatMap((e) => (e.resource?.resourceType === 'DeviceUseStatement' ? [e.resource.status] : []))[0],
    )
    expect(statuses).toEqual(['active', 'completed'])
    expect(pebble.complaints).toEqual([])
  })

  test('one that a process left in the middle of an attempt is looked for before it is sent again', async () => {
    const { ordered } = await linked()
    await fates(ordered.order, 'sent')
    // as it is when the process was killed after the answer had come and before it was written down
    await inDatabase(
      service().database,
      `update deliveries set fate = 'queued', sent_at = null,
         next_attempt = clock_timestamp() - interval '31 s', leased_until = clock_timestamp() - interval '1 s'
       where order_id = $1`,
      [ordered.order],
    )
    await fates(ordered.order, 'sent')
    expect((await deliveries(ordered.order))[0]?.reason).toMatch(/read back/)
    expect(arrived(pebble, ordered)).toHaveLength(1)
  })

  test('an older one cannot be replayed over a newer one', async () => {
    const { ordered, id } = await linked()
    await fates(ordered.order, 'sent')
    await end(id)
    await fates(ordered.order, 'sent', 'sent')
    const [first, last] = await deliveries(ordered.order)
    expect((await ops('POST', `/deliveries/${first?.id}/replay`)).status).toBe(409)
    expect((await ops('POST', `/deliveries/${last?.id}/replay`)).status).toBe(202)
    await expect.poll(() => arrived(pebble, ordered).length).toBe(3)
    await fates(ordered.order, 'sent', 'sent')
    const held = heldAt<DeviceUseStatement>(pebble, 'DeviceUseStatement', id)
    expect(held.status).toBe('completed')
    expect(pebble.versions('DeviceUseStatement', held.id ?? '')).toHaveLength(2)
  })

  test('one that was superseded stays so', async () => {
    await ops('POST', '/destinations/pebble/pause')
    const { ordered, id } = await linked()
    await end(id)
    await ops('POST', '/destinations/pebble/resume')
    await fates(ordered.order, 'superseded', 'sent')
    const [first] = await deliveries(ordered.order)
    expect((await ops('POST', `/deliveries/${first?.id}/replay`)).status).toBe(409)
    await fates(ordered.order, 'superseded', 'sent')
  })
})

describe('the operator', () => {
  test('pauses one destination, and the other goes on', async () => {
    expect((await ops('POST', '/destinations/slate/pause')).body).toMatchObject({ destination: 'slate', paused: true })
    const { ordered } = await linked([ecgMonitoring, continuousEcg])
    await expect.poll(() => arrived(pebble, ordered).length).toBe(1)
    await pause(350)
    expect(arrived(slate, ordered)).toEqual([])
    expect((await deliveries(ordered.order, '&destination=slate'))[0]).toMatchObject({ fate: 'queued', attempts: 0 })
    expect((await ops('POST', '/destinations/slate/resume')).status).toBe(200)
    await fates(ordered.order, 'sent', 'sent')
  })

  const fatesThere = 'queued, sent, taken, refused, unsure, parked, superseded'
  test.each([
    ['fate=nonsense', 'fate', 'nonsense', fatesThere],
    ['fate=PARKED', 'fate', 'PARKED', fatesThere],
    ['fate=', 'fate', 'an empty string', fatesThere],
    ['fate=parked&fate=sent', 'fate', 'parked and sent', 'fate once'],
    ['destination=unknown', 'destination', 'unknown', 'pebble, slate, heron, redirecting, blocked'],
    ['order=4711', 'order', '4711', 'the id of an order'],
    ['count=abc', 'count', 'abc', 'a whole number above zero'],
    ['count=0', 'count', '0', 'a whole number above zero'],
    ['before=x', 'before', 'x', 'a whole number above zero'],
    ['foo=1', 'foo', 'foo', 'order, destination, fate, count, before, dry-run, _format, _pretty'],
  ])('is told what may stand in the list’s address: %s', async (query, name, found, expected) => {
    const { status, body } = await ops('GET', `/deliveries?${query}`)
    expect([status, body.issue.map((i) => [i.location, i.diagnostics])]).toEqual([
      400,
      [[[`http.${name}`], expect.stringContaining(`Found: ${found}. Expected: ${expected}.`)]],
    ])
  })

  test('still finds the messages to a destination that is configured no more', async () => {
    await inDatabase(
      service().database,
      `insert into deliveries (id, destination, order_id, body, request_id, fate, queued_at)
       values (gen_random_uuid(), 'of-old', gen_random_uuid(), '{}', 'x', 'parked', now())`,
    )
    const { body } = await ops('GET', '/deliveries?destination=of-old')
    expect((body as unknown as { deliveries: Delivery[] }).deliveries.map((d) => d.fate)).toEqual(['parked'])
  })

  test('alone may see, replay, pause and resume', async () => {
    for (const id of ['bay-3', 'harbour-ehr', 'pebble']) {
      expect((await service().as(id)('GET', '/deliveries')).status, id).toBe(403)
      expect((await service().as(id)('POST', '/deliveries/x/replay')).status, id).toBe(403)
      expect((await service().as(id)('POST', '/destinations/pebble/pause')).status, id).toBe(403)
      expect((await service().as(id)('POST', '/destinations/pebble/resume')).status, id).toBe(403)
    }
    expect((await ops('POST', '/deliveries/no-such-delivery/replay')).status).toBe(404)
    expect((await ops('POST', '/destinations/nowhere/pause')).status).toBe(404)
  })
})

/**
 * A backlog that is looked at once for each message found, or once a second, would take minutes; a minute leaves room
 * for a busy machine and none for that. All are copies of one message, each for an order of its own.
 */
test('a backlog of three hundred goes through without a pause', async () => {
  await ops('POST', '/destinations/pebble/pause')
  const { ordered } = await linked()
  await inDatabase(
    service().database,
    `insert into deliveries (id, destination, order_id, body, request_id, fate, next_attempt, queued_at)
     select gen_random_uuid(), destination, gen_random_uuid(), body, 'backlog', fate, next_attempt, queued_at
     from deliveries, generate_series(1, 300) where order_id = $1`,
    [ordered.order],
  )
  const sent = async () => {
    const [row] = await inDatabase<{ n: number }>(
      service().database,
      `select count(*)::int as n from deliveries where request_id = 'backlog' and fate = 'sent'`,
    )
    return row?.n
  }
  expect(await sent()).toBe(0)
  const before = pebble.received.length
  await ops('POST', '/destinations/pebble/resume')
  await expect.poll(sent).toBe(300)
  await fates(ordered.order, 'sent')
  expect(pebble.received.length - before).toBe(301)
  expect(pebble.complaints).toEqual([])
})
