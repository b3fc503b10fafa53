/**
 * Links, work and stubs go back into the EHR that sent the order, as far as its server says that it takes them; what is
 * theirs there stays. A reading service that takes no linked order whole gets it piece by piece, and what it says in
 * the Task on its own server is taken as its answer.
 */
import type {
  Device,
  DeviceUseStatement,
  DiagnosticReport,
  FhirResource,
  Observation,
  Patient,
  Procedure,
  Task,
} from 'fhir/r4.js'
import { afterAll, beforeEach, describe, expect, test } from 'vitest'
import { systems } from '../../src/model/systems.ts'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { type FakeOptions, startFakeServer } from '../support/fake-fhir-server.ts'
import { type Ask, testSources, useTestService } from '../support/service.ts'
import {
  continuousEcg,
  ecgMonitoring,
  inDatabase,
  label,
  link,
  newSerial,
  type Ordered,
  operate,
  out,
  outs,
  patientNumbers,
  placers,
  read,
  seconds,
  sendOrder,
} from './bedside.ts'

const whole = 'create update search ifNoneExist conditionalUpdate'

const all = (offer: string) =>
  Object.fromEntries(
    [
      'Patient',
      'ServiceRequest',
      'Device',
      'DeviceUseStatement',
      'Procedure',
      'Task',
      'Observation',
      'DiagnosticReport',
      'Media',
    ].map((type) => [type, offer]),
  )

const everything: FakeOptions = { offers: all(whole) }

const ehr = await startFakeServer(everything)
const room = await startFakeServer({ offers: all('create update search ifNoneExist'), transaction: false })
const pebble = await startReadingService()
const hall = await startFakeServer(everything)
const hallCode = { system: 'https://harbour.example/codes', code: 'hall' }

const service = useTestService({
  sources: testSources.map((s) =>
    s.id === 'harbour-ehr' ? { ...s, fhir: ehr.base, writeBack: true, takes: [...s.takes, hallCode] } : s,
  ),
  readingServices: [
    { id: 'pebble', fhir: pebble.base, accept: 'PT4H', takes: [{ code: ecgMonitoring }] },
    { id: 'room', fhir: room.base, accept: 'PT4H', takes: [{ code: continuousEcg }] },
    { id: 'hall', fhir: hall.base, accept: 'PT4H', takes: [{ code: hallCode }] },
  ],
  roundMs: 100,
  deliveryDeadlineMs: 4_000,
  patience: { first: 0.05, longest: 0.4, age: 3600, attempts: 400 },
  lookPace: { unanswered: 0.4, taken: 0.4 },
})

afterAll(async () => {
  await ehr.stop()
  await room.stop()
  await hall.stop()
  await pebble.stop()
})

const harbour: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const ops: Ask = (...asked) => service().as('ops')(...asked)

const become = async (options: FakeOptions): Promise<void> => {
  ehr.become(options)
  expect((await ops('GET', '/destinations/harbour-ehr/plan?refresh=true')).status).toBe(200)
}

beforeEach(async () => {
  ehr.before = undefined
  await become(everything)
})

interface Row {
  readonly id: string
  readonly fate: string
  readonly reason: string | null
}

const rows = async (order: string, destination = 'harbour-ehr'): Promise<readonly Row[]> =>
  (await ops<{ deliveries: Row[] }>('GET', `/deliveries?order=${order}&destination=${destination}`)).body.deliveries

const newest = (order: string, fate: string, destination?: string) =>
  expect.poll(async () => (await rows(order, destination))[0], { timeout: 10_000 }).toMatchObject({ fate })

let theirs = 0

/** The order with us, and with its patient in the EHR, under ids of the EHR's. */
const ordered = async (
  codings = [ecgMonitoring],
): Promise<Ordered & { readonly ehrPatient: string; readonly ehrOrder: string }> => {
  const order = await sendOrder(harbour, { codings })
  theirs += 1
  const [ehrPatient, ehrOrder] = [`pat-${theirs}`, `req-${theirs}`]
  ehr.has({
    resourceType: 'Patient',
    id: ehrPatient,
    identifier: [{ system: patientNumbers, value: order.person.number }],
  })
  ehr.has({
    resourceType: 'ServiceRequest',
    id: ehrOrder,
    identifier: [{ system: placers, value: order.placer.value ?? '' }],
    status: 'active',
    intent: 'order',
    subject: { reference: `Patient/${ehrPatient}` },
  })
  return { ...order, ehrPatient, ehrOrder }
}

const linked = async (codings = [ecgMonitoring]) => {
  const order = await ordered(codings)
  const serial = newSerial()
  const answer = await link(bay, order, { scan: label(serial), appliedAt: seconds(new Date(), -60) })
  const [device, use] = [out<Device>(answer, 'device'), out<DeviceUseStatement>(answer, 'link')]
  return {
    order,
    serial,
    device,
    use,
    procedure: out<Procedure>(answer, 'procedure'),
    tasks: outs<Task>(answer, 'task'),
  }
}

const end = (use: DeviceUseStatement) =>
  operate(bay, `DeviceUseStatement/${use.id}/$end-link`, { endedAt: seconds(new Date(), -1), why: 'removed' })

const withId = <T extends FhirResource>(list: readonly T[], id: string | undefined): readonly T[] =>
  list.filter((r) => JSON.stringify('identifier' in r ? r.identifier : []).includes(`"${id}"`))

const inEhr = {
  device: (id: string | undefined) => withId(ehr.of<Device>('Device'), id),
  use: (id: string | undefined) => withId(ehr.of<DeviceUseStatement>('DeviceUseStatement'), id),
  procedure: (id: string | undefined) => withId(ehr.of<Procedure>('Procedure'), id),
  task: (id: string | undefined) => withId(ehr.of<Task>('Task'), id),
}

describe('into the EHR', () => {
  test('a link goes in one transaction, about its patient and its order', async () => {
    const l = await linked()
    await newest(l.order.order, 'sent')
    const [[device], [use], [procedure], [task]] = [
      inEhr.device(l.device.id),
      inEhr.use(l.use.id),
      inEhr.procedure(l.procedure.id),
      inEhr.task(l.tasks[0]?.id),
    ]
    const [patient, order] = [
      { reference: `Patient/${l.order.ehrPatient}` },
      { reference: `ServiceRequest/${l.order.ehrOrder}` },
    ]
    expect(device).toMatchObject({ serialNumber: l.serial, patient })
    expect(use).toMatchObject({ subject: patient, basedOn: [order], device: { reference: `Device/${device?.id}` } })
    expect(procedure).toMatchObject({ subject: patient, basedOn: [order] })
    expect(task).toMatchObject({ for: patient, focus: order, status: 'requested' })
    expect(ehr.requests.some((r) => /^(POST|PUT) (Patient|ServiceRequest)/.test(r))).toBe(false)
  })

  test('the end, the return and the answer of the reading service follow, each once', async () => {
    const l = await linked()
    await newest(l.order.order, 'sent')
    await newest(l.order.order, 'sent', 'pebble')
    const task = await read<Task>(bay, `Task/${l.tasks[0]?.id}`)
    const said = await service().as('pebble')('PUT', `/fhir/Task/${task.id}`, { body: { ...task, status: 'accepted' } })
    expect(said.status, said.text).toBe(200)
    await expect.poll(() => inEhr.task(task.id)[0]?.status).toBe('accepted')
    const back = await operate(bay, 'Device/$record-return', {
      scan: label(l.serial),
      receivedAt: seconds(new Date(), 0),
    })
    const report = out(back, 'report')
    await expect.poll(() => withId(ehr.of<DiagnosticReport>('DiagnosticReport'), report.id)).toHaveLength(1)
    expect(inEhr.use(l.use.id)).toMatchObject([{ status: 'completed' }])
    expect(inEhr.device(l.device.id)).toHaveLength(1)
    expect(inEhr.device(l.device.id)[0]).not.toHaveProperty('patient')
    expect(inEhr.task(task.id)).toMatchObject([{ status: 'accepted', meta: { versionId: '2' } }])
  })

  test('a report takes the place of its stub there, value by value', async () => {
    const l = await linked()
    const back = await operate(bay, 'Device/$record-return', {
      scan: label(l.serial),
      receivedAt: seconds(new Date(), -1),
    })
    const [report, observation] = [out(back, 'report').id, out(back, 'observation').id]
    const stubs = () => withId(ehr.of<DiagnosticReport>('DiagnosticReport'), report)
    await expect.poll(stubs).toMatchObject([{ status: 'registered' }])
    const [stub] = stubs()
    if (stub?.id === undefined) throw new Error('there is no stub')
    ehr.has({ ...stub, id: stub.id, encounter: { reference: `Patient/${l.order.ehrPatient}` } })
    const sent = await service().as('pebble')('PUT', `/fhir/DiagnosticReport/${report}`, {
      body: {
        resourceType: 'DiagnosticReport',
        status: 'final',
        code: { coding: [{ system: 'http://loinc.org', code: '18754-2' }] },
        conclusion: 'Sinus rhythm throughout.',
        contained: [
          {
            resourceType: 'Observation',
            id: 'rate',
            status: 'final',
            code: { coding: [{ system: 'http://loinc.org', code: '18754-2' }] },
            valueQuantity: { value: 61, unit: '/min' },
          },
        ],
        result: [{ reference: '#rate' }],
      },
    })
    expect(sent.status, sent.text).toBe(200)
    await expect.poll(stubs).toMatchObject([
      {
        status: 'final',
        conclusion: 'Sinus rhythm throughout.',
        encounter: { reference: `Patient/${l.order.ehrPatient}` },
      },
    ])
    const [value] = withId(ehr.of<Observation>('Observation'), observation)
    expect(value).toMatchObject({ status: 'final', valueQuantity: { value: 61 } })
    expect(stubs()[0]?.result).toEqual([{ reference: `Observation/${value?.id}` }])
    const reference = `DiagnosticReport/${stub.id}`
    await expect
      .poll(() => inEhr.task(l.tasks[0]?.id))
      .toMatchObject([{ status: 'completed', output: [{ valueReference: { reference } }] }])
  })

  test('a corrected link is withdrawn there, and its successor names it', async () => {
    const l = await linked()
    await newest(l.order.order, 'sent')
    const corrected = await operate(bay, `DeviceUseStatement/${l.use.id}/$correct-link`, {
      because: 'wrong recorder',
      scan: label(newSerial()),
    })
    const next = out<DeviceUseStatement>(corrected, 'link')
    await expect.poll(() => inEhr.use(next.id)).toHaveLength(1)
    const [old] = inEhr.use(l.use.id)
    expect(old?.status).toBe('entered-in-error')
    expect(inEhr.procedure(l.procedure.id)).toMatchObject([{ status: 'entered-in-error' }])
    expect(JSON.stringify(inEhr.use(next.id)[0]?.extension)).toContain(`DeviceUseStatement/${old?.id}`)
  })

  test('where the patient is unknown nothing is written, and the delivery says what it waits for', async () => {
    const order = await sendOrder(harbour)
    const use = out<DeviceUseStatement>(
      await link(bay, order, { scan: label(newSerial()), appliedAt: seconds(new Date(), -60) }),
      'link',
    )
    await expect
      .poll(async () => (await rows(order.order))[0])
      .toMatchObject({
        fate: 'queued',
        reason:
          'Waits: they have no ServiceRequest under its placer number. Waits: they have no Patient under none of the 1 numbers that we know.',
      })
    expect(inEhr.use(use.id)).toEqual([])
    ehr.has({
      resourceType: 'Patient',
      id: 'late',
      identifier: [{ system: patientNumbers, value: order.person.number }],
    })
    ehr.has({
      resourceType: 'ServiceRequest',
      id: 'late',
      identifier: [{ system: placers, value: order.placer.value ?? '' }],
      status: 'active',
      intent: 'order',
      subject: { reference: 'Patient/late' },
    })
    await newest(order.order, 'sent')
    expect(inEhr.use(use.id)).toMatchObject([{ subject: { reference: 'Patient/late' } }])
  })

  test('where two patients have the number nobody is chosen', async () => {
    const l = await ordered()
    ehr.has({
      resourceType: 'Patient',
      id: `twin-${l.ehrPatient}`,
      identifier: [{ system: patientNumbers, value: l.person.number }],
    })
    await link(bay, l, { scan: label(newSerial()), appliedAt: seconds(new Date(), -60) })
    await expect.poll(async () => (await rows(l.order))[0]?.reason).toBe('Waits: they have 2 of this patient.')
  })

  test.each([409, 412] as const)('what somebody changes between our look and our writing stays (%s)', async (stale) => {
    await become({ ...everything, stale })
    const l = await linked()
    await newest(l.order.order, 'sent')
    const [device] = inEhr.device(l.device.id)
    const theirNumber = { system: 'https://harbour.example/assets', value: `asset-${l.serial}` }
    let changed = 0
    ehr.before = (request) => {
      if (request !== `PUT Device/${device?.id}` || changed > 1) return
      changed += 1
      const [now] = inEhr.device(l.device.id)
      if (now?.id !== undefined)
        ehr.has({
          ...now,
          id: now.id,
          identifier: [theirNumber, ...(now.identifier ?? [])],
          note: [{ text: `note ${changed}` }],
        })
    }
    expect((await end(l.use)).status).toBe(200)
    await expect.poll(() => inEhr.use(l.use.id)[0]?.status).toBe('completed')
    const [after] = inEhr.device(l.device.id)
    expect(changed).toBe(2)
    expect(after).toMatchObject({ note: [{ text: 'note 2' }], serialNumber: l.serial })
    expect(after?.identifier?.map((i) => i.value)).toContain(theirNumber.value)
    expect(after).not.toHaveProperty('patient')
  })

  test.each([
    ['the transaction', everything, 'POST'],
    ['a single create', { offers: all(whole), transaction: false }, 'POST Procedure'],
  ] as const)('the answer to %s is lost: it is looked for, and there once', async (_name, options, start) => {
    await become(options)
    const order = await ordered()
    ehr.dropAfter(start)
    const answer = await link(bay, order, { scan: label(newSerial()), appliedAt: seconds(new Date(), -60) })
    await newest(order.order, 'sent')
    expect(inEhr.use(out(answer, 'link').id)).toHaveLength(1)
    expect(inEhr.procedure(out(answer, 'procedure').id)).toHaveLength(1)
    expect(inEhr.device(out(answer, 'device').id)).toHaveLength(1)
  })

  test.each([
    ['no transactions', { offers: all('create update search ifNoneExist'), transaction: false }, null],
    ['no If-None-Exist', { offers: all('create update search'), transaction: false }, null],
    ['no answer in full', { offers: all('create update search ifNoneExist'), transaction: false, terse: true }, null],
    [
      'no DeviceUseStatement',
      { offers: { ...everything.offers, DeviceUseStatement: '' } },
      'Left out DeviceUseStatement: They take neither create nor update of it. The link shows in Procedure.focalDevice; its end does not.',
    ],
    [
      'nothing but new Procedures and Devices',
      {
        offers: { Patient: 'search', ServiceRequest: '', Device: 'create ifNoneExist', Procedure: 'create search' },
        transaction: false,
      },
      expect.stringMatching(
        /Left out DeviceUseStatement: They list no DeviceUseStatement.*Left out Task.*Device: Created once/,
      ),
    ],
    ['only what it is told the id of', { offers: all('update search updateCreate'), transaction: false }, null],
    ['only conditional updates', { offers: all('update search conditionalUpdate'), transaction: false }, null],
  ] as const)(
    'a server with %s gets what it takes, once, and is told the rest by the row',
    async (_name, options, reason) => {
      await become(options as FakeOptions)
      const l = await linked()
      await newest(l.order.order, 'sent')
      expect((await rows(l.order.order))[0]?.reason).toEqual(reason)
      const [procedure, ...twice] = inEhr.procedure(l.procedure.id)
      expect(twice).toEqual([])
      const [device] = inEhr.device(l.device.id)
      expect(procedure).toMatchObject({
        subject: { reference: `Patient/${l.order.ehrPatient}` },
        focalDevice: [{ manipulated: { reference: `Device/${device?.id}` } }],
      })
      expect((await end(l.use)).status).toBe(200)
      await expect.poll(async () => (await rows(l.order.order)).map((r) => r.fate)).toEqual(['sent', 'sent'])
      expect(inEhr.procedure(l.procedure.id)).toHaveLength(1)
      expect(inEhr.device(l.device.id)).toHaveLength(1)
      if (reason === null) expect(inEhr.use(l.use.id)).toMatchObject([{ status: 'completed' }])
    },
  )

  test('a server that takes nothing has it parked, with what it said', async () => {
    await become({ offers: { Patient: 'search', ServiceRequest: 'search' } })
    const l = await linked()
    await newest(l.order.order, 'parked')
    expect((await rows(l.order.order))[0]?.reason).toBe(
      'They take nothing of what is to be written. They list no Device. The recorder is named by its identifier and its serial number.',
    )
  })

  test('what they deleted is made anew', async () => {
    const l = await linked()
    await newest(l.order.order, 'sent')
    ehr.loses(`DeviceUseStatement/${inEhr.use(l.use.id)[0]?.id}`)
    expect((await end(l.use)).status).toBe(200)
    await expect.poll(() => inEhr.use(l.use.id)[0]?.status).toBe('completed')
  })

  test('a replay of what is there writes nothing', async () => {
    const l = await linked()
    await newest(l.order.order, 'sent')
    const seen = ehr.requests.length
    const [row] = await rows(l.order.order)
    expect((await ops('POST', `/deliveries/${row?.id}/replay`)).status).toBe(202)
    await newest(l.order.order, 'sent')
    expect(ehr.requests.slice(seen).filter((r) => !r.startsWith('GET'))).toEqual([])
  })

  test('a recorder that went on to the next patient stays with that one, however late the first is told', async () => {
    const first = await ordered()
    const second = await ordered()
    const serial = newSerial()
    await ops('POST', '/destinations/harbour-ehr/pause')
    const one = await link(bay, first, { scan: label(serial), appliedAt: seconds(new Date(), -600) })
    const device = out<Device>(one, 'device')
    expect(
      (
        await operate(bay, `DeviceUseStatement/${out(one, 'link').id}/$end-link`, {
          endedAt: seconds(new Date(), -300),
          why: 'removed',
        })
      ).status,
    ).toBe(200)
    expect((await link(bay, second, { scan: label(serial), appliedAt: seconds(new Date(), -60) })).status).toBe(200)
    await ops('POST', '/destinations/harbour-ehr/resume')
    for (const o of [first, second]) await newest(o.order, 'sent')
    expect(inEhr.device(device.id)).toMatchObject([{ patient: { reference: `Patient/${second.ehrPatient}` } }])
    const [row] = await rows(first.order)
    await ops('POST', `/deliveries/${row?.id}/replay`)
    await newest(first.order, 'sent')
    expect(inEhr.device(device.id)).toMatchObject([{ patient: { reference: `Patient/${second.ehrPatient}` } }])
  })

  test('nothing is written where the configuration says so', async () => {
    const order = await sendOrder((...asked) => service().as('lowwater-ehr')(...asked), {
      system: 'https://lowwater.example/orders',
    })
    await link((...asked) => ops(...asked), order, { scan: label(newSerial()), appliedAt: seconds(new Date(), -60) })
    expect(
      await inDatabase(service().database, `select id from deliveries where destination = 'lowwater-ehr'`),
    ).toEqual([])
  })
})

describe('to a reading service that takes no linked order whole', () => {
  const inRoom = {
    task: (id: string | undefined) => withId(room.of<Task>('Task'), id),
    use: (id: string | undefined) => withId(room.of<DeviceUseStatement>('DeviceUseStatement'), id),
  }

  test('it goes piece by piece, the patient made once and never changed', async () => {
    const l = await linked([continuousEcg])
    await newest(l.order.order, 'sent', 'room')
    const patients = () => room.of<Patient>('Patient').filter((p) => p.identifier?.[0]?.value === l.order.person.number)
    expect(patients()).toHaveLength(1)
    expect(inRoom.use(l.use.id)).toMatchObject([{ subject: { reference: `Patient/${patients()[0]?.id}` } }])
    expect(JSON.stringify(inRoom.task(l.tasks[0]?.id))).not.toContain(systems.deliveries)
    expect((await end(l.use)).status).toBe(200)
    await expect.poll(() => inRoom.use(l.use.id)[0]?.status).toBe('completed')
    expect(patients()).toMatchObject([{ meta: { versionId: '1' } }])
  })

  test('what it says in its own Task is its answer, taken once and kept when the link changes', async () => {
    const l = await linked([continuousEcg])
    await newest(l.order.order, 'sent', 'room')
    const [task] = inRoom.task(l.tasks[0]?.id)
    if (task?.id === undefined) throw new Error('there is no task')
    room.has({
      ...task,
      id: task.id,
      status: 'accepted',
      note: [{ text: 'tomorrow' }],
      owner: { display: 'somebody else' },
    })
    await newest(l.order.order, 'taken', 'room')
    const stored = () => read<Task>(ops, `Task/${l.tasks[0]?.id}`)
    const after = await stored()
    expect(after).toMatchObject({ status: 'accepted', note: [{ text: 'tomorrow' }] })
    expect(after.owner?.identifier?.value).toBe('room')
    expect((await end(l.use)).status).toBe(200)
    await newest(l.order.order, 'sent', 'room')
    expect(inRoom.task(l.tasks[0]?.id)).toMatchObject([
      { status: 'accepted', owner: { identifier: { value: 'room' } } },
    ])
    const searches = () =>
      room.requests.filter((r) => r.startsWith('GET Task?') && r.includes(l.tasks[0]?.id ?? '')).length
    const looked = searches()
    await expect.poll(searches, { timeout: 10_000 }).toBeGreaterThan(looked + 1)
    expect((await stored()).meta?.versionId).toBe(after.meta?.versionId)
  })

  test('it may be done before we look, and a refusal is one', async () => {
    const [done, no] = [await linked([continuousEcg]), await linked([continuousEcg])]
    for (const l of [done, no]) await newest(l.order.order, 'sent', 'room')
    const say = (id: string | undefined, over: Partial<Task>) => {
      const [task] = inRoom.task(id)
      if (task?.id !== undefined) room.has({ ...task, ...over, id: task.id })
    }
    say(done.tasks[0]?.id, {
      status: 'completed',
      output: [{ type: { text: 'report' }, valueReference: { reference: 'DiagnosticReport/77' } }],
    })
    say(no.tasks[0]?.id, { status: 'rejected', statusReason: { text: 'no capacity' } })
    await newest(done.order.order, 'taken', 'room')
    await newest(no.order.order, 'refused', 'room')
    const task = await read<Task>(ops, `Task/${done.tasks[0]?.id}`)
    // an address of theirs is nobody's here
    expect(task.output).toMatchObject([{ valueReference: { reference: `${room.base}/DiagnosticReport/77` } }])
    expect(await read<Task>(ops, `Task/${no.tasks[0]?.id}`)).toMatchObject({ statusReason: { text: 'no capacity' } })
  })

  test('what cannot follow, or is not valid, changes nothing', async () => {
    const l = await linked([continuousEcg])
    await newest(l.order.order, 'sent', 'room')
    const [task] = inRoom.task(l.tasks[0]?.id)
    if (task?.id === undefined) throw new Error('there is no task')
    room.has({ ...task, id: task.id, status: 'accepted', note: [{ text: '' }] })
    await expect
      .poll(
        () =>
          service()
            .logLines()
            .filter((x) => x.msg === 'an answer that was read there cannot be taken' && x.task === l.tasks[0]?.id)
            .length,
      )
      .toBeGreaterThan(0)
    expect((await read<Task>(ops, `Task/${l.tasks[0]?.id}`)).status).toBe('requested')
  })
})

describe('to a reading service that takes it whole and has Tasks of its own', () => {
  const inHall = (id: string | undefined) => withId(hall.of<Task>('Task'), id)

  test('what its answer to the message says is its answer', async () => {
    hall.become({ ...everything, eager: true })
    const l = await linked([hallCode])
    await newest(l.order.order, 'taken', 'hall')
    expect((await read<Task>(ops, `Task/${l.tasks[0]?.id}`)).status).toBe('accepted')
    expect(hall.requests).toContain('POST')
    hall.become(everything)
  })

  test('a later message does not take back what it has said and nobody has read yet', async () => {
    const l = await linked([hallCode])
    await newest(l.order.order, 'sent', 'hall')
    const [task] = inHall(l.tasks[0]?.id)
    if (task?.id === undefined) throw new Error('there is no task')
    await ops('POST', '/destinations/hall/pause')
    hall.has({ ...task, id: task.id, status: 'rejected', statusReason: { text: 'no capacity' } })
    expect((await end(l.use)).status).toBe(200)
    await ops('POST', '/destinations/hall/resume')
    await expect
      .poll(() => withId(hall.of<DeviceUseStatement>('DeviceUseStatement'), l.use.id)[0]?.status)
      .toBe('completed')
    expect(inHall(l.tasks[0]?.id)).toMatchObject([{ status: 'rejected', statusReason: { text: 'no capacity' } }])
    expect((await read<Task>(ops, `Task/${l.tasks[0]?.id}`)).status).toBe('rejected')
  })
})

describe('the plan', () => {
  test('says how each type is written, and why not', async () => {
    await become({ offers: { ...everything.offers, DeviceUseStatement: '' } })
    const { status, body } = await ops<{ destination: string; rows: { type: string; how: string; why: string }[] }>(
      'GET',
      '/destinations/harbour-ehr/plan',
    )
    expect(status).toBe(200)
    expect(body.rows.find((r) => r.type === 'DeviceUseStatement')).toEqual({
      type: 'DeviceUseStatement',
      how: 'not-at-all',
      why: 'They take neither create nor update of it. The link shows in Procedure.focalDevice; its end does not.',
    })
    expect(body.rows.find((r) => r.type === 'Device')?.how).toBe('transaction')
  })

  test('is asked of the server once, and anew when somebody asks for it', async () => {
    const asked = () => ehr.requests.filter((r) => r === 'GET metadata').length
    const before = asked()
    for (let i = 0; i < 3; i += 1) await ops('GET', '/destinations/harbour-ehr/plan')
    expect(asked()).toBe(before)
    await ops('GET', '/destinations/harbour-ehr/plan?refresh=true')
    expect(asked()).toBe(before + 1)
  })

  test('of nobody is 404, of other words 400, and for operators alone', async () => {
    expect((await ops('GET', '/destinations/nobody/plan')).status).toBe(404)
    expect((await ops('GET', '/destinations/lowwater-ehr/plan')).status).toBe(404)
    expect((await ops('GET', '/destinations/pebble/plan?refresh=soon')).status).toBe(400)
    expect((await bay('GET', '/destinations/pebble/plan')).status).toBe(403)
  })
})
