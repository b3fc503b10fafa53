/** What is answered without the FHIRPath engine is what the engine answers. */
import { evalFhirPathTyped } from '@medplum/core'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Invariant, shapeOf } from '../../../src/adapters/fhir/door/shapes.ts'
import { surely } from '../../../src/adapters/fhir/door/surely.ts'

const types = [
  ...(['Bundle', 'BundleEntry', 'ServiceRequest', 'Patient', 'ContactPoint', 'Period'] as const),
  ...(['Quantity', 'ParametersParameter'] as const),
]
type Type = (typeof types)[number]

const optional = <T>(arb: fc.Arbitrary<T>) => fc.option(arb, { nil: undefined })

const invariants = types.flatMap((type) =>
  (shapeOf(type)?.invariants ?? []).flatMap((i): (readonly [string, Type, Invariant])[] =>
    surely[i.key] ? [[i.key, type, i]] : [],
  ),
)

const record = (fields: Record<string, fc.Arbitrary<unknown>>) =>
  // as the parser makes it: what is absent has no key
  fc.record(fields).map((r) => Object.fromEntries(Object.entries(r).filter(([, v]) => v !== undefined)))

const patient = record({ resourceType: fc.constant('Patient'), meta: optional(fc.constant({ versionId: '1' })) })
const entry = record({
  fullUrl: optional(fc.constantFrom('urn:uuid:a', 'urn:uuid:b', 'https://ehr.example/Patient/1/_history/2')),
  resource: optional(patient),
  request: optional(fc.constant({ method: 'PUT', url: 'Patient/1' })),
  response: optional(fc.constant({ status: '200' })),
  search: optional(fc.constant({ mode: 'match' })),
})
const contained = record({
  resourceType: fc.constant('Patient'),
  contained: optional(fc.constant([{ resourceType: 'Patient' }])),
  meta: optional(fc.constantFrom({ versionId: '1' }, { security: [{ code: 'R' }] }, { tag: [{ code: 't' }] })),
})
const resource = (resourceType: string) =>
  record({
    resourceType: fc.constant(resourceType),
    contained: optional(fc.array(contained, { minLength: 1, maxLength: 2 })),
    orderDetail: optional(fc.constant([{ text: 'left side' }])),
    code: optional(fc.constant({ text: 'monitoring' })),
  })
const moment = fc.constantFrom(
  '2026-01-01',
  '2026',
  '2026-01-01T09:00:00Z',
  '2026-01-01T09:00:00.5Z',
  '2026-01-01T09:00:00+02:00',
  '2025-12-31T23:00:00-05:00',
)

const values: Readonly<Record<Type, fc.Arbitrary<Record<string, unknown>>>> = {
  Bundle: record({
    type: fc.constantFrom('transaction', 'batch', 'searchset', 'history', 'document', 'collection', 'batch-response'),
    total: optional(fc.constant(1)),
    entry: optional(fc.array(entry, { maxLength: 3 })),
    identifier: optional(fc.constant({ system: 'urn:s', value: '1' })),
    timestamp: optional(fc.constant('2026-01-01T00:00:00Z')),
  }),
  BundleEntry: entry,
  ServiceRequest: resource('ServiceRequest'),
  Patient: resource('Patient'),
  ContactPoint: record({ system: optional(fc.constant('phone')), value: optional(fc.constant('1')) }),
  Period: record({ start: optional(moment), end: optional(moment) }),
  Quantity: record({ system: optional(fc.constant('urn:s')), code: optional(fc.constant('h')) }),
  ParametersParameter: record({
    name: fc.constant('scan'),
    valueString: optional(fc.constantFrom('', 'x')),
    valueIdentifier: optional(fc.constant({ value: '1' })),
    resource: optional(patient),
    part: optional(fc.array(fc.constant({ name: 'at', valueString: 'x' }), { maxLength: 2 })),
  }),
}

const instant = /T.*(Z|[+-]\d{2}:\d{2})$/

/**
 * The engine compares dateTimes as texts, and takes 09:00:00.5Z for earlier than 09:00:00Z. Two instants are compared as
 * instants. Source: http://hl7.org/fhirpath/N1/#comparison, "normalized to a timezone offset"
 */
const byInstants = ({ start, end }: Record<string, unknown>): boolean | undefined =>
  [start, end].every((t) => typeof t === 'string' && instant.test(t))
    ? Date.parse(String(start)) <= Date.parse(String(end))
    : undefined

const holds = (type: Type, value: Record<string, unknown>, invariant: Invariant): boolean =>
  (type === 'Period' ? byInstants(value) : undefined) ?? byEngine(type, value, invariant)

const byEngine = (type: Type, value: Record<string, unknown>, { expression }: Invariant): boolean => {
  const typed = { type, value }
  const around = { '%context': typed, '%resource': typed, '%rootResource': typed }
  const results = evalFhirPathTyped(expression, [typed], around)
  return results.length === 1 && results[0]?.value === true
}

describe('an invariant that is sure to hold', () => {
  test.each(invariants)('%s of %s holds for the engine', (key, type, invariant) => {
    let sure = 0
    fc.assert(
      fc.property(values[type], (value) => {
        if (!surely[key]?.(value)) return
        sure += 1
        expect(holds(type, value, invariant)).toBe(true)
      }),
      { numRuns: 300, seed: 4 },
    )
    expect(sure).toBeGreaterThan(0)
  })

  test('is one of R4’s, under the key that R4 gives it', () => {
    expect(new Set(invariants.map(([key]) => key))).toEqual(new Set(Object.keys(surely)))
  })
})
