/** The gaps of links, work and returns that need more than one look, and what becomes of a gap that comes again. */
import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { linkDeviceParameters, refusedLink } from '../../src/flow/apply-device/link-device.ts'
import { returnDue } from '../../src/flow/apply-device/make-link.ts'
import type { Facts } from '../../src/flow/watch-flow/day-facts.ts'
import { detectedIssue } from '../../src/flow/watch-flow/detected-issue.ts'
import { gapRules, gapsOf } from '../../src/flow/watch-flow/gaps.ts'
import { refusal } from '../../src/model/problems.ts'
import type { GapCode, GapState, LinkState, OrderState, TaskState } from '../../src/model/states.ts'
import {
  application,
  at,
  back,
  call,
  conflict,
  context,
  device,
  facts,
  ids,
  link,
  order,
  patient,
  stub,
  task,
  today,
  uuid,
  watch,
} from '../support/fixtures.ts'

const never = order({ visitDay: '2027-06-01' })

/** The gaps of one code as of a moment, in words: `final since 12:02, mended linked 13:00`. */
const told = (code: GapCode, over: Partial<Facts>, asOf = '2026-12-31T00:00:00Z'): readonly string[] =>
  gapsOf(facts(over), watch(asOf))
    .filter((g) => g.code === code)
    .map(({ status, since, mended }) => {
      const moment = (iso: string) => iso.slice(0, 16).replace(`${today}T`, '')
      return `${status} since ${moment(since)}${mended ? `, mended ${mended.action} ${moment(mended.at)}` : ''}`
    })

const wearer = (over: Partial<LinkState>): LinkState => link({ tiedAt: at(`${today}T09:05:00Z`), ...over })
const two = { id: uuid(41), orderId: uuid(42), deviceId: uuid(43) }

describe('device-on-two-patients', () => {
  const other = link()
  test.each<[string, Partial<Facts>, readonly string[]]>([
    ['opens when a link was refused for it', { conflicts: [conflict()], links: [other] }, ['final since 12:02']],
    [
      'stays when the same was refused again later on that day',
      { conflicts: [conflict(), conflict({ id: uuid(44), recordedAt: at(`${today}T12:30:00Z`) })], links: [other] },
      ['final since 12:02'],
    ],
    [
      'is mended when the order is linked after all, with this recorder or with another',
      {
        conflicts: [conflict()],
        links: [other, wearer({ ...two, orderId: uuid(13), tiedAt: at(`${today}T13:00:00Z`) })],
      },
      ['final since 12:02, mended linked 13:00'],
    ],
    [
      'is no more when the other link turns out to have ended before',
      { conflicts: [conflict()], links: [wearer({ status: 'completed', endedAt: at(`${today}T11:00:00Z`) })] },
      [],
    ],
    [
      'is mended when the other link ends',
      { conflicts: [conflict()], links: [wearer({ status: 'completed', endedAt: at(`${today}T12:30:00Z`) })] },
      ['final since 12:02, mended confirmed 12:30'],
    ],
    [
      'is no more when the other link was made in error',
      { conflicts: [conflict()], links: [wearer({ status: 'entered-in-error' })] },
      [],
    ],
    [
      'opens when the recorder is taken down at another site on a later day of its wear',
      {
        links: [other],
        applications: [application({ site: 'quarry-lane', day: '2026-11-27', appliedAt: at('2026-11-27T15:00:00Z') })],
      },
      ['final since 09:10'],
    ],
    [
      'does not open when it is taken down again where it is linked',
      { links: [other], applications: [application({ day: '2026-11-27', appliedAt: at('2026-11-27T15:00:00Z') })] },
      [],
    ],
    [
      'does not open because it was switched on, or taken from a shelf, elsewhere',
      {
        links: [other],
        applications: (['activation', 'stock'] as const).map((evidence, i) =>
          application({
            id: uuid(60 + i),
            evidence,
            site: 'quarry-lane',
            day: '2026-11-27',
            appliedAt: at('2026-11-27T15:00:00Z'),
          }),
        ),
      },
      [],
    ],
  ])('%s', (_, over, expected) => {
    expect(told('device-on-two-patients', { orders: [never], ...over })).toEqual(expected)
  })

  test('tells of the link elsewhere nothing but the number of its fact', () => {
    const [gap] = gapsOf(
      facts({ conflicts: [conflict({ site: 'quarry-lane' })], links: [other] }),
      watch(`${today}T13:00:00Z`),
    )
    if (gap === undefined) throw new Error('no gap')
    const resource = detectedIssue({ ...gap, restsOn: gap.restsOn?.map((e) => ({ ...e, fact: 7 })) ?? [] })
    expect(JSON.stringify(resource)).not.toContain(ids.link)
    expect(JSON.stringify(resource)).not.toContain(ids.patient)
    expect(resource.evidence?.[0]?.detail).toContainEqual({
      identifier: { system: 'https://daybind.example/journal', value: '7' },
      display: 'link',
    })
  })
})

describe('a refused link', () => {
  const asked = call(linkDeviceParameters, { scan: 'x', appliedAt: `${today}T09:00:00Z` })
  const other = link({ id: uuid(51), orderId: uuid(52), patientId: uuid(53), appliedAt: at(`${today}T08:00:00Z`) })
  const situation = { order: order(), patient, device: device(), links: [other], returns: [] }
  const keep = (...codes: Parameters<typeof refusal>[0][]) =>
    refusedLink(
      asked,
      situation,
      codes.map((code) => refusal(code)),
      context(),
    ).map((c) => c.state)

  test('is kept when the device is on somebody else and nothing else was wrong', () => {
    expect(keep('device-linked')).toMatchObject([
      {
        kind: 'conflict',
        orderId: ids.order,
        deviceId: ids.device,
        patientId: ids.patient,
        site: 'tern-harbour',
        day: today,
      },
    ])
  })

  test.each([['identifier-disagrees'], ['too-few-identifiers'], ['order-linked'], ['in-the-future']] as const)(
    'says nothing of the recorder when %s was wrong too',
    (code) => {
      expect(keep('device-linked', code)).toEqual([])
    },
  )

  test('is not kept when the device is on the same patient for another order, or was so at another time', () => {
    const links = [
      { ...other, patientId: ids.patient },
      { ...other, endedAt: at(`${today}T08:30:00Z`) },
    ]
    for (const l of links)
      expect(refusedLink(asked, { ...situation, links: [l] }, [refusal('device-linked')], context())).toEqual([])
  })

  test('is kept once, however often the same call is tried', () => {
    const known = [conflict({ deviceId: ids.device, orderId: ids.order, appliedAt: at(`${today}T09:00:00Z`) })]
    expect(refusedLink(asked, { ...situation, conflicts: known }, [refusal('device-linked')], context())).toEqual([])
  })
})

describe('patient-with-two-devices', () => {
  const second = {
    ...two,
    appliedAt: at(`${today}T10:00:00Z`),
    tiedAt: at(`${today}T10:05:00Z`),
    recordedAt: at(`${today}T10:05:00Z`),
  }
  test.each<[string, readonly LinkState[], readonly string[]]>([
    ['opens with the second link', [link(), wearer(second)], ['final since 10:05']],
    ['does not open for another patient', [link(), wearer({ ...second, patientId: uuid(45) })], []],
    [
      'does not open where one ends in the moment in which the other begins',
      [link({ status: 'completed', endedAt: at(`${today}T10:00:00Z`) }), wearer(second)],
      [],
    ],
    [
      'stays when one of both ends later on',
      [link({ status: 'completed', endedAt: at('2026-11-27T10:00:00Z') }), wearer(second)],
      ['final since 10:05'],
    ],
    ['is no more when one was made in error', [link({ status: 'entered-in-error' }), wearer(second)], []],
    [
      'is one for each two of three',
      [
        link(),
        wearer(second),
        wearer({
          ...second,
          id: uuid(46),
          orderId: uuid(47),
          deviceId: uuid(48),
          tiedAt: at(`${today}T11:00:00Z`),
          recordedAt: at(`${today}T11:00:00Z`),
        }),
      ],
      ['final since 10:05', 'final since 11:00', 'final since 11:00'],
    ],
  ])('%s', (_, links, expected) => {
    expect(told('patient-with-two-devices', { links })).toEqual(expected)
  })

  test('names both links where they are at one site, and one where they are not', () => {
    const implicated = (site: string) =>
      gapsOf(facts({ links: [link({ site }), wearer(second)] }), watch('2026-11-26T12:00:00Z'))
        .filter((g) => g.code === 'patient-with-two-devices')
        .flatMap((g) => detectedIssue(g).implicated ?? [])
        .filter((r) => r.reference?.startsWith('DeviceUseStatement')).length
    expect([implicated('tern-harbour'), implicated('quarry-lane')]).toEqual([2, 1])
  })
})

describe('link-without-order', () => {
  const idle: Partial<OrderState> = { status: 'on-hold', idleSince: at(`${today}T11:00:00Z`) }
  test.each<[string, Partial<OrderState>, Partial<LinkState>, string, readonly string[]]>([
    ['does not open for an order of the EHR', {}, {}, '2026-11-26T12:00:00Z', []],
    [
      'opens for an order by hand, preliminary until the cut-off',
      { byHand: true, source: 'bay-3' },
      {},
      `${today}T12:00:00Z`,
      ['preliminary since 09:05'],
    ],
    ['is final at the cut-off', { byHand: true, source: 'bay-3' }, {}, `${today}T18:00:00Z`, ['final since 09:05']],
    [
      'opens when the order is put on hold while the recorder is worn',
      idle,
      {},
      `${today}T12:00:00Z`,
      ['final since 11:00'],
    ],
    [
      'does not open for an order on hold whose recorder is off',
      idle,
      { status: 'completed', endedAt: at(`${today}T10:00:00Z`) },
      `${today}T12:00:00Z`,
      [],
    ],
  ])('%s', (_, changed, linked, asOf, expected) => {
    expect(told('link-without-order', { orders: [order(changed)], links: [link(linked)] }, asOf)).toEqual(expected)
  })

  test('does not open where no EHR sends orders: there the order by hand is all there is', () => {
    const around = watch(`${today}T19:00:00Z`)
    const alone = { ...around, parties: { ...around.parties, sources: [] } }
    const over = facts({ orders: [order({ byHand: true, source: 'bay-3' })], links: [link()] })
    expect(gapsOf(over, alone).map((g) => g.code)).toEqual([])
  })
})

describe('not-taken', () => {
  const asked = (over: Partial<TaskState> = {}) =>
    task({ acceptDue: at(`${today}T13:05:00Z`), acceptDueDay: today, ...over })
  test.each<[string, Partial<TaskState>, string, readonly string[]]>([
    ['does not open before the time to accept is over', {}, `${today}T13:04:59Z`, []],
    ['opens when it is over', {}, `${today}T13:05:00Z`, ['final since 13:05']],
    ['opens though it was received', { status: 'received' }, `${today}T14:00:00Z`, ['final since 13:05']],
    [
      'does not open when it was accepted in time',
      { status: 'accepted', acceptedAt: at(`${today}T13:05:00Z`) },
      `${today}T14:00:00Z`,
      [],
    ],
    [
      'is mended when it is accepted late',
      { status: 'accepted', acceptedAt: at(`${today}T15:00:00Z`) },
      `${today}T16:00:00Z`,
      ['final since 13:05, mended confirmed 15:00'],
    ],
    [
      'opens at once when it is declined',
      { status: 'rejected', modifiedAt: at(`${today}T10:00:00Z`) },
      `${today}T10:00:00Z`,
      ['final since 10:00'],
    ],
    [
      'does not open for work that was called off before',
      { status: 'cancelled', modifiedAt: at(`${today}T10:00:00Z`) },
      `${today}T14:00:00Z`,
      [],
    ],
    [
      'is mended when the work is called off after',
      { status: 'cancelled', modifiedAt: at(`${today}T15:00:00Z`) },
      `${today}T16:00:00Z`,
      ['final since 13:05, mended cancelled 15:00'],
    ],
    ['does not open for a link that was withdrawn', { status: 'entered-in-error' }, `${today}T14:00:00Z`, []],
    ['does not open for a Task that asks to stop', { asks: 'abort' }, `${today}T14:00:00Z`, []],
  ])('%s', (_, over, asOf, expected) => {
    expect(told('not-taken', { orders: [never], links: [link()], tasks: [asked(over)] }, asOf)).toEqual(expected)
  })
})

describe('overdue-return', () => {
  // two weeks of wear and ten days of transit
  const due = { returnDue: at('2026-12-19T09:00:00Z'), returnDueDay: '2026-12-19' }
  test.each<[string, Partial<LinkState>, Partial<Facts>, string, readonly string[]]>([
    ['does not open before wear and transit are over', {}, {}, '2026-12-19T08:59:59Z', []],
    ['opens when they are', {}, {}, '2026-12-19T09:00:00Z', ['final since 2026-12-19T09:00']],
    [
      'does not open for a recorder that came back',
      { returned: true },
      { returns: [back({ linkId: ids.link })] },
      '2026-12-31T00:00:00Z',
      [],
    ],
    [
      'is mended when it comes back late',
      { returned: true },
      { returns: [back({ linkId: ids.link, recordedAt: at('2026-12-22T10:00:00Z') })] },
      '2026-12-31T00:00:00Z',
      ['final since 2026-12-19T09:00, mended returned 2026-12-22T10:00'],
    ],
    [
      'is no more when it is recorded as lost',
      { status: 'stopped', endReason: 'lost', endedAt: at('2026-12-20T10:00:00Z') },
      {},
      '2026-12-31T00:00:00Z',
      [],
    ],
    ['does not open for a link that was withdrawn', { status: 'entered-in-error' }, {}, '2026-12-31T00:00:00Z', []],
    [
      'does not open for a recorder that the next patient wears by then',
      { status: 'completed', endedAt: at('2026-12-09T09:00:00Z') },
      {
        links: [
          link({ ...due, status: 'completed', endedAt: at('2026-12-09T09:00:00Z') }),
          link({
            id: uuid(82),
            orderId: uuid(83),
            patientId: uuid(84),
            appliedAt: at('2026-12-14T09:00:00Z'),
            tiedAt: at('2026-12-14T09:05:00Z'),
          }),
        ],
      },
      '2026-12-31T00:00:00Z',
      [],
    ],
    [
      'does not open for a recorder that the next patient wears from the moment in which it came off',
      { status: 'completed', endedAt: at('2026-12-09T09:00:00Z') },
      {
        links: [
          link({ ...due, status: 'completed', endedAt: at('2026-12-09T09:00:00Z') }),
          link({
            id: uuid(82),
            orderId: uuid(83),
            patientId: uuid(84),
            appliedAt: at('2026-12-09T09:00:00Z'),
            tiedAt: at('2026-12-09T09:05:00Z'),
          }),
        ],
      },
      '2026-12-31T00:00:00Z',
      [],
    ],
    [
      'does not open where its recording was reported on',
      {},
      {
        stubs: [
          stub({
            report: {
              by: 'pebble',
              firstAt: at('2026-12-12T10:00:00Z'),
              receivedAt: at('2026-12-12T10:00:00Z'),
              words: { resourceType: 'DiagnosticReport', status: 'final', code: {} },
              results: [],
            },
          }),
        ],
      },
      '2026-12-31T00:00:00Z',
      [],
    ],
  ])('%s', (_, linked, over, asOf, expected) => {
    expect(told('overdue-return', { orders: [never], links: [link({ ...due, ...linked })], ...over }, asOf)).toEqual(
      expected,
    )
  })

  test('is counted from the end of the wear, in the zone of the site', () => {
    // ten days after 20:00 in New York, where it is still the day before
    expect(returnDue('quarry-lane', at('2026-12-02T01:00:00Z'), context())).toEqual({
      returnDue: at('2026-12-12T01:00:00Z'),
      returnDueDay: '2026-12-11',
    })
  })
})

describe('a gap that comes again', () => {
  const seen = [application()]
  const open = (over: Partial<Facts>, asOf: string): readonly GapState[] =>
    gapsOf(facts({ orders: [never], applications: seen, ...over }), watch(asOf)).filter((g) => g.code === 'no-link')
  const late = wearer({ tiedAt: at(`${today}T18:30:00Z`) })
  const first = open({}, `${today}T18:10:00Z`)
  const mended = open({ links: [late], noted: first }, `${today}T18:40:00Z`)
  const withdrawn = { ...late, status: 'entered-in-error' as const }
  const again = open({ links: [withdrawn], noted: mended }, `${today}T19:00:00Z`)

  test('is another one, which names the one before; that stays as it was mended', () => {
    expect(mended).toMatchObject([{ id: first[0]?.id, mended: { action: 'linked' } }])
    expect(again).toHaveLength(2)
    expect(again).toContainEqual(mended[0])
    expect(again.find((g) => g.id !== first[0]?.id)).toMatchObject({
      reopens: first[0]?.id,
      since: at(`${today}T19:00:00Z`),
    })
    expect(again.find((g) => g.id !== first[0]?.id)?.mended).toBeUndefined()
  })

  test('is none where a person said that it was a mistake, unless it was recorded again after that', () => {
    const by = {
      at: at(`${today}T18:20:00Z`),
      action: 'cancelled',
      by: 'bay-3',
      note: 'scanned the wrong one',
    } as const
    const noted = first.map((g) => ({ ...g, mended: by }))
    expect(open({ noted }, `${today}T19:00:00Z`)).toMatchObject([{ mended: by }])
    const more = [...seen, application({ id: uuid(41), recordedAt: at(`${today}T18:30:00Z`) })]
    expect(open({ noted, applications: more }, `${today}T19:00:00Z`)).toMatchObject([
      { mended: by },
      { reopens: first[0]?.id },
    ])
  })

  test('keeps its id and its moment when it is asked for later', () => {
    expect(open({ links: [withdrawn], noted: again }, `${today}T21:00:00Z`)).toEqual(again)
  })

  test('is mended as its own, and the third time is a third one', () => {
    const relinked = wearer({ ...two, deviceId: ids.device, tiedAt: at(`${today}T21:30:00Z`) })
    const mendedAgain = open({ links: [withdrawn, relinked], noted: again }, `${today}T22:00:00Z`)
    expect(mendedAgain.map((g) => g.mended?.at)).toEqual([at(`${today}T18:30:00Z`), at(`${today}T21:30:00Z`)])
    const third = open(
      { links: [withdrawn, { ...relinked, status: 'entered-in-error' }], noted: mendedAgain },
      `${today}T23:00:00Z`,
    )
    expect(third).toHaveLength(3)
    expect(new Set(third.map((g) => g.id)).size).toBe(3)
    expect(third.filter((g) => g.mended === undefined)).toMatchObject([{ reopens: mendedAgain[1]?.id }])
  })
})

describe('a gap that a person closed', () => {
  const closed = (gaps: readonly GapState[], moment: string): readonly GapState[] =>
    gaps.map((g) => ({ ...g, mended: { at: at(moment), action: 'confirmed', by: 'bay-3', note: 'Seen.' } }))
  const of = (code: GapCode, over: Partial<Facts>, asOf: string): readonly GapState[] =>
    gapsOf(facts({ orders: [never], ...over }), watch(asOf)).filter((g) => g.code === code)
  const due = { acceptDue: at(`${today}T13:05:00Z`), acceptDueDay: today }

  test.each<[string, GapCode, Partial<Facts>, Partial<Facts>]>([
    [
      'as not taken opens anew when the reading service declines',
      'not-taken',
      { tasks: [task(due)] },
      { tasks: [task({ ...due, status: 'rejected', modifiedAt: at(`${today}T16:00:00Z`) })] },
    ],
    [
      'as a refused link opens anew with the next refusal',
      'device-on-two-patients',
      { conflicts: [conflict()], links: [link()] },
      {
        conflicts: [conflict(), conflict({ id: uuid(81), recordedAt: at(`${today}T16:00:00Z`) })],
        links: [link()],
      },
    ],
    [
      'as an order on hold opens anew when it is held again',
      'link-without-order',
      { orders: [order({ status: 'on-hold', idleSince: at(`${today}T11:00:00Z`) })], links: [link()] },
      { orders: [order({ status: 'on-hold', idleSince: at(`${today}T16:00:00Z`) })], links: [link()] },
    ],
  ])('%s, and stays closed for what was known then', (_, code, before, after) => {
    const noted = closed(of(code, before, `${today}T14:00:00Z`), `${today}T15:00:00Z`)
    expect(noted).toHaveLength(1)
    expect(of(code, { ...before, noted }, `${today}T15:30:00Z`)).toEqual(noted)
    const again = of(code, { ...after, noted }, `${today}T16:30:00Z`)
    expect(again).toHaveLength(2)
    expect(again.filter((g) => g.mended === undefined)).toMatchObject([{ reopens: noted[0]?.id }])
  })
})

describe('the README', () => {
  const readme = readFileSync(new URL('../../README.md', import.meta.url), 'utf8')
  test.each(gapRules.map((r) => [r.code, r] as const))('has the row of %s as the table has it', (_, rule) => {
    const words = rule.byHand.map((w) => `\`${w}\``).join(', ') || '–'
    const cells = [`\`${rule.code}\``, rule.severity, rule.turn, rule.opens, rule.closes, words]
    expect(readme).toContain(`| ${cells.join(' | ')} |`)
  })
})
