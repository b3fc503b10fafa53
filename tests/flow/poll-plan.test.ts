import fc from 'fast-check'
import type { CapabilityStatement, Subscription } from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import {
  pauseAfter,
  settlingSeconds,
  skewOf,
  sweepIsDue,
  watermarkAfter,
} from '../../src/flow/accept-order/poll-plan.ts'
import {
  hookHeader,
  isNews,
  isSilent,
  isWanted,
  repairOf,
  subscriptionFor,
  takesSubscriptions,
} from '../../src/flow/accept-order/subscription-plan.ts'

const minute = 60_000

describe('the watermark of a source', () => {
  it('lies as far behind their clock as a transaction may be open, whatever ours says', () => {
    expect(watermarkAfter({ theirs: 1_000_000, ours: 5_000_000 }, undefined)).toBe(1_000_000 - settlingSeconds * 1000)
    expect(watermarkAfter({ ours: 5_000_000 }, undefined)).toBe(5_000_000 - settlingSeconds * 1000)
  })

  it('never runs back, and finds everything that becomes visible within the settling time', () => {
    const change = fc.record({
      stamped: fc.integer({ min: 0, max: 3600 }),
      open: fc.integer({ min: 0, max: settlingSeconds - 1 }),
    })
    fc.assert(
      fc.property(
        fc.array(change, { maxLength: 20 }),
        fc.array(fc.integer({ min: 1, max: 400 }), { minLength: 1, maxLength: 60 }),
        fc.integer({ min: -600, max: 600 }),
        (changes, pauses, ahead) => {
          const found = new Set<number>()
          let [watermark, now] = [watermarkAfter({ theirs: ahead * 1000, ours: 0 }, undefined), 0]
          for (const pause of [...pauses, 5000]) {
            now += pause
            const asked = watermark
            for (const [i, { stamped, open }] of changes.entries())
              if (stamped + open <= now && (stamped + ahead) * 1000 >= asked) found.add(i)
            watermark = watermarkAfter({ theirs: (now + ahead) * 1000, ours: now * 1000 }, watermark)
            expect(watermark).toBeGreaterThanOrEqual(asked)
          }
          expect(found.size).toBe(changes.length)
        },
      ),
    )
  })

  it('tells how far their clock is ahead, by a Date that is cut to whole seconds', () => {
    expect(skewOf({ theirs: 600_000, ours: 0 })).toBe(601)
    expect(skewOf({ theirs: 10_000, ours: 10_500 })).toBe(0)
    expect(skewOf({ ours: 7 })).toBeUndefined()
  })
})

describe('the pause before a source is asked again', () => {
  it('is as configured while all is well, grows with failures up to five minutes, and is never shorter than they ask', () => {
    expect(pauseAfter(30, 0, 0, 0.5)).toBe(30)
    expect([1, 2, 3, 4, 5, 40].map((n) => pauseAfter(30, n, 0, 1))).toEqual([30, 60, 120, 240, 300, 300])
    expect(pauseAfter(30, 1, 0, 0)).toBe(22.5)
    expect(pauseAfter(30, 3, 900, 1)).toBe(900)
  })
})

describe('the sweep before a cut-off', () => {
  const cutOff = 100 * minute
  it.each([
    ['more than an hour before it', 39 * minute, undefined, false],
    ['an hour before it', 40 * minute, undefined, true],
    ['again at once', 41 * minute, 40 * minute, false],
    ['ten minutes before it', 90 * minute, 40 * minute, true],
    ['ten minutes before it, when the first came late', 90 * minute, 89 * minute, true],
    ['after it', 100 * minute, undefined, false],
  ])('%s', (_name, now, last, due) => {
    expect(sweepIsDue([cutOff], last, now)).toBe(due)
  })
})

describe('the Subscription at a source', () => {
  const wanted = { endpoint: 'https://daybind.example/hooks/harbour-ehr', secret: 's3cret' }
  const plain = subscriptionFor({ subscribing: 'rest-hook', ...wanted })
  const there = (over: Partial<Subscription>): Subscription => ({ ...plain, id: '1', ...over })

  it('is a rest-hook without payload, with our header (http://hl7.org/fhir/R4/subscription.html)', () => {
    expect(plain).toEqual({
      resourceType: 'Subscription',
      status: 'requested',
      reason: 'Monitoring orders for Daybind',
      criteria: 'ServiceRequest?',
      channel: { type: 'rest-hook', endpoint: wanted.endpoint, header: [`${hookHeader}: s3cret`] },
    })
  })

  it('by topic has the topic as criteria and asks for empty notifications (subscriptions-backport 1.1.0)', () => {
    const topic = 'https://harbour.example/topics/orders'
    expect(subscriptionFor({ subscribing: { topic }, ...wanted })).toMatchObject({
      criteria: topic,
      meta: {
        profile: ['http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription'],
      },
      channel: {
        payload: 'application/fhir+json',
        _payload: { extension: [{ valueCode: 'empty' }] },
        extension: [{ valueUnsignedInt: 60 }],
      },
    })
  })

  it.each<[string, Subscription | undefined, number, boolean, ReturnType<typeof repairOf>]>([
    ['is missing', undefined, 0, false, 'make'],
    ['is active', there({ status: 'active' }), 9999, false, 'none'],
    ['waits for its handshake', there({ status: 'requested' }), 30, false, 'wait'],
    ['waits for too long', there({ status: 'requested' }), 130, false, 'again'],
    ['is in error', there({ status: 'error' }), 30, false, 'again'],
    ['was switched off', there({ status: 'off' }), 30, false, 'again'],
    ['is active and told nothing of what changed', there({ status: 'active' }), 9999, true, 'again'],
    [
      'leads elsewhere',
      there({ status: 'active', channel: { type: 'rest-hook', endpoint: 'https://old.example' } }),
      9,
      false,
      'again',
    ],
    [
      'shows no header',
      there({ status: 'active', channel: { ...plain.channel, header: undefined as never } }),
      9,
      false,
      'none',
    ],
  ])('that %s', (_name, found, age, silent, repair) => {
    expect(repairOf(found, plain, age, silent)).toBe(repair)
  })

  it('with another secret is none of ours', () => {
    expect(isWanted(subscriptionFor({ subscribing: 'rest-hook', ...wanted, secret: 'other' }), plain)).toBe(false)
  })

  it.each([
    ['nothing was found', undefined, undefined, false],
    ['found and told', 10 * minute, 10 * minute - 5_000, false],
    ['found, told long before', 10 * minute, 3 * minute, true],
    ['found, never told', 10 * minute, undefined, true],
    ['found when it had just been made', 1 * minute, undefined, false],
    ['found just now: it may still be told', 19.5 * minute, undefined, false],
  ])('is silent or not: %s', (_name, found, hinted, silent) => {
    expect(isSilent(found, hinted, 0, 20 * minute)).toBe(silent)
  })

  it.each<[string, unknown, boolean]>([
    ['an empty call', undefined, true],
    ['a resource', { resourceType: 'ServiceRequest' }, true],
    ['an event', { entry: [{ resource: { parameter: [{ name: 'type', valueCode: 'event-notification' }] } }] }, true],
    ['a handshake', { entry: [{ resource: { parameter: [{ name: 'type', valueCode: 'handshake' }] } }] }, false],
    ['a heartbeat', { entry: [{ resource: { parameter: [{ name: 'type', valueCode: 'heartbeat' }] } }] }, false],
    ['nonsense', { entry: 7 }, true],
    ['a list', [1], true],
  ])('%s is news or not', (_name, body, news) => {
    expect(isNews(body)).toBe(news)
  })

  it('is made where the server says that it takes them', () => {
    const statement = (code: string, mode = 'server') =>
      ({ rest: [{ mode, resource: [{ type: 'Subscription', interaction: [{ code }] }] }] }) as CapabilityStatement
    expect(takesSubscriptions(statement('create'))).toBe(true)
    expect(takesSubscriptions(statement('read'))).toBe(false)
    expect(takesSubscriptions(statement('create', 'client'))).toBe(false)
    expect(takesSubscriptions({} as CapabilityStatement)).toBe(false)
  })
})
