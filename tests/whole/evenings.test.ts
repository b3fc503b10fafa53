/** Every evening each site is told what is missing, over HTTP: contract sections 6 to 8. */
import { setTimeout as pause } from 'node:timers/promises'
import type { Bundle, DetectedIssue, MeasureReport, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { answerTask } from '../../src/testkit/answer-task.ts'
import { useTestDatabase } from '../support/database.ts'
import {
  type Ask,
  askingAs,
  startTestService,
  type TestService,
  testSites,
  tokenOf,
  useTestService,
} from '../support/service.ts'
import {
  beginOn,
  found,
  inDatabase,
  label,
  link,
  newSerial,
  type Ordered,
  operate,
  out,
  type Said,
  sendOrder,
  verdict,
} from './bedside.ts'

const sites = 'https://daybind.example/sites'

/** Every caller's way to a service. */
const callersOf = (service: () => TestService) => {
  const as = askingAs(service)
  return { ehr: as('harbour-ehr'), bay: as('bay-3'), lane: as('lane-desk'), ops: as('ops') }
}

const evening = async (ask: Ask, site: string, date: string, asOf?: string) =>
  operate(ask, '$reconcile-day', { site: { system: sites, value: site }, date, asOf })

interface Row {
  readonly gap: string
  readonly severity: string
  readonly status: string
  readonly final: boolean
  readonly order?: string
  readonly recorder?: string
  readonly since: string
  readonly mended?: string
  readonly what: string
  readonly id: string
}

interface Report {
  readonly asOf: string
  readonly cutOff: string
  readonly timeZone: string
  readonly gaps: readonly Row[]
  readonly issued: readonly { readonly moment: string; readonly asOf: string }[]
}

const reportOf = async (ask: Ask, site: string, date: string, asOf?: string): Promise<Report> => {
  const answer = await ask<Report>('GET', `/reports/day/${site}/${date}.json${asOf ? `?asOf=${asOf}` : ''}`)
  expect(answer.status, answer.text).toBe(200)
  return answer.body
}

/** `no-link open TR0001 P-1`: a gap, whether it stands open, the recorder and the order. */
const lines = (r: Report): readonly string[] =>
  r.gaps.map((g) => [g.gap, g.final ? g.status : 'preliminary', g.recorder ?? '-', g.order ?? '-'].join(' ')).toSorted()

const bundleOf = (answer: { text: string }) => JSON.parse(answer.text) as Bundle

const measureOf = (answer: { text: string }): MeasureReport =>
  bundleOf(answer).entry?.find((e) => e.resource?.resourceType === 'MeasureReport')?.resource as MeasureReport

/** Initial population, denominator, numerator and score of a group. */
const figures = (m: MeasureReport, code: string) => {
  const group = m.group?.find((g) => g.code?.coding?.[0]?.code === code)
  return [...(group?.population ?? []).map((p) => p.count), group?.measureScore?.value]
}

describe('a Wednesday with everything in it', () => {
  const service = useTestService()
  const { ehr, bay, lane, ops } = callersOf(service)
  const day = '2035-03-21'
  /** Dublin is at UTC until the 25th; New York is four hours behind since the 11th. */
  const at = (time: string): string => `${day}T${time}Z`

  const serials = { good: '', late: '', loose: '', back: '', revoked: '', expired: '', clock: '' }
  const orders: Record<string, Ordered> = {}
  const formula = '=HYPERLINK("https://x.example","a,b")'
  const markup = '<b>P-9</b>&amp;'
  const order = (name: string) => orders[name] as Ordered
  const placerOf = (name: string) => order(name).placer.value ?? ''

  const tie = async (name: keyof typeof serials, appliedAt: string, said: Said = {}) =>
    link(bay, order(name), { scan: label(serials[name]), appliedAt, ...said })

  beforeAll(async () => {
    await beginOn(service().database, at('10:00:00'))
    for (const name of Object.keys(serials) as (keyof typeof serials)[]) serials[name] = newSerial()
    for (const name of ['good', 'late', 'loose', 'revoked', 'expired', 'clock', 'absent', 'noShow', 'moved'])
      orders[name] = await sendOrder(ehr, { visit: day })
    orders.formula = await sendOrder(ehr, { visit: day, placer: formula })
    orders.markup = await sendOrder(ehr, { visit: day, placer: markup })
    const task = out<Task>(await tie('good', at('09:00:00'), { deviceClock: at('09:00:30') }), 'task')
    await answerTask({
      daybind: `${service().url}/fhir`,
      token: tokenOf('pebble'),
      taskId: task.id ?? '',
      status: 'accepted',
    })
    await tie('expired', at('09:05:00'), { scan: label(serials.expired, '350228') })
    await tie('clock', at('09:10:00'), { deviceClock: '2035-03-20T21:10:00Z' })
    await tie('revoked', at('09:15:00'))
    await sendOrder(ehr, { ...order('revoked'), visit: day, placer: placerOf('revoked'), status: 'revoked' })
    const seen = { scan: label(serials.loose), site: { system: sites, value: 'tern-harbour' }, evidence: 'capture' }
    await operate(bay, 'Device/$record-application', { ...seen, appliedAt: at('09:20:00') })
    await operate(bay, 'Device/$record-application', { ...seen, appliedAt: at('09:25:00'), evidence: 'activation' })
    const stock = { ...seen, scan: label(newSerial()), evidence: 'stock', appliedAt: at('09:00:00') }
    await operate(bay, 'Device/$record-application', stock)
    await operate(bay, 'Device/$record-return', { scan: label(serials.back), receivedAt: at('09:30:00') })
    await operate(bay, `ServiceRequest/${order('noShow').order}/$record-not-applied`, { why: 'no-show' })
    await operate(bay, `ServiceRequest/${order('moved').order}/$record-not-applied`, {
      why: 'rescheduled',
      newDate: '2035-03-28',
    })
  })

  const standing = () => [
    `clock-doubt open ${serials.clock} ${placerOf('clock')}`,
    `expired-device open ${serials.expired} ${placerOf('expired')}`,
    `return-without-patient open ${serials.back} -`,
    `revoked-while-worn open ${serials.revoked} ${placerOf('revoked')}`,
  ]

  /** Four hours after the link; one was accepted, one called off. */
  const notTaken = () => [
    `not-taken open ${serials.expired} ${placerOf('expired')}`,
    `not-taken open ${serials.clock} ${placerOf('clock')}`,
  ]

  test('in the morning tells what is doubtful already, and what is not linked yet as preliminary', async () => {
    const report = await reportOf(bay, 'tern-harbour', day)
    expect(lines(report)).toEqual([...standing(), `no-link preliminary ${serials.loose} -`].toSorted())
    expect(report.gaps.find((g) => g.gap === 'clock-doubt')?.what).toMatch(/12 h/)
    expect(report.gaps.find((g) => g.gap === 'expired-device')?.what).toContain('2035-02-28')
    const measure = measureOf(await evening(bay, 'tern-harbour', day))
    expect(figures(measure, 'linked')).toEqual([5, 0, 0, undefined])
    expect(figures(measure, 'taken')).toEqual([4, 0, 0, undefined])
    expect(report.issued).toEqual([])
  })

  test('at the cut-off is issued by itself, and what is not linked is final then', async () => {
    await service().setClock(at('17:59:00'))
    expect((await reportOf(bay, 'tern-harbour', day)).issued).toEqual([])
    await service().setClock(at('18:00:00'))
    const report = await reportOf(bay, 'tern-harbour', day)
    expect(report.issued.map((i) => i.moment)).toEqual(['cut-off'])
    expect(lines(report)).toEqual([...standing(), ...notTaken(), `no-link open ${serials.loose} -`].toSorted())
    const stored = await found<DetectedIssue>(bay, 'DetectedIssue?code=no-link')
    expect(stored.map((g) => [g.status, g.mitigation])).toEqual([['final', undefined]])
    expect(
      service()
        .logLines()
        .filter((l) => l.msg === 'evening issued'),
    ).toHaveLength(1)
  })

  test('shows a link that came after the cut-off as late, and mends what it answers', async () => {
    await tie('late', at('09:40:00'))
    await tie('loose', at('09:22:00'))
    const report = await reportOf(bay, 'tern-harbour', day)
    expect(lines(report)).toEqual(
      [
        ...standing(),
        ...notTaken(),
        `late-link open ${serials.late} ${placerOf('late')}`,
        `late-link open ${serials.loose} ${placerOf('loose')}`,
        `no-link mended ${serials.loose} ${placerOf('loose')}`,
      ].toSorted(),
    )
    const [noLink] = await found<DetectedIssue>(bay, 'DetectedIssue?code=no-link')
    expect(noLink?.mitigation?.[0]?.action.coding?.[0]?.code).toBe('linked')
    expect(noLink?.mitigation?.[0]?.author).toBeUndefined()
  })

  test('at a site in another zone has its own cut-off, and a device of the evening until midnight there', async () => {
    const theirs = await sendOrder(ehr, { site: 'quarry-lane', visit: day })
    const [inTime, tooLate] = [
      await sendOrder(ehr, { site: 'quarry-lane' }),
      await sendOrder(ehr, { site: 'quarry-lane' }),
    ]
    await service().setClock(at('21:29:00'))
    expect((await reportOf(lane, 'quarry-lane', day)).issued).toEqual([])
    await service().setClock(at('21:30:00'))
    const report = await reportOf(lane, 'quarry-lane', day)
    expect([report.cutOff, report.timeZone, report.issued.length]).toEqual(['17:30', 'America/New_York', 1])
    await service().setClock('2035-03-22T03:59:00Z')
    const [a, b] = [newSerial(), newSerial()]
    const appliedAt = '2035-03-21T21:00:00-04:00'
    expect((await link(lane, inTime, { scan: label(a), appliedAt })).status).toBe(200)
    expect(lines(await reportOf(lane, 'quarry-lane', day))).toEqual([])
    await service().setClock('2035-03-22T04:00:00Z')
    expect((await link(lane, tooLate, { scan: label(b), appliedAt })).status).toBe(200)
    const night = await reportOf(lane, 'quarry-lane', day)
    expect(lines(night)).toEqual([
      `late-link open ${b} ${tooLate.placer.value}`,
      `no-application open - ${theirs.placer.value}`,
    ])
    expect(night.issued.map((i) => i.moment)).toEqual(['cut-off', 'day-end'])
    expect(measureOf(await evening(lane, 'quarry-lane', day)).period).toEqual({
      start: '2035-03-21T04:00:00.000Z',
      end: '2035-03-22T03:59:59.999Z',
    })
  })

  test('after its end tells who was expected and of whom nothing was recorded', async () => {
    const report = await reportOf(bay, 'tern-harbour', day)
    expect(lines(report).filter((l) => l.startsWith('no-application'))).toEqual(
      [placerOf('absent'), formula, markup].map((p) => `no-application open - ${p}`).toSorted(),
    )
    expect(report.gaps.map((g) => g.severity)).toEqual(
      report.gaps.map((g) => g.severity).toSorted((x, y) => rank(x) - rank(y)),
    )
    const stored = await found<DetectedIssue>(bay, 'DetectedIssue?code=no-application')
    expect(stored).toHaveLength(3)
    await operate(bay, `ServiceRequest/${order('absent').order}/$record-not-applied`, { why: 'declined' })
    expect(lines(await reportOf(bay, 'tern-harbour', day))).toContain(`no-application mended - ${placerOf('absent')}`)
  })

  const rank = (severity: string): number => ['high', 'moderate', 'low'].indexOf(severity)

  test('counts as it was: applied, due, in time; and accepted in time', async () => {
    const answer = await evening(bay, 'tern-harbour', day)
    const measure = measureOf(answer)
    expect(measure).toMatchObject({
      status: 'complete',
      type: 'summary',
      reporter: { identifier: { value: 'tern-harbour' } },
    })
    expect(measure.measure).toMatch(/\/Measure\/[^|]+\|.+$/)
    expect(measure.period).toEqual({ start: '2035-03-21T00:00:00.000Z', end: '2035-03-21T23:59:59.999Z' })
    expect(measure.date).toBe(bundleOf(answer).timestamp)
    expect(figures(measure, 'linked')).toEqual([6, 6, 4, 0.6667])
    expect(figures(measure, 'taken')).toEqual([6, 6, 1, 0.1667])
    expect(answer.text).toContain('"measureScore":{"value":0.6667}')
    const entries = bundleOf(answer).entry ?? []
    expect(entries.every((e) => e.fullUrl === `urn:uuid:${e.resource?.id}`)).toBe(true)
    expect(new Set(entries.map((e) => e.resource?.resourceType))).toEqual(new Set(['MeasureReport', 'DetectedIssue']))
  })

  test('keeps the bytes that were issued, whatever is recorded afterwards', async () => {
    const sealed = await inDatabase<{ report: string }>(
      service().database,
      `select report from evenings where site = 'tern-harbour' and day = '${day}' order by as_of`,
    )
    const { issued } = await reportOf(bay, 'tern-harbour', day)
    expect(issued.map((i) => i.moment)).toEqual(['cut-off', 'day-end'])
    const asked = await Promise.all(issued.map((i) => evening(bay, 'tern-harbour', day, i.asOf)))
    expect(asked.map((a) => a.text)).toEqual(sealed.map((s) => s.report))
    expect(asked[0]?.text).not.toBe(asked[1]?.text)
    const cutOff = await reportOf(bay, 'tern-harbour', day, issued[0]?.asOf)
    expect(lines(cutOff)).toEqual([...standing(), ...notTaken(), `no-link open ${serials.loose} -`].toSorted())
  })

  test('asked again as of the same moment is the same, in every form, and asking stores nothing', async () => {
    const forms = ['json', 'csv', 'html']
    const { asOf } = await reportOf(bay, 'tern-harbour', day)
    const get = (form: string) => bay<string>('GET', `/reports/day/tern-harbour/${day}.${form}?asOf=${asOf}`)
    const first = await Promise.all(forms.map(get))
    const earlier = await evening(bay, 'tern-harbour', day, asOf)
    const rows = () =>
      inDatabase(service().database, 'select count(*) from evenings union all select count(*) from gaps')
    const before = await rows()
    await operate(bay, `ServiceRequest/${order('formula').order}/$record-not-applied`, { why: 'unfit' })
    expect(lines(await reportOf(bay, 'tern-harbour', day))).not.toEqual(
      lines(await reportOf(bay, 'tern-harbour', day, asOf)),
    )
    expect((await Promise.all(forms.map(get))).map((a) => a.text)).toEqual(first.map((a) => a.text))
    expect((await evening(bay, 'tern-harbour', day, asOf)).text).toBe(earlier.text)
    expect(await rows()).toEqual(before)
  })

  test('told before an evening was issued does not know of it later either', async () => {
    const tomorrow = '2035-03-22'
    const early = await bay<Report>('GET', `/reports/day/tern-harbour/${tomorrow}.json`)
    await service().setClock('2035-03-22T18:00:00Z')
    expect((await reportOf(bay, 'tern-harbour', tomorrow)).issued).toHaveLength(1)
    const again = await bay<Report>('GET', `/reports/day/tern-harbour/${tomorrow}.json?asOf=${early.body.asOf}`)
    expect(again.text).toBe(early.text)
  })

  test('as CSV is quoted by RFC 4180, and no cell is a formula', async () => {
    const answer = await bay<string>('GET', `/reports/day/tern-harbour/${day}.csv`)
    expect(answer.headers.get('content-type')).toMatch(/^text\/csv/)
    const table = readCsv(answer.text)
    const { gaps } = await reportOf(bay, 'tern-harbour', day)
    expect(table[0]).toEqual(expect.arrayContaining(['site', 'date', 'gap', 'severity', 'order', 'recorder', 'what']))
    expect(table.length).toBe(gaps.length + 1)
    expect(new Set(table.map((r) => r.length)).size).toBe(1)
    const cells = table.flat()
    expect(cells).toContain(`'${formula}`)
    expect(cells).toContain(markup)
    expect(cells.filter((c) => /^[=+\-@\t\r]/.test(c))).toEqual([])
    expect(answer.text.replaceAll('\r\n', '')).not.toMatch(/[\r\n]/)
    for (const { person } of Object.values(orders)) expect(answer.text).not.toContain(person.family)
  })

  /** RFC 4180, section 2. */
  const readCsv = (text: string): string[][] =>
    text
      .replace(/\r\n$/, '')
      .split('\r\n')
      .map((line) =>
        [...line.matchAll(/(?:^|,)(?:"((?:[^"]|"")*)"|([^",]*))/g)].map(([, quoted, bare]) =>
          quoted === undefined ? (bare ?? '') : quoted.replaceAll('""', '"'),
        ),
      )

  test('as a page escapes what it shows, and needs no script', async () => {
    const answer = await bay<string>('GET', `/reports/day/tern-harbour/${day}.html`)
    expect(answer.headers.get('content-type')).toMatch(/^text\/html/)
    expect(answer.text).toContain('&lt;b&gt;P-9&lt;/b&gt;&amp;amp;')
    expect(answer.text).not.toMatch(/<script|<b>P-9/)
    expect(answer.text).toContain(serials.late)
    expect(answer.text).toMatch(/Not for emergencies/)
    for (const { person } of Object.values(orders)) expect(answer.text).not.toContain(person.family)
  })

  test.each([
    ['a moment to come', { asOf: '2036-01-01T00:00:00Z' }, '422 in-the-future'],
    ['a date that there is not', { date: '2035-02-30' }, '400'],
    ['a site that there is not', { site: { system: sites, value: 'nowhere' } }, '422 unknown-site'],
    ['another clinic’s site', { site: { system: sites, value: 'quarry-lane' } }, '422 unknown-site'],
  ])('is refused for %s', async (_what, said, expected) => {
    const asked = { site: { system: sites, value: 'tern-harbour' }, date: day, ...said }
    expect(verdict(await operate(bay, '$reconcile-day', asked))).toContain(expected)
  })

  test('is not there for people of another site, nor in another form, nor to a source', async () => {
    const get = (ask: Ask, path: string) => ask('GET', `/reports/day/${path}`).then((a) => a.status)
    expect(await get(lane, `tern-harbour/${day}.json`)).toBe(404)
    expect(await get(bay, `nowhere/${day}.json`)).toBe(404)
    expect(await get(bay, `tern-harbour/${day}.pdf`)).toBe(404)
    expect(await get(ops, `tern-harbour/${day}.json`)).toBe(200)
    expect(await get(ehr, `tern-harbour/${day}.json`)).toBe(403)
    expect(await get(bay, `tern-harbour/${day}.json?asOf=2036-01-01T00:00:00Z`)).toBe(422)
  })

  /** Source of the change: tzdata, Europe/Dublin goes from UTC+0 to UTC+1 on the last Sunday of March at 01:00 UTC. */
  test('when the clocks go forward, the day has 23 hours and the cut-off is an hour earlier in UTC', async () => {
    const sunday = '2035-03-25'
    await service().setClock(`${sunday}T16:59:00Z`)
    const [early, late] = [await sendOrder(ehr, { visit: sunday }), await sendOrder(ehr, { visit: sunday })]
    const [a, b] = [newSerial(), newSerial()]
    await link(bay, early, { scan: label(a), appliedAt: '2035-03-25T10:00:00+01:00' })
    expect((await reportOf(bay, 'tern-harbour', sunday)).issued).toEqual([])
    await service().setClock(`${sunday}T17:00:00Z`)
    await link(bay, late, { scan: label(b), appliedAt: '2035-03-25T10:00:00+01:00' })
    const report = await reportOf(bay, 'tern-harbour', sunday)
    expect(report.issued.map((i) => i.moment)).toEqual(['cut-off'])
    expect(lines(report)).toEqual([`late-link open ${b} ${late.placer.value}`])
    expect(measureOf(await evening(bay, 'tern-harbour', sunday)).period).toEqual({
      start: '2035-03-25T00:00:00.000Z',
      end: '2035-03-25T22:59:59.999Z',
    })
    await service().setClock(`${sunday}T23:00:00Z`)
    expect((await reportOf(bay, 'tern-harbour', sunday)).issued.map((i) => i.moment)).toEqual(['cut-off', 'day-end'])
  })

  test('fifty reports that are asked for while eight desks link are the same when they are asked for again', async () => {
    const today = '2035-03-26'
    await service().setClock(`${today}T09:00:00Z`)
    let asking = true
    const desk = async (n: number) => {
      for (let i = 0; asking; i += 1) {
        const serial = newSerial()
        const seen = { scan: label(serial), site: { system: sites, value: 'tern-harbour' }, evidence: 'capture' }
        if (i % 2 === 0) await operate(bay, 'Device/$record-application', { ...seen, appliedAt: `${today}T08:00:00Z` })
        const ordered = await sendOrder(ehr, { visit: today })
        const answer = await link(bay, ordered, { scan: label(serial), appliedAt: `${today}T08:${10 + n}:00Z` })
        expect(answer.status, answer.text).toBe(200)
        await pause(60)
      }
    }
    const desks = Array.from({ length: 8 }, (_, n) => desk(n))
    const asked: { asOf: string; text: string }[] = []
    try {
      while (asked.length < 50) {
        // every other one names a moment that has just gone by, with writers still under way whose stamp lies before it
        const last = asked.length % 2 === 1 ? asked.at(-1)?.asOf : undefined
        const named = last === undefined ? undefined : new Date(Date.parse(last) + 2).toISOString()
        const answer = await evening(bay, 'tern-harbour', today, named)
        expect(answer.status, answer.text).toBe(200)
        asked.push({ asOf: bundleOf(answer).timestamp ?? '', text: answer.text })
      }
    } finally {
      asking = false
      await Promise.all(desks)
    }
    const counts = new Set(asked.map(({ text }) => figures(measureOf({ text }), 'linked')[0]))
    expect(counts.size).toBeGreaterThan(10)
    for (const { asOf, text } of asked) expect((await evening(bay, 'tern-harbour', today, asOf)).text).toBe(text)
  })
})

describe('what an evening tells, and whom', () => {
  const service = useTestService()
  const { ehr, bay, lane, ops } = callersOf(service)
  const day = '2035-07-11'
  /** Dublin is an hour ahead of UTC, New York four behind. */
  const at = (time: string): string => `${day}T${time}Z`
  beforeAll(() => beginOn(service().database, at('10:00:00')))

  test('a gap of one site says nothing of the patient of another: not stored, not in the report', async () => {
    const serial = newSerial()
    const back = await operate(bay, 'Device/$record-return', { scan: label(serial), receivedAt: at('09:30:00') })
    expect(out<DetectedIssue>(back, 'gap').mitigation).toBeUndefined()
    const theirs = await sendOrder(ehr, { site: 'quarry-lane' })
    const made = await link(lane, theirs, { scan: label(serial), appliedAt: '2035-07-08T14:00:00Z' })
    const linkId = out(made, 'link').id ?? ''
    const secrets = [theirs.order, theirs.patient, theirs.placer.value ?? '', linkId, theirs.person.family]
    const [stored] = await found<DetectedIssue>(bay, 'DetectedIssue?code=return-without-patient')
    expect(stored?.mitigation?.[0]?.action.coding?.[0]?.code).toBe('linked')
    const told = [
      JSON.stringify(stored),
      (await bay('GET', `/reports/day/tern-harbour/${day}.json`)).text,
      (await bay('GET', `/reports/day/tern-harbour/${day}.csv`)).text,
      (await evening(bay, 'tern-harbour', day)).text,
    ]
    for (const text of told) {
      expect(text).toContain('return-without-patient')
      for (const secret of secrets) expect(text).not.toContain(secret)
    }
  })

  test('a new date that is agreed after the day has ended mends that day, and opens nothing for the new one', async () => {
    const ordered = await sendOrder(ehr, { visit: day })
    await service().setClock(at('23:00:00'))
    const of = async (date: string) =>
      (await reportOf(bay, 'tern-harbour', date)).gaps
        .filter((g) => g.order === ordered.placer.value)
        .map((g) => [g.gap, g.status])
    const stored = async () =>
      (await found<DetectedIssue>(bay, `DetectedIssue?implicated=ServiceRequest/${ordered.order}`)).map((g) => [
        g.code?.coding?.[0]?.code,
        g.mitigation?.[0]?.action.coding?.[0]?.code,
      ])
    expect([await of(day), await stored()]).toEqual([[['no-application', 'open']], [['no-application', undefined]]])
    const newDate = '2035-07-14'
    const answer = await operate(bay, `ServiceRequest/${ordered.order}/$record-not-applied`, {
      why: 'rescheduled',
      newDate,
    })
    expect(answer.status, answer.text).toBe(200)
    expect([await of(day), await stored()]).toEqual([
      [['no-application', 'mended']],
      [['no-application', 'rescheduled']],
    ])
    expect(await of(newDate)).toEqual([])
  })

  test.each([
    [`${day}.json?asOf=x`, 400, [['http.asOf', 'wrong-value']]],
    [`${day}.html?asOf=2099-01-01T00:00:00Z`, 422, [['http.asOf', 'in-the-future']]],
    [`${day}.csv?asOf=${at('09:00:00')}&asOf=${at('09:30:00')}`, 400, [['http.asOf', 'wrong-parameter']]],
    [
      `${day}.json?foo=1&asof=x`,
      400,
      [
        ['http.foo', 'unknown-parameter'],
        ['http.asof', 'unknown-parameter'],
      ],
    ],
    [
      '2035-02-30.json?asOf=x',
      400,
      [
        ['http.date', 'wrong-value'],
        ['http.asOf', 'wrong-value'],
      ],
    ],
  ])('an address that cannot be read is refused with the place: %s', async (file, status, told) => {
    const answer = await bay('GET', `/reports/day/tern-harbour/${file}`)
    const places = answer.body.issue.map((i) => [i.location?.join(), i.details?.coding?.[0]?.code])
    expect([answer.status, places]).toEqual([status, told])
    expect((await bay('GET', `/reports/day/quarry-lane/${file}`)).status).toBe(404)
  })

  test('each that was issued is a MeasureReport, for the people of its site', async () => {
    const search = (ask: Ask, query: string) => found<MeasureReport>(ask, `MeasureReport?${query}`)
    const reporter = `reporter:identifier=${sites}|tern-harbour`
    const all = await search(bay, `${reporter}&period=ge${day}&period=le${day}`)
    expect(all.map((m) => m.status)).toEqual(['complete', 'complete'])
    expect(all.map((m) => m.reporter?.identifier?.value)).toEqual(['tern-harbour', 'tern-harbour'])
    const { issued } = await reportOf(bay, 'tern-harbour', day)
    expect(all.map((m) => m.date).toSorted()).toEqual(issued.map((i) => i.asOf).toSorted())
    const [one] = all
    const { system, value } = one?.identifier?.[0] ?? {}
    const path = `/fhir/MeasureReport/${one?.id}`
    expect((await search(bay, `identifier=${system}|${value}`)).map((m) => m.id)).toEqual([one?.id])
    expect(await search(bay, 'status=pending')).toEqual([])
    expect(await search(bay, `${reporter}&period=le2035-07-09`)).toEqual([])
    expect((await bay<MeasureReport>('GET', path)).body.group).toEqual(one?.group)
    expect((await ops('GET', path)).status).toBe(200)
    expect([await search(lane, reporter), await search(ehr, reporter)]).toEqual([[], []])
    expect([(await lane('GET', path)).status, (await ehr('GET', path)).status]).toEqual([404, 404])
    const theirs = await search(lane, `period=ge${day}&period=le${day}`)
    expect(new Set(theirs.map((m) => m.reporter?.identifier?.value))).toEqual(new Set(['quarry-lane']))
  })
})

describe('a service that was down', () => {
  const database = useTestDatabase()
  const open: TestService[] = []
  const start = async (cutOff = '18:00') => {
    const service = await startTestService({
      database: database().url,
      sites: testSites.map((s) => (s.id === 'tern-harbour' ? { ...s, cutOff } : s)),
    })
    open.push(service)
    return service
  }
  afterAll(() => Promise.all(open.map((s) => s.close())))

  const issued = () =>
    inDatabase<{ site: string; day: string; moment: string; report: string }>(
      database().url,
      'select site, day::text, moment, report from evenings order by due_at, site',
    )

  test('makes up for every evening that it missed, once, with two instances starting at once', async () => {
    const before = await start()
    const { ehr, bay } = callersOf(() => before)
    await beginOn(database().url, '2035-05-07T10:00:00Z')
    await sendOrder(ehr, { visit: '2035-05-07' })
    const site = { system: sites, value: 'tern-harbour' }
    const serial = newSerial()
    await operate(bay, 'Device/$record-application', {
      scan: label(serial),
      appliedAt: '2035-05-07T09:00:00Z',
      site,
      evidence: 'capture',
    })
    await before.close()
    open.pop()
    await inDatabase(
      database().url,
      `update clock set offset_by = timestamptz '2035-05-09T17:00:05Z' - clock_timestamp()`,
    )
    const [one, two] = await Promise.all([start(), start()])
    const rows = await issued()
    expect(rows.map((r) => `${r.site} ${r.day} ${r.moment}`)).toEqual([
      'tern-harbour 2035-05-07 cut-off',
      'quarry-lane 2035-05-07 cut-off',
      'tern-harbour 2035-05-07 day-end',
      'quarry-lane 2035-05-07 day-end',
      'tern-harbour 2035-05-08 cut-off',
      'quarry-lane 2035-05-08 cut-off',
      'tern-harbour 2035-05-08 day-end',
      'quarry-lane 2035-05-08 day-end',
      'tern-harbour 2035-05-09 cut-off',
    ])
    const told = [one, two].flatMap((s) => s.logLines().filter((l) => l.msg === 'evening issued'))
    expect(told).toHaveLength(9)
    const codes = (await found<DetectedIssue>(one.as('bay-3'), 'DetectedIssue')).map((g) => g.code?.coding?.[0]?.code)
    expect(codes.toSorted()).toEqual(['no-application', 'no-link'])
  })

  test('goes on once for both instances when the next moment comes', async () => {
    const [one, two] = open as [TestService, TestService]
    const next = '2035-05-09T21:30:00Z'
    await Promise.all([one.setClock(next), two.setClock(next), one.setClock(next), two.setClock(next)])
    expect((await issued()).slice(9).map((r) => `${r.site} ${r.day} ${r.moment}`)).toEqual([
      'quarry-lane 2035-05-09 cut-off',
    ])
  })

  test('tells an earlier evening by the cut-off that was in force then', async () => {
    const [one] = open as [TestService]
    const day = '2035-05-10'
    await one.setClock(`${day}T16:30:00Z`)
    const { ehr, bay } = callersOf(() => one)
    const ordered = await sendOrder(ehr)
    await link(bay, ordered, { scan: label(newSerial()), appliedAt: `${day}T09:00:00Z` })
    const text = (await evening(bay, 'tern-harbour', day)).text
    const asOf = bundleOf({ text }).timestamp ?? ''
    expect(figures(measureOf({ text }), 'linked')).toEqual([1, 0, 0, undefined])
    for (const s of open.splice(0)) await s.close()
    const after = (await start('12:00')).as('bay-3')
    expect((await evening(after, 'tern-harbour', day, asOf)).text).toBe(text)
    expect(figures(measureOf(await evening(after, 'tern-harbour', day)), 'linked')).toEqual([1, 1, 0, 0])
  })
})

describe('a service that was not there when an evening was due', () => {
  const service = useTestService()
  const { bay } = callersOf(service)

  test('issues it once it is back, in order, once, and says that it is late and when it was due', async () => {
    await beginOn(service().database, '2035-03-21T10:00:00Z')
    await service().setClock('2035-03-22T09:00:00Z')
    const { issued } = await reportOf(bay, 'tern-harbour', '2035-03-21')
    expect(issued).toMatchObject([
      { moment: 'cut-off', dueAt: '2035-03-21T18:00:00.000000Z', late: true },
      { moment: 'day-end', dueAt: '2035-03-22T00:00:00.000000Z', late: true },
    ])
    expect((issued[0]?.asOf ?? '') < (issued[1]?.asOf ?? '')).toBe(true)
    const page = await bay<string>('GET', '/reports/day/tern-harbour/2035-03-21.html')
    expect(page.text).toContain('late: it was due 2035-03-21 18:00')
    await service().setClock('2035-03-22T18:00:00Z')
    expect((await reportOf(bay, 'tern-harbour', '2035-03-22')).issued.map((i) => 'late' in i)).toEqual([false])
  })
})

describe('a source that was down for a day', () => {
  const service = useTestService()
  const { ehr, bay } = callersOf(service)
  const [yesterday, today] = ['2035-03-21', '2035-03-22']
  const sealed = () =>
    inDatabase<{ day: string; moment: string; report: string }>(
      service().database,
      `select day::text, moment, report from evenings where site = 'tern-harbour' order by due_at`,
    )
  const act = (o: Ordered) => ({
    resourceType: 'Bundle',
    type: 'transaction',
    entry: [
      {
        resource: {
          resourceType: 'Procedure',
          identifier: [{ system: 'https://harbour.example/acts', value: o.placer.value }],
          basedOn: [{ reference: `ServiceRequest/${o.order}` }],
          status: 'completed',
          subject: { reference: `Patient/${o.patient}` },
          performedDateTime: `${yesterday}T10:00:00Z`,
        },
        request: { method: 'POST', url: 'Procedure' },
      },
    ],
  })

  test('delivers its visits on the next: they are missing on their own day, from when we learn of them', async () => {
    await beginOn(service().database, `${yesterday}T08:00:00Z`)
    await service().setClock(`${yesterday}T18:00:00Z`)
    await service().setClock(`${today}T00:00:00Z`)
    const issued = await sealed()
    expect(issued.map((e) => `${e.day} ${e.moment}`)).toEqual([`${yesterday} cut-off`, `${yesterday} day-end`])
    const before = (await reportOf(bay, 'tern-harbour', yesterday)).asOf

    await service().setClock(`${today}T08:30:00Z`)
    const [linked, seen, unknown] = [
      await sendOrder(ehr, { visit: yesterday }),
      await sendOrder(ehr, { visit: yesterday }),
      await sendOrder(ehr, { visit: yesterday }),
    ]
    expect((await ehr('POST', '/fhir', { body: act(seen) })).status).toBe(200)
    const serial = newSerial()
    const late = await link(bay, linked, { scan: label(serial), appliedAt: `${yesterday}T09:00:00Z` })
    expect(late.status, late.text).toBe(200)

    const report = await reportOf(bay, 'tern-harbour', yesterday)
    expect(lines(report)).toEqual(
      [
        `late-link open ${serial} ${linked.placer.value}`,
        `no-application mended - ${linked.placer.value}`,
        `no-application mended - ${seen.placer.value}`,
        `no-application open - ${unknown.placer.value}`,
        `no-link open - ${seen.placer.value}`,
      ].toSorted(),
    )
    expect(report.gaps.map((g) => g.since.slice(0, 13))).toEqual(report.gaps.map(() => `${today}T08`))
    const news = await bay<{ changes: { since: string; opened: unknown[] } }>(
      'GET',
      `/reports/day/tern-harbour/${yesterday}.json?since=${before}`,
    )
    expect(news.status, news.text).toBe(200)
    expect(news.text.match(/no-link|late-link|no-application/g)?.length).toBeGreaterThanOrEqual(5)
  })

  test('changes no evening that was issued, issues none again, and is not missing on the day on which it came', async () => {
    const before = await sealed()
    await service().setClock(`${today}T18:00:00Z`)
    expect((await sealed()).slice(0, before.length)).toEqual(before)
    expect((await sealed()).slice(before.length).map((e) => `${e.day} ${e.moment}`)).toEqual([`${today} cut-off`])
    expect(before.every((e) => !e.report.includes('DetectedIssue'))).toBe(true)
    // that the reading service has not taken yet what was linked today is of today
    const ofToday = lines(await reportOf(bay, 'tern-harbour', today)).map((line) => line.split(' ')[0])
    expect(ofToday).toEqual(['not-taken'])
    expect(figures(measureOf(await evening(bay, 'tern-harbour', yesterday)), 'linked')).toEqual([2, 2, 0, 0])
  })
})
