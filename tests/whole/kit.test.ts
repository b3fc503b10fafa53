/** The test kit held against the service, and against the service as seen through a server that bends what it says. */
import { execFile } from 'node:child_process'
import { createServer } from 'node:http'
import { text } from 'node:stream/consumers'
import type {
  Bundle,
  DiagnosticReport,
  FhirResource,
  OperationOutcome,
  Patient,
  ServiceRequest,
  Task,
} from 'fhir/r4.js'
import { afterAll, afterEach, beforeAll, describe, expect, test } from 'vitest'
import { defaultTakes } from '../../src/model/systems.ts'
import { sayOfTask } from '../../src/testkit/answer-task.ts'
import { conversation } from '../../src/testkit/conversation.ts'
import { doorOf } from '../../src/testkit/door.ts'
import { inventedOrder, inventedOrders, numbering } from '../../src/testkit/invented-orders.ts'
import { pusher } from '../../src/testkit/push.ts'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { orderNamed, type ReportStage, reporter } from '../../src/testkit/reports.ts'
import { anyBroken, type Checked, checkedText, ledger, type Rule } from '../../src/testkit/rules.ts'
import { startSource } from '../../src/testkit/source.ts'
import { askingAs, startTestService, tokenOf, useTestService } from '../support/service.ts'
import { label, link, newSerial, read, seconds, sendOrder } from './bedside.ts'

const pebble = await startReadingService({ token: 'sesame' })
afterAll(pebble.stop)
const service = useTestService({
  readingServices: [{ id: 'pebble', fhir: pebble.base, accept: 'PT4H', token: 'sesame' }],
  roundMs: 100,
})
const as = askingAs(service)

interface Said {
  readonly status: number
  readonly headers: Record<string, string>
  readonly body: string
}
interface Asked {
  readonly method: string
  /** Below the base, the query decoded. */
  readonly path: string
  readonly body: string
}
/** Makes an answer another; undefined: as it is. */
type Bend = (asked: Asked, said: Said) => Said | 'cut' | undefined

const refused = { status: 400, headers: {}, body: JSON.stringify({ resourceType: 'OperationOutcome', issue: [] }) }

/** The service under another address, where its answers are bent. */
let bend: Bend = () => undefined
const proxy = createServer((request, response) => {
  void (async () => {
    const body = await text(request)
    const at = `${service().url}${request.url}`
    const headers = Object.fromEntries(
      Object.entries(request.headers).flatMap(([name, value]) =>
        typeof value === 'string' && !['host', 'connection', 'content-length'].includes(name) ? [[name, value]] : [],
      ),
    )
    const answer = await fetch(at, { method: request.method ?? '', headers, ...(body && { body }) })
    const ours = (said: string) => said.replaceAll(`${service().url}/fhir`, door.base())
    const kept = ['content-type', 'x-request-id', 'etag', 'location', 'x-daybind-warning']
    const said: Said = {
      status: answer.status,
      headers: Object.fromEntries([...answer.headers].filter(([n]) => kept.includes(n)).map(([n, v]) => [n, ours(v)])),
      body: ours(await answer.text()),
    }
    const path = decodeURIComponent(request.url?.slice('/fhir'.length) ?? '')
    const bent = bend({ method: request.method ?? '', path, body }, said) ?? said
    if (bent === 'cut') return void request.socket.destroy()
    response.writeHead(bent.status, bent.headers).end(bent.body)
  })()
})
const door = doorOf(proxy, 0)
beforeAll(door.open)
afterAll(door.close)
afterEach(() => {
  bend = () => undefined
})

let seeds = 100
/** Pushes two new orders, and gives what was seen. */
const pushed = async (): Promise<readonly Checked[]> => {
  const seen = ledger()
  const push = pusher(conversation({ daybind: { base: door.base(), token: tokenOf('harbour-ehr') }, ledger: seen }))
  seeds += 1
  const orders = [1, 2].map((n) => {
    const [patient, order] = inventedOrder(seeds, n, new Date())
    return { patient, order }
  })
  await push.all(orders)
  const [first] = orders
  if (first) await push.revised({ ...first, order: { ...first.order, priority: 'urgent' } })
  return seen.checked()
}

const broken = (checked: readonly Checked[]): Rule[] => checked.flatMap((c) => (c.broken.length > 0 ? [c.rule] : []))

const without = (said: Said, name: string): Said => ({
  ...said,
  headers: Object.fromEntries(Object.entries(said.headers).filter(([n]) => n !== name)),
})
const having = (said: Said, change: (body: FhirResource) => unknown): Said => {
  const body = JSON.parse(said.body) as FhirResource
  change(body)
  return { ...said, body: JSON.stringify(body) }
}
const isWrite = ({ method, path }: Asked) => method === 'PUT' && !path.includes('dry-run')
const isTransaction = ({ method, path }: Asked) => method === 'POST' && path === ''
const entries = (body: FhirResource) => (body as Bundle).entry ?? []
const issues = (body: FhirResource) => (body as OperationOutcome).issue

/** Whatever must be refused with this status is taken. */
const takes =
  (what: (asked: Asked) => boolean): Bend =>
  (asked, said) =>
    said.status >= 400 && what(asked) ? { ...said, status: 200, body: '{"resourceType":"Basic"}' } : undefined

describe('orders that are pushed', () => {
  test('may be sent to another address than the one that the service says it has', async () => {
    const seen = ledger()
    const elsewhere = service().url.replace('127.0.0.1', 'localhost')
    const talk = conversation({ daybind: { base: `${elsewhere}/fhir`, token: tokenOf('harbour-ehr') }, ledger: seen })
    seeds += 1
    const [patient, order] = inventedOrder(seeds, 1, new Date())
    await pusher(talk).all([{ patient, order }])
    expect(broken(seen.checked()), checkedText(seen.checked())).toEqual([])
    expect(seen.checked().find((c) => c.rule === 'location-leads')?.held).toBe(2)
  })

  test('show no rule broken by the service itself', async () => {
    const checked = await pushed()
    expect(checkedText(checked.filter((c) => c.broken.length > 0))).toBe('0 rules looked at, 0 broken')
    expect(anyBroken(checked)).toBe(false)
    expect(checked.map(({ rule }) => rule)).toEqual(
      expect.arrayContaining([
        'new-201',
        'location-leads',
        'same-content',
        'new-content',
        'rehearsal',
        'stale-version',
      ]),
    )
  })

  const last = new Map<string, number>()
  test.for<[string, Rule, Bend]>([
    ['an answer that never comes', 'answered', (a) => (isTransaction(a) ? 'cut' : undefined)],
    ['a request id of its own', 'request-id', (_, s) => ({ ...s, headers: { ...s.headers, 'x-request-id': 'mine' } })],
    ['no request id', 'request-id', (_, s) => without(s, 'x-request-id')],
    ['another media type', 'media-type', (_, s) => ({ ...s, headers: { ...s.headers, 'content-type': 'text/html' } })],
    ['a page in place of a resource', 'media-type', (a, s) => (isWrite(a) ? { ...s, body: '<p>Sign in' } : undefined)],
    ['a refusal without a reason', 'refusal-outcome', (_, s) => (s.status >= 400 ? { ...s, body: '{}' } : undefined)],
    [
      'a refusal without an error',
      'refusal-outcome',
      (_, s) => (s.status >= 400 ? { ...s, body: refused.body } : undefined),
    ],
    [
      'an error without a code',
      'refusal-coded',
      (_, s) => (s.status >= 400 ? having(s, (b) => issues(b).map((i) => delete i.details)) : undefined),
    ],
    [
      'an error without a place',
      'refusal-place',
      (_, s) => (s.status === 422 ? having(s, (b) => issues(b).map((i) => delete i.expression)) : undefined),
    ],
    [
      'a statement of another version',
      'statement',
      (a, s) => (a.path === '/metadata' ? having(s, (b) => Object.assign(b, { fhirVersion: '5.0.0' })) : undefined),
    ],
    ['200 for what is new', 'new-201', (a, s) => (isWrite(a) && s.status === 201 ? { ...s, status: 200 } : undefined)],
    ['no Location', 'location', (a, s) => (isWrite(a) ? without(s, 'location') : undefined)],
    [
      'a Location elsewhere',
      'location',
      (a, s) => (isWrite(a) ? { ...s, headers: { ...s.headers, location: 'http://elsewhere.example/1' } } : undefined),
    ],
    [
      'a Location that leads nowhere',
      'location-leads',
      (a, s) => (a.path.includes('_history') ? { ...s, status: 404 } : undefined),
    ],
    ['no ETag', 'etag', (a, s) => (isWrite(a) ? without(s, 'etag') : undefined)],
    [
      'a version for each time that it is sent',
      'same-content',
      (a, s) => {
        if (!isWrite(a)) return undefined
        const version = (last.get(a.path) ?? 0) + 1
        last.set(a.path, version)
        return { ...s, headers: { ...s.headers, etag: `W/"${version}"` } }
      },
    ],
    [
      'no version for new content',
      'new-content',
      (a, s) => (a.body.includes('urgent') ? { ...s, headers: { ...s.headers, etag: 'W/"1"' } } : undefined),
    ],
    [
      'several orders of one number',
      'one-order',
      (a, s) =>
        a.method === 'GET' && a.path.startsWith('/ServiceRequest?')
          ? having(s, (b) => entries(b).push(...entries(b)))
          : undefined,
    ],
    [
      'a transaction with an answer too few',
      'every-entry',
      (a, s) => (isTransaction(a) ? having(s, (b) => entries(b).pop()) : undefined),
    ],
    ['an order without number taken', 'no-placer', takes((a) => a.path === '/ServiceRequest?dry-run=true')],
    ['a foreign patient taken', 'foreign-reference', takes((a) => a.body.includes('not-known-here'))],
    ['a wrong criterion taken', 'wrong-criterion', takes((a) => a.body.includes('"not-'))],
    [
      'two entries of one identity taken',
      'two-of-one',
      takes((a) => a.path === '?dry-run=true' || a.path === '/?dry-run=true'),
    ],
    ['half a JSON taken', 'no-json', takes((a) => a.body === '{"resourceType":')],
    [
      'a stale version overwritten',
      'stale-version',
      (_, s) => (s.status === 412 ? { ...s, status: 200, body: '{"resourceType":"Basic"}' } : undefined),
    ],
    ['an unknown id made', 'unknown-id', (_, s) => (s.status === 404 ? { ...s, status: 201 } : undefined)],
    ['a report made by anybody', 'no-such-write', (_, s) => (s.status === 405 ? { ...s, status: 201 } : undefined)],
    [
      'a rehearsal that is kept',
      'rehearsal',
      (() => {
        let rehearsed = false
        return (a: Asked, s: Said) => {
          rehearsed ||= a.body.includes('never kept')
          return rehearsed && a.method === 'GET'
            ? having(s, (b) => entries(b).map((e) => Object.assign(e.resource?.meta ?? {}, { versionId: '77' })))
            : undefined
        }
      })(),
    ],
  ])('%s: %s', async ([, rule, how]) => {
    bend = how
    const checked = await pushed()
    expect(broken(checked), checkedText(checked)).toContain(rule)
    const { broken: seen } = checked.find((c) => c.rule === rule) ?? { broken: [] }
    expect(seen[0]?.in).toMatch(/^\d{4}-\d\d-\d\dT\S+ \d+ (GET|POST|PUT) \/.* \([0-9a-f-]{36}\)$/)
  })
})

/** Links a new order, waits until it is there, and sends these reports of it. */
const reported = async (...stages: readonly ReportStage[]) => {
  const ordered = await sendOrder(as('harbour-ehr'))
  const linked = await link(as('bay-3'), ordered, { scan: label(newSerial()), appliedAt: seconds(Date.now(), -7200) })
  expect(linked.status, linked.text).toBe(200)
  await expect.poll(() => orderNamed(pebble, ordered.placer.value)).toBeDefined()
  const order = orderNamed(pebble, ordered.placer.value)
  if (!order) throw new Error('the order did not arrive')
  const seen = ledger()
  const talk = conversation({ daybind: { base: door.base(), token: tokenOf('pebble') }, ledger: seen })
  const reports = reporter(talk, pebble)
  const statuses = []
  for (const stage of stages) statuses.push((await reports.send(order, stage)).status)
  return { ordered, order, statuses, checked: seen.checked() }
}

const isReport = ({ method, path }: Asked) => method === 'PUT' && path.startsWith('/DiagnosticReport')

describe('reports', () => {
  test('go from preliminary to final to amended, here and there; a preliminary one comes too late', async () => {
    const { ordered, order, statuses, checked } = await reported('preliminary', 'final', 'amended', 'preliminary')
    expect(checkedText(checked.filter((c) => c.broken.length > 0))).toBe('0 rules looked at, 0 broken')
    expect(statuses).toEqual([201, 200, 200, 200])
    expect(checked.find((c) => c.rule === 'report-overtaken')?.held).toBe(1)
    const found = await read<Bundle<DiagnosticReport>>(
      as('bay-3'),
      `DiagnosticReport?based-on=ServiceRequest/${ordered.order}`,
    )
    expect(found.entry?.map((e) => e.resource?.status)).toEqual(['amended'])
    const kept = pebble
      .resources('DiagnosticReport')
      .filter((r) => JSON.stringify(r).includes(`"ServiceRequest/${order.id}"`) && 'conclusion' in r)
    expect(kept).toHaveLength(1)
    expect(checkedText(pebble.checked()), 'what the service itself sent').toContain(', 0 broken')
    expect(pebble.checked().find((c) => c.rule === 'link-whole')?.held).toBeGreaterThan(0)
    const versions = pebble.versions('DiagnosticReport', kept[0]?.id ?? '') as DiagnosticReport[]
    expect(versions.map(({ status }) => status)).toEqual(['preliminary', 'final', 'amended', 'preliminary'])
  })

  test.for<[string, Rule, Bend]>([
    ['a first report that is not new', 'report-first', (a, s) => (isReport(a) ? { ...s, status: 200 } : undefined)],
    ['a report held without cause', 'report-first', (a, s) => (isReport(a) ? { ...s, status: 202 } : undefined)],
    [
      'a later report that changes nothing',
      'report-later',
      (a, s) => (isReport(a) ? { ...s, headers: { ...s.headers, etag: 'W/"1"' } } : undefined),
    ],
    [
      'an overtaken report that nobody is warned of',
      'report-overtaken',
      (a, s) => (isReport(a) ? without(s, 'x-daybind-warning') : undefined),
    ],
    [
      'a report that reads as another',
      'report-reads',
      (a, s) =>
        a.method === 'GET'
          ? having(s, (b) => entries(b).map((e) => Object.assign(e.resource ?? {}, { conclusion: 'other' })))
          : undefined,
    ],
  ])('%s: %s', async ([, rule, how]) => {
    bend = how
    const { checked } = await reported('final', 'amended', 'preliminary')
    expect(broken(checked), checkedText(checked)).toContain(rule)
  })
})

/** Runs `fake`, lets it do what it does, and ends it as Ctrl-C does. */
const played = (args: string[], until: (out: string) => boolean, line?: string) =>
  new Promise<{ status: number; out: string }>((resolve) => {
    let out = ''
    let ending = false
    let said: boolean | undefined
    const child = execFile(
      process.execPath,
      ['src/start.mjs', 'fake', ...args],
      { env: { ...process.env, EHR_TOKEN: tokenOf('harbour-ehr') } },
      (error, all) => resolve({ status: error ? (typeof error.code === 'number' ? error.code : -1) : 0, out: all }),
    )
    child.stdout?.on('data', (piece: string) => {
      out += piece
      // when it has pushed, the last thing of which is this
      if (line !== undefined && !said && out.includes('POST /MeasureReport')) said = child.stdin?.write(`${line}\n`)
      // a second one would end it before it has told all
      if (!ending && until(out)) ending = child.kill('SIGINT')
    })
  })

describe('fake source --push', () => {
  test.for<[string, Bend, number, string]>([
    ['ends with 0 where all held', () => undefined, 0, '0 broken'],
    ['ends with 1 where something broke', (_, s) => without(s, 'x-request-id'), 1, 'BROKE  request-id'],
  ])('%s', { timeout: 30_000 }, async ([, how, status, says]) => {
    bend = how
    seeds += 1
    const args = ['source', '--push', door.base(), '--token-env', 'EHR_TOKEN', '--orders', '2', '--seed', `${seeds}`]
    const ended = await played(args, (out) => out.includes('POST /MeasureReport'))
    expect(ended.out).toContain(says)
    expect(ended.status, ended.out).toBe(status)
  })
})

describe('what a source does while it runs', () => {
  test.for<[string, string, RegExp]>([
    ['a new order', 'order', /"id": "o-\d+-0003"/],
    ['a revised order', 'revise o-SEED-0001 priority=urgent', /"priority": "urgent"/],
    ['a revoked order', 'revoke o-SEED-0002', /"status": "revoked"/],
    ['merged patients', 'merge p-SEED-0001 p-SEED-0002', /"replaced-by"/],
    ['a visit that is done', 'visit o-SEED-0001 done', /"performedDateTime"/],
  ])('%s goes to Daybind, which takes it by the rules', { timeout: 30_000 }, async ([, line, shows]) => {
    seeds += 1
    const args = ['source', '--push', door.base(), '--token-env', 'EHR_TOKEN', '--orders', '2', '--seed', `${seeds}`]
    const ended = await played(args, (out) => shows.test(out), line.replaceAll('SEED', `${seeds}`))
    expect(ended.out).toMatch(shows)
    expect(ended.out).toContain(' 0 broken')
    expect(ended.status, ended.out).toBe(0)
    const pushed = await read<Bundle>(as('ops'), `ServiceRequest?identifier=${numbering.orders}|O${seeds}-0003`)
    expect(pushed.entry?.length ?? 0).toBe(line === 'order' ? 1 : 0)
    const [first, second] = await Promise.all(
      ['0001', '0002'].map(async (n) => {
        const { entry } = await read<Bundle<ServiceRequest>>(
          as('ops'),
          `ServiceRequest?identifier=${numbering.orders}|O${seeds}-${n}`,
        )
        return entry?.[0]?.resource
      }),
    )
    expect(first?.priority).toBe(line.startsWith('revise') ? 'urgent' : undefined)
    expect(second?.status).toBe(line.startsWith('revoke') ? 'revoked' : 'active')
    const patient = await read<Patient>(as('ops'), first?.subject?.reference ?? '')
    // an order of a patient who was replaced goes along to the one who stays
    expect(patient.identifier?.[0]?.value).toBe(`H${seeds}-${line.startsWith('merge') ? '0002' : '0001'}`)
    const before = await read<Bundle<Patient>>(as('ops'), `Patient?identifier=${numbering.patients}|H${seeds}-0001`)
    expect(before.entry?.[0]?.resource?.active).toBe(line.startsWith('merge') ? false : undefined)
    const acts = await read<Bundle>(as('ops'), `Procedure?based-on=ServiceRequest/${first?.id}`)
    expect(acts.entry?.length ?? 0).toBe(line.startsWith('visit') ? 1 : 0)
  })
})

describe('what a reading service says of a Task', () => {
  const asked = async () => {
    const { ordered, order } = await reported()
    const task = (pebble.resources('Task') as Task[]).find((t) => t.focus?.reference === `ServiceRequest/${order.id}`)
    const seen = ledger()
    const talk = conversation({ daybind: { base: door.base(), token: tokenOf('pebble') }, ledger: seen })
    const say = (status: Task['status']) => sayOfTask(talk.call, { taskId: task?.identifier?.[0]?.value ?? '', status })
    return { ordered, seen, say }
  }

  test('is taken step by step, and a step back is refused', async () => {
    const { seen, say } = await asked()
    const statuses = []
    for (const step of ['received', 'accepted', 'in-progress', 'received'] as const)
      statuses.push((await say(step)).status)
    expect(statuses).toEqual([200, 200, 200, 409])
    expect(broken(seen.checked()), checkedText(seen.checked())).toEqual([])
    expect(seen.checked().flatMap(({ rule, held }) => (rule.startsWith('task-') ? [[rule, held]] : []))).toEqual([
      ['task-step', 3],
      ['task-back', 1],
    ])
  })

  test.for<[string, Rule, Bend]>([
    [
      'a step that is not taken',
      'task-step',
      (a, s) => (a.method === 'PUT' ? having(s, (b) => Object.assign(b, { status: 'requested' })) : undefined),
    ],
    ['a step back that is taken', 'task-back', (_, s) => (s.status === 409 ? { ...s, status: 200 } : undefined)],
  ])('%s: %s', async ([, rule, how]) => {
    const { seen, say } = await asked()
    bend = how
    await say('accepted')
    await say('received')
    expect(broken(seen.checked())).toContain(rule)
  })
})

test('a source that is asked, and written back into, sees no rule broken by the service', {
  timeout: 60_000,
}, async () => {
  const ehr = await startSource({ token: 'open' })
  for (const resource of inventedOrders(900, 2, new Date())) ehr.add(resource)
  const source = { ...{ id: 'harbour-ehr', site: 'tern-harbour', placer: numbering.orders, takes: defaultTakes } }
  const asking = await startTestService({
    sources: [{ ...source, fhir: ehr.base, token: 'open', poll: 'PT1S', subscribe: 'rest-hook' }],
    roundMs: 50,
  })
  try {
    const placed = () =>
      asking.as('ops')<Bundle<ServiceRequest>>('GET', `/fhir/ServiceRequest?identifier=${numbering.orders}|O900-0001`)
    await expect.poll(async () => (await placed()).body.entry?.length, { timeout: 20_000 }).toBe(1)
    const [patient] = inventedOrder(900, 1, new Date())
    const linked = await asking.as('bay-3')('POST', '/fhir/ServiceRequest/$link-device', {
      body: {
        resourceType: 'Parameters',
        parameter: [
          { name: 'order', valueIdentifier: { system: numbering.orders, value: 'O900-0001' } },
          { name: 'scan', valueString: label(newSerial()) },
          { name: 'appliedAt', valueDateTime: seconds(Date.now(), -60) },
          { name: 'patientIdentifier', valueIdentifier: patient.identifier?.[0] },
          { name: 'birthDate', valueDate: patient.birthDate },
        ],
      },
    })
    expect(linked.status, linked.text).toBe(200)
    await expect.poll(() => ehr.resources('DeviceUseStatement').length, { timeout: 20_000 }).toBe(1)
    await expect.poll(() => ehr.resources('Subscription').length, { timeout: 20_000 }).toBe(1)
    expect(checkedText(ehr.checked())).toContain(', 0 broken')
    expect(ehr.checked().map(({ rule }) => rule)).toEqual(
      expect.arrayContaining(['token-shown', 'identified', 'sent-twice', 'hook-header', 'valid-write']),
    )
  } finally {
    await asking.close()
    await ehr.stop()
  }
})
