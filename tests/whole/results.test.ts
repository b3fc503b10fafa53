/** A reading service reports, over HTTP: contract sections 3, 4, 7 and 8. */
import type {
  Binary,
  Bundle,
  DetectedIssue,
  Device,
  DeviceUseStatement,
  DiagnosticReport,
  FhirResource,
  Media,
  Observation,
  OperationOutcome,
  Task,
} from 'fhir/r4.js'
import { afterAll, describe, expect, test } from 'vitest'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { checkRebuild } from '../../src/adapters/postgres/rebuild.ts'
import { isEqual, rebuildText } from '../../src/adapters/postgres/table-check.ts'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { bundle, entry, found, refusalOf } from '../support/messages.ts'
import { type Answer, type Ask, askingAs, caller, testCallers, useTestService } from '../support/service.ts'
import { codesOf, label, link, newSerial, operate, out, outs, placers, read, seconds, sendOrder } from './bedside.ts'

const [pebble, slate] = [await startReadingService(), await startReadingService()]
afterAll(() => Promise.all([pebble.stop(), slate.stop()]))

const service = useTestService({
  readingServices: [
    { id: 'pebble', fhir: pebble.base, accept: 'PT4H' },
    // takes nothing but what the tests order from it
    { id: 'slate', fhir: slate.base, accept: 'PT4H', takes: [{ code: { system: 'urn:oid:2.999.9', code: 'slate' } }] },
  ],
  callers: [...testCallers, caller('slate', 'reading-service')],
  roundMs: 100,
})

const as = askingAs(service)
const [ehr, bay, reader, other, ops] = ['harbour-ehr', 'bay-3', 'pebble', 'slate', 'ops'].map(as) as [
  Ask,
  Ask,
  Ask,
  Ask,
  Ask,
]

const ago = (s: number): string => seconds(Date.now(), -s)
const reports = 'https://pebble.example/reports'
let numbers = 0
const newNumber = (): string => `PR-${++numbers}`

const linked = async (codings?: Parameters<typeof sendOrder>[1]) => {
  const ordered = await sendOrder(ehr, codings)
  const serial = newSerial()
  const appliedAt = ago(7200)
  const answer = await link(bay, ordered, { scan: label(serial), appliedAt })
  return {
    ...ordered,
    serial,
    appliedAt,
    link: out<DeviceUseStatement>(answer, 'link').id ?? '',
    device: out<Device>(answer, 'device').id ?? '',
    task: outs<Task>(answer, 'task').find((t) => t.owner?.identifier?.value === 'pebble')?.id ?? '',
  }
}

/** A recorder that was worn and has come back. */
const returned = async (codings?: Parameters<typeof sendOrder>[1]) => {
  const worn = await linked(codings)
  const back = await operate(bay, 'Device/$record-return', { scan: label(worn.serial), receivedAt: ago(60) })
  return { ...worn, report: out(back, 'report').id ?? '', observation: out(back, 'observation').id ?? '' }
}

const study = { coding: [{ system: 'http://loinc.org', code: '18754-2' }] }
const rate = { coding: [{ system: 'http://loinc.org', code: '8867-4' }] }

const aReport = (over: Partial<DiagnosticReport> = {}): DiagnosticReport => ({
  resourceType: 'DiagnosticReport',
  status: 'final',
  code: study,
  conclusion: 'Sinus rhythm throughout.',
  ...over,
})

const aboutOrder = (order: string) => ({ basedOn: [{ reference: `ServiceRequest/${order}` }] })

const named = (value: string) => ({ identifier: [{ system: reports, value }] })

const post = <T = DiagnosticReport>(body: FhirResource, ask: Ask = reader, query = '') =>
  ask<T>('POST', `/fhir/DiagnosticReport${query}`, { body })

const put = (id: string, body: FhirResource, ask: Ask = reader, headers: Record<string, string> = {}) =>
  ask<DiagnosticReport>('PUT', `/fhir/DiagnosticReport/${id}`, { body, headers })

const report = (id: string): Promise<DiagnosticReport> => read<DiagnosticReport>(bay, `DiagnosticReport/${id}`)

const warned = (answer: Answer<unknown>): string | null => answer.headers.get('x-daybind-warning')

const gapsOf = async (code: string, order: string): Promise<readonly DetectedIssue[]> => {
  const answer = await bay<Bundle<DetectedIssue>>(
    'GET',
    `/fhir/DetectedIssue?code=${code}&implicated=ServiceRequest/${order}`,
  )
  return (answer.body.entry ?? []).flatMap((e) => (e.search?.mode === 'match' && e.resource ? [e.resource] : []))
}

describe('a report that finds its stub', () => {
  test('takes its place under the same id, with patient, order and device as they are known here', async () => {
    const w = await returned()
    const answer = await put(
      w.report,
      aReport({ ...named('PR-A'), status: 'preliminary', subject: { display: 'theirs' } }),
    )
    expect(answer.status).toBe(200)
    expect(answer.body).toMatchObject({
      id: w.report,
      meta: { versionId: '2' },
      identifier: [
        { system: 'https://daybind.example/reports', value: w.report },
        { system: reports, value: 'PR-A' },
      ],
      status: 'preliminary',
      conclusion: 'Sinus rhythm throughout.',
      subject: { reference: `Patient/${w.patient}` },
      basedOn: [{ reference: `ServiceRequest/${w.order}` }],
      result: [{ reference: `Observation/${w.observation}` }],
      effectivePeriod: { start: w.appliedAt },
    })
    expect(answer.body.subject?.display).toBeUndefined()
    expect(await read<Observation>(bay, `Observation/${w.observation}`)).toMatchObject({
      status: 'preliminary',
      device: { reference: `Device/${w.device}` },
    })
    expect(await found(ehr, 'DiagnosticReport', `based-on=ServiceRequest/${w.order}&status=preliminary`)).toEqual([
      w.report,
    ])
    expect((await read<Task>(bay, `Task/${w.task}`)).status).toBe('requested')
  })

  test.each([
    ['our id', (w: Awaited<ReturnType<typeof returned>>) => ({ reference: `ServiceRequest/${w.order}` })],
    [
      'our identifier',
      (w: Awaited<ReturnType<typeof returned>>) => ({
        identifier: { system: 'https://daybind.example/orders', value: w.order },
      }),
    ],
    [
      'the placer number',
      (w: Awaited<ReturnType<typeof returned>>) => ({ identifier: { system: placers, value: w.placer.value ?? '' } }),
    ],
    [
      'the placer number as a search',
      (w: Awaited<ReturnType<typeof returned>>) => ({
        reference: `ServiceRequest?identifier=${placers}|${w.placer.value}`,
      }),
    ],
  ])('by the order that it names: %s', async (_by, ref) => {
    const w = await returned()
    const answer = await post(aReport({ basedOn: [ref(w)] }))
    expect([answer.status, answer.body.id, answer.body.status]).toEqual([201, w.report, 'final'])
    expect(answer.headers.get('location')).toContain(`/fhir/DiagnosticReport/${w.report}/_history/2`)
  })

  test('by the identifier under which the service sent it before', async () => {
    const w = await returned()
    const number = newNumber()
    await post(aReport({ ...named(number), ...aboutOrder(w.order), status: 'preliminary' }))
    const criterion = `?identifier=${encodeURIComponent(`${reports}|${number}`)}`
    const answer = await reader<DiagnosticReport>('PUT', `/fhir/DiagnosticReport${criterion}`, {
      body: aReport(named(number)),
    })
    expect([answer.status, answer.body.id, answer.body.status]).toEqual([200, w.report, 'final'])
  })

  test('said again: 200 and no new version', async () => {
    const w = await returned()
    const body = aReport({ ...named(newNumber()), ...aboutOrder(w.order) })
    const [first, second] = [
      await post(body),
      await post({ ...body, text: { status: 'generated', div: '<div xmlns="http://www.w3.org/1999/xhtml">x</div>' } }),
    ]
    expect([first.status, second.status]).toEqual([201, 200])
    expect(second.headers.get('etag')).toBe(first.headers.get('etag'))
    expect(warned(second)).toBeNull()
  })

  test('final: completes the work, which names it', async () => {
    const w = await returned()
    await put(w.report, aReport())
    const task = await read<Task>(bay, `Task/${w.task}`)
    expect(task.status).toBe('completed')
    expect(task.output).toEqual([
      { type: { text: 'report' }, valueReference: { reference: `DiagnosticReport/${w.report}` } },
    ])
  })

  // source of the order of statuses: http://hl7.org/fhir/R4/valueset-diagnostic-report-status.html
  test.each([
    ['amended', 200, 'amended'],
    ['corrected', 200, 'corrected'],
    ['appended', 200, 'appended'],
    ['final', 409, 'final'],
    ['cancelled', 409, 'final'],
    ['preliminary', 200, 'final'],
    ['partial', 200, 'final'],
  ] as const)('after final, %s is answered with %i', async (status, code, stands) => {
    const w = await returned()
    await put(w.report, aReport())
    const answer = await put(w.report, aReport({ status, conclusion: 'Another.' }))
    expect(answer.status).toBe(code)
    const after = await report(w.report)
    expect([after.status, after.meta?.versionId]).toEqual([stands, stands === 'final' ? '2' : '3'])
    expect(warned(answer)).toBe(code === 200 && stands === 'final' ? 'report-late' : null)
    if (code === 409) expect(codesOf(answer.body as unknown as OperationOutcome)).toEqual(['illegal-step'])
  })

  test('cancelled: stands for good, and the work is left to the reading service', async () => {
    const w = await returned()
    expect((await put(w.report, aReport({ status: 'cancelled' }))).body.status).toBe('cancelled')
    expect((await put(w.report, aReport())).status).toBe(409)
    expect((await read<Task>(bay, `Task/${w.task}`)).status).toBe('requested')
  })

  test('older by its own word: not taken', async () => {
    const w = await returned()
    await put(w.report, aReport({ status: 'amended', issued: '2026-11-25T10:00:00Z' }))
    const answer = await put(
      w.report,
      aReport({ status: 'amended', issued: '2026-11-25T09:00:00Z', conclusion: 'Older.' }),
    )
    expect([answer.status, warned(answer), (await report(w.report)).meta?.versionId]).toEqual([200, 'report-late', '2'])
  })

  test('after its order was revoked: taken and marked', async () => {
    const w = await returned()
    const order = await read<FhirResource>(ehr, `ServiceRequest/${w.order}`)
    expect(
      (await ehr('PUT', `/fhir/ServiceRequest/${w.order}`, { body: { ...order, status: 'revoked' } })).status,
    ).toBe(200)
    const answer = await put(w.report, aReport())
    expect([answer.status, warned(answer)]).toEqual([200, 'after-revocation'])
    expect(await found(ops, 'DiagnosticReport', `mark=after-revocation&based-on=ServiceRequest/${w.order}`)).toEqual([
      w.report,
    ])
    expect((await read<Task>(bay, `Task/${w.task}`)).status).toBe('cancelled')
  })

  test('before the recorder has come back here: makes its stub, which the return then keeps', async () => {
    const w = await linked()
    const answer = await post(aReport(aboutOrder(w.order)))
    expect([answer.status, answer.body.status]).toEqual([201, 'final'])
    const link = await read<DeviceUseStatement>(bay, `DeviceUseStatement/${w.link}`)
    expect(link.status).toBe('active')
    const back = await operate(bay, 'Device/$record-return', { scan: label(w.serial), receivedAt: ago(60) })
    expect(out<DiagnosticReport>(back, 'report')).toMatchObject({ id: answer.body.id, status: 'final' })
    expect(await found(bay, 'DiagnosticReport', `based-on=ServiceRequest/${w.order}`)).toHaveLength(1)
  })

  test('filled in from the stub as it was read', async () => {
    const w = await returned()
    const { status: _registered, ...stub } = (
      await reader<DiagnosticReport>('GET', `/fhir/DiagnosticReport/${w.report}`)
    ).body
    const answer = await put(w.report, {
      ...stub,
      status: 'final',
      issued: new Date().toISOString(),
      conclusion: 'Read.',
    })
    expect([answer.status, answer.body.result]).toEqual([200, stub.result])
    expect(await read<Observation>(bay, `Observation/${w.observation}`)).toMatchObject({ status: 'final' })
  })

  test('keeps what it was given: a number as it was written', async () => {
    const w = await returned()
    const value = `{"resourceType":"Observation","id":"v","status":"final","code":${JSON.stringify(rate)},"valueQuantity":{"value":71.50}}`
    const body = `{"resourceType":"DiagnosticReport","status":"final","code":${JSON.stringify(study)},"contained":[${value}],"result":[{"reference":"#v"}]}`
    const answer = await reader<DiagnosticReport>('PUT', `/fhir/DiagnosticReport/${w.report}`, { body })
    expect([answer.status, answer.body.contained, answer.body.result]).toEqual([
      200,
      undefined,
      [{ reference: `Observation/${w.observation}` }],
    ])
    expect((await bay('GET', `/fhir/Observation/${w.observation}`)).text).toContain('"value":71.50')
  })
})

const urn = (n: number): string => `urn:uuid:00000000-0000-4000-8000-0000000001${String(n).padStart(2, '0')}`

const observationOf = (over: Partial<Observation> = {}): Observation => ({
  resourceType: 'Observation',
  status: 'final',
  code: rate,
  valueQuantity: { value: 71, unit: '/min', system: 'http://unitsofmeasure.org', code: '/min' },
  ...over,
})

const file: Binary = { resourceType: 'Binary', contentType: 'text/plain', data: 'c3RyaXA=' }
const picture: Media = { resourceType: 'Media', status: 'completed', content: { url: urn(4) } }

const sent = (
  order: string,
  over: Partial<DiagnosticReport> = {},
  observations = [observationOf({ code: study }), observationOf()],
) =>
  bundle(
    'transaction',
    entry(
      'POST DiagnosticReport',
      aReport({
        ...aboutOrder(order),
        result: observations.map((_, i) => ({ reference: urn(i + 10) })),
        media: [{ link: { reference: urn(3) } }],
        ...over,
      }),
      {},
      urn(1),
    ),
    ...observations.map((o, i) => entry('POST Observation', o, {}, urn(i + 10))),
    entry('POST Media', picture, {}, urn(3)),
    entry('POST Binary', file, {}, urn(4)),
  )

const places = (answer: Answer<Bundle>): readonly string[] =>
  (answer.body.entry ?? []).map((e) => e.fullUrl?.split('/fhir/')[1] ?? '')

describe('a report with what belongs to it, in one transaction', () => {
  test('all of it is readable, and leads to the patient and to each other', async () => {
    const w = await returned()
    const answer = await reader<Bundle>('POST', '/fhir', { body: sent(w.order, named(newNumber())) })
    expect((answer.body.entry ?? []).map((e) => e.response?.status)).toEqual(Array(5).fill('201 Created'))
    const [mine = '', whole = '', second = '', media = '', binary = ''] = places(answer)
    expect([mine, whole]).toEqual([`DiagnosticReport/${w.report}`, `Observation/${w.observation}`])
    const taken = await report(w.report)
    expect(taken.result?.map((r) => r.reference)).toEqual([whole, second])
    expect(taken.media?.[0]?.link.reference).toBe(media)
    for (const place of [whole, second, media])
      expect(await read<Observation>(ehr, place)).toMatchObject({
        subject: { reference: `Patient/${w.patient}` },
        basedOn: [{ reference: `ServiceRequest/${w.order}` }],
      })
    expect(await read<Observation>(bay, second)).toMatchObject({ device: { reference: `Device/${w.device}` } })
    expect((await read<Media>(bay, media)).content.url).toBe(binary)
    expect(await read<Binary>(bay, binary)).toMatchObject(file)
    expect((await other('GET', `/fhir/${second}`)).status).toBe(404)
  })

  test('the same again changes nothing; one result less is withdrawn', async () => {
    const w = await returned()
    const body = sent(w.order, { ...named(newNumber()), status: 'preliminary' })
    const first = await reader<Bundle>('POST', '/fhir', { body })
    const again = await reader<Bundle>('POST', '/fhir', { body })
    expect(again.body.entry?.map((e) => e.response?.etag)).toEqual(first.body.entry?.map((e) => e.response?.etag))
    expect(places(again)).toEqual(places(first))
    const [, whole = '', second = ''] = places(first)
    const less = { ...aReport({ ...aboutOrder(w.order), ...named(`PR-${numbers}`) }), result: [{ reference: whole }] }
    expect((await post(less)).status).toBe(200)
    expect((await report(w.report)).result).toEqual([{ reference: whole }])
    expect((await read<Observation>(bay, second)).status).toBe('entered-in-error')
  })

  test('several results without one for the whole: the stub brackets them', async () => {
    const w = await returned()
    const body = sent(w.order, {}, [observationOf(), observationOf()])
    const [, one = '', two = ''] = places(await reader<Bundle>('POST', '/fhir', { body }))
    expect((await report(w.report)).result?.map((r) => r.reference)).toEqual([`Observation/${w.observation}`, one, two])
    expect(await read<Observation>(bay, `Observation/${w.observation}`)).toMatchObject({
      status: 'final',
      hasMember: [{ reference: one }, { reference: two }],
    })
  })

  test('a part without a report, and what is no part of one, are refused; nothing is kept', async () => {
    const w = await returned()
    const alone = await reader('POST', '/fhir', {
      body: bundle('transaction', entry('POST Observation', observationOf())),
    })
    expect(refusalOf(alone)).toEqual({ status: 422, codes: ['result-without-report'] })
    const order = await read<FhirResource>(ehr, `ServiceRequest/${w.order}`)
    const { id: _id, ...words } = order
    const mixed = await reader('POST', '/fhir', {
      body: bundle('transaction', ...(sent(w.order).entry ?? []), entry('POST ServiceRequest', words as FhirResource)),
    })
    expect(refusalOf(mixed)).toEqual({ status: 403, codes: ['not-allowed'] })
    expect((await report(w.report)).status).toBe('registered')
  })

  test('what leads nowhere is refused, with both places', async () => {
    const w = await returned()
    const body = sent(w.order, { performer: [{ reference: 'Organization/their-own' }] })
    const answer = await reader<OperationOutcome>('POST', '/fhir', { body })
    expect(refusalOf(answer)).toEqual({ status: 422, codes: ['reference-not-found'] })
    expect(answer.body.issue[0]?.expression).toEqual([
      'Bundle.entry[0].resource.performer[0].reference',
      'DiagnosticReport.performer[0].reference',
    ])
  })

  test('in a batch each report is for itself', async () => {
    const w = await returned()
    const body = bundle(
      'batch',
      entry('POST DiagnosticReport', aReport(aboutOrder(w.order))),
      entry('POST DiagnosticReport', aReport({ status: 'preliminary' })),
      entry('POST Observation', observationOf()),
    )
    const answer = await reader<Bundle>('POST', '/fhir', { body })
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual(['201 Created', '202 Accepted', '422'])
  })

  test('two reports of one stub are one too many', async () => {
    const w = await returned()
    const twice = [1, 2].map(() => entry('POST DiagnosticReport', aReport(aboutOrder(w.order))))
    const answer = await reader('POST', '/fhir', { body: bundle('transaction', ...twice) })
    expect(refusalOf(answer)).toEqual({ status: 400, codes: ['same-identity-twice'] })
  })
})

describe('a report in doubt is held', () => {
  const longAgo = { effectivePeriod: { start: '2026-01-05T08:00:00Z', end: '2026-01-12T08:00:00Z' } }

  test.each([
    ['another patient', async () => ({ subject: { reference: `Patient/${(await returned()).patient}` } })],
    [
      'another patient by number',
      async () => ({ subject: { identifier: { system: 'https://harbour.example/patients', value: 'nobody' } } }),
    ],
    ['another period', async () => longAgo],
    [
      'another recorder',
      async () => ({
        contained: [observationOf({ id: 'o', device: { reference: `Device/${(await returned()).device}` } })],
        result: [{ reference: '#o' }],
      }),
    ],
  ])('%s: 202, in nobody’s record, and a gap', async (_what, over) => {
    const w = await returned()
    const answer = await post<OperationOutcome>(
      aReport({ ...named(newNumber()), ...aboutOrder(w.order), ...(await over()) }),
    )
    expect([answer.status, codesOf(answer.body)]).toEqual([202, ['report-held']])
    expect((await report(w.report)).status).toBe('registered')
    const [gap] = await gapsOf('report-doubt', w.order)
    expect(gap).toMatchObject({ severity: 'high', status: 'final', patient: { reference: `Patient/${w.patient}` } })
    const id = answer.headers.get('location')?.split('/DiagnosticReport/')[1]?.split('/')[0] ?? ''
    expect((await ops('GET', `/fhir/DiagnosticReport/${id}`)).status).toBe(200)
    expect(await found(ops, 'DiagnosticReport', 'mark=held&_count=200')).toContain(id)
    for (const ask of [bay, ehr, other]) expect((await ask('GET', `/fhir/DiagnosticReport/${id}`)).status).toBe(404)
  })

  // http://hl7.org/fhir/R4/bundle.html, bdl-7
  test('with its parts in one transaction: each entry leads to it, and one alone has its address', async () => {
    const w = await returned()
    const body = sent(w.order, { ...named(newNumber()), ...longAgo })
    const { entry: told = [] } = (await reader<Bundle>('POST', '/fhir', { body })).body
    expect(told.map((e) => e.response?.status)).toEqual(Array(5).fill('202 Accepted'))
    const places = new Set(told.map((e) => e.response?.location))
    expect([places.size, told.filter((e) => e.fullUrl !== undefined).length]).toEqual([1, 1])
  })

  test('an order that nobody knows here: 202, for the operator', async () => {
    const body = aReport({ ...named(newNumber()), basedOn: [{ identifier: { system: placers, value: 'never' } }] })
    const [first, again] = [await post<OperationOutcome>(body), await post<OperationOutcome>(body)]
    expect([first.status, again.status]).toEqual([202, 202])
    expect(again.headers.get('location')).toBe(first.headers.get('location'))
    expect(first.body.issue[0]?.diagnostics).toContain('no order')
  })

  test('one that agrees takes its place and mends the gap', async () => {
    const w = await returned()
    const number = newNumber()
    await post(aReport({ ...named(number), ...aboutOrder(w.order), ...longAgo }))
    const answer = await post(aReport({ ...named(number), ...aboutOrder(w.order) }))
    expect([answer.status, answer.body.id]).toEqual([201, w.report])
    const [gap] = await gapsOf('report-doubt', w.order)
    expect(gap?.mitigation?.[0]?.action.coding?.[0]?.code).toBe('confirmed')
  })

  test('a report about a link that was recorded in error', async () => {
    const w = await returned()
    await operate(bay, `DeviceUseStatement/${w.link}/$correct-link`, { why: 'wrong patient' })
    const answer = await put(w.report, aReport())
    expect(answer.status).toBe(202)
    expect((await report(w.report)).status).toBe('entered-in-error')
  })
})

describe('who may report', () => {
  test('nobody but a reading service, of what was sent to it, and the operator', async () => {
    const w = await returned()
    for (const ask of [ehr, bay]) expect((await post(aReport(aboutOrder(w.order)), ask)).status).toBe(403)
    expect((await put(w.report, aReport(), other)).status).toBe(404)
    expect((await put('00000000-0000-4000-8000-000000000000', aReport())).status).toBe(404)
    // a number tells nothing to whom the order was not sent
    const guessed = await post<OperationOutcome>(
      aReport({ basedOn: [{ identifier: { system: placers, value: w.placer.value ?? '' } }] }),
      other,
    )
    expect([guessed.status, guessed.body.issue[0]?.diagnostics?.includes('no order')]).toEqual([202, true])
    const byHand = await put(w.report, aReport(), ops)
    expect([byHand.status, (await read<Task>(bay, `Task/${w.task}`)).status]).toEqual([200, 'completed'])
  })

  test('one reading service does not write over another’s report', async () => {
    const both = {
      codings: [
        { system: 'http://snomed.info/sct', code: '46825001' },
        { system: 'urn:oid:2.999.9', code: 'slate' },
      ],
    }
    const w = await returned(both)
    expect((await put(w.report, aReport())).status).toBe(200)
    expect((await put(w.report, aReport({ conclusion: 'Otherwise.' }), other)).status).toBe(409)
    const second = await post(aReport({ ...aboutOrder(w.order), conclusion: 'Otherwise.' }), other)
    expect([second.status, second.body.id === w.report]).toEqual([201, false])
  })

  test('a report goes to the other reading service, not back to its author', async () => {
    const both = {
      codings: [
        { system: 'http://snomed.info/sct', code: '46825001' },
        { system: 'urn:oid:2.999.9', code: 'slate' },
      ],
    }
    const w = await returned(both)
    const body = sent(w.order, named(newNumber()))
    expect((await reader('POST', '/fhir', { body })).status).toBe(200)
    const statusAt = (peer: typeof pebble) =>
      (peer.resources('DiagnosticReport') as DiagnosticReport[]).find((r) => JSON.stringify(r).includes(w.report))
        ?.status
    await expect.poll(() => statusAt(slate)).toBe('final')
    expect(statusAt(pebble)).toBe('registered')
    const media = slate.resources('Media') as Media[]
    expect(media.at(-1)?.content).toEqual({ contentType: 'text/plain', data: 'c3RyaXA=' })
    expect(slate.complaints).toEqual([])
  })
})

describe('rehearsals and conditions', () => {
  test('a dry run and $validate answer as the write would, and keep nothing', async () => {
    const w = await returned()
    const dry = await post(aReport(aboutOrder(w.order)), reader, '?dry-run=true')
    expect([dry.status, dry.body.status]).toEqual([201, 'final'])
    const told = await reader<OperationOutcome>('POST', '/fhir/DiagnosticReport/$validate', {
      body: aReport({ effectiveDateTime: '2020-01-01', ...aboutOrder(w.order) }),
    })
    expect([told.status, codesOf(told.body)]).toEqual([200, ['report-held']])
    expect((await report(w.report)).meta?.versionId).toBe('1')
    expect(await gapsOf('report-doubt', w.order)).toEqual([])
  })

  test('If-Match holds for the report that would change', async () => {
    const w = await returned()
    expect((await put(w.report, aReport(), reader, { 'if-match': 'W/"7"' })).status).toBe(412)
    expect((await put(w.report, aReport(), reader, { 'if-match': 'W/"1"' })).status).toBe(200)
  })

  test('a criterion that is not the report’s own is refused', async () => {
    const answer = await reader('PUT', '/fhir/DiagnosticReport?identifier=urn:x|1', { body: aReport(named('other')) })
    expect(refusalOf(answer)).toEqual({ status: 400, codes: ['wrong-criterion'] })
  })

  test('two at once are one after the other: one version each, or none', async () => {
    const w = await returned()
    const number = newNumber()
    const answers = await Promise.all(
      Array.from({ length: 6 }, () => post(aReport({ ...named(number), ...aboutOrder(w.order) }))),
    )
    expect(answers.map((a) => a.status).toSorted()).toEqual([200, 200, 200, 200, 200, 201])
    expect((await report(w.report)).meta?.versionId).toBe('2')
  })
})

test('a report that does not come is a gap when its time is over, and mended when it comes', async () => {
  const [late, inTime] = [await returned(), await returned()]
  await put(inTime.report, aReport())
  const day = 86_400_000
  await service().setClock(new Date(Date.now() + 5 * day).toISOString().replace('Z', '000Z'))
  expect(await gapsOf('overdue-report', inTime.order)).toEqual([])
  const [gap] = await gapsOf('overdue-report', late.order)
  expect(gap).toMatchObject({
    severity: 'moderate',
    implicated: expect.arrayContaining([{ reference: `DeviceUseStatement/${late.link}` }]),
  })
  expect(gap?.mitigation).toBeUndefined()
  await put(late.report, aReport())
  expect((await gapsOf('overdue-report', late.order))[0]?.mitigation?.[0]?.action.coding?.[0]?.code).toBe('confirmed')
})

test('all of this follows from the journal', async () => {
  const db = openDatabase(service().database, () => undefined)
  const checks = await checkRebuild(db).finally(() => db.close())
  expect(rebuildText(checks.filter((c) => !isEqual(c)))).toBe(rebuildText([]))
})
