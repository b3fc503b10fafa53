/** A database that is lost, slow, shut or full: callers are asked to come back, and it mends by itself. */
import type { Bundle, OperationOutcome, ServiceRequest } from 'fhir/r4.js'
import { Client } from 'pg'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { useTestDatabase } from '../support/database.ts'
import { anOrder, bundle, entry } from '../support/messages.ts'
import { type Line, startProxy, type TroubledLine } from '../support/proxy.ts'
import { type Answer, startTestService, type TestService } from '../support/service.ts'
import {
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  orderBundle,
  patientNumbers,
  seconds,
  sendOrder,
} from './bedside.ts'

/** Short, so that an outage is seen soon, and longer than what a busy machine may need for a statement that is well. */
const limits = { connections: 4, waiting: 6, connectMs: 3_000, statementMs: 4_000, answerMs: 5_000 }
const database = useTestDatabase()
let pebble: ReadingServiceCounterpart
let proxy: TroubledLine
let service: TestService

beforeAll(async () => {
  pebble = await startReadingService()
  proxy = await startProxy(database().url)
  service = await startTestService({
    database: proxy.url,
    pebble: pebble.base,
    roundMs: 100,
    leaseSeconds: 9,
    deliveryDeadlineMs: 4_000,
    patience: { first: 0.2, longest: 1, age: 3_600, attempts: 1_000 },
    limits,
  })
})
afterAll(async () => {
  await proxy?.set('open')
  await service?.close()
  await proxy?.close()
  await pebble?.stop()
})

const order = (): Promise<Answer<OperationOutcome>> => {
  const person = newPerson()
  return service.as('harbour-ehr')('POST', '/fhir', { body: orderBundle(person, `P-${person.number}`) })
}

const ready = async (): Promise<number> => (await service.call('GET', '/readyz')).status
const until = { timeout: 90_000, interval: 100 }

/** Every session of the service ends, as when an operator ends them. */
const endSessions = () =>
  inDatabase(
    database().url,
    `select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()`,
  )

const alter = async (what: string): Promise<void> => {
  const name = new URL(database().url).pathname.slice(1)
  await inServer(`alter database ${name} ${what}`)
  await inServer(
    `select pg_terminate_backend(pid) from pg_stat_activity where datname = '${name}' and pid <> pg_backend_pid()`,
  )
}

/** Asks in another database of the same server, which is not shut with the tested one. */
const inServer = async (statement: string): Promise<void> => {
  const url = new URL(database().url)
  url.pathname = '/postgres'
  const client = new Client({ connectionString: url.href })
  await client.connect()
  await client.query(statement).finally(() => client.end())
}

const set = (line: Line) => () => proxy.set(line)

interface Outage {
  readonly name: string
  readonly begin: () => Promise<unknown>
  readonly end: () => Promise<unknown>
  /** What readiness says. */
  readonly why: RegExp
}

const outages: readonly Outage[] = [
  {
    name: 'on which nobody listens',
    begin: set('closed'),
    end: set('open'),
    why: /cannot be reached( \(ECONN[A-Z]+\))?\./,
  },
  { name: 'whose connections are reset', begin: set('cut'), end: set('open'), why: /cannot be reached/ },
  { name: 'that falls silent', begin: set('silent'), end: set('open'), why: /does not answer|cannot be reached/ },
  {
    name: 'that takes no writing',
    begin: () => alter('set default_transaction_read_only = on'),
    end: () => alter('reset default_transaction_read_only'),
    why: /takes no writing/,
  },
  {
    name: 'that takes no more connections',
    begin: () => alter('connection limit 0'),
    end: () => alter('connection limit -1'),
    why: /takes no more connections \(53300\)/,
  },
  {
    name: 'that is shut to all',
    begin: () => alter('allow_connections false'),
    end: () => alter('allow_connections true'),
    why: /cannot be reached/,
  },
]

const refusedAsTransient = (answer: Answer<OperationOutcome>): void => {
  expect(answer.status, answer.text).toBe(503)
  expect(answer.headers.get('retry-after')).toMatch(/^\d+$/)
  expect(answer.body.resourceType).toBe('OperationOutcome')
  expect(answer.body.issue[0]?.code).toBe('transient')
}

describe('a database', () => {
  test.each(outages)('$name is told with 503, and served again by itself', async ({ begin, end, why }) => {
    const before = await sendOrder(service.as('harbour-ehr'))
    expect(await ready()).toBe(200)
    const lines = service.logLines().length
    await begin()
    try {
      await expect.poll(ready, until).toBe(503)
      // at first it may be told that sessions ended, and then why
      await expect.poll(async () => (await service.call('GET', '/readyz')).text, until).toMatch(why)
      const asked = await service.call('GET', '/readyz')
      expect(asked.headers.get('retry-after')).toMatch(/^\d+$/)
      expect((await service.call('GET', '/healthz')).status).toBe(200)
      const answers = await Promise.all(Array.from({ length: 3 }, order))
      for (const answer of answers) refusedAsTransient(answer)
      expect((await service.call('GET', '/healthz')).status).toBe(200)
    } finally {
      await end()
    }
    await expect.poll(ready, until).toBe(200)
    await expect.poll(async () => (await order()).status, until).toBe(200)
    // the workers go on as well, without a restart
    const now = { scan: label(newSerial()), appliedAt: seconds(Date.now(), -60) }
    await expect.poll(async () => (await link(service.as('bay-3'), before, now)).status, until).toBe(200)
    await expect.poll(() => fateOf(before.order), until).toBe('sent')
    await expect.poll(() => said(lines, over).length, until).toBeGreaterThan(0)
    expect(said(lines, lost).length).toBeGreaterThan(0)
    // what fails every moment, in several places, is told a few times at most
    const errors = service
      .logLines()
      .slice(lines)
      .filter((l) => Number(l.level) >= 50)
    expect(errors.length).toBeLessThanOrEqual(3)
  })

  test('whose sessions are all ended serves again at once, and no process ends', async () => {
    const serve = async (): Promise<number[]> =>
      (await Promise.all(Array.from({ length: 4 }, order))).map((a) => a.status)
    for (let times = 0; times < 5; times += 1) {
      const [statuses] = await Promise.all([serve(), endSessions()])
      expect(statuses?.every((s) => s === 200 || s === 503)).toBe(true)
    }
    await expect.poll(async () => (await order()).status, until).toBe(200)
  })
})

const fateOf = async (orderId: string): Promise<string | undefined> =>
  (await inDatabase<{ fate: string }>(database().url, 'select fate from deliveries where order_id = $1', [orderId]))[0]
    ?.fate

const lost = 'the database is lost or busy'
const over = 'the database works again'
const said = (from: number, msg: string) =>
  service
    .logLines()
    .slice(from)
    .filter((l) => l.msg === msg)

describe('a lock that somebody else keeps', () => {
  /** Locks all orders, as a maintenance job of the operator might. */
  const whileLocked = async (work: () => Promise<void>): Promise<void> => {
    const client = new Client({ connectionString: database().url })
    await client.connect()
    try {
      await client.query('begin; lock table daybind.orders in access exclusive mode')
      await work()
    } finally {
      await client.end()
    }
  }

  test('is waited for a while and then told with 503', async () => {
    await whileLocked(async () => refusedAsTransient(await order()))
    await expect.poll(async () => (await order()).status, until).toBe(200)
  })

  test('lets no more calls wait than there is room for', async () => {
    await whileLocked(async () => {
      const answers = await Promise.all(Array.from({ length: 30 }, order))
      for (const answer of answers) refusedAsTransient(answer)
      expect((await service.call('GET', '/healthz')).status).toBe(200)
    })
    await expect.poll(async () => (await order()).status, until).toBe(200)
    await expect.poll(ready, until).toBe(200)
  })
})

describe('a batch', () => {
  /** An order for somebody known, then somebody new, then another order for the former. */
  const threeParts = async (first?: Bundle['entry']): Promise<Bundle> => {
    const { patient } = await sendOrder(service.as('harbour-ehr'))
    const [one, two] = [newPerson().number, newPerson().number]
    const number = newPerson().number
    const newcomer = { resourceType: 'Patient' as const, identifier: [{ system: patientNumbers, value: number }] }
    return bundle(
      'batch',
      ...(first ?? [entry('POST ServiceRequest', anOrder(one, `Patient/${patient}`))]),
      entry('POST Patient', newcomer, { ifNoneExist: `identifier=${patientNumbers}|${number}` }),
      entry('POST ServiceRequest', anOrder(two, `Patient/${patient}`)),
    )
  }
  const send = <T = Bundle>(body: Bundle) => service.as('harbour-ehr')<T>('POST', '/fhir', { body })
  const statuses = (answer: Answer<Bundle>) => answer.body.entry?.map((e) => e.response?.status)

  /** While patients can be read and not written: the entry that makes one waits. */
  const whilePatientsWait = async <T>(work: (client: Client) => Promise<T>): Promise<T> => {
    const client = new Client({ connectionString: database().url })
    await client.connect()
    try {
      await client.query('begin; lock table daybind.patients in share mode')
      return await work(client)
    } finally {
      await client.end()
    }
  }

  /** Sends it, and takes the database away while the first new patient is being written. */
  const sendIntoOutage = <T = Bundle>(body: Bundle): Promise<Answer<T>> =>
    whilePatientsWait(async (client) => {
      let answered = false
      const answering = send<T>(body).finally(() => {
        answered = true
      })
      const waiting = `from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'`
      const isWaiting = async () => answered || ((await client.query(`select ${waiting}`)).rowCount ?? 0) > 0
      await expect.poll(isWaiting, { timeout: 25_000, interval: 20 }).toBe(true)
      try {
        await proxy.set('closed')
        // else it would commit after the lock is given back, without anybody to tell
        await client.query(`select pg_terminate_backend(pid) ${waiting}`)
        return await answering
      } finally {
        await proxy.set('open')
        await expect.poll(ready, until).toBe(200)
      }
    })

  test('in whose middle the database goes away tells what was written, and what is to be sent again', async () => {
    const body = await threeParts()
    const answer = await sendIntoOutage(body)
    expect([answer.status, answer.body.type]).toEqual([200, 'batch-response'])
    expect(statuses(answer)).toEqual(['201 Created', '503', '503'])
    const outcomes = answer.body.entry?.map((e) => e.response?.outcome as OperationOutcome | undefined)
    expect(outcomes?.map((o) => o?.issue.map((i) => i.code))).toEqual([undefined, ['transient'], ['transient']])
    const written = new URL(answer.body.entry?.[0]?.response?.location ?? '').pathname
    expect((await service.as('harbour-ehr')('GET', written)).status).toBe(200)
    expect(statuses(await send(body))).toEqual(['200 OK', '201 Created', '201 Created'])
  })

  test('of which one entry waited in vain does not let the caller wait for the others', async () => {
    const body = await threeParts()
    expect(statuses(await whilePatientsWait(() => send(body)))).toEqual(['201 Created', '503', '503'])
    expect(statuses(await send(body))).toEqual(['200 OK', '201 Created', '201 Created'])
  })

  test('of which nothing was written before is refused as a whole', async () => {
    const wrong = entry('POST ServiceRequest', { resourceType: 'ServiceRequest' } as ServiceRequest)
    const body = await threeParts([wrong])
    refusedAsTransient(await sendIntoOutage<OperationOutcome>(body))
    expect(statuses(await send(body))).toEqual(['400', '201 Created', '201 Created'])
  })
})

describe('an acknowledged order', () => {
  test('is there after every outage, and one that was refused is there wholly or not at all', async () => {
    const rows = await inDatabase<{ n: number; parts: number }>(
      database().url,
      `select count(*)::int as n,
         (select count(*)::int from journal where kind = 'order' and fact = 'order-accepted') as parts from orders`,
    )
    expect(rows[0]?.n).toBe(rows[0]?.parts)
    const answer = await service.as('harbour-ehr')<Bundle>('GET', '/fhir/ServiceRequest?_count=1')
    expect(answer.status).toBe(200)
  })
})

describe('a start', () => {
  test('waits for a database that is not there yet', async () => {
    const late = await startProxy(database().url)
    await late.set('closed')
    const starting = startTestService({ database: late.url, pebble: pebble.base })
    const early = await Promise.race([starting.then(() => 'started'), new Promise((r) => setTimeout(r, 1_000))])
    expect(early).toBeUndefined()
    await late.set('open')
    const started = await starting
    expect((await started.call('GET', '/readyz')).status).toBe(200)
    await started.close()
    await late.close()
  })

  test('gives up in one sentence when it does not come', async () => {
    const nobody = await startProxy(database().url)
    await nobody.set('closed')
    await expect(startTestService({ database: nobody.url, databasePatienceMs: 600 })).rejects.toThrow(
      'The database could not be used for 0.6 s (ECONNREFUSED): look at the server that DATABASE_URL names.',
    )
  })

  test('says at once that it is not admitted', async () => {
    const url = new URL(database().url)
    url.pathname = '/no_such_database'
    await expect(startTestService({ database: url.href })).rejects.toThrow(
      'The database does not admit Daybind (3D000): look at DATABASE_URL.',
    )
  })

  test('ends when it is told to, while it waits', async () => {
    const nobody = await startProxy(database().url)
    await nobody.set('closed')
    const giveUp = new AbortController()
    const starting = startTestService({ database: nobody.url, giveUp: giveUp.signal })
    setTimeout(() => giveUp.abort(), 300)
    await expect(starting).rejects.toThrow('Ended before it was ready.')
  })
})
