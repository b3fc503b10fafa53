/** Callers who take their time: cut off within a bounded one, and nobody else has to wait for them. */
import { setTimeout as pause } from 'node:timers/promises'
import type { Bundle } from 'fhir/r4.js'
import { beforeAll, describe, expect, it, vi } from 'vitest'
import { anOrder, aPatient } from '../support/messages.ts'
import { openRaw, type RawConnection } from '../support/raw-connection.ts'
import { outcome, type Told, useRowCounts } from '../support/refusals.ts'
import { tokenOf, useTestService } from '../support/service.ts'
import { inDatabase } from './bedside.ts'

const requestDeadlines = { headersMs: 3_000, requestMs: 6_000, checkMs: 100 }
const service = useTestService({ requestDeadlines })
const counts = useRowCounts(() => service().database)
const ehr: ReturnType<typeof service>['call'] = (...asked) => service().as('harbour-ehr')(...asked)

let patient = ''
beforeAll(async () => {
  const { body } = await ehr<{ id: string }>('POST', '/fhir/Patient', { body: aPatient('SLOW') })
  patient = `Patient/${body.id}`
})

const tooSlow: Told = { code: 'too-slow', says: 'Expected: the headers within 3 s, all of it within 6 s.' }

const head = (length: number, token = tokenOf('harbour-ehr')) =>
  [
    'POST /fhir/ServiceRequest HTTP/1.1',
    'Host: 127.0.0.1',
    `Authorization: Bearer ${token}`,
    'Content-Type: application/fhir+json',
    `Content-Length: ${length}`,
    '\r\n',
  ].join('\r\n')

/** Writes `first` at once and then a byte of `rest` at a time, until there is nothing left or nobody listens. */
const drip = (first: string, rest: string, everyMs = 100): RawConnection => {
  const connection = openRaw(service().url)
  connection.socket.write(first)
  let at = 0
  const timer = setInterval(() => {
    if (at >= rest.length || !connection.socket.writable) clearInterval(timer)
    else connection.socket.write(rest.charAt(at++))
  }, everyMs)
  connection.closed.then(() => clearInterval(timer))
  return connection
}

const answered = (connection: RawConnection) =>
  connection.answers().map((a) => ({ status: a.status, close: a.headers.connection, body: JSON.parse(a.body) }))

const order = (number: string) => JSON.stringify(anOrder(number, patient))

describe('a caller who sends byte by byte', () => {
  const slow: Readonly<Record<string, () => RawConnection>> = {
    'nothing behind the first line': () => drip('GET /fhir/Patient HTTP/1.1\r\n', ''),
    'the headers': () => drip('', head(100)),
    'the body': () => drip(head(order('S1').length), order('S1')),
    'the body in chunks': () =>
      drip(head(0).replace('Content-Length: 0', 'Transfer-Encoding: chunked'), '1\r\n{\r\n'.repeat(99)),
    'less than was said, and then nothing': () => drip(head(order('S1').length + 5) + order('S1'), ''),
  }

  it('is told so and cut off, whatever it is', async () => {
    const before = await counts()
    const connections = Object.entries(slow).map(([what, begin]) => ({ what, connection: begin() }))
    await Promise.all(connections.map(({ connection }) => connection.closed))
    const told = { status: 408, close: 'close', body: outcome(tooSlow) }
    expect(connections.map(({ what, connection }) => [what, answered(connection)])).toEqual(
      Object.keys(slow).map((what) => [what, [told]]),
    )
    expect(await counts()).toEqual(before)
  })

  it('whom nobody knows is told that at once, and cut off all the same', async () => {
    const connection = drip(head(1000, 'nobody'), ' '.repeat(1000))
    await vi.waitFor(() => expect(connection.answers()[0]?.status).toBe(401), { timeout: 60_000 })
    await connection.closed
    expect(connection.answers()).toHaveLength(1)
  })

  it('but is in time, is served', async () => {
    const text = order('S2')
    const connection = drip(head(text.length) + text.slice(0, -3), text.slice(-3), 50)
    await vi.waitFor(() => expect(connection.answers()[0]?.status).toBe(201), { timeout: 60_000 })
    connection.socket.destroy()
  })
})

describe('sixty callers who never come to an end', () => {
  it('hold no connection to the database, and keep nobody waiting', async () => {
    const slow = Array.from({ length: 60 }, (_, i) => drip(head(2000), '{"resourceType":"Serv'.repeat(90), 100 + i))
    await Promise.all(slow.map((c) => new Promise((connected) => c.socket.once('connect', connected))))
    // what is held for them is held from the beginning; what takes a moment is no matter of theirs
    await pause(1_200)
    const busy = await inDatabase<{ n: number }>(
      service().database,
      `select count(*)::int as n from pg_stat_activity
       where datname = current_database() and state like 'idle in transaction%'
         and state_change < clock_timestamp() - interval '1 s'`,
    )
    expect(busy).toEqual([{ n: 0 }])
    for (const n of [1, 2, 3, 4, 5]) {
      const made = await ehr<Bundle>('POST', '/fhir/ServiceRequest', { body: anOrder(`AMONG-${n}`, patient) })
      expect(made.status).toBe(201)
    }
    await Promise.all(slow.map((c) => c.closed))
    expect(slow.flatMap((c) => c.answers().map((a) => a.status))).toEqual(Array(60).fill(408))
  })
})

it('who does not read what he asked for is cut off by his own end, and nothing was a bug', async () => {
  const connection = openRaw(service().url)
  connection.socket.pause()
  connection.socket.write(`GET /fhir/metadata HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n`.repeat(200))
  expect((await ehr('GET', '/fhir/metadata')).status).toBe(200)
  connection.socket.destroy()
  await connection.closed
  expect((await ehr('GET', '/fhir/metadata')).status).toBe(200)
  expect(
    service()
      .logLines()
      .filter((line) => Number(line.level) >= 50),
  ).toEqual([])
})
