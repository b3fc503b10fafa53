/** How Daybind shows others who it is, as the configuration file says it. */
import { generateKeyPairSync, type KeyObject } from 'node:crypto'
import { calculateJwkThumbprint, exportJWK } from 'jose'
import { describe, expect, it } from 'vitest'
import { readSigningKey } from '../../src/config/signing-key.ts'
import { readConfiguration } from '../../src/config.ts'
import { publicKeySet, thumbprint } from '../../src/model/signing-key.ts'
import { hasOpenssl, makeCertificates } from '../support/certificates.ts'
import { publishedEc, publishedRsa } from '../support/smart-vectors.ts'

const path = '/etc/daybind/daybind.yaml'
const site = 'sites: [ { id: tern-harbour, name: Tern Harbour Clinic, timeZone: Europe/Dublin } ]\n'

const read = (yaml: string, environment: Record<string, string> = {}, files: Record<string, string> = {}) =>
  readConfiguration({ DAYBIND_CONFIG: path, ...environment }, (name) => {
    const text = { [path]: site + yaml, ...files }[name]
    if (text === undefined) throw Object.assign(new Error('no such file'), { code: 'ENOENT' })
    return text
  })

const good = (...reading: Parameters<typeof read>) => {
  const result = read(...reading)
  if (!result.ok) throw new Error(result.mistakes.join('\n'))
  return result.value
}

const mistakes = (...reading: Parameters<typeof read>): readonly string[] => {
  const result = read(...reading)
  return result.ok ? [] : result.mistakes.map((mistake) => mistake.replace(path, 'daybind.yaml'))
}

const pem = (key: KeyObject, options: object = {}) =>
  key.export({ type: 'pkcs8', format: 'pem', ...options }).toString()
const ec = generateKeyPairSync('ec', { namedCurve: 'P-384' })
const rsa = generateKeyPairSync('rsa', { modulusLength: 2048 })
const weak = generateKeyPairSync('rsa', { modulusLength: 1024 })
const p256 = generateKeyPairSync('ec', { namedCurve: 'P-256' })
const ed = generateKeyPairSync('ed25519')

const keys = 'keys: { current: { env: CURRENT } }\n'
const pebble = (access: string) =>
  `readingServices:\n  - id: pebble\n    fhir: https://pebble.example/fhir\n    ${access}\n`

describe('keys to sign with', () => {
  it('are read from PEM and from JWK, and say by themselves what they sign by', async () => {
    const file = `keys: { current: { file: keys/current.pem }, next: { env: NEXT } }\n${pebble('smart: { clientId: daybind }')}`
    const value = good(
      file,
      { NEXT: JSON.stringify(publishedRsa) },
      { '/etc/daybind/keys/current.pem': pem(ec.privateKey) },
    )
    const { current, next } = value.keys ?? {}
    expect([current?.alg, next?.alg]).toEqual(['ES384', 'RS384'])
    expect(current?.kid).toBe(await calculateJwkThumbprint(await exportJWK(ec.publicKey)))
    expect(next?.kid).toBe(publishedRsa.kid)
    expect(value.readingServices[0]).toMatchObject({ smart: { clientId: 'daybind' } })
  })

  // RFC 7638, section 3.1
  it('are named by their thumbprint', () => {
    const n =
      '0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw'
    expect(thumbprint({ kty: 'RSA', n, e: 'AQAB', alg: 'RS256', kid: '2011-04-29' })).toBe(
      'NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs',
    )
  })

  it('are published without their private halves', () => {
    for (const jwk of [publishedRsa, publishedEc]) {
      const key = readSigningKey(JSON.stringify(jwk))
      const shown = publicKeySet({ current: 'value' in key ? key.value : expect.fail(key.mistake) }).keys[0]
      const { d: _d, key_ops: _ops, ext: _ext, ...rest } = jwk
      const { p: _p, q: _q, dp: _dp, dq: _dq, qi: _qi, ...open } = rest as Record<string, string>
      expect(shown).toEqual({ ...open, use: 'sig' })
    }
  })

  const { kty, crv, x, y } = publishedEc
  it.each<[string, string, string]>([
    [
      'no key',
      'not a key at all',
      'cannot be read as a key, expected a private key as a JWK in JSON or in PEM (PKCS#8)',
    ],
    ['broken JSON', '{"kty":', 'cannot be read as a key'],
    ['a broken JWK', '{"kty":"RSA","d":"x","n":"y"}', 'cannot be read as a JWK'],
    [
      'a public PEM',
      ec.publicKey.export({ type: 'spki', format: 'pem' }).toString(),
      'is a public key, expected the private',
    ],
    ['a public JWK', JSON.stringify({ kty, crv, x, y }), 'is a public key, expected the private key'],
    ['a set of keys', JSON.stringify({ keys: [publishedEc] }), 'is a set of keys, expected one private key'],
    ['a key under a passphrase', pem(ec.privateKey, { cipher: 'aes-256-cbc', passphrase: 'x' }), 'under a passphrase'],
    ['a short RSA key', pem(weak.privateKey), 'an RSA key of 1024 bits, expected at least 2048'],
    ['another curve', pem(p256.privateKey), 'an EC key on the curve prime256v1, expected RSA'],
    ['another kind', pem(ed.privateKey), 'a key for ed25519, expected RSA'],
    [
      'another algorithm',
      JSON.stringify({ ...publishedRsa, alg: 'RS256' }),
      'another algorithm by its "alg", expected RS384',
    ],
    ['a key to encrypt with', JSON.stringify({ ...publishedEc, use: 'enc' }), 'for something else by its "use"'],
    ['a key to verify with', JSON.stringify({ ...publishedEc, key_ops: ['verify'] }), 'for something else by its'],
  ])('%s is refused, and not repeated', (_, CURRENT, told) => {
    const [mistake = '', ...more] = mistakes(keys, { CURRENT })
    expect(more).toEqual([])
    expect(mistake).toMatch(/^daybind\.yaml:2:9 keys\.current: the (secret|JWK) /)
    expect(mistake).toContain(told)
    expect(mistake).not.toContain(CURRENT.slice(30, 60) || CURRENT)
  })

  it('are refused where both are one', () => {
    const file = 'keys: { current: { env: CURRENT }, next: { env: CURRENT } }\n'
    expect(mistakes(file, { CURRENT: pem(rsa.privateKey) })).toEqual([
      'daybind.yaml:2:36 keys.next: the same key, or key id, as keys.current, expected another one',
    ])
    const three = 'keys: { current: { env: CURRENT }, next: { env: NEXT }, previous: { env: NEXT } }\n'
    const told = mistakes(three, { CURRENT: pem(rsa.privateKey), NEXT: pem(ec.privateKey) })
    expect(told).toEqual([expect.stringContaining('keys.previous: the same key, or key id, as keys.next')])
  })

  it('are refused where a key was written into the file', () => {
    const told = mistakes('keys: { current: S3CRET-KEY }\n')
    expect(told).toEqual([expect.stringContaining('keys.current: found a value written here, expected { env: NAME }')])
  })
})

describe('SMART Backend Services', () => {
  const withKeys = { CURRENT: pem(ec.privateKey), T: 'token' }

  it('takes an id, and if need be an address, a scope and an algorithm', () => {
    const smart =
      'smart: { clientId: daybind, tokenUrl: "https://auth.example/token", scope: "system/Task.crus system/*.rs", alg: ES384 }'
    expect(good(keys + pebble(smart), withKeys).readingServices[0]?.smart).toEqual({
      clientId: 'daybind',
      tokenUrl: 'https://auth.example/token',
      scope: 'system/Task.crus system/*.rs',
    })
  })

  it.each<[string, string, string]>([
    [
      'keys missing',
      pebble('smart: { clientId: daybind }'),
      'daybind.yaml:5:5 readingServices[0].smart: expected "keys: { current: { env: NAME } }" beside "sites": its requests are signed',
    ],
    [
      'a token besides',
      keys + pebble('smart: { clientId: daybind }\n    token: { env: T }'),
      'daybind.yaml:6:5 readingServices[0].smart: found "smart" beside "token", expected only one of them',
    ],
    [
      'no id',
      keys + pebble('smart: {}'),
      'daybind.yaml:6:5 readingServices[0].smart.clientId: missing, expected the client id that is registered there',
    ],
    [
      'an address that others read',
      keys + pebble('smart: { clientId: d, tokenUrl: "http://auth.example/token" }'),
      'daybind.yaml:6:27 readingServices[0].smart.tokenUrl: found "http://auth.example/token", expected an https address: whoever reads the answer on the way has the token',
    ],
    [
      'letters of a scope in another order',
      keys + pebble('smart: { clientId: d, scope: "system/Task.sur" }'),
      'daybind.yaml:6:27 readingServices[0].smart.scope: found "system/Task.sur", expected scopes with single spaces between them, such as "system/Patient.rs system/Task.crus"',
    ],
    [
      'an algorithm that the key has not',
      keys + pebble('smart: { clientId: d, alg: RS384 }'),
      'daybind.yaml:6:27 readingServices[0].smart.alg: found "RS384", expected ES384, which is what keys.current signs with',
    ],
    [
      'an algorithm that is none',
      keys + pebble('smart: { clientId: d, alg: RS256 }'),
      'daybind.yaml:6:27 readingServices[0].smart.alg: found "RS256", expected RS384 or ES384',
    ],
    [
      'no server for it',
      `${keys}sources: [ { id: ehr, smart: { clientId: d } } ]\n`,
      'daybind.yaml:3:23 sources[0].smart: expected "fhir" beside it: it is for that server',
    ],
  ])('%s: told with its place', (_, yaml, mistake) => {
    expect(mistakes(yaml, withKeys)).toEqual([mistake])
  })

  it.each(['system/*.read', 'system/Patient.*', 'system/Observation.rs?category=x', 'openid system/Task.c'])(
    'takes the scope %s',
    (scope) => {
      expect(mistakes(keys + pebble(`smart: { clientId: d, scope: "${scope}" }`), withKeys)).toEqual([])
    },
  )

  it.each(['', 'system/Patient.', 'system/Patient', 'system/patient.rs', 'system/Task.rs  system/Task.c', 'a"b'])(
    'refuses the scope %j',
    (scope) => {
      expect(mistakes(`${keys}${pebble(`smart: { clientId: d, scope: '${scope}' }`)}`, withKeys)).toHaveLength(1)
    },
  )

  it('warns of a server to which the token would travel in the clear', () => {
    const yaml = `${keys}readingServices: [ { id: pebble, fhir: "http://pebble.example/fhir", smart: { clientId: d } } ]\n`
    expect(good(yaml, withKeys).warnings).toEqual([expect.stringContaining('the token travels over http')])
  })
})

describe('certificates for TLS', () => {
  const tls = (more = '') => pebble(`tls: { cert: { file: cert }, key: { file: key }${more} }`)

  it('are read with the authority that goes with them', ({ skip }) => {
    if (!hasOpenssl()) skip('no openssl on this machine')
    const { ca, client } = makeCertificates()
    const files = { '/etc/daybind/cert': client.cert, '/etc/daybind/key': client.key, '/etc/daybind/ca': ca }
    const read = good(tls(', ca: { file: ca }'), {}, files).readingServices[0]?.tls
    expect(read).toEqual({ cert: client.cert.trimEnd(), key: client.key.trimEnd(), ca: ca.trimEnd() })
  })

  it('are told where they do not fit, cannot be read, or have no use', ({ skip }) => {
    if (!hasOpenssl()) skip('no openssl on this machine')
    const { server, client } = makeCertificates()
    const file = (cert: string, key: string) => ({ '/etc/daybind/cert': cert, '/etc/daybind/key': key })
    const where = 'daybind.yaml:5:5 readingServices[0].tls'
    expect(mistakes(tls(), {}, file(client.cert, server.key))).toEqual([
      `${where}: the certificate is not that of the key`,
    ])
    expect(mistakes(tls(), {}, file('x', client.key))).toEqual([
      'daybind.yaml:5:12 readingServices[0].tls.cert: the file holds no certificate in PEM that can be read',
    ])
    expect(mistakes(tls(), {}, file(client.cert, 'x'))).toEqual([
      'daybind.yaml:5:34 readingServices[0].tls.key: the file holds no private key in PEM that can be read without a passphrase',
    ])
    expect(mistakes(tls(), {}, { '/etc/daybind/cert': client.cert })).toEqual([
      'daybind.yaml:5:34 readingServices[0].tls.key: file /etc/daybind/key cannot be read (ENOENT)',
    ])
    const clear = tls().replace('https:', 'http:')
    expect(mistakes(clear, {}, file(client.cert, client.key))).toEqual([
      `${where}: expected an https address in "fhir": over http no certificate is shown`,
    ])
  })
})
