import type { Patient } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import {
  type Correction,
  correctLink,
  correctLinkParameters,
  hasSuccessor,
} from '../../src/flow/apply-device/correct-link.ts'
import type { Situation } from '../../src/flow/apply-device/make-link.ts'
import type { Decision } from '../../src/flow/step.ts'
import { type Checked, statusOf } from '../../src/model/problems.ts'
import type { State } from '../../src/model/states.ts'
import {
  accepted,
  at,
  back,
  call,
  context,
  device,
  ids,
  link,
  order,
  patient,
  patientNumbers,
  problemsOf,
  refusedBy,
  stub,
  task,
  today,
  uuid,
} from '../support/fixtures.ts'

const later = context('2026-11-27T10:00:00Z')
const all = (decided: Checked<Decision<unknown>>): readonly State[] => accepted(decided).changes.map((c) => c.state)

/** The state that a decision leaves of one thing: the last one that it tells of it. */
const final = <K extends State['kind']>(decided: Checked<Decision<unknown>>, kind: K, id?: string) => {
  const found = all(decided).filter(
    (s): s is Extract<State, { kind: K }> => s.kind === kind && (id === undefined || s.id === id),
  )
  return found.at(-1)
}

const made = (decided: Checked<Decision<{ linkId?: string }>>) =>
  final(decided, 'link', accepted(decided).answer.linkId ?? 'none')

const situation = (over: Partial<Situation> = {}): Situation => ({
  order: order(),
  patient,
  device: device({ patientId: ids.patient }),
  links: [link()],
  returns: [],
  ...over,
})

const correction = (over: Partial<Correction> = {}): Correction => ({
  old: link(),
  oldDevice: device({ patientId: ids.patient }),
  tasks: [task()],
  stubs: [],
  right: situation(),
  oldLinks: (over.right ?? situation()).links,
  ...over,
})

type Values = Partial<Record<keyof typeof correctLinkParameters, unknown>>
const correct = (values: Values, over: Partial<Correction> = {}, ctx = later) =>
  correctLink(call(correctLinkParameters, { reason: 'slip of the pen', ...values }), correction(over), ctx)

/** The order of another patient. */
const berta: Patient = {
  resourceType: 'Patient',
  id: uuid(52),
  identifier: [{ system: patientNumbers, value: 'TH-0077' }],
  birthDate: '1961-07-02',
}
const hers = order({
  id: uuid(51),
  patientId: uuid(52),
  placer: { system: 'https://harbour.example/orders', value: 'P-2' },
})
const toHers = { order: { system: 'https://harbour.example/orders', value: 'P-2' } }
const asHers = { patientIdentifier: { system: patientNumbers, value: 'TH-0077' }, birthDate: '1961-07-02' }
const rightPatient = { right: situation({ order: hers, patient: berta }) }

/** The recorder that was really fitted. */
const other = device({ id: uuid(61), serialNumber: 'TH0002', expirationDate: '2027-02-28' })
const scanOther = { serialNumber: 'TH0002' }
const rightDevice = { right: situation({ device: other }) }

const returned = {
  old: link({ status: 'completed', endedAt: at('2026-11-26T10:00:00Z'), endAssumed: true, returned: true }),
  returned: back({
    receivedAt: at('2026-11-26T10:00:00Z'),
    recordedAt: at('2026-11-26T10:05:00Z'),
    linkId: ids.link,
    orderId: ids.order,
  }),
  stubs: [stub()],
}

describe('$correct-link of the time', () => {
  const decided = correct({ appliedAt: `${today}T08:00:00Z` })

  test('withdraws the old link, its work and its stubs, and makes a new link', () => {
    expect(final(decided, 'link', ids.link)).toMatchObject({
      status: 'entered-in-error',
      correction: 'slip of the pen',
      appliedAt: at(`${today}T09:00:00Z`),
    })
    expect(final(decided, 'task', ids.task)).toMatchObject({ status: 'entered-in-error', modifiedAt: later.now })
    expect(made(decided)).toMatchObject({
      status: 'active',
      appliedAt: at(`${today}T08:00:00Z`),
      patientId: ids.patient,
      deviceId: ids.device,
      replaces: ids.link,
      correction: 'slip of the pen',
      recordedAt: later.now,
    })
    expect(accepted(decided).answer.replacedId).toBe(ids.link)
    expect(final(decided, 'device')?.patientId).toBe(ids.patient)
  })

  test('keeps the moment in which this device was first tied to this patient', () => {
    expect(made(decided)?.tiedAt).toBe(link().tiedAt)
  })

  test('tells everybody who got the old one, once', () => {
    expect(accepted(decided).forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
    const targets = accepted(decided).records?.filter((r) => r.resourceType === 'Provenance')
    expect(targets).toHaveLength(2)
  })

  test('withdraws before it makes, so that the two never overlap', () => {
    const links = all(decided).filter((s) => s.kind === 'link')
    expect(links.map((l) => l.id)).toEqual([ids.link, accepted(decided).answer.linkId])
  })

  test('keeps what was not corrected', () => {
    const old = link({
      deviceClock: `${today}T09:00:05Z`,
      performer: { display: 'Nurse' },
      bodySite: { text: 'chest' },
      expirationDate: '2027-01-31',
      site: 'quarry-lane',
    })
    const kept = made(correct({ bodySite: { text: 'arm' } }, { old, right: situation({ links: [old] }) }))
    expect(kept).toMatchObject({
      deviceClock: `${today}T09:00:05Z`,
      clockOffset: 5,
      performer: { display: 'Nurse' },
      bodySite: { text: 'arm' },
      expirationDate: '2027-01-31',
      site: 'quarry-lane',
      appliedAtWritten: `${today}T09:00:00Z`,
    })
  })

  test.each<[string, Values, Partial<Correction>, string[]]>([
    ['the future', { appliedAt: '2026-11-28T00:00:00Z' }, {}, ['in-the-future']],
    ['a time before the birth', { appliedAt: '1949-01-01T00:00:00Z' }, {}, ['before-birth']],
    ['a time after the end', { appliedAt: '2026-11-26T12:00:00Z' }, returned, ['ends-before-start']],
    ['a time without an offset', { appliedAt: `${today}T08:00:00` }, {}, ['missing-offset']],
    [
      'a time at which the device was on somebody else',
      { appliedAt: '2026-11-24T08:00:00Z' },
      {
        right: situation({
          links: [
            link(),
            link({
              id: uuid(62),
              orderId: uuid(63),
              status: 'completed',
              appliedAt: at('2026-11-20T08:00:00Z'),
              endedAt: at('2026-11-24T12:00:00Z'),
            }),
          ],
        }),
      },
      ['device-linked'],
    ],
    [
      'several reasons at once',
      { appliedAt: '2026-11-28T00:00:00Z', birthDate: '1950-03-18' },
      {},
      ['identifier-disagrees', 'in-the-future'],
    ],
  ])('is refused for %s', (_, values, over, problems) => {
    expect(refusedBy(correct(values, over))).toEqual(problems)
  })

  test('may be told of an order that was revoked since', () => {
    const revoked = { right: situation({ order: order({ status: 'revoked' }) }) }
    expect(refusedBy(correct({ appliedAt: `${today}T08:00:00Z` }, revoked))).toEqual([])
  })
})

describe('$correct-link of the patient', () => {
  test('needs two identifiers of the right one', () => {
    expect(refusedBy(correct(toHers, rightPatient))).toEqual(['too-few-identifiers'])
    expect(refusedBy(correct({ ...toHers, birthDate: '1961-07-02' }, rightPatient))).toEqual(['too-few-identifiers'])
    expect(refusedBy(correct({ ...toHers, ...asHers, birthDate: '1950-03-17' }, rightPatient))).toEqual([
      'identifier-disagrees',
    ])
  })

  test('ties the device to the right one from now on, late as it is', () => {
    const decided = correct({ ...toHers, ...asHers }, rightPatient)
    expect(made(decided)).toMatchObject({ orderId: hers.id, patientId: hers.patientId, tiedAt: later.now })
    expect(final(decided, 'device')?.patientId).toBe(hers.patientId)
    expect(accepted(decided).forward).toEqual([
      { orderId: ids.order, readingService: 'pebble' },
      { orderId: hers.id, readingService: 'pebble' },
    ])
  })

  test('needs a right order that can be linked', () => {
    const revoked = { right: situation({ order: { ...hers, status: 'revoked' }, patient: berta }) }
    expect(refusedBy(correct({ ...toHers, ...asHers }, revoked))).toEqual(['order-not-linkable'])
  })

  test('is refused where the right order has a device already', () => {
    const taken = link({ id: uuid(62), orderId: hers.id, deviceId: uuid(61), patientId: hers.patientId })
    const right = situation({ order: hers, patient: berta, links: [link(), taken] })
    const refused = correct({ ...toHers, ...asHers }, { right })
    expect([refusedBy(refused), statusOf(problemsOf(refused))]).toEqual([['order-linked'], 409])
  })

  test('to another order of the same patient needs no identifiers, but none may disagree', () => {
    const same = { right: situation({ order: order({ id: uuid(51) }) }) }
    expect(refusedBy(correct(toHers, same))).toEqual([])
    expect(refusedBy(correct({ ...toHers, birthDate: '1950-03-18' }, same))).toEqual(['identifier-disagrees'])
    expect(made(correct(toHers, same))?.tiedAt).toBe(link().tiedAt)
  })
})

describe('$correct-link of the device', () => {
  const decided = correct(scanOther, rightDevice)

  test('ties the right one and lets the wrong one go', () => {
    expect(made(decided)).toMatchObject({ deviceId: other.id, expirationDate: '2027-02-28', tiedAt: later.now })
    expect(final(decided, 'device', other.id)?.patientId).toBe(ids.patient)
    expect(final(decided, 'device', ids.device)?.patientId).toBeUndefined()
  })

  test('leaves the wrong one on whom else it is', () => {
    const elsewhere = link({
      id: uuid(62),
      orderId: uuid(63),
      patientId: uuid(64),
      appliedAt: at(`${today}T15:00:00Z`),
    })
    const old = link({ status: 'stopped', endedAt: at(`${today}T15:00:00Z`), endReason: 'replaced' })
    const over = { ...rightDevice, old, oldLinks: [old, elsewhere] }
    expect(final(correct(scanOther, over), 'device', ids.device)?.patientId).toBe(uuid(64))
  })

  test('leaves the return of the wrong one to nobody, and withdraws its stubs', () => {
    const over = { ...rightDevice, ...returned, oldDevice: device() }
    const withReturn = correct(scanOther, over)
    expect(final(withReturn, 'return')).toMatchObject({ id: uuid(9), site: 'tern-harbour' })
    expect(final(withReturn, 'return')?.linkId).toBeUndefined()
    expect(final(withReturn, 'stub')?.status).toBe('entered-in-error')
    expect(made(withReturn)?.status).toBe('active')
  })

  test('keeps an end that somebody stated: the wear was over whatever recorder it was', () => {
    const old = link({
      status: 'stopped',
      endedAt: at(`${today}T15:00:00Z`),
      endReason: 'replaced',
      endNote: 'skin irritation',
    })
    const next = link({ id: uuid(62), deviceId: uuid(65), appliedAt: at(`${today}T15:00:00Z`) })
    const over = { old, right: situation({ device: other, links: [old, next] }) }
    expect(made(correct(scanOther, over))).toMatchObject({
      status: 'stopped',
      endedAt: old.endedAt,
      endReason: 'replaced',
      endNote: 'skin irritation',
    })
  })

  test('keeps it even where the wrong one came back since', () => {
    const old = { ...returned.old, status: 'stopped' as const, endReason: 'failed' as const }
    const decided = correct(scanOther, { ...returned, old, right: situation({ device: other, links: [old] }) })
    expect(made(decided)).toMatchObject({ status: 'stopped', endReason: 'failed', endedAt: old.endedAt })
    expect(made(decided)?.returned).toBeUndefined()
  })

  test('takes the return of the right one where it came back already', () => {
    const loose = back({ deviceId: other.id, receivedAt: at('2026-11-26T10:00:00Z') })
    const over = { right: situation({ device: other, returns: [loose] }) }
    const withReturn = correct(scanOther, over)
    expect(made(withReturn)).toMatchObject({ status: 'completed', returned: true })
    expect(final(withReturn, 'return')?.linkId).toBe(made(withReturn)?.id)
    expect(final(withReturn, 'stub')?.status).toBe('registered')
  })

  test('is refused where the right one is on somebody else, without saying on whom', () => {
    const taken = link({ id: uuid(62), deviceId: other.id, orderId: uuid(63), patientId: uuid(64) })
    const refused = correct(scanOther, { right: situation({ device: other, links: [link(), taken] }) })
    expect(refusedBy(refused)).toEqual(['device-linked'])
    expect(JSON.stringify(problemsOf(refused))).not.toContain(uuid(64))
  })
})

describe('$correct-link of a wear that is over', () => {
  test('keeps the return and its end, and makes new stubs', () => {
    const decided = correct({ appliedAt: `${today}T08:00:00Z` }, returned)
    const next = made(decided)
    expect(next).toMatchObject({
      status: 'completed',
      endedAt: at('2026-11-26T10:00:00Z'),
      endAssumed: true,
      returned: true,
    })
    expect(final(decided, 'return')).toMatchObject({ id: uuid(9), linkId: next?.id, orderId: ids.order })
    const stubs = all(decided).filter((s) => s.kind === 'stub')
    expect(stubs.map((s) => [s.status, s.linkId])).toEqual([
      ['entered-in-error', ids.link],
      ['registered', next?.id],
    ])
    expect(stubs[1]).toMatchObject({ from: at(`${today}T08:00:00Z`), until: at('2026-11-26T10:00:00Z') })
  })

  test('keeps its own return, even where the device came back another time without a patient', () => {
    const stray = back({ id: uuid(31), receivedAt: at(`${today}T12:00:00Z`) })
    const decided = correct(
      { appliedAt: `${today}T08:00:00Z` },
      { ...returned, right: situation({ links: [returned.old], returns: [stray] }) },
    )
    expect(
      all(decided)
        .filter((s) => s.kind === 'return')
        .map((s) => s.id),
    ).toEqual([uuid(9)])
  })

  test('keeps why it ended, and when in the words of then', () => {
    const endedAtWritten = '2026-11-26T11:00:00+01:00'
    const old = link({ status: 'stopped', endedAt: at('2026-11-26T10:00:00Z'), endedAtWritten, endReason: 'failed' })
    const decided = correct({ appliedAt: `${today}T08:00:00Z` }, { old, right: situation({ links: [old] }) })
    expect(made(decided)).toMatchObject({
      status: 'stopped',
      endReason: 'failed',
      endedAt: old.endedAt,
      endedAtWritten,
    })
    expect(final(decided, 'device')?.patientId).toBeUndefined()
  })
})

describe('$correct-link with a reason alone', () => {
  const decided = correct({}, { stubs: [stub()] })

  test('has no successor: the link was an error', () => {
    expect(hasSuccessor(call(correctLinkParameters, { reason: 'x' }))).toBe(false)
    expect(accepted(decided).answer).toEqual({ replacedId: ids.link })
    expect(
      all(decided)
        .filter((s) => s.kind === 'link')
        .map((l) => l.status),
    ).toEqual(['entered-in-error'])
    expect(final(decided, 'device')?.patientId).toBeUndefined()
    expect(final(decided, 'task')?.status).toBe('entered-in-error')
    expect(final(decided, 'stub')?.status).toBe('entered-in-error')
    expect(accepted(decided).forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
  })

  test('leaves its return to nobody', () => {
    const withReturn = correct({}, returned)
    expect(final(withReturn, 'return')?.linkId).toBeUndefined()
    expect(final(withReturn, 'return')?.orderId).toBeUndefined()
  })

  test('leaves the device on whom it is now', () => {
    const now = link({ id: uuid(62), orderId: uuid(63), patientId: uuid(64), appliedAt: at('2026-11-26T12:00:00Z') })
    const over = { ...returned, right: situation({ links: [returned.old, now] }) }
    expect(final(correct({}, over), 'device')?.patientId).toBe(uuid(64))
  })

  test('does not touch what belongs to another link of the order', () => {
    const tasks = [task(), task({ id: uuid(41), linkId: uuid(40) })]
    expect(all(correct({}, { tasks })).filter((s) => s.kind === 'task')).toHaveLength(1)
  })
})

test('a link that was corrected is not corrected again: its successor is', () => {
  const refused = correct({ appliedAt: `${today}T08:00:00Z` }, { old: link({ status: 'entered-in-error' }) })
  expect([refusedBy(refused), statusOf(problemsOf(refused))]).toEqual([['link-ended'], 409])
})
