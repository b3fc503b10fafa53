import fc from 'fast-check'
import type { AuditEvent, Provenance } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { deviceMeant, deviceParameters, readDeviceClaim } from '../../src/flow/apply-device/device-claim.ts'
import { causeOf, spoken } from '../../src/flow/apply-device/device-clock.ts'
import { endLink, endLinkParameters, linkEndReasons } from '../../src/flow/apply-device/end-link.ts'
import { linkDevice, linkDeviceParameters } from '../../src/flow/apply-device/link-device.ts'
import type { Situation } from '../../src/flow/apply-device/make-link.ts'
import { contains, overlap } from '../../src/flow/apply-device/periods.ts'
import {
  type ApplicationSituation,
  answersFor,
  recordApplication,
  recordApplicationParameters,
} from '../../src/flow/apply-device/record-application.ts'
import { recordNotApplied, recordNotAppliedParameters } from '../../src/flow/apply-device/record-not-applied.ts'
import type { Context, Decision } from '../../src/flow/step.ts'
import { type Checked, sentence, statusOf } from '../../src/model/problems.ts'
import type { LinkState, OrderState, ReturnState, State } from '../../src/model/states.ts'
import { codes, systems } from '../../src/model/systems.ts'
import {
  accepted,
  application,
  at,
  back,
  call,
  context,
  device,
  ids,
  label,
  link,
  order,
  parties,
  patient,
  patientNumbers,
  pebble,
  problemsOf,
  quarry,
  refusedBy,
  task,
  tern,
  today,
  tolerances,
  twoIdentifiers,
  uuid,
} from '../support/fixtures.ts'

const now = context()
const kind = <K extends State['kind']>(decided: Checked<Decision<unknown>>, k: K) =>
  accepted(decided)
    .changes.map((c) => c.state)
    .filter((s): s is Extract<State, { kind: K }> => s.kind === k)

const only = <T>(list: readonly T[]): T => {
  const [one, ...others] = list
  if (one === undefined || others.length > 0) throw new Error(`${list.length} instead of one`)
  return one
}

const situation = (over: Partial<Situation> = {}): Situation => ({
  order: order(),
  patient,
  device: device(),
  links: [],
  returns: [],
  ...over,
})

type Values = Partial<Record<keyof typeof linkDeviceParameters, unknown>>

const usual = { scan: label, appliedAt: `${today}T09:00:00+00:00`, ...twoIdentifiers }

/** $link-device with the usual parameters, but for these; `undefined` leaves one out. */
const tie = (values: Values = {}, s: Partial<Situation> = {}, ctx: Context = now) => {
  const given = Object.fromEntries(Object.entries({ ...usual, ...values }).filter(([, v]) => v !== undefined))
  const p = call(linkDeviceParameters, given)
  return linkDevice(p, accepted(readDeviceClaim(p, ctx)), situation(s), ctx)
}

const warned = (decided: Checked<Decision<unknown>>) => accepted(decided).warnings.map((w) => w.code)

describe('a device', () => {
  const claim = (values: Partial<Record<keyof typeof deviceParameters, unknown>>) =>
    readDeviceClaim(call(deviceParameters, values), now)

  test.each([
    ['as scanned', { scan: label }],
    ['as its bytes', { scanData: Buffer.from(label).toString('base64') }],
    ['as two barcodes', { scan: ['(01)09520123456788', '(21)TH0001'] }],
    ['as typed by hand', { deviceIdentifier: '09520123456788', serialNumber: 'TH0001' }],
    ['as scanned and typed, where both say the same', { scan: label, serialNumber: 'TH0001' }],
    ['as scanned, with the serial typed', { scan: '(01)09520123456788', serialNumber: 'TH0001' }],
  ])('may be given %s', (_, values) => {
    expect(accepted(claim(values))).toMatchObject({ deviceIdentifier: '09520123456788', serialNumber: 'TH0001' })
  })

  test.each<[string, Parameters<typeof claim>[0], string[]]>([
    ['nothing is given', {}, ['no-scan']],
    ['the scan has no serial number', { scan: '(01)09520123456788' }, ['no-serial']],
    ['only its kind is typed', { deviceIdentifier: '09520123456788' }, ['no-serial']],
    ['the check digit is wrong', { scan: '(01)09520123456789(21)TH0001' }, ['check-digit']],
    ['the typed serial is another', { scan: label, serialNumber: 'TH0002' }, ['scan-disagrees']],
    [
      'the typed kind is another as well',
      { scan: label, serialNumber: 'TH0002', deviceIdentifier: '09520123456795' },
      ['scan-disagrees', 'scan-disagrees'],
    ],
    [
      'more than two barcodes are given',
      { scan: ['(01)09520123456788', '(21)TH0001'], scanData: Buffer.from(label).toString('base64') },
      ['wrong-cardinality'],
    ],
  ])('is refused where %s', (_, values, problems) => {
    expect(refusedBy(claim(values))).toEqual(problems)
  })

  const twin = device({ id: uuid(30), deviceIdentifier: '09520123456795' })
  const typed = accepted(claim({ serialNumber: 'TH0001' }))
  const scanned = accepted(claim({ scan: label }))

  test('by its serial number alone is the only known one that has it', () => {
    expect(accepted(deviceMeant(typed, [twin], now)).id).toBe(uuid(30))
  })

  test.each([
    ['nobody', []],
    ['two', [device(), twin]],
  ])('by a serial number alone that %s has is refused', (_, known) => {
    expect(refusedBy(deviceMeant(typed, known, now))).toEqual(['serial-ambiguous'])
  })

  test('that is new gets an id and what its label says', () => {
    expect(accepted(deviceMeant(scanned, [], context()))).toMatchObject({
      id: uuid(1001),
      entryType: 'barcode',
      expirationDate: '2027-01-31',
    })
  })

  test('that is known keeps its id and learns what this scan says', () => {
    const known = device({ entryType: 'manual', lotNumber: 'L7' })
    expect(accepted(deviceMeant(scanned, [twin, known], now))).toMatchObject({
      id: ids.device,
      entryType: 'barcode',
      lotNumber: 'L7',
      expirationDate: '2027-01-31',
    })
  })
})

describe('$link-device', () => {
  test.each([
    ['an id of another server', 'Practitioner/123', ['wrong-reference']],
    ['an id of ours', `Practitioner/${uuid(61)}`, []],
  ])('takes as performer %s: %s', (_, reference, problems) => {
    const decided = tie({ performer: { reference } })
    expect(decided.ok ? [] : decided.problems.map((p) => p.code)).toEqual(problems)
  })

  test('ties the device, asks the reading service, and records who did it', () => {
    const decided = tie({ performer: { identifier: { value: 'N-17' } }, bodySite: { text: 'chest' } })
    const made = only(kind(decided, 'link'))
    expect(made).toMatchObject({
      orderId: ids.order,
      deviceId: ids.device,
      patientId: ids.patient,
      site: 'tern-harbour',
      status: 'active',
      appliedAt: at(`${today}T09:00:00Z`),
      appliedAtWritten: `${today}T09:00:00+00:00`,
      day: today,
      tiedAt: now.now,
      recordedAt: now.now,
      expirationDate: '2027-01-31',
      performer: { identifier: { value: 'N-17' } },
      bodySite: { text: 'chest' },
      recordedBy: 'bay-3',
    })
    expect(only(kind(decided, 'device')).patientId).toBe(ids.patient)
    const asked = only(kind(decided, 'task'))
    expect(asked).toMatchObject({ linkId: made.id, readingService: 'pebble', asks: 'fulfill', status: 'requested' })
    const decision = accepted(decided)
    expect(decision.forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
    expect(decision.answer).toEqual({
      linkId: made.id,
      deviceId: ids.device,
      procedureId: made.procedureId,
      taskIds: [asked.id],
    })
    expect(decision.warnings).toEqual([])
    const [provenance, audit] = decision.records as [Provenance, AuditEvent]
    expect(provenance.target.map((t) => t.reference)).toContain(`DeviceUseStatement/${made.id}`)
    expect(provenance.agent[1]?.who).toEqual({ identifier: { value: 'N-17' } })
    expect(audit.agent[0]?.who?.identifier?.value).toBe('bay-3')
  })

  test.each([
    ['every order', undefined, 1],
    ['its code', [{ code: codes.ecgMonitoring }], 1],
    ['another code', [{ code: codes.continuousEcg }], 0],
  ])('asks a reading service that takes %s', (_, takes, count) => {
    const services = [{ ...pebble, ...(takes && { takes }) }]
    const decided = tie({}, {}, context(undefined, { parties: { ...parties, readingServices: services } }))
    expect(kind(decided, 'task')).toHaveLength(count)
    expect(accepted(decided).forward).toHaveLength(count)
  })

  test.each<[string, Values, string[]]>([
    ['one identifier', { birthDate: undefined }, ['too-few-identifiers']],
    ['none', { birthDate: undefined, patientIdentifier: undefined }, ['too-few-identifiers']],
    ['a birth date that disagrees', { birthDate: '1950-03-18' }, ['identifier-disagrees']],
    ['two that agree and one that disagrees', { family: 'Sandling', given: 'Berta' }, ['identifier-disagrees']],
    [
      'an identifier without a system',
      { patientIdentifier: { value: 'TH-0042' } },
      ['identifier-without-system', 'too-few-identifiers'],
    ],
  ])('is refused with %s', (_, values, problems) => {
    const refused = tie(values)
    expect(refusedBy(refused)).toEqual(problems)
    expect(statusOf(problemsOf(refused))).toBe(422)
  })

  test.each<[string, Values]>([
    ['a number and the birth date', {}],
    ['a number and the name', { birthDate: undefined, family: 'sandling', given: 'anna' }],
    ['the birth date and the name', { patientIdentifier: undefined, family: 'Sandling', given: 'Anna' }],
    ['two that agree and one that the record lacks', { phone: '01 555 0100' }],
  ])('takes %s', (_, values) => {
    expect(refusedBy(tie(values))).toEqual([])
  })

  test.each<[string, Partial<OrderState>]>([
    ['is on hold', { status: 'on-hold' }],
    ['is revoked', { status: 'revoked' }],
    ['is completed', { status: 'completed' }],
    ['is a draft', { status: 'draft' }],
    ['is a proposal', { intent: 'proposal' }],
    ['is a plan', { intent: 'plan' }],
    ['is a directive', { intent: 'directive' }],
    ['is an option', { intent: 'option' }],
  ])('is refused where the order %s', (_, over) => {
    expect(refusedBy(tie({}, { order: order(over) }))).toEqual(['order-not-linkable'])
  })

  // "order or finer": the children of `order` in http://hl7.org/fhir/R4/valueset-request-intent.html
  test.each(['order', 'original-order', 'reflex-order', 'filler-order', 'instance-order'])(
    'takes an order of intent %s',
    (intent) => {
      expect(refusedBy(tie({}, { order: order({ intent }) }))).toEqual([])
    },
  )

  test.each<[string, Values, string[]]>([
    ['switched on in the future', { appliedAt: `${today}T09:32:01Z` }, ['in-the-future']],
    ['switched on before the birth', { appliedAt: '1950-03-16T09:00:00Z' }, ['before-birth']],
    ['ended in the future', { endedAt: `${today}T12:00:00Z` }, ['in-the-future']],
    ['ended before it began', { endedAt: `${today}T08:59:59Z` }, ['ends-before-start']],
    ['ended when it began', { endedAt: `${today}T09:00:00Z` }, ['ends-before-start']],
    ['at no offset', { appliedAt: `${today}T09:00:00` }, ['missing-offset']],
    ['on a day', { appliedAt: today }, ['moment-needs-seconds']],
    ['to the minute', { appliedAt: `${today}T09:00Z` }, ['wrong-value']],
    ['by a clock that cannot be read', { deviceClock: 'noon' }, ['wrong-value']],
    ['at a site that is not configured', { site: { system: systems.sites, value: 'north-pier' } }, ['unknown-site']],
  ])('is refused for a wear %s', (_, values, problems) => {
    expect(refusedBy(tie(values))).toEqual(problems)
  })

  test('allows for a clock at the bedside that is a little fast', () => {
    expect(tolerances.skew).toBe(120)
    expect(refusedBy(tie({ appliedAt: `${today}T09:32:00Z` }))).toEqual([])
  })

  test('is refused at a site at which the caller does not work', () => {
    const elsewhere = context(undefined, { caller: { id: 'q', role: 'clinic', sites: ['quarry-lane'] } })
    expect(refusedBy(tie({}, {}, elsewhere))).toEqual(['unknown-site'])
    const there = { site: { system: systems.sites, value: 'quarry-lane' } }
    // 09:00 in Dublin is 04:00 of the same day in New York
    expect(only(kind(tie(there, {}, elsewhere), 'link'))).toMatchObject({ site: 'quarry-lane', day: today })
  })

  test('tells every reason at once', () => {
    const refused = tie(
      {
        appliedAt: '1950-03-16T09:00:00Z',
        endedAt: '2027-01-01T00:00:00Z',
        birthDate: '1951-03-17',
        deviceClock: 'noon',
      },
      {
        order: order({ status: 'on-hold' }),
        links: [link({ orderId: uuid(20), appliedAt: at('1950-01-01T00:00:00Z') })],
      },
    )
    expect(refusedBy(refused)).toEqual([
      'before-birth',
      'device-linked',
      'identifier-disagrees',
      'in-the-future',
      'order-not-linkable',
      'wrong-value',
    ])
    // the first class that applies sets the status: not valid FHIR comes before our rules
    expect(statusOf(problemsOf(refused))).toBe(400)
  })

  test('tells of identity and order even where the moment cannot be read', () => {
    const refused = tie(
      { appliedAt: today, endedAt: '2027-01-01T00:00:00Z', birthDate: '1951-03-17' },
      { order: order({ status: 'revoked' }) },
    )
    expect(refusedBy(refused)).toEqual([
      'identifier-disagrees',
      'in-the-future',
      'moment-needs-seconds',
      'order-not-linkable',
    ])
  })
})

describe('a repeated $link-device', () => {
  const before = { links: [link()], tasks: [task()] }
  const first = { linkId: ids.link, deviceId: ids.device, procedureId: uuid(7), taskIds: [ids.task] }

  test('gets the first answer, and nothing is made', () => {
    expect(accepted(tie({}, before))).toEqual({ changes: [], answer: first, warnings: [] })
  })

  test('gets it whatever offset the moment is written with, and whatever became of the order', () => {
    const revoked = { ...before, order: order({ status: 'revoked' }) }
    expect(accepted(tie({ appliedAt: `${today}T10:00:00+01:00` }, revoked)).answer).toEqual(first)
  })

  test('is warned again', () => {
    expect(warned(tie({}, { ...before, order: order({ visitDay: '2026-11-24' }) }))).toEqual(['another-day'])
  })

  test('does not tell somebody who states another patient', () => {
    expect(refusedBy(tie({ birthDate: '1951-03-17' }, before))).toEqual(['identifier-disagrees', 'order-linked'])
  })

  test('is a new link where the first was entered in error', () => {
    const decided = tie({}, { links: [link({ status: 'entered-in-error' })] })
    expect(kind(decided, 'link')).toHaveLength(1)
  })

  test('with another moment is a conflict', () => {
    const refused = tie({ appliedAt: `${today}T09:00:01Z` }, before)
    expect(refusedBy(refused)).toEqual(['order-linked'])
    expect(statusOf(problemsOf(refused))).toBe(409)
  })
})

describe('links are exclusive in time', () => {
  const until = (endedAt: string): Partial<LinkState> => ({ status: 'completed', endedAt: at(endedAt) })
  const other = (over: Partial<LinkState>) =>
    link({ id: uuid(21), orderId: uuid(20), patientId: uuid(22), appliedAt: at('2026-11-20T09:00:00Z'), ...over })
  const mine = (over: Partial<LinkState>) =>
    link({ id: uuid(23), deviceId: uuid(24), appliedAt: at('2026-11-20T09:00:00Z'), ...over })
  const later: Partial<LinkState> = { appliedAt: at(`${today}T09:10:00Z`) }

  test.each<[string, LinkState, Values, string[]]>([
    ['a device that is on somebody else', other({}), {}, ['device-linked']],
    ['a device that came off somebody else a second later', other(until(`${today}T09:00:01Z`)), {}, ['device-linked']],
    ['a device that came off somebody else at that moment', other(until(`${today}T09:00:00Z`)), {}, []],
    ['a device whose other link was an error', other({ status: 'entered-in-error' }), {}, []],
    ['a device that somebody else got later', other(later), {}, ['device-linked']],
    ['a device that somebody else got when this wear was over', other(later), { endedAt: `${today}T09:10:00Z` }, []],
    [
      'a device that somebody else got before this wear was over',
      other(later),
      { endedAt: `${today}T09:10:01Z` },
      ['device-linked'],
    ],
    ['an order that has another device', mine({}), {}, ['order-linked']],
    ['an order whose other device came off at that moment', mine(until(`${today}T09:00:00Z`)), {}, []],
  ])('%s', (_, there, values, problems) => {
    const refused = tie(values, { links: [there] })
    expect(refusedBy(refused)).toEqual(problems)
    if (problems.length > 0) expect(statusOf(problemsOf(refused))).toBe(409)
  })

  test('and a refusal names the next step and nothing of the other patient', () => {
    const [problem] = problemsOf(tie({}, { links: [other({})] }))
    const text = problem ? sentence(problem) : ''
    expect(text).toContain('Record the return of this recorder or end its other link first')
    for (const hidden of [uuid(20), uuid(21), uuid(22), '2026-11-20']) expect(text).not.toContain(hidden)
  })

  test('two half-open periods overlap when and only when a moment lies in both', () => {
    const moment = (n: number) => `2026-11-25T00:00:0${n}.000000Z`
    const wear = fc
      .tuple(fc.integer({ min: 0, max: 7 }), fc.option(fc.integer({ min: 1, max: 2 }), { nil: undefined }))
      .map(([from, length]) => ({
        appliedAt: moment(from),
        ...(length !== undefined && { endedAt: moment(from + length) }),
      }))
    fc.assert(
      fc.property(wear, wear, (a, b) => {
        const inBoth = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9].map(moment).some((m) => contains(a, m) && contains(b, m))
        expect(overlap(a, b)).toBe(inBoth)
        expect(overlap(b, a)).toBe(inBoth)
      }),
    )
  })
})

describe('a link is warned of', () => {
  const other = { display: 'another chart' }
  const [replaced, replaces] = [[{ type: 'replaced-by', other } as const], [{ type: 'replaces', other } as const]]
  test.each<[string, Values, Partial<Situation>, string[]]>([
    ['an expired device', { scan: '(01)09520123456788(17)261124(21)TH0001' }, {}, ['expired-device']],
    ['not one that expires today', { scan: '(01)09520123456788(17)261125(21)TH0001' }, {}, []],
    ['another day than the visit', {}, { order: order({ visitDay: '2026-11-26' }) }, ['another-day']],
    ['an inactive patient', {}, { patient: { ...patient, active: false } }, ['inactive-patient']],
    ['a patient replaced in the chart', {}, { patient: { ...patient, link: replaced } }, ['inactive-patient']],
    ['not a patient who replaces another', {}, { patient: { ...patient, active: true, link: replaces } }, []],
    ['a recorder clock that is off', { deviceClock: `${today}T09:01:01Z` }, {}, ['clock-doubt']],
    ['not one that is off by the tolerance', { deviceClock: `${today}T09:01:00Z` }, {}, []],
    [
      'all of it at once',
      { scan: '(01)09520123456788(17)261124(21)TH0001', deviceClock: `${today}T10:00:00Z` },
      { order: order({ visitDay: '2026-11-26' }) },
      ['another-day', 'expired-device', 'clock-doubt'],
    ],
  ])('%s', (_, values, s, codes) => {
    expect(warned(tie(values, s))).toEqual(codes)
  })

  test('not where the order names no day, and the day is that of the site, not that of the offset in which it is written', () => {
    const { visitDay: _none, ...undated } = order()
    const there = { site: { system: systems.sites, value: 'quarry-lane' } }
    // 02:00 in Dublin is 21:00 of the day before in New York
    const decided = tie({ ...there, appliedAt: `${today}T02:00:00Z` }, { order: undated })
    expect(only(kind(decided, 'link')).day).toBe('2026-11-24')
    expect(warned(decided)).toEqual([])
  })

  // half a day: morning and afternoon exchanged (common practice, as in the source of causeOf)
  test.each([
    ['12 hours fast', `${today}T21:00:00Z`, 12 * 3600, '12 h 0 min fast'],
    ['12 hours slow', '2026-11-24T21:00:00Z', -12 * 3600, '12 h 0 min slow'],
    ['12 hours fast within the tolerance', `${today}T21:01:00Z`, 12 * 3600 + 60, '12 h 1 min fast'],
  ])('a recorder clock that is %s, with 12 hours named', (_, deviceClock, offset, words) => {
    const decided = tie({ deviceClock })
    expect(only(kind(decided, 'link')).clockOffset).toBe(offset)
    const [warning] = accepted(decided).warnings
    expect(warning?.note).toContain(words)
    expect(warning?.note).toContain('morning and afternoon were exchanged (12 hours)')
  })

  test.each([
    [61, 'none-of-these', '1 min 1 s fast'],
    [-3600, 'none-of-these', '1 h 0 min slow'],
    [12 * 3600 + 61, 'none-of-these', '12 h 1 min fast'],
    [-12 * 3600, 'am-pm', '12 h 0 min slow'],
    [24 * 3600, 'none-of-these', '24 h 0 min fast'],
    [-9, 'none-of-these', '9 s slow'],
  ])('an offset of %i s has the likeliest cause %s and is spoken as %s', (offset, cause, words) => {
    expect([causeOf(offset, tolerances.recorderClock), spoken(offset)]).toEqual([cause, words])
  })
})

describe('a device that came back before anybody linked it', () => {
  const later = context('2026-12-10T09:00:00Z')
  const loose = (over = {}) => ({ returns: [back(over)] })

  test('gets a completed link, its return and its stubs', () => {
    const decided = tie({}, loose(), later)
    const made = only(kind(decided, 'link'))
    expect(made).toMatchObject({
      status: 'completed',
      endedAt: at('2026-12-09T10:00:00Z'),
      endAssumed: true,
      returned: true,
      tiedAt: later.now,
    })
    expect(only(kind(decided, 'return'))).toMatchObject({ id: uuid(9), linkId: made.id, orderId: ids.order })
    expect(only(kind(decided, 'stub'))).toMatchObject({
      linkId: made.id,
      status: 'registered',
      from: made.appliedAt,
      until: made.endedAt,
    })
    expect(only(kind(decided, 'device')).patientId).toBeUndefined()
    expect(kind(decided, 'task')).toHaveLength(1)
  })

  test.each<[string, object, Values, string, boolean | undefined]>([
    [
      'what was stated now',
      { wornUntil: at('2026-12-05T08:00:00Z') },
      { endedAt: '2026-12-04T08:00:00Z' },
      '2026-12-04T08:00:00Z',
      undefined,
    ],
    ['what was stated at the return', { wornUntil: at('2026-12-05T08:00:00Z') }, {}, '2026-12-05T08:00:00Z', undefined],
    ['the return, and marked as assumed', {}, {}, '2026-12-09T10:00:00Z', true],
  ])('ends by %s', (_, over, values, endedAt, assumed) => {
    const made = only(kind(tie(values, loose(over), later), 'link'))
    expect([made.endedAt, made.endAssumed]).toEqual([at(endedAt), assumed])
  })

  test('may be on somebody else since: the wear is over', () => {
    const next = link({ id: uuid(21), orderId: uuid(20), appliedAt: at('2026-12-09T12:00:00Z') })
    const decided = tie({}, { ...loose(), links: [next] }, later)
    expect(only(kind(decided, 'link')).endedAt).toBe(at('2026-12-09T10:00:00Z'))
    expect(only(kind(decided, 'device')).patientId).toBe(next.patientId)
  })

  test('is not taken for back where the return is that of a later wear of somebody else', () => {
    const between = link({
      id: uuid(21),
      orderId: uuid(20),
      status: 'completed',
      appliedAt: at('2026-11-30T09:00:00Z'),
      endedAt: at('2026-12-03T09:00:00Z'),
    })
    const decided = tie({ endedAt: '2026-11-29T09:00:00Z' }, { ...loose(), links: [between] }, later)
    expect(only(kind(decided, 'link')).returned).toBeUndefined()
    expect(kind(decided, 'stub')).toEqual([])
  })

  test('is not ended by a return before it was switched on', () => {
    const decided = tie({}, loose({ receivedAt: at(`${today}T08:00:00Z`) }), later)
    expect(only(kind(decided, 'link')).status).toBe('active')
  })

  test('is refused where the return says that it was off by then', () => {
    const worn = loose({ wornUntil: at('2026-11-24T08:00:00Z') })
    expect(refusedBy(tie({}, worn, later))).toEqual(['ends-before-start'])
  })

  const came = { receivedAtWritten: '2026-12-09T11:00:00+01:00' }
  const worn = { ...came, wornUntil: at('2026-12-08T10:00:00Z'), wornUntilWritten: '2026-12-08T11:00:00+01:00' }
  test.each<[string, Partial<ReturnState>, Values, string]>([
    ['when it came back', came, {}, '2026-12-09T11:00:00+01:00'],
    ['when it came off', worn, {}, '2026-12-08T11:00:00+01:00'],
    ['with the link itself', worn, { endedAt: '2026-12-07T05:00:00-05:00' }, '2026-12-07T05:00:00-05:00'],
  ])('has the end as it was stated %s', (_, over, values, end) => {
    const decided = tie(values, loose(over), later)
    expect(only(kind(decided, 'link')).endedAtWritten).toBe(end)
    expect(only(kind(decided, 'stub'))).toMatchObject({ fromWritten: usual.appliedAt, untilWritten: end })
  })

  test('is ended by the first of its returns', () => {
    const returns = [back({ id: uuid(31), receivedAt: at('2026-12-09T15:00:00Z') }), back()]
    expect(only(kind(tie({}, { returns }, later), 'return')).id).toBe(uuid(9))
  })
})

describe('$end-link', () => {
  const end = (values: object, over: Partial<LinkState> = {}, ctx = context('2026-12-09T12:00:00Z')) =>
    endLink(
      call(endLinkParameters, { endedAt: '2026-12-09T10:00:00Z', reason: 'removed', ...values }),
      {
        link: link(over),
        device: device({ patientId: ids.patient }),
        links: [link(over)],
        tasks: [task(), task({ id: uuid(41), readingService: 'pebble' })],
      },
      ctx,
    )

  // removed → completed; failed, replaced, lost → stopped: the contract, section 7
  test.each([
    ['removed', 'completed'],
    ['failed', 'stopped'],
    ['lost', 'stopped'],
    ['replaced', 'stopped'],
  ] as const)('%s makes the link %s and lets the device go', (reason, status) => {
    const decided = end({ reason, note: 'skin irritation', endedAt: '2026-12-09T11:00:00+01:00' })
    expect(only(kind(decided, 'link'))).toMatchObject({
      status,
      endReason: reason,
      endedAt: at('2026-12-09T10:00:00Z'),
      endedAtWritten: '2026-12-09T11:00:00+01:00',
      endNote: 'skin irritation',
    })
    expect(only(kind(decided, 'device')).patientId).toBeUndefined()
    expect(accepted(decided).forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
    expect(linkEndReasons).toContain(reason)
  })

  test('before its start is refused without telling the start: who asks may not be allowed to know it', () => {
    const refused = problemsOf(end({ endedAt: `${today}T08:00:00Z` }))
    expect(refused.map((p) => p.code)).toEqual(['ends-before-start'])
    expect(refused.map(sentence).join()).not.toContain('09:00')
  })

  test.each<[string, object, Partial<LinkState>, string[], number]>([
    ['a link that has ended', {}, { status: 'completed', endedAt: at('2026-12-01T10:00:00Z') }, ['link-ended'], 409],
    ['a link that was an error', {}, { status: 'entered-in-error' }, ['link-ended'], 409],
    ['an end before the start', { endedAt: `${today}T08:00:00Z` }, {}, ['ends-before-start'], 422],
    ['an end at the start', { endedAt: `${today}T09:00:00Z` }, {}, ['ends-before-start'], 422],
    ['an end in the future', { endedAt: '2026-12-09T12:02:01Z' }, {}, ['in-the-future'], 422],
    ['an end without an offset', { endedAt: '2026-12-09T10:00:00' }, {}, ['missing-offset'], 400],
  ])('is refused for %s', (_, values, over, problems, status) => {
    const refused = end(values, over)
    expect(refusedBy(refused)).toEqual(problems)
    expect(statusOf(problemsOf(refused))).toBe(status)
  })

  test('told again is answered again; told otherwise it is a conflict', () => {
    const ended = { status: 'completed', endedAt: at('2026-12-09T10:00:00Z'), endReason: 'removed' } as const
    expect(accepted(end({}, ended))).toEqual({ changes: [], answer: { linkId: ids.link }, warnings: [] })
    expect(refusedBy(end({ reason: 'lost' }, ended))).toEqual(['link-ended'])
  })

  test('allows another recorder from that very moment on', () => {
    const ended = only(kind(end({ reason: 'replaced' }), 'link'))
    const decided = tie(
      { appliedAt: '2026-12-09T10:00:00Z' },
      { links: [ended], device: device({ id: uuid(24), serialNumber: 'TH0002' }) },
      context('2026-12-09T12:00:00Z'),
    )
    expect(refusedBy(decided)).toEqual([])
  })
})

describe('$record-application', () => {
  const record = (values: object = {}, s: Partial<ApplicationSituation> = {}, ctx = now) =>
    recordApplication(
      call(recordApplicationParameters, {
        scan: label,
        appliedAt: `${today}T09:00:00Z`,
        site: tern.identifier,
        evidence: 'capture',
        ...values,
      }),
      { device: device(), links: [], applications: [], ...s },
      ctx,
    )

  test('keeps the device and when and where it was applied, and names no patient', () => {
    const decided = record()
    expect(only(kind(decided, 'application'))).toMatchObject({
      deviceId: ids.device,
      site: 'tern-harbour',
      appliedAt: at(`${today}T09:00:00Z`),
      day: today,
      evidence: 'capture',
    })
    expect(accepted(decided).answer).toEqual({ deviceId: ids.device })
    expect(JSON.stringify(decided)).not.toContain(ids.patient)
  })

  test('told again changes nothing; other evidence is kept besides', () => {
    const applications = [application()]
    expect(accepted(record({}, { applications })).changes).toEqual([])
    expect(kind(record({ evidence: 'activation' }, { applications }), 'application')).toHaveLength(1)
  })

  test.each<[string, object, string[]]>([
    ['in the future', { appliedAt: `${today}T09:40:00Z` }, ['in-the-future']],
    ['at a site that is not configured', { site: { system: systems.sites, value: 'x' } }, ['unknown-site']],
    [
      'both',
      { appliedAt: `${today}T09:40:00Z`, site: { system: systems.sites, value: 'x' } },
      ['in-the-future', 'unknown-site'],
    ],
  ])('is refused %s', (_, values, problems) => {
    expect(refusedBy(record(values))).toEqual(problems)
  })

  test.each<[string, Partial<LinkState>, boolean]>([
    ['whose wear contains the moment', { appliedAt: at('2026-11-20T09:00:00Z'), day: '2026-11-20' }, true],
    ['of the same local day', { appliedAt: at(`${today}T15:00:00Z`) }, true],
    ['that was ended later on the same local day', { status: 'completed', endedAt: at(`${today}T20:00:00Z`) }, true],
    [
      'that was over by then, though on the same local day',
      { status: 'completed', appliedAt: at(`${today}T06:00:00Z`), endedAt: at(`${today}T07:00:00Z`) },
      false,
    ],
    ['of the day after', { appliedAt: at('2026-11-26T09:00:00Z'), day: '2026-11-26' }, false],
    [
      'that ended the day before',
      {
        status: 'completed',
        appliedAt: at('2026-11-20T09:00:00Z'),
        day: '2026-11-20',
        endedAt: at('2026-11-24T09:00:00Z'),
      },
      false,
    ],
    ['of another device', { deviceId: uuid(24) }, false],
    ['that was an error', { status: 'entered-in-error' }, false],
    ['of another site, later that day', { site: quarry.id, appliedAt: at(`${today}T15:00:00Z`) }, false],
  ])('is answered by a link %s: %s', (_, over, answers) => {
    expect(answersFor(link(over), application())).toBe(answers)
    expect(accepted(record({}, { links: [link(over)] })).answer.linkId).toBe(answers ? ids.link : undefined)
  })
})

describe('$record-not-applied', () => {
  const record = (values: object, over: Partial<OrderState> = {}, links: LinkState[] = [], ctx: Context = now) =>
    recordNotApplied(call(recordNotAppliedParameters, { reason: 'no-show', ...values }), order(over), links, ctx)

  test.each<[string, object, string | undefined]>([
    ['a no-show keeps its day', {}, today],
    ['a no-show may have a new one', { newDate: '2026-12-02' }, '2026-12-02'],
    ['what is rescheduled has the new day', { reason: 'rescheduled', newDate: '2026-12-02' }, '2026-12-02'],
    ['what is rescheduled without a date has none', { reason: 'rescheduled' }, undefined],
    ['what was declined keeps its day', { reason: 'declined', note: 'skin' }, today],
  ])('%s', (_, values, visitDay) => {
    const state = only(kind(record(values), 'order'))
    expect([state.visitDay, state.orderedDay]).toEqual([visitDay, today])
    expect(state.notApplied?.recordedAt).toBe(now.now)
  })

  test('leaves who said so, why, the new day and the note with the order', () => {
    const decided = record({ reason: 'rescheduled', newDate: '2026-12-02', note: 'called from home' })
    const [provenance, audit] = accepted(decided).records as [Provenance, AuditEvent]
    expect(provenance).toMatchObject({
      resourceType: 'Provenance',
      target: [{ reference: `ServiceRequest/${ids.order}` }],
      recorded: now.now,
      reason: [{ coding: [{ system: systems.notApplied, code: 'rescheduled' }] }],
      agent: [{ who: { identifier: { value: 'bay-3' } } }],
      extension: [
        {
          extension: [
            { url: 'day', valueDate: today },
            { url: 'newDate', valueDate: '2026-12-02' },
            { url: 'note', valueString: 'called from home' },
          ],
        },
      ],
    })
    expect(audit.entity?.slice(0, 2).map((e) => e.what?.reference)).toEqual([
      `Patient/${ids.patient}`,
      `ServiceRequest/${ids.order}`,
    ])
    expect(JSON.stringify(audit)).not.toContain('called')
  })

  test('told of no day and without another word has no extension, which would be empty', () => {
    const { visitDay: _visit, orderedDay: _ordered, ...dayless } = order()
    const p = call(recordNotAppliedParameters, { reason: 'unfit' })
    const [provenance] = accepted(recordNotApplied(p, dayless, [], now)).records ?? []
    expect(provenance).not.toHaveProperty('extension')
  })

  test('told again changes nothing', () => {
    const told = only(kind(record({ newDate: '2026-12-02' }), 'order'))
    expect(accepted(record({ newDate: '2026-12-02' }, told)).changes).toEqual([])
    expect(accepted(record({ newDate: '2026-12-03' }, told)).changes).toHaveLength(1)
  })

  test.each<[string, object, LinkState[], string[]]>([
    ['a recorder is on the patient', {}, [link()], ['order-linked']],
    ['the new date is none', { newDate: '2026-02-30' }, [], ['wrong-value']],
    ['the new date is only a month', { newDate: '2026-12' }, [], ['wrong-value']],
    ['the new date is over', { newDate: '2026-11-24' }, [], ['in-the-past']],
    [
      'a recorder is on the patient and the new date is over',
      { newDate: '2026-11-24' },
      [link()],
      ['in-the-past', 'order-linked'],
    ],
  ])('is refused where %s', (_, values, links, problems) => {
    expect(refusedBy(record(values, {}, links))).toEqual(problems)
  })

  test.each<[string, string, string, string[]]>([
    ['the site’s own day, not that of UTC', '2026-12-01T02:00:00Z', '2026-11-30', []],
    ['which may be a day before', '2026-12-01T02:00:00Z', '2026-11-29', ['in-the-past']],
    ['and is over at its midnight', '2026-12-01T08:00:00Z', '2026-11-30', ['in-the-past']],
  ])('holds the new date against %s: at %s %s', (_, instant, newDate, problems) => {
    const sites = parties.sites.map((site) => ({ ...site, timeZone: 'America/Los_Angeles' }))
    const ctx = { ...context(instant), parties: { ...parties, sites } }
    const decided = record({ newDate }, {}, [], ctx)
    expect(refusedBy(decided)).toEqual(problems)
    if (!decided.ok)
      expect(decided.problems[0]?.at).toEqual([expect.stringMatching(/^Parameters\.parameter\[\d\]\.value$/)])
  })

  test('told again is answered again when its new date has come and gone', () => {
    const told = only(kind(record({ newDate: '2026-12-02' }), 'order'))
    const later = record({ newDate: '2026-12-02' }, told, [], context('2026-12-09T12:00:00Z'))
    expect(accepted(later).changes).toEqual([])
  })

  test('is taken where the recorder was fitted in error or came off', () => {
    const over = [link({ status: 'entered-in-error' }), link({ status: 'stopped', endedAt: at(`${today}T09:10:00Z`) })]
    expect(refusedBy(record({}, {}, over))).toEqual([])
  })
})

test('a second identifier of one system is no second identifier', () => {
  const patientIdentifier = [
    { system: patientNumbers, value: 'TH-0042' },
    { system: patientNumbers, value: 'TH-0042' },
  ]
  expect(refusedBy(tie({ patientIdentifier, birthDate: undefined }))).toEqual(['too-few-identifiers'])
})
