/** A source that is a FHIR server which we did not write: HAPI FHIR (JPA server, R4). */
import { randomUUID } from 'node:crypto'
import type { Bundle, BundleEntry, FhirResource, ServiceRequest, Subscription } from 'fhir/r4.js'
import { afterAll, describe, expect, it } from 'vitest'
import { openPeer } from '../../src/adapters/fhir/peer.ts'
import type { Source } from '../../src/model/configuration.ts'
import { hapiServer } from '../support/hapi.ts'
import { anOrder, aPatient } from '../support/messages.ts'
import { useTestService } from '../support/service.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined
const about = 'a source that is a HAPI FHIR server'

if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    const run = randomUUID().slice(0, 8)
    /** Codes of this run alone, so that what others put there is none of ours. */
    const system = `https://harbour.example/codes/${run}`
    const monitoring = { coding: [{ system, code: 'monitor' }] }
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
      poll: 'PT2S',
    }
    const service = useTestService({
      sources: [source],
      roundMs: 200,
      configuration: { publicUrl: 'http://127.0.0.1' },
    })
    const made: string[] = []

    const send = async <R extends FhirResource>(method: string, path: string, body?: FhirResource): Promise<R> => {
      const response = await fetch(`${hapi}${path}`, {
        method,
        headers: { 'content-type': 'application/fhir+json', 'x-retry-on-version-conflict': 'retry; max-retries=10' },
        ...(body && { body: JSON.stringify(body) }),
      })
      expect([method, path, response.status < 300]).toEqual([method, path, true])
      return (await response.json()) as R
    }

    const order = (number: string, patient: string, over: Partial<ServiceRequest> = {}) =>
      anOrder(number, patient, { code: monitoring, ...over }, numbers)

    /** One transaction with a patient and these orders, each by conditional PUT. */
    const orders = (numbersOf: readonly string[], over: Partial<ServiceRequest> = {}): Bundle => ({
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        {
          fullUrl: 'urn:uuid:00000000-0000-4000-8000-000000000001',
          resource: aPatient(`MRN-${run}`, {}, numbers),
          request: { method: 'PUT', url: `Patient?identifier=${encodeURIComponent(`${numbers.patients}|MRN-${run}`)}` },
        },
        ...numbersOf.map(
          (n): BundleEntry => ({
            resource: order(n, 'urn:uuid:00000000-0000-4000-8000-000000000001', over),
            request: {
              method: 'PUT',
              url: `ServiceRequest?identifier=${encodeURIComponent(`${numbers.orders}|${n}`)}`,
            },
          }),
        ),
      ],
    })

    interface Told {
      readonly trouble: string | null
      readonly knownUpTo: string | null
      readonly orders: Record<string, number>
      readonly subscription: { id: string | null; status: string | null; made: number; trouble: string | null }
    }
    const told = async (): Promise<Told> => {
      const { body } = await service().as('ops')<{ sources: Told[] }>('GET', '/sources')
      return body.sources[0] as Told
    }
    const here = async (number: string): Promise<ServiceRequest | undefined> => {
      const query = encodeURIComponent(`${numbers.orders}|${number}`)
      const { body } = await service().as('ops')<Bundle<ServiceRequest>>(
        'GET',
        `/fhir/ServiceRequest?identifier=${query}`,
      )
      return body.entry?.[0]?.resource
    }
    const slowly = { timeout: 120_000, interval: 500 }

    afterAll(async () => {
      for (const id of made) await fetch(`${hapi}/Subscription/${id}`, { method: 'DELETE' })
    })

    it('has its orders fetched, and what changes', async () => {
      await send('POST', '', orders([`HE-${run}`]))
      await expect.poll(async () => (await here(`HE-${run}`))?.status, slowly).toBe('active')
      await send('POST', '', orders([`HE-${run}`], { status: 'revoked' }))
      await expect.poll(async () => (await here(`HE-${run}`))?.status, slowly).toBe('revoked')
      expect((await told()).trouble).toBeNull()
    })

    it('gets sixteen copies of one order at once: here it is one', async () => {
      const copies = Array.from({ length: 16 }, () => send('POST', '', orders([`SIX-${run}`])).catch(() => undefined))
      await Promise.all(copies)
      await expect.poll(async () => (await here(`SIX-${run}`))?.status, slowly).toBe('active')
      const query = encodeURIComponent(`${numbers.orders}|SIX-${run}`)
      const { body } = await service().as('ops')<Bundle>('GET', `/fhir/ServiceRequest?identifier=${query}`)
      expect(body.entry).toHaveLength(1)
    })

    it('has a Subscription that tells at once, though it is asked seldom; one that dies is made anew', async () => {
      await expect.poll(async () => (await told()).subscription.status, slowly).toMatch(/active|requested/)
      const { id } = (await told()).subscription
      made.push(id ?? '')
      const there = await send<Subscription>('GET', `/Subscription/${id}`)
      expect(there).toMatchObject({
        criteria: 'ServiceRequest?',
        channel: { endpoint: `${service().url}/hooks/harbour-ehr` },
      })
      await expect
        .poll(async () => (await send<Subscription>('GET', `/Subscription/${id}`)).status, slowly)
        .toBe('active')
      await send('POST', '', orders([`SUB-${run}`]))
      await expect
        .poll(async () => {
          const { body } = await service().as('ops')<{ sources: { notifiedAt: string | null }[] }>('GET', '/sources')
          return body.sources[0]?.notifiedAt
        }, slowly)
        .not.toBeNull()
      await send('PUT', `/Subscription/${id}`, { ...there, status: 'off' })
      await expect.poll(async () => (await told()).subscription.made, { timeout: 400_000, interval: 1000 }).toBe(2)
      await expect
        .poll(async () => (await send<Subscription>('GET', `/Subscription/${id}`)).status, slowly)
        .not.toBe('off')
    }, 600_000)

    it('answers us with what is there now, where it would reuse the result of a minute ago', async () => {
      const peer = openPeer({ id: 'harbour-ehr', base: hapi })
      const found = async () => {
        const answer = await peer.search('Patient', { identifier: `${numbers.patients}|TWICE-${run}` }, 'r')
        if (answer.fate !== 'answered') throw new Error(answer.reason)
        return answer.body.entry?.length ?? 0
      }
      for (const count of [1, 2, 3]) {
        await send('POST', '/Patient', aPatient(`TWICE-${run}`, {}, numbers))
        expect(await found()).toBe(count)
      }
      await peer.close()
    })

    it('has thousands of orders, paged while new ones arrive: none is missed, none comes twice', async () => {
      const [before, during, size] = [4_500, 500, 250]
      const numbersFrom = (prefix: string, count: number) =>
        Array.from({ length: count }, (_, i) => `${prefix}-${run}-${i}`)
      const chunks = (list: string[]) =>
        Array.from({ length: Math.ceil(list.length / size) }, (_, i) => list.slice(i * size, (i + 1) * size))
      const taken = (await told()).orders.taken ?? 0
      for (const some of chunks(numbersFrom('M', before))) await send('POST', '', orders(some))
      for (const some of chunks(numbersFrom('N', during))) await send('POST', '', orders(some))
      await expect
        .poll(async () => (await told()).orders.taken, { timeout: 300_000, interval: 1000 })
        .toBe(taken + before + during)
      const pages = async (url: string): Promise<readonly string[]> => {
        const { body } = await service().as('ops')<Bundle<ServiceRequest>>('GET', url)
        const found = (body.entry ?? []).map(
          ({ resource }) => `${resource?.identifier?.[0]?.value} ${resource?.meta?.versionId}`,
        )
        const next = body.link?.find((l) => l.relation === 'next')?.url
        return next === undefined ? found : [...found, ...(await pages(next.slice(next.indexOf('/fhir'))))]
      }
      const stored = (await pages('/fhir/ServiceRequest?_count=200')).filter((o) => /^[MN]-/.test(o))
      expect(stored).toHaveLength(before + during)
      expect(new Set(stored).size).toBe(before + during)
      expect(stored.every((o) => o.endsWith(' 1'))).toBe(true)
    }, 900_000)
  })
