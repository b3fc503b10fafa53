/** send-result, without I/O: which link a report is about, and what becomes of it. */

import fc from 'fast-check'
import type { DiagnosticReport, Observation } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import type { Known } from '../../src/flow/send-result/hold-report.ts'
import { type Doubt, type Match, matchReport, type ReportSituation } from '../../src/flow/send-result/match-report.ts'
import { isComplete, isFinal, verdictOn } from '../../src/flow/send-result/report-status.ts'
import { sentReports } from '../../src/flow/send-result/sent-report.ts'
import { takeReports } from '../../src/flow/send-result/take-reports.ts'
import { gapsOf } from '../../src/flow/watch-flow/gaps.ts'
import { stubReport, stubResources } from '../../src/model/resources/report-resources.ts'
import type { HeldState, StubState } from '../../src/model/states.ts'
import {
  accepted,
  at,
  context,
  device,
  facts,
  ids,
  link,
  order,
  patient,
  patientNumbers,
  refusedBy,
  stub,
  task,
  uuid,
  watch,
} from '../support/fixtures.ts'

const ended = link({ status: 'completed', endedAt: at('2026-12-09T10:00:00Z'), returned: true })

const situation = (over: Partial<ReportSituation> = {}): ReportSituation => ({
  orders: [order()],
  asked: [ids.order],
  links: [ended],
  stubs: [stub()],
  tasks: [task()],
  devices: [device()],
  patients: new Map([[ids.patient, patient]]),
  ...over,
})

const known = (over: Partial<Known> = {}): Known => ({
  ...situation(),
  own: new Set(),
  versions: new Map([[ids.stub, 1]]),
  ...over,
})

const aReport = (over: Partial<DiagnosticReport> = {}): DiagnosticReport => ({
  resourceType: 'DiagnosticReport',
  status: 'final',
  code: { text: 'study' },
  ...over,
})

const anObservation = (over: Partial<Observation> = {}): Observation => ({
  resourceType: 'Observation',
  id: 'o',
  status: 'final',
  code: { text: 'rate' },
  ...over,
})

const withDevice = (d: Observation['device'] & object) => ({
  contained: [anObservation({ device: d })],
  result: [{ reference: '#o' }],
})

const somebodyElse = { ...patient, id: 'p', identifier: [{ system: patientNumbers, value: 'no' }] }

const incoming = (resource: DiagnosticReport) => ({ at: '', method: 'POST' as const, resource })

const match = (report: Partial<DiagnosticReport>, over: Partial<ReportSituation> = {}): Match | Doubt => {
  const [sent] = sentReports([incoming(aReport(report))]).reports
  if (sent === undefined) throw new Error('no report')
  return matchReport(sent, situation(over), 'pebble', at('2026-12-11T09:00:00Z'))
}

const told = (m: Match | Doubt): readonly string[] =>
  'doubts' in m ? m.doubts : [`link ${m.link.id}`, `stub ${m.stub?.id}`]

describe('which wear a report is about', () => {
  const fits = [`link ${ids.link}`, `stub ${ids.stub}`]
  const other = link({
    id: uuid(24),
    deviceId: uuid(23),
    appliedAt: at('2026-12-10T09:00:00Z'),
    status: 'completed',
    endedAt: at('2026-12-24T09:00:00Z'),
  })
  const second = { links: [ended, other], devices: [device(), device({ id: uuid(23), serialNumber: 'TH0002' })] }

  test.each<[string, Partial<DiagnosticReport>, Partial<ReportSituation>, readonly string[]]>([
    ['the one of its order', {}, {}, fits],
    ['none, where its order is not known', {}, { orders: [] }, ['it asks for no order that is known here']],
    ['none, of two orders', {}, { orders: [order(), order({ id: uuid(21) })] }, ['it asks for several orders']],
    ['none, where nothing was linked', {}, { links: [] }, ['no recorder is linked to its order']],
    [
      'none, of a link recorded in error',
      {},
      { links: [link({ status: 'entered-in-error' })] },
      ['no recorder is linked to its order'],
    ],
    ['the patient by our id', { subject: { reference: `Patient/${ids.patient}` } }, {}, fits],
    ['another by our id', { subject: { reference: `Patient/${uuid(99)}` } }, {}, ['it names another patient']],
    ['the patient by number', { subject: { identifier: { system: patientNumbers, value: 'TH-0042' } } }, {}, fits],
    [
      'another number of that system',
      { subject: { identifier: { system: patientNumbers, value: 'TH-0043' } } },
      {},
      ['it names another patient'],
    ],
    ['a number of a system of theirs', { subject: { identifier: { system: 'urn:x', value: '7' } } }, {}, fits],
    [
      'a contained patient with another number',
      {
        contained: [somebodyElse],
        subject: { reference: '#p' },
      },
      {},
      ['it names another patient'],
    ],
    ['the recorder by serial number', withDevice({ identifier: { value: 'TH0001' } }), {}, fits],
    ['another serial number', withDevice({ identifier: { value: 'TH0002' } }), {}, ['it names another recorder']],
    ['another recorder by our id', withDevice({ reference: `Device/${uuid(23)}` }), {}, ['it names another recorder']],
    ['a day within', { effectiveDateTime: '2026-12-01' }, {}, fits],
    ['the year alone', { effectiveDateTime: '2026' }, {}, fits],
    [
      'the wear to the second',
      { effectivePeriod: { start: '2026-11-25T09:00:00Z', end: '2026-12-09T10:00:00Z' } },
      {},
      fits,
    ],
    ['an hour longer', { effectivePeriod: { start: '2026-11-25T08:00:00Z', end: '2026-12-09T11:00:00Z' } }, {}, fits],
    ['two days too early', { effectivePeriod: { start: '2026-11-23T08:00:00Z' } }, {}, ['it is about another period']],
    [
      'two days too long',
      { effectivePeriod: { start: '2026-11-25', end: '2026-12-11T10:30:00Z' } },
      {},
      ['it is about another period'],
    ],
    [
      'of two, by the recorder',
      withDevice({ identifier: { value: 'TH0002' } }),
      second,
      [`link ${uuid(24)}`, 'stub undefined'],
    ],
    ['of two, by the period', { effectiveDateTime: '2026-11-27' }, second, fits],
    ['of two, nothing that tells', {}, second, ['it may be about several recorders of its order']],
    [
      'by its stub, though it names another order',
      {},
      { named: stub(), asked: [uuid(21)] },
      ['it asks for another order'],
    ],
    [
      'by a stub that was withdrawn',
      {},
      { named: stub({ status: 'entered-in-error' }) },
      ['its link was recorded in error'],
    ],
  ])('%s', (_name, report, over, expected) => {
    expect(told(match(report, over))).toEqual(expected)
  })
})

describe('which status may follow', () => {
  // http://hl7.org/fhir/R4/valueset-diagnostic-report-status.html: amended, corrected and appended are "subsequent to
  // being final"; what that leaves open is our reading of it
  test.each([
    [undefined, 'amended', 'take'],
    ['registered', 'preliminary', 'take'],
    ['preliminary', 'partial', 'take'],
    ['preliminary', 'final', 'take'],
    ['preliminary', 'cancelled', 'take'],
    ['final', 'amended', 'take'],
    ['final', 'corrected', 'take'],
    ['final', 'appended', 'take'],
    ['final', 'entered-in-error', 'take'],
    ['final', 'final', 'illegal'],
    ['final', 'cancelled', 'illegal'],
    ['final', 'preliminary', 'late'],
    ['final', 'registered', 'late'],
    ['amended', 'final', 'late'],
    ['amended', 'corrected', 'take'],
    ['cancelled', 'final', 'illegal'],
    ['cancelled', 'preliminary', 'late'],
    ['cancelled', 'corrected', 'take'],
    ['entered-in-error', 'preliminary', 'take'],
  ] as const)('%s → %s: %s', (from, to, expected) => {
    expect(verdictOn(from, to)).toBe(expected)
  })

  test('never from a report that is done to one that is not', () => {
    const all = [
      'registered',
      'partial',
      'preliminary',
      'final',
      'amended',
      'corrected',
      'appended',
      'cancelled',
      'unknown',
    ] as const
    fc.assert(
      fc.property(fc.constantFrom(...all), fc.constantFrom(...all), (from, to) => {
        if (isComplete(from) && !isComplete(to)) expect(verdictOn(from, to)).not.toBe('take')
        if (isFinal(from) && to === 'cancelled') expect(verdictOn(from, to)).toBe('illegal')
      }),
    )
  })
})

const reader = { id: 'pebble', role: 'reading-service' } as const
const when = '2026-12-11T09:00:00Z'

const take = (report: Partial<DiagnosticReport>, over: Partial<Known> = {}) => {
  const entries = [incoming(aReport({ basedOn: [{ reference: `ServiceRequest/${ids.order}` }], ...report }))]
  const { reports } = sentReports(entries)
  return takeReports(entries, reports, [known(over)], context(when, { caller: reader }))
}

const stubIn = (decided: ReturnType<typeof take>): StubState =>
  accepted(decided).changes.flatMap(({ state }) => (state.kind === 'stub' ? [state] : []))[0] as StubState

describe('what becomes of a report', () => {
  test('takes the place of the stub, completes the work and goes to the others', () => {
    const others = task({ id: uuid(31), readingService: 'lantern' })
    const { changes, forward, answer } = accepted(take({}, { tasks: [task(), others] }))
    expect(changes.map((c) => c.fact)).toEqual(['report-received', 'task-answered'])
    expect(changes[1]?.state).toMatchObject({
      id: ids.task,
      status: 'completed',
      acceptedAt: at(when),
      output: [{ type: { text: 'report' }, valueReference: { reference: `DiagnosticReport/${ids.stub}` } }],
    })
    expect(forward).toEqual([{ orderId: ids.order, readingService: 'lantern' }])
    expect(answer.answers).toEqual([{ type: 'DiagnosticReport', id: ids.stub, outcome: 'created', warnings: [] }])
  })

  test.each(['rejected', 'cancelled', 'failed', 'entered-in-error'])('leaves work that is %s as it is', (status) => {
    expect(accepted(take({}, { tasks: [task({ status })] })).changes.map((c) => c.fact)).toEqual(['report-received'])
  })

  test('leaves the work alone while it is preliminary', () => {
    expect(accepted(take({ status: 'preliminary' })).changes.map((c) => c.fact)).toEqual(['report-received'])
  })

  test('says nothing of ours in their words', () => {
    const state = stubIn(
      take({ subject: { display: 'x' }, identifier: [{ system: 'https://daybind.example/reports', value: 'z' }] }),
    )
    expect(stubReport(state).identifier).toEqual([{ system: 'https://daybind.example/reports', value: ids.stub }])
    expect(stubReport(state).subject).toEqual({ reference: `Patient/${ids.patient}` })
  })

  test('withdrawn with its link, everything of it is', () => {
    const contained = [anObservation(), anObservation({ id: 'second' })]
    const result = contained.map((o) => ({ reference: `#${o.id}` }))
    const state = stubIn(take({ contained, result }))
    const all = stubResources({ ...state, status: 'entered-in-error' })
    expect(all.map((r) => (r as Observation).status)).toEqual(Array(4).fill('entered-in-error'))
  })

  test('a part that is contained twice over is still one, by its identifier', () => {
    const one = (value: string) => ({
      contained: [anObservation({ id: value, identifier: [{ system: 'urn:x', value: '1' }], valueString: value })],
      result: [{ reference: `#${value}` }],
    })
    const first = stubIn(take({ status: 'preliminary', ...one('a') }))
    const next = stubIn(take({ ...one('b') }, { stubs: [first] }))
    expect(next.report?.results.map((r) => r.id)).toEqual(first.report?.results.map((r) => r.id))
  })

  test('what it names by our id stays as it was, beside what is new', () => {
    const before = {
      contained: [anObservation(), anObservation({ id: 'p' })],
      result: [{ reference: '#o' }, { reference: '#p' }],
    }
    const first = stubIn(take({ status: 'preliminary', ...before }))
    const [kept] = first.report?.results ?? []
    const next = take(
      {
        contained: [anObservation({ id: 'n', valueString: 'new' })],
        result: [{ reference: `Observation/${kept?.id}` }, { reference: '#n' }],
      },
      { stubs: [first] },
    )
    const results = stubIn(next).report?.results ?? []
    expect(results.find((r) => r.id === kept?.id)).toEqual(kept)
    expect(results.filter((r) => !r.withdrawn)).toHaveLength(2)
    expect(results.filter((r) => r.withdrawn)).toHaveLength(1)
  })

  test('two parts of one identifier are refused', () => {
    const identifier = [{ system: 'urn:x', value: '1' }]
    const contained = [anObservation({ identifier }), anObservation({ id: 'p', identifier })]
    expect(refusedBy(take({ contained, result: [{ reference: '#o' }, { reference: '#p' }] }))).toEqual([
      'same-identity-twice',
    ])
  })

  test.each([
    ['https://pebble.example/fhir/Practitioner/7', []],
    ['https://elsewhere.example/fhir/Practitioner/7', ['reference-not-found']],
    ['Practitioner/7', ['reference-not-found']],
  ])('whoever signs may be on their own server: %s', (reference, refused) => {
    const decided = take({ performer: [{ reference }] })
    expect(refusedBy(decided)).toEqual(refused)
    if (refused.length === 0) expect(stubReport(stubIn(decided)).performer).toEqual([{ reference }])
  })

  test('another service’s report stands; a second one gets a place of its own', () => {
    const first = stubIn(take({}))
    const theirs = { ...first, report: first.report && { ...first.report, by: 'lantern' } } as StubState
    expect(refusedBy(take({}, { named: theirs, stubs: [theirs] }))).toEqual(['reported-by-another'])
    expect(stubIn(take({}, { stubs: [theirs] })).id).not.toBe(ids.stub)
  })

  // a search in place of an address is for transactions: http://hl7.org/fhir/R4/http.html#trules, from memory
  test.each([
    [{ reference: 'ServiceRequest?identifier=urn:a%7C1' }, { identifier: { system: 'urn:a', value: '1' } }],
    [{ reference: 'ServiceRequest?code=1' }, { display: 'ServiceRequest?code=1' }],
    [
      { reference: 'ServiceRequest?identifier=urn:a|1', display: 'theirs' },
      { identifier: { system: 'urn:a', value: '1' }, display: 'theirs' },
    ],
  ])('in doubt it keeps no conditional reference: %j', (basedOn, kept) => {
    const [held] = accepted(take({ subject: { reference: `Patient/${uuid(99)}` }, basedOn: [basedOn] })).changes
    expect(held).toMatchObject({ fact: 'report-held' })
    expect((held?.state as HeldState | undefined)?.words.basedOn).toEqual([{ type: 'ServiceRequest', ...kept }])
  })

  test('in doubt it is held once, however often it comes', () => {
    const [held] = accepted(take({ subject: { reference: `Patient/${uuid(99)}` } })).changes
    expect(held).toMatchObject({ fact: 'report-held', state: { kind: 'held', orderId: ids.order, linkId: ids.link } })
    const again = take({ subject: { reference: `Patient/${uuid(99)}` } }, { held: held?.state as HeldState })
    expect(accepted(again).changes).toEqual([])
    const settled = accepted(take({}, { held: held?.state as HeldState })).changes
    expect(settled.map((c) => c.fact)).toEqual(['report-received', 'task-answered', 'report-settled'])
  })
})

describe('the gaps around a report', () => {
  const due = { reportDue: at('2026-12-12T10:00:00Z'), reportDueDay: '2026-12-12' }
  const waiting = stub(due)
  const codes = (asOf: string, stubs: readonly StubState[], tasks = [task()]) =>
    gapsOf(facts({ orders: [order({ visitDay: '2026-11-25' })], links: [ended], stubs, tasks }), watch(asOf)).map(
      (g) => `${g.code}${g.mended ? ` ${g.mended.action}` : ''}`,
    )
  const reported = (completedAt: string): StubState =>
    ({
      ...waiting,
      report: { by: 'pebble', words: aReport(), results: [], completedAt: at(completedAt) },
    }) as unknown as StubState

  test.each<[string, string, readonly StubState[], readonly string[]]>([
    ['a millisecond before its time is over', '2026-12-12T09:59:59.999Z', [waiting], []],
    ['at its end', '2026-12-12T10:00:00Z', [waiting], ['overdue-report']],
    ['reported in time', '2026-12-20T10:00:00Z', [reported('2026-12-12T09:00:00Z')], []],
    ['reported too late', '2026-12-20T10:00:00Z', [reported('2026-12-13T09:00:00Z')], ['overdue-report confirmed']],
    ['its link recorded in error', '2026-12-20T10:00:00Z', [stub({ ...due, status: 'entered-in-error' })], []],
    ['nothing read out yet', '2026-12-20T10:00:00Z', [stub()], []],
  ])('%s', (_name, asOf, stubs, expected) => {
    expect(codes(asOf, stubs)).toEqual(expected)
  })

  test('nobody was asked to read: nothing is overdue', () => {
    expect(codes('2026-12-20T10:00:00Z', [waiting], [task({ status: 'rejected' })])).toEqual([])
  })
})
