import { execFile } from 'node:child_process'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { createServer, type IncomingMessage } from 'node:http'
import type { AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { text } from 'node:stream/consumers'
import { afterAll, afterEach, describe, expect, it } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'

interface Call {
  readonly line: string
  readonly authorization: string | undefined
  readonly body: unknown
}

const closers: (() => void)[] = []
afterEach(() => {
  for (const close of closers.splice(0)) close()
})

/** Answers every call with one status and body, and remembers the calls. */
const standIn = async (status: number, body: unknown): Promise<{ url: string; calls: Call[] }> => {
  const calls: Call[] = []
  const remember = async (request: IncomingMessage): Promise<void> => {
    const sent = await text(request)
    calls.push({
      line: `${request.method} ${request.url}`,
      authorization: request.headers.authorization,
      body: sent === '' ? undefined : JSON.parse(sent),
    })
  }
  const server = createServer((request, response) => {
    void remember(request).then(() => response.writeHead(status).end(JSON.stringify(body)))
  })
  await new Promise<void>((listening) => server.listen(0, '127.0.0.1', listening))
  closers.push(() => server.close())
  return { url: `http://127.0.0.1:${(server.address() as AddressInfo).port}`, calls }
}

const root = new URL('../../', import.meta.url)

/** Runs the program as a person would. */
const run = (args: string[], environment: Record<string, string> = {}) =>
  new Promise<{ status: number; out: string; told: string }>((ended) => {
    const env = { PATH: process.env.PATH ?? '', ...environment }
    execFile(process.execPath, ['src/start.mjs', ...args], { cwd: root, env }, (error, out, told) => {
      ended({ status: typeof error?.code === 'number' ? error.code : 0, out, told })
    })
  })

const outcome = {
  resourceType: 'OperationOutcome',
  issue: [{ severity: 'error', code: 'value', diagnostics: 'The parameter has a wrong value.' }],
}

describe('a command that asks the running service', () => {
  it('reconcile --json sends the site by its identifier, with the token from the environment, and prints the answer', async () => {
    const report = { resourceType: 'Bundle', type: 'collection' }
    const { url, calls } = await standIn(200, report)
    const done = await run(
      [
        'reconcile',
        '--site',
        'tern-harbour',
        '--date',
        '2026-11-25',
        '--as-of',
        '2026-11-25T23:00:00Z',
        '--json',
        '--url',
        url,
        '--token-env',
        'MINE',
      ],
      { MINE: 'a-token' },
    )
    expect(done).toMatchObject({ status: 0, told: '' })
    expect(JSON.parse(done.out)).toEqual(report)
    expect(calls).toEqual([
      {
        line: 'POST /fhir/$reconcile-day',
        authorization: 'Bearer a-token',
        body: {
          resourceType: 'Parameters',
          parameter: [
            { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } },
            { name: 'date', valueDate: '2026-11-25' },
            { name: 'asOf', valueInstant: '2026-11-25T23:00:00Z' },
          ],
        },
      },
    ])
  })

  it('replay goes on after a delivery that is refused, and ends with status 1', async () => {
    const { url, calls } = await standIn(400, outcome)
    const done = await run(['replay', 'one', 'two', '--url', `${url}/`])
    expect(calls.map(({ line }) => line)).toEqual(['POST /deliveries/one/replay', 'POST /deliveries/two/replay'])
    expect(done.status).toBe(1)
    expect(done.told).toContain('one: The service answered 400.\nThe parameter has a wrong value.')
  })

  it.each([
    [200, 0],
    [503, 1],
  ])('healthcheck turns %i into status %i', async (answer, status) => {
    const { url, calls } = await standIn(answer, {})
    const { port } = new URL(url)
    expect(await run(['healthcheck'], { PORT: port, HOST: '0.0.0.0' })).toMatchObject({ status })
    expect(calls.map(({ line }) => line)).toEqual(['GET /healthz'])
  })

  it('says that nobody answers', async () => {
    const { url } = await standIn(200, {})
    for (const close of closers.splice(0)) close()
    expect(await run(['healthcheck', '--url', url])).toMatchObject({
      status: 1,
      told: `No service answers at ${url}.\n`,
    })
  })
})

describe('healthcheck', () => {
  it('healthcheck looks whether each FHIR server answers with its CapabilityStatement', async () => {
    const good = await standIn(200, { resourceType: 'CapabilityStatement' })
    const other = await standIn(200, outcome)
    const failing = await standIn(503, outcome)
    expect(await run(['healthcheck', '--fhir', `${good.url}/fhir/`])).toEqual({
      status: 0,
      out: `${good.url}/fhir/ answers.\n`,
      told: '',
    })
    expect(good.calls.map((c) => c.line)).toEqual(['GET /fhir/metadata'])
    const all = [good, other, failing, { url: 'http://127.0.0.1:9' }].flatMap(({ url }) => ['--fhir', url])
    expect(await run(['healthcheck', ...all])).toEqual({
      status: 1,
      out: `${good.url} answers.\n`,
      told: [
        `${other.url}/metadata answered with something else than a CapabilityStatement.`,
        `${failing.url}/metadata answered 503.`,
        'Nothing answers at http://127.0.0.1:9/metadata.\n',
      ].join('\n'),
    })
  })

  it('healthcheck waits for who is starting, and no longer than it was told', async () => {
    const { url, calls } = await standIn(503, outcome)
    expect((await run(['healthcheck', '--wait', '2', '--fhir', url])).status).toBe(1)
    expect(calls.length).toBeGreaterThan(1)
    expect((await run(['healthcheck', '--wait', 'long', '--fhir', url])).status).toBe(2)
  })
})

describe('doctor', () => {
  const folder = mkdtempSync(join(tmpdir(), 'daybind-doctor-'))
  afterAll(() => rmSync(folder, { recursive: true }))

  /** A configuration with one reading service at that base. */
  const configured = (base: string): Record<string, string> => {
    const path = join(folder, 'daybind.yaml')
    const site = 'sites: [ { id: tern-harbour, name: Tern Harbour Clinic, timeZone: Europe/Dublin } ]'
    writeFileSync(path, `${site}\nreadingServices: [ { id: pebble, fhir: "${base}" } ]\n`)
    return { DAYBIND_CONFIG: path }
  }

  it('ends with status 1 where something has to be mended, and says what to do', async () => {
    const { url, calls } = await standIn(404, outcome)
    const { status, out } = await run(['doctor', 'pebble'], configured(`${url}/fhir`))
    expect(out).toContain(`mend  metadata        There is no ${url}/fhir/metadata (404).`)
    expect(out).toContain('→ Ask for the base address')
    expect(out).toMatch(/\n1 to mend\.\n$/)
    expect(status).toBe(1)
    expect(calls.map((c) => c.line)).toEqual(['GET /fhir/metadata'])
  })

  it('ends with status 0 where nothing has, and tells programs in one object', async () => {
    const server = await startReadingService()
    closers.push(() => void server.stop())
    const { status, out } = await run(['doctor', 'pebble', '--json', '--no-write'], configured(server.base))
    expect(JSON.parse(out)).toMatchObject({
      id: 'pebble',
      kind: 'reading service',
      fhir: server.base,
      good: true,
      findings: expect.arrayContaining([
        expect.objectContaining({ check: 'FHIR version', code: 'version-good', level: 'good', says: 'FHIR 4.0.1.' }),
        expect.objectContaining({ code: 'write-skipped' }),
      ]),
    })
    expect(status).toBe(0)
    expect(server.received).toEqual([])
  })
})

describe('a command that cannot be carried out', () => {
  it.each([
    [[], 'Which command?'],
    [['toString'], 'There is no command toString.'],
    [['config'], 'config takes one word: check.'],
    [['reconcile', '--site', 'tern-harbour'], 'reconcile needs --site and --date.'],
    [['reconcile', '--sites', 'tern-harbour'], "Unknown option '--sites'"],
    [['evenings'], 'evenings takes one word: check.'],
    [['evenings', 'check', '--head', 'abc'], '--head needs --site: each site has its own chain.'],
    [['replay'], 'replay needs at least one delivery.'],
    [['doctor'], 'doctor takes the id of one source or reading service.'],
    [['doctor', 'nobody'], 'There is no source or reading service "nobody"; known are: local.'],
    [['export'], 'export is not built yet.'],
  ])('%j ends with status 2 and says why', async (args, why) => {
    const { status, told } = await run(args)
    expect(told).toContain(why)
    expect(status).toBe(2)
  })

  it.each([
    [
      ['config', 'check'],
      { PORT: 'x' },
      'PORT: found "x", expected a whole number from 0 to 65535\nThe configuration has 1 mistake.\n',
    ],
    [['serve'], { HOST: '0.0.0.0', PORT: 'x' }, 'The configuration has 2 mistakes.\n'],
    [
      ['reconcile', '--site', 'elsewhere', '--date', '2026-11-25', '--url', 'http://127.0.0.1:1'],
      {},
      'No service answers at http://127.0.0.1:1.\n',
    ],
    [['healthcheck', '--token-env', 'NOWHERE'], {}, '--token-env: environment variable NOWHERE is not set\n'],
    [['healthcheck', '--url', 'localhost:8090'], {}, '--url: expected an http or https URL\n'],
  ])('%j with %j ends with status 1 and says why', async (args, environment, why) => {
    const { status, told } = await run(args, environment as Record<string, string>)
    expect(told).toContain(why)
    expect(status).toBe(1)
  })
})
