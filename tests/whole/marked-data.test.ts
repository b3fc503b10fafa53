/**
 * No patient data in any log: the service runs as a process of its own at the most talkative level, gets marked data in
 * everything that it can be sent, and then everything that was written down is searched. Contract: "Patient data stays
 * out of logs, URLs in logs included."
 */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import type { Bundle, Parameters, Task } from 'fhir/r4.js'
import { Client } from 'pg'
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest'
import { marksIn, stem } from '../support/marks.ts'
import { idsIn } from '../support/messages.ts'
import { sendBytes } from '../support/raw-http.ts'
import { type Ask, askAt } from '../support/service.ts'
import { type ServiceProcess, startServiceProcess } from '../support/service-process.ts'
import {
  broken,
  type Known,
  markedAddresses,
  markedHeaders,
  markedLink,
  markedPatient,
  markedReturn,
  markedTransaction,
  otherMarks,
  planted,
  requestKinds,
  type Sent,
} from './marked-requests.ts'

/** What a reading service may answer, all of it marked. */
const outcome = (status: string) =>
  JSON.stringify({
    resourceType: 'OperationOutcome',
    issue: [
      {
        severity: 'error',
        code: status,
        diagnostics: `${stem} is known already`,
        details: { text: `${stem} text` },
        expression: [`Patient.name[0].where(family='${stem}')`],
      },
    ],
  })
const fhir = { 'content-type': 'application/fhir+json' }

const answers: readonly ((response: ServerResponse) => void)[] = [
  (r) => r.writeHead(422, `Sorry ${stem}`, fhir).end(outcome('business-rule')),
  (r) => r.writeHead(400, fhir).end(outcome(`${stem}-code`)),
  (r) => r.writeHead(500, { 'content-type': 'text/html' }).end(`<html><title>${stem}</title>`),
  (r) => r.writeHead(200, { 'content-type': 'text/html', 'x-patient': stem }).end(`<html><title>${stem}</title>`),
  (r) => r.writeHead(307, { location: `http://127.0.0.1:1/fhir/Patient?family=${stem}` }).end(),
  (r) => r.writeHead(301, { location: `/fhir/${stem}` }).end(stem),
  (r) => r.writeHead(503, { 'retry-after': stem, ...fhir }).end(outcome('transient')),
  (r) => r.writeHead(409, { etag: `W/"${stem}"`, ...fhir }).end(outcome('conflict')),
  (r) =>
    r.writeHead(200, fhir).end(
      JSON.stringify({
        resourceType: 'Bundle',
        type: stem,
        entry: [{ response: { status: `500 ${stem}`, location: `Patient/${stem}` } }],
      }),
    ),
  (r) => r.writeHead(200, fhir).end(`{"resourceType":"Bundle","note":"${stem}`),
  (r) => r.writeHead(200, { 'content-encoding': 'gzip', ...fhir }).end(stem),
  (r) => r.writeHead(200, { 'content-length': '100000', ...fhir }).write(`{"${stem}":`, () => r.destroy()),
  (r) => void r.socket?.end(`HTTP/1.1 ${stem}\r\n\r\n`),
  (r) => void r.socket?.destroy(),
]

let asked = 0
const peer = createServer(async (request: IncomingMessage, response) => {
  await text(request).catch(() => '')
  answers[asked++ % answers.length]?.(response)
})

const tokens = ['harbour-ehr', 'bay-3', 'pebble', 'ops']
const tokenOf = (who: string): string => `token-of-${who}`

/** Also a reading service that speaks no TLS where TLS is asked for, and one where nobody listens. */
const configuration = (port: number): string => `
sites: [ { id: tern-harbour, name: Tern Harbour Clinic, timeZone: Europe/Dublin } ]
sources: [ { id: harbour-ehr, site: tern-harbour, placer: "https://harbour.example/orders" } ]
readingServices:
  - { id: pebble, fhir: "http://127.0.0.1:${port}/fhir" }
  - { id: slate, fhir: "https://127.0.0.1:${port}/fhir" }
  - { id: heron, fhir: "http://127.0.0.1:2/fhir" }
callers:
  - { id: harbour-ehr, role: source, token: { env: TOKEN_0 } }
  - { id: bay-3, role: clinic, sites: [tern-harbour], token: { env: TOKEN_1 } }
  - { id: pebble, role: reading-service, token: { env: TOKEN_2 } }
  - { id: ops, role: operator, token: { env: TOKEN_3 } }
`

let service: ServiceProcess
const as = (who: string): Ask => askAt(service.url, tokenOf(who))

const onDatabase = async (statement: string): Promise<readonly Record<string, unknown>[]> => {
  const client = new Client({ connectionString: service.database, options: '-c search_path=daybind,public' })
  await client.connect()
  return client
    .query(statement)
    .then(
      (result) => result.rows,
      // what ends the statement may end the connection
      () => [],
    )
    .finally(() => client.end().catch(() => undefined))
}

const statuses = new Map<number, number>()

const send = async ({ who, method, path, body, headers }: Sent): Promise<number> => {
  const { status } = await as(who)(method, path, { ...(body !== undefined && { body }), ...(headers && { headers }) })
  statuses.set(status, (statuses.get(status) ?? 0) + 1)
  return status
}

/** Eight at a time. @returns those that were answered as no caller should be */
const sendAll = async (requests: readonly Sent[], known: readonly number[] = [501]): Promise<readonly string[]> => {
  const wrong: string[] = []
  const waiting = [...requests]
  const work = async () => {
    for (let next = waiting.shift(); next !== undefined; next = waiting.shift()) {
      const status = await send(next)
      if (status >= 500 && !known.includes(status))
        wrong.push(`${status} ${next.method} ${next.path} ${JSON.stringify(next.body)?.slice(0, 200)}`)
    }
  }
  await Promise.all(Array.from({ length: 8 }, work))
  return wrong
}

const linked = async (n: number): Promise<Known> => {
  const sent = await as('harbour-ehr')<Bundle>('POST', '/fhir', { body: markedTransaction(n) })
  const [patient = '', order = ''] = idsIn(sent.body)
  const answer = await as('bay-3')<Parameters>('POST', `/fhir/ServiceRequest/${order}/$link-device`, {
    body: markedLink(n),
  })
  expect([sent.status, answer.status], `${sent.text} ${answer.text}`).toEqual([200, 200])
  const out = (type: string) => answer.body.parameter?.find((p) => p.resource?.resourceType === type)?.resource
  const tasks = (answer.body.parameter ?? []).flatMap((p) =>
    p.resource?.resourceType === 'Task' ? [p.resource as Task] : [],
  )
  const task = tasks.find((t) => t.owner?.identifier?.value === 'pebble')
  const link = out('DeviceUseStatement')?.id ?? ''
  const gaps = await as('bay-3')<Bundle>('GET', `/fhir/DetectedIssue?implicated=DeviceUseStatement/${link}`)
  const gap = gaps.body.entry?.[0]?.resource?.id ?? ''
  expect(gap, gaps.text).not.toBe('')
  return { patient, order, link, gap, task, taskId: task?.id ?? '' }
}

let known: Known
beforeAll(async () => {
  await new Promise<void>((listening) => peer.listen(0, '127.0.0.1', listening))
  const environment = Object.fromEntries(tokens.map((who, i) => [`TOKEN_${i}`, tokenOf(who)]))
  service = await startServiceProcess(configuration((peer.address() as AddressInfo).port), environment)
  // else the queue clears away what is a minute old before it is looked into
  await onDatabase('update daybind_queue.queue set deletion_seconds = 86400')
  known = await linked(1)
})
afterAll(async () => {
  peer.close()
  peer.closeAllConnections()
  await service?.stop()
})

describe('marked data is planted', () => {
  it('in every string of every kind of request', async () => {
    const kinds = requestKinds(known)
    const right = await Promise.all(kinds.map(async (k) => [k.path, await send(k)] as const))
    // they are what they are called: taken, in conflict with what is stored, or announced and not built
    const fits = [200, 201, 202, 404, 409, 501]
    // hooks are told by a secret of their own, which no caller has
    const isFit = ([path, status]: readonly [string, number]) =>
      fits.includes(status) || (path.startsWith('/hooks/') && status === 401)
    expect(right.filter((r) => !isFit(r))).toEqual([])
    const requests = kinds.flatMap(planted)
    expect(requests.length).toBeGreaterThan(400)
    expect(await sendAll(requests)).toEqual([])
  }, 300_000)

  it('in what is broken, or no FHIR, or no JSON', async () => {
    expect(await sendAll(requestKinds(known).flatMap(broken))).toEqual([])
  })

  it('in every address', async () => {
    const { body } = await as('ops')<{ rest: { resource: { type: string }[] }[] }>('GET', '/fhir/metadata')
    const types = (body.rest[0]?.resource ?? []).map((r) => r.type)
    const routes = [
      ...['GET', 'HEAD', 'POST', 'PUT', 'DELETE', 'PATCH', 'OPTIONS'].flatMap((m) => [
        `${m} /:type`,
        `${m} /fhir/:type`,
        `${m} /fhir/:type/:id`,
      ]),
      ...types.flatMap((type) => [
        `GET /fhir/${type}`,
        `GET /fhir/${type}/:id`,
        `GET /fhir/${type}/:id/_history/:version`,
      ]),
      ...[
        'POST /fhir',
        'GET /fhir/metadata',
        'GET /healthz',
        'GET /readyz',
        'GET /metrics',
        'GET /openapi.json',
        'GET /',
        'GET /deliveries',
      ],
      ...[
        'GET /reports/day/:site/:file',
        'GET /reports/day/tern-harbour/:file.html',
        'POST /deliveries/:id/replay',
        'GET /destinations/:id/plan',
        'POST /destinations/:id/pause',
      ],
      ...[
        'POST /destinations/:id/resume',
        'POST /hooks/:source',
        'DELETE /hooks/:source/:type/:id',
        'PUT /fhir/Task',
        'PUT /fhir/ServiceRequest',
      ],
      ...[
        'POST /fhir/ServiceRequest/:id/$link-device',
        'POST /fhir/DeviceUseStatement/:id/$end-link',
        'POST /fhir/:type/$validate',
        'POST /fhir/:type/_search',
      ],
    ]
    expect(await sendAll(markedAddresses(routes))).toEqual([])
    for (const who of ['bay-3', 'pebble', 'harbour-ehr'])
      expect(
        await sendAll(markedAddresses(['GET /fhir/:type', 'GET /fhir/:type/:id']).map((s) => ({ ...s, who }))),
      ).toEqual([])
  }, 300_000)

  it('in headers, and in what is no HTTP', async () => {
    expect(await sendAll(markedHeaders())).toEqual([])
    for (const bytes of [
      `${stem} /fhir HTTP/1.1\r\n\r\n`,
      `GET /fhir/Patient?family=${stem} HTTP/1.1\r\nhost: x\r\n${stem}\r\n\r\n`,
      `GET /fhir/Patient?family=${stem} HTTP/9.9\r\n\r\n`,
      `GET /fhir HTTP/1.1\r\nhost: ${stem}\r\nhost: ${stem}\r\nconnection: close\r\n\r\n`,
      `GET http://${stem}.example/fhir/Patient?family=${stem} HTTP/1.1\r\nhost: ${stem}\r\nconnection: close\r\n\r\n`,
      `GET /${stem} HTTP/1.1\r\nhost: x\r\nx: ${stem.repeat(5_000)}\r\n\r\n`,
    ])
      expect((await sendBytes(service.url, bytes)).status).toBeGreaterThanOrEqual(400)
    const plainHttp = await fetch(`${service.url}/fhir/Patient?family=${stem}`, {
      headers: { authorization: `Bearer ${stem}` },
    })
    expect(plainHttp.status).toBe(401)
  })

  it('in statements that fail, with the whole row in the words of the database', async () => {
    const errors: readonly (readonly [code: string, status: number])[] = [
      ['P0001', 500],
      ['22P02', 500], // a value that cannot be read as its type
      ['22007', 500],
      ['23502', 500],
      ['23505', 500],
      ['23514', 500],
      ['40001', 503], // tried again and again
      ['40P01', 503], // deadlock
      ['53100', 503], // disk full
      ['57014', 503], // statement timeout
      ['XX001', 500],
    ]
    for (const [code, status] of errors) {
      await onDatabase(`create or replace function planted() returns trigger language plpgsql as $$ begin
        raise exception 'marked %', new.body using detail = new.body, hint = new.body, constraint = left(new.body, 60), errcode = '${code}'; end $$`)
      await onDatabase(
        'create trigger planted before insert or update on resources for each row execute function planted()',
      )
      expect([
        code,
        await send({ who: 'harbour-ehr', method: 'POST', path: '/fhir/Patient', body: markedPatient(20) }),
      ]).toEqual([code, status])
      await onDatabase('drop trigger planted on resources')
    }
    // PostgreSQL's own words: a check, a cast, a table that is not there
    let patients = 20
    const during = async (before: string, after: string) => {
      await onDatabase(before)
      patients += 1
      const body = markedPatient(patients)
      const status = await send({ who: 'harbour-ehr', method: 'POST', path: '/fhir/Patient', body })
      await onDatabase(after)
      return status
    }
    const check = `alter table resources add constraint planted check (body not like '%MRN21%') not valid`
    expect(await during(check, 'alter table resources drop constraint planted')).toBe(500)
    const cast = `alter table resources add planted int generated always as (case when body like '%MRN22%' then body::int end) stored`
    expect(await during(cast, 'alter table resources drop planted')).toBe(500)
    expect(await during('alter table names rename to mislaid', 'alter table mislaid rename to names')).toBe(500)
    // the connection is cut in the middle of the statement
    const cut = `create or replace function planted() returns trigger language plpgsql as $$ begin
      perform pg_terminate_backend(pg_backend_pid()); perform pg_sleep(5); return new; end $$;
      create trigger planted before insert or update on resources for each row execute function planted()`
    expect(await during(cut, 'drop trigger planted on resources')).toBe(503)
    expect(await send({ who: 'harbour-ehr', method: 'GET', path: `/fhir/Patient?family=${stem}` })).toBe(200)
  })

  it('in what reading services answer', async () => {
    for (let n = 30; asked < answers.length && n < 60; n += 1) await linked(n)
    await as('bay-3')('POST', '/fhir/Device/$record-return', { body: markedReturn(30) })
    const attempted = () => (service.output().match(/"msg":"delivery attempted"/g) ?? []).length
    await vi.waitFor(() => expect(asked).toBeGreaterThanOrEqual(answers.length), { timeout: 240_000 })
    await vi.waitFor(() => expect(attempted()).toBeGreaterThan(3 * answers.length), { timeout: 240_000 })
  })
})

describe('marked data is found nowhere', () => {
  it('every kind of answer was given', () => {
    for (const status of [200, 201, 400, 401, 404, 405, 406, 409, 412, 415, 422, 500, 501, 503])
      expect([status, (statuses.get(status) ?? 0) > 0]).toEqual([status, true])
  })

  it.each([
    '/metrics',
    '/healthz',
    '/readyz',
    '/deliveries?count=1000',
    '/fhir/metadata',
    '/fhir/MeasureReport',
    '/openapi.json',
  ])('in %s', async (path) => {
    const answer = await as('ops')('GET', path)
    expect(answer.text.length).toBeGreaterThan(2)
    expect(marksIn(answer.text, otherMarks)).toEqual([])
    expect(marksIn([...answer.headers].join(), otherMarks)).toEqual([])
  })

  it('in the reasons of deliveries, which say enough all the same', async () => {
    const { body } = await as('ops')<{ deliveries: { destination: string; reason: string | null }[] }>(
      'GET',
      '/deliveries?count=1000',
    )
    const reasons = (of: string) =>
      body.deliveries.flatMap((d) => (d.destination === of && d.reason !== null ? [d.reason] : []))
    expect(new Set(reasons('pebble')).size).toBeGreaterThan(4)
    expect(reasons('slate').length * reasons('heron').length).toBeGreaterThan(0)
  })

  it('in the queue', async () => {
    const tables = (
      await onDatabase(
        `select table_name as name from information_schema.tables where table_schema = 'daybind_queue' and table_type = 'BASE TABLE'`,
      )
    ).map((r) => String(r.name))
    expect(tables.length).toBeGreaterThan(3)
    let rows = 0
    for (const table of tables) {
      const texts = (await onDatabase(`select t::text as row from daybind_queue."${table}" t`)).map((r) =>
        String(r.row),
      )
      rows += texts.length
      expect([table, marksIn(texts.join('\n'), otherMarks)]).toEqual([table, []])
    }
    expect(rows).toBeGreaterThan(30)
  })

  it('in what other roles of the database see of running statements', async () => {
    const rows = await onDatabase('select query from pg_stat_activity')
    expect(rows.length).toBeGreaterThan(2)
    expect(marksIn(JSON.stringify(rows), otherMarks)).toEqual([])
  })

  it('in the output of the process at level trace, its warnings included, and in PostgreSQL’s own log', async () => {
    const { output, postgres } = await service.stop()
    expect(output.split('\n').filter((line) => line.includes('"msg":"request"')).length).toBeGreaterThan(900)
    expect(output.includes('"msg":"stopped"')).toBe(true)
    expect(postgres).toContain('database system is shut down')
    expect(marksIn(output, otherMarks)).toEqual([])
    expect(marksIn(postgres, otherMarks)).toEqual([])
    expect(output).not.toMatch(/token-of-/)
    // it says of the errors what can be said: kind, code and place
    expect(output).toMatch(/"err":\{"type":"DatabaseError","code":"23514"/)
  })
})
