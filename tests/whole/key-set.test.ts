/** Our public keys over HTTP, and a delivery to a reading service whose authorization server fetches them. */
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import type { CapabilityStatement } from 'fhir/r4.js'
import type { JSONWebKeySet } from 'jose'
import { afterAll, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { startAuthorizationServer } from '../support/authorization-server.ts'
import { testKeys } from '../support/keys.ts'
import { useTestService } from '../support/service.ts'
import { makeWorld } from '../support/world.ts'

const path = '/.well-known/jwks.json'

const pebble = await startReadingService()
const authorization = await startAuthorizationServer({
  clientId: 'daybind-at-pebble',
  keys: async () => (await (await fetch(`${service().url}${path}`)).json()) as JSONWebKeySet,
})

/** In front of pebble: says where tokens are to be had, and passes on what comes with one. */
const gate = createServer(async (request, response) => {
  const send = (status: number, body: string) =>
    response.writeHead(status, { 'content-type': 'application/fhir+json' }).end(body)
  if (request.url === '/fhir/.well-known/smart-configuration')
    return send(200, JSON.stringify({ token_endpoint: authorization.tokenUrl }))
  if (!authorization.admits(request.headers.authorization)) return send(401, '{}')
  const chunks: Buffer[] = []
  for await (const chunk of request) chunks.push(chunk as Buffer)
  const answer = await fetch(`${pebble.base.replace('/fhir', '')}${request.url}`, {
    method: request.method ?? 'GET',
    headers: { 'content-type': 'application/fhir+json' },
    ...(chunks.length > 0 && { body: Buffer.concat(chunks) }),
  })
  return send(answer.status, await answer.text())
})
await new Promise<void>((resolve) => gate.listen(0, '127.0.0.1', resolve))

afterAll(async () => {
  gate.closeAllConnections()
  gate.close()
  await authorization.stop()
  await pebble.stop()
})

const service = useTestService({
  readingServices: [
    {
      id: 'pebble',
      fhir: `http://127.0.0.1:${(gate.address() as AddressInfo).port}/fhir`,
      accept: 'PT4H',
      smart: { clientId: 'daybind-at-pebble' },
    },
  ],
  configuration: { keys: testKeys },
})

describe('our public keys', () => {
  test('are there for everybody, the current and the next, without their private halves', async () => {
    const answer = await service().call<JSONWebKeySet>('GET', path)
    expect(answer.status).toBe(200)
    expect(answer.headers.get('content-type')).toMatch(/^application\/json/)
    expect(answer.headers.get('cache-control')).toBe('public, max-age=300')
    expect(answer.body.keys.map((k) => k.kid)).toEqual([testKeys.current.kid, testKeys.next?.kid])
    for (const shown of answer.body.keys)
      expect(Object.keys(shown).sort()).toEqual(['alg', 'crv', 'kid', 'kty', 'use', 'x', 'y'])
  })

  test('are named in the CapabilityStatement', async () => {
    const { body } = await service().call<CapabilityStatement>('GET', '/fhir/metadata')
    expect(body.rest?.[0]?.security?.description).toContain(path)
  })

  test('are all that a reading service has to know to take our deliveries', async () => {
    await makeWorld(service())
    await expect.poll(() => pebble.received.length, { timeout: 10_000 }).toBeGreaterThan(0)
    expect(authorization.refusals).toEqual([])
    expect(authorization.requests[0]?.scope).toContain('system/Task.crus')
    const secrets = authorization.requests.map((form) => form.client_assertion ?? '')
    for (const secret of secrets) expect(service().logText()).not.toContain(secret.slice(0, 60))
  })
})

describe('without keys', () => {
  const bare = useTestService()

  test('there is no such address', async () => {
    expect((await bare().call('GET', path)).status).toBe(404)
  })

  test('and the CapabilityStatement says nothing of it', async () => {
    const { body } = await bare().call<CapabilityStatement>('GET', '/fhir/metadata')
    expect(body.rest?.[0]?.security?.description).not.toContain(path)
  })
})
