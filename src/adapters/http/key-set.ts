/** Our public keys, for authorization servers that have to know that it is us who asks. */
import { publicKeySet, type SigningKeys } from '../../model/signing-key.ts'
import type { Route } from './call.ts'

export const keySetPath = '/.well-known/jwks.json'

/**
 * Kept by those who fetch it for five minutes at most, so that a key that was added is known soon; whoever meets an
 * unknown `kid` fetches it anew anyway.
 */
export const keySetRoutes = (keys: SigningKeys): readonly Route[] => {
  const body = JSON.stringify(publicKeySet(keys))
  return [
    {
      method: 'GET',
      url: keySetPath,
      may: 'public',
      step: 'operate',
      handle: async () => ({
        status: 200,
        body,
        type: 'application/json; charset=utf-8',
        headers: { 'cache-control': 'public, max-age=300' },
      }),
    },
  ]
}
