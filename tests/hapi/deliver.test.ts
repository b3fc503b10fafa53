/**
 * A linked order to a FHIR server that we did not write: HAPI FHIR (JPA server, R4). What it
 * accepts, stores once and finds again is the judge.
 */
import { randomUUID } from 'node:crypto'
import type { Bundle, DeviceUseStatement, FhirResource, Parameters, Task } from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import { identifierSystems, systems } from '../../src/model/systems.ts'
import { hapiServer } from '../support/hapi.ts'
import { harbourOrders, harbourPatients, placeOrder } from '../support/messages.ts'
import { useTestService } from '../support/service.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined

/** Straight at the server, past its cache of search results. */
const onHapi = async <T extends FhirResource>(type: string, identifier: string): Promise<readonly T[]> => {
  const url = `${hapi}/${type}?identifier=${encodeURIComponent(identifier)}`
  const response = await fetch(url, { headers: { accept: 'application/fhir+json', 'cache-control': 'no-cache' } })
  const found = (await response.json()) as Bundle<T>
  return (found.entry ?? []).flatMap((e) => (e.resource ? [e.resource] : []))
}

const about = 'a linked order to a HAPI FHIR server'

if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    const service = useTestService({
      ...(hapi !== undefined && { pebble: hapi }),
      lookPace: { unanswered: 1, taken: 1 },
    })
    const newNumbers = () => {
      const run = randomUUID().slice(0, 8)
      return { order: `HE-${run}`, patient: `MRN-${run}`, serial: `S${run}`.toUpperCase() }
    }

    const link = async ({ order, patient, serial }: ReturnType<typeof newNumbers>): Promise<Parameters> => {
      const parameter = [
        { name: 'order', valueIdentifier: { system: harbourOrders, value: order } },
        { name: 'scan', valueString: `]d2010952012345678821${serial}` },
        { name: 'appliedAt', valueDateTime: new Date(Date.now() - 60_000).toISOString() },
        { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: patient } },
        { name: 'birthDate', valueDate: '1950-03-17' },
      ]
      const answer = await service().as('bay-3')<Parameters>('POST', '/fhir/ServiceRequest/$link-device', {
        body: { resourceType: 'Parameters', parameter },
      })
      expect(answer.status, answer.text).toBe(200)
      return answer.body
    }

    const of = (answer: Parameters, name: string): string =>
      answer.parameter?.find((p) => p.name === name)?.resource?.id ?? `no ${name}`

    const sent = async (orderId: string, count: number) =>
      expect
        .poll(
          async () => {
            const { body } = await service().as('ops')<{ deliveries: { fate: string; reason: string | null }[] }>(
              'GET',
              `/deliveries?order=${orderId}`,
            )
            return body.deliveries.map((d) => `${d.fate} ${d.reason ?? ''}`.trim())
          },
          { timeout: 60_000, interval: 500 },
        )
        .toEqual(Array.from({ length: count }, () => 'sent'))

    it('arrives whole, is stored once, and follows the link to its end and the recorder to its return', async () => {
      const numbers = newNumbers()
      const { order, patient, serial } = numbers
      const { orderId } = await placeOrder(service().as('harbour-ehr'), order, patient)
      const linked = await link(numbers)
      const linkId = of(linked, 'link')
      await sent(orderId, 1)

      const [there, ...twice] = await onHapi<DeviceUseStatement>(
        'DeviceUseStatement',
        `${identifierSystems.DeviceUseStatement}|${linkId}`,
      )
      expect(twice).toEqual([])
      expect(there?.status).toBe('active')
      expect(await onHapi('Patient', `${harbourPatients}|${patient}`)).toHaveLength(1)
      expect(await onHapi('ServiceRequest', `${harbourOrders}|${order}`)).toHaveLength(1)
      const [task] = await onHapi<Task>('Task', `${identifierSystems.Task}|${of(linked, 'task')}`)
      expect(task?.status).toBe('requested')
      expect(task?.identifier?.some((i) => i.system === systems.deliveries)).toBe(true)

      const back = await service().as('bay-3')<Parameters>('POST', '/fhir/Device/$record-return', {
        body: {
          resourceType: 'Parameters',
          parameter: [
            { name: 'scan', valueString: `]d2010952012345678821${serial}` },
            { name: 'receivedAt', valueDateTime: new Date().toISOString() },
          ],
        },
      })
      expect(back.status, back.text).toBe(200)
      await sent(orderId, 2)
      const [ended] = await onHapi<DeviceUseStatement>(
        'DeviceUseStatement',
        `${identifierSystems.DeviceUseStatement}|${linkId}`,
      )
      expect(ended?.status).toBe('completed')
      expect(ended?.meta?.versionId).toBe('2')
      const reports = await onHapi(
        'DiagnosticReport',
        `${identifierSystems.DiagnosticReport}|${of(back.body, 'report')}`,
      )
      expect(reports).toMatchObject([{ status: 'registered' }])
      expect(
        await onHapi('Observation', `${identifierSystems.Observation}|${of(back.body, 'observation')}`),
      ).toMatchObject([{ status: 'registered' }])
      expect(await onHapi('Patient', `${harbourPatients}|${patient}`)).toHaveLength(1)
    }, 120_000)

    it('is answered where it lies: a Task that is accepted there is accepted here', async () => {
      const numbers = newNumbers()
      const { orderId } = await placeOrder(service().as('harbour-ehr'), numbers.order, numbers.patient)
      const taskId = of(await link(numbers), 'task')
      await sent(orderId, 1)
      const [task] = await onHapi<Task>('Task', `${identifierSystems.Task}|${taskId}`)
      const put = await fetch(`${hapi}/Task/${task?.id}`, {
        method: 'PUT',
        headers: { 'content-type': 'application/fhir+json' },
        body: JSON.stringify({ ...task, status: 'accepted', note: [{ text: 'read tomorrow' }] }),
      })
      expect(put.status).toBe(200)
      await expect
        .poll(
          async () => {
            const { body } = await service().as('ops')<{ deliveries: { fate: string }[] }>(
              'GET',
              `/deliveries?order=${orderId}`,
            )
            return body.deliveries.map((d) => d.fate)
          },
          { timeout: 60_000, interval: 500 },
        )
        .toEqual(['taken'])
      const { body } = await service().as('ops')<Task>('GET', `/fhir/Task/${taskId}`)
      expect(body).toMatchObject({ status: 'accepted', note: [{ text: 'read tomorrow' }] })
    }, 120_000)
  })
