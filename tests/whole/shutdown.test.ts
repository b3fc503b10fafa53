/** The service is told to end: what came is finished, what hangs is let go, and nothing acknowledged is lost. */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { mkdtemp, readdir, readFile, rm, writeFile } from 'node:fs/promises'
import { connect, type Socket } from 'node:net'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { setTimeout as sleep } from 'node:timers/promises'
import type { Bundle } from 'fhir/r4.js'
import { Client } from 'pg'
import { afterEach, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { useTestDatabase } from '../support/database.ts'
import { scratchFolder } from '../support/global-setup.ts'
import { askAt, startTestService } from '../support/service.ts'
import { inDatabase, label, link, newPerson, newSerial, orderBundle, seconds, sendOrder } from './bedside.ts'

const database = useTestDatabase()
const until = { timeout: 90_000, interval: 50 }

interface Running {
  readonly child: ChildProcess
  readonly url: string
  /** Exit status, or the signal that killed it. */
  readonly ended: Promise<number | NodeJS.Signals | null>
  readonly words: () => string
}

const undo: (() => Promise<unknown> | unknown)[] = []
afterEach(async () => {
  for (const step of undo.splice(0).reverse()) await step()
})

/** The service as `npm start` runs it. */
const launch = (environment: Record<string, string>): Omit<Running, 'url'> & { lines: AsyncIterable<string> } => {
  const child = spawn(process.execPath, ['src/main.ts', 'serve'], {
    env: { PATH: process.env.PATH ?? '', PORT: '0', ...environment },
    stdio: ['ignore', 'pipe', 'pipe'],
  })
  let words = ''
  child.stderr.on('data', (chunk: Buffer) => {
    words += chunk
  })
  const ended = new Promise<number | NodeJS.Signals | null>((resolve) =>
    child.once('exit', (code, signal) => resolve(signal ?? code)),
  )
  undo.push(async () => {
    child.kill('SIGKILL')
    await ended
  })
  return { child, ended, words: () => words, lines: createInterface({ input: child.stdout }) }
}

const start = async (environment: Record<string, string>): Promise<Running> => {
  const running = launch(environment)
  for await (const line of running.lines) {
    const { msg, url } = JSON.parse(line) as { msg?: string; url?: string }
    if (msg !== 'ready' || url === undefined) continue
    running.child.stdout?.resume()
    return { ...running, url }
  }
  throw new Error(`It ended before it was ready: ${running.words()}`)
}

const startOnDatabase = () => start({ DATABASE_URL: database().url })

/** A connection that has sent this and no more. */
const speaking = async (url: string, words: string): Promise<Socket> => {
  const socket = connect(Number(new URL(url).port), '127.0.0.1')
  socket.on('error', () => undefined)
  await once(socket, 'connect')
  socket.write(words)
  undo.push(() => socket.destroy())
  return socket
}

/** Keeps every order waiting until it is let go. */
const lockOrders = async (): Promise<() => Promise<void>> => {
  const client = new Client({ connectionString: database().url })
  await client.connect()
  await client.query('begin; lock table daybind.orders in access exclusive mode')
  let held = true
  const release = async (): Promise<void> => {
    if (held) await client.end()
    held = false
  }
  undo.push(release)
  return release
}

const waiting = async (): Promise<number> => {
  const [row] = await inDatabase<{ n: number }>(
    database().url,
    `select count(*)::int as n from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'`,
  )
  return row?.n ?? 0
}

const order = (url: string, number: string) =>
  askAt(url)<Bundle>('POST', '/fhir', { body: orderBundle({ ...newPerson(), number }, number) })

const stored = async (numbers: readonly string[]): Promise<number> => {
  const [row] = await inDatabase<{ n: number }>(
    database().url,
    `select count(*)::int as n from orders where state->'placer'->>'value' = any($1)`,
    [numbers],
  )
  return row?.n ?? -1
}

describe('a service that is told to end', () => {
  test('finishes a slow call, and lets go of silent, idle and trickling connections', async () => {
    const { url, child, ended } = await startOnDatabase()
    const idle = await speaking(url, 'GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n')
    await once(idle, 'data')
    await speaking(url, '')
    const trickle = await speaking(
      url,
      'POST /fhir HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 5000\r\n\r\n{',
    )
    const drops = setInterval(() => trickle.write(' '), 100)
    undo.push(() => clearInterval(drops))

    const release = await lockOrders()
    const slow = order(url, 'slow-1')
    await expect.poll(waiting, until).toBeGreaterThan(0)
    child.kill('SIGTERM')
    await once(idle, 'close')
    await release()
    const answer = await slow
    expect(answer.status, answer.text).toBe(200)
    expect(await ended).toBe(0)
    expect(await stored(['slow-1'])).toBe(1)
  })

  test('answers every call that was sent before, under load, and has stored what it acknowledged', async () => {
    const { url, child, ended } = await startOnDatabase()
    const acknowledged: string[] = []
    const broken: string[] = []
    let told = false
    const caller = async (n: number): Promise<void> => {
      for (let i = 0; ; i += 1) {
        const number = `load-${n}-${i}`
        const before = !told
        try {
          const answer = await order(url, number)
          if (answer.status !== 200) return
          acknowledged.push(number)
        } catch (error) {
          if (before) broken.push(`${number}: ${error}`)
          return
        }
        if (acknowledged.length === 60) {
          told = true
          child.kill('SIGTERM')
        }
      }
    }
    await Promise.all(Array.from({ length: 8 }, (_, n) => caller(n)))
    expect(await ended).toBe(0)
    expect(broken).toEqual([])
    expect(acknowledged.length).toBeGreaterThanOrEqual(60)
    expect(await stored(acknowledged)).toBe(acknowledged.length)
  })

  test('does not wait for a reading service that hangs, and gives the delivery back', async () => {
    const pebble = await startReadingService()
    undo.push(() => pebble.stop())
    const folder = await mkdtemp(join(await scratchFolder(), 'conf-'))
    undo.push(() => rm(folder, { recursive: true, force: true }))
    const file = join(folder, 'daybind.yaml')
    // JSON is YAML
    await writeFile(
      file,
      JSON.stringify({
        sites: [{ id: 'tern-harbour', name: 'Tern Harbour Clinic', timeZone: 'Europe/Dublin', cutOff: '18:00' }],
        sources: [{ id: 'harbour-ehr', site: 'tern-harbour', placer: 'https://harbour.example/orders' }],
        readingServices: [{ id: 'pebble', fhir: pebble.base, accept: 'PT4H' }],
      }),
    )
    const { url, child, ended } = await start({ DATABASE_URL: database().url, DAYBIND_CONFIG: file })
    await pebble.fault('hang', { writesOnly: true })
    const ordered = await sendOrder(askAt(url))
    const appliedAt = seconds(Date.now(), -60)
    const linked = await link(askAt(url), ordered, { scan: label(newSerial()), appliedAt })
    expect(linked.status, linked.text).toBe(200)
    await expect.poll(() => pebble.requests, until).toContain('POST /fhir')
    child.kill('SIGTERM')
    expect(await ended).toBe(0)
    const rows = await inDatabase(
      database().url,
      'select fate, leased_until, next_attempt is not null as goes_on from deliveries where order_id = $1',
      [ordered.order],
    )
    expect(rows).toEqual([{ fate: 'unsure', leased_until: null, goes_on: true }])
  })

  test('takes two signals at once for one, and a later one for an order to end at once', async () => {
    const { url, child, ended, words } = await startOnDatabase()
    await lockOrders()
    const slow = order(url, 'slow-2').catch(() => undefined)
    await expect.poll(waiting, until).toBeGreaterThan(0)
    child.kill('SIGINT')
    child.kill('SIGINT')
    const readiness = () =>
      askAt(url)('GET', '/readyz').then(
        (answer) => answer.status,
        () => 'closed',
      )
    // a signal is meant as another one a second after the first was heard
    await expect.poll(readiness, until).not.toBe(200)
    await sleep(1_200)
    expect(child.exitCode).toBeNull()
    child.kill('SIGTERM')
    expect(await ended).toBe(1)
    expect(words()).toContain('ending at once')
    await slow
  })

  test('says that it is not ready while it still serves', async () => {
    const service = await startTestService()
    const closing = service.close({ lingerMs: 6_000 })
    const asked = await service.call('GET', '/readyz')
    expect([asked.status, asked.headers.get('connection')]).toEqual([503, 'close'])
    expect(asked.text).toContain('The service is stopping.')
    expect((await service.call('GET', '/healthz')).status).toBe(200)
    expect((await service.as('harbour-ehr')('GET', '/fhir/ServiceRequest?_count=1')).status).toBe(200)
    await closing
  })
})

describe('a service with its own database', () => {
  const claims = async (folder: string) => (await readdir(folder)).filter((name) => name.startsWith('owner-'))

  test('ends it in good order, and what was acknowledged is there at the next start', async () => {
    const folder = await scratchFolder()
    undo.push(() => rm(folder, { recursive: true, force: true }))
    const first = await start({ DATA_DIR: folder })
    expect((await order(first.url, 'own-1')).status).toBe(200)
    const second = launch({ DATA_DIR: folder })
    expect(await second.ended).toBe(1)
    expect(second.words()).toMatch(
      new RegExp(
        `^The data folder ${folder} is held by process ${first.child.pid} since .*, listening on ${first.url}: `,
      ),
    )
    first.child.kill('SIGTERM')
    expect(await first.ended).toBe(0)
    expect(await readFile(join(folder, 'postgres.log'), 'utf8')).toContain('database system is shut down')
    expect(await claims(folder)).toEqual([])

    // killed, it holds the folder no longer, and the server that it leaves is taken over
    const third = await start({ DATA_DIR: folder })
    third.child.kill('SIGKILL')
    await third.ended
    const fourth = await start({ DATA_DIR: folder })
    const found = await askAt(fourth.url)<Bundle>('GET', '/fhir/ServiceRequest?identifier=own-1')
    expect(found.body.entry).toHaveLength(1)
    fourth.child.kill('SIGTERM')
    expect(await fourth.ended).toBe(0)
  })

  test('that is told to end while it starts leaves nothing behind', async () => {
    const folder = await scratchFolder()
    undo.push(() => rm(folder, { recursive: true, force: true }))
    const starting = launch({ DATA_DIR: folder })
    await expect.poll(() => claims(folder).then((c) => c.length), until).toBe(1)
    starting.child.kill('SIGTERM')
    expect(await starting.ended).toBe(0)
    expect(await claims(folder)).toEqual([])
  })
})
