/** The CapabilityStatement, made from the routes: what is not there is not in it. */
import type { CapabilityStatement, CapabilityStatementRestResource } from 'fhir/r4.js'
import { home } from '../../model/systems.ts'
import { searchParameters } from '../postgres/search-parameters.ts'
import { fhirReply, type Route } from './call.ts'

type Interaction = NonNullable<CapabilityStatementRestResource['interaction']>[number]['code']

const systemLevel = ['transaction', 'batch']

const resourceOf = (type: string, routes: readonly Route[]): CapabilityStatementRestResource => {
  const mine = routes.filter((r) => r.fhir?.types.includes(type))
  const codes = new Set(
    mine.flatMap((r) => (r.fhir?.interaction && !systemLevel.includes(r.fhir.interaction) ? [r.fhir.interaction] : [])),
  )
  const operations = new Set(mine.flatMap((r) => (r.fhir?.operation ? [r.fhir.operation] : [])))
  const searched = codes.has('search-type') ? (searchParameters[type] ?? []) : []
  return {
    type: type as CapabilityStatementRestResource['type'],
    interaction: [...codes].map((code) => ({ code: code as Interaction })),
    versioning: 'versioned',
    readHistory: false,
    updateCreate: false,
    ...(mine.some((r) => r.fhir?.conditional === 'create') && { conditionalCreate: true }),
    ...(mine.some((r) => r.fhir?.conditional === 'update') && { conditionalUpdate: true }),
    ...(searched.length > 0 && {
      searchParam: searched.map(({ name, kind, own }) => ({
        name,
        type: kind,
        ...(own && { documentation: 'Our own parameter; R4 defines none of this name for the type.' }),
      })),
    }),
    ...(operations.size > 0 && {
      operation: [...operations].map((name) => ({ name, definition: `${home}/OperationDefinition/${name}` })),
    }),
  }
}

export const capabilityStatement = (
  routes: readonly Route[],
  base: string,
  version: string,
  since: string,
): CapabilityStatement => {
  const fhir = routes.filter((r) => r.fhir !== undefined)
  const types = [...new Set(fhir.flatMap((r) => r.fhir?.types ?? []))].sort()
  const systemOperations = fhir.flatMap((r) =>
    r.fhir?.types.length === 0 && r.fhir.operation ? [r.fhir.operation] : [],
  )
  return {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: since,
    kind: 'instance',
    software: { name: 'Daybind', version },
    implementation: {
      description: 'Ties ambulatory heart monitors to their patients. Not for emergencies; makes no diagnosis.',
      url: `${base}/fhir`,
    },
    fhirVersion: '4.0.1',
    format: ['application/fhir+json', 'application/json'],
    rest: [
      {
        mode: 'server',
        security: { description: 'Bearer tokens, or open on loopback, as configured.' },
        resource: types.map((type) => resourceOf(type, fhir)),
        interaction: systemLevel
          .filter(() => fhir.some((r) => r.fhir?.interaction === 'transaction'))
          .map((code) => ({ code: code as 'transaction' | 'batch' })),
        ...(systemOperations.length > 0 && {
          operation: systemOperations.map((name) => ({ name, definition: `${home}/OperationDefinition/${name}` })),
        }),
      },
    ],
  }
}

export const metadataRoute = (routes: readonly Route[], base: () => string, version: string, since: string): Route => ({
  method: 'GET',
  url: '/fhir/metadata',
  may: 'public',
  step: 'read',
  handle: async () => fhirReply(200, capabilityStatement(routes, base(), version, since)),
})
