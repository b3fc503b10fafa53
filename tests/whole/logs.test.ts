import { connect } from 'node:net'
import type { Parameters } from 'fhir/r4.js'
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
const nobody = '01900000-0000-7000-8000-000000000001'

/** What everything that was sent was answered: the cases below are cases only if they are what they are called. */
const answered: Record<string, number> = {}
/** How many requests were sent. */
let sent = 0
const ask = async (name: string, call: ReturnType<Ask>): Promise<string> => {
  sent += 1
  const { status, text } = await call
  answered[name] = status
  return text
}

const idIn = (text: string): string => /"id":"([0-9a-f-]{36})"/.exec(text)?.[1] ?? ''

const sendAll = async (): Promise<void> => {
  const patientId = idIn(await ask('accepted', ehr('POST', '/fhir/Patient', { body: patient })))
  const orderId = idIn(
    await ask('order', ehr('POST', '/fhir/ServiceRequest', { body: orderWith(`Patient/${patientId}`) })),
  )
  const link = `/fhir/ServiceRequest/${orderId}/$link-device`
  await ask('linked', clinic('POST', link, { body: bedside() }))
  await ask(
    'linked by name',
    clinic('POST', '/fhir/ServiceRequest/$link-device', {
      body: bedside({ name: 'order', valueIdentifier: { system: harbour.orders, value: marks.placer } }),
    }),
  )
  await ask(
    'a conflict',
    clinic('POST', link, {
      body: {
        ...bedside(),
        parameter: [{ ...scan, valueString: `${scan.valueString}B` }, ...(bedside().parameter?.slice(1) ?? [])],
      },
    }),
  )
  await ask('a wrong name', clinic('POST', link, { body: bedside({ name: 'family', valueString: marks.family }) }))
  await ask(
    'an unreadable scan',
    clinic('POST', link, {
      body: { ...bedside(), parameter: [{ name: 'scan', valueString: `${marks.serial}\u001d` }] },
    }),
  )
  await ask(
    'returned',
    clinic('POST', '/fhir/Device/$record-return', {
      body: {
        resourceType: 'Parameters',
        parameter: [
          scan,
          { name: 'receivedAt', valueDateTime: '2026-03-05T09:00:00Z' },
          {
            name: 'diary',
            part: [
              { name: 'at', valueDateTime: '2026-03-03T09:00:00Z' },
              { name: 'symptom', valueString: marks.note },
            ],
          },
        ],
      },
    }),
  )

  await ask('a search', ehr('GET', `/fhir/Patient?${query}`))
  await ask('a search that is refused', ehr('GET', `/fhir/Patient?birthdate=${marks.family}&${query}`))
  await ask(
    'a strict search',
    ehr('GET', `/fhir/Patient?${marks.family}=${marks.given}`, { headers: { prefer: 'handling=strict' } }),
  )
  await ask(
    'a posted search',
    ehr('POST', '/fhir/Patient/_search', {
      body: query,
      headers: { 'content-type': 'application/x-www-form-urlencoded' },
    }),
  )
  await ask('a name for an id', ehr('GET', `/fhir/Patient/${marks.family}`))
  await ask('a name for a type', ehr('GET', `/fhir/${marks.family}?${query}`))
  await ask('nowhere', ehr('GET', `/${marks.family}/${marks.number}?${query}`))
  await ask('an address that cannot be decoded', ehr('GET', `/fhir/Patient/${marks.family}%E0%A4%A`))
  await ask('an address that is too long', ehr('GET', `/fhir/Patient/${marks.family}${'x'.repeat(300)}`))
  await ask(
    'a criterion',
    ehr('PUT', `/fhir/Patient?identifier=${harbour.patients}|${marks.number}`, { body: patient }),
  )
  await ask('a criterion that is refused', ehr('PUT', `/fhir/Patient?identifier=${marks.family}`, { body: patient }))
  await ask('a report', clinic('GET', `/reports/day/${marks.family}/2026-03-02.html?asOf=${marks.birthDate}`))

  await ask('broken JSON', ehr('POST', '/fhir/Patient', { body: `{"family":"${marks.family}","x":` }))
  await ask('no UTF-8', ehr('POST', '/fhir/Patient', { body: `{"family":"${marks.family}\\ud800"}` }))
  await ask(
    'another media type',
    ehr('POST', '/fhir/Patient', {
      body: JSON.stringify(patient),
      headers: { 'content-type': `text/${marks.family}` },
    }),
  )
  await ask('too large', ehr('POST', '/fhir/Patient', { body: marks.family.repeat(200_000) }))
  await ask('another format', ehr('GET', `/fhir/Patient?${query}`, { headers: { accept: `text/${marks.family}` } }))
  await ask(
    'invalid',
    ehr('POST', '/fhir/Patient', { body: { ...patient, birthDate: marks.family, [marks.family]: marks.number } }),
  )
  await ask(
    'against a rule',
    ehr('POST', '/fhir/ServiceRequest', { body: orderWith(marks.url, { code: { text: marks.note } }) }),
  )
  await ask(
    'a bad entry',
    ehr('POST', '/fhir', {
      body: bundle('transaction', entry('POST Patient', patient), entry(`PUT Patient/${marks.number}`, patient)),
    }),
  )
  await ask(
    'a stale version',
    ehr('PUT', `/fhir/ServiceRequest/${orderId}`, {
      body: orderWith(`Patient/${patientId}`),
      headers: { 'if-match': 'W/"99"' },
    }),
  )
  await ask('a foreign id', ehr('PUT', `/fhir/Patient/${nobody}`, { body: patient }))
  await ask('another method', ehr('PATCH', `/fhir/Patient/${marks.family}`, { body: patient }))

  await ask('nobody', service().call('POST', `/fhir/Patient?${query}`, { body: patient }))
  await ask('a wrong token', service().call('GET', `/fhir/Patient?${query}`, { token: marks.family }))
  await ask('a wrong role', service().as('pebble')('POST', '/fhir/Patient', { body: patient }))
  await ask(
    'a request id that is none',
    ehr('GET', '/fhir/metadata', { headers: { 'x-request-id': `${marks.family} ${marks.number}` } }),
  )
  await ask(
    'headers',
    ehr('GET', '/fhir/metadata', {
      headers: { 'x-anything': marks.family, 'user-agent': marks.family, referer: marks.url },
    }),
  )

  // statements that fail with the values in what PostgreSQL says of them
  await onDatabase(
    `alter table daybind.resources add constraint planted check (body not like '%${marks.family}2%') not valid`,
  )
  const renamed = { ...patient, name: [{ family: `${marks.family}2`, given: [marks.given] }] }
  await ask('a statement that fails', ehr('POST', '/fhir/Patient', { body: renamed }))
  await onDatabase('alter table daybind.resources drop constraint planted')
  await onDatabase('alter table daybind.names rename to mislaid')
  await ask('a table that is lost', ehr('GET', `/fhir/Patient?${query}`))
  await onDatabase('alter table daybind.mislaid rename to names')
}

const lines = (): readonly LogLine[] => service().logLines()
const requestLines = () => lines().filter((l) => l.msg === 'request')

beforeAll(async () => {
  await sendAll()
  // an answer may arrive before its line is written
  await vi.waitFor(() => expect(requestLines().length).toBeGreaterThanOrEqual(sent))
})

describe('the log', () => {
  it('was put to the test: every kind of answer was given', () => {
    expect(answered).toEqual({
      accepted: 201,
      order: 201,
      linked: 200,
      'linked by name': 200,
      'a conflict': 409,
      'a wrong name': 400,
      'an unreadable scan': 400,
      returned: 200,
      'a search': 200,
      'a search that is refused': 400,
      'a strict search': 400,
      'a posted search': 200,
      'a name for an id': 404,
      'a name for a type': 404,
      nowhere: 404,
      'an address that cannot be decoded': 404,
      'an address that is too long': 404,
      'a criterion': 200,
      'a criterion that is refused': 400,
      'a report': 404,
      'broken JSON': 400,
      'no UTF-8': 400,
      'another media type': 415,
      'too large': 413,
      'another format': 406,
      invalid: 400,
      'against a rule': 422,
      'a bad entry': 404,
      'a stale version': 412,
      'a foreign id': 404,
      'another method': 405,
      nobody: 401,
      'a wrong token': 401,
      'a wrong role': 403,
      'a request id that is none': 200,
      headers: 200,
      'a statement that fails': 500,
      'a table that is lost': 500,
    })
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

  it('takes, answers and shows the request id of a caller', async () => {
    const answer = await ehr('GET', '/fhir/metadata', { headers: { 'x-request-id': 'ward-3:17' } })
    expect(answer.headers.get('x-request-id')).toBe('ward-3:17')
    await expect.poll(() => requestLines().filter((l) => l.requestId === 'ward-3:17').length).toBe(1)
  })

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
    await expect.poll(isParked, { timeout: 10_000 }).toBe(true)
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
