/** Signed webhooks, held against a published vector and against the reference library; and what each answer means. */
import type { ServerResponse } from 'node:http'
import { Webhook } from 'standardwebhooks'
import { afterEach, describe, expect, test } from 'vitest'
import type { AlertSent, Messenger } from '../../src/adapters/notify/messenger.ts'
import { openWebhook, signatureOf } from '../../src/adapters/notify/webhook.ts'
import { type Answer, startWebhookReceiver, webhookSecret } from '../support/webhook-receiver.ts'

const open: { stop(): Promise<unknown> }[] = []
afterEach(async () => {
  await Promise.all(open.splice(0).map((item) => item.stop()))
})

const messengerTo = (url: string, secret = webhookSecret, deadlineMs = 5_000): Messenger => {
  const messenger = openWebhook({ url, secret, deadlineMs, now: Date.now })
  open.push({ stop: () => messenger.close() })
  return messenger
}

const receiver = async (answer?: Answer) => {
  const started = await startWebhookReceiver(answer)
  open.push(started)
  return started
}

const alert = (id = 'd-1', attempt = 1) => ({
  id,
  body: JSON.stringify({ type: 'gaps.open', data: { count: 2, name: 'Tern Harbour Clínic' } }),
  requestId: 'r-1',
  attempt,
})

/** Fate, whose trouble, whether it may be there, how long to wait, the reason. */
const told = (s: AlertSent) =>
  s.arrived ? [s.fate] : [s.trouble.fate, s.trouble.whose, s.mayBeThere, s.trouble.retryAfterMs, s.trouble.reason]

describe('the signature', () => {
  test('of the vector in the libraries of Standard Webhooks', () => {
    // Source: github.com/standard-webhooks/standard-webhooks, the test "sign function works" of its libraries
    const secret = 'whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw'
    const [id, time, body] = ['msg_p5jXN8AQM9LWM0D4loKWxJek', 1614265330, '{"test": 2432232314}']
    expect(signatureOf(secret, id, time, body)).toBe('v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=')
  })

  test('is the one of the reference library, whatever the body', () => {
    const library = new Webhook(webhookSecret)
    for (const body of ['', '{}', '{"a":"ü€😀"}', 'a\nb'])
      expect(signatureOf(webhookSecret, 'x', 1_700_000_000, body)).toBe(
        library.sign('x', new Date(1_700_000_000_000), body),
      )
  })

  test('is accepted by it on the wire, with the id of the delivery at each attempt', async () => {
    const there = await receiver()
    const messenger = messengerTo(there.url)
    expect(told(await messenger.send(alert()))).toEqual(['taken'])
    expect(told(await messenger.send(alert('d-1', 2)))).toEqual(['taken'])
    expect([there.wrong, there.received.map((r) => r.id)]).toEqual([[], ['d-1', 'd-1']])
    expect(there.received[0]?.message).toEqual(JSON.parse(alert().body))
    expect(there.received[0]?.headers['x-request-id']).toBe('r-1')
  })

  test('by another secret is refused there, and is tried again: a secret is mended without changing the message', async () => {
    const there = await receiver()
    const other = `whsec_${Buffer.from('another secret that they know not').toString('base64')}`
    expect(told(await messengerTo(there.url, other).send(alert()))).toEqual([
      'try-again',
      'unclear',
      false,
      undefined,
      'They do not accept our credentials for this. (401)',
    ])
    expect(there.wrong).toHaveLength(1)
  })
})

const answering =
  (status: number, headers: Record<string, string> = {}): Answer =>
  (response) =>
    response.writeHead(status, headers).end('their words about Zqxmark')

describe('an answer', () => {
  test.each<[string, Answer, readonly unknown[]]>([
    ['200 with words of theirs is a yes', answering(200), ['taken']],
    ['202 is a yes', answering(202), ['taken']],
    [
      '410 says that they want no more',
      answering(410),
      ['final', 'message', false, undefined, 'They want no more alerts (410).'],
    ],
    [
      '429 is waited for as long as they ask',
      answering(429, { 'retry-after': '120' }),
      ['try-again', 'destination', false, 120_000, 'They ask to come back later. (429)'],
    ],
    [
      '500 may have taken it',
      answering(500),
      ['unsure', 'unclear', true, undefined, 'They, or a proxy before them, had an error of their own. (500)'],
    ],
    [
      '400 is for good',
      answering(400),
      ['final', 'message', false, undefined, 'They refuse it as it is, and would refuse the same again. (400)'],
    ],
    [
      'a redirect to another host is told and not followed',
      answering(307, { location: 'http://elsewhere.example:8080/alerts?x=Zqxmark' }),
      [
        'final',
        'message',
        false,
        undefined,
        'They redirect to another address; no redirect is followed. (307, to elsewhere.example:8080)',
      ],
    ],
    [
      'a redirect on the same host is not followed either',
      answering(301, { location: '/other' }),
      ['final', 'message', false, undefined, 'They redirect to another address; no redirect is followed. (301)'],
    ],
    [
      'a connection that breaks may have taken it',
      (response: ServerResponse) => response.destroy(),
      [
        'unsure',
        'unclear',
        true,
        undefined,
        expect.stringMatching(/^It was sent, and the connection broke before the answer was complete\./),
      ],
    ],
    [
      'an endless one is broken off',
      (response: ServerResponse) => response.writeHead(200).end('x'.repeat(1_000_000)),
      ['unsure', 'message', true, undefined, 'Their answer is larger than the limit.'],
    ],
  ])('%s', async (_, answer, expected) => {
    const there = await receiver(answer)
    expect(told(await messengerTo(there.url).send(alert()))).toEqual(expected)
    expect(there.received).toHaveLength(1)
  })

  test('that never comes is not waited for beyond the deadline', async () => {
    const there = await receiver(() => undefined)
    const sent = await messengerTo(there.url, webhookSecret, 200).send(alert())
    expect(told(sent)).toEqual([
      'unsure',
      'unclear',
      true,
      undefined,
      'It was sent, and the answer was not complete within the deadline.',
    ])
  })

  test('of nobody is none: it surely has not arrived', async () => {
    const sent = await messengerTo('http://127.0.0.1:2/alerts').send(alert())
    expect(told(sent)).toEqual([
      'try-again',
      'destination',
      false,
      undefined,
      'No connection could be made; they have not received it. (ECONNREFUSED)',
    ])
  })

  test('is broken off when the service ends', async () => {
    const there = await receiver(() => messenger.breakOff())
    const messenger = messengerTo(there.url)
    expect(told(await messenger.send(alert())).slice(0, 3)).toEqual(['unsure', 'unclear', true])
  })
})
