/** Bearer tokens: RFC 6750 and RFC 9110, section 11. What is no valid token of a caller is nobody's: 401. */
import crypto from 'node:crypto'
import { readFileSync } from 'node:fs'
import { syncBuiltinESMExports } from 'node:module'
import { describe, expect, it, vi } from 'vitest'
import { refusalOf } from '../support/messages.ts'
import { sendLines } from '../support/raw-http.ts'
import { useTestService } from '../support/service.ts'

const service = useTestService()
const token = 'token-of-ops'
const base64 = (text: string) => Buffer.from(text).toString('base64')

const withAuthorization = (...values: readonly string[]) =>
  sendLines(service().url, 'GET /fhir/Patient HTTP/1.1', [
    'Host: localhost',
    ...values.map((value) => `Authorization: ${value}`),
  ])

describe('the header Authorization', () => {
  it.each([
    ['the token', [`Bearer ${token}`], 200],
    // RFC 9110, section 11.1: the scheme is the same in either case
    ['the scheme in lower case', [`bearer ${token}`], 200],
    ['the scheme in upper case', [`BEARER ${token}`], 200],
    ['none', [], 401],
    ['nothing', [''], 401],
    ['the scheme alone', ['Bearer'], 401],
    ['the scheme and a blank', ['Bearer '], 401],
    ['the token without a scheme', [token], 401],
    ['a token that is none', ['Bearer token-of-nobody'], 401],
    ['the token in upper case', [`Bearer ${token.toUpperCase()}`], 401],
    ['the beginning of the token', [`Bearer ${token.slice(0, -1)}`], 401],
    ['the token and more', [`Bearer ${token}x`], 401],
    ['the token and a word', [`Bearer ${token} x`], 401],
    ['the token in quotes', [`Bearer "${token}"`], 401],
    ['the token as a parameter', [`Bearer token=${token}`], 401],
    ['the token as a percent-encoded one', ['Bearer token%2Dof%2Dops'], 401],
    ['two tokens in one', [`Bearer ${token}, Bearer ${token}`], 401],
    ['Basic, which only pages for people take', [`Basic ${base64(`ops:${token}`)}`], 401],
    ['Basic with the token in the place of the name', [`Basic ${base64(`${token}:`)}`], 401],
    ['Digest', [`Digest username="ops", response="${token}"`], 401],
    ['Negotiate', [`Negotiate ${base64(token)}`], 401],
    ['DPoP', [`DPoP ${token}`], 401],
    ['a scheme of our own making', [`Token ${token}`], 401],
    // singular by RFC 9110, section 5.3: two leave open who is meant
    ['the token twice', [`Bearer ${token}`, `Bearer ${token}`], 401],
    ['the token of one caller and then of another', ['Bearer token-of-pebble', `Bearer ${token}`], 401],
    ['the token, and then none that is valid', [`Bearer ${token}`, 'Bearer x'], 401],
    ['a token of 10,000 letters', [`Bearer ${'a'.repeat(10_000)}`], 401],
    ['the token, 800 times over', [`Bearer ${token.repeat(800)}`], 401],
  ] as const)('with %s', async (_, values, expected) => {
    const answer = await withAuthorization(...values)
    expect(answer.status).toBe(expected)
    if (expected === 401) expect(answer.headers).toContain('www-authenticate: bearer')
  })

  it('with more than the server reads is refused, and the next call is answered', async () => {
    const answer = await withAuthorization(`Bearer ${'a'.repeat(100_000)}`)
    expect([400, 431]).toContain(answer.status)
    expect((await withAuthorization(`Bearer ${token}`)).status).toBe(200)
  })

  it('says nothing about the token that was wrong', async () => {
    const answers = await Promise.all(
      ['token-of-op', `${token}x`, 'x', 'a'.repeat(64)].map(async (t) => (await withAuthorization(`Bearer ${t}`)).body),
    )
    expect(new Set(answers).size).toBe(1)
  })
})

describe('a token elsewhere is none (RFC 6750, section 2.3: an address is logged and shared)', () => {
  it.each([
    ['in the query', () => service().call('GET', `/fhir/Patient?access_token=${token}`)],
    [
      'in the query under another name',
      () => service().call('GET', `/fhir/Patient?token=${token}&authorization=Bearer+${token}`),
    ],
    [
      'in a form',
      () =>
        service().call('POST', '/fhir/Patient/_search', {
          body: `access_token=${token}`,
          headers: { 'content-type': 'application/x-www-form-urlencoded' },
        }),
    ],
    [
      'in a cookie',
      () => service().call('GET', '/fhir/Patient', { headers: { cookie: `access_token=${token}; token=${token}` } }),
    ],
    [
      'in a header of another name',
      () =>
        service().call('GET', '/fhir/Patient', {
          headers: { 'x-api-key': token, 'proxy-authorization': `Bearer ${token}` },
        }),
    ],
  ] as const)('%s', async (_, call) => {
    expect(refusalOf(await call())).toEqual({ status: 401, codes: ['login-needed'] })
  })

  it('not even beside a valid one: it changes nobody and is in no log line and no answer', async () => {
    const answer = await service().as('pebble')('GET', `/deliveries?access_token=${token}`)
    expect(refusalOf(answer)).toEqual({ status: 403, codes: ['not-allowed'] })
    const search = await service().as('ops')('GET', `/fhir/Patient?access_token=secret-in-the-query`)
    expect(search.status).toBe(200)
    expect(search.text).not.toContain('secret-in-the-query')
    expect(service().logText()).not.toMatch(/token-of-|secret-in-the-query/)
  })
})

describe('a page for people', () => {
  const page = (authorization: string, path = '/') => service().call('GET', path, { headers: { authorization } })

  it('takes the token as the password of Basic (RFC 7617), whatever the name', async () => {
    for (const pair of [`ops:${token}`, `:${token}`, `somebody else:${token}`])
      expect([pair, (await page(`Basic ${base64(pair)}`)).status]).toEqual([pair, 200])
    for (const pair of [token, `${token}:`, `${token}:x`, `ops:${token}x`, `ops:x:${token}`, ''])
      expect([pair, (await page(`Basic ${base64(pair)}`)).status]).toEqual([pair, 401])
  })

  it('is no way around the roles', async () => {
    expect((await page(`Basic ${base64('x:token-of-pebble')}`)).status).toBe(403)
    expect(
      (await page(`Basic ${base64('x:token-of-lane-desk')}`, '/reports/day/tern-harbour/2026-03-02.json')).status,
    ).toBe(404)
  })
})

describe('tokens are compared in constant time', () => {
  it('each configured one, by the digests of both', async () => {
    const { timingSafeEqual } = crypto
    const compared: (readonly [Buffer, Buffer])[] = []
    const spy = vi.spyOn(crypto, 'timingSafeEqual').mockImplementation((a, b) => {
      compared.push([a as Buffer, b as Buffer])
      return timingSafeEqual(a, b)
    })
    syncBuiltinESMExports()
    try {
      for (const tried of [service().configuration.callers[0]?.token, token, 'x', 'a'.repeat(5_000)]) {
        compared.length = 0
        await withAuthorization(`Bearer ${tried}`)
        const given = crypto.createHash('sha256').update(String(tried)).digest()
        const known = service().configuration.callers.map((c) => crypto.createHash('sha256').update(c.token).digest())
        // all of them, also where the first is the right one
        expect(compared.map(([a]) => a.toString('hex'))).toEqual(known.map((k) => k.toString('hex')))
        expect(compared.every(([, b]) => b.equals(given))).toBe(true)
      }
    } finally {
      spy.mockRestore()
      syncBuiltinESMExports()
    }
  })

  /** Ways to compare that stop at the first difference. */
  const hasty =
    /\btoken\b\s*[=!]==?(?![=\s]*undefined)|[=!]==?\s*[\w.]*\btoken\b|\b(includes|startsWith|endsWith|has|indexOf|localeCompare|equals|compare)\([^)]*\btoken\b/

  it.each(['c.token === given', 'given !== c.token', 'tokens.has(token)', 'token.startsWith(c.token)', 'a == token'])(
    'the next check finds %s',
    (line) => expect(line).toMatch(hasty),
  )

  it('and in no other way: the code compares a token with nothing else', () => {
    const files = ['callers.ts', 'server.ts', 'call.ts', 'operation.ts']
    const [callers = '', ...others] = files.map((file) =>
      readFileSync(new URL(`../../src/adapters/http/${file}`, import.meta.url), 'utf8')
        .replaceAll(/\/\*[\s\S]*?\*\//g, '')
        .replaceAll(/\/\/.*$/gm, ''),
    )
    expect(callers.split('\n').filter((line) => hasty.test(line))).toEqual([])
    expect(callers.match(/timingSafeEqual\(/g)).toHaveLength(1)
    expect(others.filter((other) => /\.token\b|authorization/i.test(other))).toEqual([])
  })
})
