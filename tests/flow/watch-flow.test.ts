import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { dueOf, type Facts, factsFrom, isClosed } from '../../src/flow/watch-flow/day-facts.ts'
import { gapIdOfReturn } from '../../src/flow/watch-flow/gaps/return.ts'
import { gapRules, gapsOf, ruleOf } from '../../src/flow/watch-flow/gaps.ts'
import type { Site } from '../../src/model/configuration.ts'
import type { GapCode, GapState, LinkState, NotApplied, OrderState } from '../../src/model/states.ts'
import {
  application,
  at,
  back,
  device,
  facts,
  ids,
  link,
  order,
  parties,
  quarry,
  tern,
  today,
  tolerances,
  uuid,
  watch,
} from '../support/fixtures.ts'

const gaps = (over: Partial<Facts>, asOf = '2026-12-31T00:00:00Z') => gapsOf(facts(over), watch(asOf))
const codes = (over: Partial<Facts>, asOf?: string) => gaps(over, asOf).map((g) => g.code)
const only = (code: GapCode, over: Partial<Facts>, asOf?: string): GapState => {
  const [gap, ...others] = gaps(over, asOf).filter((g) => g.code === code)
  if (gap === undefined || others.length > 0) throw new Error(`${others.length + (gap ? 1 : 0)} gaps ${code}`)
  return gap
}

const never = order({ visitDay: '2027-06-01' })
const tied = (when: string, over: Partial<LinkState> = {}) => link({ tiedAt: at(when), recordedAt: at(when), ...over })

describe('the moment before which a device must be linked', () => {
  // the contract, "Which moment is too late"; New York is five hours behind UTC in November
  test.each<[string, Site, string, string]>([
    ['is the cut-off of its local day', tern, `${today}T09:00:00Z`, `${today}T18:00:00Z`],
    ['is so to the last second', tern, `${today}T17:59:59Z`, `${today}T18:00:00Z`],
    ['is the next day, switched on at the cut-off', tern, `${today}T18:00:00Z`, '2026-11-26T00:00:00Z'],
    ['is the next day, switched on after it', tern, `${today}T23:59:59Z`, '2026-11-26T00:00:00Z'],
    ['is the cut-off of the day that begins at midnight', tern, '2026-11-26T00:00:00Z', '2026-11-26T18:00:00Z'],
    ['is the cut-off in the zone of the site', quarry, `${today}T04:59:59Z`, `${today}T05:00:00Z`],
    ['is that of the site’s day', quarry, `${today}T14:00:00Z`, `${today}T23:00:00Z`],
    ['is the end of the day without a cut-off', { ...tern, cutOff: '' }, `${today}T09:00:00Z`, '2026-11-26T00:00:00Z'],
    // Dublin sets its clocks back on 25 October 2026 at 01:00 UTC: 18:00 is 18:00 UTC, the day ends 25 hours on
    ['is an hour later on a day of 25 hours', tern, '2026-10-25T09:00:00Z', '2026-10-25T18:00:00Z'],
    ['is the end of a day of 25 hours', tern, '2026-10-25T19:00:00Z', '2026-10-26T00:00:00Z'],
    // New York sets its clocks forward on 8 March 2026: midnight of the 9th is 04:00 UTC
    ['is the end of a day of 23 hours', quarry, '2026-03-08T23:30:00Z', '2026-03-09T04:00:00Z'],
  ])('%s', (_, { cutOff, ...site }, appliedAt, due) => {
    expect(dueOf(at(appliedAt), { ...site, ...(cutOff && { cutOff }) })).toBe(at(due))
  })
})

/** Applied then, recorded and tied so much later. */
const stamped = (applied: string, told: string) => ({
  appliedAt: at(applied),
  recordedAt: at(told),
  tiedAt: at(told),
})

describe('no-link', () => {
  test('does not open for a recorder that was applied twice on a day, and linked in time each time', () => {
    const morning = link({ status: 'completed', endedAt: at(`${today}T11:00:00Z`), tiedAt: at(`${today}T09:20:00Z`) })
    const evening = link({ id: uuid(36), orderId: uuid(37), ...stamped(`${today}T20:00:00Z`, `${today}T20:20:00Z`) })
    const again = application({ id: uuid(38), ...stamped(`${today}T20:00:00Z`, `${today}T20:10:00Z`) })
    const over = { applications: [application(), again], links: [morning, evening] }
    expect(codes(over, '2026-11-26T00:00:00Z')).not.toContain('no-link')
  })

  test('opens with the evidence, is preliminary until the moment and final from it on', () => {
    const over = { applications: [application()] }
    expect(only('no-link', over, `${today}T17:59:59Z`)).toMatchObject({
      status: 'preliminary',
      since: at(`${today}T09:10:00Z`),
      site: 'tern-harbour',
      day: today,
      deviceId: ids.device,
    })
    expect(only('no-link', over, `${today}T18:00:00Z`)).toMatchObject({
      status: 'final',
      since: at(`${today}T18:00:00Z`),
    })
  })

  test('names no patient as long as nobody is linked', () => {
    expect(JSON.stringify(gaps({ applications: [application()] }))).not.toContain(ids.patient)
  })

  test.each<[string, Partial<Facts>]>([
    ['a link in time', { links: [tied(`${today}T17:59:59Z`)] }],
    ['a link before the evidence was known', { links: [tied(`${today}T09:10:00Z`)] }],
    [
      'a wear of an earlier day that contains the moment',
      { links: [link({ appliedAt: at('2026-11-20T09:00:00Z'), day: '2026-11-20' })] },
    ],
    ['evidence from the shelf alone', { applications: [application({ evidence: 'stock' })] }],
    ['evidence at a site that is not there any more', { applications: [application({ site: 'north-pier' })] }],
  ])('is not opened: %s', (_, over) => {
    expect(codes({ applications: [application()], ...over })).not.toContain('no-link')
  })

  test('that evidence told after a late link does not open: the link is late, and nothing is missing', () => {
    const over = {
      applications: [application({ recordedAt: at('2026-11-27T10:00:00Z') })],
      links: [tied('2026-11-27T09:00:00Z')],
    }
    expect(codes(over)).toEqual(['late-link'])
  })

  test('is mended by a link at the moment or after it, which is late', () => {
    const over = { applications: [application()], links: [tied(`${today}T18:00:00Z`)] }
    expect(codes(over)).toEqual(['no-link', 'late-link'])
    expect(only('no-link', over)).toMatchObject({
      status: 'final',
      since: at(`${today}T18:00:00Z`),
      orderId: ids.order,
      linkId: ids.link,
      patientId: ids.patient,
      mended: { at: at(`${today}T18:00:00Z`), action: 'linked' },
    })
  })

  test.each<[string, Partial<LinkState>]>([
    ['another device', { deviceId: uuid(30) }],
    ['the next day', { appliedAt: at('2026-11-26T09:00:00Z'), day: '2026-11-26' }],
    ['an error', { status: 'entered-in-error' }],
    [
      'a wear that was over before',
      {
        appliedAt: at('2026-11-20T09:00:00Z'),
        day: '2026-11-20',
        endedAt: at('2026-11-24T09:00:00Z'),
        status: 'completed',
      },
    ],
    [
      'a wear of the same day that was over before',
      { appliedAt: at(`${today}T07:00:00Z`), endedAt: at(`${today}T08:00:00Z`), status: 'completed' },
    ],
  ])('is not mended by a link of %s', (_, over) => {
    expect(only('no-link', { applications: [application()], links: [link(over)] }).mended).toBeUndefined()
  })

  test('counts one device on one day once, from its first application', () => {
    const later = application({
      id: uuid(31),
      appliedAt: at(`${today}T19:00:00Z`),
      recordedAt: at(`${today}T09:00:00Z`),
    })
    const gap = only('no-link', { applications: [later, application()] }, `${today}T18:30:00Z`)
    expect([gap.status, gap.since]).toEqual(['final', at(`${today}T18:00:00Z`)])
    const otherDay = application({ id: uuid(32), day: '2026-11-26', appliedAt: at('2026-11-26T09:00:00Z') })
    const otherDevice = application({ id: uuid(33), deviceId: uuid(34) })
    expect(gaps({ applications: [application(), otherDay, otherDevice] })).toHaveLength(3)
  })

  test('stands for the second application of a day where a link answers for the first alone', () => {
    const morning = link({ status: 'completed', endedAt: at(`${today}T12:00:00Z`) })
    const second = application({ id: uuid(31), appliedAt: at(`${today}T14:00:00Z`) })
    const open = only('no-link', { applications: [application(), second], links: [morning] })
    expect([open.mended, open.orderId, open.patientId]).toEqual([undefined, undefined, undefined])
    const next = tied('2026-11-27T09:00:00Z', {
      id: uuid(35),
      orderId: uuid(20),
      patientId: uuid(22),
      appliedAt: at(`${today}T14:00:00Z`),
    })
    expect(only('no-link', { applications: [application(), second], links: [morning, next] })).toMatchObject({
      patientId: uuid(22),
      mended: { at: next.tiedAt, action: 'linked' },
    })
  })

  test('of one site says nothing of the patient of another, whose link mended it', () => {
    const elsewhere = tied('2026-11-27T09:00:00Z', {
      site: 'quarry-lane',
      appliedAt: at('2026-11-20T09:00:00Z'),
      day: '2026-11-20',
    })
    const gap = only('no-link', { applications: [application()], links: [elsewhere] })
    expect(gap).toMatchObject({ site: 'tern-harbour', mended: { at: elsewhere.tiedAt, action: 'linked' } })
    expect([gap.orderId, gap.linkId, gap.patientId]).toEqual([undefined, undefined, undefined])
  })

  test('that is learned of after the moment is final since then', () => {
    const late = application({ recordedAt: at('2026-11-27T08:00:00Z') })
    expect(only('no-link', { applications: [late] }).since).toBe(at('2026-11-27T08:00:00Z'))
  })
})

describe('late-link', () => {
  test.each<[string, string, boolean]>([
    ['a microsecond before the cut-off', '2026-11-25T17:59:59.999999Z', false],
    ['at the cut-off', '2026-11-25T18:00:00.000000Z', true],
    ['after it', '2026-11-25T18:00:00.000001Z', true],
  ])('a link that is committed %s', (_, tiedAt, late) => {
    expect(codes({ links: [link({ tiedAt })] })).toEqual(late ? ['late-link'] : [])
  })

  test('has the evening until the day ends where it was switched on after the cut-off', () => {
    const evening = { appliedAt: at(`${today}T19:00:00Z`) }
    expect(codes({ links: [tied(`${today}T23:59:59Z`, evening)] })).toEqual([])
    expect(codes({ links: [tied('2026-11-26T00:00:00Z', evening)] })).toEqual(['late-link'])
  })

  test('is not that of a corrected link which tied the same device to the same patient in time', () => {
    const corrected = link({ id: uuid(35), replaces: ids.link, recordedAt: at('2026-11-28T09:00:00Z') })
    expect(codes({ links: [link({ status: 'entered-in-error' }), corrected] })).toEqual([])
  })

  test('belongs to the day on which the device was switched on', () => {
    expect(only('late-link', { links: [tied('2026-11-27T09:00:00Z')] })).toMatchObject({
      day: today,
      status: 'final',
      since: at('2026-11-27T09:00:00Z'),
      linkId: ids.link,
    })
  })

  test('is none of a link that was an error', () => {
    expect(codes({ links: [tied('2026-11-27T09:00:00Z', { status: 'entered-in-error' })] })).toEqual([])
  })
})

describe('no-application', () => {
  const completed = order({ status: 'completed', completedAt: at(`${today}T10:00:00Z`) })

  test('is there where the source has completed the order and nobody linked a recorder', () => {
    expect(only('no-application', { orders: [completed] })).toMatchObject({
      since: at('2026-11-26T00:00:00Z'),
      found: 'the source completed the order, and no recorder was linked',
    })
  })

  const end = '2026-11-26T00:00:00Z'

  test('opens when the day of the visit is over, and not before', () => {
    expect(codes({ orders: [order()] }, '2026-11-25T23:59:59.999Z')).toEqual([])
    expect(only('no-application', { orders: [order()] }, end)).toMatchObject({
      status: 'final',
      since: at(end),
      day: today,
      site: 'tern-harbour',
      orderId: ids.order,
      patientId: ids.patient,
    })
  })

  test('opens by the day of the site', () => {
    const there = { orders: [order({ site: 'quarry-lane' })] }
    expect(codes(there, '2026-11-26T04:59:59Z')).toEqual([])
    expect(codes(there, '2026-11-26T05:00:00Z')).toEqual(['no-application'])
  })

  const { visitDay: _day, ...undated } = order()
  const reason = (over: object = {}): NotApplied => ({
    reason: 'no-show',
    day: today,
    recordedAt: at(`${today}T15:00:00Z`),
    ...over,
  })
  const saidOf = (...said: readonly NotApplied[]): Partial<OrderState> => {
    const notApplied = said.at(-1)
    return { saidNotApplied: said, ...(notApplied && { notApplied }) }
  }
  test.each<[string, OrderState, LinkState[]]>([
    ['an order that names no day', undated, []],
    ['a link', order(), [link()]],
    ['a link in the last second', order(), [tied('2026-11-25T23:59:59Z')]],
    ['a reason', order({ notApplied: reason() }), []],
    ['a reason in time, and another one after it', order(saidOf(reason(), reason({ recordedAt: at(`${end}`) }))), []],
    [
      'a new date, and that is still to come',
      order({ visitDay: '2027-01-15', notApplied: reason({ newDate: '2027-01-15' }) }),
      [],
    ],
    ['a revocation before the day was over', order({ status: 'revoked', revokedAt: at('2026-11-25T23:59:59Z') }), []],
    ['an order that came completed', order({ status: 'completed' }), []],
    ['an order that was completed and is linked', completed, [link()]],
    ['a draft', order({ status: 'draft' }), []],
    ['an order on hold, which could not be linked', order({ status: 'on-hold' }), []],
    ['a plan, which could not be linked', order({ intent: 'plan' }), []],
    ['an order of a site that is not there any more', order({ site: 'north-pier' }), []],
  ])('is not opened: %s', (_, o, links) => {
    expect(codes({ orders: [o], links })).not.toContain('no-application')
  })

  test.each<[string, readonly string[], boolean]>([
    ['on that weekday', ['wed'], true],
    ['on that date', [today], true],
    ['on other days', ['sat', 'sun', '2026-12-25'], false],
  ])('is not opened where the site is closed: %s', (_, closed, quiet) => {
    const site = { ...tern, closed }
    expect(isClosed(today, site)).toBe(quiet)
    const found = gapsOf(
      facts({ orders: [order()] }),
      watch('2026-12-01T00:00:00Z', { parties: { ...parties, sites: [site] } }),
    )
    expect(found).toHaveLength(quiet ? 0 : 1)
  })

  test.each<[string, OrderState, LinkState[], GapState['mended']]>([
    ['a link', order(), [tied('2026-11-26T08:00:00Z')], { at: at('2026-11-26T08:00:00Z'), action: 'linked' }],
    [
      'a reason',
      order({ notApplied: reason({ recordedAt: at('2026-11-26T08:00:00Z') }) }),
      [],
      { at: at('2026-11-26T08:00:00Z'), action: 'cancelled' },
    ],
    [
      'a new date that was agreed afterwards, while the new day is still to come',
      order({
        visitDay: '2027-01-15',
        notApplied: reason({ recordedAt: at('2026-11-26T08:00:00Z'), newDate: '2027-01-15' }),
      }),
      [],
      { at: at('2026-11-26T08:00:00Z'), action: 'rescheduled' },
    ],
    [
      'a revocation',
      order({ status: 'revoked', revokedAt: at('2026-11-26T08:00:00Z') }),
      [],
      { at: at('2026-11-26T08:00:00Z'), action: 'cancelled' },
    ],
    [
      'a revocation as the day ended',
      order({ status: 'revoked', revokedAt: at(end) }),
      [],
      { at: at(end), action: 'cancelled' },
    ],
  ])('is mended by %s', (_, o, links, mended) => {
    expect(only('no-application', { orders: [o], links }).mended).toEqual(mended)
  })

  test('is not mended by a link that was an error, or one of another order', () => {
    const links = [link({ status: 'entered-in-error' }), link({ id: uuid(35), orderId: uuid(20) })]
    expect(only('no-application', { orders: [order()], links }).mended).toBeUndefined()
  })

  test('opens again for the new date when nothing happens then either', () => {
    const moved = order({ visitDay: '2026-11-30', notApplied: reason({ newDate: '2026-11-30' }) })
    expect(only('no-application', { orders: [moved] })).toMatchObject({
      day: '2026-11-30',
      since: at('2026-12-01T00:00:00Z'),
    })
  })

  const [second, third] = ['2026-11-30', '2026-12-03']
  const afterwards = reason({ recordedAt: at('2026-11-26T08:00:00Z'), newDate: second })

  test('is mended for good when what was agreed instead does not take place either', () => {
    const again = reason({ day: second, recordedAt: at('2026-12-01T08:00:00Z'), newDate: third })
    const moved = order({ visitDay: third, ...saidOf(afterwards, again) })
    expect(
      gapsOf(facts({ orders: [moved] }), watch('2026-12-02T00:00:00Z')).map((g) => [g.day, g.mended?.action]),
    ).toEqual([
      [today, 'rescheduled'],
      [second, 'rescheduled'],
    ])
  })

  test('is open again when the visit is put back to its day', () => {
    const putBack = reason({ day: second, newDate: today, recordedAt: at(`${today}T16:00:00Z`) })
    const first = { ...afterwards, recordedAt: at(`${today}T15:00:00Z`) }
    expect(only('no-application', { orders: [order(saidOf(first, putBack))] }).mended).toBeUndefined()
  })

  test('is open for a day to which the source has come back after it had named another one', () => {
    expect(only('no-application', { orders: [order({ saidNotApplied: [reason()] })] }).mended).toBeUndefined()
  })

  test('of an order that came after its day is open since it came', () => {
    const late = order({ acceptedAt: at('2026-11-27T08:00:00Z') })
    expect(only('no-application', { orders: [late] }).since).toBe(at('2026-11-27T08:00:00Z'))
  })
})

describe('return-without-patient', () => {
  test('opens when a device comes back that is linked to nobody, and names no patient', () => {
    const gap = only('return-without-patient', { returns: [back()] })
    expect(gap).toMatchObject({
      status: 'final',
      since: at('2026-12-09T10:05:00Z'),
      day: '2026-12-09',
      deviceId: ids.device,
    })
    expect([gap.patientId, gap.orderId, gap.mended]).toEqual([undefined, undefined, undefined])
    expect(gap.id).toBe(gapIdOfReturn(uuid(9)))
  })

  test('is not opened where the return found its link', () => {
    expect(codes({ returns: [back({ linkId: ids.link })], links: [link()] })).toEqual([])
  })

  test('is mended by the link that takes the return', () => {
    const over = { returns: [back({ linkId: ids.link })], links: [tied('2026-12-10T09:00:00Z')] }
    expect(only('return-without-patient', over)).toMatchObject({
      patientId: ids.patient,
      mended: { at: at('2026-12-10T09:00:00Z'), action: 'linked' },
    })
  })

  test('of one site says nothing of the patient of another, whose link took the return', () => {
    const elsewhere = tied('2026-12-10T09:00:00Z', { site: 'quarry-lane' })
    const gap = only('return-without-patient', { returns: [back({ linkId: ids.link })], links: [elsewhere] })
    expect(gap).toMatchObject({ site: 'tern-harbour', mended: { action: 'linked' } })
    expect([gap.orderId, gap.linkId, gap.patientId]).toEqual([undefined, undefined, undefined])
  })

  test('is not opened after the fact by a correction of the link that it had found', () => {
    const wrong = link({ status: 'entered-in-error', patientId: uuid(50) })
    const right = tied('2026-12-10T09:00:00Z', { id: uuid(35), replaces: ids.link })
    const over = { returns: [back({ linkId: right.id })], links: [wrong, right] }
    expect(codes(over)).not.toContain('return-without-patient')
  })

  test('stays mended when it was where the link is corrected later', () => {
    const first = tied('2026-12-10T09:00:00Z', { status: 'entered-in-error' })
    const right = tied('2026-12-12T09:00:00Z', { id: uuid(35), replaces: ids.link, patientId: uuid(50) })
    const over = { returns: [back({ linkId: right.id })], links: [first, right] }
    expect(only('return-without-patient', over).mended?.at).toBe(at('2026-12-10T09:00:00Z'))
  })

  test('belongs to the day of its site, and of UTC where nobody could tell the site', () => {
    const night = { receivedAt: at('2026-12-09T03:00:00Z') }
    const { site: _none, ...siteless } = back(night)
    expect(only('return-without-patient', { returns: [back({ ...night, site: 'quarry-lane' })] }).day).toBe(
      '2026-12-08',
    )
    expect(only('return-without-patient', { returns: [siteless] })).toMatchObject({ day: '2026-12-09' })
  })
})

describe('revoked-while-worn', () => {
  const revoked = order({ status: 'revoked', revokedAt: at(`${today}T12:00:00Z`) })

  test('opens when the order of a worn device is revoked', () => {
    expect(only('revoked-while-worn', { orders: [revoked], links: [link()] })).toMatchObject({
      since: at(`${today}T12:00:00Z`),
      day: today,
      orderId: ids.order,
      linkId: ids.link,
      patientId: ids.patient,
    })
  })

  test.each<[string, OrderState, LinkState[]]>([
    ['an active order', order(), [link()]],
    ['a wear that was over', revoked, [link({ status: 'completed', endedAt: at(`${today}T12:00:00Z`) })]],
    ['a link that was an error', revoked, [link({ status: 'entered-in-error' })]],
    ['a link of another order', revoked, [link({ orderId: uuid(20) })]],
    ['no link', revoked, []],
    ['an order that is active again', order({ status: 'active' }), [link()]],
  ])('is not opened: %s', (_, o, links) => {
    expect(codes({ orders: [o], links })).not.toContain('revoked-while-worn')
  })

  test('stays open where a correction gave the link another device', () => {
    const corrected = tied(`${today}T15:00:00Z`, { id: uuid(35), deviceId: uuid(30), replaces: ids.link })
    const over = { orders: [revoked], links: [link({ status: 'entered-in-error' }), corrected] }
    expect(only('revoked-while-worn', over).linkId).toBe(uuid(35))
  })

  test.each<[string, Partial<LinkState>, 'cancelled' | 'returned']>([
    ['the end of the link', {}, 'cancelled'],
    ['the return of the device', { returned: true }, 'returned'],
  ])('is mended by %s', (_, over, action) => {
    const ended = link({ status: 'completed', endedAt: at('2026-11-26T09:00:00Z'), ...over })
    expect(only('revoked-while-worn', { orders: [revoked], links: [ended] }).mended).toEqual({
      at: ended.endedAt,
      action,
    })
  })
})

describe('expired-device', () => {
  test.each<[string, string | undefined, boolean]>([
    ['the day before', '2026-11-24', true],
    ['that day', today, false],
    ['no day', undefined, false],
  ])('a device that expired on %s', (_, expirationDate, opens) => {
    const links = [link(expirationDate === undefined ? {} : { expirationDate })]
    expect(codes({ links })).toEqual(opens ? ['expired-device'] : [])
    if (opens) expect(only('expired-device', { links })).toMatchObject({ day: today, found: 'expired 2026-11-24' })
    expect(codes({ links: links.map((l) => ({ ...l, status: 'entered-in-error' as const })) })).toEqual([])
  })
})

describe('clock-doubt', () => {
  test.each<[number | undefined, string | undefined, string | undefined]>([
    [undefined, undefined, undefined],
    [60, undefined, undefined],
    [-61, 'none-of-these', '1 min 1 s slow'],
    [12 * 3600, 'am-pm', '12 h 0 min fast'],
    [-12 * 3600 + 30, 'am-pm', '11 h 59 min slow'],
  ])('an offset of %s s has the cause %s and reads %s', (clockOffset, cause, found) => {
    const links = [link(clockOffset === undefined ? {} : { clockOffset })]
    expect(tolerances.recorderClock).toBe(60)
    expect(gaps({ links }).map((g) => [g.code, g.cause, g.found])).toEqual(
      cause ? [['clock-doubt', cause, `the recorder's clock is ${found}`]] : [],
    )
  })

  test('is mended by a correction: the wrong link shows none any more', () => {
    const wrong = link({ clockOffset: 12 * 3600, status: 'entered-in-error' })
    expect(codes({ links: [wrong, link({ id: uuid(35), replaces: ids.link, clockOffset: 0 })] })).toEqual([])
  })
})

describe('the table of gaps', () => {
  // severities: the contract, section 8
  test.each<[GapCode, string]>([
    ['no-link', 'high'],
    ['return-without-patient', 'high'],
    ['revoked-while-worn', 'high'],
    ['no-application', 'moderate'],
    ['expired-device', 'moderate'],
    ['clock-doubt', 'moderate'],
    ['late-link', 'low'],
  ])('says that %s is %s, whose turn it is and what to do', (code, severity) => {
    const rule = ruleOf(code)
    expect(rule.severity).toBe(severity)
    for (const text of [rule.means, rule.next, rule.turn]) expect(text.length).toBeGreaterThan(5)
  })

  test('puts the gravest first', () => {
    const ranks = gapRules.map((r) => ['high', 'moderate', 'low'].indexOf(r.severity))
    expect(ranks).toEqual([...ranks].sort())
    expect(new Set(gapRules.map((r) => r.code)).size).toBe(gapRules.length)
  })
})

describe('the gaps of a day', () => {
  const moments = [
    '2026-11-25T08:00:00Z',
    '2026-11-25T12:00:00Z',
    '2026-11-25T18:00:00Z',
    '2026-11-26T09:00:00Z',
    '2026-12-09T10:00:00Z',
  ].map(at)
  const moment = fc.constantFrom(...moments)
  const maybe = <T>(arbitrary: fc.Arbitrary<T>) => fc.option(arbitrary, { nil: undefined })
  const some = <T extends object>(fields: Record<string, unknown>) =>
    Object.fromEntries(Object.entries(fields).filter(([, v]) => v !== undefined)) as Partial<T>
  const n = (from: number) => fc.integer({ min: from, max: from + 2 }).map(uuid)
  const [orderIds, deviceIds] = [n(100), n(200)]
  const day = fc.constantFrom(today, '2026-11-26')
  const site = fc.constantFrom('tern-harbour', 'quarry-lane')

  const orders = fc
    .record({ id: orderIds, visitDay: day, site, revokedAt: maybe(moment) })
    .map(({ revokedAt, ...o }) => order({ ...o, ...(revokedAt && { revokedAt, status: 'revoked' }) }))
  const links = fc
    .record({
      id: n(300),
      orderId: orderIds,
      deviceId: deviceIds,
      site,
      day,
      appliedAt: moment,
      tiedAt: moment,
      recordedAt: moment,
      endedAt: maybe(moment),
      clockOffset: maybe(fc.constantFrom(0, 300, 43_200)),
      expirationDate: maybe(fc.constantFrom('2026-11-24', '2027-01-31')),
      replaces: maybe(n(400)),
      status: fc.constantFrom('active', 'completed', 'entered-in-error'),
    })
    .map((l) => link(some<LinkState>(l)))
  const applications = fc
    .record({ id: n(500), deviceId: deviceIds, site, day, appliedAt: moment, recordedAt: moment })
    .map((a) => application(a))
  const returns = fc
    .record({ id: n(600), deviceId: deviceIds, receivedAt: moment, recordedAt: moment, linkId: maybe(n(300)) })
    .map((r) => back(some(r)))
  const unique = <T extends { id: string }>(one: fc.Arbitrary<T>) =>
    fc.uniqueArray(one, { selector: (s) => s.id, maxLength: 3 })
  const anyFacts = fc.record({
    orders: unique(orders),
    links: unique(links),
    applications: unique(applications),
    returns: unique(returns),
    tasks: fc.constant([]),
    stubs: fc.constant([]),
    held: fc.constant([]),
    conflicts: fc.constant([]),
    told: fc.constant([]),
    noted: fc.constant([]),
  })

  test('are the same for the same facts, in whatever order these are told', () => {
    const told = anyFacts.chain((f) => {
      const all = [...f.orders, ...f.links, ...f.applications, ...f.returns]
      return fc.tuple(fc.constant(all), fc.shuffledSubarray(all, { minLength: all.length }), moment)
    })
    fc.assert(
      fc.property(told, ([all, shuffled, asOf]) => {
        const around = watch(asOf)
        expect(gapsOf(factsFrom(shuffled), around)).toEqual(gapsOf(factsFrom(all), around))
      }),
      { numRuns: 80 },
    )
  })

  test('have ids of their own, that stay the same while the gap opens, stays and is mended', () => {
    fc.assert(
      fc.property(anyFacts, fc.tuple(moment, moment), (f, pair) => {
        const [then, now] = [...pair].sort().map((asOf) => gapsOf(f, watch(asOf)))
        const known = new Set(now?.map((g) => g.id))
        expect(known.size).toBe(now?.length)
        // time alone opens and makes final; it takes no gap away
        for (const gap of then ?? []) expect(known.has(gap.id)).toBe(true)
      }),
      { numRuns: 50 },
    )
  })

  test('never mend a gap before it opened', () => {
    fc.assert(
      fc.property(anyFacts, moment, (f, asOf) => {
        const honest = { ...f, links: f.links.filter((l) => l.endedAt === undefined || l.endedAt > l.appliedAt) }
        for (const { mended, since } of gapsOf(honest, watch(asOf))) if (mended) expect(mended.at >= since).toBe(true)
      }),
      { numRuns: 50 },
    )
  })

  test('do not depend on the device’s or the patient’s present state', () => {
    const states = [
      order(),
      link(),
      application(),
      device(),
      { kind: 'patient', id: ids.patient, source: 'x', content: { digest: '' } } as const,
    ]
    expect(factsFrom(states)).toEqual(facts({ orders: [order()], links: [link()], applications: [application()] }))
  })

  test('have ids that other releases give too (calculated once, never to change)', () => {
    const all = gaps({ orders: [never], applications: [application()], returns: [back()] })
    expect(all.map((g) => [g.code, g.id])).toMatchInlineSnapshot(`
      [
        [
          "no-link",
          "109fc7cb-e92c-554b-afbb-b0f5dd9679c6",
        ],
        [
          "return-without-patient",
          "b00e2dff-b634-5156-a783-0e1d32740654",
        ],
      ]
    `)
  })
})

describe('identity-doubt', () => {
  const early = { id: uuid(60), at: at(`${today}T12:00:00Z`), why: 'merged' as const }
  const later = { id: uuid(61), at: at('2026-11-27T12:00:00Z'), why: 'changed' as const, kinds: ['birth date'] }
  const doubted = (over: Partial<LinkState> = {}) => link({ doubts: [early, later], ...over })
  const confirmed = (gap: GapState, when: string): GapState => ({
    ...gap,
    mended: { at: at(when), action: 'confirmed', by: 'bay-3', note: 'Asked.' },
  })

  test('is one gap for all that was said until somebody closes it, on the day of the first', () => {
    const gap = only('identity-doubt', { links: [doubted()] })
    expect(gap).toMatchObject({
      status: 'final',
      since: early.at,
      day: today,
      linkId: ids.link,
      patientId: ids.patient,
    })
    expect(gap.found).toContain('changed: birth date')
  })

  test('is closed by a person, and what is said after that opens another, which implicates it', () => {
    const open = only('identity-doubt', { links: [doubted({ doubts: [early] })] })
    const noted = [confirmed(open, '2026-11-26T09:00:00Z')]
    const [first, second, ...others] = gaps({ links: [doubted()], noted }).filter((g) => g.code === 'identity-doubt')
    expect(first?.mended).toEqual(noted[0]?.mended)
    expect(second).toMatchObject({ since: later.at, reopens: open.id })
    expect([second?.mended, others]).toEqual([undefined, []])
    // a word after both closes both
    expect(
      gaps({ links: [doubted()], noted: [confirmed(open, '2026-11-28T09:00:00Z')] }).map((g) => g.mended?.by),
    ).toEqual(['bay-3'])
  })

  test('goes with the link that takes the place of a doubted one, and from one in error', () => {
    const next = doubted({ id: uuid(62), replaces: ids.link })
    const before = only('identity-doubt', { links: [doubted()] })
    const after = only('identity-doubt', { links: [doubted({ status: 'entered-in-error' }), next] })
    expect([after.id, after.linkId]).toEqual([before.id, uuid(62)])
    expect(codes({ links: [doubted({ status: 'entered-in-error' })] })).toEqual([])
  })
})

describe('what people say of a gap', () => {
  const [hour, day] = [at('2026-12-09T19:00:00Z'), at('2026-12-10T09:00:00Z')]
  const returned = (over: Partial<GapState> = {}): GapState => ({
    ...only('return-without-patient', { returns: [back()] }),
    ...over,
  })

  test('that it was seen is kept, and closes nothing', () => {
    const acknowledged = [{ at: hour, by: 'bay-3', note: 'On the bench.' }]
    const gap = only('return-without-patient', { returns: [back()], noted: [returned({ acknowledged })] })
    expect([gap.acknowledged, gap.mended]).toEqual([acknowledged, undefined])
  })

  test('a person’s word closes it; what the facts said before counts more', () => {
    const mended = { at: day, action: 'returned' as const, by: 'bay-3', note: 'Sent back.' }
    const noted = [returned({ mended })]
    expect(only('return-without-patient', { returns: [back()], noted }).mended).toEqual(mended)
    const tiedAt = at('2026-12-20T09:00:00Z')
    const facts = { returns: [back({ linkId: ids.link })], links: [link({ tiedAt, recordedAt: tiedAt })] }
    expect(
      only('return-without-patient', {
        ...facts,
        noted: [returned({ mended: { ...mended, at: at('2026-12-19T09:00:00Z') } })],
      }).mended?.by,
    ).toBe('bay-3')
    expect(
      only('return-without-patient', {
        ...facts,
        noted: [returned({ mended: { ...mended, at: at('2026-12-21T09:00:00Z') } })],
      }).mended,
    ).toEqual({ at: tiedAt, action: 'linked' })
  })
})
