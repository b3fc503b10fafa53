import type { ParametersParameter } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import {
  type ReturnSituation,
  recordReturn,
  recordReturnParameters,
  wearOf,
} from '../../src/flow/return-device/record-return.ts'
import type { Decision } from '../../src/flow/step.ts'
import { readParameters } from '../../src/model/parameters.ts'
import type { Checked } from '../../src/model/problems.ts'
import { linkResource } from '../../src/model/resources/link-resources.ts'
import { stubObservation, stubReport } from '../../src/model/resources/report-resources.ts'
import type { LinkState, State } from '../../src/model/states.ts'
import { systems } from '../../src/model/systems.ts'
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
  parties,
  problemsOf,
  refusedBy,
  stub,
  task,
  tern,
  today,
  uuid,
} from '../support/fixtures.ts'

const later = context('2026-12-09T12:00:00Z')

const situation = (over: Partial<ReturnSituation> = {}): ReturnSituation => ({
  device: device({ patientId: ids.patient }),
  links: [link()],
  applications: [],
  returns: [],
  stubs: [],
  tasks: [task()],
  ...over,
})

type Values = Partial<Record<keyof typeof recordReturnParameters, unknown>>
const give = (values: Values = {}, over: Partial<ReturnSituation> = {}, ctx = later) =>
  recordReturn(
    call(recordReturnParameters, { scan: label, receivedAt: '2026-12-09T10:00:00Z', ...values }),
    situation(over),
    ctx,
  )

const warned = (decided: Checked<Decision<unknown>>) => accepted(decided).warnings.map((w) => w.code)

const unlinked = { links: [], tasks: [], device: device() }

const final = <K extends State['kind']>(decided: Checked<Decision<unknown>>, kind: K) =>
  accepted(decided)
    .changes.map((c) => c.state)
    .filter((s): s is Extract<State, { kind: K }> => s.kind === kind)
    .at(-1)

describe('the return of a linked device', () => {
  test('ends the wear, lets the patient go and makes both stubs', () => {
    const decided = give({ condition: { text: 'clean' } })
    expect(accepted(decided).changes.map((c) => c.fact)).toEqual([
      'device-returned',
      'link-ended',
      'device-released',
      'stubs-made',
    ])
    expect(final(decided, 'link')).toMatchObject({ status: 'completed', returned: true })
    expect(final(decided, 'return')).toMatchObject({
      linkId: ids.link,
      orderId: ids.order,
      site: 'tern-harbour',
      condition: { text: 'clean' },
    })
    expect(final(decided, 'device')?.patientId).toBeUndefined()
    const made = final(decided, 'stub')
    expect(made).toMatchObject({
      status: 'registered',
      linkId: ids.link,
      patientId: ids.patient,
      from: at(`${today}T09:00:00Z`),
      until: at('2026-12-09T10:00:00Z'),
    })
    expect(accepted(decided).answer).toEqual({
      returnId: final(decided, 'return')?.id,
      linkId: ids.link,
      stub: { id: made?.id, observationId: made?.observationId },
    })
    expect(accepted(decided).forward).toEqual([{ orderId: ids.order, readingService: 'pebble' }])
  })

  // "end = endedAt, else wornUntil, else receivedAt with an extension `assumed`": the contract, section 7
  test.each<[string, Values, Partial<LinkState>, Partial<LinkState>]>([
    [
      'stays where the end was told',
      { wornUntil: '2026-12-08T10:00:00Z' },
      { status: 'stopped', endedAt: at('2026-12-05T08:00:00Z'), endReason: 'failed' },
      { status: 'stopped', endedAt: at('2026-12-05T08:00:00Z'), endReason: 'failed' },
    ],
    [
      'is else when it came off',
      { wornUntil: '2026-12-08T10:00:00Z' },
      {},
      { status: 'completed', endedAt: at('2026-12-08T10:00:00Z') },
    ],
    ['is else when it came back, and assumed', {}, {}, { endedAt: at('2026-12-09T10:00:00Z'), endAssumed: true }],
  ])('has an end that %s', (_, values, before, expected) => {
    const decided = give(values, { links: [link(before)] })
    expect(final(decided, 'link')).toMatchObject(expected)
    expect(final(decided, 'link')?.endAssumed ?? false).toBe(expected.endAssumed ?? false)
    expect(final(decided, 'stub')?.until).toBe(expected.endedAt)
  })

  test.each<[string, Values, string]>([
    ['came back', { receivedAt: '2026-12-09T11:00:00+01:00' }, '2026-12-09T11:00:00+01:00'],
    ['came off', { wornUntil: '2026-12-08T05:00:00-05:00' }, '2026-12-08T05:00:00-05:00'],
  ])('shows the end as it was stated, with its offset, when the recorder %s', (_, values, end) => {
    const decided = give(values, { links: [link({ appliedAtWritten: `${today}T10:00:00+01:00` })] })
    const period = { start: `${today}T10:00:00+01:00`, end }
    const [ended, made] = [final(decided, 'link'), final(decided, 'stub')]
    expect(ended && linkResource(ended).timingPeriod).toMatchObject(period)
    expect(made && stubObservation(made).effectivePeriod).toEqual(period)
    expect(made && stubReport(made).effectivePeriod).toEqual(period)
  })

  const ended = { status: 'stopped', endedAt: at('2026-12-05T08:00:00Z'), endReason: 'failed' } as const
  test.each<[string, Values, Partial<LinkState>, string[]]>([
    ['came off at another moment than its end', { wornUntil: '2026-12-05T08:00:01Z' }, ended, ['end-stands']],
    ['came off in the moment of its end', { wornUntil: '2026-12-05T08:00:00Z' }, ended, []],
    ['came off when nobody had told', { wornUntil: '2026-12-05T08:00:01Z' }, {}, []],
    ['came back before its end', { receivedAt: '2026-12-05T07:59:59Z' }, ended, ['end-stands']],
    ['came back after its end', {}, ended, []],
  ])('that %s is told so', (_, values, before, codes) => {
    const decided = give(values, { links: [link(before)] })
    expect(warned(decided)).toEqual(codes)
    const [warning] = accepted(decided).warnings
    if (warning)
      expect([warning.found, warning.expected]).toEqual([
        values.wornUntil ?? values.receivedAt,
        '2026-12-05T08:00:00.000Z',
      ])
  })

  test('told again is answered again, and nothing is made', () => {
    const first = back({ linkId: ids.link, orderId: ids.order })
    const decided = give({}, { returns: [first], stubs: [stub()], links: [link({ returned: true })] })
    expect(accepted(decided)).toEqual({
      changes: [],
      answer: { returnId: uuid(9), linkId: ids.link, stub: { id: ids.stub, observationId: uuid(10) } },
      warnings: [],
    })
  })

  test('may be recorded by a clinic of another site', () => {
    const elsewhere = context('2026-12-09T12:00:00Z', { caller: { id: 'q', role: 'clinic', sites: ['quarry-lane'] } })
    expect(accepted(give({}, {}, elsewhere)).answer.linkId).toBe(ids.link)
  })

  test('leaves the device on whom it is by now', () => {
    const next = link({ id: uuid(21), orderId: uuid(20), patientId: uuid(22), appliedAt: at('2026-12-09T11:00:00Z') })
    const old = link({ status: 'completed', endedAt: at('2026-12-05T08:00:00Z') })
    expect(final(give({}, { links: [old, next] }), 'device')?.patientId).toBe(uuid(22))
  })
})

describe('the wear that a return ends', () => {
  const early = link({
    id: uuid(21),
    patientId: uuid(22),
    status: 'completed',
    appliedAt: at('2026-11-01T09:00:00Z'),
    endedAt: at('2026-11-05T09:00:00Z'),
    day: '2026-11-01',
  })
  test.each<[string, LinkState[], Parameters<typeof wearOf>[0]['applications'], string | undefined]>([
    ['is the last that began before', [link(), early], [], ids.link],
    ['is not one that began after', [link({ appliedAt: at('2026-12-09T10:00:00Z') }), early], [], uuid(21)],
    ['is none that was an error', [link({ status: 'entered-in-error' })], [], undefined],
    ['is none where that one came back already', [link({ returned: true })], [], undefined],
    ['is never an earlier one where the last came back already', [early, link({ returned: true })], [], undefined],
    ['is none where the device was seen applied since to nobody', [early], [application()], undefined],
    [
      'is none where the device was seen applied later on the day on which the wear ended',
      [link({ status: 'completed', endedAt: at(`${today}T12:00:00Z`) })],
      [application({ appliedAt: at(`${today}T14:00:00Z`) })],
      undefined,
    ],
    ['is not in doubt by what was taken from the shelf', [early], [application({ evidence: 'stock' })], uuid(21)],
    ['is not in doubt by evidence that the wear explains', [link()], [application()], ids.link],
    [
      'is not in doubt by what was seen after the return',
      [early],
      [application({ appliedAt: at('2026-12-10T09:00:00Z'), day: '2026-12-10' })],
      uuid(21),
    ],
  ])('%s', (_, links, applications, expected) => {
    expect(wearOf({ links, applications }, at('2026-12-09T10:00:00Z'))?.id).toBe(expected)
  })
})

describe('the return of a device that is linked to nobody', () => {
  test('is held without a patient, an order or a link', () => {
    const decided = give({ wornUntil: '2026-12-08T10:00:00Z' }, unlinked)
    expect(accepted(decided).changes.map((c) => c.fact)).toEqual(['device-seen', 'device-returned'])
    const held = final(decided, 'return')
    expect([held?.linkId, held?.orderId]).toEqual([undefined, undefined])
    expect(held?.wornUntil).toBe(at('2026-12-08T10:00:00Z'))
    expect(accepted(decided).answer).toEqual({ returnId: held?.id })
    expect(accepted(decided).forward ?? []).toEqual([])
  })

  test('makes no stubs for whoever had it in the morning, where it was put on again in the afternoon', () => {
    const morning = link({ status: 'completed', endedAt: at(`${today}T12:00:00Z`) })
    const afternoon = application({ appliedAt: at(`${today}T14:00:00Z`) })
    const decided = give({}, { links: [morning], applications: [afternoon] })
    expect(accepted(decided).changes.map((c) => c.fact)).toEqual(['device-seen', 'device-returned'])
    expect([final(decided, 'stub'), final(decided, 'return')?.linkId]).toEqual([undefined, undefined])
  })

  test('names no patient, even where the device was once on one', () => {
    const decided = give({}, { ...unlinked, links: [link({ returned: true, status: 'completed' })] })
    expect(JSON.stringify(decided)).not.toContain(ids.patient)
  })

  const oneSite = { ...parties, sites: [tern] }
  const nobody = { id: 'pebble', role: 'reading-service' } as const
  test.each<[string, Values, Partial<ReturnSituation>, Parameters<typeof context>[1], string | undefined]>([
    [
      'is stated',
      { site: { system: systems.sites, value: 'tern-harbour' } },
      { applications: [application({ site: 'quarry-lane' })] },
      {},
      'tern-harbour',
    ],
    ['saw it applied last', {}, { applications: [application({ site: 'quarry-lane' })] }, {}, 'quarry-lane'],
    ['had it last', {}, { links: [link({ site: 'quarry-lane', returned: true })] }, {}, 'quarry-lane'],
    [
      'is the caller’s only one',
      {},
      {},
      { caller: { id: 'q', role: 'clinic', sites: ['quarry-lane'] } },
      'quarry-lane',
    ],
    ['is the only one there is', {}, {}, { caller: nobody, parties: oneSite }, 'tern-harbour'],
    ['nobody could tell is left open', {}, {}, { caller: nobody }, undefined],
  ])('belongs to the site that %s', (_, values, over, surroundings, site) => {
    const decided = give(values, { ...unlinked, ...over }, context('2026-12-09T12:00:00Z', surroundings))
    expect(final(decided, 'return')?.site).toBe(site)
  })

  test('told again is answered again', () => {
    expect(accepted(give({}, { ...unlinked, returns: [back()] }))).toEqual({
      changes: [],
      answer: { returnId: uuid(9) },
      warnings: [],
    })
  })
})

describe('a return', () => {
  test.each<[string, Values, string[]]>([
    ['in the future', { receivedAt: '2026-12-09T12:02:01Z' }, ['in-the-future']],
    ['without an offset', { receivedAt: '2026-12-09T10:00:00' }, ['missing-offset']],
    ['of what came off before it was applied', { wornUntil: `${today}T09:00:00Z` }, ['ends-before-start']],
    ['of what came off after it came back', { wornUntil: '2026-12-09T10:00:01Z' }, ['ends-before-start']],
    ['to a site that is not configured', { site: { system: systems.sites, value: 'x' } }, ['unknown-site']],
    [
      'with everything wrong, told at once',
      {
        receivedAt: '2026-12-09T10:00:00',
        wornUntil: '2027-01-01T00:00:00Z',
        readAt: '2026-12-09',
        deviceClock: 'noon',
        mark: ['2026-12-01T00:00:00Z', 'x'],
        site: { system: systems.sites, value: 'x' },
      },
      ['in-the-future', 'missing-offset', 'moment-needs-seconds', 'unknown-site', 'wrong-value', 'wrong-value'],
    ],
  ])('is refused %s', (_, values, problems) => {
    expect(refusedBy(give(values))).toEqual(problems)
  })

  test('may come off in the very moment in which it comes back', () => {
    expect(problemsOf(give({ wornUntil: '2026-12-09T10:00:00Z' }))).toEqual([])
  })

  // the contract, section 6: at, or date and time, and symptom
  const felt = { name: 'symptom', valueString: 'palpitations' }
  const moment = { name: 'at', valueDateTime: '2026-12-01T08:00:00Z' }
  const day = { name: 'date', valueDate: '2026-12-01' }
  const time = { name: 'time', valueString: 'after lunch' }

  test.each<[string, ParametersParameter[], string[]]>([
    ['a moment', [moment, felt], []],
    ['a day and a time as written', [day, time, felt], []],
    ['a day whose time nobody wrote', [day, felt], []],
    ['no symptom', [moment], ['missing-parameter part']],
    ['no time', [felt], ['missing-parameter part']],
    ['a time of no day', [time, felt], ['missing-parameter part']],
    ['a moment and a day', [moment, day, felt], ['wrong-parameter part[1].value']],
    [
      'a moment without offset',
      [{ ...moment, valueDateTime: '2026-12-01T08:00:00' }, felt],
      ['missing-offset part[0].value'],
    ],
    [
      'a moment that is only a day',
      [{ ...moment, valueDateTime: '2026-12-01' }, felt],
      ['moment-needs-seconds part[0].value'],
    ],
    ['a day that is only a month', [{ ...day, valueDate: '2026-12' }, felt], ['wrong-value part[0].value']],
    ['a symptom twice', [moment, felt, felt], ['wrong-cardinality part[2]']],
    ['a moment that is a string', [{ name: 'at', valueString: 'noon' }, felt], ['wrong-type part[0].value']],
    [
      'a part of another name',
      [moment, felt, { name: 'mood', valueString: 'low' }],
      ['unknown-parameter part[2].name'],
    ],
  ])('with a diary entry of %s', (_, part, problems) => {
    const parameter = [
      { name: 'scan', valueString: label },
      { name: 'receivedAt', valueDateTime: '2026-12-09T10:00:00Z' },
      { name: 'diary', part: [moment, felt] },
      { name: 'diary', part },
    ]
    const read = readParameters({ resourceType: 'Parameters', parameter }, recordReturnParameters)
    const decided = read.ok ? recordReturn(read.value, situation(), later) : read
    expect(problemsOf(decided).map((p) => `${p.code} ${p.at}`)).toEqual(
      problems.map((p) => p.replace(' ', ' Parameters.parameter[3].')),
    )
  })

  test.each<[string, Values, string[]]>([
    ['a reading of the clock and no moment of it', { deviceClock: '2026-12-09T11:00:30Z' }, ['missing-parameter']],
    ['a moment and no reading', { readAt: '2026-12-09T11:00:00Z' }, ['missing-parameter']],
    [
      'a read-out in the future',
      { readAt: '2026-12-09T12:02:01Z', deviceClock: '2026-12-09T11:00:30Z' },
      ['in-the-future'],
    ],
    ['a clock that was never set', { readAt: '2026-12-09T11:00:00Z', deviceClock: '2000-01-01T00:00:00Z' }, []],
  ])('with %s', (_, values, problems) => {
    expect(refusedBy(give(values))).toEqual(problems)
  })

  test.each<[string, Partial<ReturnSituation>]>([
    ['linked', {}],
    ['linked to nobody', unlinked],
  ])('of a device that is %s says what is kept and not evaluated, where there is any', (_, over) => {
    const entry = [moment, felt]
    const told = (values: Values) =>
      accepted(give(values, over)).warnings.map((w) => [w.severity, w.code, w.found, w.at.length])
    expect(told({})).toEqual([])
    expect(told({ mark: ['2026-12-01T00:00:00Z', '2026-12-02T00:00:00Z'], diary: [entry, entry] })).toEqual([
      ['information', 'not-evaluated', 'mark, diary', 2],
    ])
    expect(told({ readAt: '2026-12-09T11:00:00Z', deviceClock: '2026-12-09T11:00:30Z' })).toEqual([
      ['information', 'not-evaluated', 'deviceClock', 1],
    ])
  })

  test('told again says so where it tells something else, which is not kept', () => {
    const mark = ['2026-12-01T00:00:00Z']
    const first = back({ linkId: ids.link, orderId: ids.order, marks: mark })
    const again = (values: Values) => {
      const decided = give(values, { returns: [first], stubs: [stub()], links: [link({ returned: true })] })
      return [accepted(decided).changes.length, ...warned(decided)]
    }
    expect(again({ mark })).toEqual([0, 'not-evaluated'])
    expect(again({})).toEqual([0, 'recorded-already'])
    expect(again({ mark, wornUntil: '2026-12-08T10:00:00Z' })).toEqual([0, 'recorded-already'])
  })

  test('keeps the clock pair, the marks and the diary as they were written', () => {
    const entry = [moment, felt]
    const kept = final(
      give({
        readAt: '2026-12-09T11:00:00+00:00',
        deviceClock: '2026-12-09T11:00:30+00:00',
        mark: ['2026-12-01T00:00:00Z'],
        diary: [entry],
      }),
      'return',
    )
    expect(kept).toMatchObject({
      readAt: '2026-12-09T11:00:00+00:00',
      deviceClock: '2026-12-09T11:00:30+00:00',
      marks: ['2026-12-01T00:00:00Z'],
      diary: [entry],
    })
  })
})
