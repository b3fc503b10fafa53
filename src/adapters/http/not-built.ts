/** Routes of the contract that are not built yet: they say so, to whoever may call them, and are in no CapabilityStatement. */

import type { Role } from '../../model/configuration.ts'
import { refusal } from '../../model/problems.ts'
import { problemReply, type Route } from './call.ts'

const clinic: readonly Role[] = ['clinic', 'operator']

type Row = readonly [method: Route['method'], url: string, may: Route['may'], step: Route['step']]

const rows: readonly Row[] = [
  ['POST', '/fhir/ServiceRequest/:id/$join', clinic, 'apply-device'],
  ['POST', '/fhir/Device/$suggest-orders', clinic, 'return-device'],
  ['GET', '/metrics', ['operator'], 'operate'],
  ['GET', '/openapi.json', 'public', 'operate'],
]

export const notBuiltRoutes: readonly Route[] = rows.map(([method, url, may, step]) => ({
  method,
  url,
  ...(method !== 'GET' && { query: ['identifier'] }),
  may,
  step,
  handle: async () => problemReply([refusal('not-built', '', { found: `${method} ${url}` })]),
}))
