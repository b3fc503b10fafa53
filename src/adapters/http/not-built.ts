/** Routes of the contract that are not built yet: they say so, to whoever may call them, and are in no CapabilityStatement. */

import type { Role } from '../../model/configuration.ts'
import { refusal } from '../../model/problems.ts'
import { problemReply, type Route } from './call.ts'

const clinic: readonly Role[] = ['clinic', 'operator']
const reports: readonly Role[] = ['reading-service', 'operator']
const definitions = [
  'StructureDefinition',
  'OperationDefinition',
  'CodeSystem',
  'ValueSet',
  'SearchParameter',
  'Measure',
]

type Row = readonly [method: Route['method'], url: string, may: Route['may'], step: Route['step']]

const rows: readonly Row[] = [
  ['POST', '/fhir/ServiceRequest/:id/$join', clinic, 'apply-device'],
  ['POST', '/fhir/Device/$suggest-orders', clinic, 'return-device'],
  ['POST', '/fhir/DiagnosticReport', reports, 'send-result'],
  ['PUT', '/fhir/DiagnosticReport', reports, 'send-result'],
  ['PUT', '/fhir/DiagnosticReport/:id', reports, 'send-result'],
  ...definitions.flatMap((type): Row[] => [
    ['GET', `/fhir/${type}`, 'public', 'read'],
    ['GET', `/fhir/${type}/:id`, 'public', 'read'],
  ]),
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
