/** Reads a private key that a secret holds: a JWK in JSON, or PEM. What is wrong is told without a word of it. */
import { createPrivateKey, createPublicKey, type JsonWebKey, type KeyObject } from 'node:crypto'
import { type SigningAlgorithm, type SigningKey, thumbprint } from '../model/signing-key.ts'

type Reading<T> = { readonly value: T } | { readonly mistake: string }

const expected = 'expected a private key as a JWK in JSON or in PEM (PKCS#8)'

const parsed = (text: string): unknown => {
  try {
    return JSON.parse(text)
  } catch {
    return undefined
  }
}

const objectFrom = (input: Parameters<typeof createPrivateKey>[0]): KeyObject | undefined => {
  try {
    return createPrivateKey(input)
  } catch {
    return undefined
  }
}

const pemKey = (text: string): Reading<KeyObject> => {
  const label = /^-----BEGIN ([A-Z0-9 ]{1,40})-----/.exec(text)?.[1]
  if (label === 'ENCRYPTED PRIVATE KEY' || /^Proc-Type: 4,ENCRYPTED/m.test(text))
    return { mistake: 'the secret is a private key under a passphrase, expected one without' }
  if (label === 'PUBLIC KEY' || label === 'CERTIFICATE')
    return { mistake: `the secret is a ${label.toLowerCase()}, expected the private key` }
  const value = objectFrom(text)
  return value ? { value } : { mistake: `the secret cannot be read as a key, ${expected}` }
}

const jwkKey = (jwk: JsonWebKey): Reading<KeyObject> => {
  if ('keys' in jwk) return { mistake: 'the secret is a set of keys, expected one private key' }
  if ((jwk.kty === 'RSA' || jwk.kty === 'EC') && jwk.d === undefined)
    return { mistake: 'the secret is a public key, expected the private key' }
  if ((jwk.use ?? 'sig') !== 'sig' || (Array.isArray(jwk.key_ops) && !jwk.key_ops.includes('sign')))
    return { mistake: 'the JWK is for something else by its "use" or "key_ops", expected one for signing' }
  const value = objectFrom({ key: jwk, format: 'jwk' })
  return value ? { value } : { mistake: `the secret cannot be read as a JWK, ${expected}` }
}

const strongEnough = 2048

const algorithmOf = ({
  asymmetricKeyType: type,
  asymmetricKeyDetails: details,
}: KeyObject): Reading<SigningAlgorithm> => {
  if (type === 'rsa' && (details?.modulusLength ?? 0) >= strongEnough) return { value: 'RS384' }
  if (type === 'rsa')
    return { mistake: `the secret is an RSA key of ${details?.modulusLength} bits, expected at least ${strongEnough}` }
  if (type === 'ec' && details?.namedCurve === 'secp384r1') return { value: 'ES384' }
  const found = type === 'ec' ? `an EC key on the curve ${details?.namedCurve}` : `a key for ${type}`
  return { mistake: `the secret is ${found}, expected RSA (for RS384) or EC on the curve P-384 (for ES384)` }
}

/** @returns the key under its own `kid`, else under its thumbprint */
export const readSigningKey = (text: string): Reading<SigningKey> => {
  const trimmed = text.trim()
  const json = trimmed.startsWith('{') ? parsed(trimmed) : undefined
  const jwk = typeof json === 'object' && json !== null ? (json as JsonWebKey) : undefined
  const read = jwk ? jwkKey(jwk) : pemKey(trimmed)
  if ('mistake' in read) return read
  const alg = algorithmOf(read.value)
  if ('mistake' in alg) return alg
  if ((jwk?.alg ?? alg.value) !== alg.value)
    return { mistake: `the JWK is for another algorithm by its "alg", expected ${alg.value}` }
  const own = typeof jwk?.kid === 'string' && jwk.kid !== '' ? jwk.kid : undefined
  const kid = own ?? thumbprint(createPublicKey(read.value).export({ format: 'jwk' }))
  return { value: { kid, alg: alg.value, privateKey: read.value } }
}
