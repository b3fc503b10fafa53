/** The CapabilityStatement, made from the routes: what is not there is not in it. */
import type { CapabilityStatement, CapabilityStatementRestResource } from 'fhir/r4.js'
import { home, ownOperation, ownSearchParameter } from '../../model/systems.ts'
import { searchLimits } from '../postgres/read-search.ts'
import { includesOf, revIncludesOf } from '../postgres/search-includes.ts'
import { type SearchParameter, searchParameters } from '../postgres/search-parameters.ts'
import { fhirReply, type Route } from './call.ts'
import { type Definition, definitionSearches, profilesOf } from './definitions.ts'
import { keySetPath } from './key-set.ts'

type Interaction = NonNullable<CapabilityStatementRestResource['interaction']>[number]['code']

const systemLevel = ['transaction', 'batch']

/** Operations that R4 itself defines; all others are ours. */
const definitionOf = (operation: string): string =>
  operation === 'validate' ? 'http://hl7.org/fhir/OperationDefinition/Resource-validate' : ownOperation(operation)

const operationsOf = (names: Iterable<string>) =>
  [...new Set(names)].map((name) => ({ name, definition: definitionOf(name) }))

const documentationOf = ({ name, own, named, paths }: SearchParameter): string =>
  [
    own && 'Our own parameter; R4 defines none of this name for the type.',
    named && `Named by an identifier, not by an address: search with ${name}:identifier=system|value.`,
    paths.includes('serialNumber') && 'Finds the serial number too, as an identifier without a system.',
  ]
    .filter(Boolean)
    .join(' ')

const searchParamOf = (type: string, p: SearchParameter) => {
  const documentation = documentationOf(p)
  return {
    name: p.name,
    ...(p.own && { definition: ownSearchParameter(type, p.name) }),
    type: p.kind,
    ...(documentation !== '' && { documentation }),
  }
}

const searchingOf = (type: string): Partial<CapabilityStatementRestResource> => {
  const [searchInclude, searchRevInclude] = [[...includesOf(type)], [...revIncludesOf(type)]]
  return {
    ...(searchInclude.length > 0 && { searchInclude }),
    ...(searchRevInclude.length > 0 && { searchRevInclude }),
    searchParam: searchParameters[type]?.map((p) => searchParamOf(type, p)) ?? [...definitionSearches],
  }
}

/** What a search takes besides the parameters of its type. */
const searchRules = `A search takes also _count (at most ${searchLimits.page}), _sort (_lastUpdated, -_lastUpdated), _total, _summary=count, _include and _revinclude as listed; at most ${searchLimits.parameters} parameters, ${searchLimits.values} values and ${searchLimits.includes} includes. All pages that the next links lead to are read as of the moment of the first one, for a day.`

/** Types that no call writes but a Bundle. */
const onlyInBundle =
  'Written in a transaction or batch alone, by an entry with POST, or with PUT by id or by identifier.'

/** What the entries of a Bundle may be. */
const bundleRules = (routes: readonly Route[]): string => {
  const types = routes.flatMap((r) => (r.fhir?.interaction === 'transaction' ? r.fhir.types : []))
  return `Entries are POST and PUT of ${types.toSorted().join(', ')}; what else is asked of one is refused.`
}

const resourceOf = (
  type: string,
  routes: readonly Route[],
  definitions: readonly Definition[],
): CapabilityStatementRestResource => {
  const mine = routes.filter((r) => r.fhir?.types.includes(type))
  const codes = new Set(
    mine.flatMap((r) => (r.fhir?.interaction && !systemLevel.includes(r.fhir.interaction) ? [r.fhir.interaction] : [])),
  )
  const operations = mine.flatMap((r) => (r.fhir?.operation ? [r.fhir.operation] : []))
  const supportedProfile = [...profilesOf(definitions, type)]
  const isStored = codes.has('vread')
  const inBundle = mine.some((r) => r.fhir?.interaction === 'transaction') && !codes.has('create')
  return {
    type: type as CapabilityStatementRestResource['type'],
    ...(supportedProfile.length > 0 && { supportedProfile }),
    ...(inBundle && { documentation: onlyInBundle }),
    interaction: [...codes].map((code) => ({ code: code as Interaction })),
    versioning: isStored ? 'versioned' : 'no-version',
    readHistory: isStored,
    updateCreate: false,
    ...(codes.has('read') && { conditionalRead: isStored ? 'full-support' : 'not-match' }),
    ...(mine.some((r) => r.fhir?.conditional === 'create') && { conditionalCreate: true }),
    ...(mine.some((r) => r.fhir?.conditional === 'update') && { conditionalUpdate: true }),
    ...(codes.has('search-type') && searchingOf(type)),
    ...(operations.length > 0 && { operation: operationsOf(operations) }),
  }
}

/** How we are called, and how others know us when we call them. */
const securityOf = (routes: readonly Route[], base: string): string =>
  [
    'Bearer tokens, or open on loopback, as configured.',
    ...(routes.some(({ url }) => url === keySetPath)
      ? [`Where Daybind asks others for tokens by SMART Backend Services, its public keys are at ${base}${keySetPath}.`]
      : []),
  ].join(' ')

const statementUrl = `${home}/CapabilityStatement/daybind`

/** R4 asks for a date: the day on which it became a definition, so that it does not change by itself. */
const sinceWhen = '2026-11-28'

/** What every instance of a release can do: a definition of the package, which the running ones instantiate. */
export const requirements = (
  routes: readonly Route[],
  definitions: readonly Definition[],
  version: string,
): CapabilityStatement => {
  const {
    software: _s,
    implementation: _i,
    instantiates: _o,
    ...shared
  } = capabilityStatement(routes, definitions, home, version, sinceWhen)
  return {
    ...shared,
    id: 'daybind',
    url: statementUrl,
    version,
    name: 'Daybind',
    title: 'Daybind',
    experimental: false,
    publisher: 'Daybind',
    description: 'What an instance of Daybind takes and gives. Not for emergencies; makes no diagnosis.',
    kind: 'requirements',
  }
}

/** @param definitions ours: profiles are named by type */
export const capabilityStatement = (
  routes: readonly Route[],
  definitions: readonly Definition[],
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
    instantiates: [statementUrl],
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
        documentation: searchRules,
        security: { description: securityOf(routes, base) },
        resource: types.map((type) => resourceOf(type, fhir, definitions)),
        interaction: systemLevel
          .filter(() => fhir.some((r) => r.fhir?.interaction === 'transaction'))
          .map((code) => ({ code: code as 'transaction' | 'batch', documentation: bundleRules(fhir) })),
        searchParam: [
          { name: '_id', type: 'token' },
          { name: '_lastUpdated', type: 'date', documentation: 'Not of definitions: they change with a release.' },
        ],
        ...(systemOperations.length > 0 && { operation: operationsOf(systemOperations) }),
      },
    ],
  }
}

export const metadataRoute = (
  routes: readonly Route[],
  definitions: readonly Definition[],
  base: () => string,
  version: string,
  since: string,
): Route => ({
  method: 'GET',
  url: '/fhir/metadata',
  may: 'public',
  step: 'read',
  handle: async () => fhirReply(200, capabilityStatement(routes, definitions, base(), version, since)),
})
