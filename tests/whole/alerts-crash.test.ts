/** Two instances that are killed while they tell: each gap is told once for each state of it, under one id. */
import { type ChildProcess, spawn } from 'node:child_process'
import { mkdtemp, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { useTestDatabase } from '../support/database.ts'
import { askAt } from '../support/service.ts'
import { startWebhookReceiver, type WebhookReceiver, webhookSecret } from '../support/webhook-receiver.ts'
import { tokenOf } from '../torture/messages.ts'
import { inDatabase, label, newSerial, operate } from './bedside.ts'

interface Instance {
  readonly url: string
  readonly child: ChildProcess
}

const database = useTestDatabase()
let folder = ''
let hook: WebhookReceiver
/** What the receiver does once it has a message, before it answers. */
let onArrival: (answer: () => void) => void = (answer) => answer()
const children: ChildProcess[] = []

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'daybind-alerts-'))
  hook = await startWebhookReceiver((response) => onArrival(() => response.writeHead(204).end()))
})
afterAll(async () => {
  for (const child of children) child.kill('SIGKILL')
  await hook.stop()
  await rm(folder, { recursive: true, force: true })
})

const startInstance = async (): Promise<Instance> => {
  const orders = {
    databaseUrl: database().url,
    dataDir: folder,
    pebble: 'http://127.0.0.1:2/fhir',
    logFile: join(folder, `log-${children.length}`),
    hook: { url: hook.url, secret: webhookSecret },
  }
  const child = spawn(process.execPath, ['tests/torture/instance.ts', JSON.stringify(orders)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  children.push(child)
  for await (const line of createInterface({ input: child.stdout })) {
    child.stdout.resume()
    return { url: (JSON.parse(line) as { url: string }).url, child }
  }
  throw new Error('The instance ended before it was ready.')
}

const killed = ({ child }: Instance): Promise<void> => {
  const gone = new Promise<void>((resolve) => child.once('exit', () => resolve()))
  child.kill('SIGKILL')
  return gone
}

const setClock = (moment: string) =>
  inDatabase(database().url, `update clock set offset_by = timestamptz '${moment}' - clock_timestamp()`)

const waiting = async (): Promise<number> => {
  const [row] = await inDatabase<{ n: number }>(
    database().url,
    `select count(*)::int as n from deliveries where destination = 'lead' and fate in ('queued', 'unsure')`,
  )
  return row?.n ?? -1
}

const lookedAt = async (moment: string): Promise<number> =>
  (await inDatabase(database().url, `select 1 from alerts where moment = '${moment}'`)).length

/** When an instance dies: after so many milliseconds, or while the receiver has its message. */
type Death = { readonly afterMs: number } | 'with the message there, unanswered' | 'once it was answered'

const deaths: readonly Death[] = [
  { afterMs: 5 },
  'with the message there, unanswered',
  { afterMs: 60 },
  'once it was answered',
  { afterMs: 150 },
]

test('each gap is told once in each state, whoever dies in the middle of it', { timeout: 240_000 }, async () => {
  let running = [await startInstance(), await startInstance()]
  await setClock('2035-03-11T12:00:00Z')
  const serials: string[] = []
  for (const [n, death] of deaths.entries()) {
    const day = `2035-03-${12 + n}`
    const appliedAt = `${day}T09:00:00Z`
    await setClock(`${day}T12:00:00Z`)
    const bay = askAt(running[n % 2]?.url ?? '', tokenOf('bay-3'))
    const seen = { site: { system: 'https://daybind.example/sites', value: 'tern-harbour' }, evidence: 'capture' }
    for (const serial of [newSerial(), newSerial()]) {
      serials.push(serial)
      const answer = await operate(bay, 'Device/$record-application', { ...seen, scan: label(serial), appliedAt })
      expect(answer.status, answer.text).toBe(200)
    }
    for (const moment of [`${day}T16:30:00Z`, `${day}T18:00:00Z`]) {
      const all = running
      let die: Promise<unknown> | undefined
      const killAll = () => {
        die ??= Promise.all(all.map(killed))
      }
      onArrival = (answer) => {
        if (death === 'once it was answered') answer()
        if (typeof death === 'string') killAll()
        else answer()
      }
      await setClock(moment)
      if (typeof death !== 'string') {
        await new Promise((resolve) => setTimeout(resolve, death.afterMs))
        killAll()
      }
      await expect.poll(() => die !== undefined, { timeout: 20_000 }).toBe(true)
      await die
      onArrival = (answer) => answer()
      running = await Promise.all([startInstance(), startInstance()])
      await expect.poll(() => lookedAt(moment), { timeout: 20_000 }).toBe(1)
      await expect.poll(waiting, { timeout: 20_000 }).toBe(0)
    }
  }
  const told = new Map<string, Set<string>>()
  for (const { id, message } of hook.received)
    for (const g of message.data.sites.flatMap((s) => s.gaps))
      for (const { recorder } of g.gaps ?? []) {
        const key = `${recorder} ${g.gap} ${g.status}`
        told.set(key, (told.get(key) ?? new Set()).add(id))
      }
  const twice = [...told].filter(([, ids]) => ids.size !== 1).map(([key]) => key)
  expect(twice).toEqual([])
  expect([...told.keys()].filter((key) => key.includes('no-link')).toSorted()).toEqual(
    serials.flatMap((s) => [`${s} no-link final`, `${s} no-link preliminary`]).toSorted(),
  )
  // what was accepted under one id was the same each time
  const texts = new Map<string, Set<string>>()
  for (const { id, text } of hook.received) texts.set(id, (texts.get(id) ?? new Set()).add(text))
  expect([...texts.values()].filter((t) => t.size > 1)).toEqual([])
  const rows = await inDatabase<{ id: string; fate: string }>(
    database().url,
    `select id, fate from deliveries where destination = 'lead'`,
  )
  expect(new Set(rows.map((r) => r.fate))).toEqual(new Set(['taken']))
  expect(rows.map((r) => r.id).toSorted()).toEqual([...texts.keys()].toSorted())
  expect(hook.received.length).toBeGreaterThan(texts.size)
})
