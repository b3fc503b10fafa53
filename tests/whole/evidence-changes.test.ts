/** What a source said of visits, and what becomes of it: its order is corrected, moved or answered, or it is itself. */
import type { Bundle, BundleEntry, DetectedIssue, DeviceUseStatement, FhirResource } from 'fhir/r4.js'
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
  sendPatient,
} from './bedside.ts'
import { inconsistencies } from './consistency.ts'

const day = '2035-03-21'
const at = (time: string, date = day): string => `${date}T${time}Z`
const service = useTestService()
const as = askingAs(service)
const [ehr, bay, lane] = [as('harbour-ehr'), as('bay-3'), as('lane-desk')]
beforeAll(() => beginOn(service().database, at('12:00:00')))

const named = (kind: string, o: Ordered) => ({
  identifier: [{ system: `https://harbour.example/${kind}`, value: `${kind}-${o.person.number}` }],
})
const based = (...orders: readonly Ordered[]) => ({
  basedOn: orders.map((o) => ({ type: 'ServiceRequest', identifier: o.placer })),
})
const about = (number: string) => ({
  subject: { type: 'Patient', identifier: { system: patientNumbers, value: number } },
})

interface Saying {
  readonly resourceType: string
  readonly identifier: readonly { readonly system: string; readonly value: string }[]
  readonly [element: string]: unknown
}

const act = (o: Ordered, over: object = {}): Saying => ({
  resourceType: 'Procedure',
  ...named('acts', o),
  ...based(o),
  status: 'completed',
  ...about(o.person.number),
  performedDateTime: at('09:00:00'),
  ...over,
})
const stay = (o: Ordered, over: object = {}): Saying => ({
  resourceType: 'Encounter',
  ...named('visits', o),
  ...based(o),
  status: 'finished',
  class: { system: 'http://terminology.hl7.org/CodeSystem/v3-ActCode', code: 'AMB' },
  period: { start: at('08:30:00'), end: at('09:30:00') },
  ...over,
})
const date = (o: Ordered, over: object = {}): Saying => ({
  resourceType: 'Appointment',
  ...named('dates', o),
  ...based(o),
  status: 'booked',
  start: at('08:30:00'),
  end: at('09:30:00'),
  participant: [{ actor: { display: 'the patient' }, status: 'accepted' }],
  ...over,
})
const recorder = (device: object) => ({
  contained: [{ resourceType: 'Device', id: 'rec', ...device }],
  focalDevice: [{ manipulated: { reference: '#rec' } }],
})

const send = async (...resources: readonly Saying[]): Promise<void> => {
  const entry = resources.map((resource): BundleEntry => {
    const [name] = resource.identifier
    const url = `${resource.resourceType}?identifier=${encodeURIComponent(`${name?.system}|${name?.value}`)}`
    return { resource: resource as unknown as FhirResource, request: { method: 'PUT', url } }
  })
  const answer = await ehr<Bundle>('POST', '/fhir', { body: { resourceType: 'Bundle', type: 'transaction', entry } })
  expect(answer.status, answer.text).toBe(200)
}
const sendAgain = (o: Ordered, over: object) =>
  sendOrder(ehr, { visit: day, person: o.person, placer: `${o.placer.value}`, ...over })

const announced = (): Ordered => {
  const person = newPerson()
  return { person, placer: { system: placers, value: `P-${person.number}` }, order: '', patient: '' }
}
const arrived = async (o: Ordered): Promise<Ordered> => {
  const body = orderBundle(o.person, `${o.placer.value}`, { visit: day })
  const answer = await ehr<Bundle>('POST', '/fhir', { body })
  expect(answer.status, answer.text).toBe(200)
  return { ...o, order: /ServiceRequest\/([0-9a-f-]{36})/.exec(answer.text)?.[1] ?? '' }
}

const issues = (o: Ordered, who = bay) =>
  found<DetectedIssue>(who, `DetectedIssue?implicated=ServiceRequest/${o.order}&_sort=_lastUpdated`)
const gaps = async (o: Ordered, who = bay): Promise<readonly string[]> =>
  (await issues(o, who)).map(
    (g) => `${g.code?.coding?.[0]?.code} ${g.mitigation?.[0]?.action.coding?.[0]?.code ?? 'open'}`,
  )
/** What the evening of a day says of the order: `no-link mended`. */
const inEvening = async (o: Ordered, on: string): Promise<readonly string[]> => {
  const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
  const bundle = JSON.parse((await operate(bay, '$reconcile-day', { site, date: on })).text) as Bundle<DetectedIssue>
  return (bundle.entry ?? []).flatMap(({ resource: g }) =>
    JSON.stringify(g).includes(o.order) ? [`${g?.code?.coding?.[0]?.code} ${g?.mitigation ? 'mended' : 'open'}`] : [],
  )
}

const tie = async (o: Ordered, serial: string, appliedAt: string): Promise<string> => {
  const answer = await link(bay, o, { scan: label(serial), appliedAt })
  expect(answer.status, answer.text).toBe(200)
  const links = await found<DeviceUseStatement>(
    bay,
    `DeviceUseStatement?based-on=ServiceRequest/${o.order}&status=active`,
  )
  return links[0]?.id ?? ''
}
const takeOff = async (id: string, endedAt: string) =>
  expect((await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt, why: 'removed' })).status).toBe(200)

describe('a recorder that was linked and came off', () => {
  test('during the visit', async () => {
    const o = await sendOrder(ehr, { visit: day })
    await takeOff(await tie(o, newSerial(), at('09:00:00')), at('09:20:00'))
    await send(stay(o))
    expect(await gaps(o)).toEqual([])
  })

  test('at a later visit', async () => {
    const [o, serial, fitted] = [await sendOrder(ehr, { visit: '2035-03-07' }), newSerial(), '2035-03-07']
    await tie(o, serial, at('09:00:00', fitted))
    const back = { scan: label(serial), receivedAt: at('08:40:00') }
    expect((await operate(bay, 'Device/$record-return', back)).status).toBe(200)
    await send(date(o, { status: 'fulfilled' }))
    expect((await gaps(o)).filter((g) => g.startsWith('no-link'))).toEqual([])
  })

  test('while the act covers the whole wear', async () => {
    const o = await sendOrder(ehr, { visit: '2035-03-20' })
    await takeOff(await tie(o, newSerial(), at('09:00:00', '2035-03-20')), at('09:20:00'))
    const wear = { start: at('09:00:00', '2035-03-20'), end: at('09:20:00') }
    await send(act(o, { performedDateTime: undefined, performedPeriod: wear }))
    expect((await gaps(o)).filter((g) => g.startsWith('no-link'))).toEqual([])
  })
})

describe('an order that is corrected', () => {
  test('to the patient of its act: the gap opens, whether that is said again or not', async () => {
    const [o, right] = [await sendOrder(ehr, { visit: day }), newPerson()]
    await sendPatient(ehr, right)
    await send(act(o, about(right.number)))
    expect(await gaps(o)).toEqual([])
    await sendAgain(o, { person: right })
    expect(await gaps(o)).toEqual(['no-link open'])
  })

  test('away from the patient of its act: the gap is over', async () => {
    const [o, right] = [await sendOrder(ehr, { visit: day }), newPerson()]
    await sendPatient(ehr, right)
    await send(act(o))
    expect(await gaps(o)).toEqual(['no-link open'])
    await sendAgain(o, { person: right })
    expect(await gaps(o)).toEqual(['no-link cancelled'])
  })

  test('to another site: that one is told, and the one that it left reads nothing of it any more', async () => {
    const o = await sendOrder(ehr, { visit: day, site: 'tern-harbour' })
    await send(act(o, { note: [{ text: 'before it moved' }] }))
    const kept = `Procedure?based-on=ServiceRequest/${o.order}`
    expect(await found(bay, kept)).toHaveLength(1)
    await sendAgain(o, { site: 'quarry-lane' })
    expect((await gaps(o, lane)).filter((g) => g.endsWith('open'))).toEqual(['no-link open'])
    expect((await gaps(o, bay)).filter((g) => g.endsWith('open'))).toEqual([])
    await send(act(o, { note: [{ text: 'after it had moved' }] }))
    expect((await bay('GET', `/fhir/ServiceRequest/${o.order}`)).status).toBe(404)
    expect(await found(bay, kept)).toEqual([])
    expect(JSON.stringify(await found(lane, kept))).toContain('after it had moved')
  })
})

describe('what is said', () => {
  test('moves to another order, or to none: the gaps of before are over, stored and in the evening', async () => {
    const on = '2035-03-20'
    const [from, to, none] = [
      await sendOrder(ehr, { visit: on }),
      await sendOrder(ehr, { visit: '2035-04-25' }),
      await sendOrder(ehr, { visit: on }),
    ]
    const moved = named('moved', from)
    await send(act(from, { ...moved, performedDateTime: at('09:00:00', on) }))
    await send(act(none, { performedDateTime: at('09:00:00', on) }))
    expect([await inEvening(from, on), await inEvening(none, on)].flat()).toContain('no-link open')
    await send(act(to, { ...moved, performedDateTime: at('09:00:00', '2035-03-19') }))
    await send(act(none, { basedOn: undefined }))
    for (const o of [from, none]) {
      expect(await gaps(o)).not.toContain('no-link open')
      expect(await inEvening(o, on)).not.toContain('no-link open')
    }
    expect(await gaps(to)).toContain('no-link open')
  })

  test('is put right by a minute: a gap that was late stays told', async () => {
    const on = '2035-03-18'
    const o = await sendOrder(ehr, { visit: on })
    await send(act(o, { performedDateTime: at('09:00:00', on) }))
    await tie(o, newSerial(), at('09:00:00', on))
    expect(await inEvening(o, on)).toContain('no-link mended')
    await send(act(o, { performedDateTime: at('09:01:00', on) }))
    expect(await inEvening(o, on)).toContain('no-link mended')
  })

  test.each<[string, (o: Ordered, other: Ordered) => Saying]>([
    ['is about a patient whom nobody knows', (o) => act(o, about(newPerson().number))],
    [
      'is about another patient by its participants',
      (o, other) =>
        date(o, {
          status: 'fulfilled',
          participant: [{ actor: { reference: `Patient/${other.patient}` }, status: 'accepted' }],
        }),
    ],
  ])('%s: it counts for nobody', async (_, saying) => {
    const [o, other] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, {})]
    await send(saying(o, other))
    expect(await gaps(o)).toEqual([])
  })

  test('names a serial number before the recorder is known: it is told once that is, and the act is sent again', async () => {
    const [said, worn, serial] = [
      await sendOrder(ehr, { visit: day }),
      await sendOrder(ehr, { visit: day }),
      newSerial(),
    ]
    await send(act(said, recorder({ serialNumber: serial })))
    await tie(worn, serial, at('08:00:00'))
    await send(act(said, recorder({ serialNumber: serial })))
    expect((await gaps(said)).toSorted()).toEqual(['device-on-two-patients open', 'no-link open'])
  })

  test('makes a recorder known, and takes no serial number from the bedside', async () => {
    const [said, worn] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { visit: day })]
    const [serial, stale] = [newSerial(), newSerial()]
    await tie(worn, serial, at('08:00:00'))
    const other = recorder({ udiCarrier: [{ deviceIdentifier: '09520123456795' }], serialNumber: serial })
    await send(act(said, { ...other, meta: { versionId: '5', lastUpdated: at('10:00:00') } }))
    const older = recorder({ udiCarrier: [{ carrierHRF: label(stale) }] })
    await send(act(said, { ...older, meta: { versionId: '4', lastUpdated: at('09:00:00') } }))
    // what is older is not applied, and makes nothing known
    expect(await found(as('ops'), `Device?identifier=${stale}`)).toEqual([])
    const back = { serialNumber: serial, receivedAt: at('11:00:00') }
    expect((await operate(bay, 'Device/$record-return', back)).status).toBe(200)
  })
})

describe('the order of arrival decides nothing', () => {
  const bothWays = (name: string, run: (turned: boolean) => Promise<unknown>) =>
    test(name, async () => expect(await run(true)).toEqual(await run(false)))

  bothWays('of two orders of one stay', async (late) => {
    const [one, two] = [announced(), await sendOrder(ehr, { visit: day })]
    const before = late ? undefined : await arrived(one)
    await send(stay(two, based(one, two)))
    const whole = before ?? (await arrived(one))
    return [await gaps(whole), (await gaps(two)).filter((g) => g.endsWith('open'))]
  })

  bothWays('of a refused link and a statement about one recorder', async (turned) => {
    const [a, b, serial] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { visit: day }), newSerial()]
    await tie(b, serial, at('08:00:00'))
    const refused = () => link(bay, a, { scan: label(serial), appliedAt: at('09:00:00') })
    const stated = () => send(act(a, recorder({ udiCarrier: [{ carrierHRF: label(serial) }] })))
    for (const step of turned ? [stated, refused] : [refused, stated]) await step()
    await tie(a, newSerial(), at('09:00:00'))
    return (await gaps(a)).filter((g) => g.startsWith('device-on'))
  })

  bothWays('of an act beside one that cannot be placed', async (late) => {
    const o = announced()
    const shared = { system: 'https://harbour.example/family', value: `F-${o.person.number}` }
    const before = late ? undefined : await arrived(o)
    await send(act(o), stay(o, { subject: { type: 'Patient', identifier: shared } }))
    for (const { number, birthDate } of [newPerson(), newPerson()]) {
      const identifier = [{ system: patientNumbers, value: number }, shared]
      const url = `/fhir/Patient?identifier=${encodeURIComponent(`${patientNumbers}|${number}`)}`
      await ehr('PUT', url, { body: { resourceType: 'Patient', identifier, birthDate } })
    }
    return gaps(before ?? (await arrived(o)))
  })

  test('and thousands that wait for one order do not keep it out', async () => {
    const o = announced()
    for (let n = 0; n < 10; n += 1)
      await send(
        ...Array.from({ length: 150 }, (_, i) =>
          stay(o, {
            identifier: [{ system: 'https://harbour.example/visits', value: `${o.person.number}-${n}-${i}` }],
          }),
        ),
      )
    expect(await gaps(await arrived(o))).toEqual(['no-link open'])
  })
})

test('booked anew for the same day, or a booking that people have overtaken: the day that counts is missed', async () => {
  const next = '2035-03-22'
  const [anew, agreed, moved] = [
    await sendOrder(ehr, { visit: next }),
    await sendOrder(ehr, { visit: day }),
    await sendOrder(ehr, { visit: day }),
  ]
  const times = (start: string) => ({ start: at(start, next), end: at(start.replace(':00:00', ':30:00'), next) })
  await send(date(anew, { status: 'cancelled', ...times('08:00:00') }))
  await send(date(anew, { ...named('later', anew), ...times('14:00:00') }), date(agreed), date(moved))
  const later = { why: 'rescheduled', newDate: next }
  expect((await operate(bay, `ServiceRequest/${agreed.order}/$record-not-applied`, later)).status).toBe(200)
  await sendAgain(moved, { visit: next })
  await service().setClock('2035-03-23T00:00:00Z')
  for (const o of [anew, agreed, moved]) expect(await inEvening(o, next)).toEqual(['no-application open'])
})

test('nothing of it contradicts itself, and all of it follows from the journal', async () => {
  expect(await inconsistencies(service().database, service().configuration)).toEqual([])
})
