/** Whatever is done to a good message: it is taken or refused, never a bug, and nothing of what is refused is kept. */

import fc from 'fast-check'
import type { Bundle, OperationOutcome, Parameters } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { harbourPatients, orderWithPatient, placeOrder } from '../support/messages.ts'
import { useRowCounts } from '../support/refusals.ts'
import { type Answer, type Ask, useTestService } from '../support/service.ts'

const service = useTestService()
const counts = useRowCounts(() => service().database)
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)

type Json = null | boolean | number | string | Json[] | { [name: string]: Json }
type Holder = Json[] | { [name: string]: Json }

/** Every value in a message and where it hangs. */
const placesIn = (value: Json): { readonly holder: Holder; readonly key: string }[] => {
  if (typeof value !== 'object' || value === null) return []
  return Object.entries(value).flatMap(([key, inner]) => [{ holder: value, key }, ...placesIn(inner)])
}

const put = (holder: Holder, key: string, value: Json) => Object.assign(holder, { [key]: value })

const oddValues: readonly Json[] = [
  ...[
    null,
    true,
    0,
    -1,
    1.5,
    1e308,
    '',
    ' ',
    'x',
    '\0',
    '\f',
    '\u001d',
    '\ud83d',
    '\u202e',
    'é'.repeat(300),
    '__proto__',
  ],
  ...['Patient/1', 'Group/1', '#a', 'urn:uuid:x', 'https://elsewhere.example/fhir/Patient/1', 'Patient?identifier=a|b'],
  ...[
    'ServiceRequest',
    'Patient',
    'Bundle',
    'Device',
    'active',
    'order',
    'POST',
    'PUT',
    'DELETE',
    'batch',
    'transaction',
  ],
  ...[
    '2026-02-30',
    '2026-03-02T09:00:00',
    '0001-01-01',
    '0001-01-01T00:00:00+14:00',
    '9999-12-31',
    '9999-12-31T23:59:59-14:00',
  ],
  ...[[], {}, [[]], [null], [{}], { resourceType: 'Patient' }, { reference: 'Patient/1' }, { system: 'a', value: 'b' }],
]

const oddNames = [
  'id',
  'meta',
  'status',
  'intent',
  'subject',
  'identifier',
  'extension',
  'modifierExtension',
  'contained',
]
const moreNames = ['_status', 'toString', 'valueOf', 'a b', '', 'resourceType', 'text', 'occurrenceDateTime', 'request']

/** Changes a message in one place. */
type Change = (message: Json, index: number, odd: Json, name: string) => void

const changes: Readonly<Record<string, Change>> = {
  replace: (message, index, odd) => {
    const places = placesIn(message)
    const { holder, key } = places[index % places.length] ?? {}
    if (holder && key !== undefined) put(holder, key, odd)
  },
  remove: (message, index) => {
    const places = placesIn(message)
    const { holder, key } = places[index % places.length] ?? {}
    if (Array.isArray(holder)) holder.splice(Number(key), 1)
    else if (holder && key !== undefined) delete holder[key]
  },
  add: (message, index, odd, name) => {
    const places = placesIn(message)
    const { holder } = places[index % places.length] ?? {}
    if (Array.isArray(holder)) holder.push(odd)
    else if (holder) put(holder, name, odd)
  },
  wrap: (message, index) => {
    const places = placesIn(message)
    const { holder, key } = places[index % places.length] ?? {}
    if (holder && key !== undefined) put(holder, key, [(holder as Record<string, Json>)[key] ?? null])
  },
  copy: (message, index) => {
    const places = placesIn(message)
    const [from, to] = [places[index % places.length], places[(index * 7) % places.length]]
    if (from && to) put(to.holder, to.key, structuredClone((from.holder as Record<string, Json>)[from.key] ?? null))
  },
}

const change = fc.record({
  how: fc.constantFrom(...Object.keys(changes)),
  index: fc.nat(10_000),
  odd: fc.constantFrom(...oddValues),
  name: fc.constantFrom(...oddNames, ...moreNames),
})

/** A change to the text itself, at a share of its length. */
const textChange = fc.record({
  at: fc.nat(10_000),
  piece: fc.constantFrom('', ',', '}', '"', '\\', '\0', '1e400', '{"a":', 'é'),
})

const changed = (message: unknown, steps: readonly { how: string; index: number; odd: Json; name: string }[]): Json => {
  // what is put in more than once must not be one object
  const copy = structuredClone(message) as Json
  for (const { how, index, odd, name } of steps) changes[how]?.(copy, index, structuredClone(odd), name)
  return copy
}

const spoiled = (text: string, { at, piece }: { at: number; piece: string }): string => {
  const place = at % text.length
  return text.slice(0, place) + piece + text.slice(place + 1)
}

const refused = new Set([400, 403, 404, 405, 409, 412, 413, 422])
const toldWhere = new Set([400, 409, 422])

const checkOutcome = (status: number, told: OperationOutcome, sent: string) => {
  expect(refused, `${status} ${JSON.stringify(told)} for ${sent}`).toContain(status)
  expect(told.resourceType).toBe('OperationOutcome')
  expect(told.issue.length).toBeGreaterThan(0)
  for (const issue of told.issue) expect(issue.diagnostics?.length ?? 0).toBeLessThan(700)
  if (!toldWhere.has(status) || told.issue.every(aboutNoResource)) return
  const placed = told.issue.some((i) => (i.expression ?? i.location ?? []).length > 0)
  expect(placed, `no place in ${JSON.stringify(told)} for ${sent}`).toBe(true)
}

/** A body that is no resource has no place in it. */
const aboutNoResource = (issue: OperationOutcome['issue'][number]): boolean =>
  ['wrong-type', 'missing-element', 'wrong-resource-type'].includes(issue.details?.coding?.[0]?.code ?? '') &&
  /Expected: (a resource: a JSON object|resourceType: \w+|\w+)\.$/.test(issue.diagnostics ?? '')

/** Told entry by entry: what was refused is told as if it had come alone. */
const checkBatch = (bundle: Bundle, sent: string) => {
  for (const { response } of bundle.entry ?? [])
    if (response?.outcome && Number(response.status) >= 400)
      checkOutcome(Number(response.status), response.outcome as OperationOutcome, sent)
}

const checkAnswer = (answer: Answer<unknown>, sent: string) => {
  if (answer.status >= 300) checkOutcome(answer.status, answer.body as OperationOutcome, sent)
  else if ((answer.body as Bundle).type === 'batch-response') checkBatch(answer.body as Bundle, sent)
}

const seed = 20_261_125
const timeout = 600_000
let numbers = 0

describe('a good transaction, changed in one to four places', () => {
  it('is taken, or refused with its place, and nothing of it is kept', { timeout }, async () => {
    const statuses = new Set<number>()
    const property = fc.asyncProperty(fc.array(change, { minLength: 1, maxLength: 4 }), async (steps) => {
      const [before, number] = [await counts(), `ANY${++numbers}`]
      const message = changed(orderWithPatient(number, number, { order: { authoredOn: '2026-03-02' } }), steps)
      const sent = JSON.stringify(message)
      const answer = await ehr<unknown>('POST', '/fhir', { body: sent })
      statuses.add(answer.status)
      checkAnswer(answer, sent)
      if (answer.status >= 300) expect(await counts(), sent).toEqual(before)
    })
    await fc.assert(property, { seed, numRuns: 400 })
    // else the changes have become too mild or too wild to show anything
    for (const status of [200, 400, 422]) expect(statuses).toContain(status)
  })

  it('in its text, is taken or refused all the same', { timeout }, async () => {
    const property = fc.asyncProperty(fc.array(textChange, { minLength: 1, maxLength: 2 }), async (steps) => {
      const [before, number] = [await counts(), `ANY${++numbers}`]
      const sent = steps.reduce(spoiled, JSON.stringify(orderWithPatient(number, number)))
      const answer = await ehr<unknown>('POST', '/fhir', { body: sent })
      checkAnswer(answer, sent)
      if (answer.status >= 300) expect(await counts(), sent).toEqual(before)
    })
    await fc.assert(property, { seed, numRuns: 200 })
  })
})

describe('a good link, changed in one to three places', () => {
  let order = ''
  beforeAll(async () => {
    order = (await placeOrder(ehr, 'ANY-LINK', 'ANY-LINK')).orderId
  })

  it('is taken, or refused with its place; as a dry run nothing is kept either way', { timeout }, async () => {
    const appliedAt = `${new Date(Date.now() - 3_600_000).toISOString().slice(0, 19)}Z`
    const good: Parameters = {
      resourceType: 'Parameters',
      parameter: [
        { name: 'scan', valueString: '(01)09520123456788(21)ANY1' },
        { name: 'appliedAt', valueDateTime: appliedAt },
        { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: 'ANY-LINK' } },
        { name: 'birthDate', valueDate: '1950-03-17' },
        { name: 'deviceClock', valueDateTime: appliedAt },
        { name: 'captureKey', valueString: 'any' },
      ],
    }
    const before = await counts()
    const property = fc.asyncProperty(fc.array(change, { minLength: 1, maxLength: 3 }), async (steps) => {
      const sent = JSON.stringify(changed(good, steps))
      const path = `/fhir/ServiceRequest/${order}/$link-device?dry-run=true`
      checkAnswer(await service().as('bay-3')<unknown>('POST', path, { body: sent }), sent)
    })
    await fc.assert(property, { seed, numRuns: 250 })
    expect(await counts()).toEqual(before)
  })
})

it('of all this nothing was a bug', () => {
  expect(
    service()
      .logLines()
      .filter((line) => Number(line.level) >= 50),
  ).toEqual([])
})
