import { connect } from 'node:net'
import type { Parameters, Patient, ServiceRequest } from 'fhir/r4.js'
import { Client } from 'pg'
import { beforeAll, describe, expect, it, vi } from 'vitest'
import { anOrder, aPatient, bundle, entry, harbour, placeOrder, refusalOf } from '../support/messages.ts'
import { type Ask, type LogLine, useTestService } from '../support/service.ts'

const service = useTestService({ patience: { attempts: 3, age: 60, first: 0.05, longest: 0.1 } })
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const clinic: Ask = (...asked) => service().as('bay-3')(...asked)

/** Each is found nowhere but in what the tests send. */
const marks = {
  family: 'Qvexmark',
  given: 'Jzolmark',
  number: 'MRN7QX7',
  birthDate: '1911-11-13',
  phone: '+353155587654',
  placer: 'PLQX7001',
  serial: 'SNQX7001',
  note: 'faintedqx7',
  url: 'https://harbour.example/fhir/Patient/QX7URL',
} as const

const patient = aPatient(marks.number, {
  name: [{ family: marks.family, given: [marks.given] }],
  birthDate: marks.birthDate,
  telecom: [{ system: 'phone', value: marks.phone }],
})
const orderWith = (subject: string, over = {}) =>
  anOrder(marks.placer, subject, { note: [{ text: marks.note }], ...over })

const scan = { name: 'scan', valueString: `(01)09520123456788(21)${marks.serial}` }
const bedside = (...more: NonNullable<Parameters['parameter']>): Parameters => ({
  resourceType: 'Parameters',
  parameter: [
    scan,
    { name: 'appliedAt', valueDateTime: '2026-03-02T09:00:00Z' },
    { name: 'patientIdentifier', valueIdentifier: { system: harbour.patients, value: marks.number } },
    { name: 'birthDate', valueDate: marks.birthDate },
    { name: 'family', valueString: marks.family },
    { name: 'given', valueString: marks.given },
    { name: 'phone', valueString: marks.phone },
    ...more,
  ],
})

const onDatabase = async (statement: string): Promise<void> => {
  const client = new Client({ connectionString: service().database })
  await client.connect()
  await client.query(statement).finally(() => client.end())
}

/** Bytes that are no HTTP request. */
const sendRaw = (text: string): Promise<string> =>
  new Promise((resolve, reject) => {
    let answer = ''
    const socket = connect(Number(new URL(service().url).port), '127.0.0.1', () => socket.write(text))
    socket.on('data', (data) => {
      answer += data.toString()
    })
    socket.on('close', () => resolve(answer)).on('error', reject)
  })

const query = `family=${marks.family}&given=${marks.given}&birthdate=${marks.birthDate}&identifier=${marks.number}`

/** A name, the status that it must be answered with to be what it is called, and the call. */
type Case = readonly [name: string, status: number, call: () => ReturnType<Ask>]

const knownBy = (patientId: string, orderId: string) => ({
  link: `/fhir/ServiceRequest/${orderId}/$link-device`,
  order: (over = {}) => orderWith(`Patient/${patientId}`, over),
  orderPath: `/fhir/ServiceRequest/${orderId}`,
})
type Known = ReturnType<typeof knownBy>

const atTheBedside = ({ link }: Known): readonly Case[] => {
  const rest = bedside().parameter?.slice(1) ?? []
  const scanned = (valueString: string) => ({ ...bedside(), parameter: [{ name: 'scan', valueString }, ...rest] })
  const named = { name: 'order', valueIdentifier: { system: harbour.orders, value: marks.placer } }
  const diary = [
    { name: 'at', valueDateTime: '2026-03-03T09:00:00Z' },
    { name: 'symptom', valueString: marks.note },
  ]
  const back = [scan, { name: 'receivedAt', valueDateTime: '2026-03-05T09:00:00Z' }, { name: 'diary', part: diary }]
  return [
    ['a link', 200, () => clinic('POST', link, { body: bedside() })],
    ['a link by number', 200, () => clinic('POST', '/fhir/ServiceRequest/$link-device', { body: bedside(named) })],
    ['a conflict', 409, () => clinic('POST', link, { body: scanned(`${scan.valueString}B`) })],
    ['a scan that cannot be read', 422, () => clinic('POST', link, { body: scanned(`${marks.serial}\u001d`) })],
    [
      'a scan without separator',
      422,
      () => clinic('POST', link, { body: scanned(`010952012345678810L${marks.serial}211`) }),
    ],
    [
      'a name given twice',
      400,
      () => clinic('POST', link, { body: bedside({ name: 'family', valueString: marks.family }) }),
    ],
    ['a return', 200, () => clinic('POST', '/fhir/Device/$record-return', { body: { ...bedside(), parameter: back } })],
  ]
}

const inAddresses = (): readonly Case[] => [
  ['a search', 200, () => ehr('GET', `/fhir/Patient?${query}`)],
  ['a search by a wrong value', 400, () => ehr('GET', `/fhir/Patient?birthdate=${marks.family}&${query}`)],
  ['a search by no parameter', 400, () => ehr('GET', `/fhir/Patient?${marks.family}=${marks.given}`, strict)],
  ['a search in a form', 200, () => ehr('POST', '/fhir/Patient/_search', { body: query, ...as(formType) })],
  ['a name for an id', 404, () => ehr('GET', `/fhir/Patient/${marks.family}`)],
  ['a name for a type', 404, () => ehr('GET', `/fhir/${marks.family}?${query}`)],
  ['an address of nothing', 404, () => ehr('GET', `/${marks.family}/${marks.number}?${query}`)],
  ['an address that cannot be decoded', 400, () => ehr('GET', `/fhir/Patient/${marks.family}%E0%A4%A`)],
  ['an address that is too long', 404, () => ehr('GET', `/fhir/Patient/${marks.family}${'x'.repeat(300)}`)],
  ['a criterion', 200, () => ehr('PUT', `/fhir/Patient?${own}`, { body: patient })],
  ['a wrong criterion', 400, () => ehr('PUT', `/fhir/Patient?identifier=${marks.family}`, { body: patient })],
  ['a report', 404, () => clinic('GET', `/reports/day/${marks.family}/2026-03-02.html?asOf=${marks.birthDate}`)],
  ['another method', 405, () => ehr('PATCH', `/fhir/Patient/${marks.family}`, { body: patient })],
]

const inBodies = ({ order, orderPath }: Known): readonly Case[] => [
  ['broken JSON', 400, () => ehr('POST', '/fhir/Patient', { body: `{"family":"${marks.family}","x":` })],
  ['half a character', 400, () => ehr('POST', '/fhir/Patient', { body: `{"family":"${marks.family}\\ud800"}` })],
  ['another media type', 415, () => ehr('POST', '/fhir/Patient', { body: marks.note, ...as(`text/${marks.family}`) })],
  ['a large body', 413, () => ehr('POST', '/fhir/Patient', { body: marks.family.repeat(200_000) })],
  ['another format', 406, () => ehr('GET', `/fhir/Patient?${query}`, { headers: { accept: `text/${marks.family}` } })],
  [
    'no FHIR',
    400,
    () => ehr('POST', '/fhir/Patient', { body: { ...patient, birthDate: marks.family, [marks.family]: marks.number } }),
  ],
  [
    'a broken rule',
    422,
    () => ehr('POST', '/fhir/ServiceRequest', { body: orderWith(marks.url, { code: { text: marks.note } }) }),
  ],
  [
    'a bad entry',
    404,
    () => ehr('POST', '/fhir', { body: bundle('transaction', entry(`PUT Patient/${marks.number}`, patient)) }),
  ],
  ['an old version', 412, () => ehr('PUT', orderPath, { body: order(), headers: { 'if-match': 'W/"99"' } })],
  [
    'another number',
    409,
    () => ehr('PUT', orderPath, { body: order({ identifier: [{ system: harbour.orders, value: marks.number }] }) }),
  ],
]

const byOthers = (): readonly Case[] => [
  ['nobody', 401, () => service().call('POST', `/fhir/Patient?${query}`, { body: patient })],
  ['a wrong token', 401, () => service().call('GET', `/fhir/Patient?${query}`, { token: marks.family })],
  ['a wrong role', 403, () => service().as('pebble')('POST', '/fhir/Patient', { body: patient })],
  [
    'a request id with a name',
    200,
    () => ehr('GET', '/fhir/metadata', { headers: { 'x-request-id': `${marks.family} 1` } }),
  ],
  ['headers', 200, () => ehr('GET', '/fhir/metadata', { headers: { 'user-agent': marks.family, referer: marks.url } })],
]

const formType = 'application/x-www-form-urlencoded'
const as = (type: string) => ({ headers: { 'content-type': type } })
const strict = { headers: { prefer: 'handling=strict' } }
const own = `identifier=${harbour.patients}|${marks.number}`

/** Statements that fail, with the values in what PostgreSQL says of them. */
const inStatements = (): readonly Case[] => {
  const renamed = { ...patient, name: [{ family: `${marks.family}2`, given: [marks.given] }] }
  const during = async (before: string, call: () => ReturnType<Ask>, after: string) => {
    await onDatabase(before)
    return call().finally(() => onDatabase(after))
  }
  const planted = `alter table daybind.resources add constraint planted check (body not like '%${marks.family}2%') not valid`
  return [
    [
      'a constraint',
      500,
      () =>
        during(
          planted,
          () => ehr('POST', '/fhir/Patient', { body: renamed }),
          'alter table daybind.resources drop constraint planted',
        ),
    ],
    [
      'a lost table',
      500,
      () =>
        during(
          'alter table daybind.names rename to mislaid',
          () => ehr('GET', `/fhir/Patient?${query}`),
          'alter table daybind.mislaid rename to names',
        ),
    ],
  ]
}

/** How many requests were sent. */
let sent = 2
const answered: (readonly [name: string, status: number])[] = []
const expected: (readonly [name: string, status: number])[] = []

const sendAll = async (): Promise<void> => {
  const { id: patientId } = (await ehr<Patient>('POST', '/fhir/Patient', { body: patient })).body
  const order = orderWith(`Patient/${patientId}`)
  const { id: orderId } = (await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: order })).body
  const known = knownBy(patientId ?? '', orderId ?? '')
  for (const [name, status, call] of [
    ...atTheBedside(known),
    ...inAddresses(),
    ...inBodies(known),
    ...byOthers(),
    ...inStatements(),
  ]) {
    sent += 1
    expected.push([name, status])
    answered.push([name, (await call()).status])
  }
}

const lines = (): readonly LogLine[] => service().logLines()
const requestLines = () => lines().filter((l) => l.msg === 'request')

beforeAll(async () => {
  await sendAll()
  // an answer may arrive before its line is written
  await vi.waitFor(() => expect(requestLines().length).toBeGreaterThanOrEqual(sent), { timeout: 60_000 })
})

describe('the log', () => {
  it('was put to the test: every kind of answer was given', () => {
    expect(answered).toEqual(expected)
  })

  it('has one line a request, with its step, ids and duration', () => {
    expect(requestLines()).toHaveLength(sent)
    for (const line of requestLines()) {
      expect(line).toMatchObject({
        level: 30,
        requestId: expect.stringMatching(/^[\w.:-]{1,64}$/),
        method: expect.stringMatching(/^[A-Z]+$/),
        route: expect.stringMatching(/^(\/|none$)/),
        step: expect.stringMatching(
          /^(accept-order|apply-device|forward-order|return-device|watch-flow|read|operate|none)$/,
        ),
        status: expect.any(Number),
        ms: expect.any(Number),
      })
      expect(line.ms as number).toBeGreaterThanOrEqual(0)
    }
    expect(new Set(requestLines().map((l) => l.requestId)).size).toBe(sent)
    const linked = requestLines().find((l) => l.route === '/fhir/ServiceRequest/:id/$link-device')
    expect(linked).toMatchObject({
      step: 'apply-device',
      caller: 'bay-3',
      id: expect.stringMatching(/^[0-9a-f-]{36}$/),
    })
  })

  it.each(['8f14e45f-ceea-467f-a0a4-c4f2b1a9d3e0', '4BF92F3577B34DA6A3CE929D0E0E4736'])(
    'takes, answers and shows a request id that a machine made: %s',
    async (id) => {
      const answer = await ehr('GET', '/fhir/metadata', { headers: { 'x-request-id': id } })
      expect([answer.headers.get('x-request-id'), answer.headers.get('x-correlation-id')]).toEqual([id, null])
      await expect.poll(() => requestLines().filter((l) => l.requestId === id).length).toBe(1)
    },
  )

  it.each(['ward-3:17', marks.number, marks.birthDate, marks.phone, `${marks.family}.1`, '12345678901234567890'])(
    'shows no request id that may be somebody’s number, and gives it back to the caller beside its own: %s',
    async (id) => {
      const answer = await ehr('GET', '/fhir/metadata', { headers: { 'x-request-id': id } })
      expect(answer.headers.get('x-correlation-id')).toBe(id)
      expect(answer.headers.get('x-request-id')).toMatch(/^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/)
      expect(service().logText()).not.toContain(id)
    },
  )

  it('tells a bug by its request id and kind, and so does the answer', async () => {
    const bugs = lines().filter((l) => (l.level as number) >= 50)
    expect(bugs).toHaveLength(2)
    for (const bug of bugs) expect(requestLines().map((l) => l.requestId)).toContain(bug.requestId)
    await onDatabase('alter table daybind.names rename to mislaid')
    const answer = await ehr('GET', `/fhir/Patient?${query}`)
    await onDatabase('alter table daybind.mislaid rename to names')
    expect(answer.status).toBe(500)
    expect(answer.body.issue).toEqual([
      {
        severity: 'fatal',
        code: 'exception',
        diagnostics: expect.stringContaining(answer.headers.get('x-request-id') ?? '?'),
      },
    ])
    expect(answer.text).not.toMatch(/names|select|relation/)
  })

  it('holds a line for what is no HTTP, and nothing of it', async () => {
    const before = requestLines().length
    const answer = await sendRaw(
      `GET /fhir/Patient?family=${marks.family} HTTP/1.1\r\nhost: x\r\n${marks.given} ${marks.number}\r\n\r\n`,
    )
    expect(answer).toMatch(/^HTTP\/1\.1 400 /)
    expect(answer).toContain('"resourceType":"OperationOutcome"')
    await expect.poll(() => requestLines().length).toBe(before + 1)
    expect(requestLines().at(-1)).toMatchObject({ status: 400, cause: expect.stringMatching(/^HPE_/) })
  })

  it('holds nothing of a patient, in no form and at no level', () => {
    const text = service().logText()
    expect(text.length).toBeGreaterThan(5_000)
    for (const [name, mark] of Object.entries(marks)) {
      const forms = [
        mark.toLowerCase(),
        encodeURIComponent(mark).toLowerCase(),
        // three bytes are four characters of base64: each of the three ways to begin
        ...[0, 1, 2].map((skip) => Buffer.from(mark.slice(skip)).toString('base64').slice(0, 8).toLowerCase()),
        [...Buffer.from(mark)].join(','),
        Buffer.from(mark).toString('hex'),
      ]
      for (const form of forms) expect([name, form, text.toLowerCase().includes(form)]).toEqual([name, form, false])
    }
    for (const token of ['token-of-harbour-ehr', 'token-of-bay-3']) expect(text).not.toContain(token)
  })

  it('holds nothing of a patient whose delivery fails either', async () => {
    const isParked = () => lines().some((l) => JSON.stringify(l).includes('parked'))
    await expect.poll(isParked).toBe(true)
    const text = service().logText().toLowerCase()
    for (const mark of Object.values(marks)) expect(text).not.toContain(mark.toLowerCase())
  })
})

it('a refusal repeats to the sender what was found, which the log does not', async () => {
  const answer = await ehr('POST', '/fhir/Patient', { body: { ...patient, birthDate: marks.family } })
  expect(refusalOf(answer)).toEqual({ status: 400, codes: ['wrong-value'] })
  expect(answer.text).toContain(marks.family)
  expect(service().logText()).not.toContain(marks.family)
  expect((await placeOrder(ehr, 'PLAIN', 'PLAIN')).orderId).toMatch(/-/)
})
