/**
 * A HAPI FHIR server (JPA server, R4) for all tests that want one, started when the first of them asks: that of
 * HAPI_URL, else a container where Docker answers and the image is to be had, else one from Maven Central where
 * `npm run demo -- --hapi` has built it. Where none is, those who ask are told why.
 */
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import type { TestProject } from 'vitest/node'
import { isBuilt, lacksForFhirServers, startFhirServer } from '../../demo-data/fhir-server.ts'
import { freePort } from '../../demo-data/stage.ts'
import { fhirServerCheck, untilGood } from '../../src/commands.ts'
import { scratchFolder } from './global-setup.ts'

declare module 'vitest' {
  interface ProvidedContext {
    /** Answers with the base of a HAPI FHIR server, or with 503 and the reason why there is none. */
    hapiSource: string
  }
}

interface Started {
  readonly base: string
  stop(): Promise<unknown>
}

const patienceSeconds = 300

/** On this machine's own network, so that its notifications reach the tests. */
const inContainer = async (image: string): Promise<Started> => {
  const port = await freePort()
  const base = `http://127.0.0.1:${port}/fhir`
  // the library takes its time to load, and most runs ask for no server
  const { GenericContainer } = await import('testcontainers')
  const container = await new GenericContainer(image)
    .withNetworkMode('host')
    .withEnvironment({
      SERVER_PORT: `${port}`,
      HAPI_BASE: base,
      'hapi.fhir.server_address': base,
      'hapi.fhir.subscription.resthook_enabled': 'true',
      JAVA_TOOL_OPTIONS: '-Xmx1g',
    })
    .start()
  const answers = await untilGood(() => fhirServerCheck(base), patienceSeconds)
  if (!answers.ok) throw new Error(answers.text)
  return { base, stop: () => container.stop() }
}

const fromMaven = async (): Promise<Started> => {
  const folder = await scratchFolder()
  return startFhirServer(await freePort(), join(folder, 'server.log'), new AbortController().signal)
}

/** @returns the reason where there is none */
const start = async (): Promise<Started | string> => {
  const { dockerWith, hapiImage } = await import('./docker.ts')
  const docker = await dockerWith(hapiImage)
  if (docker.answers) return inContainer(hapiImage)
  const lacks = isBuilt() ? await lacksForFhirServers() : 'no FHIR server was built by npm run demo -- --hapi'
  return lacks === undefined ? fromMaven() : `HAPI_URL names no FHIR server, ${docker.reason}, and ${lacks}`
}

export default async (project: TestProject): Promise<() => Promise<void>> => {
  let server: Promise<Started | string> | undefined
  const asked = createServer(async (_, response) => {
    if (process.env.HAPI_URL) return void response.end(process.env.HAPI_URL)
    server ??= start().catch((error: unknown) => `no HAPI FHIR server could be started: ${error}`)
    const started = await server
    if (typeof started === 'string') response.writeHead(503).end(started)
    else response.end(started.base)
  })
  await new Promise<void>((listening) => asked.listen(0, '127.0.0.1', listening))
  project.provide('hapiSource', `http://127.0.0.1:${(asked.address() as AddressInfo).port}`)
  return async () => {
    asked.close()
    asked.closeAllConnections()
    const started = await server
    if (typeof started === 'object') await started.stop()
  }
}
