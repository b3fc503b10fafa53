/** Bad Parameters and bad searches: told to the letter, and nothing is kept. */
import type { Bundle, OperationOutcome, Parameters, ParametersParameter } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { aPatient, harbourPatients, placeOrder } from '../support/messages.ts'
import { outcome, type Told, useRowCounts } from '../support/refusals.ts'
import { useTestService } from '../support/service.ts'

const service = useTestService()
const counts = useRowCounts(() => service().database)
const clinic: ReturnType<typeof service>['call'] = (...asked) => service().as('bay-3')(...asked)

let order = ''
beforeAll(async () => {
  order = (await placeOrder(service().as('harbour-ehr'), 'OPERATIONS', 'OPERATIONS')).orderId
})

const hourAgo = `${new Date(Date.now() - 3_600_000).toISOString().slice(0, 19)}Z`

type Named = ParametersParameter | Readonly<Record<string, unknown>>

/** Parameters that would link, in this order. GS1's prefix 952 is for demonstrations. */
const good: readonly Named[] = [
  { name: 'scan', valueString: '(01)09520123456788(21)BAD1' },
  { name: 'appliedAt', valueDateTime: hourAgo },
  { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: 'OPERATIONS' } },
  { name: 'birthDate', valueDate: '1950-03-17' },
]

const parameters = (...parameter: readonly Named[]) => ({ resourceType: 'Parameters', parameter }) as Parameters

/** The good ones, with those at `index` replaced or, beyond them, one more. */
const withOne = (index: number, parameter: Named) =>
  parameters(...good.slice(0, index), parameter, ...good.slice(index + 1))

const at = (index: number, path = 'value') => `Parameters.parameter[${index}]${path === '' ? '' : `.${path}`}`
const told = (code: Told['code'], place: string | undefined, says?: string): Told => ({
  code,
  ...(place !== undefined && { at: place }),
  ...(says !== undefined && { says }),
})

const names =
  'order | scan | scanData | deviceIdentifier | serialNumber | appliedAt | patientIdentifier | birthDate | family | given | phone | performer | site | bodySite | deviceClock | endedAt | captureKey'
const toTheSecond = 'Expected: YYYY-MM-DDThh:mm:ss with Z or ±hh:mm.'
const oneOf = 'Expected: inv-1: A parameter must have one and only one of (value, resource, part).'

describe('$link-device', () => {
  it.each<[string, unknown, number, Told | readonly Told[]]>([
    [
      'no parameters',
      undefined,
      400,
      told('missing-parameter', 'Parameters.parameter', 'Expected: appliedAt (dateTime).'),
    ],
    [
      'an empty list',
      parameters(),
      400,
      told('empty-value', 'Parameters.parameter', 'Expected: at least one item, or no such element.'),
    ],
    [
      'another resource',
      aPatient('X'),
      400,
      told('wrong-resource-type', 'Patient', 'Found: Patient. Expected: Parameters.'),
    ],
    ['a list', [], 400, told('wrong-type', undefined, 'Found: an array. Expected: a resource: a JSON object.')],
    [
      'broken JSON',
      '{"resourceType":',
      400,
      {
        code: 'malformed-json',
        location: 'Line 1, column 17',
        says: 'Line 1, column 17. Found: the end of the text. Expected: a value.',
      },
    ],
    [
      'an unknown name',
      withOne(0, { name: 'scna', valueString: 'x' }),
      400,
      told('unknown-parameter', at(0, 'name'), `Found: scna. Expected: ${names}.`),
    ],
    [
      'no name',
      withOne(3, { valueDate: '1950-03-17' }),
      400,
      told('missing-element', at(3, 'name'), 'Expected: name (string).'),
    ],
    [
      'another type',
      withOne(1, { name: 'appliedAt', valueString: hourAgo }),
      400,
      told('wrong-type', at(1), 'Found: valueString. Expected: appliedAt as valueDateTime.'),
    ],
    [
      'a resource for a value',
      withOne(0, { name: 'scan', resource: aPatient('X') }),
      400,
      told('wrong-type', at(0, 'resource'), 'Found: resource. Expected: scan as valueString.'),
    ],
    [
      'parts for a value',
      withOne(0, { name: 'scan', part: [{ name: 'x', valueString: 'y' }] }),
      400,
      told('wrong-type', at(0, 'part'), 'Found: part. Expected: scan as valueString.'),
    ],
    [
      'two values',
      withOne(3, { name: 'birthDate', valueDate: '1950-03-17', valueString: 'x' }),
      400,
      told('wrong-cardinality', at(3), 'Found: valueDate, valueString. Expected: one of them.'),
    ],
    ['no value', withOne(3, { name: 'birthDate' }), 400, told('broken-invariant', at(3, ''), oneOf)],
    [
      'an empty value',
      withOne(0, { name: 'scan', valueString: ' ' }),
      400,
      told(
        'empty-value',
        at(0),
        'Found: white space alone. Expected: at least one visible character, or no such element.',
      ),
    ],
    [
      'given too often',
      parameters(...good, ...good.slice(1)),
      400,
      [
        told('wrong-cardinality', at(4, ''), 'Found: 2 × appliedAt. Expected: at most 1.'),
        told('wrong-cardinality', at(6, ''), 'Found: 2 × birthDate. Expected: at most 1.'),
      ],
    ],
    [
      'a moment in words',
      withOne(1, { name: 'appliedAt', valueDateTime: 'yesterday' }),
      400,
      told('wrong-value', at(1), 'Found: yesterday. Expected: a date: 2026, 2026-03 or 2026-03-02.'),
    ],
    [
      'a moment without offset',
      withOne(1, { name: 'appliedAt', valueDateTime: '2026-03-02T09:00:00' }),
      400,
      told(
        'missing-offset',
        at(1),
        'Found: 2026-03-02T09:00:00. Expected: the same moment with its offset: …+01:00 or …Z.',
      ),
    ],
    [
      'a day for a moment',
      withOne(1, { name: 'appliedAt', valueDateTime: '2026-03-02' }),
      422,
      told('moment-needs-seconds', at(1), `Found: 2026-03-02. ${toTheSecond}`),
    ],
    [
      '30 February',
      withOne(1, { name: 'appliedAt', valueDateTime: '2026-02-30T09:00:00Z' }),
      400,
      told('wrong-value', at(1), 'Found: 2026-02-30T09:00:00Z. Expected: a day that exists in its month.'),
    ],
    [
      'a leap second',
      withOne(1, { name: 'appliedAt', valueDateTime: '2016-12-31T23:59:60Z' }),
      422,
      told('leap-second', at(1), 'Found: 2016-12-31T23:59:60Z. Expected: the second before it or the second after it.'),
    ],
    [
      'the first second of year 1',
      withOne(1, { name: 'appliedAt', valueDateTime: '0001-01-01T00:00:00Z' }),
      422,
      told('before-birth', at(1)),
    ],
    [
      'a second before year 1',
      withOne(1, { name: 'appliedAt', valueDateTime: '0001-01-01T00:00:00+14:00' }),
      400,
      told(
        'wrong-value',
        at(1),
        'Found: 0001-01-01T00:00:00+14:00. Expected: a moment that lies in the years 0001 to 9999 in UTC too.',
      ),
    ],
    [
      'a scan that is not base64',
      withOne(0, { name: 'scanData', valueBase64Binary: '***' }),
      400,
      told('wrong-value', at(0), 'Found: ***. Expected: base64.'),
    ],
    [
      'a scan of 3,000 characters',
      withOne(0, { name: 'scan', valueString: 'Z'.repeat(3000) }),
      422,
      told(
        'scan-unreadable',
        at(0),
        `It is longer than 500 characters. Found: ${'Z'.repeat(117)}…. Expected: a GS1 element string, (01)…, a GS1 Digital Link, HIBC (+…) or ISBT 128 (=/…).`,
      ),
    ],
    [
      'a name at length',
      withOne(3, { name: 'x'.repeat(100_000), valueString: 'y' }),
      400,
      told('unknown-parameter', at(3, 'name'), `Found: ${'x'.repeat(117)}…. Expected: ${names}.`),
    ],
  ])('%s', async (_, body, status, issues) => {
    const before = await counts()
    const answer = await clinic(
      'POST',
      `/fhir/ServiceRequest/${order}/$link-device`,
      body === undefined ? {} : { body },
    )
    const list: readonly Told[] = Array.isArray(issues) ? issues : [issues]
    expect([answer.status, answer.body]).toEqual([status, outcome(...list)])
    expect(await counts()).toEqual(before)
  })

  const noOrder = told('missing-parameter', 'Parameters.parameter', 'Expected: order (Identifier), the placer number.')
  const noMoment = told('missing-parameter', 'Parameters.parameter', 'Expected: appliedAt (dateTime).')
  const [scan] = good as [Named, ...Named[]]
  const unreadable = { name: 'order', valueString: 'OPERATIONS' }
  it.each<[string, unknown, readonly Told[]]>([
    ['neither an order nor a moment', parameters(scan), [noOrder, noMoment]],
    ['nothing at all', undefined, [noOrder, noMoment]],
    ['no order', parameters(...good), [noOrder]],
    [
      'an order of another type and no moment',
      parameters(scan, unreadable),
      [told('wrong-type', at(1), 'Found: valueString. Expected: order as valueIdentifier.'), noMoment],
    ],
    [
      'no order, and what is no FHIR, which is told first',
      parameters({ name: 'birthDate' }),
      [told('broken-invariant', at(0, ''), oneOf)],
    ],
  ])('on the type, with %s', async (_, body, issues) => {
    const answer = await clinic('POST', '/fhir/ServiceRequest/$link-device', body === undefined ? {} : { body })
    expect([answer.status, answer.body]).toEqual([400, outcome(...issues)])
  })

  it('a moment beyond the year 9999 is in the future', async () => {
    const body = withOne(1, { name: 'appliedAt', valueDateTime: '9999-12-31T23:59:59Z' })
    const answer = await clinic('POST', `/fhir/ServiceRequest/${order}/$link-device`, { body })
    expect([answer.status, answer.body.issue.map((i) => i.details?.coding?.[0]?.code)]).toEqual([
      422,
      ['in-the-future'],
    ])
    expect(answer.body.issue[0]?.diagnostics).toMatch(
      /^The moment lies in the future\. Found: 9999-12-31T23:59:59Z\. Expected: at most \d{4}-\d\d-\d\dT[\d:.]+Z\.$/,
    )
  })

  it('an order that is not there goes first, whatever the body is', async () => {
    const nobody = '/fhir/ServiceRequest/00000000-0000-4000-8000-000000000000/$link-device'
    const cut: Told = {
      code: 'malformed-json',
      location: 'Line 1, column 2',
      says: 'Line 1, column 2. Found: the end of the text. Expected: a name in quotes or }.',
    }
    const broken = await clinic('POST', nobody, { body: '{' })
    expect([broken.status, broken.body]).toEqual([404, outcome({ code: 'not-known' }, cut)])
    const wrong = await clinic('POST', nobody, { body: withOne(3, { name: 'birthDate' }) })
    expect([wrong.status, wrong.body]).toEqual([
      404,
      outcome({ code: 'not-known' }, told('broken-invariant', at(3, ''), oneOf)),
    ])
  })
})

describe('the other operations', () => {
  const site = { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } }
  const missing = (what: string) => told('missing-parameter', 'Parameters.parameter', `Expected: ${what}.`)

  it.each<[string, string, unknown, readonly Told[]]>([
    ['$record-return', '/fhir/Device/$record-return', parameters(good[0] ?? {}), [missing('receivedAt (dateTime)')]],
    [
      '$record-application',
      '/fhir/Device/$record-application',
      parameters(good[0] ?? {}, { name: 'evidence', valueCode: 'hearsay' }),
      [
        missing('appliedAt (dateTime)'),
        missing('site (Identifier)'),
        told('unknown-code', at(1), 'Found: hearsay. Expected: capture | activation | stock.'),
      ],
    ],
    [
      '$record-not-applied',
      'order/$record-not-applied',
      parameters({ name: 'reason', valueCode: 'rain' }, { name: 'newDate', valueDate: '2026-02-30' }),
      [told('wrong-value', at(1), 'Found: 2026-02-30. Expected: a day that exists in its month.')],
    ],
    [
      '$reconcile-day, as of a moment without offset',
      '/fhir/$reconcile-day',
      parameters(
        site,
        { name: 'date', valueDate: '2026-03-02' },
        { name: 'asOf', valueInstant: '2026-03-02T09:00:00' },
      ),
      [
        told(
          'missing-offset',
          at(2),
          'Found: 2026-03-02T09:00:00. Expected: the same moment with its offset: …+01:00 or …Z.',
        ),
      ],
    ],
    [
      '$reconcile-day, of a year',
      '/fhir/$reconcile-day',
      parameters(site, { name: 'date', valueDate: '2026' }),
      [told('wrong-value', at(1), 'Found: 2026. Expected: a date of the calendar, YYYY-MM-DD.')],
    ],
  ])('%s', async (_, path, body, issues) => {
    const before = await counts()
    const answer = await clinic('POST', path.replace(/^order/, `/fhir/ServiceRequest/${order}`), { body })
    expect([answer.status, answer.body]).toEqual([400, outcome(...issues)])
    expect(await counts()).toEqual(before)
  })

  it.each(['tern-harbour', 'quarry-lane'])(
    'the first day there is has an evening at %s, the last one is a slip of the pen',
    async (value) => {
      for (const [day, told] of [
        ['0001-01-01', [200, 'Bundle']],
        ['9999-12-31', [422, 'OperationOutcome']],
      ] as const) {
        const body = parameters(
          { ...site, valueIdentifier: { ...site.valueIdentifier, value } },
          { name: 'date', valueDate: day },
        )
        const evening = await service().as('ops')<Bundle>('POST', '/fhir/$reconcile-day', { body })
        expect([evening.status, evening.body.resourceType]).toEqual(told)
      }
    },
  )
})

describe('searches', () => {
  const aDate =
    'a date or a moment (2026-03-02, 2026-03-02T09:30:00Z), behind eq, ne, gt, lt, ge, le, sa, eb or nothing'
  const aToken = 'code, system|code, system| or |code'
  const aName = 'how a name begins, at least one letter or digit'
  const aReference = 'an id, Type/id or an address'
  const wrong = (name: string, found: string, expected: string): Told => ({
    code: 'wrong-parameter',
    location: `http.${name}`,
    says: `Found: ${found}. Expected: ${expected}.`,
  })

  it.each<[string, string, string, string?]>([
    ...[
      'xx',
      '2026-02-30',
      '2026-13',
      '0000',
      '10000',
      'zz2026',
      '2026-01-01T24:00:00Z',
      '2016-12-31T23:59:60Z',
      '2026,xx',
      '',
    ].map((value): [string, string, string] => ['Patient', `birthdate=${value}`, aDate]),
    ['Patient', 'birthdate:missing=true', 'birthdate without a modifier'],
    ['Patient', '_lastUpdated=2026-99', aDate],
    ['Patient', 'identifier=', aToken],
    ['Patient', 'identifier=%00', aToken, 'identifier=<U+0000>'],
    ['Patient', 'active:not=true', 'active without a modifier'],
    ['ServiceRequest', 'code=,', aToken],
    ['Patient', 'family=', aName],
    ['Patient', 'family=...', aName],
    ['ServiceRequest', 'patient=', aReference],
    ['ServiceRequest', 'patient=Patient/', aReference],
    ['ServiceRequest', 'patient=Patient/a/b', aReference],
    ['ServiceRequest', 'patient=a%20b', aReference, 'patient=a b'],
    ['ServiceRequest', 'patient:Patient=1', 'patient or patient:identifier=system|value'],
    ['Patient', '_count=-1', 'a whole number of at most nine digits'],
    ['Patient', '_count=1e9', 'a whole number of at most nine digits'],
    ['Patient', '_sort=family', '_lastUpdated or -_lastUpdated'],
    ['Patient', '_total=all', 'none, estimate or accurate'],
    ['Patient', '_cursor=zzz', 'what stands in the link to the next page'],
  ])('%s?%s', async (type, query, expected, found = query) => {
    const answer = await clinic('GET', `/fhir/${type}?${query}`)
    const [name = ''] = query.split(/[:=]/)
    expect([answer.status, answer.body]).toEqual([400, outcome(wrong(name, found, expected))])
  })

  it('all that is wrong at once, each parameter by its name', async () => {
    const answer = await clinic('GET', '/fhir/Patient?birthdate=xx&_count=abc&birthdate=2026&family=')
    expect([answer.status, answer.body]).toEqual([
      400,
      outcome(
        wrong('birthdate', 'birthdate=xx', aDate),
        wrong('_count', '_count=abc', 'a whole number of at most nine digits'),
        wrong('family', 'family=', aName),
      ),
    ])
  })

  it('as a form too', async () => {
    const headers = { 'content-type': 'application/x-www-form-urlencoded' }
    const answer = await clinic('POST', '/fhir/Patient/_search', { body: 'birthdate=xx', headers })
    expect([answer.status, answer.body]).toEqual([400, outcome(wrong('birthdate', 'birthdate=xx', aDate))])
  })

  it('what is not known is told as a warning, and refused by who asks for strictness', async () => {
    const all =
      '_id, _lastUpdated, _count, _sort, _total, _summary, _include, _revinclude, identifier, active, birthdate, family, given'
    const unknown = (name: string): Told => ({
      code: 'unknown-parameter',
      location: 'http.query',
      says: `Found: ${name}. Expected: ${all}.`,
    })
    const query = '/fhir/Patient?colour=red&shape=round&identifier=nobody'
    const strict = await clinic('GET', query, { headers: { prefer: 'handling=strict' } })
    expect([strict.status, strict.body]).toEqual([400, outcome(unknown('colour'), unknown('shape'))])
    const lenient = await clinic<Bundle>('GET', query)
    const warning = lenient.body.entry?.at(-1)?.resource as OperationOutcome
    expect([lenient.status, warning.issue.map((i) => [i.severity, i.location, i.diagnostics])]).toEqual([
      200,
      ['colour', 'shape'].map((n) => [
        'warning',
        ['http.query'],
        `The parameter is not known. Found: ${n}. Expected: ${all}.`,
      ]),
    ])
  })

  it.each([
    ...['birthdate=0001-01-01', 'birthdate=9999', 'birthdate=9999-12-31', 'birthdate=0001-01-01T00:00:00%2B14:00'],
    ...[
      'birthdate=eb9999-12-31T23:59:59-14:00',
      '_lastUpdated=gt0001-01-01T00:00:00%2B14:00',
      '_lastUpdated=lt9999-12-31T23:59:59-14:00',
    ],
  ])('the edges of time are searched: %s', async (query) => {
    expect((await clinic('GET', `/fhir/Patient?${query}`)).status).toBe(200)
  })
})

it('of all this nothing was a bug', () => {
  expect(
    service()
      .logLines()
      .filter((line) => Number(line.level) >= 50),
  ).toEqual([])
})
