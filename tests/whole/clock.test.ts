/** The machine's clock goes wrong by an hour: told by the clocks of the servers that are called. */
import { afterAll, beforeAll, expect, test } from 'vitest'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { startTestService, type TestService } from '../support/service.ts'
import { label, link, newSerial, seconds, sendOrder } from './bedside.ts'

let pebble: ReadingServiceCounterpart
let service: TestService
let wrongBy = 3_600_000
beforeAll(async () => {
  pebble = await startReadingService()
  service = await startTestService({ pebble: pebble.base, roundMs: 200, machineClock: () => Date.now() - wrongBy })
})
afterAll(async () => {
  await service?.close()
  await pebble?.stop()
})

const deliver = async () => {
  const ordered = await sendOrder(service.as('harbour-ehr'))
  const said = { scan: label(newSerial()), appliedAt: seconds(Date.now(), -60) }
  expect((await link(service.as('bay-3'), ordered, said)).status).toBe(200)
}
const off = async () => (await service.call<{ clockOffBySeconds?: number }>('GET', '/readyz')).body.clockOffBySeconds
const told = () => service.logLines().filter((l) => /clock/.test(String(l.msg)))

test('is told once while it lasts, and when it is over; nothing stops for it', async () => {
  expect(await off()).toBeUndefined()
  await deliver()
  await expect.poll(off).toBeGreaterThan(3590)
  await deliver()
  await expect.poll(() => pebble.received.length).toBe(2)
  expect(told().map((l) => l.level)).toEqual([40])
  wrongBy = 0
  await deliver()
  await expect.poll(off).toBeUndefined()
  expect(told().map((l) => l.level)).toEqual([40, 30])
})
