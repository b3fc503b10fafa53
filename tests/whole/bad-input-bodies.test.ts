/** Bodies that are no JSON, or JSON that would do harm behind the door: told to the letter, and nothing is kept. */
import { gzipSync } from 'node:zlib'
import type { Bundle, OperationOutcome, ServiceRequest } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { anOrder, aPatient, entry, harbourPatients } from '../support/messages.ts'
import { inEntry, outcome, type Told, useRowCounts } from '../support/refusals.ts'
import { type Answer, tokenOf, useTestService } from '../support/service.ts'

const service = useTestService()
const counts = useRowCounts(() => service().database)

/** Any bytes, with any headers. */
const send = async (
  path: string,
  body: string | Uint8Array<ArrayBuffer>,
  headers: Readonly<Record<string, string>> = {},
): Promise<Pick<Answer<unknown>, 'status' | 'body' | 'headers'>> => {
  const response = await fetch(`${service().url}${path}`, {
    method: 'POST',
    headers: { authorization: `Bearer ${tokenOf('harbour-ehr')}`, 'content-type': 'application/fhir+json', ...headers },
    body,
  })
  return { status: response.status, headers: response.headers, body: JSON.parse(await response.text()) }
}

let patient = ''
beforeAll(async () => {
  const { body } = await send('/fhir/Patient', JSON.stringify(aPatient('BODIES')))
  patient = `Patient/${(body as { id: string }).id}`
})

let numbers = 0
const anyOrder = (over: Partial<ServiceRequest> = {}) => anOrder(`BB${++numbers}`, patient, over)

/** The order with one piece of its text replaced. */
const written = (from: string, to: string, over: Partial<ServiceRequest> = {}): string => {
  const text = JSON.stringify(anyOrder(over))
  if (!text.includes(from)) throw new Error(`no ${from} in ${text}`)
  return text.replace(from, to)
}

/** The order behind a patient who is known, in a Bundle. */
const inBundle = (type: 'transaction' | 'batch', order: string): string => {
  const known = entry(`PUT Patient?identifier=${harbourPatients}|BODIES`, aPatient('BODIES'))
  const request = '"request":{"method":"POST","url":"ServiceRequest"}'
  return `{"resourceType":"Bundle","type":"${type}","entry":[${JSON.stringify(known)},{"resource":${order},${request}}]}`
}

/** @param by how far behind the beginning of `mark` the place lies */
const placeOf = (text: string, mark: string, by = 0): string => `Line 1, column ${text.indexOf(mark) + by + 1}`

interface Row {
  readonly name: string
  readonly order: () => string
  readonly told: (text: string) => readonly Told[]
}

const one =
  (code: Told['code'], path: string, mark: string, by: number, says = '') =>
  (text: string) => {
    const place = placeOf(text, mark, by)
    return [
      {
        code,
        location: place,
        says: `${place}.${says === '' ? '' : ` ${says}`}`,
        ...(path !== '' && { at: `ServiceRequest.${path}` }),
      },
    ]
  }

const notes = (text: string): Partial<ServiceRequest> => ({ note: [{ text }] })
const coding = { system: 'http://snomed.info/sct', code: '46825001' }
const codings = (count: number): Partial<ServiceRequest> => ({ code: { coding: Array(count).fill(coding) } })

/** Where the 2,001st of equal items begins, the first one being at `mark`, in UTF-16 units from it. */
const beforeItem = (item: unknown) => 2000 * (JSON.stringify(item).length + 1)

const rows: readonly Row[] = [
  {
    name: 'JSON with a comma too many',
    order: () => written('"active"', '"active",'),
    told: one('malformed-json', '', '"active",,', 9, 'Found: ,. Expected: a name in quotes.'),
  },
  {
    name: 'a name without quotes',
    order: () => written('"status"', 'status'),
    told: one('malformed-json', '', 'status:', 0, 'Found: s. Expected: a name in quotes.'),
  },
  {
    name: 'a NUL as it is',
    order: () => written('active', 'act\0ive'),
    told: one('malformed-json', '', 'act\0', 3, 'Found: U+0000. Expected: an escaped control character.'),
  },
  {
    name: 'a NUL behind an escape',
    order: () => written('active', 'act\\u0000ive'),
    told: one(
      'wrong-value',
      'status',
      'act\\u',
      3,
      'Found: U+0000. Expected: no control characters but tab, CR and LF.',
    ),
  },
  {
    name: 'a control character behind an escape',
    order: () => written('"odd"', '"o\\u001bd"', notes('odd')),
    told: one(
      'wrong-value',
      'note[0].text',
      '\\u001b',
      0,
      'Found: U+001B. Expected: no control characters but tab, CR and LF.',
    ),
  },
  {
    name: 'half a surrogate pair',
    order: () => written('"odd"', '"\\ud83d"', notes('odd')),
    told: one(
      'wrong-value',
      'note[0].text',
      '\\ud83d',
      0,
      'Found: half a surrogate pair, U+D83D. Expected: whole characters.',
    ),
  },
  {
    name: 'one name twice in an object',
    order: () => written('"status":"active"', '"status":"active","status":"draft"'),
    told: one('duplicate-key', 'status', '"status":"draft"', 0),
  },
  {
    name: 'one name twice, once behind an escape',
    order: () => written('"status":"active"', '"status":"active","st\\u0061tus":"draft"'),
    told: one('duplicate-key', 'status', '"st\\u0061tus"', 0),
  },
  ...['__proto__', 'constructor', 'prototype'].map((name) => ({
    name,
    order: () => written('"status"', `"${name}":{"admin":true},"status"`),
    told: one('forbidden-key', name, `"${name}"`, 0, `Found: ${name}.`),
  })),
  {
    name: '1e400',
    order: () => written('"value":7', '"value":1e400', { quantityQuantity: { value: 7 } }),
    told: one(
      'wrong-value',
      'quantity.value',
      '1e400',
      0,
      'Found: 1e400. Expected: a number that a 64-bit float can hold, in at most 100 characters.',
    ),
  },
  {
    name: 'a number of a thousand digits',
    order: () => written('"value":7', `"value":1.${'0'.repeat(1000)}`, { quantityQuantity: { value: 7 } }),
    told: one(
      'wrong-value',
      'quantity.value',
      '1.000',
      0,
      `Found: 1.${'0'.repeat(22)}…. Expected: a number that a 64-bit float can hold, in at most 100 characters.`,
    ),
  },
  {
    name: '10,000 codings',
    order: () => JSON.stringify(anyOrder(codings(10_000))),
    told: one(
      'too-many-items',
      'code.coding',
      `${JSON.stringify(coding)},`,
      beforeItem(coding),
      'Expected: at most 2000 items.',
    ),
  },
  {
    name: 'depth 3,000',
    order: () => written('"status"', `"extension":${'['.repeat(3000)}${']'.repeat(3000)},"status"`),
    // the text is left at the 65th level: the order itself is the first, or the fourth in a Bundle
    told: (text) => {
      const place = placeOf(text, '[[[', text.startsWith('{"resourceType":"Bundle"') ? 60 : 63)
      return [{ code: 'too-deep', location: place, says: `${place}. Expected: at most 64 levels.` }]
    },
  },
]

describe.each(rows)('$name', ({ order, told }) => {
  it('alone', async () => {
    const [before, text] = [await counts(), order()]
    const answer = await send('/fhir/ServiceRequest', text)
    expect([answer.status, answer.body]).toEqual([400, outcome(...told(text))])
    expect(await counts()).toEqual(before)
  })

  it.each(['transaction', 'batch'] as const)('in a %s, of which nothing is taken', async (type) => {
    const [before, text] = [await counts(), inBundle(type, order())]
    const answer = await send('/fhir', text)
    expect([answer.status, answer.body]).toEqual([400, outcome(...told(text).map((t) => inEntry(1, t)))])
    expect(await counts()).toEqual(before)
  })
})

describe('bodies that are cut, empty or in other bytes', () => {
  const json = (place: string, says: string): Told => ({
    code: 'malformed-json',
    location: place,
    says: `${place}${says}`,
  })
  const text = '{"resourceType":"ServiceRequest"}'
  const bytes = (content: string, encoding: BufferEncoding) => new Uint8Array(Buffer.from(content, encoding))

  it.each<[string, string | Uint8Array<ArrayBuffer>, Told]>([
    ['empty', '', json('Line 1, column 1', '. Found: the end of the text. Expected: a value.')],
    ['of blanks', ' \n ', json('Line 2, column 2', '. Found: the end of the text. Expected: a value.')],
    [
      'cut in a value',
      '{"resourceType":\n"Serv',
      json('Line 2, column 6', '. Found: the end of the text. Expected: the closing quote of a string.'),
    ],
    ['in XML', '<ServiceRequest/>', json('Line 1, column 1', '. Found: <. Expected: a value.')],
    [
      'in Latin-1',
      bytes('{"x":"Zo\u00eb"}', 'latin1'),
      json('Line 1, column 9', ': the bytes are not valid UTF-8. Expected: UTF-8.'),
    ],
    [
      'in UTF-16 with its mark',
      bytes(`\ufeff${text}`, 'utf16le'),
      json('Line 1, column 1', ': the bytes are not valid UTF-8, they look like UTF-16. Expected: UTF-8.'),
    ],
    [
      'in UTF-16 without it',
      bytes(text, 'utf16le'),
      json('Line 1, column 2', '. Found: U+0000. Expected: a name in quotes or }.'),
    ],
    // U+D800 written in three bytes, as CESU-8 does. Source: RFC 3629, section 3: it is none of UTF-8
    [
      'in CESU-8',
      new Uint8Array([...Buffer.from('{"x":"'), 0xed, 0xa0, 0x80, ...Buffer.from('"}')]),
      json('Line 1, column 7', ': the bytes are not valid UTF-8. Expected: UTF-8.'),
    ],
  ])('%s', async (_, body, told) => {
    const before = await counts()
    const answer = await send('/fhir/ServiceRequest', body)
    expect([answer.status, answer.body]).toEqual([400, outcome(told)])
    expect(await counts()).toEqual(before)
  })

  it('the mark of UTF-8 before the text is passed over', async () => {
    const answer = await send('/fhir/ServiceRequest', `\ufeff${JSON.stringify(anyOrder())}`)
    expect(answer.status).toBe(201)
  })
})

describe('size', () => {
  const tooLarge = (found: string): OperationOutcome =>
    outcome({ code: 'body-too-large', says: `${found}Expected: at most 1048576 bytes.` })

  it('2 MB, to whoever announces them', async () => {
    const before = await counts()
    const answer = await send(
      '/fhir/ServiceRequest',
      JSON.stringify(anyOrder(notes('x'.repeat(2_000_000)))).padEnd(2_097_152),
    )
    expect([answer.status, answer.body]).toEqual([413, tooLarge('Found: 2097152 bytes. ')])
    expect(await counts()).toEqual(before)
  })

  it('one byte more than the limit, and the limit itself', async () => {
    const text = JSON.stringify(anyOrder())
    const answer = await send('/fhir/ServiceRequest', text.padEnd(1_048_577))
    expect([answer.status, answer.body]).toEqual([413, tooLarge('Found: 1048577 bytes. ')])
    expect((await send('/fhir/ServiceRequest', text.padEnd(1_048_576))).status).toBe(201)
  })

  it.each(['transaction', 'batch'])('10,000 entries in a %s', async (type) => {
    const before = await counts()
    const item = { resource: { resourceType: 'Patient' } }
    const text = JSON.stringify({ resourceType: 'Bundle', type, entry: Array(10_000).fill(item) })
    const place = placeOf(text, JSON.stringify(item), beforeItem(item))
    const answer = await send('/fhir', text)
    const told: Told = {
      code: 'too-many-items',
      at: 'Bundle.entry',
      location: place,
      says: `${place}. Expected: at most 2000 items.`,
    }
    expect([answer.status, answer.body]).toEqual([400, outcome(told)])
    expect(await counts()).toEqual(before)
  })

  it('20,001 items in all arrays together', async () => {
    const categories = Array.from({ length: 12 }, () => ({ coding: Array(1800).fill({ code: 'a' }) }))
    const answer = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder({ category: categories })))
    const [issue, ...others] = (answer.body as OperationOutcome).issue
    expect([answer.status, others]).toEqual([400, []])
    expect(issue?.expression).toEqual(['ServiceRequest.category[11].coding'])
    expect(issue?.diagnostics).toMatch(
      /^An array in the body is too long\. Line 1, column \d+\. Expected: at most 20000 items in all arrays\.$/,
    )
  })

  it('2,000 codings are taken', async () => {
    const answer = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder(codings(2000))))
    expect(answer.status).toBe(201)
  })

  /** So many elements that no ServiceRequest has. */
  const odd = (count: number) => Object.fromEntries(Array.from({ length: count }, (_, i) => [`odd${i}`, i]))
  const oddOrders = (type: string) => {
    const request = { method: 'POST', url: 'ServiceRequest' }
    return {
      resourceType: 'Bundle',
      type,
      entry: Array(20).fill({ resource: { ...anyOrder(), ...odd(400) }, request }),
    }
  }

  it.each([
    ['alone', '/fhir/ServiceRequest', () => ({ ...anyOrder(), ...odd(800) })],
    ['in a transaction', '/fhir', () => oddOrders('transaction')],
  ])('of more than 500 problems the first 500 are told, and that there are more: %s', async (_, path, body) => {
    const { status, body: told } = await send(path, JSON.stringify(body()))
    const { issue } = told as OperationOutcome
    expect([status, issue.length, issue.at(-1)]).toEqual([
      400,
      501,
      {
        severity: 'information',
        code: 'informational',
        details: { text: 'There are more problems than the 500 that are told here.' },
      },
    ])
  })

  it('of more than 500 problems in a batch each further entry is told one', async () => {
    const { body } = await send('/fhir', JSON.stringify(oddOrders('batch')))
    const told = ((body as Bundle).entry ?? []).map(
      (e) => (e.response?.outcome as OperationOutcome | undefined)?.issue.length,
    )
    expect(told).toEqual([400, 400, ...Array(18).fill(1)])
  })
})

describe('media types', () => {
  const notTaken = (found: string, expected = 'application/fhir+json'): Told => ({
    code: 'media-type-not-taken',
    location: 'http.Content-Type',
    says: `Found: ${found}. Expected: ${expected}.`,
  })

  it.each([
    ...['text/plain', 'application/xml', 'application/fhir+xml', 'garbage', 'application/fhir+json/x', '*/*'],
    ...['application/json-patch+json', 'multipart/form-data; boundary=x', 'application/x-www-form-urlencoded'],
  ])('%s', async (type) => {
    const before = await counts()
    const answer = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder()), { 'content-type': type })
    expect([answer.status, answer.body]).toEqual([415, outcome(notTaken(type))])
    expect(await counts()).toEqual(before)
  })

  it.each(['iso-8859-1', '"utf-16"', 'UTF-7', ''])('in the charset %s', async (charset) => {
    const type = `application/fhir+json; charset=${charset}`
    const answer = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder()), { 'content-type': type })
    expect([answer.status, answer.body]).toEqual([415, outcome(notTaken(type, 'application/fhir+json in UTF-8'))])
  })

  it.each([
    ...['application/json', 'application/FHIR+JSON', 'application/fhir+json; charset=utf-8'],
    ...['application/fhir+json;charset="UTF-8"', 'application/fhir+json; fhirVersion=4.0'],
    ...['application/fhir+json; fhirVersion="4.0"', 'application/json;fhirversion=4.0.1; charset=utf-8'],
  ])('%s is taken, and given', async (type) => {
    const answer = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder()), {
      'content-type': type,
      accept: `application/fhir+json; fhirVersion=5.0, ${type}`,
    })
    expect(answer.status).toBe(201)
  })

  // Source: http://hl7.org/fhir/R4/http.html#version-parameter
  it.each(['3.0', '"5.0"', '4.3', '4'])(
    'of another release of FHIR, %s, is neither taken nor given',
    async (release) => {
      const before = await counts()
      const type = `application/fhir+json; fhirVersion=${release}`
      const r4 = 'application/fhir+json; fhirVersion=4.0'
      const taken = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder()), { 'content-type': type })
      expect([taken.status, taken.body]).toEqual([415, outcome(notTaken(type, r4))])
      const given = await send('/fhir/ServiceRequest', JSON.stringify(anyOrder()), { accept: `${type}, text/html` })
      const notOffered: Told = {
        code: 'format-not-offered',
        location: 'http.Accept',
        says: `Found: ${type}, text/html. Expected: ${r4}.`,
      }
      expect([given.status, given.body]).toEqual([406, outcome(notOffered)])
      expect(await counts()).toEqual(before)
    },
  )

  it.each(['gzip', 'br', 'identity, gzip'])('packed by %s', async (coding) => {
    const before = await counts()
    const answer = await send('/fhir/ServiceRequest', new Uint8Array(gzipSync(JSON.stringify(anyOrder()))), {
      'content-encoding': coding,
    })
    const packed: Told = {
      code: 'content-coding-not-taken',
      location: 'http.Content-Encoding',
      says: `Found: ${coding}. Expected: no Content-Encoding.`,
    }
    expect([answer.status, answer.body]).toEqual([415, outcome(packed)])
    expect(await counts()).toEqual(before)
  })

  it.each([
    ['accept', 'application/fhir+xml', '', 'http.Accept', 'application/fhir+xml'],
    ['accept', 'application/json', '?_format=xml', 'http._format', 'xml'],
  ])('an answer that is not JSON cannot be had: %s %s%s', async (name, value, query, location, found) => {
    const answer = await send(`/fhir/ServiceRequest${query}`, JSON.stringify(anyOrder()), { [name]: value })
    const told: Told = {
      code: 'format-not-offered',
      location,
      says: `Found: ${found}. Expected: application/fhir+json.`,
    }
    expect([answer.status, answer.body]).toEqual([406, outcome(told)])
  })
})

describe('a dry run that is not spelled right keeps nothing, and is told', () => {
  it.each(['TRUE', '1', 'yes', ''])('dry-run=%s', async (value) => {
    const before = await counts()
    const answer = await send(`/fhir/ServiceRequest?dry-run=${value}`, JSON.stringify(anyOrder()))
    const told: Told = {
      code: 'wrong-parameter',
      location: 'http.dry-run',
      says: `Found: ${value === '' ? 'an empty string' : value}. Expected: true or false.`,
    }
    expect([answer.status, answer.body]).toEqual([400, outcome(told)])
    expect(await counts()).toEqual(before)
  })
})

describe('a parameter that a write does not know is refused, whatever Prefer says', () => {
  it.each([
    ['POST', '/fhir/ServiceRequest?dryrun=true', 'dryrun', ''],
    ['POST', '/fhir/ServiceRequest?dryRun=true', 'dryRun', ''],
    ['POST', '/fhir/Patient?dry_run=true&_format=json&_pretty=true', 'dry_run', ''],
    ['POST', '/fhir?dryrun=true', 'dryrun', ''],
    ['PUT', '/fhir/ServiceRequest?identifier=urn:x|1&dryrun=true', 'dryrun', 'identifier, '],
    ['PUT', '/fhir/Task?identifier=urn:x|1&foo=1&foo=2', 'foo', 'identifier, '],
    ['POST', '/fhir/ServiceRequest/$link-device?dryrun=true', 'dryrun', ''],
    ['POST', '/fhir/Device/$record-application?order=1', 'order', ''],
    ['POST', '/fhir/Device/$record-return?foo', 'foo', ''],
    ['POST', '/fhir/$reconcile-day?asOf=2026-03-02T10:00:00Z', 'asOf', ''],
    ['POST', '/fhir/Patient/$validate?modus=create', 'modus', 'mode, profile, '],
    ['POST', '/destinations/pebble/pause?dryrun=true', 'dryrun', ''],
    ['POST', '/fhir/ServiceRequest?a%0Ab=1', 'a<U+000A>b', ''],
  ])('%s %s', async (method, path, name, own) => {
    const ops = service().as('ops')
    const unknown: Told = {
      code: 'unknown-parameter',
      location: `http.${/</.test(name) ? 'query' : name}`,
      says: `Found: ${name}. Expected: ${own}dry-run, _format, _pretty.`,
    }
    const body = path.startsWith('/fhir/ServiceRequest?') && method === 'POST' ? anyOrder() : {}
    for (const prefer of ['', 'handling=lenient', 'handling=strict']) {
      const before = await counts()
      const answer = await ops(method, path, { body, headers: { prefer } })
      expect([answer.status, answer.body]).toEqual([400, outcome(unknown)])
      expect(await counts()).toEqual(before)
    }
  })

  it('and what every call takes is no part of a criterion', async () => {
    const order = anyOrder()
    const { system, value } = order.identifier?.[0] ?? {}
    const path = `/fhir/ServiceRequest?identifier=${system}|${value}&_format=json&_pretty=true`
    const answer = await service().as('harbour-ehr')('PUT', path, { body: order })
    expect(answer.status, answer.text).toBe(201)
  })
})
