/** A worn recorder comes back, over HTTP: contract sections 3, 6 and 7. */
import type {
  DetectedIssue,
  Device,
  DeviceUseStatement,
  DiagnosticReport,
  Observation,
  OperationOutcome,
  Task,
} from 'fhir/r4.js'
import { afterAll, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { noonZone } from '../bench/processes.ts'
import { type Ask, caller, testCallers, testSites, useTestService } from '../support/service.ts'
import {
  codesOf,
  found,
  inDatabase,
  label,
  link,
  newSerial,
  operate,
  out,
  outs,
  read,
  type Said,
  seconds,
  sendOrder,
  verdict,
} from './bedside.ts'

const pebble = await startReadingService()
afterAll(() => pebble.stop())

const service = useTestService({
  pebble: pebble.base,
  callers: [...testCallers, caller('slate', 'reading-service')],
  // a link of what was put on two hours ago is late after each cut-off and each midnight
  sites: testSites.map((s) => ({ ...s, timeZone: noonZone() })),
  roundMs: 100,
})

const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const otherClinic: Ask = (...asked) => service().as('lane-desk')(...asked)

const ago = (s: number): string => seconds(Date.now(), -s)

const linked = async (said: Said = {}) => {
  const ordered = await sendOrder(ehr)
  const serial = newSerial()
  const answer = await link(bay, ordered, { scan: label(serial), appliedAt: ago(7200), ...said })
  const made = out<DeviceUseStatement>(answer, 'link')
  return { ordered, serial, id: made.id ?? '', device: out<Device>(answer, 'device').id ?? '', link: made }
}

const giveBack = (said: Said, ask: Ask = bay, dryRun = false) =>
  operate(ask, 'Device/$record-return', { receivedAt: ago(60), ...said }, dryRun)

const countOf = async (table: string, where: string, values: unknown[]): Promise<number> => {
  const [row] = await inDatabase<{ n: number }>(
    service().database,
    `select count(*)::int as n from ${table} where ${where}`,
    values,
  )
  return row?.n ?? -1
}

const names = (answer: Awaited<ReturnType<typeof giveBack>>) => (answer.body.parameter ?? []).map((p) => p.name)

describe('a linked recorder that comes back', () => {
  test('ends the wear, and makes a report and an observation without a value', async () => {
    const { ordered, serial, id, device, link: before } = await linked()
    const receivedAt = ago(60)
    const answer = await giveBack({ scan: label(serial), receivedAt })
    expect(names(answer).toSorted()).toEqual(['link', 'observation', 'report'])
    const link = out<DeviceUseStatement>(answer, 'link')
    expect(link).toMatchObject({ id, status: 'completed', timingPeriod: { start: before.timingPeriod?.start } })
    expect(link.timingPeriod?.end).toBe(receivedAt)
    expect(JSON.stringify(link.timingPeriod?.extension)).toContain('assumed')
    const observation = out<Observation>(answer, 'observation')
    const report = out<DiagnosticReport>(answer, 'report')
    const common = {
      status: 'registered',
      basedOn: [{ reference: `ServiceRequest/${ordered.order}` }],
      subject: { reference: `Patient/${ordered.patient}` },
    }
    expect(observation).toMatchObject({ ...common, device: { reference: `Device/${device}` } })
    expect(report).toMatchObject({ ...common, result: [{ reference: `Observation/${observation.id}` }] })
    for (const stub of [observation, report]) {
      expect(stub.effectivePeriod).toEqual({ start: before.timingPeriod?.start, end: receivedAt })
      expect(Object.keys(stub).filter((k) => /^(value|conclusion|interpretation|presented)/.test(k))).toEqual([])
    }
    expect((await read<Device>(bay, `Device/${device}`)).patient).toBeUndefined()
    expect(await read<DiagnosticReport>(bay, `DiagnosticReport/${report.id}`)).toEqual(report)
    expect(await found(bay, `DetectedIssue?implicated=Device/${device}`)).toEqual([])
  })

  test('is told to the reading service', async () => {
    const { ordered, serial, id } = await linked()
    const answer = await giveBack({ scan: label(serial) })
    const [report, observation] = [out(answer, 'report'), out(answer, 'observation')]
    const held = (type: string, ours: string | undefined) =>
      pebble.resources(type).filter((r) => JSON.stringify(r).includes(`"value":"${ours}"`)) as { status?: string }[]
    await expect.poll(() => held('DiagnosticReport', report.id).map((r) => r.status)).toEqual(['registered'])
    expect(held('Observation', observation.id).map((r) => r.status)).toEqual(['registered'])
    expect(held('DeviceUseStatement', id).map((r) => r.status)).toEqual(['completed'])
    expect(held('ServiceRequest', ordered.order)).toHaveLength(1)
    expect(pebble.complaints).toEqual([])
  })

  test('ends the wear when it came off, where that is known', async () => {
    const { serial } = await linked()
    const wornUntil = ago(3600)
    const link = out<DeviceUseStatement>(await giveBack({ scan: label(serial), wornUntil }), 'link')
    expect(link.timingPeriod?.end).toBe(wornUntil)
    expect(link.timingPeriod?.extension).toBeUndefined()
  })

  test('leaves an end that was told before as it was told', async () => {
    const { serial, id } = await linked()
    const endedAt = ago(1800)
    await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt, why: 'failed' })
    const wornUntil = ago(900)
    const back = { scan: label(serial), wornUntil }
    // whoever may not see the link is not told when it ended
    const elsewhere = await giveBack(back, otherClinic, true)
    expect([elsewhere.status, names(elsewhere)]).toEqual([200, []])
    const answer = await giveBack(back)
    const outcome = out<OperationOutcome>(answer, 'outcome')
    expect(codesOf(outcome)).toEqual(['end-stands'])
    expect(outcome.issue[0]?.diagnostics).toContain(wornUntil)
    expect(outcome.issue[0]?.diagnostics).toContain(endedAt.slice(0, 19))
    const link = out<DeviceUseStatement>(answer, 'link')
    expect(link.status).toBe('stopped')
    expect(link.timingPeriod?.end).toBe(endedAt)
    expect(names(answer)).toContain('report')
  })

  test('belongs to the wear that was the last to begin before it', async () => {
    const first = await linked({ appliedAt: ago(7200), endedAt: ago(5400) })
    const second = await sendOrder(ehr)
    const scan = label(first.serial)
    const later = out(await link(bay, second, { scan, appliedAt: ago(3600) }), 'link')
    expect(out(await giveBack({ scan, receivedAt: ago(4000) }), 'link').id).toBe(first.id)
    expect(out(await giveBack({ scan, receivedAt: ago(50) }), 'link').id).toBe(later.id)
    const surplus = await giveBack({ scan, receivedAt: ago(40) })
    expect(names(surplus)).toEqual(['gap'])
  })

  test('is never given to an earlier patient when it was seen on somebody unknown since', async () => {
    const { ordered, serial, id } = await linked({ endedAt: ago(5400) })
    await operate(bay, 'Device/$record-application', {
      scan: label(serial),
      appliedAt: ago(3600),
      site: { system: 'https://daybind.example/sites', value: 'quarry-lane' },
      evidence: 'capture',
    }).then((refused) => expect(refused.status).toBe(422))
    await operate(otherClinic, 'Device/$record-application', {
      scan: label(serial),
      appliedAt: ago(3600),
      site: { system: 'https://daybind.example/sites', value: 'quarry-lane' },
      evidence: 'capture',
    })
    const answer = await giveBack({ scan: label(serial) })
    expect(names(answer)).toEqual(['gap'])
    for (const word of [ordered.patient, ordered.order, id]) expect(answer.text).not.toContain(word)
  })
})

describe('a recorder that is linked to nobody', () => {
  test('opens a gap that names no patient, and nothing goes out', async () => {
    const scan = label(newSerial())
    // what earlier tests sent may still arrive: what counts is what is queued
    const queued = async () =>
      (await inDatabase<{ n: number }>(service().database, 'select count(*)::int as n from deliveries'))[0]?.n
    const before = await queued()
    const answer = await giveBack({ scan })
    expect(names(answer)).toEqual(['gap'])
    const gap = out<DetectedIssue>(answer, 'gap')
    expect(gap).toMatchObject({ status: 'final', severity: 'high' })
    expect(gap.code?.coding?.[0]?.code).toBe('return-without-patient')
    expect(gap.mitigation).toBeUndefined()
    expect(answer.text).not.toMatch(/"patient"|Patient\/|ServiceRequest\//)
    expect(await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)).toEqual(gap)
    const device = gap.implicated?.[0]?.reference ?? ''
    expect((await read<Device>(bay, device)).patient).toBeUndefined()
    for (const type of ['DeviceUseStatement', 'Observation'])
      expect(await found(bay, `${type}?device=${device}`), type).toEqual([])
    const kept = await inDatabase<{ state: object }>(
      service().database,
      'select state from journal where device_id = $1::uuid',
      [device.replace('Device/', '')],
    )
    expect(kept.length).toBeGreaterThan(1)
    expect(JSON.stringify(kept)).not.toMatch(/patientId|orderId/)
    expect(await queued()).toBe(before)
  })

  test('makes no stubs for whoever had it before it was put on again the same day', async () => {
    const { ordered, serial, id, device } = await linked({ appliedAt: ago(300) })
    await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt: ago(240), why: 'removed' })
    await operate(bay, 'Device/$record-application', {
      scan: label(serial),
      appliedAt: ago(180),
      site: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
      evidence: 'capture',
    })
    const answer = await giveBack({ scan: label(serial) })
    expect(names(answer)).toEqual(['gap'])
    expect(out<DetectedIssue>(answer, 'gap').patient).toBeUndefined()
    expect(await found(bay, `DiagnosticReport?based-on=ServiceRequest/${ordered.order}`)).toEqual([])
    const gaps = await found<DetectedIssue>(bay, `DetectedIssue?implicated=Device/${device}`)
    expect(gaps.map((g) => g.code?.coding?.[0]?.code).toSorted()).toEqual(['no-link', 'return-without-patient'])
  })

  test('finds its patient by a later link: a completed one with its stubs, and the gap is mended', async () => {
    const scan = label(newSerial())
    const receivedAt = ago(60)
    const gap = out<DetectedIssue>(await giveBack({ scan, receivedAt }), 'gap')
    const ordered = await sendOrder(ehr)
    const answer = await link(bay, ordered, { scan, appliedAt: ago(3600) })
    const made = out<DeviceUseStatement>(answer, 'link')
    expect(made.status).toBe('completed')
    expect(made.timingPeriod?.end).toBe(receivedAt)
    expect(out<Device>(answer, 'device').patient).toBeUndefined()
    expect(
      await found(bay, `DiagnosticReport?based-on=ServiceRequest/${ordered.order}&status=registered`),
    ).toHaveLength(1)
    expect(await found(bay, `Observation?based-on=ServiceRequest/${ordered.order}&status=registered`)).toHaveLength(1)
    const mended = await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)
    expect(mended.mitigation?.[0]?.action.coding?.[0]?.code).toBe('linked')
    expect(mended.patient?.reference).toBe(`Patient/${ordered.patient}`)
    const sent = () => pebble.received.filter((r) => JSON.stringify(r.bundle).includes(ordered.order))
    await expect.poll(() => sent().length).toBe(1)
    expect(sent()[0]?.bundle.entry?.map((e) => e.resource?.resourceType)).toContain('DiagnosticReport')
    expect(pebble.complaints).toEqual([])
    const again = await giveBack({ scan, receivedAt })
    expect(out(again, 'link').id).toBe(made.id)
    expect(names(again)).toContain('report')
  })

  test('is not ended by a return that lies before the application', async () => {
    const scan = label(newSerial())
    const gap = out<DetectedIssue>(await giveBack({ scan, receivedAt: ago(3600) }), 'gap')
    const ordered = await sendOrder(ehr)
    const made = out<DeviceUseStatement>(await link(bay, ordered, { scan, appliedAt: ago(600) }), 'link')
    expect(made.status).toBe('active')
    expect((await read<DetectedIssue>(bay, `DetectedIssue/${gap.id}`)).mitigation).toBeUndefined()
  })
})

describe('the same return again', () => {
  test('gets the same answer and is kept once, linked or not', async () => {
    const { serial, device } = await linked()
    const receivedAt = ago(60)
    const first = await giveBack({ scan: label(serial), receivedAt })
    const second = await giveBack({ scan: label(serial), receivedAt })
    expect(second.text).toBe(first.text)
    expect(await countOf('returns', 'device_id = $1::uuid', [device])).toBe(1)
    expect(await countOf('stubs', `state->>'deviceId' = $1`, [device])).toBe(1)
    const scan = label(newSerial())
    const [a, b] = [await giveBack({ scan, receivedAt }), await giveBack({ scan, receivedAt })]
    expect(b.text).toBe(a.text)
  })

  test('from sixteen desks at once is one return', async () => {
    const { serial, device } = await linked()
    const said = { scan: label(serial), receivedAt: ago(60) }
    const answers = await Promise.all(Array.from({ length: 16 }, () => giveBack(said)))
    expect(new Set(answers.map((a) => `${a.status} ${a.text}`)).size).toBe(1)
    expect(answers[0]?.status).toBe(200)
    expect(await countOf('returns', 'device_id = $1::uuid', [device])).toBe(1)
  })

  test('under a capture key gives the first answer, to the byte', async () => {
    const { serial } = await linked()
    const said = { scan: label(serial), receivedAt: ago(60), captureKey: 'back-1' }
    const first = await giveBack(said)
    expect((await giveBack(said)).text).toBe(first.text)
    expect(verdict(await giveBack({ ...said, receivedAt: ago(50) }))).toBe('409 key-reused')
  })
})

test('a return and the link that it belongs to may come at once, in either order', async () => {
  const races = await Promise.all(
    Array.from({ length: 8 }, async (_, i) => {
      const [ordered, scan] = [await sendOrder(ehr), label(newSerial())]
      const back = () => giveBack({ scan, receivedAt: ago(60) })
      const tie = () => link(bay, ordered, { scan, appliedAt: ago(3600) })
      const answers = await Promise.all(i % 2 === 0 ? [back(), tie()] : [tie(), back()])
      expect(answers.map((a) => a.status)).toEqual([200, 200])
      return { ordered, gaps: answers.flatMap((a) => outs<DetectedIssue>(a, 'gap')) }
    }),
  )
  for (const { ordered, gaps } of races) {
    const [made] = await found<DeviceUseStatement>(bay, `DeviceUseStatement?based-on=ServiceRequest/${ordered.order}`)
    expect(made?.status).toBe('completed')
    expect(await found(bay, `DiagnosticReport?based-on=ServiceRequest/${ordered.order}`)).toHaveLength(1)
    for (const { id } of gaps)
      expect((await read<DetectedIssue>(bay, `DetectedIssue/${id}`)).mitigation).toHaveLength(1)
  }
})

describe('who records it', () => {
  test('may be a reading service, which sees the link when the order was sent to it', async () => {
    const { serial, id } = await linked()
    const answer = await giveBack({ scan: label(serial) }, service().as('pebble'))
    expect(out<DeviceUseStatement>(answer, 'link')).toMatchObject({ id, status: 'completed' })
  })

  test('may not be a source, nor nobody', async () => {
    const { serial } = await linked()
    expect(verdict(await giveBack({ scan: label(serial) }, ehr))).toBe('403 not-allowed')
    expect(verdict(await giveBack({ scan: label(serial) }, service().call))).toBe('401 login-needed')
  })

  test.each([
    ['a clinic of another site', 'lane-desk'],
    ['a reading service to which the order was not sent', 'slate'],
  ])('%s is not told whose it was, and the wear ends all the same', async (_who, who) => {
    const { ordered, serial, id } = await linked()
    const answer = await giveBack({ scan: label(serial) }, service().as(who))
    expect([answer.status, answer.body]).toEqual([200, { resourceType: 'Parameters' }])
    const words = [...Object.values(ordered.person), ordered.order, ordered.patient, id]
    for (const word of words) expect(answer.text).not.toContain(word)
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('completed')
    const again = await giveBack({ scan: label(serial) }, service().as(who))
    for (const word of words) expect(again.text).not.toContain(word)
  })
})

describe('a refusal', () => {
  test('names every reason at once', async () => {
    const { serial } = await linked()
    const answer = await giveBack({
      scan: label(serial),
      receivedAt: seconds(Date.now(), 3600),
      wornUntil: seconds(Date.now(), 7200),
    })
    expect(answer.status).toBe(422)
    expect(codesOf(answer.body).filter((c) => c === 'in-the-future')).toHaveLength(2)
  })

  test.each([
    ['without a serial number', { scan: '(01)09520123456788' }, '422 no-serial'],
    ['with a wrong check digit', { scan: '(01)09520123456781(21)X' }, '422 check-digit'],
    ['without a moment', { receivedAt: undefined }, '400 missing-parameter'],
  ])('comes %s', async (_how, said, expected) => {
    expect(verdict(await giveBack({ scan: label(newSerial()), ...said }))).toBe(expected)
  })

  test('comes for a wear that would end after the return or before it began', async () => {
    const { serial, id } = await linked()
    const scan = label(serial)
    expect(verdict(await giveBack({ scan, receivedAt: ago(60), wornUntil: ago(30) }))).toBe('422 ends-before-start')
    expect(verdict(await giveBack({ scan, wornUntil: ago(9000) }))).toBe('422 ends-before-start')
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('active')
  })

  test('keeps nothing, and neither does a dry run', async () => {
    const { serial, id, device } = await linked()
    const dry = await giveBack({ scan: label(serial) }, bay, true)
    expect(names(dry).toSorted()).toEqual(['link', 'observation', 'report'])
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('active')
    expect(await countOf('returns', 'device_id = $1::uuid', [device])).toBe(0)
    const tasks = await found<Task>(
      bay,
      `Task?patient=${(await read<Device>(bay, `Device/${device}`)).patient?.reference}`,
    )
    expect(tasks.map((t) => t.status)).toEqual(['requested'])
  })
})
