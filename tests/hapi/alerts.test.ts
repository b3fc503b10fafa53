/** An alert in the inbox of a FHIR server that we did not write: HAPI FHIR (JPA server, R4). */
import type { Bundle, Communication, FhirResource, OperationOutcome, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { systems } from '../../src/model/systems.ts'
import { hapiServer } from '../support/hapi.ts'
import { startTestService, type TestService, testSites, testSources } from '../support/service.ts'
import { inDatabase, label, operate } from '../whole/bedside.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined

const about = 'an alert in a HAPI FHIR server'

if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

const json = { 'content-type': 'application/fhir+json', accept: 'application/fhir+json', 'cache-control': 'no-cache' }

const ask = async <T>(method: string, path: string, body?: unknown): Promise<T> => {
  const answer = await fetch(`${hapi}/${path}`, {
    method,
    headers: json,
    ...(body !== undefined && { body: JSON.stringify(body) }),
  })
  return (await answer.json()) as T
}

const there = async <T extends FhirResource>(type: T['resourceType'], delivery: string): Promise<readonly T[]> => {
  const token = encodeURIComponent(`${systems.alerts}|${delivery}`)
  const { entry = [] } = await ask<Bundle<T>>('GET', `${type}?identifier=${token}`)
  return entry.flatMap((e) => e.resource ?? [])
}

if (hapi !== undefined)
  describe(about, () => {
    let service: TestService
    beforeAll(async () => {
      service = await startTestService({
        sites: testSites.map((s) => ({
          ...s,
          alerts: [{ at: 'now', to: 'inbox', severities: ['high' as const] }],
        })),
        sources: testSources.map((s) => (s.id === 'harbour-ehr' ? { ...s, fhir: hapi, writeBack: false } : s)),
        roundMs: 200,
        deliveryDeadlineMs: 20_000,
        patience: { first: 0.2, longest: 1, age: 3600, attempts: 400 },
        configuration: { recipients: [{ id: 'inbox', fhir: 'harbour-ehr' }] },
      })
    }, 120_000)
    afterAll(() => service?.close())

    const delivery = async () => {
      const { body } = await service.as('ops')<{ deliveries: { id: string; fate: string; reason: string | null }[] }>(
        'GET',
        '/deliveries',
      )
      return body.deliveries[0]
    }

    const taken = () => expect.poll(delivery, { timeout: 60_000, interval: 200 }).toMatchObject({ fate: 'taken' })

    it('is there once, as a Communication and a Task, whose focus is that', { timeout: 180_000 }, async () => {
      const said = { scan: label('RC-ALERT-1'), receivedAt: new Date(Date.now() - 60_000).toISOString() }
      expect((await operate(service.as('bay-3'), 'Device/$record-return', said)).status).toBe(200)
      await taken()
      const { id = '' } = (await delivery()) ?? {}
      const [communication] = await there<Communication>('Communication', id)
      const [task] = await there<Task>('Task', id)
      expect(task?.focus?.reference).toBe(`Communication/${communication?.id}`)
      expect(communication?.topic?.text).toBe('Tern Harbour Clinic: 1 gap to mend')

      // somebody there has done it; the same message again changes nothing
      await ask('PUT', `Task/${task?.id}`, { ...task, status: 'completed' })
      await service.as('ops')('POST', `/deliveries/${id}/replay`)
      await expect
        .poll(
          async () => (await inDatabase<{ n: number }>(service.database, 'select attempts as n from deliveries'))[0]?.n,
        )
        .toBe(1)
      await taken()
      const [communications, tasks] = [await there('Communication', id), await there<Task>('Task', id)]
      expect([communications.length, tasks.map((t) => [t.status, t.meta?.versionId])]).toEqual([
        1,
        [['completed', '2']],
      ])

      // HAPI's own validator is the judge of what was written
      for (const resource of [communication, tasks[0]]) {
        const outcome = await ask<OperationOutcome>('POST', `${resource?.resourceType}/$validate`, resource)
        expect(outcome.issue.filter((i) => i.severity === 'error' || i.severity === 'fatal')).toEqual([])
      }
    })
  })
