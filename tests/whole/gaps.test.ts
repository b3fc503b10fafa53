/** Gaps that need more than one look, over HTTP: refused links, two recorders, orders by hand, work, returns; and why. */
import type { Bundle, DetectedIssue, DeviceUseStatement, Parameters, Task } from 'fhir/r4.js'
import { beforeAll, describe, expect, test } from 'vitest'
import { why } from '../../src/commands.ts'
import { answerTask } from '../../src/testkit/answer-task.ts'
import { type Ask, askingAs, tokenOf, useTestService } from '../support/service.ts'
import {
  beginOn,
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  operate,
  out,
  outs,
  sendOrder,
  verdict,
} from './bedside.ts'

const day = '2035-03-21'
const at = (time: string): string => `${day}T${time}Z`

const service = useTestService()
const as = askingAs(service)
const [ehr, bay, lane, ops] = [as('harbour-ehr'), as('bay-3'), as('lane-desk'), as('ops')]

/** The gaps of a code that name this resource: `final open`, `preliminary mended: linked`. */
const gaps = async (ask: Ask, code: string, implicated: string): Promise<readonly string[]> =>
  (await found<DetectedIssue>(ask, `DetectedIssue?code=${code}&implicated=${implicated}&_sort=_lastUpdated`)).map(
    (g) => {
      const action = g.mitigation?.[0]?.action.coding?.[0]?.code
      return `${g.status} ${action === undefined ? 'open' : `mended: ${action}`}`
    },
  )

const gap = async (ask: Ask, code: string, implicated: string): Promise<DetectedIssue> => {
  const all = await found<DetectedIssue>(ask, `DetectedIssue?code=${code}&implicated=${implicated}`)
  const [only, ...others] = all
  if (only === undefined || others.length > 0) throw new Error(`${all.length} gaps ${code}`)
  return only
}

beforeAll(async () => {
  await beginOn(service().database, at('08:00:00'))
})

describe('a link that was refused because the recorder is on somebody else', () => {
  const serial = newSerial()
  test('opens a gap that tells the other site nothing, and is mended when the patient gets another recorder', async () => {
    const [here, there] = [await sendOrder(ehr, { visit: day }), await sendOrder(ehr, { site: 'quarry-lane' })]
    const first = await link(lane, there, { scan: label(serial), appliedAt: at('07:00:00') })
    expect(first.status, first.text).toBe(200)
    const asked = { scan: label(serial), appliedAt: at('07:30:00') }
    expect(verdict(await link(bay, here, asked, true))).toBe('409 device-linked')
    expect(await gaps(bay, 'device-on-two-patients', `ServiceRequest/${here.order}`)).toEqual([])
    expect(verdict(await link(bay, here, asked))).toBe('409 device-linked')
    expect(verdict(await link(bay, here, asked))).toBe('409 device-linked')
    expect(await gaps(bay, 'device-on-two-patients', `ServiceRequest/${here.order}`)).toEqual(['final open'])
    const told = JSON.stringify(await gap(bay, 'device-on-two-patients', `ServiceRequest/${here.order}`))
    for (const theirs of [there.order, there.patient, out<DeviceUseStatement>(first, 'link').id ?? ''])
      expect(told).not.toContain(theirs)
    expect((await link(bay, here, { scan: label(newSerial()), appliedAt: at('07:31:00') })).status).toBe(200)
    expect(await gaps(bay, 'device-on-two-patients', `ServiceRequest/${here.order}`)).toEqual(['final mended: linked'])
  })

  test('opens nothing where the patient was not the right one either', async () => {
    const [one, two] = [await sendOrder(ehr), await sendOrder(ehr)]
    const scan = label(newSerial())
    await link(bay, one, { scan, appliedAt: at('07:00:00') })
    expect(verdict(await link(bay, two, { scan, appliedAt: at('07:30:00'), birthDate: '1901-01-01' }))).toMatch(
      /^409|^422/,
    )
    expect(await gaps(bay, 'device-on-two-patients', `ServiceRequest/${two.order}`)).toEqual([])
  })

  test('is no more when the other link turns out to have been the wrong one', async () => {
    const [one, two] = [await sendOrder(ehr), await sendOrder(ehr)]
    const scan = label(newSerial())
    const wrong = out<DeviceUseStatement>(await link(bay, one, { scan, appliedAt: at('07:00:00') }), 'link')
    await link(bay, two, { scan, appliedAt: at('07:30:00') })
    await operate(bay, `DeviceUseStatement/${wrong.id}/$correct-link`, { because: 'It was the next patient’s.' })
    expect(await gaps(bay, 'device-on-two-patients', `ServiceRequest/${two.order}`)).toEqual([
      'final mended: confirmed',
    ])
  })
})

describe('two recorders on one patient', () => {
  test('are told once, name both links, and are closed by a word or a correction', async () => {
    const person = newPerson()
    const orders = [
      await sendOrder(ehr, { person, placer: `A-${person.number}` }),
      await sendOrder(ehr, { person, placer: `B-${person.number}` }),
    ]
    const links: DeviceUseStatement[] = []
    for (const [i, order] of orders.entries())
      links.push(out(await link(bay, order, { scan: label(newSerial()), appliedAt: at(`07:0${i}:00`) }), 'link'))
    const [first, second] = links.map((l) => `DeviceUseStatement/${l.id}`)
    const issue = await gap(bay, 'patient-with-two-devices', `${second}`)
    expect(issue.severity).toBe('low')
    expect(issue.implicated?.map((r) => r.reference)).toEqual(expect.arrayContaining([first, second]))
    await operate(bay, `${first}/$correct-link`, { because: 'It was somebody else.' })
    expect(await gaps(bay, 'patient-with-two-devices', `${second}`)).toEqual(['final mended: confirmed'])
  })
})

describe('a recorder on a patient for whom no order of the EHR asks', () => {
  beforeAll(() => service().setClock(at('18:00:00')))

  test('is told where the clinic wrote the order itself, until somebody confirms it', async () => {
    const by = await sendOrder(bay, { system: 'https://tern.example/paper' })
    await link(bay, by, { scan: label(newSerial()), appliedAt: at('17:00:00') })
    const issue = await gap(bay, 'link-without-order', `ServiceRequest/${by.order}`)
    expect(issue.status).toBe('final')
    const done = await operate(bay, `DetectedIssue/${issue.id}/$resolve`, {
      action: 'confirmed',
      note: 'The paper stands.',
    })
    expect(done.status, done.text).toBe(200)
    expect(await gaps(bay, 'link-without-order', `ServiceRequest/${by.order}`)).toEqual(['final mended: confirmed'])
  })

  test('is told while its order is on hold, and no more when it is active again', async () => {
    const ordered = await sendOrder(ehr)
    await link(bay, ordered, { scan: label(newSerial()), appliedAt: at('17:00:00') })
    const named = { ...ordered, placer: ordered.placer.value ?? '' }
    await sendOrder(ehr, { ...named, status: 'on-hold' })
    expect(await gaps(bay, 'link-without-order', `ServiceRequest/${ordered.order}`)).toEqual(['final open'])
    await sendOrder(ehr, { ...named, status: 'active' })
    await sendOrder(ehr, { ...named, status: 'on-hold' })
    expect(await gaps(bay, 'link-without-order', `ServiceRequest/${ordered.order}`)).toEqual([
      'final mended: confirmed',
      'final open',
    ])
    const all = await found<DetectedIssue>(
      bay,
      `DetectedIssue?code=link-without-order&implicated=ServiceRequest/${ordered.order}&_sort=_lastUpdated`,
    )
    expect(all[1]?.implicated).toContainEqual({ reference: `DetectedIssue/${all[0]?.id}` })
  })
})

describe('a reading service that does not accept in time', () => {
  test('is told on the evening of the day on which its time is over, and no more when it accepts', async () => {
    const ordered = await sendOrder(ehr)
    const linked = await link(bay, ordered, { scan: label(newSerial()), appliedAt: at('17:50:00') })
    const [task] = outs<Task>(linked, 'task')
    expect(await gaps(bay, 'not-taken', `ServiceRequest/${ordered.order}`)).toEqual([])
    await service().setClock('2035-03-22T00:00:00Z')
    expect(await gaps(bay, 'not-taken', `ServiceRequest/${ordered.order}`)).toEqual(['final open'])
    const accepted = await answerTask({
      daybind: `${service().url}/fhir`,
      token: tokenOf('pebble'),
      taskId: task?.id ?? '',
      status: 'accepted',
    })
    expect(accepted.status).toBe(200)
    expect(await gaps(bay, 'not-taken', `ServiceRequest/${ordered.order}`)).toEqual(['final mended: confirmed'])
  })

  test('is told at once when it declines', async () => {
    const ordered = await sendOrder(ehr)
    const linked = await link(bay, ordered, { scan: label(newSerial()), appliedAt: at('23:50:00') })
    const [task] = outs<Task>(linked, 'task')
    await answerTask({
      daybind: `${service().url}/fhir`,
      token: tokenOf('pebble'),
      taskId: task?.id ?? '',
      status: 'rejected',
    })
    const issue = await gap(bay, 'not-taken', `ServiceRequest/${ordered.order}`)
    expect(issue.detail).toContain('pebble declined it')
  })
})

describe('a recorder that does not come back', () => {
  test('is told on the evening of the day on which wear and transit are over, as of any moment', async () => {
    const [one, lost, back] = [await sendOrder(ehr), await sendOrder(ehr), await sendOrder(ehr)]
    const serials = [newSerial(), newSerial(), newSerial()]
    const links: DeviceUseStatement[] = []
    for (const [i, order] of [one, lost, back].entries())
      links.push(out(await link(bay, order, { scan: label(serials[i] ?? ''), appliedAt: at('23:55:00') }), 'link'))
    await operate(bay, 'Device/$record-return', { scan: label(serials[2] ?? ''), receivedAt: '2035-03-22T00:00:00Z' })
    // fourteen days of wear, ten of transit; Dublin is an hour ahead by then
    await service().setClock('2035-04-14T23:00:00Z')
    expect(await gaps(bay, 'overdue-return', `ServiceRequest/${one.order}`)).toEqual([])
    await service().setClock('2035-04-15T23:00:00Z')
    const all = await Promise.all(
      [one, lost, back].map((o) => gaps(bay, 'overdue-return', `ServiceRequest/${o.order}`)),
    )
    expect(all).toEqual([['final open'], ['final open'], []])
    const evening = await operate(bay, '$reconcile-day', {
      site: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
      date: '2035-04-15',
    })
    const told = (JSON.parse(evening.text) as Bundle<DetectedIssue>).entry?.flatMap((e) =>
      e.resource?.code?.coding?.[0]?.code === 'overdue-return' ? (e.resource.implicated ?? []) : [],
    )
    const orders = [one, lost, back].map((o) => told?.some((r) => r.reference === `ServiceRequest/${o.order}`))
    expect(orders).toEqual([true, true, false])
    await operate(bay, `DeviceUseStatement/${links[1]?.id}/$end-link`, { endedAt: '2035-04-01T10:00:00Z', why: 'lost' })
    expect(await gaps(bay, 'overdue-return', `ServiceRequest/${lost.order}`)).toEqual(['final mended: cancelled'])
    await operate(bay, 'Device/$record-return', { scan: label(serials[0] ?? ''), receivedAt: '2035-04-15T22:00:00Z' })
    expect(await gaps(bay, 'overdue-return', `ServiceRequest/${one.order}`)).toEqual(['final mended: returned'])
  })
})

describe('a recorder that did not come back and is on the next patient', () => {
  test('is told no more once that is recorded, nor found open', async () => {
    const [one, next] = [await sendOrder(ehr), await sendOrder(ehr)]
    const scan = label(newSerial())
    const wear = { scan, appliedAt: '2035-03-30T10:00:00Z', endedAt: '2035-04-01T10:00:00Z' }
    expect((await link(bay, one, wear)).status).toBe(200)
    expect(await gaps(bay, 'overdue-return', `ServiceRequest/${one.order}`)).toEqual(['final open'])
    expect((await link(bay, next, { scan, appliedAt: '2035-04-15T21:00:00Z' })).status).toBe(200)
    expect(await gaps(bay, 'overdue-return', `ServiceRequest/${one.order}`)).toEqual(['final mended: returned'])
  })
})

describe('why there is a gap', () => {
  test('is answered by the facts of the journal, in words and in JSON', async () => {
    const serial = newSerial()
    const seen = { scan: label(serial), site: { system: 'https://daybind.example/sites', value: 'tern-harbour' } }
    const applied = await operate(bay, 'Device/$record-application', {
      ...seen,
      evidence: 'capture',
      appliedAt: '2035-04-15T21:00:00Z',
    })
    const deviceId = (applied.body as Parameters).parameter?.find((p) => p.name === 'device')?.resource?.id ?? ''
    const issue = await gap(bay, 'no-link', `Device/${deviceId}`)
    const numbers = (issue.evidence ?? []).flatMap((e) => e.detail ?? []).map((d) => d.identifier?.value)
    const rows = await inDatabase<{ seq: number; fact: string }>(
      service().database,
      `select seq, fact from journal where seq = any($1::bigint[])`,
      [numbers],
    )
    expect(rows).toEqual([{ seq: Number(numbers[0]), fact: 'device-applied' }])
    const asked = await ops<{ code: string; restsOn: { fact: number; what: string }[]; history: { what: string }[] }>(
      'GET',
      `/gaps/${issue.id}/why`,
    )
    expect(asked.body).toMatchObject({
      code: 'no-link',
      restsOn: [{ fact: Number(numbers[0]), what: 'device-applied', who: 'bay-3', restedOn: true }],
      history: [{ what: 'gap-opened' }],
    })
    const words = await why({ url: service().url, token: tokenOf('ops') }, issue.id ?? '', { json: false })
    expect(words.ok).toBe(true)
    expect(words.text).toContain(`* ${numbers[0]}`)
    expect(words.text).toContain('gap-opened')
    expect((await why({ url: service().url, token: tokenOf('bay-3') }, issue.id ?? '', { json: false })).ok).toBe(false)
    expect((await why({ url: service().url, token: tokenOf('ops') }, 'x', { json: true })).text).toContain('404')
  })
})
