/** Keys to sign with, made anew for each run. */
import { generateKeyPairSync } from 'node:crypto'
import { readSigningKey } from '../../src/config/signing-key.ts'
import type { SigningKey, SigningKeys } from '../../src/model/signing-key.ts'

export const keyFrom = (text: string): SigningKey => {
  const read = readSigningKey(text)
  if ('mistake' in read) throw new Error(read.mistake)
  return read.value
}

export const newPem = (): string =>
  generateKeyPairSync('ec', { namedCurve: 'P-384' }).privateKey.export({ type: 'pkcs8', format: 'pem' }).toString()

export const newKey = (): SigningKey => keyFrom(newPem())

export const testKeys: SigningKeys = { current: newKey(), next: newKey() }
