import { execFile } from 'node:child_process'
import { createServer } from 'node:http'
import { text } from 'node:stream/consumers'
import type { Bundle, CapabilityStatement, FhirResource, OperationOutcome } from 'fhir/r4.js'
import { afterEach, describe, expect, test } from 'vitest'
import { doorOf } from '../../src/testkit/door.ts'
import { inventedOrders } from '../../src/testkit/invented-orders.ts'
import { type SourceCounterpart, type SourceOptions, startSource } from '../../src/testkit/source.ts'

const closers: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const close of closers.splice(0)) await close()
})

const opened = async (options: SourceOptions = {}, orders = 5): Promise<SourceCounterpart> => {
  const there = await startSource(options)
  closers.push(there.stop)
  for (const resource of inventedOrders(7, orders, new Date('2027-03-01T09:00:00Z'))) there.add(resource)
  return there
}

const call = async <T = FhirResource>(
  there: SourceCounterpart,
  method: string,
  path: string,
  body?: object,
  headers: Record<string, string> = {},
) => {
  const address = path.startsWith('http') ? path : `${there.base}/${path}`
  const sent = { 'content-type': 'application/fhir+json', 'x-request-id': 'r-1', ...headers }
  const response = await fetch(address, { method, headers: sent, ...(body && { body: JSON.stringify(body) }) })
  const said = await response.text()
  return {
    status: response.status,
    headers: response.headers,
    said,
    body: (said.startsWith('{') ? JSON.parse(said) : undefined) as T,
  }
}

const ours = 'https://daybind.example/devices'
const device = (value: string, over: object = {}) => ({
  resourceType: 'Device',
  identifier: [{ system: ours, value }],
  serialNumber: value,
  ...over,
})
const criterion = (value: string) => `identifier=${encodeURIComponent(`${ours}|${value}`)}`

describe('a source reads and searches as R4 says', () => {
  test('a page has its total, its orders with their patients, and the next one, unmoved by what comes meanwhile', async () => {
    const there = await opened()
    const first = await call<Bundle>(
      there,
      'GET',
      'ServiceRequest?_sort=_lastUpdated&_count=2&_include=ServiceRequest:subject',
    )
    // http://hl7.org/fhir/R4/bundle.html#searchset: the total counts matches, not what is included
    expect(first.body.total).toBe(5)
    expect(first.body.entry?.map((e) => e.search?.mode)).toEqual(['match', 'match', 'include', 'include'])
    there.add({ ...(there.resources('ServiceRequest')[0] as object), status: 'revoked' } as FhirResource)
    const seen = first.body.entry?.map((e) => e.resource?.id) ?? []
    for (let next = first.body.link?.find((l) => l.relation === 'next')?.url; next; ) {
      const page = await call<Bundle>(there, 'GET', next)
      seen.push(...(page.body.entry?.map((e) => e.resource?.id) ?? []))
      next = page.body.link?.find((l) => l.relation === 'next')?.url
    }
    expect(new Set(seen).size).toBe(10)
    expect(seen).toHaveLength(10)
  })

  test('by the moment of the last update, and an order that was committed late is found by the earlier one only', async () => {
    const there = await opened({ clock: () => new Date('2027-03-01T12:00:00Z') }, 1)
    there.add({ ...inventedOrders(7, 2, new Date())[3] } as FhirResource, '2027-03-01T11:59:00.000Z')
    const found = async (query: string) => (await call<Bundle>(there, 'GET', `ServiceRequest?${query}`)).body.total
    expect(await found('_lastUpdated=ge2027-03-01T12:00:00Z')).toBe(1)
    expect(await found('_lastUpdated=gt2027-03-01T12:00:00Z')).toBe(0)
    expect(await found('_lastUpdated=ge2027-03-01T11:59:00Z')).toBe(2)
    expect((await call(there, 'GET', 'ServiceRequest?colour=blue')).status).toBe(400)
  })
})

// http://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #upsert, #concurrency
describe('a source writes as R4 says', () => {
  test('If-None-Exist: none 201, one 200 and nothing done, several 412', async () => {
    const there = await opened()
    const create = (body: object, value: string) =>
      call(there, 'POST', 'Device', body, { 'if-none-exist': criterion(value) })
    const made = await create(device('a'), 'a')
    expect([made.status, made.headers.get('etag')]).toEqual([201, 'W/"1"'])
    expect(made.headers.get('location')).toBe(`${there.base}/Device/${made.body.id}/_history/1`)
    expect((await create(device('a', { lotNumber: 'other' }), 'a')).status).toBe(200)
    expect(there.versions('Device', made.body.id ?? '')).toHaveLength(1)
    await create(device('b', { identifier: [...device('a').identifier, ...device('b').identifier] }), 'b')
    expect((await create(device('a'), 'a')).status).toBe(412)
  })

  test('a conditional update makes, then changes; another id than the one found is 400', async () => {
    const there = await opened()
    const put = (body: object) => call(there, 'PUT', `Device?${criterion('a')}`, body)
    expect((await put(device('a'))).status).toBe(201)
    const changed = await put(device('a', { lotNumber: 'x' }))
    expect([changed.status, changed.headers.get('etag')]).toEqual([200, 'W/"2"'])
    expect((await put(device('a', { id: 'guessed' }))).status).toBe(400)
    expect((await call(there, 'GET', `Device/${changed.body.id}/_history/1`)).body).not.toHaveProperty('lotNumber')
  })

  test('an id that the client chose is 405, a stale If-Match 412, or 409 as some servers have it', async () => {
    const there = await opened()
    expect((await call(there, 'PUT', 'Device/mine', device('a', { id: 'mine' }))).status).toBe(405)
    expect(there.complaints).toContainEqual(expect.stringContaining('its id was guessed'))
    const { body } = await call(there, 'POST', 'Device', device('b'), { 'if-none-exist': criterion('b') })
    const stale = () => call(there, 'PUT', `Device/${body.id}`, device('b', { id: body.id }), { 'if-match': 'W/"9"' })
    expect((await stale()).status).toBe(412)
    await there.fault('stale-409', { times: 1 })
    expect((await stale()).status).toBe(409)
  })

  test('a transaction is all or nothing, and its refusal one OperationOutcome', async () => {
    const there = await opened()
    const entry = (value: string, over = {}) => ({
      resource: device(value, over),
      request: { method: 'PUT', url: `Device?${criterion(value)}` },
    })
    const bundle = (...entries: object[]) => ({ resourceType: 'Bundle', type: 'transaction', entry: entries })
    const bad = await call<OperationOutcome>(
      there,
      'POST',
      '',
      bundle(entry('a'), entry('b', { patient: { reference: 'Patient/nobody' } })),
    )
    expect([bad.status, bad.body.resourceType]).toEqual([400, 'OperationOutcome'])
    expect(there.resources('Device')).toEqual([])
    const good = await call<Bundle>(
      there,
      'POST',
      '',
      bundle(entry('a'), entry('b', { patient: { reference: 'Patient/p-7-0001' } })),
    )
    expect(good.body.entry?.map((e) => e.response?.status)).toEqual(['201 Created', '201 Created'])
  })
})

describe('a source complains', () => {
  test.each([
    ['of an order that is written', 'PUT', 'ServiceRequest/o-7-0001', 403, 'an order is written by the source alone'],
    ['of a patient that is overwritten', 'PUT', 'Patient/p-7-0001', 403, 'a patient of the source is overwritten'],
  ])('%s, and keeps its own', async (_what, method, path, status, says) => {
    const there = await opened()
    const [type = '', id = ''] = path.split('/')
    const held = there.versions(type, id)[0] as FhirResource
    const answer = await call(there, method, path, { ...held, language: 'nl' })
    expect(answer.status).toBe(status)
    expect(there.complaints).toContainEqual(expect.stringContaining(says))
    expect(there.versions(type, id)).toHaveLength(1)
  })

  test('of what carries no identifier, would be made twice, points elsewhere, or comes without our request id', async () => {
    const there = await opened()
    const lost = { resourceType: 'Device', patient: { reference: 'https://other.example/fhir/Patient/1' } }
    await fetch(`${there.base}/Device`, {
      method: 'POST',
      headers: { 'content-type': 'application/fhir+json' },
      body: JSON.stringify(lost),
    })
    for (const says of ['carries no identifier', 'created again', 'another server', 'without X-Request-Id'])
      expect(there.complaints).toContainEqual(expect.stringContaining(says))
    const broken = there.checked().flatMap(({ rule, broken: b }) => (b.length > 0 ? [rule] : []))
    expect(broken).toEqual(['request-id-sent', 'identified', 'sent-twice', 'own-references'])
  })

  test('of nothing in what is as agreed', async () => {
    const there = await opened()
    await call(
      there,
      'PUT',
      `Device?${criterion('a')}`,
      device('a', { patient: { reference: `${there.base}/Patient/p-7-0001` } }),
    )
    expect(there.complaints).toEqual([])
    expect(there.resources('Device')).toMatchObject([{ patient: { reference: 'Patient/p-7-0001' } }])
  })
})

// http://hl7.org/fhir/R4/subscription.html#rest-hook
test('a Subscription is active at once, and tells of what meets its criteria by PUT with its header', async () => {
  const heard: string[] = []
  const hook = createServer((request, response) => {
    void text(request).then((body) => {
      heard.push(`${request.method} ${request.url} ${request.headers.authorization} ${JSON.parse(body).status}`)
      response.end()
    })
  })
  const door = doorOf(hook, 0)
  await door.open()
  closers.push(door.close)
  const there = await opened()
  const endpoint = door.base().replace('/fhir', '/hooks/harbour-ehr')
  const channel = { type: 'rest-hook', endpoint, payload: 'application/fhir+json', header: ['Authorization: Bearer t'] }
  const asked = {
    resourceType: 'Subscription',
    status: 'requested',
    reason: 'orders',
    criteria: 'ServiceRequest?status=active,revoked',
    channel,
  }
  const made = await call(there, 'POST', 'Subscription', asked)
  expect(made).toMatchObject({ status: 201, body: { status: 'active' } })
  const order = there.versions('ServiceRequest', 'o-7-0001')[0] as FhirResource
  there.add({ ...order, status: 'revoked' } as FhirResource)
  await there.settled()
  expect(heard).toEqual(['PUT /hooks/harbour-ehr/ServiceRequest/o-7-0001 Bearer t revoked'])
  await there.fault('silent', { times: 1 })
  there.add({ ...order, status: 'active' } as FhirResource)
  await there.settled()
  expect(heard).toHaveLength(1)
  await door.close()
  there.add({ ...order, status: 'revoked', priority: 'stat' } as FhirResource)
  await there.settled()
  expect(there.resources('Subscription')).toMatchObject([{ status: 'error' }])
  await door.open()
})

test('faults show once each, and then all is well', async () => {
  const there = await opened()
  const search = () => call<Bundle>(there, 'GET', 'ServiceRequest?_count=2')
  const next = (page: Bundle) => page.link?.find((l) => l.relation === 'next')?.url ?? ''
  const once = async <T>(kind: Parameters<typeof there.fault>[0], look: () => Promise<T>, options = {}) => {
    await there.fault(kind, { times: 1, ...options })
    return look()
  }
  expect((await once('outcome-200', search)).body).toMatchObject({ resourceType: 'OperationOutcome' })
  expect((await once('not-modified', search)).status).toBe(304)
  expect((await once('html', search)).headers.get('content-type')).toBe('text/html')
  expect((await once('xml', search)).headers.get('content-type')).toBe('application/fhir+xml')
  expect((await once('error-503', search, { retryAfter: '3' })).headers.get('retry-after')).toBe('3')
  const skewed = Date.parse((await once('clock-skew', search, { seconds: 600 })).headers.get('date') ?? '')
  expect(Math.round((skewed - Date.now()) / 60_000)).toBe(10)
  expect(new URL(next((await once('foreign-next', search)).body)).host).toBe('elsewhere.example')
  expect((await once('wrong-total', search)).body.total).toBe(6)
  expect((await once('foreign-resource', search)).body.entry?.[0]?.resource?.resourceType).toBe('Basic')
  expect((await once('huge', search, { megabytes: 1 })).said.length).toBeGreaterThan(1_000_000)
  const metadata = () => call<CapabilityStatement>(there, 'GET', 'metadata')
  expect((await once('r5', metadata)).body.fhirVersion).toBe('5.0.0')
  await expect(once('drop-before-store', search)).rejects.toThrow()
  await there.fault('endless')
  let page = (await search()).body
  for (let turns = 0; turns < 6; turns += 1) page = (await call<Bundle>(there, 'GET', next(page))).body
  expect(next(page)).not.toBe('')
  await there.clearFaults()
  expect((await search()).body.total).toBe(5)
})

/** Runs `fake` until the lines were obeyed, by standard input, and ends it as Ctrl-C does. */
const obeyed = (kind: string, lines: readonly string[], meanwhile: (base: string) => Promise<void> = async () => {}) =>
  new Promise<{ status: number; told: Record<string, unknown>[] }>((resolve) => {
    let out = ''
    let begun = false
    const child = execFile(process.execPath, ['src/start.mjs', 'fake', kind, '--json'], (error, all) =>
      resolve({
        status: error ? (typeof error.code === 'number' ? error.code : -1) : 0,
        told: all
          .trim()
          .split('\n')
          .map((line) => JSON.parse(line)),
      }),
    )
    child.stdout?.on('data', async (piece: string) => {
      out += piece
      if (!begun && out.includes('\n')) {
        begun = true
        await meanwhile((JSON.parse(out.split('\n')[0] ?? '') as { base: string }).base)
        child.stdin?.write(`${lines.join('\n')}\nno-such-command\n`)
      }
      if (!child.killed && out.includes('no-such-command')) child.kill('SIGINT')
    })
  })

describe('as a command', () => {
  test.each([
    ['source', '/Device', 1],
    ['reading-service', '', 1],
  ])(
    'fake %s is controlled by HTTP and ends with its complaints',
    async (kind, path, status) => {
      const seen: unknown[] = []
      const ended = await obeyed(kind, [], async (base) => {
        const headers = { 'content-type': 'application/fhir+json' }
        const at = base.replace(/fhir$/, 'control')
        const say = async (body: string, more: Record<string, string> = {}) => {
          const answer = await fetch(at, { method: 'POST', body, headers: more })
          return [answer.status, (await answer.text()).trim()] as const
        }
        seen.push(await say('fault error-503 times=1'))
        seen.push((await fetch(`${base}${path}`, { method: 'POST', headers, body: '{}' })).status)
        await fetch(`${base}${path}`, { method: 'POST', headers, body: '{"resourceType":"Device"}' })
        seen.push((await say('clear', { origin: 'https://x.example' }))[0])
        seen.push((await say('fault nonsense'))[0], (await say('x'.repeat(20_000)))[0])
        seen.push(JSON.parse((await say('complaints'))[1]).length > 0)
        seen.push(await (await fetch(at)).text())
      })
      expect(seen).toEqual([[200, 'done'], 503, 403, 400, 413, true, expect.stringMatching(/^fault KIND /m)])
      expect(ended.status).toBe(status)
      expect(ended.told.at(-1)).toMatchObject({ complaints: expect.arrayContaining([expect.any(String)]) })
    },
    30_000,
  )

  test('fake source does what it is told on standard input, and says what is wrong with a command', async () => {
    const { told, status } = await obeyed('source', [
      'order late=60',
      'revise O1-0001 priority=urgent',
      'revise o-1-0001 "note=not before noon"',
      'revoke O1-0002',
      'merge p-1-0001 H1-0002',
      'visit O1-0003 booked at=2027-03-04T09:00:00Z',
      'visit O1-0003 done "recorder=(01)09520123456788(21)TH0001"',
      'orders',
      'visit O1-0003 perhaps',
      'visit O1-0003 booked recorder=x',
      'visit O1-0003 booked at=noon',
      'revoke O9-9999',
      'merge p-1-0001',
      'merge p-1-0001 p-1-0001',
      'order early=1',
      'fault down',
      'fault slow times=many',
      'clear now',
      'check',
    ])
    const shown = told.flatMap((t) => ('shown' in t ? [t.shown] : []))
    expect(shown).toMatchObject([
      { resourceType: 'ServiceRequest', id: 'o-1-0011' },
      { id: 'o-1-0001', priority: 'urgent', meta: { versionId: '2' } },
      { id: 'o-1-0001', note: [{ text: 'not before noon' }], priority: 'urgent', meta: { versionId: '3' } },
      { id: 'o-1-0002', status: 'revoked' },
      [
        { id: 'p-1-0001', active: false, link: [{ type: 'replaced-by', other: { reference: 'Patient/p-1-0002' } }] },
        { id: 'p-1-0002', link: [{ type: 'replaces', other: { reference: 'Patient/p-1-0001' } }] },
      ],
      { resourceType: 'Appointment', status: 'booked', start: '2027-03-04T09:00:00Z', end: '2027-03-04T09:30:00Z' },
      {
        resourceType: 'Procedure',
        status: 'completed',
        contained: [{ udiCarrier: [{ carrierHRF: '(01)09520123456788(21)TH0001' }] }],
      },
      expect.stringMatching(/^o-1-0001 active, O1-0001, of p-1-0001\no-1-0002 revoked/),
      '0 rules looked at, 0 broken',
    ])
    expect(told.flatMap((t) => ('problem' in t ? [t.problem] : []))).toEqual([
      'A visit is booked, cancelled, done; found perhaps.',
      'A recorder is named of a visit that is done.',
      'at must be a moment such as 2027-03-01T09:00:00Z.',
      expect.stringMatching(/^There is no order O9-9999 here. There are: o-1-0001, /),
      'merge lacks a word. It is: merge PATIENT SURVIVOR',
      'A patient is not merged into itself.',
      'order has no setting early. It is: order [late=SECONDS]',
      expect.stringMatching(/^There is no fault down. There are: slow, hang, /),
      'times must be a whole number.',
      'clear has a word too many: now. It is: clear',
      expect.stringMatching(/^There is no command "no-such-command". There are: orders, order, revise, .*, help.$/),
    ])
    expect(status).toBe(0)
  }, 30_000)

  test('fake reading-service answers on its own server where it knows no Daybind, and then sends no reports', async () => {
    const named = (system: string, value: string) => ({
      identifier: [{ system: `https://daybind.example/${system}`, value }],
    })
    const url = (type: string, system: string, value: string) =>
      `${type}?identifier=${encodeURIComponent(`https://daybind.example/${system}|${value}`)}`
    const sent = {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        {
          resource: { resourceType: 'ServiceRequest', status: 'active', intent: 'order', ...named('orders', 'n-1') },
          request: { method: 'PUT', url: url('ServiceRequest', 'orders', 'n-1') },
        },
        {
          resource: { resourceType: 'Task', status: 'requested', intent: 'order', ...named('tasks', 't-1') },
          request: { method: 'PUT', url: url('Task', 'tasks', 't-1') },
        },
      ],
    }
    const lines = ['accept t-1 "reason=room on Friday"', 'orders', 'accept t-9', 'report sketch', 'report final n-9']
    const { told, status } = await obeyed('reading-service', [...lines, 'report final'], async (base) => {
      const headers = { 'content-type': 'application/fhir+json', 'x-request-id': 'r-1' }
      await fetch(base, { method: 'POST', headers, body: JSON.stringify(sent) })
    })
    expect(told.flatMap((t) => ('shown' in t ? [t.shown] : []))).toMatchObject([
      { resourceType: 'Task', status: 'accepted', statusReason: { text: 'room on Friday' }, meta: { versionId: '2' } },
      '1001 active, n-1',
    ])
    expect(told.flatMap((t) => ('problem' in t ? [t.problem] : [])).slice(0, -1)).toEqual([
      'There is no Task t-9 here. There are: 1002.',
      'A report is one of preliminary, final, amended.',
      'There is no order n-9 here. There are: 1001.',
      'Reports need an address: --reports-to URL.',
    ])
    expect(told.at(-1)).toMatchObject({ arrivals: 1, checked: expect.any(Array) })
    expect(status).toBe(0)
  }, 30_000)

  test('fake says what it takes', async () => {
    const status = await new Promise((resolve) =>
      execFile(process.execPath, ['src/start.mjs', 'fake', 'nobody'], (error) => resolve(error?.code)),
    )
    expect(status).toBe(2)
  })
})
