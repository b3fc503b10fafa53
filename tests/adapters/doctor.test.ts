/** What the doctor finds at servers with one thing wrong each. */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import { createServer as createTlsServer, type ServerOptions } from 'node:https'
import { type AddressInfo, createServer as createTcpServer } from 'node:net'
import { text } from 'node:stream/consumers'
import type { CapabilityStatement, FhirResource } from 'fhir/r4.js'
import type { JSONWebKeySet } from 'jose'
import { afterEach, describe, expect, test } from 'vitest'
import { world } from '../../src/adapters/fhir/authorization.ts'
import { examine, mustMend, reportJson, reportText } from '../../src/doctor/doctor.ts'
import type { Examined } from '../../src/doctor/examined.ts'
import { type Finding, type FindingCode, finding, findingCodes } from '../../src/doctor/findings.ts'
import { connectionFindingOf, ground, tlsFindingOf } from '../../src/doctor/reach.ts'
import { publicKeySet } from '../../src/model/signing-key.ts'
import { startAuthorizationServer } from '../support/authorization-server.ts'
import { type Certificates, hasOpenssl, makeCertificates } from '../support/certificates.ts'
import { keyFrom, testKeys } from '../support/keys.ts'
import { publishedRsa } from '../support/smart-vectors.ts'

const open: (() => Promise<unknown> | unknown)[] = []
afterEach(async () => {
  for (const close of open.splice(0).reverse()) await close()
})

/** Every code that a case came to. */
const reached = new Set<FindingCode>()

type Answer = (request: IncomingMessage, response: ServerResponse) => unknown
/** By method and path below the base, `GET /metadata`; without an id, `DELETE /Device`. */
type Answers = Readonly<Record<string, Answer>>

const json =
  (status: number, body: unknown, headers: Record<string, string> = {}): Answer =>
  (_, response) =>
    response.writeHead(status, { 'content-type': 'application/fhir+json', ...headers }).end(JSON.stringify(body))

const raw =
  (status: number, type: string, body: string, headers: Record<string, string> = {}): Answer =>
  (_, response) =>
    response.writeHead(status, { 'content-type': type, ...headers }).end(body)

const types = [
  ...['ServiceRequest', 'Patient', 'Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation'],
  ...['DiagnosticReport', 'Media', 'Subscription', 'Encounter', 'Appointment'],
]

type Resource = NonNullable<NonNullable<CapabilityStatement['rest']>[number]['resource']>[number]

const resource = (type: string): Resource => ({
  type: type as Resource['type'],
  interaction: (['read', 'create', 'update', 'search-type'] as const).map((code) => ({ code })),
  conditionalCreate: true,
  conditionalUpdate: true,
  searchParam: [
    { name: 'identifier', type: 'token' },
    { name: '_lastUpdated', type: 'date' },
    { name: 'based-on', type: 'reference' },
  ],
})

/** A statement of a server that takes everything but `without`. */
const statement = (without: readonly string[] = [], more: object = {}): CapabilityStatement => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date: '2026-11-28',
  kind: 'instance',
  software: { name: 'Plain server' },
  fhirVersion: '4.0.1',
  format: ['application/fhir+json'],
  rest: [
    {
      mode: 'server',
      interaction: [{ code: 'transaction' }],
      resource: types.filter((t) => !without.includes(t)).map(resource),
    },
  ],
  ...more,
})

const searchset = { resourceType: 'Bundle', type: 'searchset', total: 0 }
const outcome = (code: string) => ({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code }] })

/** A server that is well: it keeps Devices, one for each identifier. */
const wellBehaved = (): Answers => {
  const devices = new Map<string, FhirResource>()
  return {
    'GET /metadata': json(200, statement()),
    'GET /ServiceRequest': json(200, searchset),
    'GET /Task': json(200, searchset),
    'GET /Subscription': json(200, searchset),
    'GET /Device': (request, response) => {
      const asked = new URL(request.url ?? '', 'http://x').searchParams.get('identifier') ?? ''
      const found = devices.get(asked)
      json(200, { ...searchset, entry: found ? [{ resource: found }] : [] })(request, response)
    },
    'POST /Device': async (request, response) => {
      const device = JSON.parse(await text(request)) as FhirResource & {
        identifier: { system: string; value: string }[]
      }
      const name = device.identifier.map((i) => `${i.system}|${i.value}`)[0] ?? ''
      const known = devices.get(name)
      if (known === undefined) devices.set(name, { ...device, id: `d${devices.size + 1}` } as FhirResource)
      json(known ? 200 : 201, devices.get(name))(request, response)
    },
    'DELETE /Device': (_, response) => {
      devices.clear()
      response.writeHead(204).end()
    },
  }
}

interface There {
  readonly base: string
  readonly requests: string[]
  readonly authorizations: (string | undefined)[]
}

const serve = async (answers: Answers, tls?: ServerOptions): Promise<There> => {
  const requests: string[] = []
  const authorizations: (string | undefined)[] = []
  const all = { ...wellBehaved(), ...answers }
  const listener = (request: IncomingMessage, response: ServerResponse) => {
    const path = new URL(request.url ?? '', 'http://x').pathname.replace(/^\/fhir/, '')
    const name = `${request.method} ${path.replace(/^(\/[A-Z][A-Za-z]+)\/.*$/, '$1')}`
    requests.push(name)
    authorizations.push(request.headers.authorization)
    const answer = all[name] ?? json(404, outcome('not-found'))
    answer(request, response)
  }
  const server = tls ? createTlsServer(tls, listener) : createServer(listener)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  open.push(() => {
    server.close()
    server.closeAllConnections()
  })
  const { port } = server.address() as AddressInfo
  return { base: `${tls ? 'https' : 'http'}://127.0.0.1:${port}/fhir`, requests, authorizations }
}

const source = { kind: 'source', poll: 'PT30S' } as const

const examined = (base: string, more: Partial<Examined> = {}): Examined => ({
  id: 'pebble',
  kind: 'reading service',
  base,
  scope: 'system/Device.crus',
  publicUrl: 'http://127.0.0.1:8090',
  written: true,
  ...more,
})

const look = async (server: Examined, options: Partial<Parameters<typeof examine>[1]> = {}) => {
  const findings = await examine(server, { write: true, deadlineMs: 2_000, ...options })
  for (const { code } of findings) reached.add(code)
  return findings
}

/** What is not as it should be, in its order. */
const amiss = (findings: readonly Finding[]): readonly FindingCode[] =>
  findings.filter(({ level }) => level !== 'good').map(({ code }) => code)

const nothingLeftOpen = (findings: readonly Finding[]) => {
  for (const { says, means, do: todo, code } of findings) {
    expect(`${code}: ${says} ${means} ${todo}`).not.toMatch(/[{]\w+[}]|undefined|NaN/)
    expect(todo).not.toBe('')
  }
}

describe('a server that is well', () => {
  test('is found well, as a reading service and as a source, and keeps nothing of us', async () => {
    for (const more of [{}, source]) {
      const there = await serve({})
      const findings = await look(examined(there.base, more))
      expect(amiss(findings)).toEqual([])
      expect(mustMend(findings)).toBe(false)
      nothingLeftOpen(findings)
      expect(there.requests.filter((r) => r.includes('Device'))).toEqual([
        'POST /Device',
        'POST /Device',
        'GET /Device',
        'DELETE /Device',
      ])
    }
  })

  test('is written nothing to where that is not wanted', async () => {
    const there = await serve({})
    const findings = await look(examined(there.base), { write: false })
    expect(findings.map((f) => f.code)).toContain('write-skipped')
    expect(there.requests.filter((r) => r.startsWith('POST') || r.startsWith('DELETE'))).toEqual([])
  })

  test('is written nothing to where nothing is written back', async () => {
    const read = ['ServiceRequest', 'Patient', 'Subscription', 'Procedure', 'Encounter', 'Appointment']
    const there = await serve(without(...types.filter((type) => !read.includes(type))))
    const findings = await look(examined(there.base, { ...source, written: false }))
    expect(amiss(findings)).toEqual([])
    expect(findings.map((f) => f.code)).toContain('written-not-wanted')
    expect(there.requests.filter((r) => r.includes('Device'))).toEqual([])
  })

  test('is looked at with the token of the configuration, which is nowhere in what is told', async () => {
    const there = await serve({})
    const server = examined(there.base, { token: 'sesame-1234' })
    const findings = await look(server)
    expect(amiss(findings)).toEqual([])
    // its CapabilityStatement is open to everybody
    expect(there.authorizations.slice(0, 2)).toEqual([undefined, 'Bearer sesame-1234'])
    expect(reportText(server, findings) + reportJson(server, findings)).not.toContain('sesame')
  })

  test('that pushes alone has nothing to look at', async () => {
    const { base: _none, ...pushing } = examined('', source)
    expect((await look(pushing)).map((f) => f.code)).toEqual(['no-server'])
  })
})

type Case = readonly [name: string, answers: Answers, expected: readonly FindingCode[], more?: Partial<Examined>]

/** The same answer each time, created anew: If-None-Exist is not looked at. */
const alwaysCreates = (): Answers => {
  const made: FhirResource[] = []
  return {
    'POST /Device': async (request, response) => {
      made.push({ ...JSON.parse(await text(request)), id: `d${made.length + 1}` })
      json(201, made.at(-1), { location: `Device/d${made.length}/_history/1` })(request, response)
    },
    'GET /Device': (request, response) =>
      json(200, { ...searchset, entry: made.map((resource) => ({ resource })) })(request, response),
  }
}

const metadata = (answer: Answer): Answers => ({ 'GET /metadata': answer })
const says = (more: object, without: readonly string[] = []) => metadata(json(200, statement(without, more)))
const without = (...names: string[]) => metadata(json(200, statement(names)))
const withoutInteraction = (type: string, code: string): Answers => {
  const { rest = [], ...all } = statement()
  const changed = rest.map((r) => ({
    ...r,
    resource: r.resource?.map((s) =>
      s.type === type ? { ...s, interaction: s.interaction?.filter((i) => i.code !== code) } : s,
    ),
  }))
  return metadata(json(200, { ...all, rest: changed }))
}
const withoutTime = says({
  rest: [
    {
      mode: 'server',
      interaction: [{ code: 'transaction' }],
      resource: types.map((type) => ({
        ...resource(type),
        searchParam: resource(type).searchParam?.filter(({ name }) => name !== '_lastUpdated'),
      })),
    },
  ],
})
const dated = (seconds: number): Answers =>
  metadata((request, response) =>
    json(200, statement(), { date: new Date(Date.now() + seconds * 1000).toUTCString() })(request, response),
  )

const cases: readonly Case[] = [
  // what answers at all
  ['a web page', metadata(raw(200, 'text/html', '<!DOCTYPE html><title>Portal</title>')), ['metadata-page']],
  [
    'a sign-in page that is refused',
    metadata(raw(403, 'text/html', '<html>')),
    ['metadata-guarded', 'metadata-refused'],
    { token: 'a' },
  ],
  ['a redirect', metadata(raw(302, 'text/plain', '', { location: '/sign-in?next=x' })), ['metadata-redirect']],
  ['nothing at that path', metadata(json(404, outcome('not-found'))), ['metadata-absent']],
  ['an OperationOutcome with 200', metadata(json(200, outcome('exception'))), ['metadata-outcome']],
  ['XML', metadata(raw(200, 'application/fhir+xml', '<CapabilityStatement/>')), ['metadata-xml']],
  ['not acceptable', metadata(json(406, {})), ['metadata-not-acceptable']],
  ['another resource', metadata(json(200, { resourceType: 'Patient' })), ['metadata-other']],
  ['R2, which had another name for it', metadata(json(200, { resourceType: 'Conformance' })), ['metadata-other']],
  ['JSON of another kind', metadata(json(200, { status: 'UP' })), ['metadata-no-fhir']],
  ['half an answer', metadata(raw(200, 'application/fhir+json', '{"resourceType":"Capab')), ['metadata-no-json']],
  ['an error of its own', metadata(json(502, outcome('exception'))), ['metadata-error']],
  ['a bad request', metadata(json(400, outcome('invalid'))), ['metadata-strange']],
  ['silence', metadata(() => {}), ['metadata-silent']],
  ['a broken line', metadata((request) => request.socket.destroy()), ['metadata-cut']],
  [
    'more than anybody reads',
    metadata((_, r) => r.writeHead(200, { 'content-length': `${50 * 1024 * 1024}` }).write('{')),
    ['metadata-too-large'],
  ],
  [
    'a compressed answer',
    metadata(raw(200, 'application/fhir+json', 'x', { 'content-encoding': 'gzip' })),
    ['metadata-compressed'],
  ],
  // which FHIR
  ['R5', says({ fhirVersion: '5.0.0' }), ['version-other', 'written-nothing', 'write-not-tried']],
  ['STU3', says({ fhirVersion: '3.0.2' }), ['version-other', 'written-nothing', 'write-not-tried']],
  ['no version', says({ fhirVersion: undefined }), ['version-missing', 'written-nothing', 'write-not-tried']],
  [
    'XML alone, by its own words',
    says({ format: ['application/fhir+xml'] }),
    ['format-no-json', 'written-nothing', 'write-not-tried'],
  ],
  ['no formats', says({ format: undefined }), ['format-unsaid']],
  ['a client that describes itself', says({ rest: [{ mode: 'client' }] }), ['no-rest', 'write-not-tried']],
  // what it can
  ['no orders', without('ServiceRequest'), ['orders-not-listed'], source],
  ['orders that it does not list by time', withoutTime, ['orders-without-time'], source],
  [
    'orders that cannot be searched',
    withoutInteraction('ServiceRequest', 'search-type'),
    ['orders-not-listed'],
    source,
  ],
  ['no patients', without('Patient'), ['patients-not-listed'], source],
  ['a report that cannot be written', without('DiagnosticReport'), ['written-in-part'], source],
  ['a reading service without Tasks', without('Task'), ['written-too-little']],
  ['no transaction', says({ rest: [{ mode: 'server', resource: types.map(resource) }] }), ['no-transaction']],
  [
    'a source that takes nothing',
    without(...types.slice(2)),
    ['visits-not-listed', 'written-nothing', 'write-not-tried', 'channel-not-offered'],
    source,
  ],
  ['visits that it does not list', without('Encounter'), ['visits-not-listed'], source],
  ['visits that nobody asks for', without('Encounter'), [], { ...source, evidence: ['Procedure'] }],
  // who we are
  [
    '401 without a token',
    { 'GET /Task': json(401, {}, { 'www-authenticate': 'Basic realm="x"' }) },
    ['search-unauthorized'],
  ],
  ['a token that it does not take', { 'GET /Task': json(401, {}) }, ['search-unauthorized'], { token: 'a' }],
  ['a token without the right', { 'GET /Task': json(403, {}) }, ['search-forbidden'], { token: 'a' }],
  ['a search that fails', { 'GET /Task': json(500, {}) }, ['search-failed']],
  ['a search that gives something else', { 'GET /Task': json(200, outcome('informational')) }, ['search-strange']],
  ['a search that hangs', { 'GET /Task': () => {} }, ['search-silent']],
  [
    'no search by time',
    { 'GET /ServiceRequest': (q, r) => (q.url?.includes('_lastUpdated') ? json(400, {}) : json(200, searchset))(q, r) },
    ['search-not-by-time'],
    source,
  ],
  // what time it is
  ['its clock twenty seconds ahead', dated(20), ['clock-off']],
  ['its clock ten minutes behind', dated(-600), ['clock-far-off']],
  [
    'no clock',
    metadata((q, r) => {
      r.sendDate = false
      json(200, statement())(q, r)
    }),
    ['clock-unsaid'],
  ],
  // writing
  ['conditional create that it does not know', alwaysCreates(), ['write-ignored']],
  ['no right to write', { 'POST /Device': json(403, outcome('forbidden')) }, ['write-unauthorized']],
  ['rules of its own', { 'POST /Device': json(422, outcome('business-rule')) }, ['write-refused']],
  ['parts of a message that it takes whole', { 'POST /Device': json(405, outcome('x')) }, ['write-transactions-only']],
  ['a create that it only lists', { 'POST /Device': json(405, outcome('x')) }, ['write-not-offered'], source],
  ['a create that breaks', { 'POST /Device': json(500, outcome('exception')) }, ['write-failed']],
  ['a delete that it refuses', { 'DELETE /Device': json(405, outcome('not-supported')) }, ['write-left-behind']],
  [
    'a repetition that it refuses',
    (() => {
      const well = wellBehaved()
      let asked = 0
      const first = well['POST /Device'] as Answer
      return {
        ...well,
        'POST /Device': (q: IncomingMessage, r: ServerResponse) => (++asked > 1 ? json(412, {}) : first)(q, r),
      }
    })(),
    ['write-refuses-condition'],
  ],
  [
    'a create that says not where',
    {
      'POST /Device': raw(201, 'application/fhir+json', ''),
      'GET /Device': json(200, searchset),
    },
    ['write-ignored', 'write-lost'],
  ],
  // notifications
  ['no Subscriptions', without('Subscription'), ['channel-not-offered'], source],
  [
    'a Subscription that died',
    {
      'GET /Subscription': json(200, {
        ...searchset,
        entry: [
          {
            resource: {
              resourceType: 'Subscription',
              status: 'error',
              channel: { endpoint: 'http://127.0.0.1:8090/hooks/pebble' },
            },
          },
        ],
      }),
    },
    ['channel-dead'],
    source,
  ],
  ['an address of ours in the clear', {}, ['channel-plain'], { ...source, publicUrl: 'http://daybind.example' }],
]

describe('a server with one thing wrong', () => {
  test.for(cases)('%s', { timeout: 15_000 }, async ([, answers, expected, more]) => {
    const there = await serve(answers)
    const findings = await look(examined(there.base, more))
    expect(amiss(findings)).toEqual(expected)
    nothingLeftOpen(findings)
  })

  test('a Subscription that is alive is told', async () => {
    const there = await serve({
      'GET /Subscription': json(200, {
        ...searchset,
        entry: [
          {
            resource: {
              resourceType: 'Subscription',
              status: 'active',
              channel: { endpoint: 'https://daybind.example/hooks/pebble' },
            },
          },
        ],
      }),
    })
    const findings = await look(examined(there.base, { ...source, publicUrl: 'https://daybind.example' }))
    expect(amiss(findings)).toEqual([])
    expect(findings.map((f) => f.code)).toContain('channel-alive')
  })

  test('who asks who we are for its CapabilityStatement gets the token for that too', async () => {
    const there = await serve({
      'GET /metadata': (q, r) =>
        json(q.headers.authorization ? 200 : 401, q.headers.authorization ? statement() : {})(q, r),
    })
    const findings = await look(examined(there.base, { token: 'sesame-1234' }))
    expect(amiss(findings)).toEqual(['metadata-guarded'])
    expect(findings.map((f) => f.code)).toContain('written-as-meant')
  })

  test('one that wants no notifications is asked for none', async () => {
    const there = await serve({})
    const findings = await look(examined(there.base, { ...source, subscribe: false }))
    expect(findings.at(-1)?.code).toBe('channel-none-wanted')
  })
})

describe('the way there', () => {
  const failing = (code: string) => ({
    ...ground,
    lookup: async () => {
      throw Object.assign(new Error('no'), { code })
    },
  })

  test.for<[string, FindingCode]>([
    ['ENOTFOUND', 'name-unknown'],
    ['EAI_AGAIN', 'name-service-silent'],
  ])('a name that is not found: %s', async ([code, expected]) => {
    const findings = await look(examined('https://pebble.example/fhir'), { ground: failing(code) })
    expect(findings.map((f) => f.code)).toEqual([expected])
    nothingLeftOpen(findings)
  })

  test('a name, and nobody who listens', async () => {
    const findings = await look(examined('http://localhost:2/fhir'))
    expect(findings.map((f) => f.code)).toEqual(['name-found', 'connection-refused'])
    nothingLeftOpen(findings)
  })

  // what happens to a packet on its way is not in our hands: the codes are those of Node's errno
  test.for<[string, FindingCode]>([
    ['ETIMEDOUT', 'connection-silent'],
    ['EHOSTUNREACH', 'connection-no-way'],
    ['ENETUNREACH', 'connection-no-way'],
    ['EACCES', 'connection-failed'],
  ])('a connection that comes to %s', ([code, expected]) => {
    expect(connectionFindingOf(code)).toBe(expected)
    reached.add(expected)
  })

  test('http where https was written', async () => {
    const there = await serve({})
    const findings = await look(examined(there.base.replace('http:', 'https:')))
    expect(amiss(findings)).toEqual(['tls-none-there'])
  })

  test('something that never begins TLS', async () => {
    const server = createTcpServer(() => {})
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    open.push(() => server.close())
    const { port } = server.address() as AddressInfo
    const findings = await look(examined(`https://127.0.0.1:${port}/fhir`), { ground: { ...ground, patienceMs: 300 } })
    expect(amiss(findings)).toEqual(['tls-failed'])
    nothingLeftOpen(findings)
  })

  // https://nodejs.org/api/tls.html#x509-certificate-error-codes and reasons of OpenSSL 3
  test.for<[string, FindingCode]>([
    ['CERT_NOT_YET_VALID', 'tls-not-yet'],
    ['UNABLE_TO_GET_ISSUER_CERT_LOCALLY', 'tls-unknown-authority'],
    ['SELF_SIGNED_CERT_IN_CHAIN', 'tls-unknown-authority'],
    ['ERR_SSL_TLSV13_ALERT_CERTIFICATE_REQUIRED', 'tls-wants-certificate'],
    ['ERR_SSL_SSLV3_ALERT_HANDSHAKE_FAILURE', 'tls-wants-certificate'],
    ['ERR_SSL_UNSUPPORTED_PROTOCOL', 'tls-too-old'],
    ['ERR_SSL_TLSV1_ALERT_PROTOCOL_VERSION', 'tls-too-old'],
  ])('TLS that comes to %s', ([code, expected]) => {
    expect(tlsFindingOf(code)).toBe(expected)
    reached.add(expected)
  })
})

const made: Certificates | undefined = hasOpenssl() ? makeCertificates() : undefined

describe('certificates', () => {
  const certificates = (skip: (note: string) => never): Certificates => made ?? skip('no openssl on this machine')

  test.for<[string, (c: Certificates) => { server: ServerOptions; tls?: Examined['tls'] }, readonly FindingCode[]]>([
    [
      'that we know, and soon over as those of tests are',
      (c) => ({ server: c.server, tls: { ...c.client, ca: c.ca } }),
      ['own-certificate-soon-over', 'tls-soon-over', 'auth-none-outside'],
    ],
    ['of an authority that nobody knows', (c) => ({ server: c.server }), ['tls-unknown-authority']],
    ['that vouches for itself', (c) => ({ server: { cert: c.ca, key: c.caKey } }), ['tls-self-signed']],
    [
      'for another name',
      (c) => ({ server: c.elsewhere, tls: { ...c.client, ca: c.ca } }),
      ['own-certificate-soon-over', 'tls-other-name'],
    ],
    [
      'that is over',
      (c) => ({ server: c.expired, tls: { ...c.client, ca: c.ca } }),
      ['own-certificate-soon-over', 'tls-expired'],
    ],
    [
      'of ours that is over',
      (c) => ({ server: c.server, tls: { ...c.expired, ca: c.ca } }),
      ['own-certificate-over', 'tls-soon-over', 'auth-none-outside'],
    ],
  ])('one %s', async ([, make, expected], { skip }) => {
    const { server, tls } = make(certificates(skip))
    const there = await serve({}, server)
    const findings = await look(examined(there.base, tls && { tls }))
    expect(amiss(findings)).toEqual(expected)
    nothingLeftOpen(findings)
  })

  test('one of ours that they ask for and do not know', async ({ skip }) => {
    const c = certificates(skip)
    const stranger = makeCertificates()
    const there = await serve({}, { ...c.server, ca: c.ca, requestCert: true, rejectUnauthorized: true })
    const findings = await look(examined(there.base, { tls: { ...stranger.client, ca: c.ca } }))
    expect(mustMend(findings)).toBe(true)
    expect(amiss(findings).at(-1)).toBe('tls-wants-certificate')
    expect(there.requests).toEqual([])
  })
})

describe('SMART Backend Services', () => {
  const clientId = 'daybind-at-pebble'
  const authorization = async () => {
    const server = await startAuthorizationServer({ clientId, keys: () => publicKeySet(testKeys) as JSONWebKeySet })
    open.push(server.stop)
    return server
  }
  const asking = (base: string, tokenUrl?: string, more: Partial<Examined> = {}): Examined =>
    examined(base, {
      smart: { clientId, ...(tokenUrl !== undefined && { tokenUrl }) },
      key: testKeys.current,
      ...more,
    })

  test('the claims are told, and no signature, assertion or token', async () => {
    const auth = await authorization()
    const there = await serve({ 'GET /.well-known/smart-configuration': json(200, { token_endpoint: auth.tokenUrl }) })
    const server = asking(there.base)
    const findings = await look(server)
    expect(amiss(findings)).toEqual([])
    expect(findings.map((f) => f.code)).toEqual(expect.arrayContaining(['smart-found', 'claims', 'token-given']))
    const told = reportText(server, findings) + reportJson(server, findings)
    expect(told).toContain(`iss and sub ${clientId}, aud ${auth.tokenUrl}`)
    expect(told).toContain(testKeys.current.kid)
    const [, , signature = 'none'] = (auth.requests[0]?.client_assertion ?? '').split('.')
    expect(told).not.toContain(signature)
    expect(told).not.toContain('eyJ')
    for (const header of there.authorizations) if (header) expect(told).not.toContain(header.replace('Bearer ', ''))
    nothingLeftOpen(findings)
  })

  const discovered = (body: object, status = 200): Answers => ({
    'GET /.well-known/smart-configuration': json(status, body),
  })

  test.for<[string, Answers, readonly FindingCode[]]>([
    ['is not said', discovered({}, 404), ['smart-missing']],
    ['is a page', { 'GET /.well-known/smart-configuration': raw(200, 'text/html', '<html>') }, ['smart-missing']],
    ['is in the clear', discovered({ token_endpoint: 'http://pebble.example/token' }), ['smart-unusable']],
    ['is nowhere', discovered({ token_endpoint: 'http://127.0.0.1:2/token' }), ['token-unreachable']],
    [
      'takes other grants and signatures',
      discovered({
        token_endpoint: 'http://127.0.0.1:2/token',
        grant_types_supported: ['authorization_code'],
        token_endpoint_auth_signing_alg_values_supported: ['RS384'],
      }),
      ['smart-other-grants', 'smart-other-algorithm', 'token-unreachable'],
    ],
  ])('the token endpoint %s', async ([, answers, expected]) => {
    const there = await serve(answers)
    const findings = await look(asking(there.base))
    expect(amiss(findings)).toEqual(expected)
    nothingLeftOpen(findings)
  })

  test.for<[string, Answer, readonly FindingCode[]]>([
    ['invalid_client', json(400, { error: 'invalid_client', error_description: 'secret' }), ['token-invalid-client']],
    ['invalid_scope', json(400, { error: 'invalid_scope' }), ['token-invalid-scope']],
    ['unauthorized_client', json(400, { error: 'unauthorized_client' }), ['token-unauthorized']],
    ['invalid_request', json(400, { error: 'invalid_request' }), ['token-invalid-request']],
    ['not found', json(404, {}), ['token-refused']],
    ['an error of its own', json(503, {}), ['token-trouble']],
    ['no token', json(200, { hello: 'secret' }), ['token-nonsense']],
    [
      'less than was asked for',
      json(200, { access_token: 'secret', token_type: 'bearer', expires_in: 60, scope: 'system/Task.rs' }),
      ['token-for-less'],
    ],
  ])('the token endpoint answers: %s', async ([, instead, expected]) => {
    const auth = await authorization()
    auth.instead = instead
    const there = await serve({})
    const findings = await look(asking(there.base, auth.tokenUrl))
    expect(amiss(findings)).toEqual(expected)
    expect(JSON.stringify(findings)).not.toContain('secret')
    nothingLeftOpen(findings)
  })

  test('a key that they do not know, and a clock that is off', async () => {
    const auth = await authorization()
    const there = await serve({})
    const stranger = { key: keyFrom(JSON.stringify(publishedRsa)) }
    expect(amiss(await look(asking(there.base, auth.tokenUrl, stranger)))).toEqual(['token-invalid-client'])
    auth.now = () => Date.now() - 300_000
    const findings = await look(asking(there.base, auth.tokenUrl), { around: world })
    expect(amiss(findings)).toEqual(['token-invalid-client-clock'])
    expect(findings.find((f) => f.level === 'mend')?.says).toMatch(/its clock is (299|300|301) s behind ours/)
    nothingLeftOpen(findings)
  })
})

describe('addresses outside', () => {
  test('a server in the clear that is not on this machine by its address', async () => {
    const there = await serve({})
    // leads to 127.0.0.1, and is not written as loopback
    const findings = await look(examined(there.base.replace('127.0.0.1', '[::ffff:127.0.0.1]')))
    expect(amiss(findings)).toEqual(['no-tls', 'auth-none-outside'])
    nothingLeftOpen(findings)
  })

  /** What cannot be served from here is judged by what is known before anything is sent. */
  test('a server elsewhere cannot notify an address of this machine', async () => {
    const { lookAtChannel } = await import('../../src/doctor/channel.ts')
    const server = examined('https://harbour.example/fhir', source)
    const findings = await lookAtChannel(server, 'https://harbour.example/fhir', statement(), undefined)
    for (const { code } of findings) reached.add(code)
    expect(amiss(findings)).toEqual(['channel-unreachable'])
    nothingLeftOpen(findings)
  })
})

describe('the table', () => {
  test('tells for each finding what it means, and for each that is not good what to do', () => {
    for (const code of findingCodes) {
      const { level, means, do: todo } = finding(code)
      expect(means, code).not.toBe('')
      if (level === 'mend') expect(todo, code).not.toBe('Nothing.')
    }
  })

  test('has nothing that no case above came to', () => {
    expect(findingCodes.filter((code) => !reached.has(code))).toEqual([])
  })
})
