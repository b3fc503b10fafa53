/** What sources say of visits by Procedures, Encounters and Appointments: contract, section 8, "Evidence of application". */
import type { Appointment, Encounter, Procedure } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { type EvidenceResource, saidOf } from '../../src/flow/accept-order/evidence.ts'
import { recorderOf } from '../../src/flow/accept-order/recorder-stated.ts'
import type { Facts, SpeakingState } from '../../src/flow/watch-flow/day-facts.ts'
import { eveningOf } from '../../src/flow/watch-flow/evening.ts'
import { gapsOf } from '../../src/flow/watch-flow/gaps.ts'
import type { LinkState, NotApplied, OrderState, Said } from '../../src/model/states.ts'
import {
  application,
  at,
  conflict,
  context,
  device,
  facts,
  ids,
  link,
  order,
  tern,
  today,
  uuid,
  watch,
} from '../support/fixtures.ts'

const procedure = (over: Partial<Procedure> = {}): Procedure => ({
  resourceType: 'Procedure',
  status: 'completed',
  subject: { reference: `Patient/${ids.patient}` },
  performedDateTime: `${today}T09:00:00Z`,
  ...over,
})
const encounter = (over: Partial<Encounter> = {}): Encounter => ({
  resourceType: 'Encounter',
  status: 'finished',
  class: { code: 'AMB' },
  period: { start: `${today}T08:30:00Z`, end: `${today}T09:30:00Z` },
  ...over,
})
const appointment = (over: Partial<Appointment> = {}): Appointment => ({
  resourceType: 'Appointment',
  status: 'booked',
  participant: [{ status: 'accepted' }],
  start: `${today}T08:30:00Z`,
  end: `${today}T09:15:00Z`,
  ...over,
})

describe('a resource of a source', () => {
  const reads = (resource: EvidenceResource, before?: Said) =>
    saidOf(resource, order(), tern, before, context(`${today}T10:00:00Z`))
  const says = (resource: EvidenceResource, before?: Said) => reads(resource, before).says
  test.each<[string, EvidenceResource, Partial<Said> | undefined]>([
    [
      'that is a completed act says when it was',
      procedure(),
      { what: 'applied', at: at(`${today}T09:00:00Z`), day: today },
    ],
    [
      'of a period says its end',
      procedure({
        performedDateTime: undefined,
        performedPeriod: { start: `${today}T08:00:00Z`, end: `${today}T09:10:00Z` },
      } as never),
      { what: 'applied', at: at(`${today}T09:10:00Z`) },
    ],
    [
      'with a date alone says the local day',
      procedure({ performedDateTime: '2026-07-01' }),
      { what: 'applied', at: at('2026-06-30T23:00:00Z'), day: '2026-07-01' },
    ],
    ['with a year alone says nothing', procedure({ performedDateTime: '2026' }), undefined],
    ['without a moment says nothing', procedure({ performedDateTime: undefined } as never), undefined],
    ['that is not done yet says nothing', procedure({ status: 'in-progress' }), undefined],
    ['that was made in error says nothing', procedure({ status: 'entered-in-error' }), undefined],
    ['about another patient says nothing', procedure({ subject: { reference: `Patient/${uuid(99)}` } }), undefined],
    [
      'that is ours says nothing',
      procedure({ identifier: [{ system: 'https://daybind.example/procedures', value: uuid(7) }] }),
      undefined,
    ],
    ['that is a finished encounter says its end', encounter(), { what: 'applied', at: at(`${today}T09:30:00Z`) }],
    ['that is an encounter under way says nothing', encounter({ status: 'in-progress' }), undefined],
    [
      'that is a fulfilled appointment says its end',
      appointment({ status: 'fulfilled' }),
      { what: 'applied', at: at(`${today}T09:15:00Z`) },
    ],
    ['that is a booked appointment says the day of the visit', appointment(), { what: 'visit', day: today }],
    [
      'that is a cancelled appointment says that it is not',
      appointment({ status: 'cancelled' }),
      { what: 'not', day: today },
    ],
    [
      'that is an appointment to which nobody came says so',
      appointment({ status: 'noshow' }),
      { what: 'not', day: today },
    ],
    ['that is an appointment without a time says nothing', appointment({ start: undefined } as never), undefined],
  ])('%s', (_, resource, expected) => {
    if (expected === undefined) expect(says(resource)).toBeUndefined()
    else expect(says(resource)).toMatchObject(expected)
  })

  test.each<[string, EvidenceResource, readonly string[]]>([
    ['an act without a moment', procedure({ performedDateTime: undefined } as never), ['says-nothing performed']],
    ['a stay without a period', encounter({ period: undefined } as never), ['says-nothing period']],
    ['a booked date without a time', appointment({ start: undefined } as never), ['says-nothing start']],
    ['a date that is asked for, without a time', appointment({ status: 'proposed', start: undefined } as never), []],
    ['another patient', procedure({ subject: { reference: `Patient/${uuid(99)}` } }), ['says-nothing subject']],
    ['an act of the next day', procedure({ performedDateTime: '2026-11-26T09:00:00Z' }), ['in-the-future ']],
    ['an act within what clocks may differ', procedure({ performedDateTime: `${today}T10:02:00Z` }), []],
    ['a date to come', appointment({ start: '2027-11-25T09:00:00Z' }), []],
    ['an act under way', procedure({ status: 'in-progress', performedDateTime: undefined } as never), []],
    ['nothing odd', procedure(), []],
  ])('tells why it says nothing although it seems to: %s', (_, resource, expected) => {
    expect(reads(resource).doubts.map((d) => `${d.code} ${d.at[0] ?? ''}`)).toEqual(expected)
    if (expected.length > 0) expect(says(resource)).toBeUndefined()
  })

  test('that says the same again has said it since then', () => {
    const first = says(procedure())
    const earlier = { ...first, recordedAt: at(`${today}T09:05:00Z`) } as Said
    expect(says(procedure(), earlier)?.recordedAt).toBe(earlier.recordedAt)
    // put right by a minute it was known all the same
    expect(says(procedure({ performedDateTime: `${today}T09:01:00Z` }), earlier)?.recordedAt).toBe(earlier.recordedAt)
    expect(says(procedure({ performedDateTime: '2026-11-24T09:00:00Z' }), earlier)?.recordedAt).toBe(
      at(`${today}T10:00:00Z`),
    )
  })
})

const told = (over: Partial<Said> = {}, id = uuid(71), type = 'Procedure'): SpeakingState => ({
  kind: 'kept',
  id,
  source: 'harbour-ehr',
  type,
  orderId: ids.order,
  content: { digest: '' },
  says: {
    what: 'applied',
    at: at(`${today}T09:00:00Z`),
    day: today,
    site: 'tern-harbour',
    recordedAt: at(`${today}T09:30:00Z`),
    ...over,
  },
})

/** `no-link preliminary since 09:30`: the gaps of these facts, without the links that are late. */
const found = (over: Partial<Facts>, asOf = '2026-11-27T00:00:00Z'): readonly string[] =>
  gapsOf(facts({ orders: [order()], ...over }), watch(asOf))
    .filter((g) => g.code !== 'late-link')
    .map((g) => {
      const moment = (iso: string) => iso.slice(0, 16).replace(`${today}T`, '')
      return `${g.code} ${g.status} since ${moment(g.since)}${g.mended ? `, ${g.mended.action} ${moment(g.mended.at)}` : ''}`
    })

describe('what a source says was applied', () => {
  const linked = (tiedAt: string) => link({ tiedAt: at(tiedAt), recordedAt: at(tiedAt) })
  test.each<[string, Partial<Facts>, string, readonly string[]]>([
    [
      'opens a gap without a link, preliminary until the cut-off',
      { told: [told()] },
      `${today}T12:00:00Z`,
      ['no-link preliminary since 09:30'],
    ],
    [
      'is final from the cut-off on, and no missed visit besides',
      { told: [told()] },
      '2026-11-27T00:00:00Z',
      ['no-link final since 18:00'],
    ],
    [
      'counts once, by whatever resources it is said',
      { told: [told(), told({ at: at(`${today}T09:20:00Z`) }, uuid(72), 'Encounter')] },
      `${today}T12:00:00Z`,
      ['no-link preliminary since 09:30'],
    ],
    [
      'is answered by a link of the order on that day',
      { told: [told()], links: [linked(`${today}T09:05:00Z`)] },
      '2026-11-27T00:00:00Z',
      [],
    ],
    [
      'is mended by a link that came late',
      { told: [told()], links: [linked(`${today}T19:00:00Z`)] },
      '2026-11-27T00:00:00Z',
      ['no-link final since 18:00, linked 19:00'],
    ],
    [
      'at which the recorder came off asks for no other',
      {
        told: [told({ at: at(`${today}T14:30:00Z`) })],
        links: [
          link({
            day: '2026-11-18',
            appliedAt: at('2026-11-18T09:00:00Z'),
            tiedAt: at('2026-11-18T09:05:00Z'),
            status: 'completed',
            endedAt: at(`${today}T14:10:00Z`),
          }),
        ],
      },
      '2026-11-27T00:00:00Z',
      [],
    ],
    [
      'after a recorder that failed asks for the next one',
      {
        told: [told({ at: at(`${today}T14:30:00Z`) })],
        links: [
          link({
            day: '2026-11-18',
            appliedAt: at('2026-11-18T09:00:00Z'),
            tiedAt: at('2026-11-18T09:05:00Z'),
            status: 'stopped',
            endReason: 'failed',
            endedAt: at(`${today}T14:10:00Z`),
          }),
        ],
      },
      `${today}T15:00:00Z`,
      ['no-link preliminary since 09:30'],
    ],
    [
      'as a visit that was over days before the recorder was fitted is answered by its link',
      {
        told: [
          told(
            { at: at('2026-11-23T09:30:00Z'), day: '2026-11-23', recordedAt: at('2026-11-23T09:30:00Z') },
            uuid(72),
            'Encounter',
          ),
        ],
        links: [linked(`${today}T09:05:00Z`)],
      },
      '2026-11-27T00:00:00Z',
      ['no-link final since 2026-11-23T18:00, linked 09:05'],
    ],
    [
      'as an act of days before is not: what was fitted then?',
      {
        told: [told({ at: at('2026-11-23T09:30:00Z'), day: '2026-11-23' })],
        links: [linked(`${today}T09:05:00Z`)],
      },
      '2026-11-27T00:00:00Z',
      ['no-link final since 09:30'],
    ],
    [
      'is not answered by a link of another order',
      { told: [told()], links: [link({ orderId: uuid(73) })] },
      `${today}T12:00:00Z`,
      ['no-link preliminary since 09:30'],
    ],
    [
      'that we learn after the day mends the missed visit, and is a late gap',
      { told: [told({ recordedAt: at('2026-11-26T08:00:00Z') })] },
      '2026-11-27T00:00:00Z',
      [
        'no-link final since 2026-11-26T08:00',
        'no-application final since 2026-11-26T00:00, confirmed 2026-11-26T08:00',
      ],
    ],
  ])('%s', (_, over, asOf, expected) => {
    expect(found(over, asOf)).toEqual(expected)
  })

  test('is counted among the applications of the day, once, and in time only with its link', () => {
    const count = (over: Partial<Facts>) => {
      const e = eveningOf(tern, today, facts({ orders: [order()], ...over }), watch('2026-11-26T00:00:00Z'), 'x')
      return [e.linked.initial, e.linked.denominator, e.linked.numerator]
    }
    const two = [told(), told({}, uuid(72), 'Encounter')]
    expect(count({ told: two })).toEqual([1, 1, 0])
    expect(count({ told: two, links: [linked(`${today}T09:05:00Z`)] })).toEqual([1, 1, 1])
  })
})

describe('what a source says was applied, and a person that nothing was', () => {
  const reason = (time: string, over: Partial<NotApplied> = {}): Partial<OrderState> => {
    const said = { reason: 'unfit', day: today, recordedAt: at(`${today}T${time}Z`), ...over }
    return { notApplied: said, saidNotApplied: [said] }
  }
  const stay = (over: Partial<Said> = {}) => told(over, uuid(72), 'Encounter')
  test.each<[string, Partial<OrderState>, readonly SpeakingState[], readonly string[]]>([
    ['closes the gap', reason('09:40:00'), [told()], ['no-link final since 18:00, cancelled 09:40']],
    [
      'with a new date puts it off',
      reason('09:40:00', { newDate: '2026-12-02' }),
      [told()],
      ['no-link final since 18:00, rescheduled 09:40'],
    ],
    ['before we learn of the visit’s end opens none', reason('08:50:00'), [stay()], []],
    ['before the act was done is overtaken by it', reason('08:50:00'), [told()], ['no-link final since 18:00']],
    ['of the visit, while an act was done later', reason('08:50:00'), [stay(), told()], ['no-link final since 18:00']],
    ['of another day', reason('09:40:00', { day: '2026-11-24' }), [told()], ['no-link final since 18:00']],
    [
      'of no day, later',
      reason('09:40:00', { day: undefined } as never),
      [stay()],
      ['no-link final since 18:00, cancelled 09:40'],
    ],
    ['of no day, before it', reason('08:00:00', { day: undefined } as never), [stay()], ['no-link final since 18:00']],
    [
      'is remembered when the order has another day, and when it is said of that as well',
      {
        visitDay: '2026-12-02',
        saidNotApplied: [
          { reason: 'unfit', day: today, recordedAt: at(`${today}T09:40:00Z`) },
          { reason: 'no-show', day: '2026-12-02', recordedAt: at('2026-12-02T10:00:00Z') },
        ],
      },
      [told()],
      ['no-link final since 18:00, cancelled 09:40'],
    ],
  ])('%s', (_, over, said, expected) => {
    const facts = { orders: [order(over)], told: said }
    expect(found(facts).filter((line) => line.startsWith('no-link'))).toEqual(expected)
  })
  test('is not counted as an application', () => {
    const counts = (over: Partial<OrderState>) =>
      eveningOf(tern, today, facts({ orders: [order(over)], told: [told()] }), watch('2026-11-27T00:00:00Z'), 'x')
        .linked.initial
    expect([counts({}), counts(reason('09:40:00'))]).toEqual([1, 0])
  })
})

describe('a visit that ends after the cut-off', () => {
  const stay = (end: string) => told({ at: at(end), recordedAt: at(end) }, uuid(72), 'Encounter')
  test.each<[string, string, string, readonly string[]]>([
    ['is not late at the cut-off', `${today}T18:30:00Z`, `${today}T18:45:00Z`, ['no-link preliminary since 18:30']],
    ['has until the day is over', `${today}T18:30:00Z`, `${today}T23:59:59Z`, ['no-link preliminary since 18:30']],
    ['is late then', `${today}T18:30:00Z`, '2026-11-26T00:00:00Z', ['no-link final since 2026-11-26T00:00']],
    ['just before it is late at it', `${today}T17:59:59Z`, `${today}T18:00:00Z`, ['no-link final since 18:00']],
    [
      'at that very moment has until the day is over',
      `${today}T18:00:00Z`,
      `${today}T18:00:00Z`,
      ['no-link preliminary since 18:00'],
    ],
  ])('%s', (_, end, asOf, expected) => {
    expect(found({ told: [stay(end)] }, asOf)).toEqual(expected)
  })
  test('is in the figures of its day, and counts from the day’s end on', () => {
    const count = (asOf: string, over: Partial<Facts> = {}) => {
      const e = eveningOf(
        tern,
        today,
        facts({ orders: [order()], told: [stay(`${today}T18:30:00Z`)], ...over }),
        watch(asOf),
        'x',
      )
      return [e.linked.initial, e.linked.denominator, e.linked.numerator]
    }
    const inTime = { links: [link({ appliedAt: at(`${today}T18:10:00Z`), tiedAt: at(`${today}T18:20:00Z`) })] }
    expect(count(`${today}T18:00:00Z`)).toEqual([1, 0, 0])
    expect(count('2026-11-26T00:00:00Z')).toEqual([1, 1, 0])
    expect(count('2026-11-26T00:00:00Z', inTime)).toEqual([1, 1, 1])
  })
})

describe('what a source says of the visit', () => {
  test.each<[string, Partial<Facts>, readonly string[]]>([
    ['nothing: the order’s own day counts', {}, ['no-application final since 2026-11-26T00:00']],
    ['that it is on another day: that one counts', { told: [told({ what: 'visit', day: '2026-12-02' })] }, []],
    [
      'that it is on a day before people agreed on another one',
      {
        orders: [
          order({
            visitDay: '2026-11-27',
            notApplied: {
              reason: 'rescheduled',
              day: today,
              newDate: '2026-11-27',
              recordedAt: at(`${today}T10:00:00Z`),
            },
          }),
        ],
        told: [told({ what: 'visit', recordedAt: at(`${today}T09:00:00Z`) })],
      },
      [],
    ],
    [
      'that it is on another day than people had agreed on',
      {
        orders: [
          order({
            visitDay: '2026-11-27',
            notApplied: {
              reason: 'rescheduled',
              day: '2026-11-20',
              newDate: '2026-11-27',
              recordedAt: at('2026-11-20T10:00:00Z'),
            },
          }),
        ],
        told: [told({ what: 'visit', recordedAt: at(`${today}T09:00:00Z`) })],
      },
      ['no-application final since 2026-11-26T00:00'],
    ],
    ['that it is on that day', { told: [told({ what: 'visit' })] }, ['no-application final since 2026-11-26T00:00']],
    ['that it was cancelled, in time', { told: [told({ what: 'not' })] }, []],
    [
      'that it was cancelled, learned late',
      { told: [told({ what: 'not', recordedAt: at('2026-11-26T08:00:00Z') })] },
      ['no-application final since 2026-11-26T00:00, cancelled 2026-11-26T08:00'],
    ],
    [
      'that one on another day was cancelled',
      { told: [told({ what: 'not', day: '2026-11-20' })] },
      ['no-application final since 2026-11-26T00:00'],
    ],
  ])('%s', (_, over, expected) => {
    expect(found(over)).toEqual(expected)
  })
})

describe('the recorder that an act names', () => {
  const hrf = '(01)09520123456788(21)TH0001'
  const contained = (over: object): Partial<Procedure> => ({
    contained: [{ resourceType: 'Device', id: 'rec', ...over }] as never,
    focalDevice: [{ manipulated: { reference: '#rec' } }],
  })
  const logical = (value: string) => ({
    type: 'Device',
    identifier: { system: 'https://harbour.example/devices', value },
  })
  const named = (over: Partial<Procedure>, known = [device()]) => {
    const resource = procedure(over)
    const { device: found, warnings } = recorderOf({ at: '', method: 'POST', resource }, resource, known, context())
    return [found?.serialNumber, found?.id === ids.device ? 'known' : found && 'new', ...warnings.map((w) => w.code)]
  }

  test.each<[string, Partial<Procedure>, readonly unknown[]]>([
    ['by a label', contained({ udiCarrier: [{ carrierHRF: hrf }] }), ['TH0001', 'known']],
    [
      'by a label of one that is not known yet',
      contained({ udiCarrier: [{ carrierHRF: hrf.replace('TH0001', 'TH0002') }] }),
      ['TH0002', 'new'],
    ],
    ['by a serial number that one known recorder has', contained({ serialNumber: 'TH0001' }), ['TH0001', 'known']],
    [
      'by a serial number that none has',
      contained({ serialNumber: 'TH9' }),
      [undefined, undefined, 'recorder-not-told'],
    ],
    [
      'without anything that tells it',
      contained({ deviceName: [{ name: 'recorder', type: 'other' }] }),
      [undefined, undefined],
    ],
    [
      'whose label and serial number disagree',
      contained({ udiCarrier: [{ carrierHRF: hrf }], serialNumber: 'TH7' }),
      [undefined, undefined, 'scan-disagrees'],
    ],
    ['by a number of their own', { usedReference: [logical('HT-4711')] }, [undefined, undefined, 'recorder-not-told']],
    ['by a barcode', { usedReference: [logical(hrf)] }, ['TH0001', 'known']],
    ['by our id', { usedReference: [{ reference: `Device/${ids.device}` }] }, ['TH0001', 'known']],
    [
      'by our identifier',
      { usedReference: [{ identifier: { system: 'https://daybind.example/devices', value: ids.device } }] },
      ['TH0001', 'known'],
    ],
    [
      'twice, the same',
      { ...contained({ udiCarrier: [{ carrierHRF: hrf }] }), usedReference: [logical(hrf)] },
      ['TH0001', 'known'],
    ],
    [
      'and another one: nobody could tell which',
      {
        ...contained({ udiCarrier: [{ carrierHRF: hrf }] }),
        usedReference: [logical(hrf.replace('TH0001', 'TH0002'))],
      },
      [undefined, undefined],
    ],
    [
      'that was taken out, as http://hl7.org/fhir/R4/valueset-device-action.html codes it',
      {
        focalDevice: [
          { action: { coding: [{ code: 'explanted' }] }, manipulated: logical(hrf) },
          { action: { coding: [{ code: 'implanted' }] }, manipulated: logical(hrf.replace('TH0001', 'TH0002')) },
        ],
      },
      ['TH0002', 'new'],
    ],
  ])('%s', (_, over, expected) => {
    expect(named(over)).toEqual(expected)
  })
})

describe('what a source says of a recorder', () => {
  const said = (over: Partial<Said> = {}) => told({ deviceId: ids.device, ...over })
  const { visitDay: _day, ...worn } = order({ id: uuid(73), patientId: uuid(74) })
  const orders = [order(), worn]
  const others = (over: Partial<LinkState> = {}) =>
    link({
      id: uuid(75),
      orderId: uuid(73),
      patientId: uuid(74),
      appliedAt: at(`${today}T08:00:00Z`),
      tiedAt: at(`${today}T08:05:00Z`),
      recordedAt: at(`${today}T08:05:00Z`),
      ...over,
    })
  const later = at('2026-11-27T00:00:00Z')
  test.each<[string, Partial<Facts>, readonly string[]]>([
    ['that nobody linked', { told: [said()] }, ['no-link final since 18:00']],
    ['that is linked for the order', { told: [said()], links: [link()] }, []],
    [
      'while another one is linked',
      { told: [said()], links: [link({ deviceId: uuid(76) })] },
      ['no-link final since 18:00'],
    ],
    [
      'that is on another patient',
      { told: [said()], links: [others()] },
      ['no-link final since 18:00', 'device-on-two-patients final since 09:30'],
    ],
    [
      'that was on another patient before',
      { told: [said()], links: [others({ endedAt: at(`${today}T08:30:00Z`), status: 'completed' })] },
      ['no-link final since 18:00'],
    ],
    [
      'that another patient then gave back',
      { told: [said()], links: [others({ endedAt: at(`${today}T11:00:00Z`), status: 'completed' })] },
      ['no-link final since 18:00', 'device-on-two-patients final since 09:30, confirmed 11:00'],
    ],
    [
      'that is linked to another patient only afterwards',
      { told: [said()], links: [others({ recordedAt: at(`${today}T12:00:00Z`) })] },
      ['no-link final since 18:00', 'device-on-two-patients final since 12:00'],
    ],
    [
      'that is on another order of the same patient',
      { told: [said()], links: [others({ patientId: ids.patient })] },
      ['no-link final since 18:00'],
    ],
    [
      'that is linked to both, the order’s own link last',
      { told: [said()], links: [others(), link({ tiedAt: at(`${today}T12:00:00Z`) })] },
      ['device-on-two-patients final since 09:30, linked 12:00'],
    ],
    [
      'on one patient, of which a link was refused as well: one gap',
      {
        told: [said()],
        links: [others()],
        conflicts: [
          conflict({
            recordedAt: at(`${today}T09:10:00Z`),
            deviceId: ids.device,
            orderId: ids.order,
            patientId: ids.patient,
          }),
        ],
      },
      ['no-link final since 18:00', 'device-on-two-patients final since 09:10'],
    ],
  ])('%s', (_, over, expected) => {
    expect(found({ orders, ...over }, later)).toEqual(expected)
  })

  test('counts once, beside an application of the same recorder', () => {
    const e = eveningOf(
      tern,
      today,
      facts({ orders, told: [said()], applications: [application()] }),
      watch(later),
      'x',
    )
    expect(e.linked).toEqual({ initial: 1, denominator: 1, numerator: 0 })
  })
})
