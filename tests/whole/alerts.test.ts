/** People are told of gaps around the cut-off, by e-mail and by webhook, over HTTP: contract sections 2 and 6. */
import type { Communication, DetectedIssue, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { previewAlerts } from '../../src/commands.ts'
import type { Recipient, Site } from '../../src/model/configuration.ts'
import { defaultTakes } from '../../src/model/systems.ts'
import { startFakeServer } from '../support/fake-fhir-server.ts'
import { type MailServer, startMailServer } from '../support/mail-server.ts'
import { marksIn, newMark } from '../support/marks.ts'
import {
  type Ask,
  startTestService,
  type TestService,
  type TestServiceOptions,
  testSites,
  tokenOf,
} from '../support/service.ts'
import { startWebhookReceiver, type WebhookReceiver, webhookSecret } from '../support/webhook-receiver.ts'
import {
  found,
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  type Person,
  sendOrder,
} from './bedside.ts'

const sites = 'https://daybind.example/sites'
const day = '2035-03-21'
/** Dublin is at UTC on that day. */
const at = (time: string): string => `${day}T${time}Z`

const open: { stop(): Promise<unknown> }[] = []
afterAll(async () => {
  await Promise.all(open.map((o) => o.stop()))
})

const started = async <T extends { stop(): Promise<unknown> }>(starting: Promise<T>): Promise<T> => {
  const one = await starting
  open.push(one)
  return one
}

/** As if the service had been started then: nothing before it is made up for. */
const beginOn = (url: string, moment: string) =>
  inDatabase(
    url,
    `update clock set offset_by = timestamptz '${moment}' - clock_timestamp();
     update watched set since = '${moment}'; update alerts set moment = '${moment}'`,
  )

const at90 = '-PT90M'
const [harbour] = testSites
const clinic = (more: Partial<Site>): Site => ({ ...(harbour as Site), ...more })
const both = ['high', 'moderate'] as const

const serviceWith = async (
  site: Partial<Site>,
  recipients: readonly Recipient[],
  mail?: MailServer,
  more: TestServiceOptions = {},
): Promise<TestService> => {
  const service = await startTestService({
    sites: [clinic(site)],
    sources: [
      { id: 'harbour-ehr', site: 'tern-harbour', placer: 'https://harbour.example/orders', takes: defaultTakes },
    ],
    readingServices: [],
    roundMs: 100,
    patience: { first: 0.1, longest: 0.5, age: 600, attempts: 4000 },
    deliveryDeadlineMs: 2_000,
    ...more,
    configuration: {
      publicUrl: 'http://127.0.0.1',
      recipients,
      ...(mail && {
        mail: { host: '127.0.0.1', port: mail.port, security: 'none', from: 'daybind@tern-harbour.example' },
      }),
    },
  })
  open.push({ stop: () => service.close() })
  await beginOn(service.database, at('10:00:00'))
  return service
}

interface Listed {
  readonly id: string
  readonly destination: string
  readonly order: string | null
  readonly fate: string
  readonly reason: string | null
  readonly attempts: number
}

const deliveries = async (ops: Ask, query = ''): Promise<readonly Listed[]> =>
  (await ops<{ deliveries: Listed[] }>('GET', `/deliveries${query}`)).body.deliveries

const settled = async (ops: Ask) =>
  expect.poll(async () => (await deliveries(ops)).filter((d) => ['queued', 'unsure'].includes(d.fate))).toEqual([])

/** A recorder that was applied to somebody unknown. */
const applied = async (ask: Ask, appliedAt: string): Promise<string> => {
  const serial = newSerial()
  const seen = { scan: label(serial), site: { system: sites, value: 'tern-harbour' }, evidence: 'capture', appliedAt }
  expect((await operate(ask, 'Device/$record-application', seen)).status).toBe(200)
  return serial
}

const came = async (ask: Ask, receivedAt: string): Promise<string> => {
  const serial = newSerial()
  expect((await operate(ask, 'Device/$record-return', { scan: label(serial), receivedAt })).status).toBe(200)
  return serial
}

const counts = (r: {
  readonly message: {
    readonly data: {
      readonly sites: readonly {
        readonly gaps: readonly {
          readonly count: number
          readonly gap: string
          readonly status: string
          readonly news: string
        }[]
      }[]
    }
  }
}) => r.message.data.sites.flatMap((s) => s.gaps.map((g) => `${g.count} ${g.gap} ${g.status} ${g.news}`))

describe('a Wednesday', () => {
  let [service, mail, hook]: [TestService?, MailServer?, WebhookReceiver?] = []
  const here = (): { service: TestService; mail: MailServer; hook: WebhookReceiver } => {
    if (!service || !mail || !hook) throw new Error('not started')
    return { service, mail, hook }
  }
  const ops: Ask = (...asked) => here().service.as('ops')(...asked)
  const bay: Ask = (...asked) => here().service.as('bay-3')(...asked)
  const ehr: Ask = (...asked) => here().service.as('harbour-ehr')(...asked)
  const marked: Person = { ...newPerson(), number: newMark(), family: newMark(), given: newMark() }
  let ordered: Ordered | undefined
  let serials: { readonly mendable: string; readonly stays: string; readonly back: string } | undefined

  beforeAll(async () => {
    mail = await started(startMailServer())
    hook = await started(startWebhookReceiver())
    service = await serviceWith(
      {
        alerts: [
          { at: at90, to: 'front-desk', severities: both },
          { at: 'PT0S', to: 'front-desk', severities: both },
          { at: 'PT0S', to: 'lead', severities: both },
          { at: 'PT2H', to: 'lead', severities: both },
        ],
      },
      [
        { id: 'front-desk', email: 'desk@tern-harbour.example' },
        { id: 'lead', webhook: { url: hook.url, secret: webhookSecret } },
      ],
      mail,
    )
    ordered = await sendOrder(ehr, { person: marked, visit: day, note: newMark(), placer: 'P-7001' })
    serials = {
      mendable: await applied(bay, at('09:20:00')),
      stays: await applied(bay, at('09:40:00')),
      back: await came(bay, at('09:30:00')),
    }
  })

  interface Shown {
    readonly recipient: string
    readonly by: string
    readonly sendAt: string
    readonly subject?: string
    readonly notTold: Readonly<Record<string, number>>
  }
  const before = 'Tern Harbour Clinic: 3 gaps to mend, 2 of them before the cut-off at 18:00'
  const preview = async (query = '') =>
    (await ops<{ moments: Shown[] }>('GET', `/alerts/preview?site=tern-harbour&date=${day}${query}`)).body.moments

  test('can be looked at beforehand: by whom and when who would be told what, and nothing is sent', async () => {
    expect((await preview()).map((m) => [m.sendAt.slice(11, 16), m.recipient, m.by, m.subject])).toEqual([
      ['16:30', 'front-desk', 'email', before],
      ['18:00', 'front-desk', 'email', 'Tern Harbour Clinic: 2 gaps to mend'],
      ['18:00', 'lead', 'webhook', 'Tern Harbour Clinic: 3 gaps to mend'],
      ['20:00', 'lead', 'webhook', undefined],
    ])
    expect([await deliveries(ops), here().mail.mails.length, here().hook.received.length]).toEqual([[], 0, 0])
    const told = await inDatabase(here().service.database, 'select 1 from told_gaps')
    expect(told).toEqual([])
  })

  test('90 minutes before the cut-off the desk gets one e-mail with what can still be mended', async () => {
    const { service: s, mail: m } = here()
    await s.setClock(at('16:29:00'))
    expect(await deliveries(ops)).toEqual([])
    await s.setClock(at('16:30:00'))
    await settled(ops)
    expect(m.mails.map((x) => [x.to, x.header('subject')])).toEqual([[['desk@tern-harbour.example'], before]])
    expect(m.mails[0]?.text).toContain('- 2 × no-link (high, can still be mended in time), day 2035-03-21')
    expect(m.mails[0]?.text).toContain('- 1 × return-without-patient (high, final), day 2035-03-21')
    expect(m.mails[0]?.text).toContain(`/reports/day/tern-harbour/${day}.html`)
  })

  test('at the cut-off what was mended or acknowledged meanwhile is told to nobody; crossing it is news', async () => {
    const { service: s, mail: m, hook: h } = here()
    if (!serials || !ordered) throw new Error('nothing was applied')
    const linked = await link(bay, ordered, { scan: label(serials.mendable), appliedAt: at('09:20:00') })
    expect(linked.status, linked.text).toBe(200)
    const [returned] = await found<DetectedIssue>(bay, 'DetectedIssue?code=return-without-patient')
    expect((await operate(bay, `DetectedIssue/${returned?.id}/$acknowledge`, { note: 'Seen.' })).status).toBe(200)
    await s.setClock(at('18:00:00'))
    await settled(ops)
    expect(m.mails.map((x) => x.header('subject')).slice(1)).toEqual(['Tern Harbour Clinic: 1 gap to mend'])
    expect(m.mails[1]?.text).toContain('1 × no-link (high, final, told before as not yet final)')
    expect(h.received.map(counts)).toEqual([['1 no-link final new']])
    expect(h.wrong).toEqual([])
  })

  test('later nobody is told again, and no moment comes twice', async () => {
    const { service: s, mail: m, hook: h } = here()
    await s.setClock(at('19:59:00'))
    await s.setClock(at('20:00:00'))
    await s.setClock(at('20:01:00'))
    await settled(ops)
    expect([m.mails.length, h.received.length]).toEqual([2, 1])
    const moments = await inDatabase<{ recipient: string; n: number }>(
      s.database,
      `select recipient, count(*)::int as n from alerts where moment > '${at('12:00:00')}' group by 1 order by 1`,
    )
    expect(moments).toEqual([
      { recipient: 'front-desk', n: 2 },
      { recipient: 'lead', n: 2 },
    ])
  })

  test('afterwards the preview tells what was sent, and why others were not told', async () => {
    const shown = await preview()
    expect(shown.map((m) => [m.sendAt.slice(11, 16), m.recipient, m.subject !== undefined, m.notTold])).toEqual([
      ['16:30', 'front-desk', true, {}],
      ['18:00', 'front-desk', true, { acknowledged: 1 }],
      ['18:00', 'lead', true, { acknowledged: 1 }],
      ['20:00', 'lead', false, { acknowledged: 1, 'told before': 1 }],
    ])
  })

  test('the command prints it for people, by what was known at any moment', async () => {
    const service = { url: here().service.url, token: tokenOf('ops') }
    const shown = async (moment?: string) => {
      const asked = { site: 'tern-harbour', date: day, ...(moment !== undefined && { at: moment }) }
      const { ok, text } = await previewAlerts(service, asked, { json: false })
      expect(ok, text).toBe(true)
      return text.split('\n')
    }
    const now = await shown()
    expect(now[0]).toMatch(/^Tern Harbour Clinic, 2035-03-21, by what is known at .*\. Nothing is sent\.$/)
    expect(now).toContain('2035-03-21T18:00:00+00:00  PT0S  to lead by webhook')
    expect(now).toContain('  - 1 × no-link (high, final), day 2035-03-21, clinic')
    expect(now.at(-1)).toBe('  not told: 1 acknowledged, 1 told before')
    // nothing was recorded by then
    expect(await shown(at('08:00:00'))).not.toContain('  - 1 × no-link (high, final), day 2035-03-21, clinic')
    const wrong = await previewAlerts(service, { site: 'nowhere', date: day }, { json: false })
    expect(wrong.ok).toBe(false)
    expect(wrong.text).toContain('Expected: tern-harbour.')
  })

  test('alerts are among the deliveries, about no order, and one that is replayed keeps its names', async () => {
    const { mail: m, hook: h } = here()
    const list = await deliveries(ops)
    expect(list.map((d) => [d.destination, d.order, d.fate]).toSorted()).toEqual([
      ['front-desk', null, 'sent'],
      ['front-desk', null, 'sent'],
      ['lead', null, 'taken'],
    ])
    for (const d of list.slice(0, 3)) await ops('POST', `/deliveries/${d.id}/replay`)
    await expect.poll(() => [m.mails.length, h.received.length]).toEqual([4, 2])
    await settled(ops)
    expect(new Set(m.mails.map((x) => x.header('message-id'))).size).toBe(2)
    expect(new Set(h.received.map((r) => r.id)).size).toBe(1)
  })

  test('nothing of a patient, no placer number and no recorder is in any of them', async () => {
    const { service: s, mail: m, hook: h } = here()
    const bodies = await inDatabase<{ body: string }>(s.database, 'select body from deliveries')
    const said = [
      ...m.mails.flatMap((x) => [x.raw, x.text]),
      ...h.received.map((r) => r.text),
      ...bodies.map((b) => b.body),
    ]
    expect(said.length).toBeGreaterThan(8)
    const words = [...Object.values(serials ?? {}), 'P-7001', marked.birthDate, marked.phone]
    expect(said.flatMap((text) => marksIn(text, words))).toEqual([])
    expect(marksIn(s.logText(), words.slice(3))).toEqual([])
  })
})

describe('who is told', () => {
  test('of placer numbers and serial numbers, where the site says so, and of nothing else', async () => {
    const hook = await started(startWebhookReceiver())
    const service = await serviceWith(
      { alertsShow: 'placer', alerts: [{ at: 'PT0S', to: 'lead', severities: both }] },
      [{ id: 'lead', webhook: { url: hook.url, secret: webhookSecret } }],
    )
    const [bay, ehr] = [service.as('bay-3'), service.as('harbour-ehr')]
    const person = { ...newPerson(), family: newMark(), given: newMark(), number: newMark() }
    const serial = newSerial()
    const ordered = await sendOrder(ehr, { person, placer: 'P-7002' })
    const expired = { scan: label(serial, '350228'), appliedAt: at('09:20:00') }
    expect((await link(bay, ordered, expired)).status).toBe(200)
    await service.setClock(at('18:00:00'))
    await settled(service.as('ops'))
    expect(
      hook.received[0]?.message.data.sites[0]?.gaps.map((g) => [g.gap, g.gaps?.[0]?.order, g.gaps?.[0]?.recorder]),
    ).toEqual([['expired-device', 'P-7002', serial]])
    expect(marksIn(hook.received[0]?.text ?? '', [person.birthDate, person.phone])).toEqual([])
  })

  test('at once of what is grave, and in quiet hours only by an urgent rule; the rest waits and is looked at anew', async () => {
    const [lead, night] = [await started(startWebhookReceiver()), await started(startWebhookReceiver())]
    const service = await serviceWith(
      {
        alerts: [
          { at: 'now', to: 'lead', severities: ['high'] },
          { at: 'now', to: 'night', severities: ['high'], urgent: true },
        ],
      },
      [
        { id: 'lead', webhook: { url: lead.url, secret: webhookSecret }, quiet: { from: '20:00', until: '07:00' } },
        { id: 'night', webhook: { url: night.url, secret: webhookSecret }, quiet: { from: '08:00', until: '20:00' } },
      ],
    )
    const [bay, ops] = [service.as('bay-3'), service.as('ops')]
    await came(bay, at('09:30:00'))
    await expect.poll(() => [lead.received.length, night.received.length]).toEqual([1, 1])
    await service.setClock(at('21:00:00'))
    await came(bay, at('20:30:00'))
    await came(bay, at('20:40:00'))
    await expect
      .poll(() =>
        night.received
          .flatMap(counts)
          .map((c) => Number(c.split(' ')[0]))
          .reduce((a, b) => a + b, 0),
      )
      .toBe(3)
    await settled(ops)
    expect(lead.received).toHaveLength(1)
    const [first] = await found<DetectedIssue>(bay, 'DetectedIssue?code=return-without-patient&_sort=-_lastUpdated')
    expect((await operate(bay, `DetectedIssue/${first?.id}/$acknowledge`, { note: 'Seen.' })).status).toBe(200)
    await service.setClock('2035-03-22T07:01:00Z')
    await expect.poll(() => lead.received.length).toBe(2)
    expect(lead.received.map(counts)).toEqual([
      ['1 return-without-patient final new'],
      ['1 return-without-patient final new'],
    ])
  })

  test('once of what stood open while the service was down, and that it is late', async () => {
    const hook = await started(startWebhookReceiver())
    const service = await serviceWith(
      {
        alerts: [
          { at: at90, to: 'lead', severities: both },
          { at: 'PT0S', to: 'lead', severities: both },
        ],
      },
      [{ id: 'lead', webhook: { url: hook.url, secret: webhookSecret } }],
    )
    await applied(service.as('bay-3'), at('09:20:00'))
    // for four days nobody looks
    await service.setClock('2035-03-25T09:00:00Z')
    await settled(service.as('ops'))
    expect(hook.received.map((r) => [counts(r), r.message.data.late])).toEqual([[['1 no-link final new'], true]])
  })

  test('once, with what is due today, of visits of yesterday that a source has sent today only', async () => {
    const hook = await started(startWebhookReceiver())
    const service = await serviceWith(
      {
        alerts: [
          { at: at90, to: 'lead', severities: both },
          { at: 'PT0S', to: 'lead', severities: both },
        ],
      },
      [{ id: 'lead', webhook: { url: hook.url, secret: webhookSecret } }],
    )
    await service.setClock('2035-03-22T08:30:00Z')
    await sendOrder(service.as('harbour-ehr'), { visit: day })
    await sendOrder(service.as('harbour-ehr'), { visit: day })
    await applied(service.as('bay-3'), '2035-03-22T08:20:00Z')
    await service.setClock('2035-03-22T16:30:00Z')
    await settled(service.as('ops'))
    await service.setClock('2035-03-22T18:00:00Z')
    await settled(service.as('ops'))
    await service.setClock('2035-03-23T18:00:00Z')
    await settled(service.as('ops'))
    expect(hook.received.map(counts)).toEqual([
      ['1 no-link preliminary new', '2 no-application final new'],
      ['1 no-link final final'],
    ])
  })

  test('with the next moment of what came after the last one of a day', async () => {
    const hook = await started(startWebhookReceiver())
    const service = await serviceWith({ alerts: [{ at: 'PT0S', to: 'lead', severities: both }] }, [
      { id: 'lead', webhook: { url: hook.url, secret: webhookSecret } },
    ])
    await service.setClock(at('18:00:00'))
    await applied(service.as('bay-3'), at('17:20:00'))
    await service.setClock(at('18:30:00'))
    expect([await deliveries(service.as('ops')), hook.received.length]).toEqual([[], 0])
    await service.setClock('2035-03-22T18:00:00Z')
    await settled(service.as('ops'))
    expect(hook.received.map(counts)).toEqual([['1 no-link final new']])
  })
})

describe('what goes wrong', () => {
  test('a recipient who wants no more is switched off and shown, and what comes waits until somebody resumes it', async () => {
    const gone = [true]
    const hook = await started(
      startWebhookReceiver((response) => response.writeHead(gone.length > 0 ? 410 : 204).end()),
    )
    const service = await serviceWith({ alerts: [{ at: 'now', to: 'lead', severities: both }] }, [
      { id: 'lead', webhook: { url: hook.url, secret: webhookSecret } },
    ])
    const [bay, ops] = [service.as('bay-3'), service.as('ops')]
    await came(bay, at('09:30:00'))
    const reason = 'They want no more alerts (410).'
    await expect.poll(async () => (await deliveries(ops)).map((d) => [d.fate, d.reason])).toEqual([['parked', reason]])
    const shown = async () =>
      (
        await ops<{ destinations: { id: string; paused: boolean; reason: string | null; waiting: number }[] }>(
          'GET',
          '/destinations',
        )
      ).body.destinations.map((d) => [d.id, d.paused, d.reason, d.waiting])
    await expect.poll(shown).toEqual([['lead', true, reason, 0]])
    await came(bay, at('09:40:00'))
    await expect.poll(shown).toEqual([['lead', true, reason, 1]])
    expect(hook.received).toHaveLength(1)
    gone.pop()
    await ops('POST', '/destinations/lead/resume')
    await settled(ops)
    expect((await deliveries(ops)).map((d) => d.fate).toSorted()).toEqual(['parked', 'taken'])
  })

  test('one recipient of three is refused by the mail server: the others get theirs, and the reason is shown', async () => {
    const mail = await started(
      startMailServer({
        onRcptTo: ({ address }, _session, callback) =>
          callback(address.startsWith('two') ? Object.assign(new Error('5.1.1 unknown'), { responseCode: 550 }) : null),
      }),
    )
    const names = ['one', 'two', 'three']
    const service = await serviceWith(
      { alerts: names.map((to) => ({ at: 'PT0S', to, severities: both })) },
      names.map((id) => ({ id, email: `${id}@tern-harbour.example` })),
      mail,
    )
    await applied(service.as('bay-3'), at('09:20:00'))
    await service.setClock(at('18:00:00'))
    const ops = service.as('ops')
    await settled(ops)
    expect((await deliveries(ops)).map((d) => `${d.destination} ${d.fate} ${d.reason}`).toSorted()).toEqual([
      'one sent null',
      'three sent null',
      'two parked The mail server refuses the recipient (550 5.1.1).',
    ])
    expect(mail.mails.map((m) => m.to[0]).toSorted()).toEqual([
      'one@tern-harbour.example',
      'three@tern-harbour.example',
    ])
  })

  test('a mail server that takes a message and dies gets it again, under the same Message-ID', async () => {
    let deaths = 2
    const mail = await started(
      startMailServer({}, (_mail, done, end) => {
        deaths -= 1
        if (deaths >= 0) end()
        else done()
      }),
    )
    const service = await serviceWith(
      { alerts: [{ at: 'PT0S', to: 'desk', severities: both }] },
      [{ id: 'desk', email: 'desk@tern-harbour.example' }],
      mail,
    )
    await applied(service.as('bay-3'), at('09:20:00'))
    await service.setClock(at('18:00:00'))
    await expect
      .poll(async () => (await deliveries(service.as('ops'))).map((d) => [d.fate, d.attempts]), { timeout: 15_000 })
      .toEqual([['sent', 3]])
    expect([mail.mails.length, new Set(mail.mails.map((m) => m.header('message-id'))).size]).toEqual([3, 1])
  })

  test('a webhook in trouble, and one that asks for patience, get it later under the same id', async () => {
    const answers = [500, 429, 503, 204]
    const hook = await started(
      startWebhookReceiver((response) => {
        const status = answers.shift() ?? 204
        response.writeHead(status, status === 429 ? { 'retry-after': '1' } : {}).end()
      }),
    )
    const service = await serviceWith({ alerts: [{ at: 'PT0S', to: 'lead', severities: both }] }, [
      { id: 'lead', webhook: { url: hook.url, secret: webhookSecret } },
    ])
    await applied(service.as('bay-3'), at('09:20:00'))
    await service.setClock(at('18:00:00'))
    await expect
      .poll(async () => (await deliveries(service.as('ops'))).map((d) => [d.fate, d.attempts]), { timeout: 15_000 })
      .toEqual([['taken', 4]])
    expect(new Set(hook.received.map((r) => r.id)).size).toBe(1)
  })

  test('what the preview is asked wrongly is refused with what would be right', async () => {
    const service = await serviceWith({ alerts: [] }, [])
    const ops = service.as('ops')
    const codes = async (query: string) => {
      const { status, body } = await ops('GET', `/alerts/preview?${query}`)
      return [status, ...(body.issue ?? []).map((i) => `${i.details?.coding?.[0]?.code} ${i.diagnostics ?? ''}`)]
    }
    expect((await codes('site=nowhere&date=2035-02-30&at=noon')).length).toBe(4)
    expect((await codes(`site=tern-harbour&date=${day}&at=2035-03-21T10:00:00`))[0]).toBeGreaterThanOrEqual(400)
    expect((await codes('site=tern-harbour&date=9999-12-31'))[0]).toBe(422)
    const far = await ops<{ moments: unknown[] }>('GET', '/alerts/preview?site=tern-harbour&date=2035-12-31')
    expect([far.status, far.body.moments]).toEqual([200, []])
  })
})

describe('in the FHIR server of a source', () => {
  const everything = 'create update search ifNoneExist'

  const inbox = async (offers: Readonly<Record<string, string>>) => {
    const ehr = await started(startFakeServer({ offers }))
    const service = await serviceWith(
      { alerts: [{ at: at90, to: 'inbox', severities: both }] },
      [{ id: 'inbox', fhir: 'harbour-ehr' }],
      undefined,
      {
        sources: [
          {
            id: 'harbour-ehr',
            site: 'tern-harbour',
            placer: 'https://harbour.example/orders',
            takes: defaultTakes,
            fhir: ehr.base,
            writeBack: false,
          },
        ],
      },
    )
    return { ehr, service, ops: service.as('ops') }
  }

  const tell = async ({ service }: Awaited<ReturnType<typeof inbox>>) => {
    await applied(service.as('bay-3'), at('09:20:00'))
    await applied(service.as('bay-3'), at('09:30:00'))
    await service.setClock(at('16:30:00'))
    await settled(service.as('ops'))
  }

  test('there is a Communication of what is open, and a Task to see to it until the cut-off', async () => {
    const there = await inbox({ Communication: everything, Task: everything })
    await tell(there)
    const [said] = there.ehr.of<Communication & { id: string }>('Communication')
    const [task] = there.ehr.of<Task & { id: string }>('Task')
    const subject = 'Tern Harbour Clinic: 2 gaps to mend before the cut-off at 18:00'
    expect([said?.status, said?.priority, said?.topic?.text, said?.payload?.length]).toEqual([
      'completed',
      'urgent',
      subject,
      2,
    ])
    expect([task?.status, task?.intent, task?.description, task?.focus?.reference]).toEqual([
      'requested',
      'order',
      subject,
      `Communication/${said?.id}`,
    ])
    expect(Date.parse(task?.restriction?.period?.end ?? '')).toBe(Date.parse(at('18:00:00')))
    const gaps = await found<DetectedIssue>(there.ops, 'DetectedIssue?code=no-link')
    expect(said?.about?.map((r) => r.identifier?.value).toSorted()).toEqual(gaps.map((g) => g.id).toSorted())
    expect(task?.input?.map((i) => i.valueReference?.identifier?.value)).toEqual(
      said?.about?.map((r) => r.identifier?.value),
    )
    const [delivery] = await deliveries(there.ops)
    expect([delivery?.destination, delivery?.fate]).toEqual(['inbox', 'taken'])
    expect([said?.identifier?.[0]?.value, task?.identifier?.[0]?.value]).toEqual([delivery?.id, delivery?.id])
  })

  test('an answer that is lost, and a replay, make no second one, and what people did with the Task stays', async () => {
    const there = await inbox({ Communication: everything, Task: everything })
    there.ehr.dropAfter('POST Communication')
    await tell(there)
    const count = () => [there.ehr.of('Communication').length, there.ehr.of('Task').length]
    expect(count()).toEqual([1, 1])
    const [task] = there.ehr.of<Task & { id: string }>('Task')
    if (task === undefined) throw new Error('there is a Task')
    there.ehr.has({ ...task, status: 'completed' })
    const [delivery] = await deliveries(there.ops)
    const before = there.ehr.requests.length
    await there.ops('POST', `/deliveries/${delivery?.id}/replay`)
    await expect.poll(() => there.ehr.requests.length).toBeGreaterThan(before)
    await settled(there.ops)
    expect([...count(), there.ehr.of<Task>('Task')[0]?.status]).toEqual([1, 1, 'completed'])
  })

  test('where they take one of both, that one is there', async () => {
    const there = await inbox({ Task: 'create search' })
    await tell(there)
    expect(there.ehr.of<Task>('Task').map((t) => t.focus?.identifier?.value)).toEqual([
      (await deliveries(there.ops))[0]?.id,
    ])
    expect((await deliveries(there.ops)).map((d) => d.fate)).toEqual(['taken'])
  })

  test('where they take neither, it is parked and says so', async () => {
    const there = await inbox({ Patient: 'search' })
    await tell(there)
    expect((await deliveries(there.ops)).map((d) => [d.fate, d.reason])).toEqual([
      ['parked', expect.stringMatching(/^They take nothing of what is to be written\./)],
    ])
  })
})
