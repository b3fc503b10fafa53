import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import { createServer as createTlsServer, type ServerOptions } from 'node:https'
import type { AddressInfo } from 'node:net'
import type { TLSSocket } from 'node:tls'
import type { Bundle } from 'fhir/r4.js'
import { createLocalJWKSet, decodeJwt, decodeProtectedHeader, type JSONWebKeySet, jwtVerify } from 'jose'
import { afterEach, describe, expect, test } from 'vitest'
import {
  assertionClaims,
  openSmart,
  type SmartOptions,
  type Surroundings,
  signAssertion,
} from '../../src/adapters/fhir/authorization.ts'
import { openPeer, type Peer, type PeerOptions } from '../../src/adapters/fhir/peer.ts'
import { publicKeySet, type SigningKeys } from '../../src/model/signing-key.ts'
import { type AuthorizationServer, startAuthorizationServer } from '../support/authorization-server.ts'
import { type Certificates, hasOpenssl, makeCertificates } from '../support/certificates.ts'
import { keyFrom, newKey } from '../support/keys.ts'
import { publishedAssertions, publishedClaims, publishedEc, publishedRsa } from '../support/smart-vectors.ts'

const open: (() => Promise<unknown> | unknown)[] = []
afterEach(async () => {
  for (const close of open.splice(0).reverse()) await close()
})

const [key, nextKey, keyAfter] = [newKey(), newKey(), newKey()]
const setOf = (keys: SigningKeys) => publicKeySet(keys) as JSONWebKeySet
const clientId = 'daybind-at-harbour'

const authorizationServer = async (keys: () => SigningKeys = () => ({ current: key }), tls?: ServerOptions) => {
  const server = await startAuthorizationServer({ clientId, keys: () => setOf(keys()) }, tls)
  open.push(server.stop)
  return server
}

type Handler = (request: IncomingMessage, response: ServerResponse) => void

const json = (response: ServerResponse, status: number, body: unknown) =>
  response.writeHead(status, { 'content-type': 'application/fhir+json' }).end(JSON.stringify(body))

/** A FHIR server; its requests are counted. */
const fhirServer = async (handler: Handler, tls?: ServerOptions) => {
  const requests: string[] = []
  const listener: Handler = (request, response) => {
    requests.push(`${request.method} ${request.url}`)
    request.resume().on('end', () => handler(request, response))
  }
  const server = tls ? createTlsServer(tls, listener) : createServer(listener)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  open.push(() => {
    server.close()
    server.closeAllConnections()
  })
  const { port } = server.address() as AddressInfo
  return { base: `${tls ? 'https' : 'http'}://127.0.0.1:${port}/fhir`, requests }
}

const message: Bundle = {
  resourceType: 'Bundle',
  type: 'transaction',
  entry: [{ resource: { resourceType: 'Device' }, request: { method: 'POST', url: 'Device' } }],
}

const done: Bundle = {
  resourceType: 'Bundle',
  type: 'transaction-response',
  entry: [{ response: { status: '201 Created', location: 'Device/1/_history/1' } }],
}

/** Takes what comes with a good token, and nothing else. */
const guarded = (authorization: AuthorizationServer, tls?: ServerOptions) =>
  fhirServer(
    (request, response) =>
      authorization.admits(request.headers.authorization)
        ? json(response, 200, done)
        : json(response, 401, { resourceType: 'OperationOutcome', issue: [{ severity: 'error', code: 'login' }] }),
    tls,
  )

const usual = { clientId, scope: 'system/Device.crus', key }

const smart = (options: Partial<SmartOptions> & { base: string }, around?: Surroundings) =>
  openSmart({ ...usual, ...options }, around)

const peerTo = (base: string, options: Partial<PeerOptions>): Peer => {
  const peer = openPeer({ id: 'pebble', base, ...options })
  open.push(peer.close)
  return peer
}

const smartPeer = (base: string, options: Partial<SmartOptions> = {}, around?: Surroundings): Peer =>
  peerTo(base, { authorization: smart({ base, ...options }, around) })

/** Time that only the test moves, beside luck that counts. */
const surroundings = (start = Date.now()) => {
  const time = { wall: start, passed: 0 }
  let count = 0
  const around: Surroundings = {
    now: () => time.wall,
    elapsed: () => time.passed,
    unique: () => `jti-${++count}`,
  }
  const pass = (seconds: number) => {
    time.wall += seconds * 1000
    time.passed += seconds * 1000
  }
  return { time, around, pass }
}

describe('an assertion', () => {
  const published: Surroundings = {
    now: () => (publishedClaims.exp - 240) * 1000,
    elapsed: () => 0,
    unique: () => publishedClaims.jti,
  }
  const claims = assertionClaims(publishedClaims.iss, publishedClaims.aud, published)
  const then = { currentDate: new Date(published.now()) }

  test('has the claims of the published example, and lives four minutes', () => {
    expect(claims).toEqual(publishedClaims)
  })

  test('is byte for byte the published one (RS384)', async () => {
    expect(await signAssertion(claims, keyFrom(JSON.stringify(publishedRsa)))).toBe(publishedAssertions.RS384)
  })

  // each signature by ES384 has a number by chance in it, so ours differs from theirs and both have to be good
  test.for(['RS384', 'ES384'] as const)(
    '%s: theirs is good by the key set that we publish for their key',
    async (alg) => {
      const set = setOf({ current: keyFrom(JSON.stringify(alg === 'RS384' ? publishedRsa : publishedEc)) })
      const read = await jwtVerify(publishedAssertions[alg], createLocalJWKSet(set), then)
      expect(read.payload).toEqual(publishedClaims)
    },
  )

  test('ES384: ours is good by their key, and has their header', async () => {
    const ours = await signAssertion(claims, keyFrom(JSON.stringify(publishedEc)))
    const { d: _secret, key_ops: _sign, ...theirs } = publishedEc
    const read = await jwtVerify(ours, createLocalJWKSet({ keys: [theirs] }), then)
    expect(read.payload).toEqual(publishedClaims)
    expect(read.protectedHeader).toEqual({ alg: 'ES384', kid: publishedEc.kid, typ: 'JWT' })
    expect(ours.split('.').slice(0, 2)).toEqual(publishedAssertions.ES384.split('.').slice(0, 2))
  })
})

describe('a token', () => {
  test('is asked for as the guide has it, of a strict server on another origin than the FHIR server', async () => {
    const authorization = await authorizationServer()
    const there = await guarded(authorization)
    const answer = await smartPeer(there.base, { tokenUrl: authorization.tokenUrl }).transaction(message, 'r1')
    expect(answer).toMatchObject({ fate: 'answered', status: 200 })
    expect(authorization.refusals).toEqual([])
    const [form = {}] = authorization.requests
    expect(Object.keys(form).sort()).toEqual(['client_assertion', 'client_assertion_type', 'grant_type', 'scope'])
    expect(form.scope).toBe('system/Device.crus')
    expect(decodeProtectedHeader(form.client_assertion ?? '')).toEqual({ alg: 'ES384', kid: key.kid, typ: 'JWT' })
    expect(Object.keys(decodeJwt(form.client_assertion ?? '')).sort()).toEqual(['aud', 'exp', 'iss', 'jti', 'sub'])
  })

  test('is asked for once, however many wait, and kept until shortly before its end', async () => {
    const authorization = await authorizationServer()
    const { around, pass } = surroundings()
    const given = smart({ base: 'http://127.0.0.1:2', tokenUrl: authorization.tokenUrl }, around)
    open.push(given.close)
    const first = await Promise.all(Array.from({ length: 20 }, () => given.token()))
    expect(authorization.requests).toHaveLength(1)
    expect(new Set(first.map((t) => 'token' in t && t.token)).size).toBe(1)
    pass(269)
    expect(await given.token()).toEqual(first[0])
    pass(2)
    expect(await given.token()).not.toEqual(first[0])
    expect(authorization.requests).toHaveLength(2)
  })

  test('counts from when it was asked for, by a clock that nobody sets', async () => {
    const authorization = await authorizationServer()
    const { around, time } = surroundings()
    const given = smart({ base: 'http://127.0.0.1:2', tokenUrl: authorization.tokenUrl }, around)
    open.push(given.close)
    await given.token()
    time.wall -= 3_600_000
    time.passed += 271_000
    authorization.now = () => time.wall
    await given.token()
    expect(authorization.requests).toHaveLength(2)
  })

  test('that they do not take any more is asked for anew once, for all that were refused with it', async () => {
    const authorization = await authorizationServer()
    const there = await guarded(authorization)
    const peer = smartPeer(there.base, { tokenUrl: authorization.tokenUrl })
    await peer.transaction(message, 'r1')
    authorization.revokeAll()
    const answers = await Promise.all(Array.from({ length: 8 }, (_, i) => peer.transaction(message, `r${i}`)))
    expect(answers.map((a) => a.fate)).toEqual(Array.from({ length: 8 }, () => 'answered'))
    expect(authorization.requests).toHaveLength(2)
  })

  test('is asked for anew only once a call: who takes none at all is told', async () => {
    const authorization = await authorizationServer()
    const there = await fhirServer((_, response) => json(response, 401, {}))
    const answer = await smartPeer(there.base, { tokenUrl: authorization.tokenUrl }).transaction(message, 'r1')
    expect(answer).toMatchObject({ fate: 'try-again', cause: 'credentials', status: 401 })
    expect(there.requests).toHaveLength(2)
    expect(authorization.requests).toHaveLength(2)
  })

  test('that lacks a right (403) is kept', async () => {
    const authorization = await authorizationServer()
    const there = await fhirServer((_, response) => json(response, 403, {}))
    const peer = smartPeer(there.base, { tokenUrl: authorization.tokenUrl })
    expect(await peer.transaction(message, 'r1')).toMatchObject({ cause: 'credentials', status: 403 })
    await peer.transaction(message, 'r2')
    expect(there.requests).toHaveLength(2)
    expect(authorization.requests).toHaveLength(1)
  })

  test('by configuration is not asked for anew: there is no other one', async () => {
    const there = await fhirServer((_, response) => json(response, 401, {}))
    expect(await peerTo(there.base, { token: 'sesame-1234' }).transaction(message, 'r1')).toMatchObject({ status: 401 })
    expect(there.requests).toHaveLength(1)
  })

  test('lives a minute where they do not say how long', async () => {
    const authorization = await authorizationServer()
    const { around, pass } = surroundings()
    authorization.instead = (_, response) => json(response, 200, { access_token: 'abc', token_type: 'Bearer' })
    const given = smart({ base: 'http://127.0.0.1:2', tokenUrl: authorization.tokenUrl }, around)
    open.push(given.close)
    expect(await given.token()).toMatchObject({ token: 'abc' })
    pass(49)
    authorization.instead = (_, response) => json(response, 200, { access_token: 'def', token_type: 'Bearer' })
    expect(await given.token()).toMatchObject({ token: 'abc' })
    pass(2)
    expect(await given.token()).toMatchObject({ token: 'def' })
  })
})

describe('their authorization server refuses or fails', () => {
  const say = (status: number, body: unknown, headers: Record<string, string> = {}): Handler => {
    return (_, response) =>
      void response
        .writeHead(status, { 'content-type': 'application/json', ...headers })
        .end(typeof body === 'string' ? body : JSON.stringify(body))
  }
  const rude = { error_description: 'Quillfeather', error_uri: 'https://quillfeather.example' }
  const token = 'its-token-1234'

  test.for<[string, Handler, string, string]>([
    ['invalid_client', say(400, { error: 'invalid_client', ...rude }), 'credentials', '400 invalid_client'],
    ['invalid_client with 401', say(401, { error: 'invalid_client' }), 'credentials', '401 invalid_client'],
    ['invalid_scope', say(400, { error: 'invalid_scope' }), 'credentials', '400 invalid_scope'],
    ['unauthorized_client', say(400, { error: 'unauthorized_client' }), 'credentials', '400 unauthorized_client'],
    ['invalid_request', say(400, { error: 'invalid_request' }), 'credentials', '400 invalid_request'],
    ['no grant of this kind', say(400, { error: 'unsupported_grant_type' }), 'credentials', 'unsupported_grant_type'],
    ['a bare 401', say(401, 'no'), 'credentials', '(token endpoint: 401)'],
    ['a bare 403', say(403, ''), 'credentials', '(token endpoint: 403)'],
    ['a code of its own', say(400, { error: 'Quillfeather' }), 'no-token', '(token endpoint: 400)'],
    ['not found', say(404, '<html>'), 'no-token', '(token endpoint: 404)'],
    ['an error of its own', say(500, rude), 'no-token', '(token endpoint: 500)'],
    ['busy', say(503, '', { 'retry-after': '7' }), 'no-token', '(token endpoint: 503)'],
    ['a redirect', say(302, '', { location: 'https://other.example/token' }), 'no-token', 'redirects'],
    ['HTML with 200', say(200, '<html>Quillfeather'), 'no-token', 'no access token'],
    ['no token', say(200, { token_type: 'bearer' }), 'no-token', 'no access token'],
    ['a token with a line end', say(200, { access_token: 'a\r\nb', token_type: 'bearer' }), 'no-token', 'no access'],
    ['another kind of token', say(200, { access_token: token, token_type: 'mac' }), 'no-token', 'no bearer token'],
    ['a flood', say(200, `"${'x'.repeat(100_000)}"`), 'no-token', 'too large'],
    ['a broken line', (request) => request.socket.destroy(), 'no-token', 'token endpoint: '],
  ])('%s', async ([, instead, cause, told]) => {
    const authorization = await authorizationServer()
    authorization.instead = instead
    const there = await guarded(authorization)
    const answer = await smartPeer(there.base, { tokenUrl: authorization.tokenUrl }).transaction(message, 'r1')
    expect(answer).toMatchObject({ fate: 'try-again', cause, reason: expect.stringContaining(told) })
    expect(JSON.stringify(answer)).not.toMatch(/quillfeather|eyJ|its-token/i)
    expect(there.requests).toEqual([])
  })

  test('asks to come back later: told to whoever waits', async () => {
    const authorization = await authorizationServer()
    authorization.instead = say(503, '', { 'retry-after': '7' })
    const answer = await smartPeer('http://127.0.0.1:2/fhir', { tokenUrl: authorization.tokenUrl }).transaction(
      message,
      'r1',
    )
    expect(answer).toMatchObject({ cause: 'no-token', retryAfterMs: 7000 })
  })

  test('is not there, and the next call asks again', async () => {
    const authorization = await authorizationServer()
    const there = await guarded(authorization)
    const peer = smartPeer(there.base, { tokenUrl: authorization.tokenUrl })
    authorization.instead = say(500, '')
    expect(await peer.transaction(message, 'r1')).toMatchObject({ cause: 'no-token' })
    authorization.instead = undefined
    expect(await peer.transaction(message, 'r2')).toMatchObject({ fate: 'answered' })
    const nobody = smartPeer(there.base, { tokenUrl: 'http://127.0.0.1:2/token' })
    expect(await nobody.transaction(message, 'r3')).toMatchObject({
      fate: 'try-again',
      cause: 'no-token',
      reason: expect.stringContaining('ECONNREFUSED'),
    })
  })

  test('says nothing: the call ends at its own deadline, and nothing was sent', async () => {
    const authorization = await authorizationServer()
    authorization.instead = () => {}
    const there = await guarded(authorization)
    const silent = { base: there.base, tokenUrl: authorization.tokenUrl, deadlineMs: 300 }
    const patient = peerTo(there.base, { authorization: smart(silent) })
    expect(await patient.transaction(message, 'r1')).toMatchObject({
      cause: 'no-token',
      reason: expect.stringContaining('no answer within the deadline'),
    })
    const hasty = peerTo(there.base, { authorization: smart({ ...silent, deadlineMs: 2_000 }), deadlineMs: 200 })
    expect(await hasty.transaction(message, 'r2')).toMatchObject({ fate: 'try-again', cause: 'not-sent' })
    expect(there.requests).toEqual([])
  })
})

describe('clocks that differ', () => {
  test.for([
    ['ours is three minutes behind', -180, true],
    ['ours is fifty seconds ahead', 50, true],
    ['ours is two minutes ahead: the assertion would live too long', 120, false],
    ['ours is five minutes behind: the assertion is over', -300, false],
  ] as const)('%s', async ([, ahead, taken]) => {
    const authorization = await authorizationServer()
    const { time, around } = surroundings()
    authorization.now = () => time.wall - ahead * 1000
    const given = smart({ base: 'http://127.0.0.1:2', tokenUrl: authorization.tokenUrl }, around)
    open.push(given.close)
    const answer = await given.token()
    if (taken) expect(answer).toHaveProperty('token')
    else {
      const side = ahead > 0 ? 'behind' : 'ahead of'
      expect(answer).toMatchObject({
        cause: 'credentials',
        detail: expect.stringMatching(
          new RegExp(`^token endpoint: 400 invalid_client; their clock is (\\d+) s ${side} ours$`),
        ),
      })
      expect(Number(/(\d+) s/.exec(JSON.stringify(answer))?.[1])).toBeCloseTo(Math.abs(ahead), -1)
    }
  })
})

describe('where tokens are to be had', () => {
  /** A FHIR server that says where, and lets nobody in without a token. */
  const saying = async (authorization: AuthorizationServer, found: { where: unknown }) =>
    fhirServer((request, response) => {
      if (request.url === '/fhir/.well-known/smart-configuration')
        return typeof found.where === 'string' && found.where.startsWith('<')
          ? void response.writeHead(200, { 'content-type': 'text/html' }).end(found.where)
          : json(response, found.where === undefined ? 404 : 200, { token_endpoint: found.where })
      return json(response, authorization.admits(request.headers.authorization) ? 200 : 401, done)
    })

  test('is read off the smart-configuration once', async () => {
    const authorization = await authorizationServer()
    const there = await saying(authorization, { where: authorization.tokenUrl })
    const peer = smartPeer(there.base)
    expect(await peer.transaction(message, 'r1')).toMatchObject({ fate: 'answered' })
    authorization.revokeAll()
    expect(await peer.transaction(message, 'r2')).toMatchObject({ fate: 'answered' })
    expect(there.requests.filter((r) => r.includes('well-known'))).toHaveLength(1)
  })

  test('is read again after it did not lead to a token', async () => {
    const [before, after] = [await authorizationServer(), await authorizationServer()]
    const found = { where: before.tokenUrl }
    const there = await saying(after, found)
    const peer = smartPeer(there.base)
    await peer.transaction(message, 'r1')
    found.where = after.tokenUrl
    before.instead = (_, response) => json(response, 410, {})
    expect(await peer.transaction(message, 'r2')).toMatchObject({ cause: 'no-token' })
    expect(await peer.transaction(message, 'r3')).toMatchObject({ fate: 'answered' })
  })

  test.for<[string, unknown, string]>([
    ['is not said', undefined, 'smart-configuration: 404'],
    ['is a page', '<html>', 'smart-configuration: not JSON'],
    ['can be read on the way', 'http://harbour.example/token', 'no https token endpoint'],
    ['is no address', 'token', 'no https token endpoint'],
    ['is no text', 7, 'no https token endpoint'],
  ])('%s: told, and nothing is sent', async ([, where, told]) => {
    const authorization = await authorizationServer()
    const there = await saying(authorization, { where })
    expect(await smartPeer(there.base).transaction(message, 'r1')).toMatchObject({
      cause: 'no-token',
      reason: expect.stringContaining(told),
    })
    expect(authorization.requests).toEqual([])
    expect(there.requests).toEqual(['GET /fhir/.well-known/smart-configuration'])
  })
})

describe('a change of keys', () => {
  test('loses no call: they know the next key from the set that they fetched before, and never fetch again', async () => {
    const [before, after] = [
      { current: key, next: nextKey },
      { current: nextKey, next: keyAfter },
    ]
    const inForce: { keys: SigningKeys } = { keys: before }
    const authorization = await authorizationServer(() => inForce.keys)
    authorization.keepKeys = true
    // so short that each call needs another one
    authorization.life = 10
    const there = await guarded(authorization)
    const instance = ({ current }: SigningKeys) =>
      smartPeer(there.base, { key: current, tokenUrl: authorization.tokenUrl })
    const calls = async (peer: Peer) => {
      const answers = []
      for (let round = 0; round < 5; round++)
        answers.push(...(await Promise.all(Array.from({ length: 8 }, () => peer.transaction(message, 'r')))))
      return answers
    }
    const [old, young] = [instance(before), instance(after)]
    const first = await calls(old)
    inForce.keys = after
    // both run for a while, as at a restart one after the other
    const both = (await Promise.all([calls(old), calls(young)])).flat()
    const last = await calls(young)
    expect([...first, ...both, ...last].filter(({ fate }) => fate !== 'answered')).toEqual([])
    expect(authorization.refusals).toEqual([])
    expect(authorization.requests.length).toBeGreaterThanOrEqual(20)
    const kids = new Set(authorization.requests.map((r) => decodeProtectedHeader(r.client_assertion ?? '').kid))
    expect(kids).toEqual(new Set([key.kid, nextKey.kid]))
  })

  test('loses no call where a server that fetches the keys in between meets an instance that was not restarted', async () => {
    const [before, after] = [
      { current: key, next: nextKey },
      { current: nextKey, previous: key },
    ]
    // it fetches the set anew each time, and always from the instance that was restarted
    const authorization = await authorizationServer(() => after)
    authorization.life = 10
    const there = await guarded(authorization)
    const instance = ({ current }: SigningKeys) =>
      smartPeer(there.base, { key: current, tokenUrl: authorization.tokenUrl })
    const answers = await Promise.all(
      [instance(before), instance(after)].flatMap((peer) => [1, 2, 3].map(() => peer.transaction(message, 'r'))),
    )
    expect(answers.filter(({ fate }) => fate !== 'answered')).toEqual([])
    expect(authorization.refusals).toEqual([])
  })

  test('that skips the publication is refused, as it would be anywhere', async () => {
    const authorization = await authorizationServer(() => ({ current: key }))
    const there = await guarded(authorization)
    const peer = smartPeer(there.base, { key: nextKey, tokenUrl: authorization.tokenUrl })
    expect(await peer.transaction(message, 'r1')).toMatchObject({ cause: 'credentials' })
    expect(authorization.refusals).toEqual(['JWKSNoMatchingKey'])
  })
})

const openssl = hasOpenssl()
const made: Certificates | undefined = openssl ? makeCertificates() : undefined

describe('certificates', () => {
  const certificates = (skip: (note: string) => never): Certificates => made ?? skip('no openssl on this machine')
  const asking = ({ ca, server }: Certificates): ServerOptions => ({
    ...server,
    ca,
    requestCert: true,
    rejectUnauthorized: true,
  })

  test('ours is shown to their server, whose authority only we were told of', async ({ skip }) => {
    const c = certificates(skip)
    let shown: unknown
    const there = await fhirServer((request, response) => {
      shown = (request.socket as TLSSocket).getPeerCertificate().subject.CN
      json(response, 200, done)
    }, asking(c))
    const tls = { ...c.client, ca: c.ca }
    expect(await peerTo(there.base, { tls }).transaction(message, 'r1')).toMatchObject({ fate: 'answered' })
    expect(shown).toBe('daybind.example')
  })

  test('tokens come over the same TLS', async ({ skip }) => {
    const c = certificates(skip)
    const authorization = await authorizationServer(undefined, asking(c))
    const there = await guarded(authorization, asking(c))
    const tls = { ...c.client, ca: c.ca }
    const authorized = smart({ base: there.base, tokenUrl: authorization.tokenUrl, tls })
    const peer = peerTo(there.base, { authorization: authorized, tls })
    expect(await peer.transaction(message, 'r1')).toMatchObject({ fate: 'answered' })
  })

  test('without ours, nobody takes our calls', async ({ skip }) => {
    const c = certificates(skip)
    const there = await fhirServer((_, response) => json(response, 200, done), asking(c))
    // a certificate that nobody asks for leads to no connection either, under an authority that they do not know
    const other = makeCertificates()
    const answer = await peerTo(there.base, { tls: { ...other.client, ca: c.ca } }).transaction(message, 'r1')
    expect(answer.fate).not.toBe('answered')
    expect(there.requests).toEqual([])
  })

  test.for<[string, (c: Certificates) => { server: ServerOptions; ca?: string }, string]>([
    ['of an authority that nobody told us of', (c) => ({ server: c.server }), 'UNABLE_TO_VERIFY_LEAF_SIGNATURE'],
    ['for another name', (c) => ({ server: c.elsewhere, ca: c.ca }), 'ERR_TLS_CERT_ALTNAME_INVALID'],
    ['that is over', (c) => ({ server: c.expired, ca: c.ca }), 'CERT_HAS_EXPIRED'],
  ])('theirs, %s: nothing is sent', async ([, make, code], { skip }) => {
    const c = certificates(skip)
    const { server, ca } = make(c)
    const there = await fhirServer((_, response) => json(response, 200, done), server)
    const peer = peerTo(there.base, { token: 'sesame-1234', tls: { ...c.client, ...(ca && { ca }) } })
    expect(await peer.transaction(message, 'r1')).toMatchObject({
      fate: 'try-again',
      cause: 'not-reached',
      reason: expect.stringContaining(code),
    })
    expect(there.requests).toEqual([])
  })
})
