/**
 * A FHIR server that we did not write is killed in the middle, as when a machine loses its power, and comes back with
 * what it had committed: HAPI FHIR (JPA server, R4), started from Maven Central for this.
 */
import { randomUUID } from 'node:crypto'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { Bundle, FhirResource, Parameters, ServiceRequest } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { type FhirServer, lacksForFhirServers, startFhirServer } from '../../demo-data/fhir-server.ts'
import { freePort } from '../../demo-data/stage.ts'
import { identifierSystems } from '../../src/model/systems.ts'
import { hapiServer } from '../support/hapi.ts'
import { anOrder, aPatient, harbourOrders, harbourPatients } from '../support/messages.ts'
import { startTestService, type TestService } from '../support/service.ts'

const about = 'a FHIR server that is killed in the middle'
// where nobody has a HAPI server for tests, nobody waits for one to be built
const shared = await hapiServer()
const lacks = 'lacks' in shared ? shared.lacks : await lacksForFhirServers()
if (lacks !== undefined) it(about, (ctx) => ctx.skip(lacks))

if (lacks === undefined)
  describe(about, () => {
    const folder = mkdtempSync(join(tmpdir(), 'daybind-killed-'))
    let port: number
    let hapi: FhirServer
    let service: TestService
    const start = () =>
      startFhirServer(port, join(folder, 'server.log'), new AbortController().signal, join(folder, 'data'))
    beforeAll(async () => {
      port = await freePort()
      hapi = await start()
      service = await startTestService({
        sources: [
          {
            id: 'harbour-ehr',
            site: 'tern-harbour',
            placer: harbourOrders,
            takes: [{ system: 'http://snomed.info/sct', code: '46825001' }],
            fhir: hapi.base,
            poll: 'PT2S',
            subscribe: false,
          },
        ],
        readingServices: [],
        roundMs: 200,
        deliveryDeadlineMs: 10_000,
        patience: { first: 0.2, longest: 1, age: 3600, attempts: 1000 },
      })
    }, 600_000)
    afterAll(async () => {
      await service?.close()
      await hapi?.stop()
      rmSync(folder, { recursive: true, force: true })
    })

    const at = async <T>(method: string, path: string, body?: object): Promise<T> => {
      const answer = await fetch(`${hapi.base}/${path}`, {
        method,
        headers: { 'content-type': 'application/fhir+json', 'cache-control': 'no-cache' },
        ...(body && { body: JSON.stringify(body) }),
      })
      if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${await answer.text()}`)
      return (await answer.json()) as T
    }
    const ops = <T>(method: string, path: string, body?: object) =>
      service.as('ops')<T>(method, path, body ? { body } : {})

    const numbers = Array.from({ length: 240 }, () => randomUUID().slice(0, 8))
    const message = (some: readonly string[]): Bundle => ({
      resourceType: 'Bundle',
      type: 'transaction',
      entry: some.flatMap((n, i) => {
        const fullUrl = `urn:uuid:00000000-0000-4000-8000-${String(i).padStart(12, '0')}`
        return [
          { fullUrl, resource: aPatient(`MRN-${n}`), request: { method: 'POST' as const, url: 'Patient' } },
          { resource: anOrder(`HE-${n}`, fullUrl), request: { method: 'POST' as const, url: 'ServiceRequest' } },
        ]
      }),
    })
    interface Told {
      readonly trouble: string | null
      readonly orders: Record<string, number>
    }
    const told = async (): Promise<Told> => (await ops<{ sources: Told[] }>('GET', '/sources')).body.sources[0] as Told
    const patiently = { timeout: 240_000, interval: 200 }

    const stored = async (url = '/fhir/ServiceRequest?_count=200'): Promise<readonly ServiceRequest[]> => {
      const { body } = await ops<Bundle<ServiceRequest>>('GET', url)
      const found = (body.entry ?? []).flatMap((e) => e.resource ?? [])
      const next = body.link?.find((l) => l.relation === 'next')?.url
      return next === undefined ? found : [...found, ...(await stored(next.slice(next.indexOf('/fhir'))))]
    }

    it('has each order fetched once, those of before and those of after', async () => {
      for (let i = 0; i < 180; i += 60) await at('POST', '', message(numbers.slice(i, i + 60)))
      // in the middle: some are fetched, others are not, or this says nothing
      await expect.poll(async () => (await told()).orders.taken ?? 0, { ...patiently, interval: 5 }).toBeGreaterThan(0)
      const before = (await told()).orders.taken ?? 0
      await hapi.kill()
      await expect.poll(async () => (await told()).trouble, patiently).not.toBeNull()
      hapi = await start()
      await at('POST', '', message(numbers.slice(180)))
      await expect.poll(async () => (await stored()).length, patiently).toBe(numbers.length)
      await expect.poll(async () => (await told()).trouble, patiently).toBeNull()
      const all = await stored()
      expect(all.map((o) => o.identifier?.[0]?.value).toSorted()).toEqual(numbers.map((n) => `HE-${n}`).toSorted())
      expect(all.filter((o) => o.meta?.versionId !== '1')).toEqual([])
      console.info(`${before} of 180 orders were fetched when it was killed`)
    }, 600_000)

    interface Row {
      readonly fate: string
    }

    it('has each link written once, those that were under way included', async () => {
      const orders = (await stored()).slice(0, 16)
      const link = async (order: ServiceRequest, i: number): Promise<string> => {
        const n = order.identifier?.[0]?.value?.slice(3)
        const answer = await ops<Parameters>('POST', `/fhir/ServiceRequest/${order.id}/$link-device`, {
          resourceType: 'Parameters',
          parameter: [
            { name: 'scan', valueString: `(01)09520123456788(21)KILL${i}` },
            { name: 'appliedAt', valueDateTime: new Date(Date.now() - 60_000).toISOString() },
            { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: `MRN-${n}` } },
            { name: 'birthDate', valueDate: '1950-03-17' },
          ],
        })
        expect(answer.status, answer.text).toBe(200)
        return answer.body.parameter?.find((p) => p.name === 'link')?.resource?.id ?? ''
      }
      const arrived = async () =>
        (await ops<{ deliveries: Row[] }>('GET', '/deliveries?fate=sent&count=200')).body.deliveries.length
      const before = await arrived()
      const first = await Promise.all(orders.slice(0, 8).map(link))
      await expect.poll(async () => (await arrived()) - before, { ...patiently, interval: 5 }).toBeGreaterThan(0)
      await hapi.kill()
      const second = await Promise.all(orders.slice(8).map((o, i) => link(o, i + 8)))
      hapi = await start()
      await expect.poll(async () => (await arrived()) - before, patiently).toBe(16)
      const named = async (type: keyof typeof identifierSystems, id: string) =>
        (
          await at<Bundle<FhirResource>>(
            'GET',
            `${type}?identifier=${encodeURIComponent(`${identifierSystems[type]}|${id}`)}`,
          )
        ).entry?.length ?? 0
      const counts = await Promise.all([...first, ...second].map((id) => named('DeviceUseStatement', id)))
      expect(counts).toEqual(Array.from({ length: 16 }, () => 1))
      // by our identifier alone: what came of a lost answer would carry it too
      const devices = await at<Bundle>(
        'GET',
        `Device?identifier=${encodeURIComponent(`${identifierSystems.Device}|`)}&_summary=count`,
      )
      expect(devices.total).toBe(16)
    }, 600_000)
  })
