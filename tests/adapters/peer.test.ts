import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http'
import type { AddressInfo, Socket } from 'node:net'
import { text } from 'node:stream/consumers'
import { setTimeout as pause } from 'node:timers/promises'
import { gzipSync } from 'node:zlib'
import fc from 'fast-check'
import type { Bundle, Device, Observation, Patient } from 'fhir/r4.js'
import { afterEach, describe, expect, test } from 'vitest'
import { parseExactly } from '../../src/adapters/fhir/door/exact-numbers.ts'
import { openPeer, type Peer, type PeerOptions } from '../../src/adapters/fhir/peer.ts'
import { missingWork, placesOf, statusWithCodes } from '../../src/adapters/fhir/peer-answer.ts'
import { httpDate, retryAfterMs } from '../../src/adapters/fhir/peer-fates.ts'
import { openLine } from '../../src/adapters/fhir/peer-line.ts'
import { merged } from '../../src/flow/forward-order/write-merge.ts'

type Handler = (request: IncomingMessage, response: ServerResponse) => void

interface Outside {
  base: string
  /** `METHOD path` of each request. */
  requests: string[]
  headers: IncomingMessage['headers'][]
  /** Connections that were open at once, at most. */
  mostSockets: number
  server: Server
}

const open: { close(): Promise<unknown> | unknown }[] = []
afterEach(async () => {
  await Promise.all(open.splice(0).map((item) => item.close()))
})

async function outside(handler: Handler): Promise<Outside> {
  const server = createServer((request, response) => {
    found.requests.push(`${request.method} ${request.url}`)
    found.headers.push(request.headers)
    handler(request, response)
  })
  const sockets = new Set<Socket>()
  server.on('connection', (socket) => {
    sockets.add(socket)
    found.mostSockets = Math.max(found.mostSockets, sockets.size)
    socket.on('close', () => sockets.delete(socket))
  })
  const found: Outside = { base: '', requests: [], headers: [], mostSockets: 0, server }
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  found.base = `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`
  open.push({
    close: () => {
      server.close()
      server.closeAllConnections()
    },
  })
  return found
}

function peerTo(base: string, options: Partial<PeerOptions> = {}): Peer {
  const peer = openPeer({ id: 'pebble', base, token: 'sesame-1234', ...options })
  open.push(peer)
  return peer
}

const json = (response: ServerResponse, status: number, body: unknown, headers: Record<string, string> = {}) =>
  response.writeHead(status, { 'Content-Type': 'application/fhir+json', ...headers }).end(JSON.stringify(body))

const order: Bundle = {
  resourceType: 'Bundle',
  type: 'transaction',
  entry: [
    {
      resource: { resourceType: 'Patient', name: [{ family: 'Quillfeather' }] } as Patient,
      request: { method: 'POST', url: 'Patient', ifNoneExist: 'identifier=urn%3Ax%7C1' },
    },
    { resource: { resourceType: 'Device' }, request: { method: 'PUT', url: 'Device?identifier=urn%3Ax%7C2' } },
  ],
}

const done: Bundle = {
  resourceType: 'Bundle',
  type: 'transaction-response',
  entry: [
    { response: { status: '201 Created', location: 'Patient/7/_history/1', etag: 'W/"1"' } },
    { response: { status: '200', location: 'https://pebble.example/fhir/Device/8/_history/3', etag: 'W/"3"' } },
  ],
}

const nothingFound: Bundle = { resourceType: 'Bundle', type: 'searchset', total: 0 }

/** What a careless server puts into an answer; none of it may appear in a reason. */
const careless = {
  resourceType: 'OperationOutcome',
  issue: [
    { severity: 'error', code: 'business-rule', diagnostics: 'Quillfeather, born 1961-04-05, has no such order' },
    { severity: 'error', code: 'Quillfeather' },
    { severity: 'warning', code: 'informational' },
  ],
}

describe('an answered call', () => {
  test('a confirmed transaction is answered, posted to the base itself, with token and request id', async () => {
    const there = await outside((_, response) => json(response, 200, done))
    const answer = await peerTo(`${there.base}/`).transaction(order, 'req-1')
    expect(answer).toEqual({ fate: 'answered', status: 200, body: done, date: expect.any(Number) })
    expect(there.requests).toEqual(['POST /fhir'])
    expect(there.headers[0]).toMatchObject({
      authorization: 'Bearer sesame-1234',
      'x-request-id': 'req-1',
      'content-type': 'application/fhir+json',
      accept: 'application/fhir+json',
    })
  })

  test('reads and searches ask past the cache, and hand on the ETag', async () => {
    const there = await outside((request, response) =>
      request.url?.startsWith('/fhir/Task/')
        ? json(response, 200, { resourceType: 'Task', id: 'a-1' }, { ETag: 'W/"4"' })
        : json(response, 200, nothingFound),
    )
    const peer = peerTo(there.base)
    expect(await peer.read('Task', 'a-1', 'req-2')).toMatchObject({
      fate: 'answered',
      etag: 'W/"4"',
      body: { id: 'a-1' },
    })
    expect(await peer.search('Task', { identifier: 'urn:x|1', _count: '2' }, 'req-3')).toMatchObject({
      fate: 'answered',
    })
    expect(there.requests).toEqual(['GET /fhir/Task/a-1', 'GET /fhir/Task?identifier=urn%3Ax%7C1&_count=2'])
    expect(there.headers.map((h) => h['cache-control'])).toEqual(['no-cache', 'no-cache'])
  })

  test('what is broken off has not been answered, and nothing is begun after it', async () => {
    const there = await outside(() => undefined)
    const peer = peerTo(there.base)
    const hanging = peer.transaction(order, 'req-1')
    await expect.poll(() => there.requests.length).toBe(1)
    peer.breakOff()
    expect(await hanging).toMatchObject({ fate: 'unsure', cause: 'no-answer' })
    expect(await peer.transaction(order, 'req-2')).toMatchObject({ fate: 'try-again', cause: 'not-sent' })
    expect(there.requests).toHaveLength(1)
  })

  test('a number goes out as it was written', async () => {
    const bodies: string[] = []
    const there = await outside(async (request, response) => {
      bodies.push(await text(request))
      json(response, 200, request.url === '/fhir' ? done : { resourceType: 'Observation', id: '8' })
    })
    const peer = peerTo(there.base)
    const observation = parseExactly('{"resourceType":"Observation","valueQuantity":{"value":1.50}}') as Observation
    await peer.write({ method: 'PUT', url: 'Observation/8', resource: observation }, 'r')
    await peer.transaction({ resourceType: 'Bundle', type: 'transaction', entry: [{ resource: observation }] }, 'r')
    expect(bodies.map((body) => body.includes('"value":1.50'))).toEqual([true, true])
  })

  test('a number that is read, merged and put back is as they wrote it', async () => {
    const bodies: string[] = []
    const device =
      '{"resourceType":"Device","id":"8","property":[{"type":{"text":"mass"},"valueQuantity":[{"value":1.50}]}]}'
    const there = await outside(async (request, response) => {
      bodies.push(await text(request))
      response.writeHead(200, { 'content-type': 'application/fhir+json' }).end(device)
    })
    const peer = peerTo(there.base)
    const read = await peer.read('Device', '8', 'r')
    if (read.fate !== 'answered') throw new Error(read.fate)
    const after = merged(read.body, { resourceType: 'Device', serialNumber: 'TH0001' }, { to: 'source' })
    await peer.write({ method: 'PUT', url: 'Device/8', resource: after as Device }, 'r')
    expect(bodies.at(-1)).toContain('"value":1.50')
    expect(bodies.at(-1)).toContain('TH0001')
  })

  test('metadata is what the server says of itself, and nothing else', async () => {
    const there = await outside((request, response) =>
      json(response, 200, {
        resourceType: request.headers['x-request-id'] === 'one' ? 'CapabilityStatement' : 'Patient',
      }),
    )
    const peer = peerTo(there.base)
    expect(await peer.metadata('one')).toMatchObject({
      fate: 'answered',
      body: { resourceType: 'CapabilityStatement' },
    })
    expect(await peer.metadata('two')).toMatchObject({ fate: 'try-again', cause: 'unexpected-answer' })
    expect(there.requests).toEqual(['GET /fhir/metadata', 'GET /fhir/metadata'])
  })

  const device = { resourceType: 'Device' as const, id: '8' }

  // where a server tells the id and version: http://hl7.org/fhir/R4/http.html#create and #update
  test.each([
    [201, { location: 'Device/8/_history/3' }, undefined, { id: '8', version: '3' }],
    [
      201,
      { location: 'https://x.example/fhir/Device/8/_history/3', etag: 'W/"4"' },
      undefined,
      { id: '8', version: '4' },
    ],
    [200, { etag: 'W/"2"' }, { resourceType: 'Device', id: '9' }, { id: '9', version: '2' }],
    [200, {}, { resourceType: 'Device', id: '9', meta: { versionId: '5' } }, { id: '9', version: '5' }],
    [201, { location: 'Patient/7' }, { resourceType: 'OperationOutcome', issue: [] }, undefined],
    [201, {}, undefined, undefined],
  ] as const)('a create is answered by where it is: %s %o %o', async (status, headers, body, place) => {
    const there = await outside((_, response) =>
      body ? json(response, status, body, { ...headers }) : response.writeHead(status, { ...headers }).end(),
    )
    const answer = await peerTo(there.base).write(
      { method: 'POST', url: 'Device', resource: device, ifNoneExist: 'identifier=a%7Cb' },
      'req-1',
    )
    expect(answer).toMatchObject({ fate: 'answered', body: { created: status === 201 } })
    const told = answer.fate === 'answered' ? answer.body.place : undefined
    if (place) expect(told).toMatchObject({ type: 'Device', ...place })
    else expect(told).toBeUndefined()
    expect(there.headers[0]).toMatchObject({ 'if-none-exist': 'identifier=a%7Cb', prefer: 'return=representation' })
  })

  test('an update goes to its id with the version that was read, and without an answer its place is its address', async () => {
    const there = await outside((_, response) => response.writeHead(204).end())
    const answer = await peerTo(there.base).write(
      { method: 'PUT', url: 'Device/8', resource: device, ifMatch: 'W/"3"' },
      'req-1',
    )
    expect(answer).toMatchObject({ fate: 'answered', body: { place: { type: 'Device', id: '8' }, created: false } })
    expect(there.requests).toEqual(['PUT /fhir/Device/8'])
    expect(there.headers[0]?.['if-match']).toBe('W/"3"')
  })

  test.each(['Device/..', 'Device/../../x', '../x', 'Device/8/9', 'device', 'https://x.example/Device'])(
    'nothing is written to %s',
    async (url) => {
      const there = await outside((_, response) => json(response, 200, device))
      expect(await peerTo(there.base).write({ method: 'PUT', url, resource: device }, 'r')).toMatchObject({
        cause: 'elsewhere',
      })
      expect(there.requests).toEqual([])
    },
  )

  test.each([
    ['another resource', { resourceType: 'Patient' }],
    ['an error beside its success', careless],
  ])('a write that is answered by %s is unsure', async (_name, body) => {
    const there = await outside((_, response) => json(response, 200, body))
    const answer = await peerTo(there.base).write({ method: 'PUT', url: 'Device/8', resource: device }, 'r')
    expect(answer).toMatchObject({ fate: 'unsure', cause: 'unexpected-answer' })
  })

  test('nothing of the request, its token least of all, hangs on the body', async () => {
    const there = await outside((_, response) => json(response, 200, done))
    const answer = await peerTo(there.base).transaction(order, 'req-1')
    expect(answer.fate === 'answered' && Object.getOwnPropertyNames(answer.body).sort()).toEqual([
      'entry',
      'resourceType',
      'type',
    ])
  })
})

describe('a status outside 2xx', () => {
  test.for([
    // status, fate of a write, fate of a read, cause of a write
    [301, 'final', 'final', 'redirected'],
    [400, 'final', 'final', 'refused'],
    [401, 'try-again', 'try-again', 'credentials'],
    [403, 'try-again', 'try-again', 'credentials'],
    [404, 'final', 'final', 'refused'],
    [405, 'final', 'final', 'refused'],
    [408, 'unsure', 'try-again', 'trouble'],
    [409, 'try-again', 'try-again', 'conflict'],
    [410, 'final', 'final', 'refused'],
    [412, 'try-again', 'try-again', 'conflict'],
    [413, 'final', 'final', 'refused'],
    [415, 'final', 'final', 'refused'],
    [422, 'final', 'final', 'refused'],
    [429, 'try-again', 'try-again', 'later'],
    [500, 'unsure', 'try-again', 'trouble'],
    [501, 'final', 'final', 'refused'],
    [502, 'unsure', 'try-again', 'trouble'],
    [503, 'unsure', 'try-again', 'trouble'],
    [504, 'unsure', 'try-again', 'trouble'],
  ] as const)('%i: a write is %s, a read is %s (%s)', async ([status, write, read, cause]) => {
    const there = await outside((_, response) => json(response, status, careless))
    const peer = peerTo(there.base)
    const [wrote, looked] = [await peer.transaction(order, 'r'), await peer.read('Task', '1', 'r')]
    expect(wrote).toMatchObject({ fate: write, cause, status })
    expect(looked).toMatchObject({ fate: read, status })
    expect(JSON.stringify([wrote, looked])).not.toMatch(/Quillfeather|1961|sesame|identifier=/)
  })

  test('503 with Retry-After is deliberate: a write may be tried again', async () => {
    const there = await outside((_, response) => json(response, 503, careless, { 'Retry-After': '7' }))
    expect(await peerTo(there.base).transaction(order, 'r')).toMatchObject({ fate: 'try-again', retryAfterMs: 7_000 })
  })

  test.for([404, 410])('a read that answers %i says that it is absent', async (status) => {
    const there = await outside((_, response) => json(response, status, careless))
    expect(await peerTo(there.base).read('Task', '1', 'r')).toMatchObject({ fate: 'final', cause: 'absent', status })
  })

  test('an error that is a web page has a fate like any other', async () => {
    const there = await outside((_, response) => response.writeHead(502).end('<h1>Bad gateway for Quillfeather</h1>'))
    const answer = await peerTo(there.base).transaction(order, 'r')
    expect(answer).toMatchObject({ fate: 'unsure', cause: 'trouble', status: 502 })
    expect(JSON.stringify(answer)).not.toContain('Quillfeather')
  })

  test('a reason carries issue codes of the FHIR list and no other words', () => {
    expect(statusWithCodes(422, careless)).toBe('422: business-rule')
    expect(statusWithCodes(400, 'plain text')).toBe('400')
  })
})

describe('Retry-After', () => {
  const headers = (retry: string, date?: string) =>
    new Headers({ 'Retry-After': retry, ...(date ? { Date: date } : {}) })
  const now = Date.UTC(2026, 5, 1, 12)

  // The three forms of one instant: RFC 9110, section 5.6.7; its value in seconds by `date -u -d`: 784111777.
  test.for(['Sun, 06 Nov 1994 08:49:37 GMT', 'Sunday, 06-Nov-94 08:49:37 GMT', 'Sun Nov  6 08:49:37 1994'])(
    'reads the date %s',
    (text) => {
      expect(httpDate(text)).toBe(784_111_777_000)
    },
  )

  test.for([
    ['120', undefined, 120_000],
    [' 0 ', undefined, 0],
    ['Mon, 01 Jun 2026 12:00:30 GMT', undefined, 30_000],
    // their clock is an hour ahead of ours: only the distance counts
    ['Mon, 01 Jun 2026 13:00:30 GMT', 'Mon, 01 Jun 2026 13:00:00 GMT', 30_000],
    ['Mon, 01 Jun 2026 11:00:00 GMT', undefined, 0],
    ['-5', undefined, undefined],
    ['1.5', undefined, undefined],
    ['soon', undefined, undefined],
    ['2026-06-01T12:00:30Z', undefined, undefined],
    ['99999999999', undefined, undefined],
  ] as const)('%s (their date %s) is a wait of %s ms', ([retry, date, wait]) => {
    expect(retryAfterMs(headers(retry, date), now)).toBe(wait)
  })

  test('no text at all makes a wait that is negative or not a number', () => {
    fc.assert(
      fc.property(fc.string({ unit: fc.constantFrom(...'0123456789 -:,GMTSunov') }), (text) => {
        const wait = retryAfterMs(headers(text), now)
        expect(wait === undefined || wait >= 0).toBe(true)
      }),
    )
  })
})

describe('a call without an answer', () => {
  test('a refused connection: they have certainly not received it', async () => {
    const there = await outside((_, response) => json(response, 200, done))
    there.server.close()
    const answer = await peerTo(there.base).transaction(order, 'r')
    expect(answer).toMatchObject({ fate: 'try-again', cause: 'not-reached' })
    expect(answer.fate !== 'answered' && answer.reason).toContain('ECONNREFUSED')
  })

  test('a name that does not resolve: they have certainly not received it', async () => {
    const answer = await peerTo('http://nowhere.invalid/fhir').transaction(order, 'r')
    expect(answer).toMatchObject({ fate: 'try-again' })
  })

  test('silence until the deadline: a write is unsure, a read may be tried again', async () => {
    const there = await outside(() => {})
    const peer = peerTo(there.base, { deadlineMs: 1_500 })
    const began = performance.now()
    expect(await peer.transaction(order, 'r')).toMatchObject({ fate: 'unsure', cause: 'no-answer' })
    expect(await peer.read('Task', '1', 'r')).toMatchObject({ fate: 'try-again', cause: 'no-answer' })
    expect(performance.now() - began).toBeLessThan(60_000)
    expect(there.requests).toHaveLength(2)
  })

  test('an answer that trickles byte by byte does not outlive the deadline', async () => {
    const there = await outside((_, response) => {
      response.writeHead(200, { 'Content-Type': 'application/fhir+json' })
      const text = JSON.stringify(done)
      let sent = 0
      const timer = setInterval(() => response.write(text[sent++ % text.length] ?? ' '), 20)
      response.on('close', () => clearInterval(timer))
    })
    const began = performance.now()
    const answer = await peerTo(there.base, { deadlineMs: 1_500 }).transaction(order, 'r')
    expect(answer).toMatchObject({ fate: 'unsure', cause: 'no-answer', status: 200 })
    expect(performance.now() - began).toBeLessThan(60_000)
  })

  test.for([
    ['before any answer', (_: IncomingMessage, response: ServerResponse) => response.socket?.resetAndDestroy()],
    [
      'in the middle of the answer',
      (_: IncomingMessage, response: ServerResponse) => {
        response.writeHead(200, { 'Content-Length': '500' }).write('{"resourceType":')
        setTimeout(() => response.socket?.resetAndDestroy(), 30)
      },
    ],
  ] as const)('a connection that is reset %s: unsure for a write', async ([, cut]) => {
    const there = await outside((request, response) => {
      request.resume().on('end', () => cut(request, response))
    })
    const peer = peerTo(there.base)
    expect(await peer.transaction(order, 'r')).toMatchObject({ fate: 'unsure', cause: 'cut-off' })
    expect(await peer.search('Task', {}, 'r')).toMatchObject({ fate: 'try-again', cause: 'cut-off' })
    expect(there.requests).toHaveLength(2)
  })

  test('a bug of ours is thrown, without the words of the error beneath', async () => {
    const there = await outside((_, response) => json(response, 200, done))
    await expect(peerTo(there.base).transaction(order, 'two\nlines')).rejects.toThrow(
      /^A call to the outside could not be/,
    )
    expect(there.requests).toEqual([])
  })
})

describe('success that is none', () => {
  test.for([
    ['a web page', '<!doctype html><p>Please sign in'],
    ['nothing', ''],
    ['a JSON string', '"done"'],
    ['null', 'null'],
    ['a list', '[]'],
    ['an object that is no resource', '{"ok":true}'],
    ['an OperationOutcome', JSON.stringify(careless)],
    ['a searchset', JSON.stringify(nothingFound)],
    ['half an answer', '{"resourceType":"Bundle","type":"transaction-resp'],
  ] as const)('200 with %s: a write is unsure, a read may be tried again', async ([, body]) => {
    const there = await outside((request, response) =>
      response
        .writeHead(200)
        .end(request.method === 'GET' && body.includes('searchset') ? '{"resourceType":"Task"}' : body),
    )
    const peer = peerTo(there.base)
    expect(await peer.transaction(order, 'r')).toMatchObject({
      fate: 'unsure',
      cause: 'unexpected-answer',
      status: 200,
    })
    expect(await peer.search('Task', {}, 'r')).toMatchObject({ fate: 'try-again', cause: 'unexpected-answer' })
  })

  test('a read that brings another resource than was asked for is not believed', async () => {
    const there = await outside((_, response) => json(response, 200, { resourceType: 'Task', id: 'other' }))
    expect(await peerTo(there.base).read('Task', '1', 'r')).toMatchObject({
      fate: 'try-again',
      cause: 'unexpected-answer',
    })
  })

  const [first, second] = done.entry ?? []
  test.for([
    ['as many entries, in order', done.entry, undefined],
    ['one entry fewer', [first], '1 entries for 2'],
    ['one entry more', [first, second, second], '3 entries for 2'],
    ['the order turned round', [second, first], 'entry 0: another type than was sent'],
    ['a refused entry', [first, { response: { status: '422 Unprocessable' } }], 'entry 1: status 422'],
    ['an entry without status', [first, {}], 'entry 1: status missing'],
    [
      'an error beside a 200',
      [first, { response: { status: '200', outcome: careless } }],
      'entry 1: an error beside its status',
    ],
    ['no locations', [{ response: { status: '201' } }, { response: { status: '200 OK' } }], undefined],
  ] as const)('a transaction-response with %s', async ([, entry, missing]) => {
    const body = { ...done, entry }
    const there = await outside((_, response) => json(response, 200, body))
    const answer = await peerTo(there.base).transaction(order, 'r')
    if (missing === undefined) expect(answer.fate).toBe('answered')
    else
      expect(answer).toMatchObject({ fate: 'unsure', cause: 'work-missing', reason: expect.stringContaining(missing) })
  })

  test('no answer whatever makes the reading of it fail', () => {
    const key = fc.constantFrom(
      'resourceType',
      'issue',
      'severity',
      'entry',
      'response',
      'status',
      'outcome',
      'location',
    )
    const { tree } = fc.letrec((tie) => ({
      tree: fc.oneof(
        { maxDepth: 5 },
        fc.constantFrom('OperationOutcome', 'error', '201 Created', 'Device/1', null, 7),
        fc.array(tie('tree'), { maxLength: 3 }),
        fc.dictionary(key, tie('tree')),
      ),
    }))
    fc.assert(
      fc.property(tree, (answer) => {
        expect(statusWithCodes(400, answer)).toMatch(/^400/)
        expect(typeof missingWork(order, { ...done, entry: answer } as Bundle)).toBe('string')
      }),
    )
  })

  test('a searchset with broken links is not followed', async () => {
    const there = await outside((_, response) => json(response, 200, { ...nothingFound, link: [null] }))
    expect(await peerTo(there.base).search('Task', {}, 'r')).toMatchObject({ cause: 'unexpected-answer' })
  })

  test('two entries that came back as one resource were not both done', () => {
    const devices = { ...order, entry: [order.entry?.[1], order.entry?.[1]] } as Bundle
    expect(missingWork(devices, { ...done, entry: [second, second] } as Bundle)).toContain('one resource')
  })

  test('a PUT to an id that came back under another id was not done', () => {
    const sent: Bundle = {
      ...order,
      entry: [{ resource: { resourceType: 'Device' }, request: { method: 'PUT', url: 'Device/9' } }],
    }
    expect(missingWork(sent, { ...done, entry: [second] } as Bundle)).toContain('another id')
  })

  test('places name type, id, version and ETag of each entry', () => {
    expect(placesOf(done)).toEqual([
      { type: 'Patient', id: '7', version: '1', etag: 'W/"1"' },
      { type: 'Device', id: '8', version: '3', etag: 'W/"3"' },
    ])
    expect(placesOf({ ...done, entry: [{ response: { status: '200' } }] })).toEqual([undefined])
  })
})

describe('no token goes elsewhere', () => {
  test.for([301, 302, 303, 307, 308])('a %i to another origin is not followed', async (status) => {
    const elsewhere = await outside((_, response) => json(response, 200, done))
    const there = await outside((_, response) => response.writeHead(status, { Location: elsewhere.base }).end())
    const peer = peerTo(there.base)
    expect(await peer.transaction(order, 'r')).toMatchObject({ fate: 'final', cause: 'redirected', status })
    expect(await peer.search('Task', {}, 'r')).toMatchObject({ fate: 'final', cause: 'redirected', status })
    expect(elsewhere.requests).toEqual([])
  })

  test('a next link is followed below the base only', async () => {
    const elsewhere = await outside((_, response) => json(response, 200, nothingFound))
    const there = await outside((_, response) => json(response, 200, nothingFound))
    const peer = peerTo(there.base)
    const to = (url: string): Bundle => ({ ...nothingFound, link: [{ relation: 'next', url }] })
    const beside = there.base.replace('/fhir', '/fhir-of-others?page=2')
    for (const url of [`${elsewhere.base}?page=2`, beside, 'ftp://x/', 'http://[', `${there.base}/../admin`])
      expect(await peer.nextPage(to(url), 'r')).toMatchObject({ fate: 'final', cause: 'elsewhere' })
    expect([...elsewhere.requests, ...there.requests]).toEqual([])
    expect(await peer.nextPage(to(`${there.base}?page=2`), 'r')).toMatchObject({ fate: 'answered' })
    expect(await peer.nextPage(to('Task?page=3'), 'r')).toMatchObject({ fate: 'answered' })
    expect(there.requests).toEqual(['GET /fhir?page=2', 'GET /fhir/Task?page=3'])
    expect(peer.nextPage(nothingFound, 'r')).toBeUndefined()
  })

  test('an id that would lead to another address is not asked for', async () => {
    const there = await outside((_, response) => json(response, 200, nothingFound))
    expect(await peerTo(there.base).read('Task', '../../admin?x=1', 'r')).toMatchObject({
      fate: 'final',
      cause: 'elsewhere',
    })
    expect(there.requests).toEqual([])
  })

  test('the line itself carries nothing to another origin', async () => {
    const elsewhere = await outside((_, response) => json(response, 200, done))
    const there = await outside((_, response) => json(response, 200, done))
    const line = openLine({ origin: new URL(there.base).origin, connections: 1, deadlineMs: 10_000, maxBytes: 1_000 })
    open.push(line)
    const { wire, seen } = line.watched(() => {})
    await expect(fetch(elsewhere.base, wire)).rejects.toThrow()
    expect(seen).toMatchObject({ sent: false, stopped: 'elsewhere' })
    expect(elsewhere.requests).toEqual([])
  })
})

describe('a large answer', () => {
  const large = JSON.stringify({ ...done, note: 'x'.repeat(20_000) })
  test.for([
    ['announced', (response: ServerResponse) => response.writeHead(200, { 'Content-Length': '20000' }).write('{')],
    ['in pieces', (response: ServerResponse) => response.writeHead(200).end(large)],
  ] as const)('is broken off when it is %s', async ([, answer]) => {
    const there = await outside((_, response) => answer(response))
    const closed: Promise<unknown>[] = []
    there.server.on('connection', (socket) => closed.push(new Promise((resolve) => socket.on('close', resolve))))
    const began = performance.now()
    const peer = peerTo(there.base, { maxBytes: 10_000, deadlineMs: 120_000 })
    expect(await peer.transaction(order, 'r')).toMatchObject({ fate: 'unsure', cause: 'too-large', status: 200 })
    expect(await peer.search('Task', {}, 'r')).toMatchObject({ fate: 'final', cause: 'too-large' })
    await Promise.all(closed)
    expect(there.requests).toHaveLength(2)
    expect(performance.now() - began).toBeLessThan(60_000)
  })

  test('is not hidden by compression: none is asked for and none is taken', async () => {
    const there = await outside((_, response) =>
      response.writeHead(200, { 'Content-Encoding': 'gzip' }).end(gzipSync(JSON.stringify(done))),
    )
    expect(await peerTo(there.base).transaction(order, 'r')).toMatchObject({
      fate: 'unsure',
      cause: 'unexpected-answer',
    })
    expect(there.headers[0]?.['accept-encoding']).toBe('identity')
  })

  test('just below the limit is taken', async () => {
    const there = await outside((_, response) => response.writeHead(200).end(large))
    expect(await peerTo(there.base, { maxBytes: large.length }).transaction(order, 'r')).toMatchObject({
      fate: 'answered',
    })
  })
})

describe('connections', () => {
  test('sixteen calls at once share four connections and are all answered', async () => {
    const there = await outside((_, response) => setTimeout(() => json(response, 200, done), 10))
    const peer = peerTo(there.base, { connections: 4 })
    const answers = await Promise.all(Array.from({ length: 16 }, (_, n) => peer.transaction(order, `r-${n}`)))
    expect(answers.map(({ fate }) => fate)).toEqual(Array(16).fill('answered'))
    expect(there.mostSockets).toBe(4)
    expect(new Set(there.headers.map((h) => h['x-request-id'])).size).toBe(16)
  })

  test('a call that found no free connection before its deadline was not sent', async () => {
    const there = await outside(() => {})
    const peer = peerTo(there.base, { connections: 1, deadlineMs: 1_500 })
    const [first, second] = await Promise.all([peer.transaction(order, 'r-1'), peer.transaction(order, 'r-2')])
    expect(first).toMatchObject({ fate: 'unsure', cause: 'no-answer' })
    expect(second).toMatchObject({ fate: 'try-again', cause: 'not-sent' })
    expect(there.requests).toHaveLength(1)
  })

  test('a connection that they closed while it was idle is replaced', async () => {
    const there = await outside((_, response) => json(response, 200, done))
    const peer = peerTo(there.base, { connections: 1 })
    expect((await peer.transaction(order, 'r')).fate).toBe('answered')
    there.server.closeIdleConnections()
    await pause(200)
    expect((await peer.transaction(order, 'r')).fate).toBe('answered')
    expect(there.requests).toHaveLength(2)
  })

  test('a kept connection that breaks under the next call: unsure, and nothing is resent unasked', async () => {
    const there = await outside((_, response) =>
      there.requests.length === 1 ? json(response, 200, done) : response.socket?.destroy(),
    )
    const peer = peerTo(there.base, { connections: 1 })
    expect((await peer.transaction(order, 'r-1')).fate).toBe('answered')
    expect(await peer.transaction(order, 'r-2')).toMatchObject({ fate: 'unsure', cause: 'cut-off' })
    await pause(50)
    expect(there.requests).toHaveLength(2)
  })

  test('closing waits for what is under way; a later call is not sent', async () => {
    const there = await outside((_, response) => setTimeout(() => json(response, 200, done), 80))
    const peer = openPeer({ id: 'pebble', base: there.base })
    const running = peer.transaction(order, 'r')
    await pause(30)
    await peer.close()
    expect((await running).fate).toBe('answered')
    expect(await peer.transaction(order, 'r')).toMatchObject({ fate: 'try-again', cause: 'not-reached' })
    expect(there.requests).toHaveLength(1)
  })

  test('a base that is no http address is refused at the start', () => {
    expect(() => openPeer({ id: 'pebble', base: 'file:///etc' })).toThrow('pebble')
  })
})
