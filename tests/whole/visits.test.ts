/** What a source's FHIR server says of visits, when it is asked: contract, section 8, "Evidence of application". */
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import type { DetectedIssue, Device, FhirResource, Procedure, ServiceRequest } from 'fhir/r4.js'
import { afterEach, expect, test } from 'vitest'
import type { Site, Source } from '../../src/model/configuration.ts'
import { defaultTakes } from '../../src/model/systems.ts'
import { type SourceCounterpart, startSource } from '../../src/testkit/source.ts'
import { createTestDatabase } from '../support/database.ts'
import { anOrder, aPatient, harbourOrders } from '../support/messages.ts'
import { startTestService, type TestService, testSites } from '../support/service.ts'
import { found, label, newSerial, operate } from './bedside.ts'

const undo: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const step of undo.splice(0).reverse()) await step()
})

const today = new Date().toISOString().slice(0, 10)
const minutesAgo = (minutes: number): string => `${new Date(Date.now() - minutes * 60_000).toISOString().slice(0, 19)}Z`

/** A source with one open order, `o-1`, for a visit today. */
const opened = async (): Promise<SourceCounterpart> => {
  const ehr = await startSource()
  undo.push(ehr.stop)
  ehr.add({ ...aPatient('MRN-1'), id: 'p-1' })
  ehr.add({ ...anOrder('HE-1', 'Patient/p-1', { occurrenceDateTime: today }), id: 'o-1' })
  return ehr
}

const begun = async (
  ehr: SourceCounterpart,
  over: Partial<Source> = {},
  database?: string,
  sites?: readonly Site[],
): Promise<TestService> => {
  const source: Source = {
    id: 'harbour-ehr',
    site: 'tern-harbour',
    placer: harbourOrders,
    takes: defaultTakes,
    fhir: ehr.base,
    poll: 'PT1S',
    subscribe: false,
    writeBack: false,
    ...over,
  }
  const service = await startTestService({
    sources: [source],
    roundMs: 50,
    ...(database && { database }),
    ...(sites && { sites }),
  })
  undo.push(() => service.close())
  return service
}

const based = { basedOn: [{ reference: 'ServiceRequest/o-1' }] }
const act = (over: Partial<Procedure> = {}): FhirResource => ({
  resourceType: 'Procedure',
  id: 'act-1',
  ...based,
  status: 'completed',
  subject: { reference: 'Patient/p-1' },
  performedDateTime: minutesAgo(5),
  ...over,
})
const appointment = (over: object = {}): FhirResource => ({
  resourceType: 'Appointment',
  id: 'date-1',
  ...based,
  status: 'booked',
  start: minutesAgo(40),
  end: minutesAgo(20),
  participant: [{ actor: { reference: 'Patient/p-1' }, status: 'accepted' }],
  ...over,
})

const gaps = async (service: TestService): Promise<readonly string[]> =>
  (await found<DetectedIssue>(service.as('ops'), 'DetectedIssue'))
    .map((g) => `${g.code?.coding?.[0]?.code} ${g.mitigation?.[0]?.action.coding?.[0]?.code ?? 'open'}`)
    .toSorted()
const orderOf = async (service: TestService, placer = 'HE-1'): Promise<ServiceRequest> => {
  const search = `ServiceRequest?identifier=${encodeURIComponent(`${harbourOrders}|${placer}`)}`
  await expect.poll(async () => (await found(service.as('ops'), search)).length).toBe(1)
  const [order] = await found<ServiceRequest>(service.as('ops'), search)
  if (order === undefined) throw new Error('the order is not there')
  return order
}

const sourceTold = async (service: TestService) =>
  (
    await service.as('ops')<{ sources: { warnings: string[]; refused: unknown[]; odd: unknown[]; goodAt: string }[] }>(
      'GET',
      '/sources',
    )
  ).body.sources[0]

test('an act that it holds already, and one that it gets later, are evidence; each is asked for by its order', async () => {
  const ehr = await opened()
  ehr.add({ ...aPatient('MRN-2'), id: 'p-2' })
  ehr.add({ ...anOrder('HE-2', 'Patient/p-2', { occurrenceDateTime: today }), id: 'o-2' })
  ehr.add(act())
  // nobody's business here
  ehr.add(act({ id: 'act-9', basedOn: [], subject: { reference: 'Patient/p-2' } }))
  const service = await begun(ehr)
  await expect.poll(() => gaps(service)).toEqual(['no-link open'])
  ehr.add({
    resourceType: 'Encounter',
    id: 'stay-2',
    basedOn: [{ reference: 'ServiceRequest/o-2' }],
    status: 'finished',
    class: { system: 'http://terminology.hl7.org/CodeSystem/v3-ActCode', code: 'AMB' },
    subject: { reference: 'Patient/p-2' },
    period: { start: minutesAgo(30), end: minutesAgo(3) },
  })
  const asked = ehr.requests.length
  // a new order has all that is the matter looked at with the next look at the others
  await expect
    .poll(() => ehr.requests.slice(asked).filter((r) => r.endsWith('/Encounter')).length, { timeout: 90_000 })
    .toBeGreaterThan(0)
  await expect.poll(() => gaps(service)).toEqual(['no-link open', 'no-link open'])
  expect(await found(service.as('ops'), 'Procedure')).toHaveLength(1)
  expect((await sourceTold(service))?.warnings).toEqual([])
}, 120_000)

test('a booked date moves the visit, a cancelled one says that there is none', async () => {
  const ehr = await opened()
  ehr.add(appointment({ start: '2037-03-04T09:00:00Z', end: '2037-03-04T09:30:00Z' }))
  const service = await begun(ehr)
  const { id } = await orderOf(service)
  await expect.poll(async () => (await found(service.as('ops'), 'Appointment')).length).toBe(1)
  expect(JSON.stringify(await found(service.as('ops'), 'Appointment'))).toContain(`ServiceRequest/${id}`)
  expect(await gaps(service)).toEqual([])
})

test('a recorder that an act names is known by the label of its Device there', async () => {
  const ehr = await opened()
  ehr.add({ ...aPatient('MRN-2', { birthDate: '1961-02-03' }), id: 'p-2' })
  ehr.add({ ...anOrder('HE-2', 'Patient/p-2', { occurrenceDateTime: today }), id: 'o-2' })
  const serial = newSerial()
  const recorder: Device = {
    resourceType: 'Device',
    id: 'd-1',
    udiCarrier: [{ carrierHRF: label(serial) }],
    owner: { reference: 'Organization/1' },
  }
  ehr.add(recorder)
  const service = await begun(ehr)
  const other = await orderOf(service, 'HE-2')
  const linked = await operate(service.as('bay-3'), `ServiceRequest/${other.id}/$link-device`, {
    scan: label(serial),
    appliedAt: minutesAgo(10),
    patientIdentifier: { system: 'https://harbour.example/patients', value: 'MRN-2' },
    birthDate: '1961-02-03',
  })
  expect(linked.status, linked.text).toBe(200)
  ehr.add(act({ focalDevice: [{ manipulated: { reference: 'Device/d-1' } }] }))
  await expect.poll(() => gaps(service), { timeout: 90_000 }).toEqual(['device-on-two-patients open', 'no-link open'])
  const [kept] = await found<Procedure>(
    service.as('ops'),
    `Procedure?based-on=ServiceRequest/${(await orderOf(service)).id}`,
  )
  expect(kept?.contained).toEqual([{ resourceType: 'Device', id: 'recorder-1', udiCarrier: recorder.udiCarrier }])
}, 120_000)

test('an act that is done together with its order, which is completed by it, is asked for all the same', async () => {
  const ehr = await opened()
  const service = await begun(ehr)
  const { id } = await orderOf(service)
  ehr.add({ ...anOrder('HE-1', 'Patient/p-1', { occurrenceDateTime: today, status: 'completed' }), id: 'o-1' })
  ehr.add(act())
  await expect
    .poll(async () => (await found(service.as('ops'), `ServiceRequest?_id=${id}&status=completed`)).length)
    .toBe(1)
  await expect.poll(() => gaps(service), { timeout: 90_000 }).toEqual(['no-link open'])
}, 120_000)

test('an act whose recorder cannot be told is taken, and the operator told why', async () => {
  const ehr = await opened()
  ehr.add({ resourceType: 'Device', id: 'd-1', serialNumber: 'HT-4711' })
  ehr.add(act({ focalDevice: [{ manipulated: { reference: 'Device/d-1' } }] }))
  const service = await begun(ehr)
  await expect.poll(() => gaps(service)).toEqual(['no-link open'])
  expect((await sourceTold(service))?.odd).toMatchObject([
    { type: 'Procedure', id: 'act-1', problems: [expect.stringContaining('recorder-not-told at Bundle.entry[0]')] },
  ])
})

test('what we wrote there ourselves is not taken as a word of theirs', async () => {
  const ehr = await opened()
  ehr.add(
    act({
      identifier: [{ system: 'https://daybind.example/procedures', value: '0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e09' }],
    }),
  )
  const service = await begun(ehr)
  await orderOf(service)
  await expect.poll(() => ehr.requests.filter((r) => r.endsWith('/Procedure')).length).toBeGreaterThan(1)
  expect(await found(service.as('ops'), 'Procedure')).toEqual([])
})

test('it is asked for the types that the configuration names, and for no type that it cannot search by order', async () => {
  const ehr = await opened()
  ehr.add(act())
  const service = await begun(ehr, { evidence: ['Appointment'] })
  await orderOf(service)
  await expect.poll(() => ehr.requests.filter((r) => r.endsWith('/Appointment')).length).toBeGreaterThan(0)
  expect(ehr.requests.filter((r) => /\/(Procedure|Encounter)$/.test(r))).toEqual([])
})

test('what is no R4 is refused and told, and after a restart nothing is taken twice', async () => {
  const database = await createTestDatabase()
  undo.push(() => database.drop())
  const ehr = await opened()
  ehr.add(act())
  ehr.add({ ...(appointment() as object), status: 'perhaps' } as unknown as FhirResource)
  const first = await begun(ehr, {}, database.url)
  await expect.poll(() => gaps(first)).toEqual(['no-link open'])
  await expect
    .poll(async () => (await sourceTold(first))?.refused)
    .toMatchObject([{ type: 'Appointment', id: 'date-1' }])
  await first.close()
  const again = await begun(ehr, {}, database.url)
  const asked = ehr.requests.length
  await expect.poll(() => ehr.requests.slice(asked).filter((r) => r.endsWith('/Procedure')).length).toBeGreaterThan(0)
  expect(await gaps(again)).toEqual(['no-link open'])
  const [kept] = await found<Procedure>(again.as('ops'), 'Procedure')
  expect(kept?.meta?.versionId).toBe('1')
})

/**
 * A server in front of the source.
 * @param bend changes what is asked; what it returns is the status that is answered in place of an answer
 * @returns its base
 */
const before = async (ehr: SourceCounterpart, bend: (url: URL) => number | undefined): Promise<string> => {
  let base = ''
  const server = createServer(async (request, response) => {
    const url = new URL(request.url ?? '', base)
    const status = bend(url)
    if (status !== undefined)
      return void response
        .writeHead(status, { 'content-type': 'application/fhir+json' })
        .end('{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception"}]}')
    const behind = await fetch(`${ehr.base}${url.pathname.slice('/fhir'.length)}${url.search}`)
    const said = (await behind.text()).replaceAll(ehr.base, base)
    response.writeHead(behind.status, { 'content-type': 'application/fhir+json' }).end(said)
  })
  await new Promise<void>((listening) => server.listen(0, '127.0.0.1', listening))
  base = `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`
  undo.push(async () => {
    server.closeAllConnections()
    server.close()
  })
  return base
}

/** It leaves a parameter of searches out of account. */
const deafTo = (ehr: SourceCounterpart, parameter: string): Promise<string> =>
  before(ehr, (url) => void url.searchParams.delete(parameter))

test('a server that answers with what is of other orders too is told, and what is of ours is taken', async () => {
  const ehr = await opened()
  ehr.add(act())
  ehr.add(act({ id: 'act-2', basedOn: [{ reference: 'ServiceRequest/o-77' }] }))
  const service = await begun(ehr, { fhir: await deafTo(ehr, 'based-on') })
  await expect.poll(() => gaps(service)).toEqual(['no-link open'])
  await expect.poll(async () => (await sourceTold(service))?.warnings.join(' ')).toContain('some of other orders')
  expect(await found(service.as('ops'), 'Procedure')).toHaveLength(1)
})

test('a server that answers with others alone is told, and its orders arrive all the same', async () => {
  const ehr = await opened()
  ehr.add(act({ id: 'act-2', basedOn: [{ reference: 'ServiceRequest/o-77' }] }))
  const service = await begun(ehr, { fhir: await deafTo(ehr, 'based-on') })
  await orderOf(service)
  await expect
    .poll(async () => (await sourceTold(service))?.warnings.join(' '))
    .toContain('Procedure could not be looked at: Their server answers with every Procedure')
  ehr.add({ ...aPatient('MRN-2'), id: 'p-2' })
  ehr.add({ ...anOrder('HE-2', 'Patient/p-2', { occurrenceDateTime: today }), id: 'o-2' })
  await orderOf(service, 'HE-2')
})

test.each<[string, object]>([
  ['focalDevice', { focalDevice: { manipulated: { reference: 'Device/1' } } }],
  ['focalDevice without a device', { focalDevice: [null] }],
  ['basedOn', { basedOn: [null, ...based.basedOn] }],
  ['identifier', { identifier: 'x' }],
  ['contained', { contained: [null], focalDevice: [{ manipulated: { reference: '#x' } }] }],
])('an act that is malformed (%s) is refused and told, and keeps nothing else from being taken', async (_, over) => {
  const ehr = await opened()
  ehr.add(act(over as Partial<Procedure>))
  ehr.add(act({ id: 'act-2' }))
  const service = await begun(ehr)
  await expect.poll(() => gaps(service)).toEqual(['no-link open'])
  expect((await sourceTold(service))?.refused).toMatchObject([{ type: 'Procedure', id: 'act-1' }])
  expect(await found(service.as('ops'), 'Procedure')).toHaveLength(1)
})

const odd = (over: object): FhirResource =>
  ({ ...anOrder('HE-0', 'Patient/p-1', { occurrenceDateTime: today }), id: 'o-0', ...over }) as FhirResource

test.each<[string, readonly object[]]>([
  ['an order of somebody else with nothing for a code', [odd({ code: { coding: [null] } })]],
  ['a subject that is no text', [odd({ subject: { reference: 7 } })]],
  [
    'a patient with nothing for a link',
    [{ ...aPatient('MRN-0'), id: 'p-0', link: [null] }, odd({ subject: { reference: 'Patient/p-0' } })],
  ],
])('%s keeps no order back', async (_, first) => {
  const ehr = await opened()
  for (const resource of first) ehr.add(resource as FhirResource)
  const service = await begun(ehr)
  await orderOf(service)
  expect(await found(service.as('ops'), 'ServiceRequest')).toHaveLength(1)
})

test('a requester that cannot be read is left out, and asked for again', async () => {
  const ehr = await opened()
  ehr.add({
    resourceType: 'Practitioner',
    id: 'x',
    identifier: [{ system: 'https://harbour.example/staff', value: 'S-1' }],
  })
  ehr.add(odd({ requester: { reference: 'Practitioner/x' } }))
  let failures = 1
  const fhir = await before(ehr, (url) =>
    url.pathname.endsWith('/Practitioner/x') && failures-- > 0 ? 500 : undefined,
  )
  const service = await begun(ehr, { fhir })
  await orderOf(service)
  await orderOf(service, 'HE-0')
  await expect.poll(async () => (await found(service.as('ops'), 'Practitioner')).length, { timeout: 90_000 }).toBe(1)
}, 120_000)

test('an order that was refused comes in when its reason is mended', async () => {
  const database = await createTestDatabase()
  undo.push(() => database.drop())
  const ehr = await opened()
  const site = { identifier: { system: 'https://daybind.example/sites', value: 'quarry-lane' } }
  ehr.add(odd({ locationReference: [site] }))
  const first = await begun(ehr, {}, database.url, testSites.slice(0, 1))
  await expect.poll(async () => (await sourceTold(first))?.refused.length).toBe(1)
  await first.close()
  await orderOf(await begun(ehr, {}, database.url), 'HE-0')
})

test.each<[string, (url: URL) => number | undefined, string]>([
  [
    'forbids one type',
    (url) => (url.pathname.endsWith('/Procedure') ? 403 : undefined),
    'Procedure could not be looked at',
  ],
  ['fails at one Device', (url) => (url.pathname.endsWith('/Device/d-1') ? 500 : undefined), ''],
])('a server that %s: the others are looked at, and it stays told', async (_, bend, warned) => {
  const ehr = await opened()
  ehr.add(act({ focalDevice: [{ manipulated: { reference: 'Device/d-1' } }] }))
  ehr.add(appointment({ status: 'fulfilled' }))
  const service = await begun(ehr, { fhir: await before(ehr, bend) })
  await expect.poll(() => gaps(service)).toEqual(['no-link open'])
  const asked = ehr.requests.length
  await expect.poll(() => ehr.requests.length).toBeGreaterThan(asked + 6)
  const told = await sourceTold(service)
  if (warned === '') expect(told?.odd).toMatchObject([{ type: 'Procedure', problems: ['not-read Device'] }])
  else expect(told?.warnings.join(' ')).toContain(warned)
})

test('an act that is gone there, or has lost its order, is evidence no more at the next look at everything', async () => {
  const database = await createTestDatabase()
  undo.push(() => database.drop())
  const ehr = await opened()
  ehr.add({ ...aPatient('MRN-2'), id: 'p-2' })
  ehr.add({ ...anOrder('HE-2', 'Patient/p-2', { occurrenceDateTime: today }), id: 'o-2' })
  ehr.add(act())
  ehr.add(act({ id: 'act-2', basedOn: [{ reference: 'ServiceRequest/o-2' }], subject: { reference: 'Patient/p-2' } }))
  let gone = false
  const fhir = await before(ehr, (url) => (gone && url.pathname.endsWith('/Procedure/act-1') ? 410 : undefined))
  const first = await begun(ehr, { fhir }, database.url)
  await expect.poll(() => gaps(first)).toEqual(['no-link open', 'no-link open'])
  await first.close()
  gone = true
  // what is deleted is in no search either
  for (const id of ['act-1', 'act-2'])
    ehr.add({ ...act({ id, subject: { reference: 'Patient/p-2' } }), basedOn: undefined } as unknown as FhirResource)
  const again = await begun(ehr, { fhir }, database.url)
  await expect.poll(() => gaps(again)).toEqual(['no-link cancelled', 'no-link cancelled'])
  expect(await found(again.as('ops'), 'Procedure')).toHaveLength(2)
})
