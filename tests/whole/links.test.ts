/** A recorder is tied to the patient of an order, over HTTP: contract sections 3, 5 and 6. */
import type {
  AuditEvent,
  DetectedIssue,
  Device,
  DeviceUseStatement,
  OperationOutcome,
  Patient,
  Procedure,
  Provenance,
  ServiceRequest,
  Task,
} from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { type Ask, useTestService } from '../support/service.ts'
import {
  codesOf,
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  out,
  outs,
  patientNumbers,
  placers,
  read,
  type Said,
  seconds,
  sendOrder,
  twoIdentifiers,
  verdict,
} from './bedside.ts'

const service = useTestService()
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const bay: Ask = (...asked) => service().as('bay-3')(...asked)
const otherClinic: Ask = (...asked) => service().as('lane-desk')(...asked)
const ops: Ask = (...asked) => service().as('ops')(...asked)

/** So many seconds before now. */
const ago = (s: number): string => seconds(Date.now(), -s)

/** An order of this site, and a link of it to a recorder of its own, an hour old. */
const linked = async (said: Said = {}) => {
  const ordered = await sendOrder(ehr)
  const serial = newSerial()
  const appliedAt = ago(3600)
  const answer = await link(bay, ordered, { scan: label(serial), appliedAt, ...said })
  const [made, device] = [out<DeviceUseStatement>(answer, 'link'), out<Device>(answer, 'device')]
  return { ordered, serial, appliedAt, answer, link: made, device, id: made.id ?? '' }
}

const rowsOf = async (): Promise<object> => {
  const tables = ['journal', 'inbound', 'resources', 'links', 'devices', 'deliveries', 'captures', 'gaps', 'tasks']
  const counts = tables.map((t) => `(select count(*)::int from ${t}) as ${t}`).join(', ')
  const [row] = await inDatabase(service().database, `select ${counts}`)
  return row ?? {}
}

/** Everything that could tell who the other patient is. */
const wordsOf = ({ person, placer, order, patient }: Ordered): readonly string[] => [
  person.family,
  person.given,
  person.number,
  person.birthDate,
  person.phone,
  placer.value ?? '',
  order,
  patient,
]

const tellsNothingOf = (text: string, words: readonly string[]): void => {
  for (const word of words) expect(text).not.toContain(word)
}

describe('a link', () => {
  test('is made with the device, the act, the work and the records of it, in one transaction', async () => {
    const { ordered, answer, id, device, appliedAt } = await linked({
      performer: { identifier: { system: 'https://harbour.example/staff', value: 'S-7' } },
      bodySite: { text: 'left chest' },
    })
    const [procedure, task] = [out<Procedure>(answer, 'procedure'), out<Task>(answer, 'task')]
    expect(outs(answer, 'outcome')).toEqual([])

    expect(await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).toMatchObject({
      status: 'active',
      basedOn: [{ reference: `ServiceRequest/${ordered.order}` }],
      subject: { reference: `Patient/${ordered.patient}` },
      device: { reference: `Device/${device.id}` },
      derivedFrom: [{ reference: `Procedure/${procedure.id}` }],
      timingPeriod: { start: appliedAt },
      bodySite: { text: 'left chest' },
    })
    expect(await read<Device>(bay, `Device/${device.id}`)).toMatchObject({
      patient: { reference: `Patient/${ordered.patient}` },
      udiCarrier: [{ deviceIdentifier: '09520123456788', entryType: 'barcode' }],
    })
    expect(await read<Procedure>(bay, `Procedure/${procedure.id}`)).toMatchObject({
      status: 'completed',
      performedDateTime: appliedAt,
      focalDevice: [{ manipulated: { reference: `Device/${device.id}` } }],
      performer: [{ actor: { identifier: { value: 'S-7' } } }],
    })
    expect(await read<Task>(bay, `Task/${task.id}`)).toMatchObject({
      status: 'requested',
      code: { coding: [{ code: 'fulfill' }] },
      focus: { reference: `ServiceRequest/${ordered.order}` },
      basedOn: [{ reference: `ServiceRequest/${ordered.order}` }],
      for: { reference: `Patient/${ordered.patient}` },
      owner: { identifier: { value: 'pebble' } },
    })
    const provenance = await found<Provenance>(ops, `Provenance?target=DeviceUseStatement/${id}`)
    expect(provenance).toHaveLength(1)
    expect(provenance[0]?.agent.map((a) => a.who.identifier?.value)).toEqual(['bay-3', 'S-7'])
    const audit = await found<AuditEvent>(ops, `AuditEvent?entity=DeviceUseStatement/${id}`)
    expect(audit).toHaveLength(1)
    expect(audit[0]).toMatchObject({ action: 'C', outcome: '0' })

    const requestId = answer.headers.get('x-request-id')
    const transactions = await inDatabase(
      service().database,
      `select xmin::text from resources where id = any($1::uuid[]) union select xmin::text from journal where request_id = $2
       union select xmin::text from inbound where request_id = $2 union select xmin::text from links where id = $3::uuid
       union select xmin::text from deliveries where request_id = $2 and attempts = 0
       union select xmin::text from daybind_queue.job where data->>'delivery' in (select id::text from deliveries where request_id = $2)
         and state = 'created'`,
      [[id, device.id, procedure.id, task.id, provenance[0]?.id, audit[0]?.id], requestId, id],
    )
    expect(transactions).toHaveLength(1)
  })

  test('may be asked for by the placer number too', async () => {
    const ordered = await sendOrder(ehr)
    const answer = await operate(bay, 'ServiceRequest/$link-device', {
      order: ordered.placer,
      scan: label(newSerial()),
      appliedAt: ago(60),
      ...twoIdentifiers(ordered.person),
    })
    expect(out<DeviceUseStatement>(answer, 'link').basedOn).toEqual([{ reference: `ServiceRequest/${ordered.order}` }])
    const unknown = await operate(bay, 'ServiceRequest/$link-device', {
      order: { system: placers, value: 'nobody-has-this' },
      scan: label(newSerial()),
      appliedAt: ago(60),
      ...twoIdentifiers(ordered.person),
    })
    expect(verdict(unknown)).toBe('404 not-known')
    expect(unknown.body.issue?.[0]).toMatchObject({
      expression: ['Parameters.parameter[0].value'],
      diagnostics: expect.stringContaining(`Found: ${placers}|nobody-has-this.`),
    })
  })

  test('by a placer number that two sources share is refused, unless the clinic sees one of the two alone', async () => {
    const shared = { placer: 'SHARED-1', system: 'https://numbers.example/orders' }
    const ours = await sendOrder(ehr, shared)
    const theirs = await sendOrder(service().as('lowwater-ehr'), { ...shared, site: 'quarry-lane' })
    const said = (o: Ordered) => ({
      order: o.placer,
      scan: label(newSerial()),
      appliedAt: ago(60),
      ...twoIdentifiers(o.person),
    })
    const several = await operate(ops, 'ServiceRequest/$link-device', said(ours))
    expect(verdict(several)).toContain('422 multiple-matches')
    expect(several.body.issue?.[0]?.diagnostics).toMatch(/Call it on the order itself.*\|SHARED-1, 2 orders/)
    const mine = await operate(otherClinic, 'ServiceRequest/$link-device', said(theirs))
    expect(out<DeviceUseStatement>(mine, 'link').basedOn).toEqual([{ reference: `ServiceRequest/${theirs.order}` }])
  })

  test('with something odd about it is made, and says what is odd', async () => {
    const ordered = await sendOrder(ehr, { visit: seconds(Date.now(), -5 * 86_400).slice(0, 10) })
    const appliedAt = ago(3600)
    const answer = await link(bay, ordered, {
      scan: label(newSerial(), '240600'),
      appliedAt,
      deviceClock: seconds(appliedAt, -12 * 3600),
    })
    expect(out<DeviceUseStatement>(answer, 'link').status).toBe('active')
    const outcome = out<OperationOutcome>(answer, 'outcome')
    expect(codesOf(outcome)).toEqual(['another-day', 'clock-doubt', 'day-zero', 'expired-device'])
    expect(new Set(outcome.issue.map((i) => i.severity))).toEqual(new Set(['warning']))
    expect(outcome.issue.find((i) => /12 h/.test(i.diagnostics ?? ''))?.expression?.[0]).toMatch(/^Parameters/)
  })

  test('of the same device, order and moment again is answered with the first result', async () => {
    const first = await linked()
    const again = await link(bay, first.ordered, { scan: label(first.serial), appliedAt: first.appliedAt })
    expect(again.text).toBe(first.answer.text)
    const inAnotherZone = new Date(first.appliedAt).toISOString().replace('.000Z', '+00:00')
    const same = await link(bay, first.ordered, { scan: label(first.serial), appliedAt: inAnotherZone })
    expect(out<DeviceUseStatement>(same, 'link')).toEqual(first.link)
    expect(outs(same, 'task')).toEqual(outs(first.answer, 'task'))
  })

  test('of the same device, order and moment is still refused to whoever names another patient', async () => {
    const first = await linked()
    const again = await operate(bay, `ServiceRequest/${first.ordered.order}/$link-device`, {
      scan: label(first.serial),
      appliedAt: first.appliedAt,
      ...twoIdentifiers(newPerson()),
    })
    expect(again.status).toBe(422)
  })

  test('keeps nothing when it is a dry run, and answers the same', async () => {
    const ordered = await sendOrder(ehr)
    const before = await rowsOf()
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'dry-1' }
    const dry = await link(bay, ordered, said, true)
    expect(await rowsOf()).toEqual(before)
    const wet = await link(bay, ordered, said)
    const names = (a: typeof dry) => (a.body.parameter ?? []).map((p) => [p.name, p.resource?.resourceType])
    expect(dry.status).toBe(200)
    expect(names(dry)).toEqual(names(wet))
    expect(out<DeviceUseStatement>(wet, 'link').id).not.toBe(out<DeviceUseStatement>(dry, 'link').id)
  })
})

describe('two identifiers', () => {
  const person = newPerson()
  const other = newPerson()
  const mrn = (value: string, system: string | undefined = patientNumbers) => ({
    ...(system !== '' && { system }),
    value,
  })
  const { family, given, birthDate, phone, number } = person
  const cases: readonly (readonly [string, Said, string])[] = [
    ['number and birth date agree', { patientIdentifier: mrn(number), birthDate }, '200'],
    ['number and full name agree', { patientIdentifier: mrn(number), family, given }, '200'],
    ['number and phone agree', { patientIdentifier: mrn(number), phone }, '200'],
    ['birth date and full name agree', { birthDate, family, given }, '200'],
    ['birth date and phone agree', { birthDate, phone }, '200'],
    [
      'names are compared without case and accents',
      { birthDate, family: family.toUpperCase(), given: given.replace('A', 'á') },
      '200',
    ],
    ['phones are compared by digits', { birthDate, phone: phone.replace(/ /g, '-') }, '200'],
    ['nothing is stated', {}, '422 too-few-identifiers'],
    ['the number alone is stated', { patientIdentifier: mrn(number) }, '422 too-few-identifiers'],
    ['the birth date alone is stated', { birthDate }, '422 too-few-identifiers'],
    ['name and phone alone are stated', { family, given, phone }, '422 too-few-identifiers'],
    ['half a name is stated', { patientIdentifier: mrn(number), family }, '422 too-few-identifiers'],
    ['one number is stated twice', { patientIdentifier: [mrn(number), mrn(number)] }, '422 too-few-identifiers'],
    [
      'the patient lacks a number of that kind',
      { patientIdentifier: mrn('X-1', 'https://elsewhere.example/patients'), birthDate },
      '422 too-few-identifiers',
    ],
    [
      'the birth date is given in part',
      { patientIdentifier: mrn(number), birthDate: birthDate.slice(0, 4) },
      '422 too-few-identifiers',
    ],
    [
      'a number has no system',
      { patientIdentifier: mrn(number, ''), birthDate, family, given },
      '422 identifier-without-system',
    ],
    [
      'the number is another',
      { patientIdentifier: mrn(other.number), birthDate, family, given },
      '422 identifier-disagrees',
    ],
    [
      'the birth date is another',
      { patientIdentifier: mrn(number), birthDate: other.birthDate, family, given },
      '422 identifier-disagrees',
    ],
    [
      'the name is another',
      { patientIdentifier: mrn(number), birthDate, family: other.family, given },
      '422 identifier-disagrees',
    ],
    [
      'the phone is another',
      { patientIdentifier: mrn(number), birthDate, phone: other.phone },
      '422 identifier-disagrees',
    ],
  ]

  test.each(cases)('when %s', async (_when, said, expected) => {
    const ordered = await sendOrder(ehr, { person })
    const answer = await operate(
      bay,
      `ServiceRequest/${ordered.order}/$link-device`,
      { scan: label(newSerial()), appliedAt: ago(60), ...said },
      true,
    )
    // fewer than two may be told besides a disagreement
    const told = new Set(verdict(answer).split(' '))
    for (const word of expected.split(' ')) expect(told, answer.text).toContain(word)
    if (expected === '200') return
    // the caller's own words may come back, what is stored of the patient may not
    const mine = JSON.stringify(said)
    tellsNothingOf(
      answer.text,
      [number, birthDate, family, given, phone].filter((word) => !mine.includes(word)),
    )
  })
})

describe('a refusal', () => {
  test('names every reason at once: the scan, the patient, the moment, the order', async () => {
    const ordered = await sendOrder(ehr, { status: 'on-hold' })
    const answer = await operate(bay, `ServiceRequest/${ordered.order}/$link-device`, {
      scan: '(01)09520123456787(21)RC1',
      appliedAt: seconds(Date.now(), 3600),
      patientIdentifier: { system: patientNumbers, value: ordered.person.number },
      birthDate: '1901-01-01',
    })
    expect(answer.status).toBe(422)
    expect(codesOf(answer.body)).toEqual(
      expect.arrayContaining(['check-digit', 'identifier-disagrees', 'in-the-future', 'order-not-linkable']),
    )
    const placeOf = (code: string) =>
      answer.body.issue?.find((i) => i.details?.coding?.[0]?.code === code)?.expression?.[0]
    for (const code of ['check-digit', 'identifier-disagrees', 'in-the-future'])
      expect(placeOf(code), code).toMatch(/^Parameters\.parameter/)
    expect(new Set(answer.body.issue?.map((i) => i.severity))).toEqual(new Set(['error']))
  })

  test.each([
    ['without a serial number', { scan: '(01)09520123456788' }, 'no-serial'],
    ['with a wrong check digit', { scan: '(01)09520123456780(21)A1' }, 'check-digit'],
    ['with a lost separator', { scan: '(01)09520123456788(10)LOT7�21SER5' }, 'lost-separator'],
    [
      'with a scan and a typed serial number that disagree',
      { scan: label('AA1'), serialNumber: 'AA2' },
      'scan-disagrees',
    ],
    ['without any device', {}, 'no-scan'],
    ['with a serial number alone that no known device has', { serialNumber: 'NOBODYHASTHIS' }, 'serial-ambiguous'],
  ])('comes %s', async (_how, said, code) => {
    const ordered = await sendOrder(ehr)
    const answer = await link(bay, ordered, { appliedAt: ago(60), ...said })
    expect(answer.status, answer.text).toBe(422)
    expect(codesOf(answer.body)).toContain(code)
  })

  test('comes for a moment before the birth, without seconds or without an offset', async () => {
    const ordered = await sendOrder(ehr)
    const at = (appliedAt: string) => link(bay, ordered, { scan: label(newSerial()), appliedAt })
    expect(codesOf((await at('1930-01-01T00:00:00Z')).body)).toContain('before-birth')
    expect(verdict(await at('2026-01-01T00:00'))).toMatch(/^4(00|22) /)
    expect(verdict(await at('2026-01-01T10:00:00'))).toMatch(/^4(00|22) /)
    expect(verdict(await at('2026-01-01'))).toMatch(/^4(00|22) /)
  })

  test('for wrong parameters is 400 and names all of them; for an unknown order it is 404 first', async () => {
    const ordered = await sendOrder(ehr)
    const wrong = await operate(bay, `ServiceRequest/${ordered.order}/$link-device`, {
      scan: ['a', 'b', 'c'],
      family: ['x', 'y'],
    })
    expect(wrong.status).toBe(400)
    expect(wrong.body.issue?.length).toBeGreaterThanOrEqual(3)
    const nowhere = await operate(bay, 'ServiceRequest/0194d6a0-0000-7000-8000-00000000dead/$link-device', {
      family: ['x', 'y'],
    })
    expect(nowhere.status).toBe(404)
  })

  test('is one for a device that is on another patient, and tells nothing of that patient', async () => {
    const first = await linked()
    const second = await sendOrder(ehr)
    const words = [...wordsOf(first.ordered), first.id]
    const mine = await link(bay, second, { scan: label(first.serial), appliedAt: ago(60) })
    expect(verdict(mine)).toBe('409 device-linked')
    tellsNothingOf(mine.text, words)
    const theirs = await sendOrder(ehr, { site: 'quarry-lane' })
    const elsewhere = await link(otherClinic, theirs, { scan: label(first.serial), appliedAt: ago(60) })
    expect(verdict(elsewhere)).toBe('409 device-linked')
    tellsNothingOf(elsewhere.text, words)
    expect(await read<Device>(bay, `Device/${first.device.id}`)).toEqual(first.device)
  })

  test('is one for an order that has a recorder, and names the next step', async () => {
    const first = await linked()
    const second = await link(bay, first.ordered, { scan: label(newSerial()), appliedAt: ago(60) })
    expect(verdict(second)).toBe('409 order-linked')
    expect(second.body.issue?.[0]?.diagnostics).toMatch(/replaced|correct/)
  })
})

describe('a capture key', () => {
  test('gives the first answer again, to the byte', async () => {
    const ordered = await sendOrder(ehr)
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'key-again' }
    const first = await link(bay, ordered, said)
    await operate(bay, `DeviceUseStatement/${out(first, 'link').id}/$end-link`, { endedAt: ago(30), why: 'removed' })
    const second = await link(bay, ordered, said)
    expect([second.status, second.text]).toEqual([first.status, first.text])
  })

  test('with other content is refused, and the first answer still stands', async () => {
    const ordered = await sendOrder(ehr)
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'key-other' }
    const first = await link(bay, ordered, said)
    expect(verdict(await link(bay, ordered, { ...said, appliedAt: ago(50) }))).toBe('409 key-reused')
    const elsewhere = await sendOrder(ehr)
    expect(verdict(await link(bay, elsewhere, said))).toBe('409 key-reused')
    expect((await link(bay, ordered, said)).text).toBe(first.text)
  })

  test('is not spent by a refusal', async () => {
    const ordered = await sendOrder(ehr)
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'key-refused' }
    expect((await link(bay, ordered, { ...said, birthDate: '1901-01-01' })).status).toBe(422)
    expect((await link(bay, ordered, said)).status).toBe(200)
  })

  test('is each caller’s own', async () => {
    const [mine, theirs] = [await sendOrder(ehr), await sendOrder(ehr, { site: 'quarry-lane' })]
    const key = { captureKey: 'key-of-two' }
    const a = await link(bay, mine, { scan: label(newSerial()), appliedAt: ago(60), ...key })
    const b = await link(otherClinic, theirs, { scan: label(newSerial()), appliedAt: ago(60), ...key })
    expect([a.status, b.status]).toEqual([200, 200])
    expect(out(a, 'link').id).not.toBe(out(b, 'link').id)
  })

  test('that eight calls use at once gives all of them one answer', async () => {
    const ordered = await sendOrder(ehr)
    const said = { scan: label(newSerial()), appliedAt: ago(60), captureKey: 'key-at-once' }
    const answers = await Promise.all(Array.from({ length: 8 }, () => link(bay, ordered, said)))
    expect(new Set(answers.map((a) => `${a.status} ${a.text}`)).size).toBe(1)
    expect(answers[0]?.status).toBe(200)
  })
})

describe('exclusive in time', () => {
  test('one wear may begin in the moment in which the other ends, and not before', async () => {
    const first = await linked()
    const endedAt = ago(600)
    await operate(bay, `DeviceUseStatement/${first.id}/$end-link`, { endedAt, why: 'removed' })
    const next = await sendOrder(ehr)
    const scan = label(first.serial)
    expect(verdict(await link(bay, next, { scan, appliedAt: seconds(endedAt, -1) }))).toBe('409 device-linked')
    const touching = await link(bay, next, { scan, appliedAt: endedAt })
    expect(out<Device>(touching, 'device').patient?.reference).toBe(`Patient/${next.patient}`)
  })

  test('a wear that is entered late fits before another, and not over its start', async () => {
    const later = await linked()
    const earlier = await sendOrder(ehr)
    const scan = label(later.serial)
    const wear = { scan, appliedAt: ago(7200) }
    expect(verdict(await link(bay, earlier, wear))).toBe('409 device-linked')
    expect(verdict(await link(bay, earlier, { ...wear, endedAt: seconds(later.appliedAt, 1) }))).toBe(
      '409 device-linked',
    )
    const touching = await link(bay, earlier, { ...wear, endedAt: later.appliedAt })
    expect(out<DeviceUseStatement>(touching, 'link').status).toBe('completed')
    expect(out<Device>(touching, 'device').patient?.reference).toBe(`Patient/${later.ordered.patient}`)
  })

  test('one recorder that sixteen callers put on sixteen patients is on one of them', async () => {
    const orders = await Promise.all(Array.from({ length: 16 }, () => sendOrder(ehr)))
    const said = { scan: label(newSerial()), appliedAt: ago(60) }
    const answers = await Promise.all(orders.map((o) => link(bay, o, said)))
    const verdicts = answers.map(verdict).sort()
    expect(verdicts).toEqual(['200', ...Array.from({ length: 15 }, () => '409 device-linked')])
    const winner = answers.findIndex((a) => a.status === 200)
    answers.forEach((a, i) => {
      if (i !== winner) tellsNothingOf(a.text, wordsOf(orders[winner] as Ordered))
    })
  })

  test('one order to which sixteen callers tie sixteen recorders has one of them', async () => {
    const ordered = await sendOrder(ehr)
    const answers = await Promise.all(
      Array.from({ length: 16 }, () => link(bay, ordered, { scan: label(newSerial()), appliedAt: ago(60) })),
    )
    expect(answers.map(verdict).sort()).toEqual(['200', ...Array.from({ length: 15 }, () => '409 order-linked')])
  })

  test('sixteen equal calls make one link and get one answer', async () => {
    const ordered = await sendOrder(ehr)
    const said = { scan: label(newSerial()), appliedAt: ago(60) }
    const answers = await Promise.all(Array.from({ length: 16 }, () => link(bay, ordered, said)))
    expect(new Set(answers.map((a) => `${a.status} ${a.text}`)).size).toBe(1)
    expect(answers[0]?.status).toBe(200)
  })

  test('two recorders swapped between two patients at once end in a refusal, never in a deadlock', async () => {
    const [a, b] = [await sendOrder(ehr), await sendOrder(ehr)]
    const [x, y] = [newSerial(), newSerial()]
    const crossed = [
      [a, x],
      [b, y],
      [a, y],
      [b, x],
    ] as const
    const answers = await Promise.all(
      [...crossed, ...crossed, ...crossed].map(([o, s], i) => link(bay, o, { scan: label(s), appliedAt: ago(60 + i) })),
    )
    expect(answers.filter((r) => r.status === 200)).toHaveLength(2)
    expect(answers.every((r) => r.status === 200 || r.status === 409)).toBe(true)
  })

  test('the database saw no deadlock, and nothing was a bug', async () => {
    // the statistics of a connection arrive when it idles, within a second or so
    const [row] = await inDatabase<{ deadlocks: number }>(
      service().database,
      'select deadlocks::int from pg_stat_database where datname = current_database()',
    )
    expect(row?.deadlocks).toBe(0)
    expect(service().logText()).not.toMatch(/"level":50|a bug/)
  })
})

describe('$end-link', () => {
  test.each([
    ['removed', 'completed'],
    ['failed', 'stopped'],
    ['lost', 'stopped'],
    ['replaced', 'stopped'],
  ])('with reason %s leaves the link %s and the device on nobody', async (why, status) => {
    const { id, device } = await linked()
    const endedAt = ago(60)
    const answer = await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt, why, note: 'told at the desk' })
    const ended = out<DeviceUseStatement>(answer, 'link')
    expect(ended).toMatchObject({ status, note: [{ text: 'told at the desk' }] })
    expect(ended.timingPeriod?.end).toBe(endedAt)
    expect(JSON.stringify(ended.extension)).toContain(why)
    expect((await read<Device>(bay, `Device/${device.id}`)).patient).toBeUndefined()
    const again = await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt, why, note: 'told at the desk' })
    expect(again.text).toBe(answer.text)
    const other = await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt: ago(30), why: 'lost' })
    expect(verdict(other)).toBe('409 link-ended')
  })

  test('is refused before the start, in the future, and with an unknown reason', async () => {
    const { id, appliedAt } = await linked()
    const end = (endedAt: string, why = 'removed') =>
      operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt, why })
    expect(verdict(await end(seconds(appliedAt, -1)))).toBe('422 ends-before-start')
    expect(verdict(await end(appliedAt))).toBe('422 ends-before-start')
    expect(verdict(await end(seconds(Date.now(), 3600)))).toBe('422 in-the-future')
    expect((await end(ago(1), 'bored')).status).toBe(400)
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('active')
  })

  test('keeps nothing when it is a dry run', async () => {
    const { id } = await linked()
    const before = await rowsOf()
    const dry = await operate(bay, `DeviceUseStatement/${id}/$end-link`, { endedAt: ago(1), why: 'removed' }, true)
    expect(out<DeviceUseStatement>(dry, 'link').status).toBe('completed')
    expect(await rowsOf()).toEqual(before)
  })
})

describe('$correct-link', () => {
  const correct = (id: string, said: Said) =>
    operate(bay, `DeviceUseStatement/${id}/$correct-link`, { because: 'wrong chart', ...said })

  const withdrawn = async (id: string, taskId: string, procedure: string | undefined) => {
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('entered-in-error')
    expect((await read<Task>(bay, `Task/${taskId}`)).status).toBe('entered-in-error')
    expect((await read<Procedure>(bay, procedure ?? '')).status).toBe('entered-in-error')
  }

  test('of the patient makes a new link and leaves the old one as entered in error', async () => {
    const old = await linked()
    const right = await sendOrder(ehr)
    const bare = await correct(old.id, { order: right.placer })
    expect(verdict(bare)).toBe('422 too-few-identifiers')
    const wrong = await correct(old.id, { order: right.placer, ...twoIdentifiers(old.ordered.person) })
    expect(wrong.status).toBe(422)
    const answer = await correct(old.id, { order: right.placer, ...twoIdentifiers(right.person) })
    const made = out<DeviceUseStatement>(answer, 'link')
    expect(out(answer, 'replaced').id).toBe(old.id)
    expect(made).toMatchObject({
      status: 'active',
      subject: { reference: `Patient/${right.patient}` },
      basedOn: [{ reference: `ServiceRequest/${right.order}` }],
      timingPeriod: { start: old.appliedAt },
    })
    await withdrawn(old.id, out(old.answer, 'task').id ?? '', old.link.derivedFrom?.[0]?.reference)
    expect((await read<Device>(bay, `Device/${old.device.id}`)).patient?.reference).toBe(`Patient/${right.patient}`)
    expect(await found<Task>(bay, `Task?based-on=ServiceRequest/${right.order}&status=requested`)).toHaveLength(1)
    expect(verdict(await correct(old.id, { appliedAt: ago(900) }))).toBe('409 link-ended')
  })

  test('of the device frees the wrong one and ties the right one', async () => {
    const old = await linked()
    const serial = newSerial()
    const answer = await correct(old.id, { scan: label(serial) })
    const made = out<DeviceUseStatement>(answer, 'link')
    const device = await read<Device>(bay, made.device.reference ?? '')
    expect([device.serialNumber, device.patient?.reference]).toEqual([serial, `Patient/${old.ordered.patient}`])
    expect((await read<Device>(bay, `Device/${old.device.id}`)).patient).toBeUndefined()
    const free = await sendOrder(ehr)
    expect((await link(bay, free, { scan: label(old.serial), appliedAt: ago(60) })).status).toBe(200)
  })

  test('of the device leaves the wrong one on whom it is by now', async () => {
    const old = await linked()
    await operate(bay, `DeviceUseStatement/${old.id}/$end-link`, { endedAt: ago(1200), why: 'removed' })
    const next = await sendOrder(ehr)
    out(await link(bay, next, { scan: label(old.serial), appliedAt: ago(600) }), 'link')
    const serial = newSerial()
    const made = out<DeviceUseStatement>(await correct(old.id, { scan: label(serial) }), 'link')
    expect((await read<Device>(bay, made.device.reference ?? '')).serialNumber).toBe(serial)
    expect((await read<Device>(bay, `Device/${old.device.id}`)).patient?.reference).toBe(`Patient/${next.patient}`)
  })

  test('of the device is refused where the right one is on somebody else', async () => {
    const [old, other] = [await linked(), await linked()]
    const answer = await correct(old.id, { scan: label(other.serial) })
    expect(verdict(answer)).toBe('409 device-linked')
    tellsNothingOf(answer.text, [...wordsOf(other.ordered), other.id])
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${old.id}`)).status).toBe('active')
  })

  test('of the moment moves the start and nothing else', async () => {
    const old = await linked()
    const appliedAt = ago(1800)
    const made = out<DeviceUseStatement>(await correct(old.id, { appliedAt }), 'link')
    expect(made).toMatchObject({ status: 'active', timingPeriod: { start: appliedAt }, subject: old.link.subject })
    expect(verdict(await correct(made.id ?? '', { appliedAt: seconds(Date.now(), 3600) }))).toBe('422 in-the-future')
  })

  test('with a reason alone has no successor', async () => {
    const old = await linked()
    const answer = await correct(old.id, {})
    expect(outs(answer, 'link')).toEqual([])
    expect(out<DeviceUseStatement>(answer, 'replaced')).toMatchObject({ id: old.id, status: 'entered-in-error' })
    expect((await read<Device>(bay, `Device/${old.device.id}`)).patient).toBeUndefined()
    expect((await link(bay, old.ordered, { scan: label(old.serial), appliedAt: ago(60) })).status).toBe(200)
  })

  test('after the return withdraws the stubs, and the right patient gets stubs of their own', async () => {
    const old = await linked()
    const back = await operate(bay, 'Device/$record-return', { scan: label(old.serial), receivedAt: ago(600) })
    const [report, observation] = [out(back, 'report'), out(back, 'observation')]
    const right = await sendOrder(ehr)
    const answer = await correct(old.id, { order: right.placer, ...twoIdentifiers(right.person) })
    const made = out<DeviceUseStatement>(answer, 'link')
    expect(made.status).toBe('completed')
    const status = async (r: string) => (await read<Procedure>(bay, r)).status
    expect(await status(`DiagnosticReport/${report.id}`)).toBe('entered-in-error')
    expect(await status(`Observation/${observation.id}`)).toBe('entered-in-error')
    const theirs = await found(bay, `DiagnosticReport?based-on=ServiceRequest/${right.order}&status=registered`)
    expect(theirs).toHaveLength(1)
    expect((await read<Device>(bay, `Device/${old.device.id}`)).patient).toBeUndefined()
  })
})

describe('$record-application', () => {
  const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }

  test('keeps the evidence without a patient, and names the link where there is one', async () => {
    const serial = newSerial()
    const said = { scan: label(serial), appliedAt: ago(600), site, evidence: 'capture' }
    const loose = await operate(bay, 'Device/$record-application', said)
    expect(out<Device>(loose, 'device').serialNumber).toBe(serial)
    expect(outs(loose, 'link')).toEqual([])
    const ordered = await sendOrder(ehr)
    const made = await link(bay, ordered, { scan: label(serial), appliedAt: ago(600) })
    const again = await operate(bay, 'Device/$record-application', { ...said, appliedAt: ago(300) })
    expect(out(again, 'link').id).toBe(out(made, 'link').id)
  })

  test('after a wear that is over names no link of it, and opens a gap', async () => {
    const worn = await linked({ appliedAt: ago(180) })
    await operate(bay, `DeviceUseStatement/${worn.id}/$end-link`, { endedAt: ago(120), why: 'removed' })
    const said = { scan: label(worn.serial), site, evidence: 'capture' }
    const during = await operate(bay, 'Device/$record-application', { ...said, appliedAt: ago(150) })
    expect(out(during, 'link').id).toBe(worn.id)
    const after = await operate(bay, 'Device/$record-application', { ...said, appliedAt: ago(60) })
    expect(outs(after, 'link')).toEqual([])
    const gaps = await found<DetectedIssue>(bay, `DetectedIssue?implicated=Device/${worn.device.id}`)
    expect(gaps.map((g) => [g.code?.coding?.[0]?.code, g.patient])).toEqual([['no-link', undefined]])
  })

  test('refuses what it does not know: the evidence, the site, the moment', async () => {
    const said = { scan: label(newSerial()), appliedAt: ago(600), site, evidence: 'capture' }
    const record = (more: Said) => operate(bay, 'Device/$record-application', { ...said, ...more })
    expect((await record({ evidence: 'rumour' })).status).toBe(400)
    expect(verdict(await record({ site: { ...site, value: 'nowhere' } }))).toBe('422 unknown-site')
    expect(verdict(await record({ site: { ...site, value: 'quarry-lane' } }))).toBe('422 unknown-site')
    expect(verdict(await record({ appliedAt: seconds(Date.now(), 3600) }))).toBe('422 in-the-future')
  })

  test('tells a clinic of another site nothing of the patient who wears the recorder', async () => {
    const worn = await linked()
    const answer = await operate(otherClinic, 'Device/$record-application', {
      scan: label(worn.serial),
      appliedAt: ago(600),
      site: { ...site, value: 'quarry-lane' },
      evidence: 'capture',
    })
    expect(out<Device>(answer, 'device').id).toBe(worn.device.id)
    tellsNothingOf(answer.text, [...wordsOf(worn.ordered), worn.id])
  })
})

describe('$record-not-applied', () => {
  const record = (order: string, said: Said) => operate(bay, `ServiceRequest/${order}/$record-not-applied`, said)

  test.each(['no-show', 'declined', 'unfit', 'rescheduled'])('takes %s and answers with the order', async (why) => {
    const ordered = await sendOrder(ehr, { visit: '2026-11-25' })
    const answer = await record(ordered.order, { why, note: 'called' })
    expect(out<ServiceRequest>(answer, 'order').id).toBe(ordered.order)
    const target = `Provenance?target=ServiceRequest/${ordered.order}`
    const [said, ...more] = await found<Provenance>(bay, target)
    expect(more).toEqual([])
    expect(said?.reason?.[0]?.coding?.[0]?.code).toBe(why)
    expect(said?.agent[0]?.who.identifier?.value).toBe('bay-3')
    expect(said?.extension?.[0]?.extension).toContainEqual({ url: 'note', valueString: 'called' })
    expect(await found(ehr, target)).toHaveLength(1)
    expect(await found(otherClinic, target)).toEqual([])
    const audit = await found<AuditEvent>(ops, `AuditEvent?entity=ServiceRequest/${ordered.order}`)
    expect(audit.map((a) => a.agent[0]?.who?.identifier?.value)).toEqual(['bay-3'])
  })

  test('goes where the order goes, and the clinic that it has left is told no more', async () => {
    const ordered = await sendOrder(ehr, { visit: '2026-11-25' })
    await record(ordered.order, { why: 'declined' })
    await sendOrder(ehr, { ...ordered, placer: ordered.placer.value ?? '', visit: '2026-11-25', site: 'quarry-lane' })
    const target = `Provenance?target=ServiceRequest/${ordered.order}`
    expect([await found(bay, target), await found(otherClinic, target)].map((list) => list.length)).toEqual([0, 1])
  })

  test('is refused for an order whose recorder is on, and with a reason that is none', async () => {
    const { ordered } = await linked()
    expect(verdict(await record(ordered.order, { why: 'no-show' }))).toBe('409 order-linked')
    expect((await record(ordered.order, { why: 'weather' })).status).toBe(400)
  })
})

describe('a clinic of another site', () => {
  test('gets the answer for what is not there, whatever it asks of an order or a link', async () => {
    const { ordered, id } = await linked()
    const calls: readonly (readonly [string, Said])[] = [
      [`ServiceRequest/${ordered.order}/$link-device`, { scan: label(newSerial()), appliedAt: ago(60) }],
      [`ServiceRequest/${ordered.order}/$record-not-applied`, { why: 'no-show' }],
      [`DeviceUseStatement/${id}/$end-link`, { endedAt: ago(1), why: 'removed' }],
      [`DeviceUseStatement/${id}/$correct-link`, { because: 'why not' }],
    ]
    const nobody = '0194d6a0-0000-7000-8000-00000000dead'
    for (const [path, said] of calls) {
      const hidden = await operate(otherClinic, path, { ...said, ...twoIdentifiersFor(path, ordered) })
      const missing = await operate(otherClinic, path.replace(/[0-9a-f-]{36}/, nobody), {
        ...said,
        ...twoIdentifiersFor(path, ordered),
      })
      expect([hidden.status, hidden.text], path).toEqual([404, missing.text])
    }
    expect(
      verdict(
        await operate(otherClinic, 'ServiceRequest/$link-device', {
          order: ordered.placer,
          scan: label(newSerial()),
          appliedAt: ago(60),
          ...twoIdentifiers(ordered.person),
        }),
      ),
    ).toBe('404 not-known')
    expect((await read<DeviceUseStatement>(bay, `DeviceUseStatement/${id}`)).status).toBe('active')
  })

  const twoIdentifiersFor = (path: string, { person }: Ordered): Said =>
    path.endsWith('link-device') ? twoIdentifiers(person) : {}

  test('sees a recorder that it had itself, and neither its patient of today nor by whom to search', async () => {
    const scan = label(newSerial())
    const theirs = await sendOrder(ehr, { site: 'quarry-lane' })
    const first = await link(otherClinic, theirs, { scan, appliedAt: ago(7200), endedAt: ago(3600) })
    const device = out<Device>(first, 'device')
    const ours = await sendOrder(ehr)
    expect((await link(bay, ours, { scan, appliedAt: ago(600) })).status).toBe(200)
    const seen = await otherClinic<Device>('GET', `/fhir/Device/${device.id}`)
    expect(seen.status).toBe(200)
    tellsNothingOf(seen.text, wordsOf(ours))
    const searched = await otherClinic('GET', `/fhir/Device?identifier=${device.id}`)
    tellsNothingOf(searched.text, wordsOf(ours))
    expect(await found(otherClinic, `Device?patient=Patient/${ours.patient}`)).toEqual([])
    expect(await found(bay, `Device?patient=Patient/${ours.patient}`)).toHaveLength(1)
    expect(await found(otherClinic, `DeviceUseStatement?device=Device/${device.id}`)).toHaveLength(1)
    const patient = await otherClinic<Patient & OperationOutcome>('GET', `/fhir/Patient/${ours.patient}`)
    expect(patient.status).toBe(404)
  })

  test('may not be named as the place by a clinic that does not work there', async () => {
    const ordered = await sendOrder(ehr)
    const site = { system: 'https://daybind.example/sites', value: 'quarry-lane' }
    const answer = await link(bay, ordered, { scan: label(newSerial()), appliedAt: ago(60), site })
    expect(verdict(answer)).toBe('422 unknown-site')
  })
})

describe('who may not link', () => {
  test.each([
    ['a source', 'harbour-ehr'],
    ['a reading service', 'pebble'],
  ])('%s is refused with 403, and told nothing else', async (_who, id) => {
    const ordered = await sendOrder(ehr)
    const answer = await link(service().as(id), ordered, { scan: label(newSerial()), appliedAt: ago(60) })
    expect(verdict(answer)).toBe('403 not-allowed')
    expect((await link(service().call, ordered, {})).status).toBe(401)
  })
})
