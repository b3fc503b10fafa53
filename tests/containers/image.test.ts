import { fileURLToPath } from 'node:url'
import { GenericContainer, Wait } from 'testcontainers'
import { beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { dockerDaemon } from '../support/docker.ts'

const root = fileURLToPath(new URL('../..', import.meta.url))
const daemon = await dockerDaemon()

/** What the image prints and ends with. */
const run = async (image: GenericContainer, command: string[], environment: Record<string, string> = {}) => {
  let told = ''
  const container = await image
    .withCommand(command)
    .withEnvironment(environment)
    .withLogConsumer((lines) => lines.on('data', (line) => (told += line)))
    .withWaitStrategy(Wait.forLogMessage(/configuration/))
    .start()
  await container.stop()
  return told
}

describe('the container image', () => {
  let image: GenericContainer

  beforeAll(async () => {
    if (!daemon.answers) return
    const base = process.env.NODE_IMAGE
    const build = GenericContainer.fromDockerfile(root)
    image = await (base === undefined ? build : build.withBuildArgs({ NODE_IMAGE: base })).build('daybind:test', {
      deleteOnExit: false,
    })
  })

  beforeEach((context) => {
    if (!daemon.answers) context.skip(daemon.reason)
  })

  it('does not serve everybody: without callers it refuses to listen on every address', async () => {
    expect(await run(image, ['serve'])).toContain('HOST: found "0.0.0.0", expected a loopback address')
  })

  it('reads a configuration that is mounted, with its secrets', async () => {
    const mounted = image.withCopyFilesToContainer([
      { source: `${root}/daybind.example.yaml`, target: '/etc/daybind/daybind.yaml' },
    ])
    const environment = {
      DAYBIND_CONFIG: '/etc/daybind/daybind.yaml',
      HARBOUR_EHR_TOKEN: 'one',
      DAYBIND_OPERATOR_TOKEN: 'two',
    }
    expect(await run(mounted, ['config', 'check'], environment)).toContain(
      'The configuration is good: tern-harbour, quarry-lane.',
    )
  })
})
