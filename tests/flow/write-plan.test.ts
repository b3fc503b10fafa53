import type { CapabilityStatement } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import {
  goesWhole,
  type Need,
  needsAtReadingService,
  needsAtSource,
  writePlan,
} from '../../src/flow/forward-order/write-plan.ts'

type Offer = 'create' | 'update' | 'search' | 'ifNoneExist' | 'conditionalUpdate' | 'updateCreate'

/** As http://hl7.org/fhir/R4/capabilitystatement.html has it. */
const statement = (
  offers: Readonly<Record<string, string>>,
  over: Partial<CapabilityStatement> = {},
  transaction = true,
): CapabilityStatement => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date: '2026-11-28',
  kind: 'instance',
  fhirVersion: '4.0.1',
  format: ['application/fhir+json'],
  rest: [
    {
      mode: 'server',
      ...(transaction && { interaction: [{ code: 'transaction' }] }),
      resource: Object.entries(offers).map(([type, words]) => {
        const has = (word: Offer) => words.split(' ').includes(word)
        return {
          type: type as 'Device',
          interaction: [
            ...(has('create') ? [{ code: 'create' as const }] : []),
            ...(has('update') ? [{ code: 'update' as const }] : []),
            ...(has('search') ? [{ code: 'search-type' as const }] : []),
          ],
          ...(has('search') && { searchParam: [{ name: 'identifier', type: 'token' as const }] }),
          conditionalCreate: has('ifNoneExist'),
          conditionalUpdate: has('conditionalUpdate'),
          updateCreate: has('updateCreate'),
        }
      }),
    },
  ],
  ...over,
})

const whole = 'create update search ifNoneExist conditionalUpdate'

const types = (asked: readonly Need[]) => asked.map((n) => n.type)

const allTypes = new Set(types(needsAtReadingService))

const everything = Object.fromEntries(types(needsAtReadingService).map((type) => [type, whole]))

const hows = (s: CapabilityStatement, asked = needsAtSource) =>
  Object.fromEntries(writePlan(s, asked).map((r) => [r.type, r.how]))

describe('how one type is written', () => {
  test.each([
    [whole, 'create'],
    ['create update search ifNoneExist', 'create'],
    ['create update search', 'create'],
    ['create update ifNoneExist', 'create'],
    ['create update conditionalUpdate', 'conditional-update'],
    ['update search conditionalUpdate', 'conditional-update'],
    ['update search updateCreate', 'client-id'],
    ['create update updateCreate', 'client-id'],
    ['create search', 'create-once'],
    ['create ifNoneExist', 'create-once'],
    // nothing tells whether it is there already
    ['create update', 'not-at-all'],
    ['create', 'not-at-all'],
    ['update search', 'not-at-all'],
    ['search', 'not-at-all'],
    ['', 'not-at-all'],
  ] as const)('%s: %s', (offer, how) => {
    expect(hows(statement({ ...everything, Procedure: offer }, {}, false)).Procedure).toBe(how)
  })

  test('conditions count only where the interaction is there too', () => {
    expect(hows(statement({ Device: 'search ifNoneExist conditionalUpdate updateCreate' }, {}, false)).Device).toBe(
      'not-at-all',
    )
  })

  test('a search counts only by identifier', () => {
    const s = statement({ ...everything, Procedure: 'create update search' }, {}, false)
    const without = JSON.parse(
      JSON.stringify(s).replaceAll('"name":"identifier"', '"name":"status"'),
    ) as CapabilityStatement
    expect(hows(without).Procedure).toBe('not-at-all')
    expect(hows(without).Patient).toBe('identifier')
  })
})

describe('all types together', () => {
  test('everything joins one transaction where all can', () => {
    expect(hows(statement(everything))).toEqual({
      Patient: 'search',
      ServiceRequest: 'search',
      ...Object.fromEntries(
        ['Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport', 'Media'].map((t) => [
          t,
          'transaction',
        ]),
      ),
    })
  })

  test('what is left out keeps no other from it', () => {
    const plan = hows(statement({ ...everything, DeviceUseStatement: '', Task: 'search' }))
    expect(plan).toMatchObject({ Device: 'transaction', DeviceUseStatement: 'not-at-all', Task: 'not-at-all' })
  })

  test('one that has to go alone makes all go alone: nothing in a transaction could refer to it', () => {
    const plan = hows(statement({ ...everything, Device: 'update search updateCreate' }))
    expect(plan).toMatchObject({ Device: 'client-id', Procedure: 'create', DeviceUseStatement: 'create' })
  })

  test('a reading service that takes all conditionally gets a linked order whole', () => {
    expect(goesWhole(writePlan(statement(everything), needsAtReadingService), allTypes)).toBe(true)
  })

  test.each([
    ['takes no transactions', statement(everything, {}, false), 'create'],
    [
      'takes no conditional update of one',
      statement({ ...everything, Task: 'create update search ifNoneExist' }),
      'transaction',
    ],
    [
      'takes no conditional create of a patient',
      statement({ ...everything, Patient: 'create update search' }),
      'transaction',
    ],
  ] as const)('one that %s gets it in pieces', (_name, s, how) => {
    const plan = writePlan(s, needsAtReadingService)
    expect(goesWhole(plan, allTypes)).toBe(false)
    expect([...new Set(plan.map((r) => r.how))]).toEqual([how])
  })

  test('one that takes no pictures gets everything else whole, and what has pictures without them', () => {
    const { Media: _none, ...rest } = everything
    const plan = writePlan(statement(rest), needsAtReadingService)
    expect(goesWhole(plan, new Set(types(needsAtReadingService).filter((t) => t !== 'Media')))).toBe(true)
    expect(goesWhole(plan, allTypes)).toBe(false)
    expect(plan.find((r) => r.type === 'Media')?.how).toBe('not-at-all')
  })

  test('who takes transactions and describes no type may take any', () => {
    const s = statement({})
    expect(goesWhole(writePlan(s, needsAtReadingService), allTypes)).toBe(true)
    expect(hows(s).Device).toBe('transaction')
  })
})

describe('a server that nothing can be written to', () => {
  test.each([
    ['speaks R5', { fhirVersion: '5.0.0' as const }, 'They speak FHIR 5.0.0, and Daybind writes R4.'],
    ['speaks R4B', { fhirVersion: '4.3.0' as const }, 'They speak FHIR 4.3.0, and Daybind writes R4.'],
    ['takes XML alone', { format: ['application/fhir+xml', 'xml'] }, 'They take no JSON.'],
    ['describes a client', { rest: [{ mode: 'client' as const }] }, 'They describe no server, only a client.'],
  ])('that %s: says why, for each type', (_name, over, why) => {
    const plan = writePlan(statement(everything, over as Partial<CapabilityStatement>), needsAtSource)
    expect(types(plan as never)).toEqual(types(needsAtSource))
    for (const { type, how, why: said } of plan.filter((r) => !['Patient', 'ServiceRequest'].includes(r.type))) {
      expect(how, type).toBe('not-at-all')
      expect(said, type).toContain(why)
    }
  })

  test('every row has a reason', () => {
    for (const s of [statement(everything), statement({}, {}, false), statement({ Device: 'create' })])
      for (const { why } of writePlan(s, needsAtSource)) expect(why).toMatch(/^[A-Z].*\.$/)
  })
})
