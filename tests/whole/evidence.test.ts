/** Evidence of applications that a source sends beside its orders, over HTTP: contract, section 8. */
import type {
  Bundle,
  BundleEntry,
  DetectedIssue,
  DeviceUseStatement,
  FhirResource,
  OperationOutcome,
  Procedure,
} from 'fhir/r4.js'
import { beforeAll, describe, expect, test } from 'vitest'
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

/** The id of the order's link. */
const linkOf = async (o: Ordered): Promise<string> =>
  (await found<DeviceUseStatement>(bay, `DeviceUseStatement?based-on=ServiceRequest/${o.order}&status=active`))[0]
    ?.id ?? ''

test('a completed act without a link is a gap, told once by whatever else says it, and closed by the link', async () => {
  const o = await sendOrder(ehr, { visit: day })
  await send(procedure(o))
  expect(await gaps(o)).toEqual(['no-link open'])
  const [issue] = await found<DetectedIssue>(bay, `DetectedIssue?implicated=ServiceRequest/${o.order}`)
  const [rests] = issue?.evidence?.[0]?.detail ?? []
  expect((await bay<Procedure>('GET', `/fhir/${rests?.reference}`)).body).toMatchObject({ resourceType: 'Procedure' })
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

/** The order itself: what was made up before it was sent. */
const orderLater = async (o: Ordered): Promise<Ordered> => {
  const body = orderBundle(o.person, `${o.placer.value}`, { visit: day })
  const answer = await ehr<Bundle>('POST', '/fhir', { body })
  expect(answer.status, answer.text).toBe(200)
  const order = /ServiceRequest\/([0-9a-f-]{36})/.exec(answer.text)?.[1] ?? ''
  const patient = /Patient\/([0-9a-f-]{36})/.exec(answer.text)?.[1] ?? ''
  return { ...o, order, patient }
}
const announced = (): Ordered => {
  const person = newPerson()
  return { person, placer: { system: placers, value: `P-${person.number}` }, order: '', patient: '' }
}

test('what comes before its order counts as soon as that comes, as if it had come after it', async () => {
  const o = announced()
  await send(procedure(o), appointment(o))
  const ordered = await orderLater(o)
  expect(await gaps(ordered)).toEqual(['no-link open'])
  const [kept] = await found<Procedure>(ehr, `Procedure?based-on=ServiceRequest/${ordered.order}`)
  expect(kept?.subject.reference).toBe(`Patient/${ordered.patient}`)
  // said again it is the same
  await send(procedure(o))
  expect((await found<Procedure>(ehr, `Procedure?_id=${kept?.id}`))[0]?.meta?.versionId).toBe('2')
  // and with its order in one message
  const twice = await orderLater(o)
  expect(twice.order).toBe(ordered.order)
  expect(await gaps(ordered)).toEqual(['no-link open'])
})

test('what comes before its order and is about another patient says nothing', async () => {
  const [o, other] = [announced(), await sendOrder(ehr, { visit: day })]
  await send(procedure(o, { subject: { reference: `Patient/${other.patient}` } }))
  expect(await gaps(await orderLater(o))).toEqual([])
})

test('what leads nowhere is taken, and its sender told why', async () => {
  const [o, other, never] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { visit: day }), announced()]
  const told = async (resource: object) => {
    const entry = [{ resource, request: { method: 'POST', url: 'Procedure' } }]
    const answer = await ehr<Bundle>('POST', '/fhir', { body: { resourceType: 'Bundle', type: 'batch', entry } })
    const outcome = answer.body.entry?.[0]?.response?.outcome as OperationOutcome | undefined
    return [
      answer.body.entry?.[0]?.response?.status,
      ...(outcome?.issue ?? []).map((i) => i.details?.coding?.[0]?.code),
    ]
  }
  const fresh = (of: Ordered, over: object = {}) => procedure(of, { identifier: undefined, ...over })
  expect(await told(fresh(o, { subject: { reference: `Patient/${other.patient}` } }))).toEqual([
    '201 Created',
    'says-nothing',
  ])
  expect(await told(fresh(o, { performedDateTime: undefined }))).toEqual(['201 Created', 'says-nothing'])
  expect(await told(fresh(o, { performedDateTime: '2035-03-22T09:00:00Z' }))).toEqual(['201 Created', 'in-the-future'])
  expect(await told(fresh(never))).toEqual(['201 Created', 'waits-for-order'])
  expect(await gaps(o)).toEqual([])
  // an order named by its number alone is meant all the same
  expect(await told(fresh(o, { basedOn: [{ identifier: o.placer }] }))).toEqual(['201 Created'])
  expect(await gaps(o)).toEqual(['no-link open'])
})

test('an order and what is said of it, sent at once by two, find each other', async () => {
  for (let i = 0; i < 10; i += 1) {
    const o = announced()
    const [ordered] = await Promise.all([orderLater(o), send(procedure(o))])
    expect(await gaps(ordered)).toEqual(['no-link open'])
  }
})

const holding = (device: object) => ({
  contained: [{ resourceType: 'Device', id: 'rec', ...device }],
  focalDevice: [{ manipulated: { reference: '#rec' } }],
})

describe('an act that names the recorder', () => {
  test.each<[string, (serial: string) => object]>([
    ['by its label, contained', (serial) => holding({ udiCarrier: [{ carrierHRF: label(serial) }] })],
    [
      'by its scanned bytes, contained',
      (serial) => holding({ udiCarrier: [{ carrierAIDC: Buffer.from(label(serial)).toString('base64') }] }),
    ],
    [
      'by device identifier and serial number, contained',
      (serial) => holding({ udiCarrier: [{ deviceIdentifier: '09520123456788' }], serialNumber: serial }),
    ],
    [
      'by a barcode, as a logical reference',
      (serial) => ({
        focalDevice: [{ manipulated: { type: 'Device', identifier: { system: 'urn:x-udi', value: label(serial) } } }],
      }),
    ],
    [
      'as what was used',
      (serial) => ({ usedReference: [{ type: 'Device', identifier: { system: 'urn:x-udi', value: label(serial) } }] }),
    ],
  ])('%s: it is on one patient, and linked to another', async (_, naming) => {
    const [said, worn] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { visit: day })]
    const serial = newSerial()
    expect((await link(bay, worn, { scan: label(serial), appliedAt: at('08:00:00') })).status).toBe(200)
    await send(procedure(said, naming(serial)))
    expect((await gaps(said)).toSorted()).toEqual(['device-on-two-patients open', 'no-link open'])
    expect(await gaps(worn)).toEqual([])
    await operate(bay, `DeviceUseStatement/${await linkOf(worn)}/$correct-link`, { because: 'the wrong bed' })
    expect((await link(bay, said, { scan: label(serial), appliedAt: at('09:00:00') })).status).toBe(200)
    expect((await gaps(said)).toSorted()).toEqual(['device-on-two-patients confirmed', 'no-link linked'])
  })

  test('before anybody has linked it: the link of another patient opens the gap', async () => {
    const [said, worn] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { visit: day })]
    const serial = newSerial()
    await send(procedure(said, holding({ udiCarrier: [{ carrierHRF: label(serial) }] })))
    expect(await gaps(said)).toEqual(['no-link open'])
    expect((await link(bay, worn, { scan: label(serial), appliedAt: at('08:00:00') })).status).toBe(200)
    expect((await gaps(said)).toSorted()).toEqual(['device-on-two-patients open', 'no-link open'])
    await send(procedure(said, { status: 'entered-in-error' }))
    expect((await gaps(said)).toSorted()).toEqual(['device-on-two-patients confirmed', 'no-link cancelled'])
  })

  test('is answered by a link of that recorder alone', async () => {
    const o = await sendOrder(ehr, { visit: day })
    const [said, other] = [newSerial(), newSerial()]
    await send(procedure(o, holding({ udiCarrier: [{ carrierHRF: label(said) }] })))
    expect((await link(bay, o, { scan: label(other), appliedAt: at('09:00:00') })).status).toBe(200)
    expect(await gaps(o)).toEqual(['no-link open'])
    await operate(bay, `DeviceUseStatement/${await linkOf(o)}/$correct-link`, { because: 'misread', scan: label(said) })
    expect(await gaps(o)).toEqual(['no-link linked'])
  })

  test('whose label cannot be read is taken all the same, and the sender is told where', async () => {
    const o = await sendOrder(ehr, { visit: day })
    const answer = await ehr<Procedure>('POST', '/fhir/Procedure', { body: {} })
    expect(answer.status).toBe(405)
    const body = {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        {
          resource: procedure(o, holding({ udiCarrier: [{ carrierHRF: label(newSerial()).replace('788(', '789(') }] })),
          request: { method: 'POST', url: 'Procedure' },
        },
      ],
    }
    const told = await ehr<Bundle>('POST', '/fhir', { body })
    expect(told.status, told.text).toBe(200)
    const outcome = told.body.entry?.[0]?.response?.outcome as OperationOutcome | undefined
    expect(outcome?.issue).toMatchObject([
      {
        severity: 'warning',
        details: { coding: [{ code: 'check-digit' }] },
        expression: [
          'Bundle.entry[0].resource.contained[0].udiCarrier[0].carrierHRF',
          'Procedure.contained[0].udiCarrier[0].carrierHRF',
        ],
      },
    ])
    expect(await gaps(o)).toEqual(['no-link open'])
  })
})

test('an act that is withdrawn takes its gap along; it comes again as another', async () => {
  const o = await sendOrder(ehr, { visit: day })
  await send(procedure(o))
  await send(procedure(o, { status: 'entered-in-error' }))
  expect(await gaps(o)).toEqual(['no-link cancelled'])
  await send(procedure(o))
  expect(await gaps(o)).toEqual(['no-link cancelled', 'no-link open'])
})

test('our own act, sent back to us, says nothing new', async () => {
  const o = await sendOrder(ehr, { visit: day })
  const ours = [{ system: 'https://daybind.example/procedures', value: '0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e09' }]
  await send(procedure(o, { identifier: ours }))
  expect(await gaps(o)).toEqual([])
})

test('a visit that has ended without a recorder is closed by the reason, and stays so with a new date of the order', async () => {
  const o = await sendOrder(ehr, { visit: day })
  await send(encounter(o))
  expect(await gaps(o)).toEqual(['no-link open'])
  expect((await operate(bay, `ServiceRequest/${o.order}/$record-not-applied`, { why: 'unfit' })).status).toBe(200)
  expect(await gaps(o)).toEqual(['no-link cancelled'])
  await sendOrder(ehr, { visit: '2035-04-02', person: o.person, placer: `${o.placer.value}` })
  expect(await gaps(o)).toEqual(['no-link cancelled'])
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
  const about = (o: Ordered) => evening.text.includes(`ServiceRequest/${o.order}`)
  expect([kept, moved, cancelled, none].map(about)).toEqual([true, false, false, true])
})

test('an order that its source completes without a link is missed when its day is over; one that came completed is not', async () => {
  const [done, history] = [await sendOrder(ehr, { visit: '2035-03-22' }), newPerson()]
  await sendOrder(ehr, {
    visit: '2035-03-22',
    person: done.person,
    placer: `${done.placer.value}`,
    status: 'completed',
  })
  const before = await sendOrder(ehr, { visit: '2035-03-22', person: history, status: 'completed' })
  await service().setClock('2035-03-23T00:00:00Z')
  expect([await gaps(done), await gaps(before)]).toEqual([['no-application open'], []])
})

test('the figures of a day count what its evening counts', async () => {
  for (const date of [day, '2035-03-22']) {
    const { body } = await bay<{
      linked: { denominator: number; numerator: number }
      figures: { today: { denominator: number; numerator: number } }
    }>('GET', `/reports/day/tern-harbour/${date}.json`)
    const { denominator, numerator } = body.figures.today
    expect({ denominator, numerator }).toEqual({
      denominator: body.linked.denominator,
      numerator: body.linked.numerator,
    })
  }
  const { body } = await bay<{ linked: { denominator: number } }>('GET', `/reports/day/tern-harbour/${day}.json`)
  expect(body.linked.denominator).toBeGreaterThan(5)
})

test('nothing of it contradicts itself, and all of it follows from the journal', async () => {
  expect(await inconsistencies(service().database, service().configuration)).toEqual([])
})
