/** The service on the database that it brings itself: the server is lost, or its disk is full, and it mends by itself. */
import { execFileSync } from 'node:child_process'
import { chmod, open, readFile, rm } from 'node:fs/promises'
import { join } from 'node:path'
import type { Bundle, OperationOutcome } from 'fhir/r4.js'
import { pino } from 'pino'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { readConfiguration } from '../../src/config.ts'
import { type Service, startService } from '../../src/service.ts'
import { scratchFolder } from '../support/global-setup.ts'
import { type Answer, askAt } from '../support/service.ts'
import { newPerson, orderBundle } from './bedside.ts'

const until = { timeout: 120_000, interval: 100 }

interface Running {
  readonly service: Service
  readonly lines: () => readonly { readonly msg?: string; readonly level?: number }[]
}

const start = async (dataDir: string): Promise<Running> => {
  const reading = readConfiguration({ DATA_DIR: dataDir, PORT: '0' }, () => '')
  if (!reading.ok) throw new Error(reading.mistakes.join())
  const lines: string[] = []
  const log = pino({ level: 'info' }, { write: (line: string) => void lines.push(line) })
  const limits = { connectMs: 3_000, statementMs: 6_000, answerMs: 7_000 }
  const service = await startService(reading.value, { log, roundMs: 100, limits })
  return { service, lines: () => lines.map((line) => JSON.parse(line)) }
}

const order = ({ url }: Service, number = newPerson().number): Promise<Answer<OperationOutcome>> =>
  askAt(url)('POST', '/fhir', { body: orderBundle({ ...newPerson(), number }, number) })

const count = async ({ url }: Service, number: string): Promise<number | undefined> =>
  (await askAt(url)<Bundle>('GET', `/fhir/ServiceRequest?identifier=${number}`)).body.entry?.length

const ready = async ({ url }: Service): Promise<number> => (await askAt(url)('GET', '/readyz')).status

describe('the server of the database', () => {
  let folder: string
  let running: Running
  beforeAll(async () => {
    folder = await scratchFolder()
    running = await start(folder)
  })
  afterAll(async () => {
    await running?.service.close()
    await rm(folder, { recursive: true, force: true })
  })

  test.each([
    ['is killed', 'SIGKILL'],
    ['is stopped fast by somebody', 'SIGINT'],
    ['is stopped at once by somebody', 'SIGQUIT'],
  ] as const)('that %s is started again, and what was acknowledged is there', async (_, signal) => {
    const { service, lines } = running
    const number = `kept-${signal}`
    expect((await order(service, number)).status).toBe(200)
    const from = lines().length
    const pid = Number((await readFile(join(folder, 'postgres', 'postmaster.pid'), 'utf8')).split('\n')[0])
    process.kill(pid, signal)
    const told = (words: RegExp) =>
      lines()
        .slice(from)
        .some((l) => words.test(l.msg ?? ''))
    await expect.poll(() => told(/^The embedded database ended by itself/), until).toBe(true)
    await expect.poll(() => told(/^The embedded database runs again on 127\.0\.0\.1:/), until).toBe(true)
    await expect.poll(() => ready(service), until).toBe(200)
    await expect.poll(() => count(service, number), until).toBe(1)
    await expect.poll(async () => (await order(service)).status, until).toBe(200)
    expect((await askAt(service.url)('GET', '/healthz')).status).toBe(200)
  })
})

/** A small disk of its own, or why there is none. */
const smallDisk = async (): Promise<{ folder: string; unmount: () => void } | undefined> => {
  const folder = await scratchFolder()
  try {
    execFileSync('mount', ['-t', 'tmpfs', '-o', 'size=160m', 'tmpfs', folder], { stdio: 'ignore' })
  } catch {
    await rm(folder, { recursive: true, force: true })
    return undefined
  }
  await chmod(folder, 0o711)
  return {
    folder,
    unmount: () => execFileSync('umount', ['-l', folder]),
  }
}

test('a disk that is full is told with 503, and served again when there is room', async ({ skip }) => {
  const disk = await smallDisk()
  if (disk === undefined) return skip('only who may mount can make a disk that is small enough to fill')
  const ballast = join(disk.folder, 'ballast')
  const { service } = await start(disk.folder)
  try {
    expect((await order(service, 'before-full')).status).toBe(200)
    const file = await open(ballast, 'w')
    const block = Buffer.alloc(64 * 1024, 1)
    await (async () => {
      for (;;) await file.write(block)
    })().catch((error: NodeJS.ErrnoException) => expect(error.code).toBe('ENOSPC'))
    await file.close()

    const acknowledged: string[] = []
    let refused: Answer<OperationOutcome> | undefined
    for (let n = 0; refused === undefined && n < 3_000; n += 1) {
      const answer = await order(service, `full-${n}`)
      if (answer.status === 200) acknowledged.push(`full-${n}`)
      else refused = answer
    }
    expect(refused?.status, refused?.text).toBe(503)
    expect(refused?.headers.get('retry-after')).toMatch(/^\d+$/)
    expect(refused?.body.issue[0]?.code).toBe('transient')
    expect(await ready(service)).toBe(503)
    expect((await askAt(service.url)('GET', '/healthz')).status).toBe(200)

    await rm(ballast)
    await expect.poll(async () => (await order(service)).status, until).toBe(200)
    for (const number of ['before-full', ...acknowledged.slice(-5)])
      await expect.poll(() => count(service, number), until).toBe(1)
  } finally {
    await rm(ballast, { force: true })
    await service.close()
    disk.unmount()
    await rm(disk.folder, { recursive: true, force: true })
  }
})
