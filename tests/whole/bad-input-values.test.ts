/** What is JSON and is not right: each as a resource alone, in a transaction and in a batch, told to the letter. */
import type { Bundle, BundleEntry, OperationOutcome, ServiceRequest } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { anOrder, aPatient, bundle, entry, harbourOrders, harbourPatients } from '../support/messages.ts'
import { inEntry, outcome, type Told, useRowCounts } from '../support/refusals.ts'
import { type Answer, useTestService } from '../support/service.ts'

const service = useTestService()
const counts = useRowCounts(() => service().database)
const ehr: ReturnType<typeof service>['call'] = (...asked) => service().as('harbour-ehr')(...asked)

let patient = ''
beforeAll(async () => {
  const answer = await ehr<{ id: string }>('POST', '/fhir/Patient', { body: aPatient('VALUES') })
  patient = `Patient/${answer.body.id}`
})

interface Row {
  readonly name: string
  readonly status: 400 | 422
  /** What is wrong with the order; undefined takes the element away. */
  readonly over: object
  readonly told: readonly Told[]
}

const bad = (status: 400 | 422) => (name: string, over: object, told: Told | readonly Told[]) =>
  ({ name, status, over, told: Array.isArray(told) ? told : [told] }) as Row
const notFhir = bad(400)
const notOurs = bad(422)

const at = (path: string): string => `ServiceRequest${path === '' ? '' : `.${path}`}`
const told = (code: Told['code'], path: string, says?: string): Told => ({
  code,
  at: at(path),
  ...(says !== undefined && { says }),
})

const aDate = 'Expected: a date: 2026, 2026-03 or 2026-03-02.'
const aMoment = 'Expected: a date (2026-03-02) or a moment to the second with its offset (2026-03-02T09:30:00Z).'
const noDay = 'Expected: a day that exists in its month.'
const offset = 'Expected: the same moment with its offset: …+01:00 or …Z.'
const noLeap = 'Expected: the second before it or the second after it.'
const inYears = 'Expected: a moment that lies in the years 0001 to 9999 in UTC too.'
const empty = 'Expected: at least one visible character, or no such element.'
const intents =
  'Expected: directive, filler-order, instance-order, option, order, original-order, plan, proposal, reflex-order.'
const references =
  "Expected: an entry's fullUrl, an id of ours, Type?identifier=system|value, #contained, a logical identifier, or an address below the source's fhir."
const long = 'x'.repeat(500)
const unknown = (name: string) => `Found: ${name}. Expected: an element of ServiceRequest.`

const rows: readonly Row[] = [
  notFhir('wrong types', { status: 7, priority: true, code: 'x', identifier: {} }, [
    told('wrong-type', 'identifier', 'Found: an object. Expected: an array.'),
    told('wrong-type', 'status', 'Found: a number. Expected: a string.'),
    told('wrong-type', 'code', 'Found: a string. Expected: an object.'),
    told('wrong-type', 'priority', 'Found: a boolean. Expected: a string.'),
  ]),
  notFhir(
    'a list where one value is due',
    { intent: ['order'] },
    told('wrong-cardinality', 'intent', 'Found: an array. Expected: one value.'),
  ),
  notFhir('missing elements', { status: undefined, intent: undefined, subject: undefined }, [
    told('missing-element', 'status', 'Expected: status (code).'),
    told('missing-element', 'intent', 'Expected: intent (code).'),
    told('missing-element', 'subject', 'Expected: subject (Reference).'),
  ]),
  notFhir('an unknown element', { colour: 'red' }, told('unknown-element', 'colour', unknown('colour'))),
  notFhir(
    'an element with a name at length and in no alphabet of FHIR',
    { [`é\n${long}`]: 1 },
    {
      code: 'unknown-element',
      at: at(`\`é\\n${'x'.repeat(37)}…\``),
      says: unknown(`é<U+000A>${'x'.repeat(115)}…`),
    },
  ),
  notFhir('an unknown code', { intent: 'wish' }, told('unknown-code', 'intent', `Found: wish. ${intents}`)),
  notFhir(
    'a value at length, of which the beginning is told',
    { priority: long },
    told('unknown-code', 'priority', `Found: ${'x'.repeat(117)}…. Expected: asap, routine, stat, urgent.`),
  ),
  notFhir('a choice given twice', { occurrenceDateTime: '2026-03-02', occurrencePeriod: { start: '2026-03-02' } }, [
    told('wrong-cardinality', 'occurrence', 'Found: occurrenceDateTime, occurrencePeriod. Expected: one of them.'),
  ]),
  notFhir(
    'empty strings, lists and objects',
    { priority: '', note: [{ text: ' \t' }], category: [], performer: [{}] },
    [
      told('empty-value', 'priority', `Found: an empty string. ${empty}`),
      told('empty-value', 'note[0].text', `Found: white space alone. ${empty}`),
      told('empty-value', 'category', 'Expected: at least one item, or no such element.'),
      told('empty-value', 'performer[0]', 'Expected: content, or no such element.'),
    ],
  ),
  notFhir('null', { note: null, category: [null] }, [
    told('wrong-type', 'note', 'Found: null. Expected: an array.'),
    told('empty-value', 'category[0]', 'Found: null.'),
  ]),
  notFhir('a number as text', { quantityQuantity: { value: '7' } }, [
    told('wrong-type', 'quantity.value', 'Found: a string. Expected: a number.'),
  ]),
  notFhir('an id that is none', { id: 'a b' }, [
    told('wrong-value', 'id', 'Found: a b. Expected: 1 to 64 letters, digits, hyphens and dots.'),
  ]),
  notFhir('a dateTime without offset', { authoredOn: '2026-03-02T09:00:00' }, [
    told('missing-offset', 'authoredOn', `Found: 2026-03-02T09:00:00. ${offset}`),
  ]),
  notFhir('a period without offset', { occurrencePeriod: { start: '2026-03-02T09:00:00' } }, [
    told('missing-offset', 'occurrence.start', `Found: 2026-03-02T09:00:00. ${offset}`),
  ]),
  notFhir('a dateTime without seconds', { authoredOn: '2026-03-02T09:00Z' }, [
    told('wrong-value', 'authoredOn', `Found: 2026-03-02T09:00Z. ${aMoment}`),
  ]),
  notFhir('30 February', { authoredOn: '2026-02-30', occurrenceDateTime: '2026-02-30T09:00:00Z' }, [
    told('wrong-value', 'authoredOn', `Found: 2026-02-30. ${noDay}`),
    told('wrong-value', 'occurrence', `Found: 2026-02-30T09:00:00Z. ${noDay}`),
  ]),
  notFhir('29 February of a year that has none', { authoredOn: '2100-02-29' }, [
    told('wrong-value', 'authoredOn', `Found: 2100-02-29. ${noDay}`),
  ]),
  notFhir('hour 24', { authoredOn: '2016-12-31T24:00:00Z' }, [
    told('wrong-value', 'authoredOn', `Found: 2016-12-31T24:00:00Z. ${aMoment}`),
  ]),
  notFhir('second 61', { authoredOn: '2016-12-31T23:59:61Z' }, [
    told('wrong-value', 'authoredOn', `Found: 2016-12-31T23:59:61Z. ${aMoment}`),
  ]),
  // 2016-12-31T23:59:60Z was a leap second. Source: IERS Bulletin C 52
  notOurs('a leap second', { authoredOn: '2016-12-31T23:59:60Z', occurrenceDateTime: '2017-01-01T00:59:60+01:00' }, [
    told('leap-second', 'authoredOn', `Found: 2016-12-31T23:59:60Z. ${noLeap}`),
    told('leap-second', 'occurrence', `Found: 2017-01-01T00:59:60+01:00. ${noLeap}`),
  ]),
  notFhir('an offset beyond 14 hours', { authoredOn: '2026-03-02T09:00:00+14:01' }, [
    told('wrong-value', 'authoredOn', `Found: 2026-03-02T09:00:00+14:01. ${aMoment}`),
  ]),
  notFhir('the year 0000', { authoredOn: '0000-01-01' }, [
    told('wrong-value', 'authoredOn', `Found: 0000-01-01. ${aDate}`),
  ]),
  notFhir('the year 10000', { occurrenceDateTime: '10000-01-01' }, [
    told('wrong-value', 'occurrence', `Found: 10000-01-01. ${aMoment}`),
  ]),
  notFhir('a moment of year 1 that lies before it in UTC', { occurrenceDateTime: '0001-01-01T00:00:00+14:00' }, [
    told('wrong-value', 'occurrence', `Found: 0001-01-01T00:00:00+14:00. ${inYears}`),
  ]),
  notFhir('a moment of year 9999 that lies after it in UTC', { authoredOn: '9999-12-31T23:59:59-14:00' }, [
    told('wrong-value', 'authoredOn', `Found: 9999-12-31T23:59:59-14:00. ${inYears}`),
  ]),
  notFhir('a period that ends before it starts', { occurrencePeriod: { start: '9999-12-31', end: '0001-01-01' } }, [
    told('broken-invariant', 'occurrence', 'Expected: per-1: If present, start SHALL have a lower value than end.'),
  ]),
  notFhir('an unknown modifier', { modifierExtension: [{ url: 'urn:x', valueBoolean: true }] }, [
    told('unknown-modifier', 'modifierExtension[0]', 'Found: urn:x.'),
  ]),
  notFhir('rules that change what it means', { implicitRules: 'urn:x' }, [
    told('unknown-modifier', 'implicitRules', 'Found: urn:x.'),
  ]),
  notFhir('a reference to what is not contained', { requester: { reference: '#b' } }, [
    told('broken-invariant', 'requester.reference', 'Found: #b. Expected: ref-1: a contained resource with this id.'),
  ]),
  notFhir('a contained resource that nothing refers to', { contained: [{ resourceType: 'Patient', id: 'a' }] }, [
    told(
      'broken-invariant',
      'contained[0]',
      'Found: a. Expected: dom-3: a reference to the contained resource from elsewhere in the resource.',
    ),
  ]),
  notOurs('a reference to a type that is not allowed there', { requester: { reference: 'Location/1' } }, [
    told(
      'wrong-reference',
      'requester.reference',
      'Found: Location. Expected: Practitioner, PractitionerRole, Organization, Patient, RelatedPerson, Device.',
    ),
  ]),
  notOurs('a relative id of another server', { subject: { reference: 'Patient/4711' } }, [
    told('reference-not-found', 'subject.reference', `Found: Patient/4711. ${references}`),
  ]),
  notOurs('an address of another server', { subject: { reference: 'https://elsewhere.example/fhir/Patient/4711' } }, [
    told(
      'reference-not-found',
      'subject.reference',
      `Found: https://elsewhere.example/fhir/Patient/4711. ${references}`,
    ),
  ]),
  notOurs('a patient who is not known', { subject: { reference: `Patient?identifier=${harbourPatients}|NOBODY` } }, [
    told(
      'reference-not-found',
      'subject.reference',
      `Found: Patient?identifier=${harbourPatients}|NOBODY. ${references}`,
    ),
  ]),
  notFhir(
    'wrong in two classes: the first tells the status, both are told',
    { status: 'x', requester: { reference: 'Location/1' } },
    [
      told(
        'unknown-code',
        'status',
        'Found: x. Expected: active, completed, draft, entered-in-error, on-hold, revoked, unknown.',
      ),
      told(
        'wrong-reference',
        'requester.reference',
        'Found: Location. Expected: Practitioner, PractitionerRole, Organization, Patient, RelatedPerson, Device.',
      ),
    ],
  ),
]

let numbers = 0
const number = (): string => `BV${++numbers}`

const badOrder = (placer: string, over: object): ServiceRequest => ({ ...anOrder(placer, patient), ...over })

const inBundle = (type: 'transaction' | 'batch', placer: string, over: object): Bundle =>
  bundle(
    type,
    entry(`PUT Patient?identifier=${harbourPatients}|VALUES`, aPatient('VALUES')),
    entry(`PUT ServiceRequest?identifier=${harbourOrders}|${placer}`, badOrder(placer, over)),
  )

describe.each(rows)('$name', ({ over, status, told }) => {
  const refused = (answer: Answer<unknown>, issues = told) =>
    expect([answer.status, answer.body]).toEqual([status, outcome(...issues)])

  it.each([
    ['POST', () => '/fhir/ServiceRequest'],
    ['PUT', (placer: string) => `/fhir/ServiceRequest?identifier=${harbourOrders}|${placer}`],
  ] as const)('alone, by %s', async (method, path) => {
    const [before, placer] = [await counts(), number()]
    refused(await ehr(method, path(placer), { body: badOrder(placer, over) }))
    expect(await counts()).toEqual(before)
  })

  it('in a transaction', async () => {
    const before = await counts()
    refused(
      await ehr('POST', '/fhir', { body: inBundle('transaction', number(), over) }),
      told.map((t) => inEntry(1, t)),
    )
    expect(await counts()).toEqual(before)
  })

  it('in a batch, of which the rest is taken', async () => {
    const before = await counts()
    const answer = await ehr<Bundle>('POST', '/fhir', { body: inBundle('batch', number(), over) })
    const [good, refusedEntry] = answer.body.entry ?? []
    expect([answer.status, good?.response?.status]).toEqual([200, '200 OK'])
    expect(refusedEntry?.response).toEqual({
      status: String(status),
      outcome: outcome(...told.map((t) => inEntry(1, t))),
    })
    // what came is kept as received, with the entry that was taken
    expect({ ...(await counts()), inbound: 0 }).toEqual({ ...before, inbound: 0 })
  })
})

describe('a resource that is none', () => {
  it.each<[string, unknown, Told]>([
    ['null', 'null', { code: 'wrong-type', says: 'Found: null. Expected: a resource: a JSON object.' }],
    ['a list', '[]', { code: 'wrong-type', says: 'Found: an array. Expected: a resource: a JSON object.' }],
    ['text', '"x"', { code: 'wrong-type', says: 'Found: a string. Expected: a resource: a JSON object.' }],
    ['an object without type', {}, { code: 'missing-element', says: 'Expected: resourceType: ServiceRequest.' }],
    [
      'of a type that FHIR does not have',
      { resourceType: 'toString' },
      { code: 'wrong-resource-type', says: 'Found: toString. Expected: ServiceRequest.' },
    ],
    [
      'of another type',
      aPatient('X'),
      { code: 'wrong-resource-type', at: 'Patient', says: 'Found: Patient. Expected: ServiceRequest.' },
    ],
  ])('%s', async (_, body, told) => {
    const answer = await ehr('POST', '/fhir/ServiceRequest', { body })
    expect([answer.status, answer.body]).toEqual([400, outcome(told)])
  })

  it('no body at all', async () => {
    const answer = await ehr('POST', '/fhir/ServiceRequest')
    const nothing: Told = { code: 'wrong-type', says: 'Found: nothing. Expected: a resource: a JSON object.' }
    expect([answer.status, answer.body]).toEqual([400, outcome(nothing)])
  })
})

describe('identities and criteria', () => {
  const twice = (i: number): Told => ({
    code: 'same-identity-twice',
    at: [`Bundle.entry[${i}].resource.identifier`, 'ServiceRequest.identifier'],
  })

  it('two entries of one identity: the second is told, and neither is kept', async () => {
    const [before, placer] = [await counts(), number()]
    const order = anOrder(placer, patient)
    const body = bundle('transaction', entry('POST ServiceRequest', order), entry('POST ServiceRequest', order))
    const answer = await ehr('POST', '/fhir', { body })
    expect([answer.status, answer.body]).toEqual([400, outcome(twice(1))])
    expect(await counts()).toEqual(before)
  })

  const parameter = (found: string, location: string, expected = 'identifier=system|value'): Told => ({
    code: 'wrong-parameter',
    location,
    says: `Found: ${found}. Expected: ${expected}.`,
  })
  const criterion = (found: string, placer: string): Told => ({
    code: 'wrong-criterion',
    at: 'ServiceRequest.identifier',
    says: `Found: ${found}. Expected: ${harbourOrders}|${placer}.`,
  })

  it.each<[string, string, string, Record<string, string>, (placer: string) => Told]>([
    ['a criterion that is not the body’s', 'PUT', '?identifier=urn:x|1', {}, (p) => criterion('urn:x|1', p)],
    ['a criterion with a NUL', 'PUT', '?identifier=urn:x|%00', {}, (p) => criterion('urn:x|<U+0000>', p)],
    ['no criterion', 'PUT', '', {}, () => parameter('an empty string', 'http.identifier')],
    ['a criterion without system', 'PUT', '?identifier=1', {}, () => parameter('identifier=1', 'http.identifier')],
    [
      'another criterion',
      'PUT',
      '?status=active',
      {},
      () => ({
        code: 'unknown-parameter',
        location: 'http.status',
        says: 'Found: status. Expected: identifier, dry-run, _format, _pretty.',
      }),
    ],
    [
      'a criterion given twice',
      'PUT',
      '?identifier=a|1&identifier=a|2',
      {},
      () => parameter('a|1 and a|2', 'http.identifier', 'identifier once'),
    ],
    [
      'If-None-Exist that is not the body’s',
      'POST',
      '',
      { 'if-none-exist': 'identifier=urn:x|1' },
      (p) => criterion('urn:x|1', p),
    ],
    [
      'If-None-Exist in bytes of no alphabet',
      'POST',
      '',
      { 'if-none-exist': 'identifier=\u00e9|\u00ff' },
      (p) => criterion('\u00e9|\u00ff', p),
    ],
    [
      'If-None-Exist by something else',
      'POST',
      '',
      { 'if-none-exist': 'name=x' },
      () => parameter('name=x', 'http.If-None-Exist'),
    ],
    [
      'If-Match that is no version',
      'PUT',
      'own',
      { 'if-match': '1' },
      () => parameter('1', 'http.If-Match', 'W/"<version>", or *'),
    ],
    [
      'If-Match of anything and a version',
      'POST',
      '',
      { 'if-match': '*, W/"2"' },
      () => parameter('*, W/"2"', 'http.If-Match', 'W/"<version>", or *'),
    ],
    [
      'If-None-Match that is empty',
      'PUT',
      'own',
      { 'if-none-match': ',' },
      () => parameter(',', 'http.If-None-Match', 'W/"<version>", or *'),
    ],
  ])('%s', async (_, method, query, headers, told) => {
    const [before, placer] = [await counts(), number()]
    const own = query === 'own' ? `?identifier=${harbourOrders}|${placer}` : query
    const answer = await ehr(method, `/fhir/ServiceRequest${own}`, { body: anOrder(placer, patient), headers })
    expect([answer.status, answer.body]).toEqual([400, outcome(told(placer))])
    expect(await counts()).toEqual(before)
  })

  it.each<[string, BundleEntry['request'], (placer: string) => Told]>([
    [
      'a criterion that is not the body’s',
      { method: 'PUT', url: 'ServiceRequest?identifier=urn:x|1' },
      (p) => inEntry(0, criterion('urn:x|1', p)),
    ],
    [
      'a criterion without system',
      { method: 'PUT', url: 'ServiceRequest?identifier=1' },
      () => ({ ...parameter('identifier=1', ''), at: 'Bundle.entry[0].request.url' }),
    ],
    [
      'ifNoneExist by something else',
      { method: 'POST', url: 'ServiceRequest', ifNoneExist: 'name=x' },
      () => ({ ...parameter('name=x', ''), at: 'Bundle.entry[0].request.ifNoneExist' }),
    ],
    [
      'ifMatch that is no version',
      { method: 'POST', url: 'ServiceRequest', ifMatch: 'one' },
      () => ({ ...parameter('one', '', 'W/"<version>", or *'), at: 'Bundle.entry[0].request.ifMatch' }),
    ],
    [
      'a POST with a criterion',
      { method: 'POST', url: 'ServiceRequest?identifier=a|b' },
      () => ({
        code: 'wrong-value',
        at: 'Bundle.entry[0].request.url',
        says: 'Found: ServiceRequest?identifier=a|b. Expected: Type alone.',
      }),
    ],
    [
      'an address that is none',
      { method: 'PUT', url: '/ServiceRequest/../x' },
      () => ({
        code: 'wrong-value',
        at: 'Bundle.entry[0].request.url',
        says: 'Found: /ServiceRequest/../x. Expected: Type/id or Type?identifier=system|value.',
      }),
    ],
  ])('in an entry: %s', async (_, request, told) => {
    const [before, placer] = [await counts(), number()]
    const body = {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [{ resource: anOrder(placer, patient), request }],
    }
    const answer = await ehr('POST', '/fhir', { body })
    const { location, ...issue } = told(placer)
    expect([answer.status, answer.body]).toEqual([400, outcome({ ...issue, ...(location ? { location } : {}) })])
    expect(await counts()).toEqual(before)
  })

  describe('a condition that does not hold is 412 at its place, and nothing is kept', () => {
    const stale = (found: string, location: string, expected = 'W/"1"'): Told => ({
      code: 'version-conflict',
      location,
      says: `Found: ${found}. Expected: ${expected}.`,
    })
    const stored = (found: string, location: string): Told => ({
      code: 'already-stored',
      location,
      says: `It is W/"1". Found: ${found}.`,
    })
    const nothing = 'no If-Match: nothing is stored yet'

    it.each<[string, string, string, Told, 'new'?]>([
      ['PUT by id', 'If-Match', 'W/"7"', stale('W/"7"', 'http.If-Match')],
      ['PUT by criterion', 'If-Match', 'W/"7", "x"', stale('W/"7", "x"', 'http.If-Match')],
      ['PUT by criterion', 'If-Match', '*', stale('*', 'http.If-Match', nothing), 'new'],
      ['POST', 'If-Match', 'W/"7"', stale('W/"7"', 'http.If-Match')],
      ['POST', 'If-Match', 'W/"1"', stale('W/"1"', 'http.If-Match', nothing), 'new'],
      ['PUT by id', 'If-None-Match', '*', stored('*', 'http.If-None-Match')],
      ['PUT by criterion', 'If-None-Match', 'W/"1"', stored('W/"1"', 'http.If-None-Match')],
      ['POST', 'If-None-Match', '*', stored('*', 'http.If-None-Match')],
    ])('%s with %s: %s', async (how, header, value, told, isNew) => {
      const placer = number()
      const made = isNew
        ? undefined
        : await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: anOrder(placer, patient) })
      const before = await counts()
      const path = {
        'PUT by id': `/${made?.body.id}`,
        'PUT by criterion': `?identifier=${harbourOrders}|${placer}`,
        POST: '',
      }[how]
      const answer = await ehr(how === 'POST' ? 'POST' : 'PUT', `/fhir/ServiceRequest${path}`, {
        body: anOrder(placer, patient, { priority: 'stat' }),
        headers: { [header]: value },
      })
      expect([answer.status, answer.body]).toEqual([412, outcome(told)])
      expect(await counts()).toEqual(before)
    })

    it.each([
      ['ifMatch', stale('W/"7"', '')],
      ['ifNoneMatch', stored('W/"7", W/"1"', '')],
    ] as const)('in an entry: %s', async (name, { location: _, ...told }) => {
      const placer = number()
      await ehr('POST', '/fhir/ServiceRequest', { body: anOrder(placer, patient) })
      const value = name === 'ifMatch' ? 'W/"7"' : 'W/"7", W/"1"'
      const order = anOrder(placer, patient, { priority: 'stat' })
      const body = bundle('transaction', entry('POST ServiceRequest', order, { [name]: value }))
      const answer = await ehr('POST', '/fhir', { body })
      const at = `Bundle.entry[0].request.${name}`
      expect([answer.status, answer.body]).toEqual([412, outcome({ ...told, at })])
    })
  })

  it('the id in the body is not the one in the address', async () => {
    const placer = number()
    const made = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: anOrder(placer, patient) })
    const body = { ...anOrder(placer, patient), id: 'other' }
    const answer = await ehr('PUT', `/fhir/ServiceRequest/${made.body.id}`, { body })
    const wrong: Told = { code: 'wrong-id', at: 'ServiceRequest.id', says: `Found: other. Expected: ${made.body.id}.` }
    expect([answer.status, answer.body]).toEqual([400, outcome(wrong)])
  })
})

describe('the order of refusals', () => {
  const nobody = '00000000-0000-4000-8000-000000000000'
  const broken: Told = {
    code: 'malformed-json',
    location: 'Line 1, column 2',
    says: 'Line 1, column 2. Found: the end of the text. Expected: a name in quotes or }.',
  }
  const missing = ['status (code)', 'intent (code)', 'subject (Reference)'].map((what): Told => {
    const [name = ''] = what.split(' ')
    return told('missing-element', name, `Expected: ${what}.`)
  })

  it.each<[string, string | undefined, string, unknown, number, readonly Told[]]>([
    [
      'without a token nothing else is told',
      undefined,
      nobody,
      '{',
      401,
      [{ code: 'login-needed', says: 'Expected: Authorization: Bearer <token>.' }],
    ],
    [
      'nor to whom it is not allowed',
      'pebble',
      nobody,
      '{',
      403,
      [{ code: 'not-allowed', says: 'Found: reading-service. Expected: source or clinic or operator.' }],
    ],
    [
      '404 goes before 400, and both are told',
      'harbour-ehr',
      nobody,
      { resourceType: 'ServiceRequest' },
      404,
      [{ code: 'not-known' }, ...missing],
    ],
    ['also where the body cannot be read', 'harbour-ehr', nobody, '{', 404, [{ code: 'not-known' }, broken]],
  ])('%s', async (_, caller, id, body, status, issues) => {
    const ask = caller === undefined ? service().call : service().as(caller)
    const answer = await ask<OperationOutcome>('PUT', `/fhir/ServiceRequest/${id}`, { body })
    expect([answer.status, answer.body]).toEqual([status, outcome(...issues)])
  })
})

describe('what is right at the edge is taken', () => {
  it.each([
    ['the first day of year 1', { authoredOn: '0001-01-01', occurrenceDateTime: '0001-01-01' }],
    ['the first second of year 1', { occurrenceDateTime: '0001-01-01T00:00:00Z' }],
    ['the last day of year 9999, with the wear of the site behind it', { occurrenceDateTime: '9999-12-31' }],
    [
      'the last second of year 9999',
      { authoredOn: '9999-12-31T23:59:59.999999999Z', occurrenceDateTime: '9999-12-31T23:59:59Z' },
    ],
    ['all the years there are', { occurrencePeriod: { start: '0001-01-01', end: '9999-12-31' } }],
    [
      'a duration beyond all measure',
      {
        occurrenceTiming: {
          repeat: { boundsDuration: { value: 1e300, code: 'd', system: 'http://unitsofmeasure.org' } },
        },
      },
    ],
  ])('%s', async (_, over) => {
    const made = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: badOrder(number(), over) })
    expect([made.status, made.body]).toMatchObject([201, over])
  })

  // a report so far ahead can only be a slip of the pen
  it.each([
    ['0001-01-01', 200],
    ['9999-12-31', 422],
  ] as const)('an order of %s is found by that day, and no evening stumbles over it', async (day, status) => {
    const made = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', {
      body: badOrder(number(), { authoredOn: day, occurrenceDateTime: day }),
    })
    for (const query of [`authored=${day}`, `occurrence=${day}`, `occurrence=${day.slice(0, 4)}`]) {
      const found = await ehr<Bundle>('GET', `/fhir/ServiceRequest?${query}`)
      expect(found.body.entry?.map((e) => e.resource?.id)).toContain(made.body.id)
    }
    for (const site of ['tern-harbour', 'quarry-lane'])
      expect((await service().as('ops')('GET', `/reports/day/${site}/${day}.json`)).status).toBe(status)
  })

  it('1.50 stays 1.50', async () => {
    const text = JSON.stringify(badOrder(number(), { quantityQuantity: { value: 7 } })).replace(
      '"value":7',
      '"value":1.50',
    )
    const made = await ehr<ServiceRequest>('POST', '/fhir/ServiceRequest', { body: text })
    expect(made.text).toContain('"quantityQuantity":{"value":1.50}')
    expect((await ehr('GET', `/fhir/ServiceRequest/${made.body.id}`)).text).toBe(made.text)
  })
})
