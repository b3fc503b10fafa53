import fc from 'fast-check'
import type { DetectedIssue, MeasureReport } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import type { Facts } from '../../src/flow/watch-flow/day-facts.ts'
import { detectedIssue } from '../../src/flow/watch-flow/detected-issue.ts'
import { eveningBundle, eveningOf, measureReport } from '../../src/flow/watch-flow/evening.ts'
import { momentsDue, nextMoment } from '../../src/flow/watch-flow/moments-due.ts'
import type { Site } from '../../src/model/configuration.ts'
import type { GapState } from '../../src/model/states.ts'
import { codes, extensions, identifierSystems, systems } from '../../src/model/systems.ts'
import {
  application,
  at,
  back,
  facts,
  ids,
  link,
  order,
  parties,
  pebble,
  quarry,
  task,
  tern,
  today,
  uuid,
  watch,
} from '../support/fixtures.ts'

const evening = (over: Partial<Facts>, asOf = '2026-11-26T12:00:00Z', around = watch(asOf), site = tern, day = today) =>
  eveningOf(site, day, facts(over), around, '2026a')
const counts = ({ initial, denominator, numerator }: { initial: number; denominator: number; numerator: number }) => [
  initial,
  denominator,
  numerator,
]

const nth = (n: number) => ({ id: uuid(300 + n), orderId: uuid(100 + n), deviceId: uuid(200 + n) })
const tied = (n: number, when: string, over = {}) =>
  link({ ...nth(n), tiedAt: at(when), recordedAt: at(when), ...over })

describe('the count of what was linked in time', () => {
  const inTime = tied(1, `${today}T09:05:00Z`)
  const late = tied(2, `${today}T18:00:00Z`)
  const night = tied(3, `${today}T21:00:00Z`, { appliedAt: at(`${today}T20:00:00Z`) })
  const loose = application({ id: uuid(500), deviceId: uuid(204) })

  test.each<[string, Partial<Facts>, string, number[]]>([
    ['nothing was applied', {}, '2026-11-26T12:00:00Z', [0, 0, 0]],
    ['one in time', { links: [inTime] }, '2026-11-26T12:00:00Z', [1, 1, 1]],
    ['one whose moment has not come', { links: [inTime] }, `${today}T17:59:59Z`, [1, 0, 0]],
    ['one whose moment is now', { links: [inTime] }, `${today}T18:00:00Z`, [1, 1, 1]],
    ['one too late', { links: [late] }, '2026-11-26T12:00:00Z', [1, 1, 0]],
    ['one that had until midnight, before it', { links: [night] }, '2026-11-25T23:59:59Z', [1, 0, 0]],
    ['one that had until midnight, at it', { links: [night] }, '2026-11-26T00:00:00Z', [1, 1, 1]],
    ['one that is linked to nobody', { applications: [loose] }, '2026-11-26T12:00:00Z', [1, 1, 0]],
    [
      'one that was an error',
      { links: [{ ...inTime, status: 'entered-in-error' }] },
      '2026-11-26T12:00:00Z',
      [0, 0, 0],
    ],
    ['one from the shelf', { applications: [{ ...loose, evidence: 'stock' }] }, '2026-11-26T12:00:00Z', [0, 0, 0]],
    [
      'one that was seen twice',
      { applications: [loose, { ...loose, id: uuid(501), evidence: 'activation' }] },
      '2026-11-26T12:00:00Z',
      [1, 1, 0],
    ],
    [
      'one that was seen and linked counts once',
      { links: [inTime], applications: [application({ deviceId: inTime.deviceId })] },
      '2026-11-26T12:00:00Z',
      [1, 1, 1],
    ],
    ['all together', { links: [inTime, late, night], applications: [loose] }, '2026-11-26T12:00:00Z', [4, 4, 2]],
    [
      'those of another site and another day are not in it',
      {
        links: [
          tied(5, `${today}T09:05:00Z`, { site: 'quarry-lane' }),
          tied(6, `${today}T09:05:00Z`, { day: '2026-11-24' }),
        ],
      },
      '2026-11-26T12:00:00Z',
      [0, 0, 0],
    ],
  ])('%s', (_, over, asOf, expected) => {
    expect(counts(evening(over, asOf).linked)).toEqual(expected)
  })
})

describe('the count of what was taken in time', () => {
  // Pebble has four hours, from 09:05 to 13:05
  const one = { orders: [order({ id: uuid(101) })], links: [tied(1, `${today}T09:05:00Z`)] }
  const work = (acceptedAt?: string, over = {}) =>
    task({ linkId: uuid(301), orderId: uuid(101), ...(acceptedAt && { acceptedAt: at(acceptedAt) }), ...over })

  test.each<[string, Partial<Facts>, string, number[]]>([
    ['accepted in time', { tasks: [work(`${today}T13:05:00Z`)] }, `${today}T18:00:00Z`, [1, 1, 1]],
    ['its last moment', { tasks: [work(`${today}T10:00:00Z`)] }, `${today}T13:05:00Z`, [1, 1, 1]],
    ['accepted too late', { tasks: [work(`${today}T13:05:01Z`)] }, `${today}T18:00:00Z`, [1, 1, 0]],
    ['not accepted', { tasks: [work()] }, `${today}T18:00:00Z`, [1, 1, 0]],
    ['not even asked', {}, `${today}T18:00:00Z`, [1, 1, 0]],
    ['a moment that has not come', { tasks: [work(`${today}T10:00:00Z`)] }, `${today}T13:04:59Z`, [1, 0, 0]],
    [
      'a request to stop that was accepted',
      { tasks: [work(`${today}T10:00:00Z`, { asks: 'abort' })] },
      `${today}T18:00:00Z`,
      [1, 1, 0],
    ],
    [
      'the work of another link',
      { tasks: [work(`${today}T10:00:00Z`, { linkId: uuid(9) })] },
      `${today}T18:00:00Z`,
      [1, 1, 0],
    ],
  ])('%s', (_, over, asOf, expected) => {
    expect(counts(evening({ ...one, ...over }, asOf).taken)).toEqual(expected)
  })

  test('leaves out what no reading service takes, and what is linked to nobody', () => {
    const readingServices = [{ ...pebble, takes: [{ code: codes.continuousEcg }] }]
    const around = watch('2026-11-26T12:00:00Z', { parties: { ...parties, readingServices } })
    expect(counts(evening(one, undefined, around).taken)).toEqual([0, 0, 0])
    expect(counts(evening({ applications: [application()] }).taken)).toEqual([0, 0, 0])
  })

  test('asks all of them: the slowest decides', () => {
    const quick = { ...pebble, id: 'shingle', accept: 'PT1H' }
    const around = watch(`${today}T18:00:00Z`, { parties: { ...parties, readingServices: [pebble, quick] } })
    const both = (second: string) => [
      work(`${today}T10:00:00Z`),
      work(second, { id: uuid(41), readingService: 'shingle' }),
    ]
    expect(counts(evening({ ...one, tasks: both(`${today}T10:05:00Z`) }, undefined, around).taken)).toEqual([1, 1, 1])
    expect(counts(evening({ ...one, tasks: both(`${today}T10:05:01Z`) }, undefined, around).taken)).toEqual([1, 1, 0])
  })
})

test('what was in time never outnumbers what was due, nor this what was applied', () => {
  const moment = fc.integer({ min: 0, max: 47 }).map((hour) => new Date(Date.UTC(2026, 10, 25, hour)).toISOString())
  const one = fc.record({ n: fc.integer({ min: 0, max: 9 }), applied: moment, tiedAt: moment, linked: fc.boolean() })
  fc.assert(
    fc.property(fc.uniqueArray(one, { selector: (x) => x.n, maxLength: 6 }), moment, (list, asOf) => {
      const links = list.flatMap((x) => (x.linked ? [tied(x.n, x.tiedAt, { appliedAt: at(x.applied) })] : []))
      const applications = list.map((x) =>
        application({ id: uuid(500 + x.n), deviceId: uuid(200 + x.n), appliedAt: at(x.applied) }),
      )
      const { linked } = evening({ links, applications }, asOf)
      expect(linked.initial).toBe(list.length)
      expect(linked.denominator).toBeLessThanOrEqual(linked.initial)
      expect(linked.numerator).toBeLessThanOrEqual(linked.denominator)
    }),
    { numRuns: 25 },
  )
})

describe('an evening', () => {
  test('holds the gaps of its site and its day', () => {
    const over = {
      applications: [
        application(),
        application({ id: uuid(501), deviceId: uuid(201), site: 'quarry-lane' }),
        application({ id: uuid(502), deviceId: uuid(202), day: '2026-11-24', appliedAt: at('2026-11-24T09:00:00Z') }),
      ],
    }
    expect(evening(over).gaps.map((g) => [g.code, g.site, g.day])).toEqual([['no-link', 'tern-harbour', today]])
  })

  test('shows a return of which nobody could tell the site to every site, on the day in which it was told', () => {
    const { site: _none, ...siteless } = back({
      receivedAt: at('2026-11-20T10:00:00Z'),
      recordedAt: at('2026-11-26T03:00:00Z'),
    })
    const shown = (site: Site, day: string) =>
      evening({ returns: [siteless] }, '2026-12-01T00:00:00Z', undefined, site, day).gaps.length
    // 03:00 UTC is the 26th in Dublin and still the 25th in New York
    expect([shown(tern, '2026-11-26'), shown(tern, today), shown(quarry, today), shown(quarry, '2026-11-26')]).toEqual([
      1, 0, 1, 0,
    ])
  })
})

describe('the MeasureReport', () => {
  const over = {
    links: [1, 2, 3].map((n) => tied(n, n === 3 ? `${today}T18:30:00Z` : `${today}T09:05:00Z`)),
  }
  const report = (asOf?: string, site = tern, day = today): MeasureReport =>
    measureReport(evening(over, asOf, undefined, site, day))

  test('has two groups with three populations each, and the score in four decimals', () => {
    const text = JSON.stringify(report())
    expect(text).toContain('"measureScore":{"value":0.6667}')
    expect(report().group?.map((g) => [g.code?.coding?.[0]?.code, g.population?.map((p) => p.count)])).toEqual([
      ['linked', [3, 3, 2]],
      ['taken', [0, 0, 0]],
    ])
    const coded = report().group?.[0]?.population?.map((p) => p.code?.coding?.[0]?.code)
    expect(coded).toEqual(['initial-population', 'denominator', 'numerator'])
  })

  test.each([
    [[0, 1], '0.0000'],
    [[1, 1], '1.0000'],
    [[1, 3], '0.3333'],
  ] as const)('prints %j as %s', ([inTime, all], printed) => {
    const links = Array.from({ length: all }, (_, n) =>
      tied(n, n < inTime ? `${today}T09:05:00Z` : '2026-11-26T09:00:00Z'),
    )
    expect(JSON.stringify(measureReport(evening({ links })))).toContain(`{"value":${printed}}`)
  })

  test('has no score where nothing was due', () => {
    const [linked, taken] = report(`${today}T10:00:00Z`).group ?? []
    expect([linked?.measureScore, taken?.measureScore]).toEqual([undefined, undefined])
  })

  test.each<[string, Site, string, string, string]>([
    ['24 hours', tern, today, '2026-11-25T00:00:00.000Z', '2026-11-25T23:59:59.999Z'],
    ['24 hours elsewhere', quarry, today, '2026-11-25T05:00:00.000Z', '2026-11-26T04:59:59.999Z'],
    // clocks go back in Dublin on 25 October 2026, forward in New York on 8 March 2026
    ['25 hours', tern, '2026-10-25', '2026-10-24T23:00:00.000Z', '2026-10-25T23:59:59.999Z'],
    ['23 hours', quarry, '2026-03-08', '2026-03-08T05:00:00.000Z', '2026-03-09T03:59:59.999Z'],
  ])('covers a day of %s, to its last millisecond', (_, site, day, start, end) => {
    expect(report(undefined, site, day).period).toEqual({ start, end })
  })

  test('says for whom, as of when, and by which rules of time zones', () => {
    expect(report()).toMatchObject({
      status: 'complete',
      type: 'summary',
      date: at('2026-11-26T12:00:00Z'),
      reporter: { identifier: { system: systems.sites, value: 'tern-harbour' } },
      extension: [{ url: extensions.timeZoneData, valueString: '2026a' }],
    })
  })

  test('has an id that follows from site, day and moment', () => {
    expect(report().id).toBe(report().id)
    const ids = [
      report(),
      report(`${today}T18:00:00Z`),
      report(undefined, quarry),
      report(undefined, tern, '2026-11-24'),
    ]
    expect(new Set(ids.map((r) => r.id)).size).toBe(4)
  })

  // R4 Bundle, entry.fullUrl: a URN where it does not say on which server the resource is
  test('leads a collection in which every entry has its fullUrl, the same bytes each time and wherever it runs', () => {
    const made = () => eveningBundle(evening({ applications: [application()] }))
    const uuidUrn = /^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[1-8][0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/
    for (const { fullUrl, resource } of made().entry ?? []) {
      expect(fullUrl).toBe(`urn:uuid:${resource?.id}`)
      expect(fullUrl).toMatch(uuidUrn)
    }
    expect(made().entry?.map((e) => e.resource?.resourceType)).toEqual(['MeasureReport', 'DetectedIssue'])
    expect(JSON.stringify(made())).toBe(JSON.stringify(made()))
  })
})

describe('the DetectedIssue', () => {
  const gap: GapState = {
    kind: 'gap',
    id: uuid(700),
    code: 'clock-doubt',
    site: 'tern-harbour',
    day: today,
    status: 'final',
    since: at(`${today}T18:00:00Z`),
    orderId: ids.order,
    deviceId: ids.device,
    linkId: ids.link,
    patientId: ids.patient,
    restsOn: [{ kind: 'link', id: ids.link, fact: 17 }],
    found: '12 h 0 min fast',
    cause: 'am-pm',
  }

  test('says what is missing, for whom, since when, and what to do next', () => {
    const issue = detectedIssue(gap)
    expect(issue).toMatchObject({
      status: 'final',
      severity: 'moderate',
      identifier: [{ system: identifierSystems.DetectedIssue, value: gap.id }],
      code: { coding: [{ system: systems.gap, code: 'clock-doubt' }] },
      patient: { reference: `Patient/${ids.patient}` },
      identifiedDateTime: gap.since,
      extension: [{ url: extensions.likeliestCause, valueCode: 'am-pm' }],
    })
    expect(issue.implicated?.map((r) => r.reference)).toEqual([
      `ServiceRequest/${ids.order}`,
      `Device/${ids.device}`,
      `DeviceUseStatement/${ids.link}`,
    ])
    expect(issue.detail).toContain('12 h 0 min fast')
    expect(issue.detail).toContain('(12 hours)')
    expect(issue.mitigation).toBeUndefined()
  })

  test('says what mended it and when, and names nobody: no person acted', () => {
    const issue = detectedIssue({ ...gap, mended: { at: at('2026-11-26T09:00:00Z'), action: 'linked' } })
    expect(issue.mitigation).toEqual([
      { action: { coding: [{ system: systems.mitigation, code: 'linked' }] }, date: at('2026-11-26T09:00:00Z') },
    ])
  })

  test('names nobody and nothing where nothing is known', () => {
    const { patientId: _p, orderId: _o, linkId: _l, found: _f, cause: _c, ...less } = gap
    const issue: DetectedIssue = detectedIssue({ ...less, code: 'return-without-patient' })
    expect([issue.patient, issue.extension]).toEqual([undefined, undefined])
    expect(issue.implicated).toEqual([{ reference: `Device/${ids.device}` }])
  })
})

describe('the moments at which an evening is issued', () => {
  const due = (site: Site, after: string, now: string) =>
    momentsDue(site, at(after), at(now)).map((m) => [m.day, m.moment, m.at])
  const { cutOff: _none, ...plain } = tern

  test.each<[string, Site, string, string, [string, string, string][]]>([
    ['none before the cut-off', tern, `${today}T00:00:00Z`, '2026-11-25T17:59:59Z', []],
    [
      'the cut-off, at its instant',
      tern,
      `${today}T00:00:00Z`,
      `${today}T18:00:00Z`,
      [[today, 'cut-off', `${today}T18:00:00Z`]],
    ],
    ['not the cut-off again', tern, `${today}T18:00:00Z`, '2026-11-25T23:59:59Z', []],
    [
      'the end of the day, at the first instant of the next',
      tern,
      `${today}T18:00:00Z`,
      '2026-11-26T00:00:00Z',
      [[today, 'day-end', '2026-11-26T00:00:00Z']],
    ],
    [
      'the end of the day alone, where there is no cut-off',
      plain,
      `${today}T00:00:00Z`,
      '2026-11-26T00:00:00Z',
      [[today, 'day-end', '2026-11-26T00:00:00Z']],
    ],
    [
      'the moments of the site’s own zone',
      quarry,
      `${today}T12:00:00Z`,
      '2026-11-26T12:00:00Z',
      [
        [today, 'cut-off', `${today}T23:00:00Z`],
        [today, 'day-end', '2026-11-26T05:00:00Z'],
      ],
    ],
    [
      'those that were missed in a downtime, the oldest first',
      tern,
      `${today}T18:00:00Z`,
      '2026-11-27T10:00:00Z',
      [
        [today, 'day-end', '2026-11-26T00:00:00Z'],
        ['2026-11-26', 'cut-off', '2026-11-26T18:00:00Z'],
        ['2026-11-26', 'day-end', '2026-11-27T00:00:00Z'],
      ],
    ],
    // clocks go back in Dublin at 01:00 UTC on 25 October 2026: the day began at 23:00 UTC
    [
      'those of a day of 25 hours',
      tern,
      '2026-10-24T23:00:00Z',
      '2026-10-26T00:00:00Z',
      [
        ['2026-10-25', 'cut-off', '2026-10-25T18:00:00Z'],
        ['2026-10-25', 'day-end', '2026-10-26T00:00:00Z'],
      ],
    ],
    // clocks go forward in New York on 8 March 2026: 18:00 is 22:00 UTC
    [
      'those of a day of 23 hours',
      quarry,
      '2026-03-08T05:00:00Z',
      '2026-03-09T04:00:00Z',
      [
        ['2026-03-08', 'cut-off', '2026-03-08T22:00:00Z'],
        ['2026-03-08', 'day-end', '2026-03-09T04:00:00Z'],
      ],
    ],
  ])('are %s', (_, site, after, now, moments) => {
    expect(due(site, after, now)).toEqual(moments.map(([day, moment, instant]) => [day, moment, at(instant)]))
  })

  test('are each issued once, however the time between is cut up', () => {
    const hour = (n: number) => at(new Date(Date.UTC(2026, 9, 23, n)).toISOString())
    const stops = fc
      .uniqueArray(fc.integer({ min: 1, max: 119 }), { maxLength: 8 })
      .map((l) => [0, ...l.sort((a, b) => a - b), 120])
    fc.assert(
      fc.property(stops, fc.constantFrom(tern, quarry, plain), (list, site) => {
        const piecewise = list.slice(1).flatMap((n, i) => momentsDue(site, hour(list[i] ?? 0), hour(n)))
        const whole = momentsDue(site, hour(0), hour(120))
        expect(piecewise).toEqual(whole)
        expect(whole.map((m) => m.at)).toEqual(whole.map((m) => m.at).sort())
      }),
      { numRuns: 15 },
    )
  })

  test('are foreseen: the next one is the first that will be due', () => {
    const minute = (n: number) => at(new Date(Date.UTC(2026, 9, 23, 0, n)).toISOString())
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 5 * 1440 }), fc.constantFrom(tern, quarry, plain), (n, site) => {
        const [first] = momentsDue(site, minute(n), minute(n + 2 * 1440))
        expect(nextMoment(site, minute(n))).toBe(first?.at)
      }),
      { numRuns: 60 },
    )
  })

  test('are made up for over a month, and no further back', () => {
    const all = momentsDue(tern, at('2025-01-01T00:00:00Z'), at('2026-11-25T12:00:00Z'))
    expect(all[0]?.day).toBe('2026-10-25')
    expect(all.at(-1)).toMatchObject({ day: '2026-11-24', moment: 'day-end' })
    expect(all).toHaveLength(62)
  })
})
