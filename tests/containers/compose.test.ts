/** `docker compose up` of the project: one order from a HAPI FHIR server to another and back, as a developer sees it. */
import { execFile } from 'node:child_process'
import { randomUUID } from 'node:crypto'
import { fileURLToPath } from 'node:url'
import { promisify } from 'node:util'
import { afterAll, beforeEach, describe, expect, it } from 'vitest'
import { dockerWith, hapiImage, nodeImage, postgresImage } from '../support/docker.ts'

const root = fileURLToPath(new URL('../..', import.meta.url))
const daemon = await dockerWith(nodeImage, postgresImage, hapiImage)

const anyPort = '127.0.0.1:0'

describe('docker compose', () => {
  const project = `daybind-${randomUUID().slice(0, 8)}`
  const env = {
    ...process.env,
    COMPOSE_PROJECT_NAME: project,
    DAYBIND_IMAGE: 'daybind:test',
    PUBLISH: anyPort,
    PUBLISH_EHR: anyPort,
    PUBLISH_READING: anyPort,
  }
  const compose = async (...args: string[]): Promise<string> => {
    const { stdout } = await promisify(execFile)('docker', ['compose', ...args], { cwd: root, env, maxBuffer: 1 << 26 })
    return stdout
  }

  beforeEach((context) => {
    if (!daemon.answers) context.skip(daemon.reason)
  })

  afterAll(async () => {
    if (daemon.answers) await compose('down', '--volumes', '--timeout', '5')
  })

  it('shows an order arriving from one FHIR server, its linked order in the other, and the report at the first', async () => {
    await compose('up', '--detach', '--build')
    // it ends with the status of the container, however it words it
    const status = await compose('wait', 'day').then(
      () => 0,
      ({ code }: { code?: unknown }) => code,
    )
    const told = await compose('logs', '--no-log-prefix', 'day')
    expect(told).toContain('Everything arrived, and each message went through.')
    expect(status).toBe(0)
  }, 900_000)
})
