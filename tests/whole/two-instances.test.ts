/** Two instances of the service on one database: everything happens once, and one may die. */
import { type ChildProcess, spawn } from 'node:child_process'
import { mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import type { Bundle, DeviceUseStatement, Procedure, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { useTestDatabase } from '../support/database.ts'
import {
  type Ask,
  askAt,
  startTestService,
  type TestService,
  testCallers,
  testSites,
  testSources,
  tokenOf,
} from '../support/service.ts'
import {
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  orderBundle,
  out,
  read,
  seconds,
  sendOrder,
  verdict,
} from './bedside.ts'

const pebble = await startReadingService()
const database = useTestDatabase()
let one: TestService
let two: TestService

beforeAll(async () => {
  const options = { database: database().url, pebble: pebble.base, roundMs: 100, deliveryDeadlineMs: 4_000 }
  // at once and on an empty database: one of them makes the tables, the other waits
  const started = await Promise.all([startTestService(options), startTestService(options)])
  one = started[0]
  two = started[1]
})
afterAll(async () => {
  await Promise.all([one, two].map((s) => s?.close()))
  await pebble.stop()
})

const either = (n: number): TestService => (n % 2 === 0 ? one : two)
const ago = (s: number): string => seconds(Date.now(), -s)
/** Attempts that arrived; one that never reached the other side is tried again, and is no second message. */
const arrived = (...services: readonly TestService[]) =>
  services.flatMap((s) => s.logLines().filter((l) => l.msg === 'delivery attempted' && l.fate === 'sent'))

const sent = async (orders: readonly string[]): Promise<number> => {
  const [row] = await inDatabase<{ n: number }>(
    database().url,
    `select count(*)::int as n from deliveries where order_id = any($1::uuid[]) and fate = 'sent'`,
    [orders],
  )
  return row?.n ?? -1
}

describe('two instances', () => {
  test('make one order of sixteen equal ones', async () => {
    const person = newPerson()
    const body = orderBundle(person, 'P-of-both')
    const answers = await Promise.all(
      Array.from({ length: 16 }, (_, n) => either(n).as('harbour-ehr')<Bundle>('POST', '/fhir', { body })),
    )
    const places = answers.map((a) =>
      a.body.entry?.map((e) => e.response?.location?.replace(/^.*\/fhir\//, '')).join(' '),
    )
    expect(answers.map((a) => a.status)).toEqual(Array.from({ length: 16 }, () => 200))
    expect(new Set(places).size).toBe(1)
    const created = answers.filter((a) => a.body.entry?.[1]?.response?.status.startsWith('201'))
    expect(created).toHaveLength(1)
    const orders = await inDatabase(
      database().url,
      `select 1 from orders where state->'placer'->>'value' = 'P-of-both'`,
    )
    expect(orders).toHaveLength(1)
  })

  test('put one recorder on one of sixteen patients', async () => {
    const orders = await Promise.all(Array.from({ length: 16 }, (_, n) => sendOrder(either(n).as('harbour-ehr'))))
    const said = { scan: label(newSerial()), appliedAt: ago(60) }
    const answers = await Promise.all(orders.map((o, n) => link(either(n).as('bay-3'), o, said)))
    expect(answers.map(verdict).toSorted()).toEqual(['200', ...Array.from({ length: 15 }, () => '409 device-linked')])
  })

  test('give one answer to one capture key', async () => {
    const ordered = await sendOrder(one.as('harbour-ehr'))
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'key-of-both' }
    const answers = await Promise.all(Array.from({ length: 8 }, (_, n) => link(either(n).as('bay-3'), ordered, said)))
    expect(new Set(answers.map((a) => `${a.status} ${a.text}`)).size).toBe(1)
    expect(answers[0]?.status).toBe(200)
  })

  test('deliver each linked order once', async () => {
    const orders = await Promise.all(
      Array.from({ length: 40 }, async (_, n) => {
        const ordered = await sendOrder(either(n).as('harbour-ehr'))
        const answer = await link(either(n).as('bay-3'), ordered, { scan: label(newSerial()), appliedAt: ago(60) })
        expect(answer.status, answer.text).toBe(200)
        return ordered.order
      }),
    )
    await expect.poll(() => sent(orders)).toBe(40)
    const rows = await inDatabase<{ id: string }>(
      database().url,
      'select id from deliveries where order_id = any($1::uuid[]) order by id',
      [orders],
    )
    const theirs = new Set(rows.map((r) => r.id))
    const seen = () => arrived(one, two).flatMap(({ delivery }) => (theirs.has(String(delivery)) ? [delivery] : []))
    await expect.poll(() => seen().sort()).toEqual([...theirs])
    expect(pebble.complaints).toEqual([])
  })

  test('issue each evening once', async () => {
    await inDatabase(
      database().url,
      `update clock set offset_by = timestamptz '2035-05-07T16:59:00Z' - clock_timestamp();
       update watched set since = '2035-05-07T16:59:00Z'`,
    )
    const moments = ['2035-05-07T17:00:00Z', '2035-05-07T21:30:00Z', '2035-05-07T23:00:00Z', '2035-05-08T04:00:00Z']
    for (const moment of moments) await Promise.all([one.setClock(moment), two.setClock(moment)])
    const issued = await inDatabase(database().url, 'select site, day::text, moment from evenings order by due_at')
    expect(issued).toEqual([
      { site: 'tern-harbour', day: '2035-05-07', moment: 'cut-off' },
      { site: 'quarry-lane', day: '2035-05-07', moment: 'cut-off' },
      { site: 'tern-harbour', day: '2035-05-07', moment: 'day-end' },
      { site: 'quarry-lane', day: '2035-05-07', moment: 'day-end' },
    ])
    const told = [one, two].flatMap((s) => s.logLines().filter((l) => l.msg === 'evening issued'))
    expect(told).toHaveLength(4)
  })
})

/** A service in a process of its own, as `npm start` runs it, on the same database. */
const startProcess = async (folder: string): Promise<{ url: string; child: ChildProcess }> => {
  const file = join(folder, 'daybind.yaml')
  // JSON is YAML
  const configuration = {
    sites: testSites.map(({ identifier: _identifier, ...site }) => site),
    sources: testSources.map(({ takes: _takes, ...source }) => source),
    readingServices: [{ id: 'pebble', fhir: pebble.base, accept: 'PT4H' }],
    callers: testCallers.map(({ token: _token, ...c }) => ({ ...c, token: { env: tokenName(c.id) } })),
  }
  await writeFile(file, JSON.stringify(configuration))
  const child = spawn(process.execPath, ['src/main.ts', 'serve'], {
    env: {
      ...process.env,
      ...Object.fromEntries(testCallers.map(({ id }) => [tokenName(id), tokenOf(id)])),
      PORT: '0',
      DATABASE_URL: database().url,
      DAYBIND_CONFIG: file,
      LOG_LEVEL: 'info',
    },
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  for await (const line of createInterface({ input: child.stdout })) {
    const { msg, url } = JSON.parse(line) as { msg?: string; url?: string }
    if (msg !== 'ready' || url === undefined) continue
    child.stdout.resume()
    return { url, child }
  }
  throw new Error('The process ended before it was ready.')
}

const tokenName = (id: string): string => `TOKEN_OF_${id.replaceAll('-', '_').toUpperCase()}`

test('an instance that is killed loses nothing that it acknowledged, and the others go on', async () => {
  const folder = await mkdtemp(join(tmpdir(), 'daybind-two-'))
  const { url, child } = await startProcess(folder)
  const gone = new Promise<NodeJS.Signals | null>((resolve) => child.once('exit', (_code, signal) => resolve(signal)))
  try {
    const [ehr, bay] = [askAt(url, tokenOf('harbour-ehr')), askAt(url, tokenOf('bay-3'))]
    const acknowledged: { id: string; order: string; serial: string }[] = []
    const asked: string[] = []
    let failed = 0
    const desk = async () => {
      for (;;) {
        const serial = newSerial()
        asked.push(serial)
        const ordered = await sendOrder(ehr)
        const answer = await link(bay, ordered, { scan: label(serial), appliedAt: '2035-05-08T04:00:00Z' })
        acknowledged.push({ id: out(answer, 'link').id ?? '', order: ordered.order, serial })
        if (acknowledged.length === 40) child.kill('SIGKILL')
      }
    }
    await Promise.all(
      Array.from({ length: 8 }, () =>
        desk().catch((error: unknown) => {
          // the connection broke; anything else is a finding
          if (!(error instanceof TypeError)) throw error
          failed += 1
        }),
      ),
    )
    expect([await gone, failed]).toEqual(['SIGKILL', 8])
    expect(acknowledged.length).toBeGreaterThanOrEqual(40)

    // at once: no lock of the dead outlives it
    const here: Ask = one.as('bay-3')
    const next = await sendOrder(one.as('harbour-ehr'))
    expect((await link(here, next, { scan: label(newSerial()), appliedAt: '2035-05-08T04:00:00Z' })).status).toBe(200)

    for (const { id, order } of acknowledged) {
      const kept = await read<DeviceUseStatement>(here, `DeviceUseStatement/${id}`)
      expect(kept.status).toBe('active')
      expect(await read<Procedure>(here, kept.derivedFrom?.[0]?.reference ?? '')).toMatchObject({ status: 'completed' })
      expect(await found<Task>(here, `Task?based-on=ServiceRequest/${order}`)).toHaveLength(1)
    }
    // what was asked and not acknowledged is there wholly or not at all
    const whole = await inDatabase<{ serial: string; parts: number }>(
      database().url,
      `select d.serial_number as serial,
         (select count(*)::int from resources r where (r.type, r.id) in (('DeviceUseStatement', l.id),
           ('Procedure', (l.state->>'procedureId')::uuid), ('Device', d.id)))
         + (select count(*)::int from tasks t where t.link_id = l.id)
         + (select count(*)::int from deliveries x where x.order_id = l.order_id)
         + (select count(*)::int from journal j where j.kind = 'link' and j.id = l.id) as parts
       from devices d left join links l on l.device_id = d.id where d.serial_number = any($1)`,
      [asked],
    )
    expect(whole.length).toBeGreaterThanOrEqual(acknowledged.length)
    expect(new Set(whole.map((w) => w.parts))).toEqual(new Set([6]))

    // the attempts of the dead are nobody's until their lease of 30 s is over: sooner, once no living attempt can be as old
    const cut = () =>
      inDatabase(
        database().url,
        `update deliveries set leased_until = case when leased_until is not null then clock_timestamp() end
         where fate in ('queued', 'unsure') and (leased_until is null or leased_until < clock_timestamp() + interval '21 s')`,
      )
    const orders = acknowledged.map((a) => a.order)
    await expect.poll(async () => (await cut()) && sent(orders), { interval: 200 }).toBe(orders.length)
    for (const { serial } of acknowledged) {
      const held = pebble.resources('Device').filter((d) => JSON.stringify(d).includes(`"${serial}"`))
      expect(held.map((d) => pebble.versions('Device', d.id ?? '').length)).toEqual([1])
    }
    expect(pebble.complaints).toEqual([])
  } finally {
    child.kill('SIGKILL')
    await gone
    await rm(folder, { recursive: true, force: true })
  }
})

test('an instance that is closed in good order finishes what it began, and the other goes on', async () => {
  const links = Array.from({ length: 12 }, async (_, n) => {
    const ordered = await sendOrder(either(n).as('harbour-ehr'))
    const answer = await link(either(n).as('bay-3'), ordered, {
      scan: label(newSerial()),
      appliedAt: '2035-05-08T04:00:00Z',
    })
    expect(answer.status, answer.text).toBe(200)
    return ordered.order
  })
  const orders = await Promise.all(links)
  await two.close()
  await expect.poll(() => sent(orders)).toBe(12)
  const later = await sendOrder(one.as('harbour-ehr'))
  await link(one.as('bay-3'), later, { scan: label(newSerial()), appliedAt: '2035-05-08T04:00:00Z' })
  await expect.poll(() => sent([later.order])).toBe(1)
})
