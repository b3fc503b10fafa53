/** Who is told of which gaps at which moment: each rule a sentence, and what holds for any course of a day. */
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Due, digestOf, judge, type ToldGap, toldBy } from '../../src/flow/watch-flow/alerts/digest.ts'
import { alertMessage, alertWords } from '../../src/flow/watch-flow/alerts/message.ts'
import { alertMoments, atOnce, momentsOfDay, quietUntil } from '../../src/flow/watch-flow/alerts/moments.ts'
import { previewOf } from '../../src/flow/watch-flow/alerts/preview.ts'
import type { AlertRule, Recipient, Site } from '../../src/model/configuration.ts'
import { instantOf } from '../../src/model/instant.ts'
import type { GapCode, GapState } from '../../src/model/states.ts'

const at = (text: string): string => instantOf(Date.parse(text))

const rule = (when: string, to: string, more: Partial<AlertRule> = {}): AlertRule => ({
  at: when,
  to,
  severities: ['high', 'moderate'],
  ...more,
})

const ladder = [rule('-PT90M', 'desk'), rule('PT0S', 'lead'), rule('PT2H', 'manager')]

const clinic = (more: Partial<Site> = {}): Site => ({
  id: 'tern-harbour',
  name: 'Tern Harbour Clinic',
  identifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
  timeZone: 'Europe/Dublin',
  cutOff: '18:00',
  closed: ['sun'],
  wear: 'P14D',
  transit: 'P10D',
  reading: 'P3D',
  alerts: ladder,
  ...more,
})

const people = (...list: readonly Recipient[]): ReadonlyMap<string, Recipient> =>
  new Map([{ id: 'desk' }, { id: 'lead' }, { id: 'manager' }, ...list].map((r) => [r.id, r]))

/** A Wednesday; Dublin is at UTC. */
const day = '2035-03-21'

const gap = (n: number, more: Partial<GapState> = {}): GapState => ({
  kind: 'gap',
  id: `00000000-0000-4000-8000-${String(n).padStart(12, '0')}`,
  code: 'no-link',
  site: 'tern-harbour',
  day,
  status: 'preliminary',
  since: at(`${day}T09:00:00Z`),
  restsOn: [],
  ...more,
})

const sent = (site: Site, recipients = people(), on = day) =>
  momentsOfDay(site, on, recipients).map((m) => `${m.rule.to} ${m.sendAt.slice(0, 16)}`)

describe('the moments', () => {
  test('lie before, at and after the cut-off, each for its recipient', () => {
    expect(sent(clinic())).toEqual(['desk 2035-03-21T16:30', 'lead 2035-03-21T18:00', 'manager 2035-03-21T20:00'])
  })

  test('follow the clock of the site, also where the cut-off falls into an hour that comes twice', () => {
    const site = clinic({ cutOff: '01:30', timeZone: 'Europe/Dublin', closed: [] })
    // Dublin sets its clock back on 2035-10-28 at 02:00 summer time; the later 01:30 counts
    expect(sent(site, people(), '2035-10-28')[1]).toBe('lead 2035-10-28T01:30')
  })

  test('are none on a closed day: a weekday or a date', () => {
    expect(sent(clinic(), people(), '2035-03-25')).toEqual([])
    expect(sent(clinic({ closed: ['2035-03-21'] }))).toEqual([])
  })

  test('are none where the recipient is not known, and rules that tell at once have no moment', () => {
    expect(sent(clinic({ alerts: [rule('PT0S', 'nobody'), rule('now', 'lead')] }))).toEqual([])
  })

  test.each([
    ['before quiet hours it goes out', '2035-03-21T19:59:00Z', undefined],
    ['at their beginning it waits to their end, next morning', '2035-03-21T20:00:00Z', '2035-03-22T07:00:00.000Z'],
    ['in the small hours it waits to the same morning', '2035-03-22T03:00:00Z', '2035-03-22T07:00:00.000Z'],
    ['at their end it goes out', '2035-03-22T07:00:00Z', undefined],
    ['in summer time they are local too', '2035-07-02T19:30:00Z', '2035-07-03T06:00:00.000Z'],
  ])('quiet hours over midnight: %s', (_, moment, until) => {
    const end = quietUntil({ from: '20:00', until: '07:00' }, clinic(), Date.parse(moment))
    expect(end && new Date(end).toISOString()).toBe(until)
  })

  test('quiet hours within a day, on the clock of the recipient', () => {
    const quiet = { from: '12:00', until: '13:00', timeZone: 'America/New_York' }
    const end = quietUntil(quiet, clinic(), Date.parse('2035-03-21T16:30:00Z'))
    expect(end && new Date(end).toISOString()).toBe('2035-03-21T17:00:00.000Z')
  })

  test('wait for the end of quiet hours, unless the rule is urgent', () => {
    const lead = { id: 'lead', quiet: { from: '17:00', until: '07:00' } }
    const site = clinic({ alerts: [rule('PT0S', 'lead'), rule('PT1H', 'lead', { urgent: true })] })
    expect(sent(site, people(lead))).toEqual(['lead 2035-03-22T07:00', 'lead 2035-03-21T19:00'])
  })

  test('of some days are found by when they go out, the oldest first', () => {
    const lead = { id: 'lead', quiet: { from: '17:00', until: '07:00' } }
    const found = alertMoments(clinic(), people(lead), at('2035-03-21T18:00:00Z'), at('2035-03-22T16:30:00Z'))
    expect(found.map((m) => `${m.rule.to} ${m.sendAt.slice(0, 16)}`)).toEqual([
      'manager 2035-03-21T20:00',
      'lead 2035-03-22T07:00',
      'desk 2035-03-22T16:30',
    ])
  })

  test('of a rule a week after its cut-off are found', () => {
    const site = clinic({ alerts: [rule('P7D', 'lead')], closed: [] })
    const found = alertMoments(site, people(), at('2035-03-28T17:59:00Z'), at('2035-03-28T18:00:00Z'))
    expect(found.map((m) => m.day)).toEqual([day])
  })

  test('at once is at any time but in quiet hours', () => {
    const lead = { id: 'lead', quiet: { from: '20:00', until: '07:00' } }
    const site = clinic({ alerts: [rule('now', 'lead', { severities: ['high'] }), rule('PT0S', 'lead')] })
    const count = (moment: string, sites = [site]) => atOnce(sites, lead, at(moment)).length
    expect([count('2035-03-21T12:00:00Z'), count('2035-03-21T22:00:00Z')]).toEqual([1, 0])
    const urgent = clinic({ alerts: [rule('now', 'lead', { urgent: true })] })
    expect(count('2035-03-21T22:00:00Z', [urgent])).toBe(1)
  })
})

const due = (site = clinic(), r: AlertRule = rule('PT0S', 'lead')): Due => ({ site, rule: r, day })

const told = (g: GapState): ToldGap => ({ gap: g.id, status: g.status })

const seen = { acknowledged: [{ at: at(`${day}T17:00:00Z`), by: 'bay-3' }] }
const mended = { mended: { at: at(`${day}T17:30:00Z`), action: 'linked' } } as const

describe('a gap', () => {
  test.each<[string, GapState, readonly ToldGap[], string]>([
    ['that nobody was told of is news', gap(1), [], 'new'],
    ['that was mended in between is none', gap(1, mended), [], 'mended'],
    ['that was told as it stands is none', gap(1), [told(gap(1))], 'told before'],
    ['that has become final since is news', gap(1, { status: 'final' }), [told(gap(1))], 'final'],
    ['that was told as final is none, whatever it is now', gap(1), [told(gap(1, { status: 'final' }))], 'told before'],
    ['that comes again is news', gap(2, { reopens: gap(1).id }), [told(gap(1))], 'again'],
    ['that somebody acknowledged goes no further up the ladder', gap(1, seen), [], 'acknowledged'],
    [
      'that was acknowledged stays with whoever takes care of it past the cut-off',
      gap(1, { ...seen, status: 'final' }),
      [told(gap(1))],
      'acknowledged',
    ],
    ['of low severity is told to nobody unless a rule says so', gap(1, { code: 'late-link' }), [], 'of no rule'],
    ['of another site is not theirs', gap(1, { site: 'quarry-lane' }), [], 'of no rule'],
    [
      'that belongs to no cut-off comes with the next moment',
      gap(1, { code: 'report-doubt', status: 'final' }),
      [],
      'new',
    ],
    ['of an earlier day comes with the next moment', gap(1, { day: '2035-03-19' }), [], 'new'],
  ])('%s', (_, g, before, expected) => {
    const verdict = judge(g, [due()], before)
    expect('news' in verdict ? verdict.news : verdict.silence).toBe(expected)
  })

  test('of which nobody could tell the site is told to every site', () => {
    const { site: _, ...nowhere } = gap(1, { code: 'return-without-patient', status: 'final' })
    const other = clinic({ id: 'quarry-lane' })
    expect(judge(nowhere, [due(other)], [])).toEqual({ news: 'new', site: other })
  })
})

const ask = (gaps: readonly GapState[], before: readonly ToldGap[] = [], dues: readonly Due[] = [due()]) =>
  digestOf({
    recipient: 'lead',
    dueAt: at(`${day}T18:00:00Z`),
    asOf: at(`${day}T18:00:01Z`),
    due: dues,
    gaps,
    told: before,
  })

describe('a digest', () => {
  test('is none where nothing is open, and none where nothing is news', () => {
    expect(ask([])).toBeUndefined()
    expect(ask([gap(1)], [told(gap(1))])).toBeUndefined()
    expect(ask([gap(1, mended), gap(2, seen)])).toBeUndefined()
  })

  test('is one for several sites of the same moment', () => {
    const other = clinic({ id: 'quarry-lane', name: 'Quarry Lane Outpatients' })
    const digest = ask([gap(1), gap(2, { site: 'quarry-lane' })], [], [due(), due(other)])
    expect(digest?.sites.map((s) => [s.site.id, s.gaps.length])).toEqual([
      ['tern-harbour', 1],
      ['quarry-lane', 1],
    ])
  })

  test('is one for two thousand sites of the same minute', () => {
    const sites = Array.from({ length: 2_000 }, (_, n) => clinic({ id: `site-${n}` }))
    const gaps = sites.map((s, n) => gap(n, { site: s.id }))
    const digest = ask(
      gaps,
      [],
      sites.map((s) => due(s)),
    )
    expect(digest?.sites.map((s) => [s.site.id, s.gaps.length])).toEqual(sites.map((s) => [s.id, 1]))
  })

  test('tells a gap once where two rules of one recipient fall together', () => {
    const digest = ask([gap(1)], [], [due(), due(clinic(), rule('-PT90M', 'lead'))])
    expect(digest?.sites.flatMap((s) => s.gaps)).toHaveLength(1)
  })

  const message = (site: Site, gaps: readonly GapState[]) => {
    const digest = ask(gaps, [], [due(site)])
    if (digest === undefined) throw new Error('there is a digest')
    const labels = { orders: new Map([['o-1', 'P-1']]), devices: new Map([['d-1', 'RC1']]) }
    return alertMessage(digest, 'https://daybind.tern-harbour.example', labels)
  }

  test('says how many there are of each kind and where to look, and names none', () => {
    const gaps = [
      gap(1, { orderId: 'o-1', deviceId: 'd-1', patientId: 'p-1' }),
      gap(2),
      gap(3, { code: 'clock-doubt', status: 'final', day: '2035-03-20' }),
    ]
    const said = message(clinic(), gaps)
    expect(said.data.sites[0]?.gaps.map((g) => [g.count, g.gap, g.severity, g.status, g.report])).toEqual([
      [
        2,
        'no-link',
        'high',
        'preliminary',
        'https://daybind.tern-harbour.example/reports/day/tern-harbour/2035-03-21.html',
      ],
      [
        1,
        'clock-doubt',
        'moderate',
        'final',
        'https://daybind.tern-harbour.example/reports/day/tern-harbour/2035-03-20.html',
      ],
    ])
    expect(JSON.stringify(said)).not.toMatch(/P-1|RC1|o-1|d-1|p-1/)
  })

  test('names placer numbers and serial numbers where the site says so', () => {
    const said = message(clinic({ alertsShow: 'placer' }), [gap(1, { orderId: 'o-1', deviceId: 'd-1' })])
    expect(said.data.sites[0]?.gaps[0]?.gaps).toEqual([
      { order: 'P-1', recorder: 'RC1', since: '2035-03-21T09:00:00+00:00' },
    ])
    expect(alertWords(said).sites[0]?.gaps[0]?.named).toEqual(['order P-1, recorder RC1, since 2035-03-21 09:00'])
  })

  test('says in its subject whether there is time to mend them, on the clock of the site', () => {
    const site = clinic({ timeZone: 'America/New_York' })
    expect(alertWords(message(site, [gap(1), gap(2)])).subject).toBe(
      'Tern Harbour Clinic: 2 gaps to mend before the cut-off at 18:00',
    )
    expect(alertWords(message(site, [gap(1, { status: 'final' })])).subject).toBe('Tern Harbour Clinic: 1 gap to mend')
  })

  test('says that it is late when it is', () => {
    const digest = ask([gap(1)])
    if (digest === undefined) throw new Error('there is a digest')
    const none = { orders: new Map(), devices: new Map() }
    expect(alertMessage(digest, '', none).data.late).toBeUndefined()
    expect(alertMessage({ ...digest, asOf: at(`${day}T21:00:00Z`) }, '', none).data.late).toBe(true)
  })
})

describe('a day', () => {
  const played = (site: Site, gapsAt: (moment: string) => readonly GapState[], recipients = people()) =>
    previewOf({ site, day, at: at(`${day}T23:00:00Z`), recipients, gapsAt, told: new Map() }).moments.map(
      (m) =>
        `${m.sendAt.slice(11, 16)} ${m.recipient} ${
          m.digest?.sites.flatMap((s) => s.gaps.map((g) => `${g.gap.id.slice(-1)} ${g.news}`)).join(', ') ?? '-'
        }`,
    )

  const standsFrom = (moment: string): GapState =>
    gap(1, { status: moment < at(`${day}T18:00:00Z`) ? 'preliminary' : 'final' })

  test('goes up the ladder while nobody takes care of a gap', () => {
    expect(played(clinic(), (m) => [standsFrom(m)])).toEqual([
      '16:30 desk 1 new',
      '18:00 lead 1 new',
      '20:00 manager 1 new',
    ])
  })

  test('goes no further once somebody has acknowledged it', () => {
    const gaps = (m: string) => [{ ...standsFrom(m), ...(m >= at(`${day}T17:00:00Z`) && seen) }]
    expect(played(clinic(), gaps)).toEqual(['16:30 desk 1 new', '18:00 lead -', '20:00 manager -'])
  })

  test('tells one person again only when the gap has crossed the cut-off', () => {
    const alerts = [rule('-PT90M', 'desk'), rule('-PT30M', 'desk'), rule('PT0S', 'desk'), rule('PT1H', 'desk')]
    expect(played(clinic({ alerts }), (m) => [standsFrom(m)])).toEqual([
      '16:30 desk 1 new',
      '17:30 desk -',
      '18:00 desk 1 final',
      '19:00 desk -',
    ])
  })

  test('computes what waited for the end of quiet hours anew', () => {
    const quiet = people({ id: 'lead', quiet: { from: '17:00', until: '21:00' } })
    const gaps = (m: string) => [
      { ...standsFrom(m), ...(m >= at(`${day}T19:00:00Z`) && mended) },
      ...(m >= at(`${day}T20:00:00Z`) ? [gap(2, { code: 'identity-doubt', status: 'final' })] : []),
    ]
    expect(played(clinic({ alerts: [rule('PT0S', 'lead')] }), gaps, quiet)).toEqual(['21:00 lead 2 new'])
  })

  test('says why a rule has no moment', () => {
    const closed = previewOf({
      site: clinic(),
      day: '2035-03-25',
      at: at('2035-03-25T12:00:00Z'),
      recipients: people(),
      gapsAt: () => [],
      told: new Map(),
    })
    expect([closed.moments.length, closed.without.map((w) => w.why)]).toEqual([
      0,
      Array.from({ length: 3 }, () => 'The site is closed on that day.'),
    ])
  })
})

describe('whatever happens', () => {
  const codes: readonly GapCode[] = ['no-link', 'no-application', 'late-link', 'report-doubt']
  /** What becomes of a gap at one moment after another. */
  const course = fc.record({
    code: fc.constantFrom(...codes),
    opens: fc.integer({ min: 0, max: 9 }),
    final: fc.integer({ min: 0, max: 9 }),
    mended: fc.option(fc.integer({ min: 0, max: 9 }), { nil: undefined }),
    acknowledged: fc.option(fc.integer({ min: 0, max: 9 }), { nil: undefined }),
  })

  test('nobody is told without news, of what is mended or acknowledged, or more than twice of one gap', () => {
    fc.assert(
      fc.property(
        fc.array(course, { maxLength: 6 }),
        fc.array(fc.nat(2), { minLength: 10, maxLength: 10 }),
        (all, who) => {
          const knows = new Map<number, ToldGap[]>()
          const tellings = new Map<string, string[]>()
          for (let n = 0; n < 10; n += 1) {
            const gaps = all.flatMap((c, i): readonly GapState[] =>
              c.opens > n
                ? []
                : [
                    gap(i, {
                      code: c.code,
                      status: n >= c.final ? 'final' : 'preliminary',
                      ...(c.mended !== undefined && c.mended <= n && mended),
                      ...(c.acknowledged !== undefined && c.acknowledged <= n && seen),
                    }),
                  ],
            )
            const person = who[n] ?? 0
            const before = knows.get(person) ?? []
            const digest = ask(gaps, before)
            // the same is asked again, by another instance or after a crash: there is no news any more
            if (digest) expect(ask(gaps, [...before, ...toldBy(digest)])).toBeUndefined()
            for (const { gap: g } of digest?.sites.flatMap((s) => s.gaps) ?? []) {
              expect([g.mended, g.acknowledged, g.code === 'late-link']).toEqual([undefined, undefined, false])
              const key = `${person} ${g.id}`
              const list = tellings.get(key) ?? []
              expect(list).not.toContain(g.status)
              tellings.set(key, [...list, g.status])
            }
            // whoever is due and is told nothing knows all that stands open and is theirs
            const open = gaps.filter((g) => !g.mended && !g.acknowledged && g.code !== 'late-link')
            const now = [...before, ...(digest ? toldBy(digest) : [])]
            for (const g of open)
              expect(now.some((t) => t.gap === g.id && (t.status === g.status || t.status === 'final'))).toBe(true)
            knows.set(person, now)
          }
          for (const list of tellings.values())
            expect(['preliminary', 'final', 'preliminary final']).toContain(list.join(' '))
        },
      ),
    )
  })

  test('no moment lies in quiet hours, and each day has every moment once', () => {
    const time = fc.tuple(fc.nat(23), fc.constantFrom('00', '30')).map(([h, m]) => `${String(h).padStart(2, '0')}:${m}`)
    fc.assert(
      fc.property(time, time, fc.integer({ min: -600, max: 600 }), fc.nat(400), (from, until, minutes, days) => {
        fc.pre(from !== until)
        const quiet = { from, until }
        const recipients = people({ id: 'lead', quiet })
        const when = `${minutes < 0 ? '-' : ''}PT${Math.abs(minutes)}M`
        const site = clinic({ alerts: [rule(when, 'lead')], closed: [] })
        const begin = Date.parse('2035-01-01T00:00:00Z') + days * 86_400_000
        const found = alertMoments(site, recipients, instantOf(begin), instantOf(begin + 5 * 86_400_000))
        for (const m of found) expect(quietUntil(quiet, site, Date.parse(m.sendAt))).toBeUndefined()
        expect(new Set(found.map((m) => m.day)).size).toBe(found.length)
        expect(found.length).toBeGreaterThanOrEqual(4)
        expect(found.length).toBeLessThanOrEqual(6)
      }),
    )
  })
})
