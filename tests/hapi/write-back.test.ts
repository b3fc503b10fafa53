/**
 * Write-back into a FHIR server that we did not write and that has the order: HAPI FHIR (JPA server, R4), as
 * the EHR. What it stores, once, and finds again is the judge.
 */
import { randomUUID } from 'node:crypto'
import type {
  Bundle,
  Device,
  DeviceUseStatement,
  DiagnosticReport,
  FhirResource,
  Observation,
  Parameters,
  Patient,
  Procedure,
  ServiceRequest,
  Task,
} from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { identifierSystems } from '../../src/model/systems.ts'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { hapiServer } from '../support/hapi.ts'
import {
  anOrder,
  aPatient,
  bundle,
  entry,
  harbourOrders,
  harbourPatients,
  idsIn,
  placeOrder,
} from '../support/messages.ts'
import { startProxy, type TroubledLine } from '../support/proxy.ts'
import { startTestService, type TestService, testSources } from '../support/service.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined

const json = { 'content-type': 'application/fhir+json', accept: 'application/fhir+json', 'cache-control': 'no-cache' }

/** Straight at the server, past its cache of search results. */
const at = async <T>(method: string, path: string, body?: unknown, headers = {}): Promise<T> => {
  const answer = await fetch(`${hapi}/${path}`, {
    method,
    headers: { ...json, ...headers },
    ...(body !== undefined && { body: JSON.stringify(body) }),
  })
  if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${await answer.text()}`)
  return (await answer.json()) as T
}

const there = async <T extends FhirResource>(type: T['resourceType'], identifier: string): Promise<readonly T[]> => {
  const found = await at<Bundle<T>>('GET', `${type}?identifier=${encodeURIComponent(identifier)}`)
  return (found.entry ?? []).flatMap((e) => (e.resource ? [e.resource] : []))
}

const ours = async <T extends FhirResource>(type: T['resourceType'] & keyof typeof identifierSystems, id: string) =>
  there<T>(type, `${identifierSystems[type]}|${id}`)

const about = 'write-back into a HAPI FHIR server'

if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    let service: TestService
    let pebble: ReadingServiceCounterpart
    let line: TroubledLine
    beforeAll(async () => {
      pebble = await startReadingService()
      line = await startProxy(hapi)
      service = await startTestService({
        sources: testSources.map((s) => (s.id === 'harbour-ehr' ? { ...s, fhir: line.url, writeBack: true } : s)),
        pebble: pebble.base,
        roundMs: 200,
        deliveryDeadlineMs: 10_000,
        patience: { first: 0.2, longest: 1, age: 3600, attempts: 400 },
      })
    }, 120_000)
    afterAll(async () => {
      await service?.close()
      await line?.close()
      await pebble?.stop()
    })

    const ehr = <T>(method: string, path: string, body?: unknown) =>
      service.as('harbour-ehr')<T>(method, path, body === undefined ? {} : { body })

    interface Row {
      readonly id: string
      readonly destination: string
      readonly fate: string
      readonly reason: string | null
    }

    const rows = async (order: string): Promise<readonly Row[]> => {
      const { body } = await service.as('ops')<{ deliveries: Row[] }>(
        'GET',
        `/deliveries?order=${order}&destination=harbour-ehr`,
      )
      return body.deliveries
    }

    /** The newest message to the EHR about the order. */
    const told = (order: string, fate: string, reason: RegExp | null = null) =>
      expect
        .poll(async () => (await rows(order))[0], { timeout: 60_000, interval: 200 })
        .toMatchObject({ fate, reason: reason === null ? null : expect.stringMatching(reason) })

    const newNumbers = () => {
      const run = randomUUID().slice(0, 8)
      return { placer: `HE-${run}`, number: `MRN-${run}`, serial: `S${run}`.toUpperCase() }
    }

    type Numbers = ReturnType<typeof newNumbers>

    /** The patient and the order in the EHR. */
    const inEhr = async ({ placer, number }: Numbers) => {
      const patient = await at<Patient & { id: string }>('POST', 'Patient', aPatient(number))
      const order = await at<ServiceRequest & { id: string }>(
        'POST',
        'ServiceRequest',
        anOrder(placer, `Patient/${patient.id}`),
      )
      return { patient, order }
    }

    /** As an EHR that names its own addresses pushes it. */
    const pushed = async ({ patient, order }: Awaited<ReturnType<typeof inEhr>>): Promise<string> => {
      const [patientUrl, orderUrl] = [`${line.url}/Patient/${patient.id}`, `${line.url}/ServiceRequest/${order.id}`]
      const [number, placer] = [patient.identifier?.[0]?.value, order.identifier?.[0]?.value]
      const answer = await ehr<Bundle>(
        'POST',
        '/fhir',
        bundle(
          'transaction',
          entry(`PUT Patient?identifier=${harbourPatients}|${number}`, patient, {}, patientUrl),
          entry(
            `PUT ServiceRequest?identifier=${harbourOrders}|${placer}`,
            { ...order, subject: { reference: patientUrl } },
            {},
            orderUrl,
          ),
        ),
      )
      expect(answer.status, answer.text).toBe(200)
      return idsIn(answer.body)[1] ?? ''
    }

    const operate = async (path: string, ...parameter: NonNullable<Parameters['parameter']>): Promise<Parameters> => {
      const answer = await service.as('bay-3')<Parameters>('POST', path, {
        body: { resourceType: 'Parameters', parameter },
      })
      expect(answer.status, answer.text).toBe(200)
      return answer.body
    }

    const scan = (serial: string) => ({ name: 'scan', valueString: `]d2010952012345678821${serial}` })

    const link = ({ placer, number, serial }: Numbers, ago = 60_000) =>
      operate(
        '/fhir/ServiceRequest/$link-device',
        { name: 'order', valueIdentifier: { system: harbourOrders, value: placer } },
        scan(serial),
        { name: 'appliedAt', valueDateTime: new Date(Date.now() - ago).toISOString() },
        { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: number } },
        { name: 'birthDate', valueDate: '1950-03-17' },
      )

    const of = (answer: Parameters, name: string): string =>
      answer.parameter?.find((p) => p.name === name)?.resource?.id ?? `no ${name}`

    it('a link appears with its device, its act and its work, about their patient and their order', async () => {
      const numbers = newNumbers()
      const own = await inEhr(numbers)
      const orderId = await pushed(own)
      const linked = await link(numbers)
      await told(orderId, 'sent')

      const [device, ...twice] = await ours<Device>('Device', of(linked, 'device'))
      const [use] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      const [procedure] = await ours<Procedure>('Procedure', of(linked, 'procedure'))
      const [task] = await ours<Task>('Task', of(linked, 'task'))
      expect(twice).toEqual([])
      const [patient, order] = [`Patient/${own.patient.id}`, `ServiceRequest/${own.order.id}`]
      expect(device).toMatchObject({ serialNumber: numbers.serial, patient: { reference: patient } })
      expect(use).toMatchObject({
        status: 'active',
        subject: { reference: patient },
        basedOn: [{ reference: order }],
        device: { reference: `Device/${device?.id}` },
        derivedFrom: [{ reference: `Procedure/${procedure?.id}` }],
      })
      expect(procedure).toMatchObject({
        subject: { reference: patient },
        basedOn: [{ reference: order }],
        focalDevice: [{ manipulated: { reference: `Device/${device?.id}` } }],
      })
      expect(task).toMatchObject({
        status: 'requested',
        for: { reference: patient },
        focus: { reference: order },
        input: [{ valueReference: { reference: `DeviceUseStatement/${use?.id}` } }],
      })
      // their own words stay theirs
      expect((await at<Patient>('GET', `Patient/${own.patient.id}`)).meta?.versionId).toBe('1')
      expect((await at<ServiceRequest>('GET', `ServiceRequest/${own.order.id}`)).meta?.versionId).toBe('1')
      expect(await there('ServiceRequest', `${identifierSystems.ServiceRequest}|${orderId}`)).toEqual([])
    }, 120_000)

    it('an order that was pushed without their addresses is found there, and the stubs follow the return', async () => {
      const numbers = newNumbers()
      const own = await inEhr(numbers)
      const { orderId } = await placeOrder(service.as('harbour-ehr'), numbers.placer, numbers.number)
      const linked = await link(numbers)
      await told(orderId, 'sent')
      const back = await operate('/fhir/Device/$record-return', scan(numbers.serial), {
        name: 'receivedAt',
        valueDateTime: new Date().toISOString(),
      })
      await expect
        .poll(async () => (await rows(orderId)).map((r) => r.fate), { timeout: 30_000 })
        .toEqual(['sent', 'sent'])

      const [use] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      expect(use).toMatchObject({ status: 'completed', subject: { reference: `Patient/${own.patient.id}` } })
      const [device] = await ours<Device>('Device', of(linked, 'device'))
      expect(device).not.toHaveProperty('patient')
      const [report] = await ours<DiagnosticReport>('DiagnosticReport', of(back, 'report'))
      const [observation] = await ours<Observation>('Observation', of(back, 'observation'))
      expect(observation).toMatchObject({ status: 'registered', device: { reference: `Device/${device?.id}` } })
      expect(report).toMatchObject({
        status: 'registered',
        basedOn: [{ reference: `ServiceRequest/${own.order.id}` }],
        result: [{ reference: `Observation/${observation?.id}` }],
      })
    }, 120_000)

    it('waits for an order and a patient that are not there yet, and says so', async () => {
      const numbers = newNumbers()
      const { orderId } = await placeOrder(service.as('harbour-ehr'), numbers.placer, numbers.number)
      const linked = await link(numbers)
      await told(
        orderId,
        'queued',
        /^Waits: they have no ServiceRequest under its placer number\. Waits: they have no Patient/,
      )
      expect(await ours('Device', of(linked, 'device'))).toEqual([])
      await inEhr(numbers)
      await told(orderId, 'sent')
      expect(await ours('DeviceUseStatement', of(linked, 'link'))).toHaveLength(1)
    }, 120_000)

    it('what they changed in between stays, and what is ours is ours again', async () => {
      const numbers = newNumbers()
      const orderId = await pushed(await inEhr(numbers))
      const linked = await link(numbers)
      await told(orderId, 'sent')
      const [use] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      const [device] = await ours<Device>('Device', of(linked, 'device'))
      const theirNumber = { system: 'https://harbour.example/assets', value: `A-${numbers.serial}` }
      await at('PUT', `Device/${device?.id}`, {
        ...device,
        identifier: [theirNumber, ...(device?.identifier ?? [])],
        note: [{ text: 'on the blue shelf' }],
        serialNumber: 'WRONG',
      })
      await at('PUT', `DeviceUseStatement/${use?.id}`, {
        ...use,
        reasonCode: [{ text: 'palpitations' }],
        status: 'intended',
      })
      await operate(
        `/fhir/DeviceUseStatement/${of(linked, 'link')}/$end-link`,
        { name: 'endedAt', valueDateTime: new Date().toISOString() },
        { name: 'reason', valueCode: 'removed' },
      )
      await expect
        .poll(async () => (await rows(orderId)).map((r) => r.fate), { timeout: 30_000 })
        .toEqual(['sent', 'sent'])
      const [after] = await ours<Device>('Device', of(linked, 'device'))
      expect(after).toMatchObject({ note: [{ text: 'on the blue shelf' }], serialNumber: numbers.serial })
      expect(after?.identifier?.map((i) => i.value)).toEqual([theirNumber.value, of(linked, 'device')])
      const [ended] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      expect(ended).toMatchObject({ status: 'completed', reasonCode: [{ text: 'palpitations' }] })
    }, 120_000)

    it('somebody who changes it at the same time neither loses a change nor takes ours away', async () => {
      const numbers = newNumbers()
      const orderId = await pushed(await inEhr(numbers))
      const linked = await link(numbers, 3_600_000)
      await told(orderId, 'sent')
      const [first] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      let writing = true
      let written = 0
      /** Adds a note again and again, each on the version that it has read: a stale one is refused by HAPI with 409. */
      const busy = (async () => {
        while (writing) {
          const now = await at<DeviceUseStatement>('GET', `DeviceUseStatement/${first?.id}`)
          const note = [...(now.note ?? []), { text: `seen ${written + 1}` }]
          const answer = await fetch(`${hapi}/DeviceUseStatement/${first?.id}`, {
            method: 'PUT',
            headers: { ...json, 'if-match': `W/"${now.meta?.versionId}"` },
            body: JSON.stringify({ ...now, note }),
          })
          if (answer.ok) written += 1
          else expect([409, 412]).toContain(answer.status)
          await answer.text()
          await new Promise((resolve) => setTimeout(resolve, 400 * Math.random()))
        }
      })()
      await operate(
        `/fhir/DeviceUseStatement/${of(linked, 'link')}/$end-link`,
        { name: 'endedAt', valueDateTime: new Date().toISOString() },
        { name: 'reason', valueCode: 'removed' },
      )
      try {
        await expect
          .poll(async () => (await rows(orderId)).map((r) => r.fate), { timeout: 60_000 })
          .toEqual(['sent', 'sent'])
      } finally {
        writing = false
        await busy
      }
      const [after] = await ours<DeviceUseStatement>('DeviceUseStatement', of(linked, 'link'))
      expect(after?.status).toBe('completed')
      expect(after?.note?.map((n) => n.text)).toEqual(Array.from({ length: written }, (_, i) => `seen ${i + 1}`))
    }, 120_000)

    it('sixteen at once, and each again: everything is there once', async () => {
      const all = await Promise.all(
        Array.from({ length: 16 }, async () => {
          const numbers = newNumbers()
          const orderId = await pushed(await inEhr(numbers))
          return { numbers, orderId }
        }),
      )
      const links = await Promise.all(
        all.map(async ({ numbers, orderId }) => ({ orderId, linked: await link(numbers) })),
      )
      for (const { orderId } of links) await told(orderId, 'sent')
      const before = await Promise.all(links.map(({ linked }) => ours('DeviceUseStatement', of(linked, 'link'))))
      for (const { orderId } of links) {
        const [row] = await rows(orderId)
        expect((await service.as('ops')('POST', `/deliveries/${row?.id}/replay`)).status).toBe(202)
      }
      for (const { orderId } of links) await told(orderId, 'sent')
      for (const [i, { linked }] of links.entries()) {
        expect(await ours('Device', of(linked, 'device'))).toHaveLength(1)
        expect(await ours('Procedure', of(linked, 'procedure'))).toHaveLength(1)
        expect(await ours('Task', of(linked, 'task'))).toHaveLength(1)
        const use = await ours('DeviceUseStatement', of(linked, 'link'))
        // a repetition makes no new version either
        expect(use.map((u) => u.meta?.versionId)).toEqual(before[i]?.map((u) => u.meta?.versionId))
        expect(use).toHaveLength(1)
      }
    }, 240_000)

    it('a line that breaks in the middle of sixteen leaves everything there once', async () => {
      const all = await Promise.all(
        Array.from({ length: 16 }, async () => {
          const numbers = newNumbers()
          return { numbers, orderId: await pushed(await inEhr(numbers)) }
        }),
      )
      const linking = Promise.all(all.map(async ({ numbers, orderId }) => ({ orderId, linked: await link(numbers) })))
      for (const state of ['cut', 'open', 'closed', 'open', 'cut', 'open'] as const) {
        await new Promise((resolve) => setTimeout(resolve, 150))
        await line.set(state)
      }
      const links = await linking
      for (const { orderId } of links) await told(orderId, 'sent')
      for (const { linked } of links)
        for (const [type, name] of [
          ['Device', 'device'],
          ['DeviceUseStatement', 'link'],
          ['Procedure', 'procedure'],
          ['Task', 'task'],
        ] as const)
          expect(await ours(type, of(linked, name)), type).toHaveLength(1)
    }, 240_000)

    it('the plan says how each type is written', async () => {
      const { body } = await service.as('ops')<{ rows: { type: string; how: string }[] }>(
        'GET',
        '/destinations/harbour-ehr/plan',
      )
      expect(body.rows.map((r) => `${r.type} ${r.how}`)).toEqual([
        'Patient search',
        'ServiceRequest search',
        'Device transaction',
        'DeviceUseStatement transaction',
        'Procedure transaction',
        'Task transaction',
        'Observation transaction',
        'DiagnosticReport transaction',
        'Media transaction',
      ])
    })
  })
