/** Races with what comes from outside the calls: a delivery that is under way, and the cut-off of a day. */
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import { setTimeout as pause } from 'node:timers/promises'
import type { DeviceUseStatement, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { createTestDatabase } from '../support/database.ts'
import { startTestService, type TestService } from '../support/service.ts'
import { beginOn, inDatabase, label, link, newSerial, operate, out, sendOrder } from './bedside.ts'
import { inconsistencies } from './consistency.ts'

const pebble = await startReadingService()

/** Hands everything on to pebble, and lets it wait first. */
let underWay = 0
const slow = createServer((request, response) => {
  underWay += 1
  const hand = async () => {
    const body = await text(request)
    await pause(120)
    const headers = Object.fromEntries(
      ['content-type', 'x-request-id'].flatMap((n) => (request.headers[n] ? [[n, String(request.headers[n])]] : [])),
    )
    const answer = await fetch(`${pebble.base.replace(/\/fhir$/, '')}${request.url}`, {
      method: request.method ?? 'GET',
      headers,
      ...(body !== '' && { body }),
    })
    response.writeHead(answer.status, { 'content-type': 'application/fhir+json' }).end(await answer.text())
    underWay -= 1
  }
  hand().catch(() => request.socket.destroy())
})
await new Promise<void>((listening) => slow.listen(0, '127.0.0.1', listening))
const slowBase = `http://127.0.0.1:${(slow.address() as AddressInfo).port}/fhir`

const day = '2035-05-07'
/** 18:00 in Dublin. */
const cutOff = (date: string): string => `${date}T17:00:00.000000Z`
const patience = 400_000

describe('two instances on one database', () => {
  let url: string
  let drop: () => Promise<void>
  let services: TestService[]
  beforeAll(async () => {
    const database = await createTestDatabase()
    url = database.url
    drop = database.drop
    const options = { database: url, pebble: slowBase, roundMs: 100, deliveryDeadlineMs: 20_000 }
    services = await Promise.all([startTestService(options), startTestService(options)])
    const start = `${day}T09:00:00Z`
    await beginOn(url, start)
  })
  afterAll(async () => {
    await Promise.all(services.map((s) => s.close()))
    await drop()
    slow.close()
    slow.closeAllConnections()
    await pebble.stop()
  })

  let calls = 0
  const as = (caller: string) => (services[calls++ % 2] as TestService).as(caller)

  const heldAs = (type: 'DeviceUseStatement' | 'Task', id: string): string | undefined =>
    (pebble.resources(type) as (DeviceUseStatement | Task)[]).find((r) => r.identifier?.some((i) => i.value === id))
      ?.status

  test(
    'a link that is corrected while it is being delivered arrives as it was and then as it is',
    async () => {
      for (let round = 0; round < 4; round += 1) {
        const ordered = await sendOrder(as('harbour-ehr'))
        const appliedAt = `${day}T08:00:00Z`
        const first = await link(as('bay-3'), ordered, { scan: label(newSerial()), appliedAt })
        const wrong = out<DeviceUseStatement>(first, 'link').id ?? ''
        await expect.poll(() => underWay, { interval: 5 }).toBeGreaterThan(0)
        const said = { because: 'The wrong one was scanned.', scan: label(newSerial()) }
        const corrected = await operate(as('bay-3'), `DeviceUseStatement/${wrong}/$correct-link`, said)
        const right = out<DeviceUseStatement>(corrected, 'link').id ?? ''
        const sent = () =>
          inDatabase<{ id: string; fate: string }>(
            url,
            'select id, fate from deliveries where order_id = $1 order by seq',
            [ordered.order],
          )
        await expect.poll(async () => (await sent()).map((d) => d.fate)).toEqual(['sent', 'sent'])
        expect([heldAs('DeviceUseStatement', wrong), heldAs('DeviceUseStatement', right)]).toEqual([
          'entered-in-error',
          'active',
        ])
        const arrived = pebble.received.map((r) => JSON.stringify(r.bundle)).filter((b) => b.includes(ordered.order))
        const inOrder = (await sent()).map((d) => d.id)
        expect(arrived.map((b) => inOrder.findIndex((id) => b.includes(id)))).toEqual([0, 1])
      }
      expect(pebble.complaints).toEqual([])
    },
    patience,
  )

  interface Counted {
    readonly asOf: string
    readonly linked: { readonly initial: number; readonly denominator: number; readonly numerator: number }
    readonly gaps: readonly { readonly gap: string; readonly recorder?: string }[]
  }

  test(
    'a link at the cut-off is in time or late, and the evening that is issued then says the same as all others',
    async () => {
      const date = '2035-05-08'
      const services0 = services[0] as TestService
      await services0.setClock(`${date}T16:59:59.200Z`)
      const tied: { serial: string; tiedAt: string }[] = []
      const desk = async (): Promise<void> => {
        for (;;) {
          const [ordered, serial] = [await sendOrder(as('harbour-ehr')), newSerial()]
          const answer = await link(as('bay-3'), ordered, { scan: label(serial), appliedAt: `${date}T16:00:00Z` })
          const id = out<DeviceUseStatement>(answer, 'link').id
          const [row] = await inDatabase<{ at: string }>(
            url,
            `select state->>'tiedAt' as at from links where id = $1`,
            [id],
          )
          tied.push({ serial, tiedAt: row?.at ?? '' })
          if ((row?.at ?? '') >= `${date}T17:00:00.300000Z`) return
        }
      }
      await Promise.all(Array.from({ length: 6 }, desk))
      const issued = () =>
        inDatabase<{ at: string; report: string }>(
          url,
          `select to_char(as_of at time zone 'utc', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') as at, report from evenings
         where site = 'tern-harbour' and day = $1 and moment = 'cut-off'`,
          [date],
        )
      await expect.poll(async () => (await issued()).length).toBe(1)
      const [evening] = await issued()
      const inTime = tied.filter((t) => t.tiedAt < cutOff(date))
      const known = tied.filter((t) => t.tiedAt <= (evening?.at ?? ''))
      const told = await as('bay-3')<Counted>('GET', `/reports/day/tern-harbour/${date}.json?asOf=${evening?.at}`)
      expect(told.body.linked).toEqual({ initial: known.length, denominator: known.length, numerator: inTime.length })
      const late = (list: typeof tied) => list.filter((t) => t.tiedAt >= cutOff(date)).map((t) => t.serial)
      const gaps = (c: Counted) => c.gaps.filter((g) => g.gap === 'late-link').map((g) => g.recorder ?? '')
      expect(gaps(told.body).toSorted()).toEqual(late(known).toSorted())
      const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
      const again = await operate(as('bay-3'), '$reconcile-day', { site, date, asOf: evening?.at })
      expect(again.text).toBe(evening?.report)
      const now = await as('bay-3')<Counted>('GET', `/reports/day/tern-harbour/${date}.json`)
      expect(gaps(now.body).toSorted()).toEqual(late(tied).toSorted())
      expect(now.body.linked).toEqual({ initial: tied.length, denominator: tied.length, numerator: inTime.length })
    },
    patience,
  )

  test(
    'nothing of what is stored contradicts the rest',
    async () => {
      expect(await inconsistencies(url, (services[0] as TestService).configuration)).toEqual([])
    },
    patience,
  )
})
