/** What is no HTTP, or HTTP that two readers could read in two ways: byte for byte, told to the letter. */
import { beforeAll, describe, expect, it } from 'vitest'
import { anOrder, aPatient } from '../support/messages.ts'
import { openRaw, type RawAnswer, sendRaw } from '../support/raw-connection.ts'
import { outcome, type Told, useRowCounts } from '../support/refusals.ts'
import { tokenOf, useTestService } from '../support/service.ts'

const service = useTestService()
const counts = useRowCounts(() => service().database)
const ehr: ReturnType<typeof service>['call'] = (...asked) => service().as('harbour-ehr')(...asked)

let order = ''
beforeAll(async () => {
  const { body } = await ehr<{ id: string }>('POST', '/fhir/Patient', { body: aPatient('HTTP') })
  order = JSON.stringify(anOrder('HTTP', `Patient/${body.id}`))
})

const auth = `Authorization: Bearer ${tokenOf('harbour-ehr')}\r\n`
const close = 'Connection: close\r\n'
const length = (bytes: number) => `Content-Length: ${bytes}\r\n`

const get = (target: string, headers = '', version = 'HTTP/1.1') =>
  `GET ${target} ${version}\r\nHost: 127.0.0.1\r\n${auth}${close}${headers}\r\n`
const post = (headers: string, body: string, connection = close) =>
  `POST /fhir/ServiceRequest HTTP/1.1\r\nHost: 127.0.0.1\r\n${auth}${connection}Content-Type: application/fhir+json\r\n${headers}\r\n${body}`

const requestId = /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/

/** What every refusal carries, whatever was sent: an id of ours, and nothing of what came. */
const checkHeaders = ({ headers }: RawAnswer) => {
  expect(headers).toMatchObject({
    'content-type': 'application/fhir+json; charset=utf-8',
    'cache-control': 'no-store',
    'x-content-type-options': 'nosniff',
    connection: 'close',
  })
  expect(headers['x-request-id']).toMatch(requestId)
}

const http = (note?: string, location?: string): Told => ({
  code: 'malformed-request',
  ...(note !== undefined && { says: note }),
  ...(location !== undefined && { location }),
})
const characters = http('A header holds a character that is not allowed there.')
const lineEnd = http('A line does not end with CR and LF.')
const address = http(
  'The address holds a character that must be percent-encoded, or begins with none of /, http: and *.',
)
const chunkedAlone = http('Transfer-Encoding must be chunked alone, and not come with Content-Length.')
const noNumber = http('Content-Length is no whole number, or is given with Transfer-Encoding.')
const version: Told = { code: 'http-version-not-taken', says: 'Expected: HTTP/1.1.' }
const tooLong: Told = { code: 'headers-too-large', says: 'Expected: at most 16384 bytes.' }
const encoding = 'The percent-encoding of the address is broken.'
const transferCoding = (found: string): Told => ({
  code: 'transfer-coding-not-taken',
  location: 'http.Transfer-Encoding',
  says: `Found: ${found}. Expected: chunked.`,
})

describe('what cannot be read as a request', () => {
  it.each<[string, () => string, number, Told]>([
    ['no HTTP', () => 'hello\r\n\r\n', 400, http('It begins with no method that HTTP knows.')],
    // a ClientHello begins so. Source: RFC 8446, section 5.1
    [
      'TLS',
      () => '\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03',
      400,
      http('It looks like TLS, and this port speaks plain HTTP.'),
    ],
    [
      'a method that nobody knows',
      () => get('/fhir/Patient').replace('GET', 'BREW'),
      400,
      http('It begins with no method that HTTP knows.'),
    ],
    ['HTTP/2 without TLS', () => 'PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n', 505, version],
    ['HTTP/2.0 by name', () => get('/fhir/Patient', '', 'HTTP/2.0'), 505, version],
    ['HTTP/3.7', () => get('/fhir/Patient', '', 'HTTP/3.7'), 505, version],
    ['no Host', () => `GET /fhir/Patient HTTP/1.1\r\n${auth}\r\n`, 400, http('Host is missing.', 'http.Host')],
    [
      'two Hosts',
      () => get('/fhir/Patient', 'Host: elsewhere.example\r\n'),
      400,
      http('Host is given more than once.', 'http.Host'),
    ],
    ['a NUL in the address', () => get('/fhir/Pat\0ient'), 400, address],
    ['a byte beyond ASCII in the address', () => get('/fhir/Patient?family=\xff'), 400, address],
    ['a backslash for a slash', () => get('\\fhir'), 400, address],
    [
      'a blank in the address',
      () => get('/fhir/Patient?family=a b'),
      400,
      http('After method and address comes something else than HTTP/1.1: an address holds no space.'),
    ],
    ['broken percent-encoding in the path', () => get('/fhir/Patient/%zz'), 400, http(encoding)],
    ['broken percent-encoding in the query', () => get('/fhir/Patient?family=%zz'), 400, http(encoding, 'http.query')],
    ['percent-encoding that is no UTF-8', () => get('/fhir/Patient?family=%ff'), 400, http(encoding, 'http.query')],
    ['an address of 20,000 bytes', () => get(`/fhir/Patient?family=${'a'.repeat(20_000)}`), 431, tooLong],
    ['a header of 20,000 bytes', () => get('/fhir/Patient', `X-A: ${'a'.repeat(20_000)}\r\n`), 431, tooLong],
    [
      '3,000 headers',
      () => get('/fhir/Patient', Array.from({ length: 3000 }, (_, i) => `x${i}: 1\r\n`).join('')),
      431,
      tooLong,
    ],
    ['a blank in the name of a header', () => get('/fhir/Patient', 'X A: 1\r\n'), 400, characters],
    ['a header that goes on in the next line', () => get('/fhir/Patient', 'X-A: 1\r\n 2\r\n'), 400, characters],
    [
      'Content-Length with Transfer-Encoding',
      () => post(`${length(6)}Transfer-Encoding: chunked\r\n`, '0\r\n\r\nG'),
      400,
      chunkedAlone,
    ],
    [
      'Transfer-Encoding with Content-Length',
      () => post(`Transfer-Encoding: chunked\r\n${length(6)}`, '0\r\n\r\nG'),
      400,
      noNumber,
    ],
    [
      'two Transfer-Encodings',
      () => post('Transfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n', '0\r\n\r\n'),
      400,
      chunkedAlone,
    ],
    ['chunked before gzip', () => post('Transfer-Encoding: chunked, gzip\r\n', '0\r\n\r\n'), 400, chunkedAlone],
    [
      'gzip before chunked',
      () => post('Transfer-Encoding: gzip, chunked\r\n', '0\r\n\r\n'),
      501,
      transferCoding('gzip, chunked'),
    ],
    [
      'a transfer coding of no standard',
      () => post('Transfer-Encoding: xchunked\r\n', '0\r\n\r\n'),
      501,
      transferCoding('xchunked'),
    ],
    [
      'two Content-Lengths',
      () => post(`${length(6)}${length(7)}`, '{}'),
      400,
      http('Content-Length is given twice, or with Transfer-Encoding.'),
    ],
    ['a negative Content-Length', () => post('Content-Length: -1\r\n', '{}'), 400, noNumber],
    ['a Content-Length with a sign', () => post('Content-Length: +2\r\n', '{}'), 400, noNumber],
    ['a Content-Length beyond all numbers', () => post(`Content-Length: ${'9'.repeat(30)}\r\n`, '{}'), 400, noNumber],
    [
      'a chunk without its size',
      () => post('Transfer-Encoding: chunked\r\n', 'zz\r\n{}\r\n0\r\n\r\n'),
      400,
      http('A chunk of the body does not begin with its size.'),
    ],
    [
      'CONNECT, as to a proxy',
      () => 'CONNECT elsewhere.example:80 HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n',
      405,
      { code: 'method-not-taken', says: 'Found: CONNECT. Expected: a method that FHIR knows: this is no proxy.' },
    ],
    [
      'Expect for something else',
      () => post(`Expect: 200-maybe\r\n${length(2)}`, '{}'),
      417,
      { code: 'expectation-not-met', location: 'http.Expect', says: 'Expected: 100-continue.' },
    ],
  ])('%s', async (_, bytes, status, told) => {
    const before = await counts()
    const answers = (await sendRaw(service().url, bytes())).answers()
    expect(answers).toHaveLength(1)
    const [answer] = answers as [RawAnswer]
    expect([answer.status, JSON.parse(answer.body)]).toEqual([status, outcome(told)])
    checkHeaders(answer)
    expect(await counts()).toEqual(before)
  })
})

describe('headers are not injected', () => {
  const odd = 'a\r\nSet-Cookie: planted=1'
  it.each<[string, string, Told]>([
    ['a CR', 'X-Request-Id: a\rSet-Cookie: planted=1\r\n', lineEnd],
    ['an LF', 'X-Request-Id: a\nSet-Cookie: planted=1\r\n', lineEnd],
    ['a NUL', 'X-Request-Id: a\0planted\r\n', characters],
    ['an escape for terminals', 'X-Request-Id: \x1b[31mplanted\r\n', characters],
  ])('by %s', async (_, header, told) => {
    const connection = await sendRaw(service().url, get('/fhir/Patient', header))
    const [answer] = connection.answers() as [RawAnswer]
    expect([answer.status, JSON.parse(answer.body)]).toEqual([400, outcome(told)])
    checkHeaders(answer)
    expect(connection.received()).not.toContain('planted')
  })

  it.each([
    ['X-Request-Id beyond ASCII', 'X-Request-Id: plant\xe9d\r\n'],
    ['X-Request-Id at length', `X-Request-Id: ${'planted'.repeat(20)}\r\n`],
    ['two of X-Request-Id', 'X-Request-Id: planted-1\r\nX-Request-Id: planted-2\r\n'],
    [
      'Origin and forwarding headers',
      'Origin: http://planted.example\r\nX-Forwarded-Host: planted.example\r\nForwarded: host=planted.example\r\n',
    ],
  ])('%s is not given back', async (_, header) => {
    const connection = await sendRaw(service().url, get('/fhir/Patient?_count=0', header))
    expect(connection.answers()[0]?.status).toBe(200)
    expect(connection.answers()[0]?.headers['x-request-id']).toMatch(requestId)
    expect(connection.received()).not.toMatch(/plant/)
  })

  // R4 gives a caller's own id back there. Source: http://hl7.org/fhir/R4/http.html#custom
  it('a request id of visible signs that is none of ours comes back as X-Correlation-Id, and nowhere else', async () => {
    const own = 'order/7{"a":1}'
    const [answer] = (await sendRaw(service().url, get('/fhir/Patient', `X-Request-Id: ${own}\r\n`))).answers()
    const holding = Object.entries(answer?.headers ?? {}).filter(([, value]) => value.includes(own))
    expect([answer?.headers['x-request-id'], holding]).toEqual([
      expect.stringMatching(requestId),
      [['x-correlation-id', own]],
    ])
  })

  it('of the address and its Host nothing stands in a link', async () => {
    const target = 'http://planted.example/fhir/Patient?_count=0'
    const connection = await sendRaw(service().url, get(target).replace('Host: 127.0.0.1', 'Host: planted.example'))
    expect(connection.answers()[0]?.status).toBe(200)
    expect(connection.received()).not.toContain('planted')
  })

  it.each([
    ['a query', `/fhir/Patient?family=${encodeURIComponent(odd)}`, 200],
    ['an id', `/fhir/Patient/${encodeURIComponent(odd)}`, 404],
    ['a day', `/reports/day/tern-harbour/${encodeURIComponent(odd)}.json`, 403],
  ])('%s with a line end in it makes no header', async (_, target, status) => {
    const [answer] = (await sendRaw(service().url, get(target))).answers() as [RawAnswer]
    expect([answer.status, answer.headers['set-cookie']]).toEqual([status, undefined])
  })

  it.each(['If-Match', 'If-None-Exist', 'Prefer', 'Accept'])(
    '%s in odd bytes is told as text, in the body alone',
    async (name) => {
      const connection = await sendRaw(service().url, post(`${name}: \xe9\xff"planted\r\n${length(2)}`, '{}'))
      const [answer] = connection.answers() as [RawAnswer]
      expect(answer.status).toBeGreaterThanOrEqual(400)
      expect(answer.status).toBeLessThan(500)
      expect(JSON.stringify(answer.headers)).not.toContain('planted')
      expect(JSON.parse(answer.body).resourceType).toBe('OperationOutcome')
    },
  )
})

describe('a body and what is said of its length', () => {
  const whole = (answers: readonly RawAnswer[]) => answers.map((a) => [a.status, JSON.parse(a.body)])

  it('longer than said: what was said is read, the rest is no request', async () => {
    const connection = await sendRaw(service().url, post(length(order.length - 5), order, ''))
    const place = `Line 1, column ${order.length - 4}`
    const cut: Told = {
      code: 'malformed-json',
      location: place,
      says: `${place}. Found: the end of the text. Expected: the closing quote of a string.`,
    }
    expect(whole(connection.answers())).toEqual([[400, outcome(cut)]])
  })

  it('what came whole before broken bytes is answered as it deserves, and once', async () => {
    const connection = await sendRaw(service().url, `${post(length(order.length), order, '')}planted\r\n\r\n`)
    expect(connection.answers().map((a) => a.status)).toEqual([201])
    const found = await ehr<{ entry?: unknown[] }>('GET', '/fhir/ServiceRequest?identifier=HTTP')
    expect(found.body.entry).toHaveLength(1)
  })

  it('three requests at once, and then broken bytes: three answers', async () => {
    const ask = get('/fhir/Patient?_count=0').replace(close, '')
    const connection = await sendRaw(service().url, `${ask}${ask}${ask}planted\r\n\r\n`)
    expect(connection.answers().map((a) => a.status)).toEqual([200, 200, 200])
  })

  it('that ends before it is complete is told, and not kept', async () => {
    const before = await counts()
    const connection = openRaw(service().url)
    connection.socket.end(post(length(order.length), order.slice(0, 100)))
    await connection.closed
    expect(whole(connection.answers())).toEqual([[400, outcome(http('It ended before it was complete.'))]])
    expect(await counts()).toEqual(before)
  })

  it('in chunks beyond the limit', async () => {
    const before = await counts()
    const large = `${(2_000_000).toString(16)}\r\n${' '.repeat(2_000_000)}\r\n0\r\n\r\n`
    const connection = await sendRaw(service().url, post('Transfer-Encoding: chunked\r\n', large))
    expect(whole(connection.answers())).toEqual([
      [413, outcome({ code: 'body-too-large', says: 'Expected: at most 1048576 bytes.' })],
    ])
    expect(await counts()).toEqual(before)
  })

  it('in chunks, with an extension that nobody needs', async () => {
    const chunks = `5;planted=1\r\n${order.slice(0, 5)}\r\n${(order.length - 5).toString(16)}\r\n${order.slice(5)}\r\n0\r\n\r\n`
    const connection = await sendRaw(service().url, post('Transfer-Encoding: chunked\r\n', chunks))
    expect(connection.answers().map((a) => a.status)).toEqual([200])
  })
})

describe('addresses and methods', () => {
  const notKnown: Told = { code: 'not-known' }
  const allow = (found: string, allowed: string): Told => ({
    code: 'method-not-taken',
    says: `Found: ${found}. Expected: ${allowed}, OPTIONS.`,
  })

  const unknown = (found: string, known = ''): Told => ({
    code: 'not-known',
    says: `Found: ${found}.${known === '' ? '' : ` Expected: ${known}.`}`,
  })
  const some = '01900000-0000-7000-8000-000000000001'
  const onOrder = '$link-device, $record-not-applied, $validate'

  it.each<[string, string, number, Told, string?]>([
    ['GET', '/nowhere', 404, notKnown],
    ['GET', '/fhir/Nothing/1', 404, unknown('Nothing')],
    ['GET', '/fhir/Nothing', 404, unknown('Nothing')],
    ['POST', '/fhir/Nothing', 404, unknown('Nothing')],
    ['POST', '/fhir/Nothing/$validate', 404, unknown('Nothing')],
    ['POST', '/fhir/Nothing/_search', 404, unknown('Nothing')],
    ['OPTIONS', '/fhir/nope', 404, unknown('nope')],
    ['PATCH', `/fhir/Medication/${some}`, 404, unknown('Medication')],
    ['GET', '/fhir/Patient/%00', 404, notKnown],
    ['GET', `/fhir/Patient/${'a'.repeat(500)}`, 404, notKnown],
    ['GET', '/fhir/../healthz', 404, unknown('..')],
    ['GET', '//elsewhere.example/fhir/metadata', 404, notKnown],
    ['GET', '/fhir/Patient;a=b', 404, unknown('Patient;a=b')],
    ['GET', '/FHIR/Patient', 404, notKnown],
    ['GET', '/fhir/Patient/_history', 404, unknown('_history')],
    ['POST', '/fhir/_search', 404, unknown('_search')],
    ['POST', '/fhir/$validate', 404, unknown('$validate', '$reconcile-day')],
    ['OPTIONS', '/fhir/$nothing', 404, unknown('$nothing', '$reconcile-day')],
    ['POST', '/fhir/ServiceRequest/$foo', 404, unknown('$foo', '$link-device, $validate')],
    ['GET', '/fhir/ServiceRequest/$foo', 404, unknown('$foo', '$link-device, $validate')],
    ['POST', '/fhir/ServiceRequest/%24link-device', 404, unknown('%24link-device', '$link-device, $validate')],
    ['POST', `/fhir/ServiceRequest/${some}/$lnk`, 404, unknown('$lnk', onOrder)],
    ['POST', '/fhir/ServiceRequest/x/$nothing', 404, unknown('$nothing', onOrder)],
    ['POST', '/fhir/ServiceRequest/$foo/$link-device', 404, unknown('$link-device')],
    ['PUT', '/fhir/ServiceRequest/not-an-id', 404, notKnown],
    ['PUT', '/fhir/ServiceRequest/$foo', 404, unknown('$foo', '$link-device, $validate')],
    ['PATCH', '/fhir/ServiceRequest', 405, allow('PATCH', 'POST, PUT, GET, HEAD'), 'POST, PUT, GET, HEAD'],
    ['DELETE', '/fhir/ServiceRequest/x', 405, allow('DELETE', 'PUT, GET, HEAD'), 'PUT, GET, HEAD'],
    ['TRACE', '/fhir/ServiceRequest', 405, allow('TRACE', 'POST, PUT, GET, HEAD'), 'POST, PUT, GET, HEAD'],
    ['MKCOL', '/fhir/ServiceRequest', 405, allow('MKCOL', 'POST, PUT, GET, HEAD'), 'POST, PUT, GET, HEAD'],
    ['POST', '/fhir/Device', 405, allow('POST', 'GET, HEAD'), 'GET, HEAD'],
    ['POST', '/fhir/metadata', 405, allow('POST', 'GET, HEAD'), 'GET, HEAD'],
    ['GET', '/fhir', 405, allow('GET', 'POST'), 'POST'],
    ['GET', '/fhir/ServiceRequest/_search', 405, allow('GET', 'POST'), 'POST'],
    ['PUT', '/fhir/ServiceRequest/_search', 405, allow('PUT', 'POST'), 'POST'],
    ['GET', '/fhir/Patient/$validate', 405, allow('GET', 'POST'), 'POST'],
    ['DELETE', `/fhir/Patient/${some}/$validate?mode=x`, 405, allow('DELETE', 'POST'), 'POST'],
  ])('%s %s', async (method, path, status, told, allowed) => {
    const bytes = get(path, length(0)).replace('GET', method)
    const [answer] = (await sendRaw(service().url, bytes)).answers() as [RawAnswer]
    expect([answer.status, answer.headers.allow]).toEqual([status, allowed && `${allowed}, OPTIONS`])
    // a body that is not sent is not told where nothing is there to take it
    expect(JSON.parse(answer.body).issue[0]).toEqual(outcome(told).issue[0])
  })

  it.each([
    ['/fhir/ServiceRequest/$link-device', 'POST, OPTIONS'],
    ['/fhir/$reconcile-day', 'POST, OPTIONS'],
    ['/fhir/ServiceRequest', 'POST, PUT, GET, HEAD, OPTIONS'],
  ])('OPTIONS %s names its own methods and no others', async (path, allowed) => {
    const [answer] = (await sendRaw(service().url, get(path).replace('GET', 'OPTIONS'))).answers() as [RawAnswer]
    expect([answer.status, answer.headers.allow, answer.body]).toEqual([204, allowed, ''])
  })

  it('an absolute address is taken as RFC 9112, section 3.2.2, has it', async () => {
    const [answer] = (await sendRaw(service().url, get('http://elsewhere.example/healthz'))).answers() as [RawAnswer]
    expect([answer.status, JSON.parse(answer.body)]).toEqual([200, { alive: true }])
  })

  it('a second question mark is part of a value', async () => {
    const answer = await ehr<{ link: { url: string }[] }>('GET', '/fhir/Patient?identifier=urn:x|a?b=c&_count=7')
    expect(answer.body.link[0]?.url).toMatch(/\?identifier=urn%3Ax%7Ca%3Fb%3Dc&_count=7$/)
  })

  it('HTTP/1.0 without Host is still served', async () => {
    const [answer] = (await sendRaw(service().url, 'GET /healthz HTTP/1.0\r\n\r\n')).answers() as [RawAnswer]
    expect(answer.status).toBe(200)
  })
})

it('of all this nothing was a bug, and nothing planted is in the log', () => {
  expect(
    service()
      .logLines()
      .filter((line) => Number(line.level) >= 50),
  ).toEqual([])
  expect(service().logText()).not.toMatch(/plant/)
})
