/** Who stands for a patient whose record was replaced, and what a change of a record means for a link. */
import fc from 'fast-check'
import type { Patient } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { type Concerned, followPatients } from '../../src/flow/accept-order/follow-patients.ts'
import { chainFrom, isReplaced, runsInCircle, survivorOf } from '../../src/flow/accept-order/successors.ts'
import { identityChanges } from '../../src/model/patient-match.ts'
import type { LinkState } from '../../src/model/states.ts'
import { context, device, ids, link, order, patient, patientNumbers, stub, task, uuid } from '../support/fixtures.ts'

const replaced = (by: string, over: Partial<Patient> = {}): Patient => ({
  ...patient,
  active: false,
  link: [{ type: 'replaced-by', other: { reference: `Patient/${by}` } }],
  ...over,
})

/** `{ a: 'b' }`: a was replaced by b. */
const records = (by: Readonly<Record<string, string>>) => (id: string) =>
  by[id] === undefined ? patient : replaced(by[id])

describe('who stands for a patient', () => {
  test.each<[string, Readonly<Record<string, string>>, readonly string[], boolean]>([
    ['nobody else', {}, ['a'], false],
    ['the one who replaced them', { a: 'b' }, ['a', 'b'], false],
    ['the last of a chain', { a: 'b', b: 'c' }, ['a', 'b', 'c'], false],
    ['none in a circle of two', { a: 'b', b: 'a' }, ['a', 'b'], true],
    ['none where it is its own', { a: 'a' }, ['a'], true],
    ['none where a chain ends in a circle', { a: 'b', b: 'c', c: 'b' }, ['a', 'b', 'c'], true],
  ])('%s', (_, by, chain, circle) => {
    expect([chainFrom('a', records(by)), runsInCircle('a', records(by))]).toEqual([chain, circle])
  })

  test('is told by a record that must no longer be used, not by one that calls itself active', () => {
    expect([isReplaced(replaced('b')), isReplaced(replaced('b', { active: true })), isReplaced(patient)]).toEqual([
      true,
      false,
      false,
    ])
    const { active: _, ...silent } = replaced('b')
    expect(isReplaced(silent)).toBe(true)
    expect(isReplaced({ ...patient, link: [{ type: 'replaces', other: { reference: 'Patient/b' } }] })).toBe(false)
  })

  test('is found however the records replace each other, and stands for themselves', () => {
    const names = ['a', 'b', 'c', 'd', 'e']
    const by = fc.dictionary(fc.constantFrom(...names), fc.constantFrom(...names))
    fc.assert(
      fc.property(by, fc.constantFrom(...names), (successors, name) => {
        const patientOf = records(successors)
        const survivor = survivorOf(name, patientOf)
        if (!runsInCircle(name, patientOf)) expect(survivorOf(survivor, patientOf)).toBe(survivor)
        expect(new Set(chainFrom(name, patientOf)).size).toBe(chainFrom(name, patientOf).length)
      }),
    )
  })
})

describe('what two identifiers no longer agree with', () => {
  const when = { ms: Date.parse('2026-11-25T09:00:00Z'), zone: 'Europe/Dublin' }
  const number = (value: string, over = {}) => ({ system: patientNumbers, value, ...over })
  test.each<[string, Partial<Patient>, readonly string[]]>([
    ['nothing new', {}, []],
    ['another birth date', { birthDate: '1951-03-17' }, ['birth date']],
    ['another number', { identifier: [number('TH-0043')] }, [`identifier ${patientNumbers}`]],
    [
      'the number made old',
      { identifier: [number('TH-0042', { use: 'old' }), number('TH-0043')] },
      [`identifier ${patientNumbers}`],
    ],
    ['one more number', { identifier: [number('TH-0042'), number('TH-0043')] }, []],
    ['a number of another kind alone', { identifier: [{ system: 'urn:oid:2.999.7', value: '7' }] }, []],
    ['another family name', { name: [{ family: 'Marram', given: ['Anna'] }] }, ['full name']],
    ['the name in other letters', { name: [{ family: 'SANDLING', given: ['Ánna'] }] }, []],
    ['one more name', { name: [{ family: 'Marram', given: ['Anna'] }, ...(patient.name ?? [])] }, []],
    ['another phone', { telecom: [{ system: 'phone', value: '+353 1 555 0000' }] }, []],
    [
      'everything',
      { identifier: [number('TH-9')], birthDate: '2001-01-01', name: [{ family: 'Marram', given: ['Bo'] }] },
      [`identifier ${patientNumbers}`, 'birth date', 'full name'],
    ],
  ])('%s', (_, over, kinds) => {
    expect(identityChanges(patient, { ...patient, ...over }, when)).toEqual(kinds)
  })

  test('what the later record lacks counts for nothing', () => {
    const { birthDate: _, name: __, identifier: ___, ...bare } = patient
    expect(identityChanges(patient, bare, when)).toEqual([])
  })
})

describe('what follows', () => {
  const [b, c] = [uuid(50), uuid(51)]
  const concerned = (over: Partial<Concerned> = {}): Concerned => ({
    orders: [
      {
        state: order(),
        resource: {
          resourceType: 'ServiceRequest',
          status: 'active',
          intent: 'order',
          subject: { reference: `Patient/${ids.patient}` },
        },
      },
    ],
    links: [link()],
    tasks: [task()],
    stubs: [],
    devices: [device({ patientId: ids.patient })],
    ...over,
  })
  const follow = (after: Patient, over: Partial<Concerned> = {}, before: Patient = patient) => {
    const patientOf = (id: string) => (id === ids.patient ? after : patient)
    return followPatients([{ id: ids.patient, before, after }], [], concerned(over), patientOf, context())
  }
  const linkAfter = (after: Patient, over: Partial<Concerned> = {}, before?: Patient) =>
    follow(after, over, before).changes.flatMap(({ state }) => (state.kind === 'link' ? [state] : []))[0]
  const why = (l: LinkState | undefined) => l?.doubts?.map((d) => d.why)

  test('order, link, recorder, work and stubs move with one step, and those who had the order are told', () => {
    const { changes, records, forward } = follow(replaced(b), { stubs: [stub()] })
    expect(changes.map((x) => x.fact)).toEqual([
      'order-moved',
      'link-moved',
      'device-tied',
      'task-moved',
      'stubs-moved',
    ])
    expect(changes.every(({ state }) => 'patientId' in state && state.patientId === b)).toBe(true)
    expect(records.map((r) => r.resourceType)).toEqual(['Provenance', 'AuditEvent', 'Provenance', 'AuditEvent'])
    expect(forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
    expect(linkAfter(replaced(b))).toMatchObject({ mergedFrom: [ids.patient], tiedAt: link().tiedAt })
  })

  test.each<[string, Patient, Partial<Concerned>, readonly string[] | undefined]>([
    ['a merge', replaced(b), {}, ['merged']],
    [
      'a merge, of a wear that is over and read',
      replaced(b),
      { links: [link({ status: 'completed' })], tasks: [task({ status: 'completed' })] },
      undefined,
    ],
    [
      'a merge, of a wear that is still to be read',
      replaced(b),
      { links: [link({ status: 'completed' })] },
      ['merged'],
    ],
    [
      'a successor that is not known',
      { ...replaced(b), link: [{ type: 'replaced-by', other: { display: 'x' } }] },
      {},
      ['successor-unknown'],
    ],
    ['inactive', { ...patient, active: false }, {}, ['inactive']],
    ['replaced and active at once', replaced(b, { active: true }), {}, ['inactive']],
    ['another birth date', { ...patient, birthDate: '2001-01-01' }, {}, ['changed']],
    [
      'another birth date, of a link in error',
      { ...patient, birthDate: '2001-01-01' },
      { links: [link({ status: 'entered-in-error' })] },
      undefined,
    ],
    ['another phone', { ...patient, telecom: [] }, {}, undefined],
  ])('the doubt of %s', (_, after, over, expected) => {
    expect(why(linkAfter(after, over))).toEqual(expected)
  })

  test('a merge that is taken back, or goes elsewhere, moves nothing', () => {
    const moved = link({ patientId: b, mergedFrom: [ids.patient] })
    for (const after of [patient, replaced(c)]) {
      const { changes, forward } = follow(after, { orders: [], links: [moved] }, replaced(b))
      expect(changes.map(({ fact }) => fact)).toEqual(['link-doubted'])
      expect([why(linkAfter(after, { orders: [], links: [moved] }, replaced(b))), forward]).toEqual([['unmerged'], []])
    }
  })

  test('what is over and was never linked stays with the record under which it was ordered', () => {
    const done = { ...concerned().orders[0], state: order({ status: 'revoked' }) } as Concerned['orders'][0]
    expect(follow(replaced(b), { orders: [done], links: [], tasks: [], devices: [] }).changes).toEqual([])
  })
})
