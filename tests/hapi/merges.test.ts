/** Patients that a FHIR server of somebody else merges, and takes apart again: HAPI FHIR. */
import { randomUUID } from 'node:crypto'
import type {
  AuditEvent,
  Bundle,
  DetectedIssue,
  DeviceUseStatement,
  FhirResource,
  Patient,
  Provenance,
} from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import { hapiServer } from '../support/hapi.ts'
import { anOrder, aPatient } from '../support/messages.ts'
import { useTestService } from '../support/service.ts'
import { found, inDatabase, label, operate, out, read } from '../whole/bedside.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined
const about = 'a patient merged on a HAPI FHIR server'
if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    const run = randomUUID().slice(0, 8)
    const system = `https://harbour.example/codes/${run}`
    const numbers = {
      orders: `https://harbour.example/orders/${run}`,
      patients: `https://harbour.example/patients/${run}`,
    }
    const service = useTestService({
      sources: [
        {
          id: 'harbour-ehr',
          site: 'tern-harbour',
          placer: numbers.orders,
          takes: [{ system, code: 'monitor' }],
          fhir: hapi,
          poll: 'PT2S',
          subscribe: false,
          writeBack: false,
        },
      ],
      roundMs: 200,
    })
    const ops: ReturnType<ReturnType<typeof service>['as']> = (...asked) => service().as('ops')(...asked)
    const slowly = { timeout: 120_000, interval: 300 }
    const send = async <R extends FhirResource>(method: string, path: string, body: FhirResource): Promise<R> => {
      const answer = await fetch(`${hapi}/${path}`, {
        method,
        headers: { 'content-type': 'application/fhir+json' },
        body: JSON.stringify(body),
      })
      expect([path, answer.status < 300]).toEqual([path, true])
      return (await answer.json()) as R
    }
    const doubts = (linkId: string) =>
      found<DetectedIssue>(
        ops,
        `DetectedIssue?code=identity-doubt&implicated=DeviceUseStatement/${linkId}&_sort=_lastUpdated`,
      )
    const wearer = async (linkId: string): Promise<Patient> => {
      const use = await read<DeviceUseStatement>(ops, `DeviceUseStatement/${linkId}`)
      return read<Patient>(ops, use.subject.reference ?? '')
    }
    const numberOf = async (linkId: string) =>
      (await wearer(linkId)).identifier?.find((i) => i.system === numbers.patients)?.value

    it('takes the open link along, once; a person confirms it; that it is taken back goes to a person', async () => {
      const old = await send<Patient>('POST', 'Patient', aPatient(`OLD-${run}`, {}, numbers))
      const survivor = await send<Patient>('POST', 'Patient', aPatient(`NEW-${run}`, {}, numbers))
      await send(
        'POST',
        'ServiceRequest',
        anOrder(`MERGE-${run}`, `Patient/${old.id}`, { code: { coding: [{ system, code: 'monitor' }] } }, numbers),
      )
      const asked = `/fhir/ServiceRequest?identifier=${encodeURIComponent(`${numbers.orders}|MERGE-${run}`)}`
      const orderHere = async () => (await ops<Bundle>('GET', asked)).body.entry?.[0]?.resource?.id
      await expect.poll(orderHere, slowly).toBeDefined()
      const order = (await orderHere()) ?? ''
      const made = await operate(ops, `ServiceRequest/${order}/$link-device`, {
        scan: label(`MG${run}`.toUpperCase()),
        appliedAt: new Date(Date.now() - 60_000).toISOString(),
        patientIdentifier: { system: numbers.patients, value: `OLD-${run}` },
        birthDate: '1950-03-17',
      })
      const { id = '' } = out<DeviceUseStatement>(made, 'link')
      expect(await numberOf(id)).toBe(`OLD-${run}`)

      const merged = {
        active: false,
        link: [{ type: 'replaced-by' as const, other: { reference: `Patient/${survivor.id}` } }],
      }
      await send('PUT', `Patient/${old.id}`, { ...aPatient(`OLD-${run}`, merged, numbers), id: old.id ?? '' })
      await expect.poll(async () => (await doubts(id)).length, slowly).toBe(1)
      expect(await numberOf(id)).toBe(`NEW-${run}`)
      const [gap] = await doubts(id)
      expect(gap?.detail).toContain('merged')
      const why = (await found<Provenance>(ops, `Provenance?target=DeviceUseStatement/${id}`)).flatMap(
        (p) => p.reason?.[0]?.coding?.[0]?.code ?? [],
      )
      expect(why.filter((code) => code === 'merged')).toEqual(['merged'])
      expect((await found<AuditEvent>(ops, `AuditEvent?entity=DeviceUseStatement/${id}`)).length).toBeGreaterThan(1)

      // asked again and again, it moves no more
      const facts = async () =>
        (
          await inDatabase<{ n: number }>(
            service().database,
            `select count(*)::int as n from journal where kind = 'link'`,
          )
        )[0]?.n
      const before = await facts()
      await send('PUT', `Patient/${survivor.id}`, {
        ...aPatient(`NEW-${run}`, { gender: 'female' }, numbers),
        id: survivor.id ?? '',
      })
      await expect.poll(async () => (await wearer(id)).gender, slowly).toBe('female')
      expect(await facts()).toBe(before)

      const seen = await operate(ops, `DetectedIssue/${gap?.id}/$acknowledge`, { note: 'Looking into it.' })
      expect(seen.status, seen.text).toBe(200)
      const settled = await operate(ops, `DetectedIssue/${gap?.id}/$resolve`, {
        action: 'confirmed',
        note: 'Asked her.',
      })
      expect(settled.status, settled.text).toBe(200)

      await send('PUT', `Patient/${old.id}`, { ...aPatient(`OLD-${run}`, { active: true }, numbers), id: old.id ?? '' })
      await expect.poll(async () => (await doubts(id)).length, slowly).toBe(2)
      expect(await numberOf(id)).toBe(`NEW-${run}`)
      const again = (await doubts(id)).find((g) => g.id !== gap?.id)
      expect(again?.detail).toContain('takes the merge')
      expect(again?.implicated).toContainEqual({ reference: `DetectedIssue/${gap?.id}` })
    }, 300_000)
  })
