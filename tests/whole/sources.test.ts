/** Sources whose FHIR server is asked: what arrives, what is told, and that trouble of one is nobody else's. */
import { randomUUID } from 'node:crypto'
import type { Bundle, DetectedIssue, DeviceUseStatement, ServiceRequest, Subscription } from 'fhir/r4.js'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import type { Source } from '../../src/model/configuration.ts'
import { defaultTakes } from '../../src/model/systems.ts'
import { createTestDatabase } from '../support/database.ts'
import { type FakeSource, startFakeSource, type Trouble } from '../support/fake-source.ts'
import { anOrder, aPatient, harbourOrders, harbourPatients } from '../support/messages.ts'
import { startTestService, type TestService, type TestServiceOptions } from '../support/service.ts'
import { found, label, newSerial, operate, seconds } from './bedside.ts'

const sourceAt = (fhir: string, over: Partial<Source> = {}): Source => ({
  id: 'harbour-ehr',
  site: 'tern-harbour',
  placer: harbourOrders,
  takes: defaultTakes,
  fhir,
  poll: 'PT1S',
  subscribe: false,
  ...over,
})

interface Told {
  readonly id: string
  readonly knownUpTo: string | null
  readonly failures: number
  readonly trouble: string | null
  readonly warnings: readonly string[]
  readonly clockAheadBySeconds: number | null
  readonly orders: { taken?: number; 'not-ours'?: number; refused?: number }
  readonly refused: readonly { type: string; id: string; version: string; problems: readonly string[] }[]
  readonly subscription: { id: string | null; status: string | null; made: number; trouble: string | null }
}

describe('a source that is asked', () => {
  let ehr: FakeSource
  const running: TestService[] = []
  const undo: (() => Promise<void> | void)[] = []

  beforeEach(async () => {
    ehr = await startFakeSource()
    undo.push(() => ehr.close())
  })
  afterEach(async () => {
    for (const s of running.splice(0)) await s.close()
    for (const step of undo.splice(0)) await step()
  })

  const start = async (options: TestServiceOptions = {}): Promise<TestService> => {
    const service = await startTestService({ sources: [sourceAt(ehr.base)], roundMs: 50, ...options })
    running.push(service)
    return service
  }

  const told = async (service: TestService, id = 'harbour-ehr'): Promise<Told> => {
    const { body } = await service.as('ops')<{ sources: Told[] }>('GET', '/sources')
    const found = body.sources.find((s) => s.id === id)
    if (found === undefined) throw new Error(`nothing is told of ${id}`)
    return found
  }

  const ordersHere = async (service: TestService): Promise<readonly ServiceRequest[]> => {
    const { body } = await service.as('ops')<Bundle<ServiceRequest>>('GET', '/fhir/ServiceRequest?_count=200')
    return (body.entry ?? []).flatMap(({ resource }) => resource ?? [])
  }
  const placers = async (service: TestService): Promise<readonly string[]> =>
    (await ordersHere(service)).flatMap((o) => o.identifier?.[0]?.value ?? []).sort()

  const holds = (id: string, over: Partial<ServiceRequest> = {}, at?: number): void => {
    ehr.put(`p-${id}`, aPatient(`MRN-${id}`), at)
    ehr.put(id, anOrder(`HE-${id}`, `Patient/p-${id}`, over), at)
  }

  /** Asked and settled since. */
  const asked = async (service: TestService, times = 1): Promise<void> => {
    const count = () => ehr.calls.filter((c) => c.startsWith('GET ServiceRequest?')).length
    const wanted = count() + times
    await expect.poll(count).toBeGreaterThanOrEqual(wanted)
    await expect.poll(async () => (await told(service)).knownUpTo).not.toBeNull()
  }

  it('has its open orders fetched with their patients, and later what changes', async () => {
    holds('1')
    holds('2')
    const service = await start()
    await expect.poll(() => placers(service)).toEqual(['HE-1', 'HE-2'])
    holds('3')
    holds('2', { status: 'revoked' })
    await expect.poll(() => placers(service)).toEqual(['HE-1', 'HE-2', 'HE-3'])
    await expect
      .poll(async () => (await ordersHere(service)).find((o) => o.identifier?.[0]?.value === 'HE-2')?.status)
      .toBe('revoked')
    const [first] = await ordersHere(service)
    const { body } = await service.as('ops')<{ birthDate: string }>('GET', `/fhir/${first?.subject?.reference}`)
    expect(body.birthDate).toBe('1950-03-17')
    expect(await told(service)).toMatchObject({ failures: 0, trouble: null, orders: { taken: 3 }, refused: [] })
  })

  it('is one with what it pushes: the same order is one order, and links as any other', async () => {
    const service = await start()
    const pushed = await service.as('harbour-ehr')('POST', '/fhir', {
      body: {
        resourceType: 'Bundle',
        type: 'transaction',
        entry: [
          { fullUrl: 'urn:uuid:a', resource: aPatient('MRN-7'), request: { method: 'POST', url: 'Patient' } },
          { resource: anOrder('HE-7', 'urn:uuid:a'), request: { method: 'POST', url: 'ServiceRequest' } },
        ],
      },
    })
    expect(pushed.status).toBe(200)
    holds('7')
    await expect.poll(async () => (await told(service)).orders.taken).toBe(1)
    expect(await placers(service)).toEqual(['HE-7'])
  })

  it('commits late: what is stamped before the moment up to which it is known is found all the same, once', async () => {
    const service = await start()
    await asked(service, 2)
    const { knownUpTo } = await told(service)
    // stamped two minutes ago, visible now
    holds('late', {}, Date.now() - 120_000)
    expect(Date.parse(knownUpTo ?? '')).toBeLessThan(Date.now() - 120_000)
    await expect.poll(() => placers(service)).toEqual(['HE-late'])
    await asked(service, 3)
    const { body } = await service.as('ops')<Bundle>(
      'GET',
      `/fhir/ServiceRequest/${(await ordersHere(service))[0]?.id}/_history`,
    )
    expect(body.total).toBe(1)
  })

  it('goes on after a restart where it was', async () => {
    const database = await createTestDatabase()
    undo.push(() => database.drop())
    const first = await start({ database: database.url })
    holds('1')
    await expect.poll(() => placers(first)).toEqual(['HE-1'])
    await asked(first, 2)
    running.splice(0)
    await first.close()
    const calls = ehr.calls.length
    holds('2')
    const second = await start({ database: database.url })
    await expect.poll(() => placers(second)).toEqual(['HE-1', 'HE-2'])
    const since = ehr.calls.slice(calls).filter((c) => c.startsWith('GET ServiceRequest?'))
    expect(since[0]).toContain('_lastUpdated=ge')
  })

  it('is asked by one of two instances at a time', async () => {
    const database = await createTestDatabase()
    undo.push(() => database.drop())
    let [busy, most] = [0, 0]
    ehr.trouble = (path, response) => {
      if (!path.startsWith('ServiceRequest')) return false
      busy += 1
      most = Math.max(most, busy)
      response.on('close', () => {
        busy -= 1
      })
      return false
    }
    for (let i = 0; i < 5; i += 1) holds(String(i))
    const [one] = await Promise.all([start({ database: database.url }), start({ database: database.url })])
    await asked(one, 6)
    expect(most).toBe(1)
    expect(await placers(one)).toHaveLength(5)
  })

  it('has other orders than ours: they are counted and not stored', async () => {
    holds('1')
    const service = await start()
    await asked(service, 2)
    holds('x-ray', { code: { coding: [{ system: 'https://harbour.example/codes', code: 'chest' }] } })
    await expect.poll(async () => (await told(service)).orders).toEqual({ taken: 1, 'not-ours': 1 })
    expect(await placers(service)).toEqual(['HE-1'])
  })

  it('has an order that our rules refuse: it is shown with the reason, stops no other, and is taken once it is mended', async () => {
    holds('1')
    const { identifier: _none, ...unnumbered } = anOrder('HE-bad', 'Patient/p-1')
    ehr.put('bad', unnumbered)
    ehr.put('worse', { ...anOrder('HE-worse', 'Patient/p-1'), status: 'begun' as 'active' })
    const service = await start()
    await asked(service, 3)
    expect(await placers(service)).toEqual(['HE-1'])
    const { refused } = await told(service)
    expect(refused.map(({ id, problems }) => [id, problems[0]]).sort()).toEqual([
      ['bad', expect.stringMatching(/^no-placer-number at /)],
      ['worse', expect.stringMatching(/^unknown-code at .*status$/)],
    ])
    expect(JSON.stringify(await told(service))).not.toContain('Sandling')
    ehr.put('bad', anOrder('HE-bad', 'Patient/p-1'))
    await expect.poll(() => placers(service)).toEqual(['HE-1', 'HE-bad'])
  })

  it('names the place and the requester of an order: they come along, and what we do not keep stays told', async () => {
    ehr.put('loc', {
      resourceType: 'Location',
      identifier: [{ system: 'https://daybind.example/sites', value: 'quarry-lane' }],
    })
    ehr.put('dr', { resourceType: 'Practitioner', name: [{ family: 'Elderfield' }] })
    holds('1', {
      requester: { reference: 'Practitioner/dr' },
      locationReference: [{ reference: 'Location/loc' }],
      supportingInfo: [{ reference: 'Observation/9' }],
    })
    const service = await start()
    await expect.poll(() => placers(service)).toEqual(['HE-1'])
    const [order] = await ordersHere(service)
    expect(order?.requester?.reference).toMatch(/^Practitioner\/[0-9a-f-]{36}$/)
    expect(order?.supportingInfo).toEqual([
      { type: 'Observation', identifier: { system: 'urn:ietf:rfc:3986', value: `${ehr.base}/Observation/9` } },
    ])
    const atLane = await service.as('lane-desk')<Bundle>('GET', '/fhir/ServiceRequest')
    expect(atLane.body.entry).toHaveLength(1)
  })

  it('changes a patient: the change arrives with the next order of that patient or before the cut-off at the latest', async () => {
    holds('1')
    const service = await start()
    await expect.poll(() => placers(service)).toEqual(['HE-1'])
    ehr.put('p-1', aPatient('MRN-1', { birthDate: '1950-03-18' }))
    ehr.put('again', anOrder('HE-again', 'Patient/p-1'))
    const birthDate = async () =>
      (await service.as('ops')<Bundle<{ birthDate: string } & ServiceRequest>>('GET', '/fhir/Patient')).body.entry?.[0]
        ?.resource?.birthDate
    await expect.poll(birthDate).toBe('1950-03-18')
  })

  it('replaces a patient by one who carries the old number: order and link go along', async () => {
    const service = await start()
    holds('1')
    await expect.poll(() => placers(service)).toEqual(['HE-1'])
    const [order] = await ordersHere(service)
    const linked = await operate(service.as('bay-3'), `ServiceRequest/${order?.id}/$link-device`, {
      scan: label(newSerial()),
      appliedAt: seconds(Date.now(), -600),
      patientIdentifier: { system: harbourPatients, value: 'MRN-1' },
      birthDate: '1950-03-17',
    })
    expect(linked.status, linked.text).toBe(200)
    const numbers = ['MRN-9', 'MRN-1'].map((value) => ({ system: harbourPatients, value }))
    ehr.put('p-9', aPatient('', { identifier: numbers }))
    ehr.put(
      'p-1',
      aPatient('MRN-1', { active: false, link: [{ type: 'replaced-by', other: { reference: 'Patient/p-9' } }] }),
    )
    // patients are looked at with their orders
    ehr.put('again', anOrder('HE-again', 'Patient/p-1'))
    const uses = () => found<DeviceUseStatement>(service.as('bay-3'), 'DeviceUseStatement')
    const subject = async () => (await uses())[0]?.subject?.reference
    const before = await subject()
    await expect.poll(subject).not.toBe(before)
    const subjects = (await ordersHere(service)).map((o) => o.subject.reference)
    expect(subjects).toEqual([await subject(), await subject()])
    const gaps = await found<DetectedIssue>(service.as('bay-3'), 'DetectedIssue?code=identity-doubt')
    expect(gaps.map((g) => g.patient?.reference)).toEqual([await subject()])
    expect(await told(service)).toMatchObject({ failures: 0, refused: [] })
  })

  it('has many pages, and more arrive while they are read: none is missed, none comes twice', async () => {
    ehr.pageSize = 7
    for (let i = 0; i < 60; i += 1) holds(`a${i}`)
    let pages = 0
    ehr.bend = () => {
      pages += 1
      if (pages < 12) holds(`b${pages}`)
    }
    const service = await start()
    await expect.poll(async () => (await told(service)).orders.taken, { timeout: 120_000 }).toBe(71)
    const histories = await Promise.all(
      (await ordersHere(service)).map(
        async ({ id }) => (await service.as('ops')<Bundle>('GET', `/fhir/ServiceRequest/${id}/_history`)).body.total,
      ),
    )
    expect(histories).toEqual(Array(71).fill(1))
  })

  describe('is in trouble, which is told, bounded, and nobody else’s', () => {
    const html: Trouble = (path, response) => {
      if (path === 'metadata') return false
      response.writeHead(200, { 'content-type': 'text/html' }).end('<html>Please sign in</html>')
      return true
    }
    const status =
      (code: number, headers: Record<string, string> = {}): Trouble =>
      (path, response) => {
        if (path === 'metadata') return false
        response
          .writeHead(code, { 'content-type': 'application/fhir+json', ...headers })
          .end('{"resourceType":"OperationOutcome"}')
        return true
      }
    const asOutcome: Trouble = (path, response) => {
      if (path === 'metadata') return false
      response
        .writeHead(200, { 'content-type': 'application/fhir+json' })
        .end('{"resourceType":"OperationOutcome","issue":[]}')
      return true
    }
    const xml: Trouble = (_path, response) => {
      response.writeHead(200, { 'content-type': 'application/fhir+xml' }).end('<Bundle xmlns="http://hl7.org/fhir"/>')
      return true
    }
    const huge: Trouble = (path, response) => {
      if (path === 'metadata') return false
      response.writeHead(200, { 'content-type': 'application/fhir+json' })
      const some = 'x'.repeat(1 << 20)
      const more = (): void => void (response.destroyed || response.write(some, () => setImmediate(more)))
      response.write('{"resourceType":"Bundle","type":"searchset","id":"')
      more()
      return true
    }
    const silent: Trouble = (path) => path !== 'metadata'

    it.each<[string, Trouble, RegExp]>([
      ['answers with a page for people', html, /not JSON/],
      ['answers 200 with an OperationOutcome', asOutcome, /OperationOutcome/],
      ['speaks XML alone', xml, /not JSON/],
      ['answers 304 that nobody asked for', status(304), /redirect|304/],
      ['knows us no more', status(401), /credentials.*401/],
      ['lets us see nothing', status(403), /credentials.*403/],
      ['wants to be left alone', status(429, { 'retry-after': '3' }), /come back later.*429/],
      ['is being looked after', status(503, { 'retry-after': '2' }), /come back later.*503/],
      ['fails', status(500), /error of their own.*500/],
      ['sends 50 MB a page', huge, /larger than the limit/],
      ['never answers', silent, /not complete within the deadline/],
    ])('%s', async (_name, trouble, says) => {
      const other = await startFakeSource()
      undo.push(() => other.close())
      other.put('p', aPatient('LW-1'))
      other.put('o', {
        ...anOrder('LW-O', 'Patient/p'),
        identifier: [{ system: 'https://lowwater.example/orders', value: 'LW-O' }],
      })
      holds('1')
      ehr.trouble = trouble
      const service = await start({
        askingDeadlineMs: 2_000,
        sources: [
          sourceAt(ehr.base),
          sourceAt(other.base, { id: 'lowwater-ehr', site: 'quarry-lane', placer: 'https://lowwater.example/orders' }),
        ],
      })
      await expect.poll(() => placers(service)).toEqual(['LW-O'])
      await expect.poll(async () => (await told(service)).trouble).toMatch(says)
      expect(await told(service)).toMatchObject({ knownUpTo: null })
      expect(await told(service, 'lowwater-ehr')).toMatchObject({ trouble: null, failures: 0 })
      ehr.trouble = undefined
      await expect.poll(() => placers(service), { timeout: 120_000 }).toEqual(['HE-1', 'LW-O'])
      await expect.poll(async () => (await told(service)).trouble).toBeNull()
    })

    it.each<[string, (ehr: FakeSource) => void, RegExp]>([
      [
        'has pages that lead to another host',
        (e) => {
          e.bend = (b) => {
            b.link = [{ relation: 'next', url: 'http://127.0.0.2:9/fhir/ServiceRequest?page=2' }]
          }
        },
        /not below their base/,
      ],
      [
        'has pages without end',
        (e) => {
          e.bend = (b) => {
            b.link = [{ relation: 'next', url: `${e.base}/ServiceRequest?page=2` }]
          }
        },
        /do not end/,
      ],
      [
        'counts more than it gives',
        (e) => {
          e.bend = (b) => {
            b.total = 12
          }
        },
        /count 12 and gave 1/,
      ],
      [
        'speaks FHIR R5',
        (e) => {
          e.fhirVersion = '5.0.0'
        },
        /another FHIR \(5\.0\.0\)/,
      ],
      [
        'lets a page expire',
        (e) => {
          e.pageSize = 1
          e.put('2', anOrder('HE-2', 'Patient/p-1'))
          e.trouble = (path, response, request) => {
            if (!request.url?.includes('from=') || path === 'metadata') return false
            response
              .writeHead(410, { 'content-type': 'application/fhir+json' })
              .end('{"resourceType":"OperationOutcome"}')
            return true
          }
        },
        /had expired/,
      ],
    ])('%s: what was read is kept, and nobody goes on from there', async (_name, spoil, says) => {
      holds('1')
      spoil(ehr)
      const service = await start()
      await expect.poll(async () => (await told(service)).trouble).toMatch(says)
      expect((await told(service)).knownUpTo).toBeNull()
      ehr.bend = undefined
      ehr.trouble = undefined
      ehr.fhirVersion = '4.0.1'
      await expect.poll(async () => (await told(service)).trouble, { timeout: 120_000 }).toBeNull()
      expect(await placers(service)).toContain('HE-1')
    })

    it('has a clock that is ten minutes off: told, and nothing is missed', async () => {
      ehr.clockAhead = -600_000
      holds('1')
      const service = await start()
      await expect.poll(async () => (await told(service)).warnings.join()).toMatch(/Their clock is 6\d\d s behind ours/)
      holds('2')
      await expect.poll(() => placers(service)).toEqual(['HE-1', 'HE-2'])
      const { knownUpTo, clockAheadBySeconds } = await told(service)
      expect(Date.parse(knownUpTo ?? '')).toBeLessThan(Date.now() - 600_000)
      expect(clockAheadBySeconds).toBeLessThan(-595)
    })

    it('has resources of another type among its answers: passed over, and told', async () => {
      holds('1')
      ehr.bend = (b) => {
        b.entry?.push({ resource: { resourceType: 'Observation', id: 'x' } as never, search: { mode: 'match' } })
        b.entry?.push({} as never)
      }
      const service = await start()
      await expect
        .poll(async () => (await told(service)).warnings.join(' '))
        .toMatch(/another type.*|.*without a resource/)
      expect(await placers(service)).toEqual(['HE-1'])
    })
  })

  describe('takes Subscriptions', () => {
    const subscribed = { sources: [] as Source[] }
    beforeEach(() => {
      subscribed.sources = [sourceAt(ehr.base, { subscribe: 'rest-hook', poll: 'PT10M' })]
    })
    const made = () => ehr.all<Subscription>('Subscription')
    const secretOf = (s: Subscription | undefined): string => s?.channel.header?.[0]?.split(': ')[1] ?? ''

    it('is subscribed to once, and a notification has it asked at once, again after a heartbeat no', async () => {
      const service = await start(subscribed)
      await expect.poll(() => made().length).toBe(1)
      const [subscription] = made()
      expect(subscription).toMatchObject({
        status: 'requested',
        criteria: 'ServiceRequest?',
        channel: { type: 'rest-hook', endpoint: `${service.url}/hooks/harbour-ehr` },
      })
      const headers = { 'x-daybind-hook': secretOf(subscription) }
      await expect.poll(async () => (await told(service)).knownUpTo).not.toBeNull()
      holds('1')
      // as HAPI FHIR 8.8.0 sends it, seen on the wire: an empty form, and a condition that has no sense
      const asHapi = {
        ...headers,
        'content-type': 'application/x-www-form-urlencoded; charset=UTF-8',
        'if-none-exist': `${service.url}/hooks/harbour-ehr?`,
        accept: 'application/fhir+xml;q=1.0, application/fhir+json;q=1.0',
      }
      expect((await service.call('POST', '/hooks/harbour-ehr', { headers: asHapi, body: '' })).status).toBe(204)
      await expect.poll(() => placers(service)).toEqual(['HE-1'])
      holds('2')
      expect(
        (
          await service.call('PUT', '/hooks/harbour-ehr/ServiceRequest/2', {
            headers,
            body: ehr.get('ServiceRequest', '2'),
          })
        ).status,
      ).toBe(204)
      await expect.poll(() => placers(service)).toEqual(['HE-1', 'HE-2'])
      const calls = ehr.calls.length
      const heartbeat = {
        resourceType: 'Bundle',
        type: 'history',
        entry: [{ resource: { resourceType: 'Parameters', parameter: [{ name: 'type', valueCode: 'heartbeat' }] } }],
      }
      expect((await service.call('POST', '/hooks/harbour-ehr', { headers, body: heartbeat })).status).toBe(204)
      await new Promise((passed) => setTimeout(passed, 500))
      expect(ehr.calls.length).toBe(calls)
      expect(made()).toHaveLength(1)
    })

    it.each(['', 'wrong', randomUUID()])('believes no notification with the secret %j', async (secret) => {
      const service = await start(subscribed)
      const answer = await service.call('POST', '/hooks/harbour-ehr', { headers: { 'x-daybind-hook': secret } })
      expect(answer.status).toBe(401)
      expect((await service.call('POST', '/hooks/nobody', { headers: { 'x-daybind-hook': secret } })).status).toBe(401)
    })
  })

  it('may be left alone: push alone needs no server of theirs', async () => {
    const service = await start({ sources: [{ ...sourceAt(ehr.base), poll: undefined } as unknown as Source] })
    await new Promise((passed) => setTimeout(passed, 300))
    expect(ehr.calls).toEqual([])
    expect((await service.as('ops')<{ sources: unknown[] }>('GET', '/sources')).body.sources).toEqual([])
  })
})
