import { Client } from 'pg'
import { GenericContainer, type StartedTestContainer, Wait } from 'testcontainers'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { dockerDaemon } from '../support/docker.ts'

const image = process.env.POSTGRES_IMAGE ?? 'postgres:18'
const daemon = await dockerDaemon()

const start = () =>
  new GenericContainer(image)
    .withEnvironment({ POSTGRES_USER: 'daybind', POSTGRES_PASSWORD: 'daybind', POSTGRES_DB: 'daybind' })
    .withExposedPorts(5432)
    // the second time: the first is the server that the image runs while it sets itself up
    .withWaitStrategy(Wait.forLogMessage(/database system is ready to accept connections/, 2))
    .withStartupTimeout(120_000)
    .start()

describe(`PostgreSQL in a container (${image})`, () => {
  let container: StartedTestContainer | undefined
  let client: Client

  beforeAll(async () => {
    if (!daemon.answers) return
    container = await start()
    client = new Client({
      connectionString: `postgresql://daybind:daybind@${container.getHost()}:${container.getMappedPort(5432)}/daybind`,
    })
    await client.connect()
  })

  beforeEach((context) => {
    if (!daemon.answers) context.skip(daemon.reason)
  })

  afterAll(async () => {
    if (container === undefined) return
    await client.end()
    await container.stop()
  })

  it('lets a database owner keep periods of one device apart', async () => {
    await client.query('create extension btree_gist')
    await client.query(
      `create table wear (
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
})
