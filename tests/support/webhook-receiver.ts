/** Somebody who gets signed webhooks, and holds each against the reference library of Standard Webhooks. */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import { Webhook } from 'standardwebhooks'
import type { AlertMessage } from '../../src/flow/watch-flow/alerts/message.ts'

/** Of no use anywhere. */
export const webhookSecret = `whsec_${Buffer.from('a secret of the tests, 32 bytes.').toString('base64')}`

export interface Received {
  readonly id: string
  readonly headers: IncomingMessage['headers']
  readonly text: string
  readonly message: AlertMessage
}

export interface WebhookReceiver {
  readonly url: string
  /** Every one whose signature holds, in the order in which they came, repetitions included. */
  readonly received: readonly Received[]
  /** What is wrong with the others. */
  readonly wrong: readonly string[]
  stop(): Promise<void>
}

export type Answer = (response: ServerResponse, request: Received) => unknown

const taken: Answer = (response) => response.writeHead(204).end()

export const startWebhookReceiver = async (answer: Answer = taken): Promise<WebhookReceiver> => {
  const received: Received[] = []
  const wrong: string[] = []
  const library = new Webhook(webhookSecret)
  const server = createServer(async (request, response) => {
    const body = await text(request)
    try {
      const message = library.verify(body, request.headers as Record<string, string>) as AlertMessage
      const one = { id: String(request.headers['webhook-id']), headers: request.headers, text: body, message }
      received.push(one)
      answer(response, one)
    } catch (error) {
      wrong.push(String(error))
      response.writeHead(401).end()
    }
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return {
    url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/alerts`,
    received,
    wrong,
    stop: async () => {
      server.closeAllConnections()
      await new Promise((resolve) => server.close(resolve))
    },
  }
}
