/** Whom an entry is about, where people share a number, lose one, or come without any. */
import type { FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { acceptEntries, namesDropped } from '../../src/flow/accept-order/accept-order.ts'
import { contentOf, type Incoming, identityKey } from '../../src/flow/accept-order/incoming.ts'
import type { Known, StoredVersion } from '../../src/flow/accept-order/place.ts'
import type { ActingCaller } from '../../src/flow/step.ts'
import type { KeptState } from '../../src/model/states.ts'
import { codes } from '../../src/model/systems.ts'
import { accepted, at, context, ehr, ids, refusedBy, today, uuid } from '../support/fixtures.ts'

const numbers = 'https://harbour.example/patients'
const policies = 'https://harbour.example/policies'
const [mother, son] = [ids.patient, uuid(50)]
const mrn = (value: string) => ({ system: numbers, value })
const policy = { system: policies, value: 'POL-7' }

const person = (...identifier: { system: string; value: string }[]): Patient => ({
  resourceType: 'Patient',
  identifier,
})
const orderBody = (over: Partial<ServiceRequest> = {}): ServiceRequest => ({
  resourceType: 'ServiceRequest',
  identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }],
  status: 'active',
  intent: 'order',
  code: { coding: [codes.ecgMonitoring] },
  subject: { reference: `Patient/${mother}` },
  occurrenceDateTime: today,
  ...over,
})

const alone = (resource: FhirResource, over: Partial<Incoming> = {}): Incoming => ({
  at: '',
  method: 'PUT',
  resource,
  ...over,
})

/** Patients as stored, by our id; every identifier leads to all who have it. */
const knowing = (people: Readonly<Record<string, Patient>>, source = ehr.id): Known => {
  const byIdentity = new Map<string, string[]>()
  for (const [id, { identifier = [] }] of Object.entries(people))
    for (const { system = '', value = '' } of identifier) {
      const key = identityKey({ type: 'Patient', system, value })
      byIdentity.set(key, [...(byIdentity.get(key) ?? []), id])
    }
  const version = (id: string): StoredVersion => ({
    state: { kind: 'patient', id, source, content: { digest: 'before' } },
    version: 1,
    updated: at('2026-11-20T08:00:00Z'),
  })
  const names = Object.keys(people).map((id) => `Patient/${id}`)
  return {
    byIdentity,
    own: new Set(names),
    stored: new Map(Object.keys(people).map((id) => [`Patient/${id}`, version(id)])),
    locations: new Map(),
    patients: new Map(Object.entries(people).map(([id, p]) => [`Patient/${id}`, p])),
    companions: [],
    waiting: [],
    spokenOf: [],
    recorders: [],
    owners: new Map(),
    orders: [],
    stubs: [],
    devices: [],
    links: [],
    tasks: [],
  }
}

const bySource: ActingCaller = { id: ehr.id, role: 'source' }
const take = (known: Known, list: readonly Incoming[], caller = bySource) =>
  acceptEntries(list, ehr, known, context(undefined, { caller }))
const answers = (known: Known, ...list: readonly Incoming[]) =>
  accepted(take(known, list)).answer.map((a) => [a.outcome, a.id])

const motherAlone = knowing({ [mother]: person(mrn('A1'), policy) })
const both = knowing({ [mother]: person(mrn('A1'), policy), [son]: person(mrn('A2'), policy) })

describe('a patient', () => {
  const created = ['created', uuid(1001)]
  test.each<[string, Known, Incoming, readonly string[]]>([
    [
      'named by a criterion is somebody new, though another has a number of theirs',
      motherAlone,
      alone(person(mrn('A2'), policy), { criterion: mrn('A2') }),
      created,
    ],
    [
      'named by If-None-Exist is somebody new as well',
      motherAlone,
      alone(person(mrn('A2'), policy), { method: 'POST', ifNoneExist: mrn('A2') }),
      created,
    ],
    [
      'named by a criterion is the one who has it, whoever shares the rest',
      both,
      alone(person(mrn('A2'), policy), { criterion: mrn('A2') }),
      ['revised', son],
    ],
    [
      'without a criterion is another where both have a number of one system and it differs',
      motherAlone,
      alone(person(mrn('A2'), policy)),
      created,
    ],
    [
      'without a criterion is the one of two that nothing speaks against',
      both,
      alone(person(mrn('A2'), policy)),
      ['revised', son],
    ],
    [
      'without a criterion is the same where nothing speaks against it',
      motherAlone,
      alone(person(policy)),
      ['revised', mother],
    ],
    [
      'is the same where one of several numbers of a system is shared',
      knowing({ [mother]: person(mrn('A1'), mrn('OLD-1')) }),
      alone(person(mrn('A9'), mrn('OLD-1'))),
      ['revised', mother],
    ],
    [
      'under our id is that one, whoever shares a number',
      both,
      alone(person(mrn('A2'), policy), { targetId: son }),
      ['revised', son],
    ],
  ])('%s', (_, known, entry, expected) => {
    expect(answers(known, entry)).toEqual([expected])
  })

  test.each<[string, Incoming, string]>([
    ['a criterion that two meet', alone(person(policy), { criterion: policy }), 'too-many-matches'],
    ['If-None-Exist that two meet', alone(person(policy), { method: 'POST', ifNoneExist: policy }), 'too-many-matches'],
    ['nothing but a shared number', alone(person(policy)), 'identity-taken'],
  ])('is never guessed: with %s', (_, entry, code) => {
    expect(refusedBy(take(both, [entry]))).toEqual([code])
  })

  test('may come beside another with a shared number in one transaction; then that number is nobody’s', () => {
    const list = ['A1', 'A2'].map((n, i) =>
      alone(person(mrn(n), policy), { at: `Bundle.entry[${i}].resource`, criterion: mrn(n) }),
    )
    expect(answers(knowing({}), ...list).map(([outcome]) => outcome)).toEqual(['created', 'created'])
    const order = alone(orderBody({ subject: { reference: `Patient?identifier=${policies}|POL-7` } }), {
      at: 'Bundle.entry[2].resource',
    })
    expect(refusedBy(take(knowing({}), [...list, order]))).toContain('multiple-matches')
  })

  test('that another source sent is that one’s to change', () => {
    const theirs = knowing({ [mother]: person(mrn('A1')) }, 'quay-ehr')
    const entry = alone(person(mrn('A1')), { targetId: mother })
    expect(refusedBy(take(theirs, [entry]))).toEqual(['not-allowed'])
    expect(refusedBy(take(motherAlone, [entry], { id: 'bay-3', role: 'clinic' }))).toEqual(['not-allowed'])
    expect(take(motherAlone, [entry]).ok).toBe(true)
  })
})

describe('a name that is gone', () => {
  const dropped = (now: Patient, over: Partial<Incoming> = {}) => {
    const list = [alone(now, { targetId: mother, ...over })]
    return namesDropped(list, accepted(take(motherAlone, list)).answer, ehr, motherAlone)
  }

  test('from a revision is told, with whose it was', () => {
    expect(dropped(person(mrn('A1')))).toEqual([{ type: 'Patient', ...policy, id: mother }])
  })

  test('is none where all are kept, or where the body was ignored', () => {
    expect(dropped(person(mrn('A1'), policy, mrn('A3')))).toEqual([])
    const { targetId: _none, ...matched } = alone(person(mrn('A1')), { ifNoneExist: mrn('A1') })
    expect(namesDropped([matched], accepted(take(motherAlone, [matched])).answer, ehr, motherAlone)).toEqual([])
  })
})

describe('a subject', () => {
  const subjectOf = (known: Known, entry: Incoming, ...more: readonly Incoming[]) => {
    const { changes } = accepted(take(known, [entry, ...more]))
    return changes.flatMap(({ state, content }) =>
      state.kind === 'order' ? [{ patient: state.patientId, order: content as ServiceRequest }] : [],
    )
  }

  test('that is contained is who has its identifier, and is contained no more', () => {
    const contained = [
      { ...person(mrn('A1')), id: 'p' },
      { resourceType: 'Practitioner' as const, id: 'q' },
    ]
    const [found] = subjectOf(motherAlone, alone(orderBody({ contained, subject: { reference: '#p', display: 'A.' } })))
    expect(found?.patient).toBe(mother)
    expect(found?.order).toMatchObject({
      contained: [{ id: 'q' }],
      subject: { reference: `Patient/${mother}`, display: 'A.' },
    })
  })

  test.each<[string, FhirResource[]]>([
    ['nobody has its identifier', [{ ...person(mrn('A9')), id: 'p' }]],
    ['it has none', [{ resourceType: 'Patient', id: 'p' }]],
    ['it is not there', []],
    ['it is no patient', [{ resourceType: 'Group', id: 'p', type: 'person', actual: true } as FhirResource]],
  ])('that is contained is refused where %s', (_, contained) => {
    const refused = take(motherAlone, [alone(orderBody({ contained, subject: { reference: '#p' } }))])
    expect(refused.ok).toBe(false)
  })

  // http://hl7.org/fhir/R4/bundle.html#references
  test.each<[string, string, boolean]>([
    ['at the base of its own fullUrl', 'https://attic.example/fhir/ServiceRequest/77', true],
    ['not at another base', 'https://cellar.example/fhir/ServiceRequest/77', false],
    ['not beside a urn', 'urn:uuid:7f0c1f5e-0000-4000-8000-000000000001', false],
  ])('by a relative address is the entry %s', (_, fullUrl, resolved) => {
    const order = alone(orderBody({ subject: { reference: 'Patient/66' } }), {
      at: 'Bundle.entry[0].resource',
      fullUrl,
    })
    const patient = alone(person(mrn('A1')), {
      at: 'Bundle.entry[1].resource',
      fullUrl: 'https://attic.example/fhir/Patient/66',
    })
    if (resolved) expect(subjectOf(motherAlone, order, patient)[0]?.patient).toBe(mother)
    else expect(refusedBy(take(motherAlone, [order, patient]))).toEqual(['reference-not-found'])
  })
})

describe('an entry without any name', () => {
  const reason: FhirResource = {
    resourceType: 'Condition',
    subject: { reference: `Patient/${mother}` },
    code: { text: 'palpitations' },
  }
  const companion = (id: string): KeptState => ({
    kind: 'kept',
    id,
    source: ehr.id,
    type: 'Condition',
    content: contentOf(reason, reason),
  })
  const with_ = (...companions: readonly KeptState[]): Known => ({ ...motherAlone, companions })

  test('is what the stored order refers to, where it says the same', () => {
    const checked = accepted(take(with_(companion(uuid(60))), [alone(reason, { method: 'POST' })]))
    expect([checked.answer.map((a) => a.id), checked.changes]).toEqual([[uuid(60)], []])
  })

  test('is one of two that say the same, and the next is the other', () => {
    const list = [0, 1].map((i) => alone(reason, { method: 'POST', at: `Bundle.entry[${i}].resource` }))
    expect(answers(with_(companion(uuid(60)), companion(uuid(61))), ...list).map(([, id]) => id)).toEqual([
      uuid(60),
      uuid(61),
    ])
  })

  test.each<[string, FhirResource]>([
    ['says something else', { ...reason, code: { text: 'syncope' } } as FhirResource],
    ['has a name', { ...reason, identifier: [{ system: 'urn:x', value: 'x' }] } as FhirResource],
  ])('is new where it %s', (_, body) => {
    const [[outcome] = []] = answers(with_(companion(uuid(60))), alone(body, { method: 'POST' }))
    expect(outcome).toBe('created')
  })
})
