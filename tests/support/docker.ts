/** What the tests in containers share. */
import { execFile } from 'node:child_process'
import { promisify } from 'node:util'
import { GenericContainer, Wait } from 'testcontainers'

export type Daemon = { readonly answers: true } | { readonly answers: false; readonly reason: string }

/** Whether a Docker daemon answers here. Without one that is known at once; a busy one has five seconds. */
export const dockerDaemon = async (): Promise<Daemon> => {
  try {
    await promisify(execFile)('docker', ['version', '--format', '{{.Server.Version}}'], { timeout: 5_000 })
    return { answers: true }
  } catch {
    return { answers: false, reason: 'no Docker daemon answers here' }
  }
}

export const postgresImage = process.env.POSTGRES_IMAGE ?? 'postgres:18'

/** A PostgreSQL with an owner `daybind` of a database `daybind`, both with the password `daybind`. */
export const postgres = () =>
  new GenericContainer(postgresImage)
    .withEnvironment({ POSTGRES_USER: 'daybind', POSTGRES_PASSWORD: 'daybind', POSTGRES_DB: 'daybind' })
    .withExposedPorts(5432)
    // the second time: the first is the server that the image runs while it sets itself up
    .withWaitStrategy(Wait.forLogMessage(/database system is ready to accept connections/, 2))
    .withStartupTimeout(120_000)
