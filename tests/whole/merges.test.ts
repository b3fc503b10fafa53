/**
 * A source replaces a patient's record by another, or says of the patient what the link may no longer agree with:
 * orders and links go along once, and a person has the last word. Shape of a merge: IHE PMIR, ITI-93, 2:3.93.4.1.3
 * (https://profiles.ihe.net/ITI/PMIR): `active` false and a `link` of type `replaced-by`; an unmerge is not supported.
 */
import type {
  AuditEvent,
  Bundle,
  DetectedIssue,
  Device,
  DeviceUseStatement,
  FhirResource,
  MeasureReport,
  Observation,
  Patient,
  Procedure,
  Provenance,
  ServiceRequest,
  Task,
} from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { type Answer, type Ask, useTestService } from '../support/service.ts'
import {
  codesOf,
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  orderBundle,
  out,
  type Person,
  patientNumbers,
  read,
  type Said,
  seconds,
  sendOrder,
  sendPatient,
  type Told,
  verdict,
} from './bedside.ts'
import { inconsistencies } from './consistency.ts'

const service = useTestService()
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const other: Ask = (...asked) => service().as('lowwater-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const lane: Ask = (...asked) => service().as('lane-desk')(...asked)
const ops: Ask = (...asked) => service().as('ops')(...asked)

const ago = (s: number): string => seconds(Date.now(), -s)
const criterion = (number: string): string => `identifier=${encodeURIComponent(`${patientNumbers}|${number}`)}`

const patientOf = (person: Person, over: Partial<Patient> = {}): Patient => ({
  ...(orderBundle(person, '').entry?.[0]?.resource as Patient),
  ...over,
})

const putPatient = (person: Person, over: Partial<Patient> = {}, ask = ehr) =>
  ask<Patient>('PUT', `/fhir/Patient?${criterion(person.number)}`, { body: patientOf(person, over) })

const known = async (person: Person, ask = ehr): Promise<string> => {
  const { body, status, text } = await sendPatient(ask, person)
  expect(status, text).toBe(201)
  return body.id ?? ''
}

const replacedBy = (...others: NonNullable<Patient['link']>[number]['other'][]): Partial<Patient> => ({
  active: false,
  link: others.map((reference) => ({ type: 'replaced-by', other: reference })),
})

const into = (id: string): Partial<Patient> => replacedBy({ reference: `Patient/${id}` })

interface Worn extends Ordered {
  readonly link: string
  readonly device: string
  readonly serial: string
}

/** An order of somebody who wears a recorder. */
const worn = async (said: { person?: Person; appliedAt?: string } = {}): Promise<Worn> => {
  const ordered = await sendOrder(ehr, said.person ? { person: said.person } : {})
  const serial = newSerial()
  const made = await link(bay, ordered, { scan: label(serial), appliedAt: said.appliedAt ?? ago(3600) })
  const { id = '', device } = out<DeviceUseStatement>(made, 'link')
  return { ...ordered, link: id, device: device.reference?.split('/')[1] ?? '', serial }
}

const doubts = (w: { readonly link: string }): Promise<readonly DetectedIssue[]> =>
  found<DetectedIssue>(bay, `DetectedIssue?code=identity-doubt&implicated=DeviceUseStatement/${w.link}`)

const doubt = async (w: Worn): Promise<DetectedIssue> => {
  const [only, ...others] = await doubts(w)
  if (only === undefined || others.length > 0) throw new Error(`${others.length + (only ? 1 : 0)} doubts`)
  return only
}

const subjectOf = async (w: Worn): Promise<readonly (string | undefined)[]> => {
  const [order, use, device] = [
    await read<ServiceRequest>(ehr, `ServiceRequest/${w.order}`),
    await read<DeviceUseStatement>(bay, `DeviceUseStatement/${w.link}`),
    await read<Device>(bay, `Device/${w.device}`),
  ]
  return [order.subject.reference, use.subject.reference, device.patient?.reference]
}

const all = (id: string): readonly string[] => [`Patient/${id}`, `Patient/${id}`, `Patient/${id}`]

const messages = (w: Ordered) =>
  inDatabase(service().database, 'select 1 as x from deliveries where order_id = $1', [w.order])

const told = (answer: Answer<unknown>): string => `${verdict(answer)}`

describe('a patient who is replaced by another', () => {
  test('takes along what is under way, once, and a person has to confirm it', async () => {
    const w = await worn()
    const survivor = newPerson()
    const b = await known(survivor)
    const before = (await messages(w)).length
    expect(told(await putPatient(w.person, into(b)))).toBe('200')
    expect(await subjectOf(w)).toEqual(all(b))
    const about = `patient=Patient/${b}`
    const [procedure, task] = [
      await found<Procedure>(bay, `Procedure?${about}`),
      await found<Task>(bay, `Task?${about}`),
    ]
    expect([procedure.length, task.map((t) => t.for?.reference)]).toEqual([1, [`Patient/${b}`]])
    expect(await found(bay, `DeviceUseStatement?patient=Patient/${w.patient}`)).toEqual([])

    const gap = await doubt(w)
    expect(gap).toMatchObject({
      status: 'final',
      severity: 'high',
      patient: { reference: `Patient/${b}` },
      implicated: expect.arrayContaining([{ reference: `ServiceRequest/${w.order}` }]),
      detail: expect.stringContaining('merged'),
    })
    expect(gap.mitigation).toBeUndefined()
    const why = (await found<Provenance>(bay, `Provenance?target=DeviceUseStatement/${w.link}`)).filter(
      (p) => p.reason?.[0]?.coding?.[0]?.code === 'merged',
    )
    expect(why.map((p) => p.agent[0]?.who.identifier?.value)).toEqual(['harbour-ehr'])
    const events = await found<AuditEvent>(ops, `AuditEvent?entity=DeviceUseStatement/${w.link}`)
    expect(events.map((e) => e.agent[0]?.who?.identifier?.value)).toContain('harbour-ehr')
    // the reading service that had the order is told, of one patient
    const [message] = await inDatabase<{ body: string }>(
      service().database,
      'select body from deliveries where order_id = $1 order by seq desc limit 1',
      [w.order],
    )
    expect(message?.body).toContain(survivor.number)
    expect(message?.body).not.toContain(`"${w.person.number}"`)
    expect((await messages(w)).length).toBe(before + 1)

    const versions = async () => (await bay('GET', `/fhir/DeviceUseStatement/${w.link}`)).headers.get('etag')
    expect(await versions()).toBe('W/"2"')
    expect(told(await putPatient(w.person, into(b)))).toBe('200')
    expect([await versions(), (await messages(w)).length, (await doubts(w)).length]).toEqual(['W/"2"', before + 1, 1])
  })

  test('is found by the old number, inactive; the order is found by the survivor alone', async () => {
    const w = await worn()
    const b = await known(newPerson())
    await putPatient(w.person, into(b))
    const [old] = await found<Patient>(ehr, `Patient?${criterion(w.person.number)}`)
    expect([old?.id, old?.active, old?.link?.[0]?.other.reference]).toEqual([w.patient, false, `Patient/${b}`])
    const orders = (id: string) => found(ehr, `ServiceRequest?patient=Patient/${id}`)
    expect([(await orders(w.patient)).length, (await orders(b)).length]).toEqual([0, 1])
  })

  test('whose survivor comes in the same Bundle, named by urn, by number, or by an address of the source', async () => {
    const kinds: ((number: string) => NonNullable<Patient['link']>[number]['other'])[] = [
      () => ({ reference: 'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e09' }),
      (number) => ({ identifier: { system: patientNumbers, value: number } }),
      (number) => ({ reference: `Patient?identifier=${patientNumbers}|${number}` }),
    ]
    for (const kind of kinds) {
      const [w, survivor] = [await worn(), newPerson()]
      const put = (person: Person, resource: Patient, fullUrl: string) => ({
        fullUrl,
        resource,
        request: { method: 'PUT' as const, url: `Patient?${criterion(person.number)}` },
      })
      const body: Bundle<FhirResource> = {
        resourceType: 'Bundle',
        type: 'transaction',
        entry: [
          put(
            w.person,
            patientOf(w.person, replacedBy(kind(survivor.number))),
            'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e08',
          ),
          put(survivor, patientOf(survivor), 'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e09'),
        ],
      }
      const answer = await ehr<Bundle>('POST', '/fhir', { body })
      expect(answer.status, answer.text).toBe(200)
      const [b] = await found<Patient>(ehr, `Patient?${criterion(survivor.number)}`)
      expect(await subjectOf(w)).toEqual(all(b?.id ?? ''))
      expect((await bay('GET', `/fhir/Patient/${b?.id}`)).status).toBe(200)
    }
  })

  test('and whose survivor is replaced too leads to the last of them, in either order', async () => {
    const [w, p, q] = [await worn(), newPerson(), newPerson()]
    const [b, c] = [await known(p), await known(q)]
    await putPatient(w.person, into(b))
    await putPatient(p, into(c))
    expect(await subjectOf(w)).toEqual(all(c))
    expect((await doubt(w)).detail).toContain('merged')

    const [v, r, s] = [await worn(), newPerson(), newPerson()]
    const [d, e] = [await known(r), await known(s)]
    await putPatient(r, into(e))
    await putPatient(v.person, into(d))
    expect(await subjectOf(v)).toEqual(all(e))
  })

  test('leads nowhere in a circle, to two, to nobody, to itself, to a patient of another source', async () => {
    const [w, p] = [await worn(), newPerson()]
    const b = await known(p)
    expect(told(await putPatient(w.person, into(b)))).toBe('200')
    expect(told(await putPatient(p, into(w.patient)))).toBe('422 merge-not-possible')
    expect(told(await putPatient(p, into(b)))).toBe('422 merge-not-possible')
    const two = replacedBy({ reference: `Patient/${w.patient}` }, { reference: `Patient/${b}` })
    const third = newPerson()
    await known(third)
    expect(told(await putPatient(third, two))).toBe('422 merge-not-possible')
    const nobody = into('00000000-0000-4000-8000-00000000dead')
    expect(told(await putPatient(third, nobody))).toBe('422 reference-not-found')
    // for a source, another's patient is nobody; who sees both is told that it cannot be
    const foreign = await known(newPerson(), other)
    expect(told(await putPatient(third, into(foreign)))).toBe('422 reference-not-found')
    const mine = await found<Patient>(ehr, `Patient?${criterion(third.number)}`)
    const byOperator = await ops('PUT', `/fhir/Patient/${mine[0]?.id}`, { body: patientOf(third, into(foreign)) })
    expect(told(byOperator)).toBe('422 merge-not-possible')
    expect(await subjectOf(w)).toEqual(all(b))
  })

  test('whose survivor is known by name alone and not here yet waits, with a doubt; said again, it moves', async () => {
    const [w, survivor] = [await worn(), newPerson()]
    const unknown = replacedBy({ identifier: { system: patientNumbers, value: survivor.number } })
    const first = await putPatient(w.person, unknown)
    expect([first.status, first.headers.get('x-daybind-warning')]).toEqual([200, 'successor-not-known'])
    expect(await subjectOf(w)).toEqual(all(w.patient))
    expect((await doubt(w)).detail).toContain('not known here')
    const b = await known(survivor)
    expect(told(await putPatient(w.person, unknown))).toBe('200')
    expect(await subjectOf(w)).toEqual(all(b))
    expect((await doubt(w)).detail).toContain('merged')
  })

  test('takes along orders that nobody has linked yet: two identifiers are those of the survivor', async () => {
    const [ordered, survivor] = [await sendOrder(ehr), newPerson()]
    const b = await known(survivor)
    await putPatient(ordered.person, into(b))
    const said = { scan: label(newSerial()), appliedAt: ago(60) }
    expect(told(await link(bay, ordered, said))).toBe('422 identifier-disagrees identifier-disagrees')
    const made = await link(bay, { ...ordered, person: survivor }, said)
    expect(out<DeviceUseStatement>(made, 'link').subject.reference).toBe(`Patient/${b}`)
    expect(await found(bay, `DetectedIssue?code=identity-doubt&patient=Patient/${b}`)).toEqual([])
  })

  test('takes along an order that a clinic wrote by hand', async () => {
    // it knows the patient by an order of its site
    const [{ patient: id, person }, written] = [await sendOrder(ehr), newSerial()]
    const body = {
      ...orderBundle(newPerson(), written).entry?.[1]?.resource,
      identifier: [{ system: 'https://bay.example/orders', value: written }],
      subject: { reference: `Patient/${id}` },
    }
    const order = await bay<ServiceRequest>('POST', '/fhir/ServiceRequest', { body })
    expect(order.status, order.text).toBe(201)
    const b = await known(newPerson())
    expect(told(await putPatient(person, into(b)))).toBe('200')
    const moved = await read<ServiceRequest>(bay, `ServiceRequest/${order.body.id}`)
    expect([moved.subject.reference, moved.meta?.tag]).toEqual([`Patient/${b}`, order.body.meta?.tag])
    const again = await bay('POST', '/fhir/ServiceRequest', { body })
    expect([again.status, again.headers.get('etag')], again.text).toEqual([200, `W/"${moved.meta?.versionId}"`])
  })

  test('leaves what is over where it was', async () => {
    const w = await worn()
    await operate(bay, `DeviceUseStatement/${w.link}/$end-link`, { endedAt: ago(60), why: 'removed' })
    const tasks = await found<Task>(bay, `Task?based-on=ServiceRequest/${w.order}`)
    for (const status of ['accepted', 'in-progress', 'completed'] as const)
      for (const task of tasks) {
        const now = await read<Task>(service().as('pebble'), `Task/${task.id}`)
        await service().as('pebble')('PUT', `/fhir/Task/${task.id}`, { body: { ...now, status } })
      }
    await sendOrder(ehr, { person: w.person, placer: w.placer.value ?? '', status: 'completed' })
    const b = await known(newPerson())
    await putPatient(w.person, into(b))
    const use = await read<DeviceUseStatement>(bay, `DeviceUseStatement/${w.link}`)
    expect([use.subject.reference, (await doubts(w)).length]).toEqual([`Patient/${w.patient}`, 0])
  })

  test('takes along a recording that is still to be read, with its stubs', async () => {
    const w = await worn()
    await operate(bay, 'Device/$record-return', { scan: label(w.serial), receivedAt: ago(60) })
    const b = await known(newPerson())
    await putPatient(w.person, into(b))
    const stubs = await found<Observation>(bay, `Observation?based-on=ServiceRequest/${w.order}`)
    expect(stubs.map((s) => s.subject?.reference)).toEqual([`Patient/${b}`])
    expect((await doubt(w)).detail).toContain('merged')
    // the recorder is on nobody
    expect((await read<Device>(bay, `Device/${w.device}`)).patient).toBeUndefined()
  })

  test('is meant no more by an order that still names the old record', async () => {
    const [w, survivor] = [await worn(), newPerson()]
    const b = await known(survivor)
    await putPatient(w.person, into(b))
    const again = (subject: ServiceRequest['subject'], over: Partial<ServiceRequest> = {}) => {
      const body = { ...orderBundle(w.person, w.placer.value ?? '').entry?.[1]?.resource, subject, ...over }
      return ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body })
    }
    const byNumber = { type: 'Patient', identifier: { system: patientNumbers, value: w.person.number } }
    const version = (await ehr('GET', `/fhir/ServiceRequest/${w.order}`)).headers.get('etag')
    for (const subject of [byNumber, { reference: `Patient/${w.patient}` }, { reference: `Patient/${b}` }]) {
      const same = await again(subject)
      expect([same.status, same.headers.get('etag')], same.text).toEqual([200, version])
    }
    const revised = await again(byNumber, { priority: 'urgent' })
    expect([revised.status, revised.body.subject]).toEqual([200, { reference: `Patient/${b}` }])
    expect((await doubts(w)).length).toBe(1)
  })

  test('is named by a number that the survivor carries as an old one', async () => {
    const [w, survivor] = [await worn(), newPerson()]
    const numbers = [
      { system: patientNumbers, value: survivor.number },
      { system: patientNumbers, value: w.person.number, use: 'old' as const },
    ]
    const b = (await putPatient(survivor, { identifier: numbers })).body.id ?? ''
    expect(told(await putPatient(w.person, into(b)))).toBe('200')
    expect(await subjectOf(w)).toEqual(all(b))
  })

  test('as a server tells it: both records by their addresses, the survivor with the old number, old or not', async () => {
    for (const use of ['old', undefined] as const) {
      const [w, survivor] = [await worn(), newPerson()]
      const address = (id: string) => `https://harbour.example/fhir/Patient/${id}`
      const [a, b] = [`a-${w.serial}`, `b-${w.serial}`]
      const post = (id: string, resource: Patient) => ({
        fullUrl: address(id),
        resource,
        request: { method: 'POST' as const, url: 'Patient' },
      })
      const numbers = [
        { system: patientNumbers, value: survivor.number },
        { system: patientNumbers, value: w.person.number, ...(use && { use }) },
      ]
      const send = (...entry: NonNullable<Bundle<FhirResource>['entry']>) =>
        ehr<Bundle>('POST', '/fhir', { body: { resourceType: 'Bundle', type: 'transaction', entry } })
      // the record is known by its address before it is replaced
      expect(told(await send(post(a, patientOf(w.person))))).toBe('200')
      const merged = await send(
        post(a, patientOf(w.person, replacedBy({ reference: address(b) }))),
        post(b, patientOf(survivor, { identifier: numbers })),
      )
      expect(merged.status, merged.text).toBe(200)
      const ids = (merged.body.entry ?? []).map((e) => /Patient\/([^/]+)/.exec(e.response?.location ?? '')?.[1])
      expect([ids[0], ids[1] === w.patient]).toEqual([w.patient, false])
      expect(await subjectOf(w)).toEqual(all(ids[1] ?? ''))
      // said again, each is itself
      const again = await send(post(b, patientOf(survivor, { identifier: numbers, gender: 'female' })))
      expect([again.status, again.body.entry?.[0]?.response?.location], again.text).toEqual([
        200,
        expect.stringContaining(ids[1] ?? '?'),
      ])
    }
  })

  test('at the same moment as it is linked ends with the survivor all the same', async () => {
    for (let i = 0; i < 6; i += 1) {
      const [ordered, b] = [await sendOrder(ehr), await known(newPerson())]
      const serial = newSerial()
      const [linked, merged] = await Promise.all([
        link(bay, ordered, { scan: label(serial), appliedAt: ago(60) }),
        putPatient(ordered.person, into(b)),
      ])
      expect(merged.status, merged.text).toBe(200)
      expect([200, 422]).toContain(linked.status)
      const uses = await found<DeviceUseStatement>(bay, `DeviceUseStatement?based-on=ServiceRequest/${ordered.order}`)
      expect(uses.map((u) => u.subject.reference)).toEqual(linked.status === 200 ? [`Patient/${b}`] : [])
    }
  })
})

/** `Patient?…` and `Patient/…`, as an order may name the one who was replaced. */
const orderFor = (placer: string, subject: ServiceRequest['subject']) =>
  ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', {
    body: { ...orderBundle(newPerson(), placer).entry?.[1]?.resource, subject },
  })

test('replaced twice while orders come, are linked and end: all of it is the last survivor’s', async () => {
  for (let i = 0; i < 5; i += 1) {
    const [w, fresh, p] = [await worn(), newSerial(), newPerson()]
    const late = await sendOrder(ehr, { person: w.person, placer: `P-${fresh}` })
    const [b, c] = [await known(p), await known(newPerson())]
    const [byId, byNumber] = await Promise.all([
      orderFor(`I-${fresh}`, { reference: `Patient/${w.patient}` }),
      orderFor(`N-${fresh}`, { type: 'Patient', identifier: { system: patientNumbers, value: w.person.number } }),
      putPatient(w.person, into(b)).then(({ status, text }) => expect(status, text).toBe(200)),
      putPatient(p, into(c)).then(({ status, text }) => expect(status, text).toBe(200)),
      link(bay, late, { scan: label(fresh), appliedAt: ago(60) }),
      operate(bay, 'Device/$record-return', { scan: label(w.serial), receivedAt: ago(30) }),
    ])
    expect([byId.status, byNumber.status], byId.text + byNumber.text).toEqual([201, 201])
    const orders = [w.order, late.order, byId.body.id, byNumber.body.id]
    for (const id of orders)
      expect((await read<ServiceRequest>(ehr, `ServiceRequest/${id}`)).subject.reference).toBe(`Patient/${c}`)
    for (const type of ['DeviceUseStatement', 'Task', 'Observation'])
      expect(await found(bay, `${type}?patient=Patient/${w.patient},Patient/${b}`)).toEqual([])
  }
})

describe('what a source says of a patient after the link', () => {
  test.each<[string, (p: Person) => Partial<Patient>, string | undefined]>([
    ['another birth date', () => ({ birthDate: '1912-12-12' }), 'birth date'],
    ['the same again', () => ({}), undefined],
    ['another name', (p) => ({ name: [{ family: 'Otherwise', given: [p.given] }] }), 'full name'],
    ['inactive', () => ({ active: false }), 'set inactive'],
    ['another phone', () => ({ telecom: [{ system: 'phone', value: '+353 1 555 9999' }] }), undefined],
    ['no birth date any more', (p) => ({ name: patientOf(p).name ?? [], birthDate: '' }), undefined],
    [
      'the name written otherwise',
      (p) => ({ name: [{ family: p.family.toUpperCase(), given: [p.given] }] }),
      undefined,
    ],
  ])('%s', async (_, said, words) => {
    const w = await worn()
    const { birthDate, ...over } = said(w.person)
    const body = patientOf(w.person, { ...over, ...(birthDate ? { birthDate } : {}) })
    if (birthDate === '') delete body.birthDate
    const answer = await ehr('PUT', `/fhir/Patient?${criterion(w.person.number)}`, { body })
    expect(answer.status, answer.text).toBe(200)
    const gaps = await doubts(w)
    expect(gaps.map((g) => g.status)).toEqual(words === undefined ? [] : ['final'])
    if (words !== undefined) expect(gaps[0]?.detail).toContain(words)
    // the link stays
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${w.link}`)).status).toBe('active')
  })

  test('another number under our id is a doubt, and none before the link', async () => {
    const w = await worn()
    const body = patientOf(w.person, { identifier: [{ system: patientNumbers, value: newPerson().number }] })
    expect(told(await ehr('PUT', `/fhir/Patient/${w.patient}`, { body }))).toBe('200')
    expect((await doubt(w)).detail).toContain(`identifier ${patientNumbers}`)
    const early = await sendOrder(ehr)
    await putPatient(early.person, { birthDate: '1912-12-12' })
    const person = { ...early.person, birthDate: '1912-12-12' }
    const made = await link(bay, { ...early, person }, { scan: label(newSerial()), appliedAt: ago(60) })
    expect(await doubts({ link: out<DeviceUseStatement>(made, 'link').id ?? '' })).toEqual([])
  })

  test('that the merge is taken back moves nothing: a person looks at it', async () => {
    const w = await worn()
    const b = await known(newPerson())
    await putPatient(w.person, into(b))
    const merged = await doubt(w)
    await operate(bay, `DetectedIssue/${merged.id}/$resolve`, { action: 'confirmed', note: 'Asked at the bedside.' })
    expect(told(await putPatient(w.person, { active: true }))).toBe('200')
    expect(await subjectOf(w)).toEqual(all(b))
    const open = (await doubts(w)).filter((g) => g.mitigation === undefined)
    expect(open.map((g) => g.detail)).toEqual([expect.stringContaining('takes the merge')])
    // another trouble of the same kind implicates the one that was closed
    expect(open[0]?.implicated).toContainEqual({ reference: `DetectedIssue/${merged.id}` })
    // another subject is still refused: two identifiers agreed with the one that it had
    const body = {
      ...orderBundle(w.person, w.placer.value ?? '').entry?.[1]?.resource,
      subject: { reference: `Patient/${w.patient}` },
    }
    expect(told(await ehr('POST', '/fhir/ServiceRequest', { body }))).toBe('409 order-linked')
  })
})

describe('$acknowledge and $resolve', () => {
  const merged = async () => {
    const w = await worn()
    await putPatient(w.person, into(await known(newPerson())))
    return { w, gap: await doubt(w) }
  }
  /** Without anything to say there is no body: an empty list is no FHIR. */
  const settle = (ask: Ask, path: string, said: Said, dry: boolean): Promise<Answer<Told>> =>
    Object.keys(said).length > 0 ? operate(ask, path, said, dry) : ask('POST', `/fhir/${path}`)
  const acknowledge = (id: string | undefined, said: Said, ask = bay, dry = false) =>
    settle(ask, `DetectedIssue/${id}/$acknowledge`, said, dry)
  const resolve = (id: string | undefined, said: Said, ask = bay, dry = false) =>
    settle(ask, `DetectedIssue/${id}/$resolve`, said, dry)
  const confirmed = { action: 'confirmed', note: 'Wristband and chart agree.' }

  test('who has seen it is noted with when and what was said; the gap stays open', async () => {
    const { gap } = await merged()
    const answer = out<DetectedIssue>(await acknowledge(gap.id, { note: 'Ward called.' }), 'gap')
    const [seen] = answer.extension ?? []
    expect(seen?.url).toBe('https://daybind.example/StructureDefinition/acknowledged')
    expect(seen?.extension?.map((e) => e.valueInstant ?? e.valueReference?.identifier?.value ?? e.valueString)).toEqual(
      [expect.stringMatching(/Z$/), 'bay-3', 'Ward called.'],
    )
    expect([answer.mitigation, answer.status]).toEqual([undefined, 'final'])
    // the same words again are the same; others are noted beside them
    await acknowledge(gap.id, { note: 'Ward called.' })
    const twice = out<DetectedIssue>(await acknowledge(gap.id, {}, ops), 'gap')
    expect(twice.extension?.length).toBe(2)
    expect((await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)).meta?.versionId).toBe('3')
  })

  test('a person closes what a person can close: by whom, when and how it was decided', async () => {
    const { w, gap } = await merged()
    await acknowledge(gap.id, {})
    const closed = out<DetectedIssue>(await resolve(gap.id, confirmed), 'gap')
    expect(closed.mitigation).toEqual([
      {
        action: {
          coding: [{ system: 'https://daybind.example/CodeSystem/mitigation', code: 'confirmed' }],
          text: 'Wristband and chart agree.',
        },
        date: expect.any(String),
        author: { identifier: { system: 'https://daybind.example/callers', value: 'bay-3' } },
      },
    ])
    const [record] = await found<Provenance>(bay, `Provenance?target=DetectedIssue/${gap.id}`)
    expect(record?.agent[0]?.who.identifier?.value).toBe('bay-3')
    expect(told(await resolve(gap.id, confirmed))).toBe('200')
    expect(told(await resolve(gap.id, { ...confirmed, note: 'Once more.' }))).toBe('409 gap-closed')
    // what happens to the order later leaves it closed, with what was said of it
    await operate(bay, `DeviceUseStatement/${w.link}/$end-link`, { endedAt: ago(1), why: 'removed' })
    const after = await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)
    expect([after.mitigation?.[0]?.author, after.extension?.length]).toEqual([closed.mitigation?.[0]?.author, 1])
  })

  test('stays with a corrected link of the same patient, and goes with the link of another', async () => {
    const { w, gap } = await merged()
    const again = await operate(bay, `DeviceUseStatement/${w.link}/$correct-link`, {
      because: 'It was earlier.',
      appliedAt: ago(5000),
    })
    const next = out<DeviceUseStatement>(again, 'link')
    const moved = await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)
    expect([moved.mitigation, moved.implicated?.at(-1)?.reference]).toEqual([
      undefined,
      `DeviceUseStatement/${next.id}`,
    ])
    const right = await sendOrder(ehr)
    const corrected = await operate(bay, `DeviceUseStatement/${next.id}/$correct-link`, {
      because: 'It was somebody else.',
      order: right.placer,
      patientIdentifier: { system: patientNumbers, value: right.person.number },
      birthDate: right.person.birthDate,
    })
    expect(corrected.status, corrected.text).toBe(200)
    const closed = await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)
    expect(closed.mitigation?.map((m) => [m.action.coding?.[0]?.code, m.author])).toEqual([['cancelled', undefined]])
  })

  test('is refused where what is recorded closes it, and says what that is', async () => {
    const serial = newSerial()
    const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
    const said = { scan: label(serial), appliedAt: ago(60), site, evidence: 'capture' }
    const device = out<Device>(await operate(bay, 'Device/$record-application', said), 'device')
    const [noLink] = await found<DetectedIssue>(bay, `DetectedIssue?code=no-link&implicated=Device/${device.id}`)
    const answer = await resolve(noLink?.id, { action: 'linked', note: 'Linked elsewhere.' })
    expect(told(answer)).toBe('422 not-by-hand')
    expect(answer.text).toContain('Expected: cancelled; what is recorded closes it: Such a link is recorded')
    expect(told(await acknowledge(noLink?.id, {}))).toBe('200')

    const back = await operate(bay, 'Device/$record-return', { scan: label(newSerial()), receivedAt: ago(60) })
    const lost = out<DetectedIssue>(back, 'gap')
    expect(told(await resolve(lost.id, { action: 'confirmed', note: 'So it is.' }))).toBe('422 not-by-hand')
    expect(told(await resolve(lost.id, { action: 'returned', note: 'Sent back to its owner.' }))).toBe('200')
  })

  test('a clock that was looked at, and a recorder used after its date', async () => {
    const ordered = await sendOrder(ehr)
    const appliedAt = ago(600)
    const expired = label(newSerial(), '250101')
    const made = await link(bay, ordered, { scan: expired, appliedAt, deviceClock: ago(4200) })
    const linkId = out<DeviceUseStatement>(made, 'link').id
    for (const code of ['clock-doubt', 'expired-device']) {
      const [gap] = await found<DetectedIssue>(
        bay,
        `DetectedIssue?code=${code}&implicated=DeviceUseStatement/${linkId}`,
      )
      expect(told(await resolve(gap?.id, confirmed))).toBe('200')
      expect((await read<DetectedIssue>(bay, `DetectedIssue/${gap?.id}`)).mitigation?.length).toBe(1)
    }
  })

  test('takes a capture key, rehearses, and says what is missing', async () => {
    const { gap } = await merged()
    expect(told(await resolve(gap.id, confirmed, bay, true))).toBe('200')
    expect((await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)).mitigation).toBeUndefined()
    expect(told(await resolve(gap.id, {}))).toBe('400 missing-parameter missing-parameter')
    expect(told(await resolve(gap.id, { action: 'forgotten', note: 'x' }))).toBe('400 unknown-code')
    const keyed = { ...confirmed, captureKey: `key-${gap.id}` }
    const first = await resolve(gap.id, keyed)
    expect((await resolve(gap.id, keyed)).text).toBe(first.text)
    expect(told(await resolve(gap.id, { ...keyed, note: 'Else.' }))).toBe('409 key-reused')
  })

  test('is for the clinic of the site: nothing is there for any other, and nobody else may', async () => {
    const { gap } = await merged()
    expect(told(await resolve(gap.id, confirmed, lane))).toBe('404 not-known')
    expect(told(await acknowledge(gap.id, {}, lane))).toBe('404 not-known')
    expect(told(await resolve(gap.id, confirmed, ehr))).toBe('403 not-allowed')
    expect(told(await acknowledge(gap.id, {}, service().as('pebble')))).toBe('403 not-allowed')
    expect(codesOf((await resolve('00000000-0000-4000-8000-00000000dead', {})).body)).toContain('not-known')
  })
})

describe('the evening', () => {
  const evening = (asOf?: string) => {
    const date = new Intl.DateTimeFormat('sv-SE', { timeZone: 'Europe/Dublin' }).format(new Date())
    const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
    return operate(ops, '$reconcile-day', { site, date, asOf }) as unknown as Promise<Answer<Bundle>>
  }
  const linked = ({ body }: Answer<Bundle>) =>
    (body.entry?.[0]?.resource as MeasureReport | undefined)?.group?.[0]?.population?.map((p) => p.count)
  const gapsIn = ({ body }: Answer<Bundle>, w: Worn) =>
    (body.entry ?? [])
      .map((e) => e.resource as DetectedIssue)
      .filter((g) => g.implicated?.some((i) => i.reference === `DeviceUseStatement/${w.link}`))
      .filter((g) => g.code?.coding?.[0]?.code === 'identity-doubt')

  test('counts a merged patient’s recorder once, and tells of each moment what was known then', async () => {
    const w = await worn({ appliedAt: ago(1) })
    const before = await evening()
    await putPatient(w.person, into(await known(newPerson())))
    const after = await evening()
    expect(linked(after)).toEqual(linked(before))
    const [gap] = gapsIn(after, w)
    expect([gapsIn(before, w), gap?.mitigation]).toEqual([[], undefined])
    await operate(bay, `DetectedIssue/${gap?.id}/$acknowledge`, { note: 'Seen.' })
    const seen = await evening()
    await operate(bay, `DetectedIssue/${gap?.id}/$resolve`, { action: 'confirmed', note: 'Asked.' })
    const end = await evening()
    expect([gapsIn(seen, w)[0]?.extension?.length, gapsIn(end, w)[0]?.mitigation?.length]).toEqual([1, 1])
    for (const then of [before, after, seen, end]) {
      const told = then.body.entry?.[0]?.resource as MeasureReport
      const again = await evening(told.date)
      expect(again.text).toBe(then.text)
    }
    // what is stored is what the evening shows
    const { meta: _, ...stored } = await read<DetectedIssue>(bay, `DetectedIssue/${gap?.id}`)
    expect(stored).toEqual(gapsIn(end, w)[0])
  })
})

test('all of it follows from the journal, and nothing contradicts itself', async () => {
  expect(await inconsistencies(service().database, service().configuration)).toEqual([])
  const facts = await inDatabase<{ fact: string }>(
    service().database,
    `select distinct fact from journal where fact like '%-moved' or fact in ('link-doubted', 'gap-acknowledged', 'gap-resolved') order by 1`,
  )
  expect(facts.map((f) => f.fact)).toEqual([
    'gap-acknowledged',
    'gap-resolved',
    'link-doubted',
    'link-moved',
    'order-moved',
    'stubs-moved',
    'task-moved',
  ])
})
