/** A site whose cut-off changes on a date, and which moves to another zone on the next. */
import type { Bundle, MeasureReport } from 'fhir/r4.js'
import { afterAll, beforeAll, expect, test } from 'vitest'
import type { EveningReport } from '../../src/board/evening-report.ts'
import { useTestDatabase } from '../support/database.ts'
import { startTestService, type TestService, testSites } from '../support/service.ts'
import { beginOn, inDatabase, label, link, newSerial, operate, sendOrder } from './bedside.ts'

const calendar = {
  timeZone: [{ zone: 'Europe/Dublin' }, { zone: 'America/New_York', from: '2035-07-12' }],
  cutOff: [{ at: '18:00' }, { at: '12:00', from: '2035-07-11' }],
}

const database = useTestDatabase()
let service: TestService

const start = (over: Partial<typeof calendar> = {}) =>
  startTestService({
    database: database().url,
    sites: testSites.map((s) => (s.id === 'tern-harbour' ? { ...s, ...calendar, ...over } : s)),
  })

beforeAll(async () => {
  service = await start()
  const begin = '2035-07-10T10:00:00Z'
  await beginOn(database().url, begin)
})
afterAll(() => service.close())

/** Links an order at 15:00Z whose recorder was switched on at 09:00Z: before noon at the site, and after the noon of Dublin. */
const linkOn = async (date: string) => {
  await service.setClock(`${date}T15:00:00Z`)
  const ordered = await sendOrder(service.as('harbour-ehr'))
  const appliedAt = `${date}T09:00:00Z`
  expect((await link(service.as('bay-3'), ordered, { scan: label(newSerial()), appliedAt })).status).toBe(200)
}

const reported = async (date: string) => {
  const { body } = await service.as('bay-3')<EveningReport>('GET', `/reports/day/tern-harbour/${date}.json`)
  const { initial, denominator, numerator } = body.linked
  return [body.timeZone, body.cutOff, initial, denominator, numerator]
}

const periodOf = async (date: string) => {
  const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
  const { text } = await operate(service.as('bay-3'), '$reconcile-day', { site, date })
  const { period } = (JSON.parse(text) as Bundle<MeasureReport>).entry?.[0]?.resource ?? {}
  return [period?.start, period?.end].map((t) => new Date(t ?? '').toISOString())
}

test('each day has the cut-off and the zone that count on it, also when its report is asked for later', async () => {
  for (const date of ['2035-07-10', '2035-07-11', '2035-07-12']) await linkOn(date)
  await service.setClock('2035-07-13T04:00:00Z')
  const rows = await inDatabase<{ day: string; moment: string; due: string }>(
    database().url,
    `select day::text, moment, to_char(due_at at time zone 'UTC', 'DD HH24:MI') as due from evenings
     where site = 'tern-harbour' order by due_at`,
  )
  // Dublin is an hour before UTC in July, New York four behind it: tzdata 2025b
  expect(rows.map(({ day, moment, due }) => `${day} ${moment} ${due}`)).toEqual([
    '2035-07-10 cut-off 10 17:00',
    '2035-07-10 day-end 10 23:00',
    '2035-07-11 cut-off 11 11:00',
    '2035-07-11 day-end 11 23:00',
    '2035-07-12 cut-off 12 16:00',
    '2035-07-12 day-end 13 04:00',
  ])
  expect(await reported('2035-07-10')).toEqual(['Europe/Dublin', '18:00', 1, 1, 1])
  expect(await reported('2035-07-11')).toEqual(['Europe/Dublin', '12:00', 1, 1, 0])
  expect(await reported('2035-07-12')).toEqual(['America/New_York', '12:00', 1, 1, 1])
})

test('the periods of the days follow each other over the move', async () => {
  expect(await periodOf('2035-07-11')).toEqual(['2035-07-10T23:00:00.000Z', '2035-07-11T22:59:59.999Z'])
  expect(await periodOf('2035-07-12')).toEqual(['2035-07-11T23:00:00.000Z', '2035-07-13T03:59:59.999Z'])
  expect(await periodOf('2035-07-13')).toEqual(['2035-07-13T04:00:00.000Z', '2035-07-14T03:59:59.999Z'])
})

test('an entry that is added with a later date changes no day before it', async () => {
  await service.close()
  service = await start({ cutOff: [...calendar.cutOff, { at: '09:00', from: '2035-07-13' }] })
  expect(await reported('2035-07-10')).toEqual(['Europe/Dublin', '18:00', 1, 1, 1])
  expect(await reported('2035-07-12')).toEqual(['America/New_York', '12:00', 1, 1, 1])
  expect(await reported('2035-07-13')).toEqual(['America/New_York', '09:00', 0, 0, 0])
})
