/** What the tests in containers share. */
import { execFile } from 'node:child_process'
import { promisify } from 'node:util'
import { GenericContainer, Wait } from 'testcontainers'

export type Daemon = { readonly answers: true } | { readonly answers: false; readonly reason: string }

const docker = (timeout: number, ...args: string[]): Promise<boolean> =>
  promisify(execFile)('docker', args, { timeout }).then(
    () => true,
    () => false,
  )

const isHere = async (image: string): Promise<boolean> =>
  (await docker(5_000, 'image', 'inspect', image)) || docker(120_000, 'pull', '--quiet', image)

/**
 * Whether a Docker daemon answers here (one that is busy has five seconds) and has the images, or can get them: many a
 * network has a daemon and no registry.
 */
export const dockerWith = async (...images: readonly string[]): Promise<Daemon> => {
  if (!(await docker(5_000, 'version', '--format', '{{.Server.Version}}')))
    return { answers: false, reason: 'no Docker daemon answers here' }
  for (const image of images)
    if (!(await isHere(image)))
      return {
        answers: false,
        reason: `the image ${image} is not here and cannot be pulled; name another by POSTGRES_IMAGE, NODE_IMAGE or HAPI_IMAGE`,
      }
  return { answers: true }
}

export const postgresImage = process.env.POSTGRES_IMAGE ?? 'postgres:18'

/** A HAPI FHIR server, as docker-compose.yml names it. */
export const hapiImage = process.env.HAPI_IMAGE ?? 'hapiproject/hapi:v8.8.0-1'

/** The base of our own image, as its Dockerfile names it. */
export const nodeImage = process.env.NODE_IMAGE ?? 'node:24-bookworm-slim'

/** A PostgreSQL with an owner `daybind` of a database `daybind`, both with the password `daybind`. */
export const postgres = () =>
  new GenericContainer(postgresImage)
    .withEnvironment({ POSTGRES_USER: 'daybind', POSTGRES_PASSWORD: 'daybind', POSTGRES_DB: 'daybind' })
    .withExposedPorts(5432)
    // the second time: the first is the server that the image runs while it sets itself up
    .withWaitStrategy(Wait.forLogMessage(/database system is ready to accept connections/, 2))
    .withStartupTimeout(120_000)
