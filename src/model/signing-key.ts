/** The keys with which Daybind shows authorization servers who it is. Pure. */
import { createHash, createPublicKey, type JsonWebKey, type KeyObject } from 'node:crypto'

/** The two algorithms of SMART Backend Services. */
export type SigningAlgorithm = 'RS384' | 'ES384'

export interface SigningKey {
  /** By which they find the public key among those that we publish. */
  readonly kid: string
  readonly alg: SigningAlgorithm
  readonly privateKey: KeyObject
}

export interface SigningKeys {
  /** Signs. */
  readonly current: SigningKey
  /** Published only, so that everybody knows it before it signs. */
  readonly next?: SigningKey
  /** Published only, for an instance that still signs with it while others were restarted. */
  readonly previous?: SigningKey
}

/** What a thumbprint is made of, in this order: RFC 7638, section 3.2. */
const members: Readonly<Record<string, readonly (keyof JsonWebKey)[]>> = {
  RSA: ['e', 'kty', 'n'],
  EC: ['crv', 'kty', 'x', 'y'],
}

/** The name that follows from a public RSA or EC key itself: RFC 7638, with SHA-256. */
export const thumbprint = (jwk: JsonWebKey): string => {
  const named = (members[jwk.kty ?? ''] ?? []).map((name) => [name, jwk[name]])
  return createHash('sha256')
    .update(JSON.stringify(Object.fromEntries(named)))
    .digest('base64url')
}

/** The public half of a key alone, as it may be shown to everybody. */
export const publicJwk = ({ kid, alg, privateKey }: SigningKey): JsonWebKey => ({
  ...createPublicKey(privateKey).export({ format: 'jwk' }),
  kid,
  alg,
  use: 'sig',
})

/** Our key set: RFC 7517, section 5. */
export const publicKeySet = (keys: SigningKeys): { readonly keys: readonly JsonWebKey[] } => ({
  keys: [keys.current, keys.next, keys.previous].filter((key) => key !== undefined).map(publicJwk),
})
