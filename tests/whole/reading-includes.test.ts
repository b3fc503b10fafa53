/** What comes along with a search, how much it may ask for, and totals. R4 4.0.1, search.html. */
import type { Bundle, CapabilityStatement, Resource } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { definitionTypes } from '../support/definition-types.ts'
import { codesIn, harbourOrders, harbourPatients, placeOrder, refusalOf } from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { linkParameters, makeWorld, type ReadType, readTypes, returnParameters, type World } from '../support/world.ts'
import { inDatabase } from './bedside.ts'

const service = useTestService()
const operator: Ask = (...asked) => service().as('ops')(...asked)
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
let world: World
beforeAll(async () => {
  world = await makeWorld(service())
})

/** `match Patient`, in the order of the Bundle. */
const modesOf = (body: Bundle): readonly string[] =>
  (body.entry ?? []).map((e) => `${e.search?.mode} ${e.resource?.resourceType}`)

const search = async (query: string, ask = operator): Promise<Bundle> => {
  const { status, body, text } = await ask<Bundle>('GET', `/fhir/${query}`, { headers: { prefer: 'handling=strict' } })
  if (status !== 200) throw new Error(`${query}: ${status} ${text}`)
  return body
}

describe('an include', () => {
  it.each<[ReadType, string, readonly ReadType[]]>([
    ['ServiceRequest', 'ServiceRequest:patient', ['Patient']],
    ['ServiceRequest', 'ServiceRequest:subject', ['Patient']],
    ['DeviceUseStatement', 'DeviceUseStatement:device', ['Device']],
    ['DeviceUseStatement', 'DeviceUseStatement:subject', ['Patient']],
    ['DeviceUseStatement', 'DeviceUseStatement:patient', ['Patient']],
    ['DeviceUseStatement', 'DeviceUseStatement:based-on', ['ServiceRequest']],
    ['Task', 'Task:focus', ['ServiceRequest']],
    ['Task', 'Task:patient', ['Patient']],
    ['Task', 'Task:based-on', ['ServiceRequest']],
    ['Procedure', 'Procedure:patient', ['Patient']],
    ['Observation', 'Observation:device', ['Device']],
    ['Observation', 'Observation:based-on', ['ServiceRequest']],
    ['DiagnosticReport', 'DiagnosticReport:result', ['Observation']],
    ['DiagnosticReport', 'DiagnosticReport:patient', ['Patient']],
    ['DetectedIssue', 'DetectedIssue:implicated', ['ServiceRequest', 'Device', 'DeviceUseStatement']],
    ['DetectedIssue', 'DetectedIssue:implicated:Device', ['Device']],
    ['Provenance', 'Provenance:target', ['DeviceUseStatement', 'Procedure', 'Device']],
  ])('of %s by %s brings %j along', async (type, include, brought) => {
    const body = await search(`${type}?_id=${world[type]}&_include=${include}`)
    const [first, ...others] = modesOf(body)
    expect(first).toBe(`match ${type}`)
    expect(new Set(others)).toEqual(new Set(brought.map((b) => `include ${b}`)))
    for (const e of body.entry ?? [])
      expect(e.fullUrl).toBe(`${service().url}/fhir/${e.resource?.resourceType}/${e.resource?.id}`)
  })

  it.each<[ReadType, string, ReadType]>([
    ['ServiceRequest', 'Task:based-on', 'Task'],
    ['ServiceRequest', 'Task:focus', 'Task'],
    ['ServiceRequest', 'DeviceUseStatement:based-on', 'DeviceUseStatement'],
    ['ServiceRequest', 'Procedure:based-on', 'Procedure'],
    ['ServiceRequest', 'Observation:based-on', 'Observation'],
    ['ServiceRequest', 'DiagnosticReport:based-on', 'DiagnosticReport'],
    ['ServiceRequest', 'Encounter:based-on', 'Encounter'],
    ['Device', 'DeviceUseStatement:device', 'DeviceUseStatement'],
    ['Patient', 'ServiceRequest:patient', 'ServiceRequest'],
    ['Patient', 'ServiceRequest:subject:Patient', 'ServiceRequest'],
    ['Observation', 'DiagnosticReport:result', 'DiagnosticReport'],
  ])('in reverse of %s by %s brings what refers to it', async (type, include, brought) => {
    const body = await search(`${type}?_id=${world[type]}&_revinclude=${include}`)
    expect(modesOf(body)).toEqual([`match ${type}`, `include ${brought}`])
    expect(body.entry?.[1]?.resource?.id).toBe(world[brought])
  })

  it('of a gap comes with the order that it is about', async () => {
    const gap = (await operator<Resource>('GET', `/fhir/DetectedIssue/${world.DetectedIssue}`)).text
    const order = /ServiceRequest\/([0-9a-f-]{36})/.exec(gap)?.[1]
    const body = await search(`ServiceRequest?_id=${order}&_revinclude=DetectedIssue:implicated`)
    expect(body.entry?.map((e) => e.resource?.id)).toContain(world.DetectedIssue)
  })

  it('brings each resource once, none that is a match, and is in the link to the next page', async () => {
    const all =
      'ServiceRequest?_include=ServiceRequest:patient&_include=ServiceRequest:subject&_revinclude=Task:focus&_count=1'
    const first = await search(all)
    const ids = (first.entry ?? []).map((e) => e.resource?.id)
    expect([new Set(ids).size, modesOf(first)]).toEqual([
      ids.length,
      ['match ServiceRequest', 'include Patient', 'include Task'],
    ])
    const next = first.link?.find((l) => l.relation === 'next')?.url ?? ''
    expect(modesOf((await operator<Bundle>('GET', next.replace(service().url, ''))).body)).toContain('include Patient')
  })

  it('shows nobody what they may not see', async () => {
    const pebble = service().as('pebble')
    const of = (query: string, ask: Ask) => search(query, ask).then(modesOf)
    expect(await of(`ServiceRequest?_id=${world.ServiceRequest}&_revinclude=Encounter:based-on`, pebble)).toEqual([
      'match ServiceRequest',
    ])
    expect(await of(`DeviceUseStatement?_id=${world.DeviceUseStatement}&_revinclude=AuditEvent:entity`, ehr)).toEqual([
      'match DeviceUseStatement',
    ])
    // a device that is on another site's patient is on nobody
    const { orderId } = await placeOrder(ehr, 'INC-1', 'INC-1')
    const linked = await service().as('bay-3')('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
      body: linkParameters('INC-1', 'INC-1'),
    })
    expect(linked.status).toBe(200)
    const lane = service().as('lane-desk')
    await lane('POST', '/fhir/Device/$record-application', {
      body: {
        resourceType: 'Parameters',
        parameter: [
          ...(returnParameters('INC-1').parameter ?? []).slice(0, 1),
          { name: 'appliedAt', valueDateTime: `${new Date(Date.now() - 5000).toISOString().slice(0, 19)}Z` },
          { name: 'evidence', valueCode: 'stock' },
          { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'quarry-lane' } },
        ],
      },
    })
    const device = await search('Device?_include=Device:patient', lane)
    expect(modesOf(device)).toEqual(['match Device'])
    expect(device.entry?.[0]?.resource).not.toHaveProperty('patient')
  })

  it.each([
    '_include=Patient:organization',
    '_include=*',
    '_include=ServiceRequest:performer',
    '_include=Task:patient',
    '_include=ServiceRequest:patient:Group',
    '_include=ServiceRequest:patient:Patient:x',
    '_include:iterate=ServiceRequest:patient',
    '_revinclude:iterate=Task:based-on',
    '_revinclude=ServiceRequest:patient',
    '_revinclude=Task:based-on:Patient',
  ])('that is not announced is unknown: %s', async (query) => {
    const path = `/fhir/ServiceRequest?_id=${world.ServiceRequest}&${query}`
    const { body } = await operator<Bundle>('GET', path)
    expect(modesOf(body)).toEqual(['match ServiceRequest', 'outcome OperationOutcome'])
    expect(refusalOf(await operator('GET', path, { headers: { prefer: 'handling=strict' } }))).toEqual({
      status: 400,
      codes: ['unknown-parameter'],
    })
  })

  it('is announced in the CapabilityStatement, and what is announced is taken', async () => {
    const { body } = await service().call<CapabilityStatement>('GET', '/fhir/metadata')
    for (const r of body.rest?.[0]?.resource ?? []) {
      if (definitionTypes.includes(r.type)) continue
      expect([r.type, r.versioning, r.readHistory, r.conditionalRead]).toEqual([
        r.type,
        'versioned',
        true,
        'full-support',
      ])
      for (const include of r.searchInclude ?? []) await search(`${r.type}?_count=1&_include=${include}`)
      for (const include of r.searchRevInclude ?? []) await search(`${r.type}?_count=1&_revinclude=${include}`)
    }
    expect(body.rest?.[0]?.searchParam?.map((p) => p.name)).toEqual(['_id', '_lastUpdated'])
  })

  it('is bounded: what is too much is told', async () => {
    const crowd = `insert into resources (type, id, version, updated, seen_by, tokens, body)
      select 'Task', gen_random_uuid(), 1, now(), '{}', array['patient=Patient/${world.Patient}'], '}}' from generate_series(1, 1200)`
    await inDatabase(service().database, crowd)
    const body = await search(`Patient?_id=${world.Patient}&_revinclude=Task:patient`)
    const modes = modesOf(body)
    expect([modes.length, modes[0], modes.at(-1)]).toEqual([1002, 'match Patient', 'outcome OperationOutcome'])
    expect(codesIn(body.entry?.at(-1)?.resource as never)).toEqual(['not-all-included'])
    await inDatabase(service().database, `delete from resources where body = '}}'`)
  })
})

describe('a total', () => {
  const all = `ServiceRequest?identifier=${harbourOrders}|`
  const counted = async (query: string) => {
    const body = await search(`${all}&${query}`)
    return [body.total, body.entry?.length ?? 0, body.link?.map((l) => l.relation)]
  }
  it('is told where it is asked for, and _count=0 asks for nothing else', async () => {
    const total = (await search(`${all}&_total=accurate`)).total
    expect(total).toBeGreaterThanOrEqual(2)
    expect(await counted('_total=estimate&_count=1')).toEqual([total, 1, ['self', 'next']])
    expect(await counted('_total=none&_count=1')).toEqual([undefined, 1, ['self', 'next']])
    for (const query of ['_count=0', '_summary=count', '_count=0&_total=none', '_summary=count&_count=5'])
      expect([query, await counted(query)]).toEqual([query, [total, 0, ['self']]])
  })

  it('that is estimated is near enough among many', async () => {
    await inDatabase(
      service().database,
      `insert into resources (type, id, version, updated, seen_by, tokens, body)
       select 'Condition', gen_random_uuid(), 1, now(), '{}', '{}', '}}' from generate_series(1, 15000); analyze resources`,
    )
    const { total = 0 } = await search('Condition?_total=estimate&_count=1')
    expect(total).toBeGreaterThan(10_000)
    expect((await search('Condition?_total=accurate&_count=0')).total).toBe(15_001)
    await inDatabase(service().database, `delete from resources where body = '}}'`)
  })
})

describe('a search that asks for too much is refused', () => {
  const many = (n: number, of: (i: number) => string, by: string) => Array.from({ length: n }, (_, i) => of(i)).join(by)
  const tooMuch = { status: 400, codes: ['too-much-asked'] }
  it.each([
    ['a value too many', `identifier=${many(101, (i) => `${harbourPatients}|${i}`, ',')}`],
    ['in several parameters', many(11, (i) => `identifier=${many(10, (j) => `${i}-${j}`, ',')}`, '&')],
    ['a parameter too many', many(21, (i) => `identifier=${i}`, '&')],
    ['unknown ones count', many(21, (i) => `shoe-size=${i}`, '&')],
    ['a value too long', `identifier=${'x'.repeat(501)}`],
    ['an include too many', many(11, () => '_include=ServiceRequest:patient', '&')],
  ])('%s', async (_, query) => {
    const answer = await ehr('GET', `/fhir/ServiceRequest?${query}`)
    expect(refusalOf(answer)).toEqual(tooMuch)
    expect(answer.body.issue[0]?.diagnostics).toMatch(/at most \d+/)
    const posted = await ehr('POST', '/fhir/ServiceRequest/_search', {
      body: query,
      headers: { 'content-type': 'application/x-www-form-urlencoded' },
    })
    expect(refusalOf(posted)).toEqual(tooMuch)
  })

  it('as much as is allowed is answered', async () => {
    const query = `identifier=${many(90, (i) => `${harbourOrders}|W${i}`, ',')}&_count=200&${many(5, () => '_revinclude=Task:focus', '&')}`
    expect(modesOf(await search(`ServiceRequest?${query}`))).toContain('match ServiceRequest')
    expect(readTypes.length).toBeGreaterThan(0)
  })

  it('and one that takes too long is given up: 503, with when to try again', async () => {
    await inDatabase(
      service().database,
      `alter table resources rename to resources_kept;
       create view resources as select r.* from resources_kept r cross join lateral (select pg_sleep(20) where r.id is not null) s`,
    )
    try {
      const answer = await ehr('GET', '/fhir/ServiceRequest?status=active')
      expect([refusalOf(answer), answer.headers.get('retry-after')]).toEqual([
        { status: 503, codes: ['search-too-slow'] },
        '5',
      ])
    } finally {
      await inDatabase(service().database, 'drop view resources; alter table resources_kept rename to resources')
    }
  })
})
