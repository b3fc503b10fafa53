/** What a FHIR server that we did not write says of visits: HAPI FHIR (JPA server, R4). */
import { randomUUID } from 'node:crypto'
import type { Appointment, Bundle, BundleEntry, DetectedIssue, Device, FhirResource, Procedure } from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import type { Source } from '../../src/model/configuration.ts'
import { hapiServer } from '../support/hapi.ts'
import { anOrder, aPatient, bundle, entry } from '../support/messages.ts'
import { useTestService } from '../support/service.ts'
import { found, label, newSerial, operate } from '../whole/bedside.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined
const about = 'visits that a HAPI FHIR server tells of'

if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    const run = randomUUID().slice(0, 8)
    const system = `https://harbour.example/codes/${run}`
    const numbers = {
      orders: `https://harbour.example/orders/${run}`,
      patients: `https://harbour.example/patients/${run}`,
    }
    const source: Source = {
      id: 'harbour-ehr',
      site: 'tern-harbour',
      placer: numbers.orders,
      takes: [{ system, code: 'monitor' }],
      fhir: hapi,
      poll: 'PT1S',
      subscribe: false,
      writeBack: false,
    }
    const service = useTestService({ sources: [source], roundMs: 200 })
    const ops = () => service().as('ops')
    const slowly = { timeout: 120_000, interval: 500 }
    const ago = (minutes: number) => `${new Date(Date.now() - minutes * 60_000).toISOString().slice(0, 19)}Z`

    /** Their references to what was made, in the order of the entries. */
    const put = async (...entries: readonly BundleEntry[]): Promise<readonly string[]> => {
      const response = await fetch(hapi, {
        method: 'POST',
        headers: { 'content-type': 'application/fhir+json' },
        body: JSON.stringify(bundle('transaction', ...entries)),
      })
      expect(response.status).toBe(200)
      const answer = (await response.json()) as Bundle
      return (answer.entry ?? []).map((e) => e.response?.location?.split('/_history')[0] ?? '')
    }
    const order = async (n: string) => {
      const [patient = '', placed = ''] = await put(
        entry(
          'POST Patient',
          aPatient(`${n}-${run}`, {}, numbers),
          {},
          'urn:uuid:00000000-0000-4000-8000-000000000001',
        ),
        entry(
          'POST ServiceRequest',
          anOrder(
            `${n}-${run}`,
            'urn:uuid:00000000-0000-4000-8000-000000000001',
            { code: { coding: [{ system, code: 'monitor' }] }, occurrenceDateTime: ago(0).slice(0, 10) },
            numbers,
          ),
        ),
      )
      return { n, patient, placed }
    }
    type Placed = Awaited<ReturnType<typeof order>>
    const here = async ({ n }: Placed): Promise<string> => {
      const query = `ServiceRequest?identifier=${encodeURIComponent(`${numbers.orders}|${n}-${run}`)}`
      await expect.poll(async () => (await found(ops(), query)).length, slowly).toBe(1)
      return (await found(ops(), query))[0]?.id ?? ''
    }
    const gaps = async (o: Placed): Promise<readonly string[]> =>
      (await found<DetectedIssue>(ops(), `DetectedIssue?implicated=ServiceRequest/${await here(o)}`))
        .map((g) => `${g.code?.coding?.[0]?.code} ${g.mitigation === undefined ? 'open' : 'closed'}`)
        .toSorted()

    it('a completed act with its recorder, a finished stay, a booked date: each where its order is', async () => {
      const [acted, stayed, worn] = [await order('ACT'), await order('STAY'), await order('WORN')]
      const serial = newSerial()
      const id = await here(worn)
      const linked = await operate(service().as('bay-3'), `ServiceRequest/${id}/$link-device`, {
        scan: label(serial),
        appliedAt: ago(30),
        patientIdentifier: { system: numbers.patients, value: `WORN-${run}` },
        birthDate: '1950-03-17',
      })
      expect(linked.status, linked.text).toBe(200)
      const recorder: Device = { resourceType: 'Device', udiCarrier: [{ carrierHRF: label(serial) }] }
      const [device = ''] = await put(entry('POST Device', recorder))
      const act: Procedure = {
        resourceType: 'Procedure',
        status: 'completed',
        basedOn: [{ reference: acted.placed }],
        subject: { reference: acted.patient },
        performedDateTime: ago(5),
        focalDevice: [{ manipulated: { reference: device } }],
      }
      const stay = {
        resourceType: 'Encounter',
        status: 'finished',
        class: { system: 'http://terminology.hl7.org/CodeSystem/v3-ActCode', code: 'AMB' },
        basedOn: [{ reference: stayed.placed }],
        subject: { reference: stayed.patient },
        period: { start: ago(40), end: ago(4) },
      } as FhirResource
      const date: Appointment = {
        resourceType: 'Appointment',
        status: 'booked',
        basedOn: [{ reference: stayed.placed }],
        start: '2037-03-04T09:00:00Z',
        end: '2037-03-04T09:30:00Z',
        participant: [{ actor: { reference: stayed.patient }, status: 'accepted' }],
      }
      const [acting = ''] = await put(
        entry('POST Procedure', act),
        entry('POST Encounter', stay),
        entry('POST Appointment', date),
      )
      await expect.poll(() => gaps(acted), slowly).toEqual(['device-on-two-patients open', 'no-link open'])
      await expect.poll(() => gaps(stayed), slowly).toEqual(['no-link open'])
      expect(await found(ops(), 'Appointment')).toHaveLength(1)
      await put(entry(`PUT ${acting}`, { ...act, id: acting.split('/')[1] ?? '', status: 'entered-in-error' }))
      await expect.poll(() => gaps(acted), slowly).toEqual(['device-on-two-patients closed', 'no-link closed'])
      const { body } = await ops()<{ sources: { trouble: string | null; warnings: string[]; refused: [] }[] }>(
        'GET',
        '/sources',
      )
      expect(body.sources[0]).toMatchObject({ trouble: null, warnings: [], refused: [] })
    }, 300_000)
  })
