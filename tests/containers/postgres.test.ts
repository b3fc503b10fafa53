import type { Bundle, FhirResource, Parameters } from 'fhir/r4.js'
import { Client } from 'pg'
import type { StartedTestContainer } from 'testcontainers'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { readConfiguration } from '../../src/config.ts'
import { type Service, startService } from '../../src/service.ts'
import { dockerWith, postgres, postgresImage } from '../support/docker.ts'

const daemon = await dockerWith(postgresImage)

describe(`PostgreSQL in a container (${postgresImage})`, () => {
  let container: StartedTestContainer | undefined
  let client: Client
  let service: Service

  beforeAll(async () => {
    if (!daemon.answers) return
    container = await postgres().start()
    const url = `postgresql://daybind:daybind@${container.getHost()}:${container.getMappedPort(5432)}/daybind`
    client = new Client({ connectionString: url })
    await client.connect()
    const settings = { DATABASE_URL: url, PORT: '0', LOG_LEVEL: 'silent' }
    const reading = readConfiguration(settings, () => '')
    if (!reading.ok) throw new Error(reading.mistakes.join('\n'))
    service = await startService(reading.value)
  })

  beforeEach((context) => {
    if (!daemon.answers) context.skip(daemon.reason)
  })

  afterAll(async () => {
    if (container === undefined) return
    await service?.close()
    await client?.end()
    await container.stop()
  })

  it('lets a database owner keep periods of one device apart', async () => {
    await client.query('create extension if not exists btree_gist')
    await client.query(
      `create temporary table wear (
         device uuid, period tstzrange, active boolean,
         exclude using gist (device with =, period with &&) where (active)
       )`,
    )
    const device = '0190a6c2-0000-7000-8000-000000000001'
    const wear = (from: string, until: string, active = true) =>
      client.query('insert into wear values ($1, tstzrange($2, $3), $4)', [device, from, until, active])
    await wear('2026-11-25T08:00Z', '2026-11-26T08:00Z')
    await wear('2026-11-26T08:00Z', '2026-11-27T08:00Z')
    await wear('2026-11-25T09:00Z', '2026-11-25T10:00Z', false)
    await expect(wear('2026-11-26T07:59Z', '2026-11-26T08:01Z')).rejects.toMatchObject({ code: '23P01' })
  })

  it('carries an order from its arrival to the evening report', async () => {
    const post = async (path: string, body: Bundle<FhirResource> | Parameters) => {
      const headers = { 'content-type': 'application/fhir+json' }
      const response = await fetch(`${service.url}${path}`, { method: 'POST', headers, body: JSON.stringify(body) })
      return { status: response.status, body: (await response.json()) as FhirResource }
    }
    const accepted = await post('/fhir', {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        {
          fullUrl: 'urn:uuid:0190a6c2-0000-7000-8000-000000000002',
          request: { method: 'PUT', url: 'Patient?identifier=https://harbour.example/patients|4711' },
          resource: {
            resourceType: 'Patient',
            identifier: [{ system: 'https://harbour.example/patients', value: '4711' }],
            birthDate: '1951-03-04',
          },
        },
        {
          fullUrl: 'urn:uuid:0190a6c2-0000-7000-8000-000000000003',
          request: { method: 'PUT', url: 'ServiceRequest?identifier=https://harbour.example/orders|A-1' },
          resource: {
            resourceType: 'ServiceRequest',
            identifier: [{ system: 'https://harbour.example/orders', value: 'A-1' }],
            status: 'active',
            intent: 'order',
            code: { coding: [{ system: 'http://snomed.info/sct', code: '46825001' }] },
            subject: { reference: 'urn:uuid:0190a6c2-0000-7000-8000-000000000002' },
            occurrenceDateTime: '2026-11-25',
          },
        },
      ],
    })
    expect(accepted).toMatchObject({ status: 200, body: { type: 'transaction-response' } })
    const evening = await post('/fhir/$reconcile-day', {
      resourceType: 'Parameters',
      parameter: [
        { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } },
        { name: 'date', valueDate: '2026-11-25' },
      ],
    })
    expect(evening).toMatchObject({ status: 200, body: { resourceType: 'Bundle', type: 'collection' } })
  })
})
