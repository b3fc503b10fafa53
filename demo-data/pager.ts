/** Where the clinic's alerts arrive: it takes what is signed with the secret of its address, and keeps it. */
import { createHmac, timingSafeEqual } from 'node:crypto'
import { createServer, type IncomingMessage } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import type { AlertMessage } from '../src/flow/watch-flow/alerts/message.ts'

/** The last part of each address. */
export type PagerId = 'front-desk' | 'lead'

export interface Page {
  readonly to: PagerId
  /** `webhook-id`: the same message tried again has the same. */
  readonly id: string
  readonly message: AlertMessage
}

export interface Pager {
  readonly base: string
  readonly pages: readonly Page[]
  /** What came without a signature that fits. */
  readonly complaints: readonly string[]
  stop(): Promise<void>
}

/** Standard Webhooks 1.0.0: `v1,` and the HMAC-SHA256 of id, timestamp and body, as base64. */
const isSigned = ({ headers }: IncomingMessage, body: string, secret: string): boolean => {
  const key = Buffer.from(secret.replace(/^whsec_/, ''), 'base64')
  const content = `${headers['webhook-id']}.${headers['webhook-timestamp']}.${body}`
  const wanted = Buffer.from(`v1,${createHmac('sha256', key).update(content).digest('base64')}`)
  const given = Buffer.from(String(headers['webhook-signature']))
  return given.length === wanted.length && timingSafeEqual(given, wanted)
}

export const startPager = async (secrets: Readonly<Record<PagerId, string>>): Promise<Pager> => {
  const pages: Page[] = []
  const complaints: string[] = []
  const server = createServer(async (request, response) => {
    const to = (request.url ?? '').slice(1) as PagerId
    const body = await text(request)
    const secret = secrets[to]
    if (secret === undefined || !isSigned(request, body, secret)) {
      complaints.push(`${request.url}: not signed as it should be`)
      return void response.writeHead(401).end()
    }
    const id = String(request.headers['webhook-id'])
    if (!pages.some((p) => p.id === id)) pages.push({ to, id, message: JSON.parse(body) as AlertMessage })
    response.writeHead(204).end()
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return {
    base: `http://127.0.0.1:${(server.address() as AddressInfo).port}`,
    pages,
    complaints,
    stop: async () => {
      server.closeAllConnections()
      await new Promise((resolve) => server.close(resolve))
    },
  }
}
