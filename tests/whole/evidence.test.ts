/** Evidence of applications that a source sends beside its orders, over HTTP: contract, section 8. */
import type { Bundle, BundleEntry, DetectedIssue, FhirResource } from 'fhir/r4.js'
import { beforeAll, expect, test } from 'vitest'
import { askingAs, useTestService } from '../support/service.ts'
import {
  beginOn,
  found,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  orderBundle,
  patientNumbers,
  placers,
  sendOrder,
} from './bedside.ts'
import { inconsistencies } from './consistency.ts'

const day = '2035-03-21'
const at = (time: string): string => `${day}T${time}Z`
const service = useTestService()
const as = askingAs(service)
const [ehr, bay] = [as('harbour-ehr'), as('bay-3')]

beforeAll(async () => {
  await beginOn(service().database, at('12:00:00'))
})

const send = async (...resources: readonly object[]): Promise<void> => {
  const entry = resources.map((resource): BundleEntry => {
    const { resourceType, identifier } = resource as {
      resourceType: string
      identifier: { system: string; value: string }[]
    }
    const [name] = identifier
    return {
      resource: resource as FhirResource,
      request: {
        method: 'PUT',
        url: `${resourceType}?identifier=${encodeURIComponent(`${name?.system}|${name?.value}`)}`,
      },
    }
  })
  const answer = await ehr<Bundle>('POST', '/fhir', { body: { resourceType: 'Bundle', type: 'transaction', entry } })
  expect(answer.status, answer.text).toBe(200)
}
const based = (o: Ordered) => ({ basedOn: [{ type: 'ServiceRequest', identifier: o.placer }] })
const named = (kind: string, o: Ordered) => ({
  identifier: [{ system: `https://harbour.example/${kind}`, value: `${kind}-${o.person.number}` }],
})
const procedure = (o: Ordered, over: object = {}) => ({
  resourceType: 'Procedure',
  ...named('acts', o),
  ...based(o),
  status: 'completed',
  subject: { type: 'Patient', identifier: { system: patientNumbers, value: o.person.number } },
  performedDateTime: at('09:00:00'),
  ...over,
})
const encounter = (o: Ordered, over: object = {}) => ({
  resourceType: 'Encounter',
  ...named('visits', o),
  ...based(o),
  status: 'finished',
  class: { system: 'http://terminology.hl7.org/CodeSystem/v3-ActCode', code: 'AMB' },
  period: { start: at('08:30:00'), end: at('09:30:00') },
  ...over,
})
const appointment = (o: Ordered, over: object = {}) => ({
  resourceType: 'Appointment',
  ...named('dates', o),
  ...based(o),
  status: 'booked',
  start: at('08:30:00'),
  end: at('09:30:00'),
  participant: [{ actor: { display: 'the patient' }, status: 'accepted' }],
  ...over,
})
/** `no-link open`: the gaps that name the order, the newest last. */
const gaps = async (o: Ordered): Promise<readonly string[]> =>
  (await found<DetectedIssue>(bay, `DetectedIssue?implicated=ServiceRequest/${o.order}&_sort=_lastUpdated`)).map(
    (g) => `${g.code?.coding?.[0]?.code} ${g.mitigation?.[0]?.action.coding?.[0]?.code ?? 'open'}`,
  )

test('a completed act without a link is a gap, told once by whatever else says it, and closed by the link', async () => {
  const o = await sendOrder(ehr, { visit: day })
  await send(procedure(o))
  expect(await gaps(o)).toEqual(['no-link open'])
  await send(encounter(o), procedure(o))
  expect(await gaps(o)).toEqual(['no-link open'])
  expect((await link(bay, o, { scan: label(newSerial()), appliedAt: at('09:00:00') })).status).toBe(200)
  expect(await gaps(o)).toEqual(['no-link linked'])
})

test('an act that comes with its order in one message counts as well', async () => {
  const person = newPerson()
  const body = orderBundle(person, `P-${person.number}`, { visit: day })
  const ordered = { person, placer: { system: placers, value: `P-${person.number}` }, order: '', patient: '' }
  const act = {
    ...procedure(ordered),
    basedOn: [{ reference: body.entry?.[1]?.fullUrl }],
    subject: { reference: body.entry?.[0]?.fullUrl },
  } as unknown as FhirResource
  const answer = await ehr<Bundle>('POST', '/fhir', {
    body: { ...body, entry: [...(body.entry ?? []), { resource: act, request: { method: 'POST', url: 'Procedure' } }] },
  })
  expect(answer.status, answer.text).toBe(200)
  const order = /ServiceRequest\/([0-9a-f-]{36})/.exec(answer.text)?.[1] ?? ''
  expect(await gaps({ ...ordered, order })).toEqual(['no-link open'])
})

test('an act that is withdrawn takes its gap along; it comes again as another', async () => {
  const o = await sendOrder(ehr, { visit: day })
  await send(procedure(o))
  await send(procedure(o, { status: 'entered-in-error' }))
  expect(await gaps(o)).toEqual(['no-link linked'])
  await send(procedure(o))
  expect(await gaps(o)).toEqual(['no-link linked', 'no-link open'])
})

test('our own act, sent back to us, says nothing new', async () => {
  const o = await sendOrder(ehr, { visit: day })
  const ours = [{ system: 'https://daybind.example/procedures', value: '0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e09' }]
  await send(procedure(o, { identifier: ours }))
  expect(await gaps(o)).toEqual([])
})

test('appointments move the visit, and say that there was none', async () => {
  const [kept, moved, cancelled, none] = [
    await sendOrder(ehr, { visit: day }),
    await sendOrder(ehr, { visit: day }),
    await sendOrder(ehr, { visit: day }),
    await sendOrder(ehr, { visit: day }),
  ]
  await send(appointment(kept), appointment(cancelled, { status: 'cancelled' }))
  await send(appointment(moved, { start: '2035-03-28T08:30:00Z', end: '2035-03-28T09:30:00Z' }))
  await service().setClock('2035-03-22T00:00:00Z')
  expect(await Promise.all([kept, moved, cancelled, none].map(gaps))).toEqual([
    ['no-application open'],
    [],
    [],
    ['no-application open'],
  ])
  await send(appointment(kept, { status: 'noshow' }))
  expect(await gaps(kept)).toEqual(['no-application cancelled'])
  const evening = await operate(bay, '$reconcile-day', {
    site: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
    date: day,
  })
  expect(evening.text.match(/"code":"no-link"/g)).toHaveLength(3)
})

test('nothing of it contradicts itself, and all of it follows from the journal', async () => {
  expect(await inconsistencies(service().database, service().configuration)).toEqual([])
})
