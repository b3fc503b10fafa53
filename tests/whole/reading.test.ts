import type {
  Bundle,
  CapabilityStatement,
  CapabilityStatementRestResource,
  DetectedIssue,
  FhirResource,
  OperationOutcome,
  Patient,
  Resource,
} from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { definitionTypes } from '../support/definition-types.ts'
import {
  aPatient,
  bundle,
  codesIn,
  entry,
  found,
  harbourOrders,
  harbourPatients,
  placeOrder,
  refusalOf,
} from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { applied, makeWorld, type ReadType, readTypes, received, type World, worldDi } from '../support/world.ts'

const service = useTestService()
const operator: Ask = (...asked) => service().as('ops')(...asked)
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
let world: World
/** What the revoked order's gap is about. */
let gap: DetectedIssue
beforeAll(async () => {
  world = await makeWorld(service())
  gap = (await operator<DetectedIssue>('GET', `/fhir/DetectedIssue/${world.DetectedIssue}`)).body
})

const nobody = '01900000-0000-7000-8000-000000000001'

describe('one resource', () => {
  it.each(readTypes)('%s: is read with its version, by GET and by HEAD', async (type) => {
    const path = `/fhir/${type}/${world[type]}`
    const [got, head] = [await operator<Resource>('GET', path), await operator('HEAD', path)]
    expect([got.status, got.body.resourceType, got.body.id]).toEqual([200, type, world[type]])
    expect(got.headers.get('etag')).toBe(`W/"${got.body.meta?.versionId}"`)
    expect(Date.parse(got.headers.get('last-modified') ?? '')).toBe(
      Math.floor(Date.parse(got.body.meta?.lastUpdated ?? '') / 1000) * 1000,
    )
    expect([head.status, head.text]).toEqual([200, ''])
    for (const name of ['etag', 'last-modified', 'content-type', 'content-length'])
      expect([name, head.headers.get(name)]).toEqual([name, got.headers.get(name)])
  })

  it('not there, not visible, no id of ours: the same answer', async () => {
    const lowwater = service().as('lowwater-ehr')
    const answers = [
      await lowwater('GET', `/fhir/Patient/${world.Patient}`),
      await lowwater('GET', `/fhir/Patient/${nobody}`),
      await lowwater('GET', '/fhir/Patient/4711'),
      await lowwater('GET', `/fhir/Patient/${world.ServiceRequest}`),
    ]
    expect(answers.map(refusalOf)).toEqual(Array(4).fill({ status: 404, codes: ['not-known'] }))
    expect(new Set(answers.map((a) => a.text)).size).toBe(1)
    expect((await lowwater('HEAD', `/fhir/Patient/${world.Patient}`)).status).toBe(404)
  })

  it('an address that cannot be decoded, or is too long for any id, is told in FHIR', async () => {
    const broken = { status: 400, codes: ['malformed-request'] }
    expect(refusalOf(await ehr('GET', '/fhir/Patient/%E0%A4%A'))).toEqual(broken)
    expect(refusalOf(await ehr('GET', `/fhir/Patient/${'x'.repeat(500)}`))).toEqual({
      status: 404,
      codes: ['not-known'],
    })
  })
})

type Queries = readonly [finds: readonly string[], misses: readonly string[]]

const numbered = (type: string): Queries => [
  [`https://harbour.example/${type}|W1`, 'W1', `https://harbour.example/${type}|`, 'W9,W1'],
  ['|W1', 'https://harbour.example/other|W1', `https://harbour.example/${type}|W9`, 'W'],
]
const ours = (type: ReadType, system: string): Queries => [
  [`https://daybind.example/${system}|{${type}}`, `{${type}}`],
  [`https://daybind.example/other|{${type}}`],
]
const to = (type: ReadType): Queries => [
  [`{${type}}`, `${type}/{${type}}`, `{base}/fhir/${type}/{${type}}`, `${nobody},{${type}}`],
  [nobody, `${type}/${nobody}`, `Group/{${type}}`],
]
const coded = (system: string, code: string): Queries => [
  [`${system}|${code}`, code, `other,${code}`],
  [`|${code}`, `urn:x|${code}`, 'other'],
]
/** @param system of the required binding of the type's `status`. Source: http://hl7.org/fhir/R4/valueset-<name>.html */
const status = (name: string, code: string): Queries => [
  [
    code,
    `draft,${code}`,
    ...['', code, `draft,http://hl7.org/fhir/${name}|${code}`].map((c) => `http://hl7.org/fhir/${name}|${c}`),
  ],
  [
    'draft',
    code.toUpperCase(),
    `|${code}`,
    `http://hl7.org/fhir/other-status|${code}`,
    `http://hl7.org/fhir/${name}|draft`,
  ],
]
const lately: Queries = [
  [`ge${applied}`, `le${received}`, 'sa2020', 'eb2100', 'gt2020', 'lt2100', 'ne2020'],
  ['2020', 'sa2100', 'eb2020', 'lt2020-05-01', 'gt2100-01', `gt${received}`, `lt${applied}`],
]

/** Each parameter of each type, with values by which the resource of `world` is found and is not found. */
const table: Readonly<Record<ReadType, Readonly<Record<string, Queries>>>> = {
  ServiceRequest: {
    identifier: [
      [`${harbourOrders}|W1`, 'W1', `${harbourOrders}|`],
      ['|W1', `${harbourPatients}|W1`, `${harbourOrders}|W9`],
    ],
    patient: to('Patient'),
    subject: to('Patient'),
    status: status('request-status', 'active'),
    code: coded('http://snomed.info/sct', '46825001'),
    authored: [
      ['2026', '2026-03', '2026-03-02', '2026-03-02T08:30Z', '2026-03-02T09:30:00%2B01:00', 'ge2026-03-02T08:30:00Z'],
      ['2025', '2026-03-02T09:30:00Z', 'gt2026-03-02T08:30:00Z', 'lt2026-03-02T08:30:00Z', 'ne2026-03-02'],
    ],
    occurrence: [
      [
        '2026-03',
        'ge2026-03-24',
        'le2026-03-10',
        'gt2026-03-12',
        'lt2026-03-12',
        'ne2026-03-12',
        'sa2026-03-09',
        'eb2026-03-25',
      ],
      ['2026-03-12', 'sa2026-03-10', 'eb2026-03-24', 'lt2026-03-10', 'gt2026-03-24', 'ge2026-03-25', 'le2026-03-09'],
    ],
  },
  Patient: {
    identifier: [
      [`${harbourPatients}|W1`, 'W1', `${harbourPatients}|`],
      ['|W1', `${harbourOrders}|W1`, `${harbourPatients}|W9`],
    ],
    birthdate: [
      [
        '1950',
        '1950-03',
        '1950-03-17',
        'ge1950-03-17',
        'le1950-03-17',
        'gt1950-03-16',
        'lt1950-03-18',
        'ne1951',
        'sa1950-03-16',
        'eb1950-03-18',
        '1949,1950',
      ],
      [
        '1951',
        '1950-04',
        '1950-03-18',
        'gt1950-03-17',
        'lt1950-03-17',
        'ne1950',
        'sa1950',
        'eb1950',
        'gt1950',
        'lt1950',
      ],
    ],
    family: [
      ['Núñez-Ørsted', 'nunez', 'NÚÑ', 'nunezo', 'Nu%CC%81n%CC%83ez', 'x,nun'],
      ['orsted', 'nunezx', 'maria'],
    ],
    given: [
      ['maria', 'María José', 'mariajo', 'ana'],
      ['jose', 'nunez'],
    ],
    active: [['true'], ['false']],
  },
  Device: {
    // the serial number too, which has no system
    identifier: [
      [...ours('Device', 'devices')[0], 'W1', '|W1', 'x,W1'],
      [...ours('Device', 'devices')[1], 'https://daybind.example/devices|W1', 'w1', 'W'],
    ],
    patient: [[], ['{Patient}']],
    'udi-di': [[worldDi, worldDi.slice(0, 8)], ['09520123456795']],
    status: status('device-status', 'active'),
  },
  DeviceUseStatement: {
    device: to('Device'),
    identifier: ours('DeviceUseStatement', 'links'),
    patient: to('Patient'),
    subject: to('Patient'),
    status: status('device-statement-status', 'completed'),
    'based-on': to('ServiceRequest'),
  },
  Procedure: {
    identifier: ours('Procedure', 'procedures'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    status: status('event-status', 'completed'),
    date: [
      [applied, `ge${applied}`, `le${applied}`, 'sa2020', 'eb2100'],
      [`gt${applied}`, `lt${applied}`, '2020'],
    ],
  },
  Task: {
    identifier: ours('Task', 'tasks'),
    owner: [[], [nobody]],
    'owner:identifier': [
      ['https://daybind.example/reading-services|pebble', 'pebble'],
      ['https://daybind.example/reading-services|other'],
    ],
    status: status('task-status', 'requested'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    focus: to('ServiceRequest'),
    code: coded('http://hl7.org/fhir/CodeSystem/task-code', 'fulfill'),
  },
  Observation: {
    identifier: ours('Observation', 'observations'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    device: to('Device'),
    status: status('observation-status', 'preliminary'),
    code: coded('http://loinc.org', '18754-2'),
    date: lately,
  },
  DiagnosticReport: {
    identifier: ours('DiagnosticReport', 'reports'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    status: status('diagnostic-report-status', 'preliminary'),
    date: lately,
    result: to('Observation'),
    mark: coded('urn:oid:2.999.7', 'batch-9'),
  },
  Media: {
    identifier: ours('Media', 'media'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    status: status('event-status', 'completed'),
  },
  Binary: { 'content-type': [['text/plain'], ['text', 'TEXT/PLAIN', 'application/pdf']] },
  DetectedIssue: {
    identifier: ours('DetectedIssue', 'gaps'),
    patient: [
      ['{gapPatient}', 'Patient/{gapPatient}'],
      ['{Patient}', nobody],
    ],
    code: coded('https://daybind.example/CodeSystem/gap', 'revoked-while-worn'),
    identified: [
      ['sa2020', 'eb2100'],
      ['2020', 'gt2100'],
    ],
    implicated: [
      ['{gapOrder}', 'ServiceRequest/{gapOrder}', 'ServiceRequest/x,ServiceRequest/{gapOrder}'],
      ['{ServiceRequest}', 'Device/{gapOrder}'],
    ],
    status: [
      ['final,preliminary', 'http://hl7.org/fhir/observation-status|'],
      ['registered', 'http://hl7.org/fhir/detectedissue-status|'],
    ],
  },
  Provenance: {
    target: to('DeviceUseStatement'),
    recorded: [
      ['sa2020', 'eb2100'],
      ['2020', 'gt2100'],
    ],
  },
  AuditEvent: {
    date: [
      ['sa2020', 'eb2100'],
      ['2020', 'gt2100'],
    ],
    agent: [[], [nobody]],
    'agent:identifier': [
      ['https://daybind.example/callers|bay-3', 'bay-3'],
      ['https://daybind.example/callers|lane-desk'],
    ],
    entity: to('DeviceUseStatement'),
    patient: to('Patient'),
  },
  Encounter: {
    identifier: numbered('Encounter'),
    patient: to('Patient'),
    'based-on': to('ServiceRequest'),
    status: status('encounter-status', 'arrived'),
  },
  Appointment: {
    identifier: numbered('Appointment'),
    'based-on': to('ServiceRequest'),
    status: status('appointmentstatus', 'booked'),
  },
  Practitioner: { identifier: numbered('Practitioner') },
  PractitionerRole: { identifier: numbered('PractitionerRole') },
  Organization: { identifier: numbered('Organization') },
  Location: { identifier: numbered('Location') },
  Condition: { identifier: numbered('Condition'), patient: to('Patient') },
}

const filled = (query: string): string =>
  query.replace(/\{(\w+)\}/g, (_, name: string) => {
    if (name === 'base') return service().url
    if (name === 'gapPatient') return gap.patient?.reference?.split('/')[1] ?? ''
    if (name === 'gapOrder')
      return (
        gap.implicated
          ?.map((r) => r.reference)
          .find((r) => r?.startsWith('ServiceRequest/'))
          ?.split('/')[1] ?? ''
      )
    return world[name as ReadType]
  })

const parametersOf = (type: ReadType) =>
  Object.entries(table[type]).map(([name, [finds, misses]]): [string, readonly string[], readonly string[]] => [
    name,
    finds.map((v) => filled(`${name}=${v}`)),
    misses.map((v) => filled(`${name}=${v}`)),
  ])

describe('a search', () => {
  it.each(readTypes)('%s: finds by each of its parameters, and by nothing else', async (type) => {
    for (const [, finds, misses] of parametersOf(type)) {
      for (const query of finds)
        expect([query, await found(operator, type, query)]).toEqual([query, expect.arrayContaining([world[type]])])
      for (const query of misses)
        expect([query, await found(operator, type, query)]).not.toEqual([query, expect.arrayContaining([world[type]])])
    }
  })

  it.each(readTypes)('%s: finds nothing for whom it does not concern', async (type) => {
    for (const [, finds] of parametersOf(type))
      for (const query of finds)
        expect([query, await found(service().as('lowwater-ehr'), type, query)]).toEqual([query, []])
  })

  it('takes all its parameters together, by GET and by POST', async () => {
    const query = filled(
      `patient={Patient}&status=active&identifier=${harbourOrders}|W1&authored=2026-03-02&code=46825001`,
    )
    const [got, posted] = [
      await ehr<Bundle>('GET', `/fhir/ServiceRequest?${query}`),
      await ehr<Bundle>('POST', '/fhir/ServiceRequest/_search', {
        body: query,
        headers: { 'content-type': 'application/x-www-form-urlencoded' },
      }),
    ]
    expect(got.body.entry?.map((e) => [e.fullUrl, e.search?.mode])).toEqual([
      [`${service().url}/fhir/ServiceRequest/${world.ServiceRequest}`, 'match'],
    ])
    expect(posted.text).toBe(got.text)
    expect(await found(ehr, 'ServiceRequest', `${query}&status=revoked`)).toEqual([])
    expect(refusalOf(await ehr('POST', '/fhir/ServiceRequest/_search', { body: {} }))).toEqual({
      status: 415,
      codes: ['media-type-not-taken'],
    })
  })

  it('by _id and _lastUpdated', async () => {
    const { body } = await ehr<Patient>('GET', `/fhir/Patient/${world.Patient}`)
    const updated = body.meta?.lastUpdated ?? ''
    const both = (query: string) => found(ehr, 'Patient', `_id=${world.Patient}&${query}`)
    expect(await found(ehr, 'Patient', `_id=${nobody},${world.Patient},4711`)).toEqual([world.Patient])
    for (const finds of [
      `ge${updated}`,
      `le${updated}`,
      'gt2020',
      'lt2100',
      `2020,${updated.slice(0, 10)}`,
      updated.slice(0, 19).concat('Z'),
    ])
      expect([finds, await both(`_lastUpdated=${finds}`)]).toEqual([finds, [world.Patient]])
    for (const misses of ['2020', 'lt2020-02', 'gt2100'])
      expect([misses, await both(`_lastUpdated=${misses}`)]).toEqual([misses, []])
  })

  it('by a part of a birth date that is only partly known', async () => {
    await ehr('POST', '/fhir/Patient', { body: aPatient('PARTLY', { birthDate: '1948' }) })
    const finds = async (query: string) =>
      (await found(ehr, 'Patient', `identifier=PARTLY&birthdate=${query}`)).length === 1
    expect(await Promise.all(['1948', 'ge1948-06', 'le1948-06', 'lt1949'].map(finds))).toEqual([true, true, true, true])
    expect(await Promise.all(['1948-06', '1948-06-01', 'sa1948-06', 'eb1948-06'].map(finds))).toEqual([
      false,
      false,
      false,
      false,
    ])
  })

  it.each(['0001-01-01', '9999-12-31', '9999'])('by a birth date at the end of the calendar, %s', async (birthDate) => {
    expect((await ehr('POST', '/fhir/Patient', { body: aPatient(`END-${birthDate}`, { birthDate }) })).status).toBe(201)
    expect(await found(ehr, 'Patient', `birthdate=${birthDate}&identifier=END-${birthDate}`)).toHaveLength(1)
  })

  it.each([
    'birthdate=yesterday',
    'birthdate=2026-13-01',
    'birthdate=2026-02-30',
    'birthdate=0000',
    'birthdate=ap1950',
    'birthdate=',
    'birthdate=1950-03-17T25:00:00Z',
    'family=',
    'family=-',
    'family:exact=x',
    'identifier=',
    'identifier=a%00b',
    'identifier:not=x',
    'family=a%00',
    '_id=%00',
    '_count=many',
    '_count=-1',
    '_sort=family',
    '_total=maybe',
    '_cursor=x',
    `_cursor=${Buffer.from(`+010000-01-01T00:00:00Z ${nobody}`).toString('base64url')}`,
    '_lastUpdated=soon',
  ])('with a value that the parameter does not take is 400: %s', async (query) => {
    expect(refusalOf(await ehr('GET', `/fhir/Patient?${query}`))).toEqual({ status: 400, codes: ['wrong-parameter'] })
  })

  it('with an unknown parameter: a warning in the Bundle, and no part of the self link; 400 when strict', async () => {
    const path = `/fhir/Patient?_id=${world.Patient}&shoe-size=44&_include=Patient:organization`
    const { body } = await ehr<Bundle>('GET', path)
    expect(body.entry?.map((e) => e.search?.mode)).toEqual(['match', 'outcome'])
    const outcome = body.entry?.[1]?.resource as OperationOutcome
    expect(outcome.issue.map((i) => i.severity)).toEqual(['warning', 'warning'])
    expect(codesIn(outcome)).toEqual(['unknown-parameter', 'unknown-parameter'])
    expect(body.link).toEqual([{ relation: 'self', url: `${service().url}/fhir/Patient?_id=${world.Patient}` }])
    const strict = await ehr('GET', path, { headers: { prefer: 'handling=strict' } })
    expect(refusalOf(strict)).toEqual({ status: 400, codes: ['unknown-parameter', 'unknown-parameter'] })
    expect(strict.body.issue[0]?.diagnostics).toContain('shoe-size')
  })
})

describe('a parameter whose value is named and has no address', () => {
  it.each([
    ['Task', 'owner', 'pebble'],
    ['MeasureReport', 'reporter', 'tern-harbour'],
    ['AuditEvent', 'agent', 'bay-3'],
  ])('%s?%s: is told that it finds nothing, and by what it does', async (type, name, value) => {
    const search = async (query: string) => {
      const { body } = await operator<Bundle>('GET', `/fhir/${type}?${query}`)
      const entries = (body.entry ?? []).filter((e) => e.search?.mode === 'outcome')
      // http://hl7.org/fhir/R4/bundle-definitions.html#Bundle.entry.fullUrl
      for (const { fullUrl } of entries) expect(fullUrl).toMatch(/^urn:uuid:[0-9a-f-]{36}$/)
      const outcomes = entries.map((e) => e.resource)
      return (outcomes as OperationOutcome[]).flatMap((o) =>
        o.issue.map((i) => [i.severity, i.location, i.diagnostics]),
      )
    }
    const better = `${name}:identifier=system|value`
    expect(await search(`${name}=${value}`)).toEqual([
      ['warning', [`http.${name}`], expect.stringContaining(`Found: ${name}=${value}. Expected: ${better}.`)],
    ])
    expect(await search(`${name}:identifier=${value}`)).toEqual([])
    const { body } = await operator<CapabilityStatement>('GET', '/fhir/metadata')
    const parameters = body.rest?.[0]?.resource?.find((r) => r.type === type)?.searchParam
    expect(parameters?.find((p) => p.name === name)?.documentation).toContain(better)
  })
})

describe('pages', () => {
  const placers: string[] = []
  beforeAll(async () => {
    for (let n = 0; n < 25; n += 1) placers.push((await placeOrder(ehr, `PAGE-${n}`, 'PAGES')).orderId)
  })

  /** Every page from the first, by the links. */
  const walk = async (query: string, between?: () => Promise<unknown>): Promise<readonly (readonly string[])[]> => {
    const pages: string[][] = []
    for (let next: string | undefined = `/fhir/ServiceRequest?${query}`; next !== undefined; ) {
      const { body }: { body: Bundle } = await ehr<Bundle>('GET', next)
      pages.push((body.entry ?? []).map((e) => e.resource?.id ?? ''))
      next = body.link?.find((l) => l.relation === 'next')?.url.replace(service().url, '')
      await between?.()
    }
    return pages
  }

  it('all are found, none twice, in the order of their last change', async () => {
    const pages = await walk(
      'patient.identifier=x&authored:missing=x&status=active&_count=7'.split('&').slice(2).join('&'),
    )
    const all = pages.flat()
    expect(new Set(all).size).toBe(all.length)
    expect(all.filter((id) => placers.includes(id))).toEqual(placers)
    expect(pages.slice(0, -1).every((page) => page.length === 7)).toBe(true)
    const descending = (await walk('status=active&_count=4&_sort=-_lastUpdated')).flat()
    expect(descending).toEqual(all.toReversed())
    expect((await walk('status=active&_count=200&_sort=_lastUpdated')).flat()).toEqual(all)
  })

  it('what is made meanwhile does not shift them', async () => {
    let n = 0
    const make = () => placeOrder(ehr, `MEANWHILE-${++n}`, 'PAGES')
    const seen = (
      await walk('status=active&_count=9&_sort=-_lastUpdated', () => (n < 3 ? make() : Promise.resolve()))
    ).flat()
    expect(new Set(seen).size).toBe(seen.length)
    expect(seen.filter((id) => placers.includes(id))).toEqual(placers.toReversed())
  })

  it('hold at most 200, and the total is told when it is asked for', async () => {
    const page = async (query: string) =>
      (await ehr<Bundle>('GET', `/fhir/ServiceRequest?identifier=${harbourOrders}|&${query}`)).body
    const total = (await page('_total=accurate&_count=3')).total
    expect(total).toBeGreaterThanOrEqual(25)
    expect((await page('_count=0&_total=accurate')).entry).toBeUndefined()
    expect((await page('_count=3')).total).toBeUndefined()
    expect((await page('_count=100000')).entry).toHaveLength(total ?? 0)
  })
})

describe('the format', () => {
  const patient = () => `/fhir/Patient/${world.Patient}`
  it.each([
    ['application/fhir+json', 'application/fhir+json; charset=utf-8'],
    ['application/json', 'application/json; charset=utf-8'],
    ['application/json, application/fhir+json;q=0.9', 'application/fhir+json; charset=utf-8'],
    ['text/html, */*;q=0.1', 'application/fhir+json; charset=utf-8'],
    ['*/*', 'application/fhir+json; charset=utf-8'],
  ])('asked for as %s is %s', async (accept, type) => {
    const answer = await ehr('GET', patient(), { headers: { accept } })
    expect([answer.status, answer.headers.get('content-type')]).toEqual([200, type])
  })

  it('is JSON and nothing else', async () => {
    const refused = { status: 406, codes: ['format-not-offered'] }
    for (const accept of ['application/fhir+xml', 'text/html', 'text/turtle'])
      expect(refusalOf(await ehr('GET', patient(), { headers: { accept } }))).toEqual(refused)
    expect(refusalOf(await ehr('GET', `${patient()}?_format=xml`))).toEqual(refused)
    expect((await ehr('GET', `${patient()}?_format=json`)).status).toBe(200)
    expect((await ehr('GET', `${patient()}?_format=application/fhir%2Bjson`)).status).toBe(200)
  })
})

describe('the CapabilityStatement', () => {
  const statement = async () => (await service().call<CapabilityStatement>('GET', '/fhir/metadata')).body
  /** All but our definitions, which definitions.test.ts looks at. */
  const resources = async () =>
    ((await statement()).rest?.[0]?.resource ?? []).filter((r) => !definitionTypes.includes(r.type))
  const each = async (tell: (r: CapabilityStatementRestResource) => Promise<void>) => {
    for (const resource of await resources()) await tell(resource)
  }
  const has = (r: CapabilityStatementRestResource, code: string) => r.interaction?.some((i) => i.code === code) ?? false

  it('says what this is, to everybody', async () => {
    const told = await statement()
    expect(told).toMatchObject({
      resourceType: 'CapabilityStatement',
      status: 'active',
      kind: 'instance',
      fhirVersion: '4.0.1',
      format: ['application/fhir+json', 'application/json'],
      implementation: { url: `${service().url}/fhir` },
      rest: [{ mode: 'server', interaction: [{ code: 'transaction' }, { code: 'batch' }] }],
    })
    expect(told.rest).toHaveLength(1)
  })

  it('names every type that can be read, and each is read', async () => {
    const read = (await resources()).filter((r) => has(r, 'read')).map((r) => r.type)
    expect(read.toSorted()).toEqual([...readTypes, 'MeasureReport'].toSorted())
    for (const type of read) {
      const id = type in world ? world[type as ReadType] : nobody
      expect([type, (await operator('GET', `/fhir/${type}/${id}`)).status]).toEqual([type, id === nobody ? 404 : 200])
    }
  })

  it('names the search parameters of each type, and each is taken strictly', async () => {
    await each(async ({ type, searchParam = [], ...r }) => {
      expect([type, has({ type, ...r }, 'search-type')]).toEqual([type, searchParam.length > 0])
      const named = searchParam.map((p) => p.name).toSorted()
      const tested = type in table ? Object.keys(table[type as ReadType]).filter((name) => !name.includes(':')) : named
      expect([type, named]).toEqual([type, tested.toSorted()])
      for (const p of searchParam) {
        const value = { token: 'x', reference: 'Patient/x', string: 'x', date: '2026' }[p.type as string] ?? p.type
        const strict = { headers: { prefer: 'handling=strict' } }
        expect([type, p.name, (await operator('GET', `/fhir/${type}?${p.name}=${value}`, strict)).status]).toEqual([
          type,
          p.name,
          200,
        ])
      }
    })
  })

  it('names what can be written, and the others say that they take nothing', async () => {
    const writable: Record<string, string[]> = {
      ServiceRequest: ['create', 'update'],
      Patient: ['create', 'update'],
      Task: ['update'],
      DiagnosticReport: ['create', 'update'],
    }
    const versions = ['vread', 'history-instance']
    await each(async (r) => {
      const { type } = r
      expect([
        type,
        ...['create', 'update', 'delete', 'patch', 'vread', 'history-instance'].filter((code) => has(r, code)),
      ]).toEqual([type, ...(writable[type] ?? []), ...versions])
      const [post, put, put2, remove] = [
        await operator('POST', `/fhir/${type}`, { body: {} }),
        await operator('PUT', `/fhir/${type}/${nobody}`, { body: {} }),
        await operator('PUT', `/fhir/${type}?identifier=urn:x|1`, { body: {} }),
        await operator('DELETE', `/fhir/${type}/${nobody}`),
      ]
      expect([type, post.status]).toEqual([type, has(r, 'create') ? 400 : 405])
      expect([type, put.status]).toEqual([type, has(r, 'update') ? 404 : 405])
      expect([type, [400, 404].includes(put2.status)]).toEqual([type, r.conditionalUpdate ?? false])
      // a report that comes again says the same by itself
      expect([type, r.conditionalCreate ?? false]).toEqual([type, has(r, 'create') && type !== 'DiagnosticReport'])
      expect([type, remove.status, remove.headers.get('allow')]).toEqual([
        type,
        405,
        expect.stringContaining('GET, HEAD'),
      ])
    })
  })

  it('says what a transaction or batch takes, and what is written in no other way', async () => {
    const rest = (await statement()).rest?.[0]
    const [transaction, batch] = (rest?.interaction ?? []).map((i) => i.documentation)
    const taken = (rest?.resource ?? []).filter(
      (r) => r.documentation || transaction?.includes(`${r.type},`) || transaction?.includes(`${r.type};`),
    )
    expect([transaction, batch]).toEqual(Array(2).fill(expect.stringContaining('Entries are POST and PUT of')))
    expect(taken.filter((r) => !r.documentation).map((r) => r.type)).toEqual([
      'DiagnosticReport',
      'Patient',
      'ServiceRequest',
    ])
    const alone = taken.filter((r) => r.documentation).map((r) => r.type as ReadType)
    expect(alone).toEqual([
      ...['Appointment', 'Binary', 'Condition', 'Encounter', 'Location', 'Media', 'Observation', 'Organization'],
      ...['Practitioner', 'PractitionerRole', 'Procedure'],
    ])
    const reported = ['Binary', 'Media', 'Observation']
    const sent = alone.filter((type) => type !== 'Procedure' && !reported.includes(type))
    const entries = await Promise.all(
      sent.map(async (type) => {
        const path = `${type}/${world[type]}`
        return entry(`PUT ${path}`, (await operator<FhirResource>('GET', `/fhir/${path}`)).body)
      }),
    )
    const answer = await ehr<Bundle>('POST', '/fhir?dry-run=true', { body: bundle('batch', ...entries) })
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual(sent.map(() => '200 OK'))
  })

  it('names the operations, and each is there', async () => {
    const all = (await resources()).flatMap((r) => (r.operation ?? []).map((o) => `${r.type}/$${o.name}`))
    const named = all.filter((operation) => !operation.endsWith('/$validate'))
    expect(named.toSorted()).toEqual([
      'DetectedIssue/$acknowledge',
      'DetectedIssue/$resolve',
      'Device/$record-application',
      'Device/$record-return',
      'DeviceUseStatement/$correct-link',
      'DeviceUseStatement/$end-link',
      'ServiceRequest/$link-device',
      'ServiceRequest/$record-not-applied',
    ])
    expect((await statement()).rest?.[0]?.operation?.map((o) => o.name)).toEqual(['reconcile-day'])
    const paths = [
      'Device/$record-application',
      'Device/$record-return',
      `DeviceUseStatement/${nobody}/$correct-link`,
      `DeviceUseStatement/${nobody}/$end-link`,
      'ServiceRequest/$link-device',
      `ServiceRequest/${nobody}/$link-device`,
      `ServiceRequest/${nobody}/$record-not-applied`,
      '$reconcile-day',
    ]
    for (const path of paths) {
      const { status } = await operator('POST', `/fhir/${path}`, { body: { resourceType: 'Parameters' } })
      expect([path, status]).toEqual([path, path.includes(nobody) ? 404 : 400])
      const get = await operator('GET', `/fhir/${path}`)
      expect([path, get.status, get.headers.get('allow')]).toEqual([path, 405, 'POST, OPTIONS'])
    }
  })

  it.each([
    `POST /fhir/ServiceRequest/${nobody}/$join`,
    'POST /fhir/Device/$suggest-orders',
    'GET /metrics',
    'GET /openapi.json',
  ])('does not name what is not built, and that says so: %s', async (request) => {
    const [method = '', path = ''] = request.split(' ')
    const answer = await operator(method, path, method === 'GET' || method === 'DELETE' ? {} : { body: {} })
    expect(refusalOf(answer)).toEqual({ status: 501, codes: ['not-built'] })
    expect(JSON.stringify(await statement())).not.toMatch(/"(join|suggest-orders)"/)
  })
})
