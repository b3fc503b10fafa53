/** What the person beside a counterpart asks of it, by HTTP under `/control`; on loopback, JSON in and out. */
import type { IncomingMessage, ServerResponse } from 'node:http'
import { text } from 'node:stream/consumers'
import { parsed } from './door.ts'

export interface Told {
  readonly status: number
  readonly body: unknown
}

/** `POST /control/faults` and the like, by method and what follows `/control/`; words after it are handed on. */
export type Controls = Readonly<
  Record<string, (said: Record<string, unknown>, words: readonly string[]) => Promise<Told> | Told>
>

const asObject = (body: string): Record<string, unknown> | undefined => {
  const said = body === '' ? {} : parsed(body)
  return typeof said === 'object' && said !== null && !Array.isArray(said)
    ? (said as Record<string, unknown>)
    : undefined
}

/** A web page that somebody has open may not control it: browsers send JSON to another origin only when asked for. */
const isOurs = ({ method, headers }: IncomingMessage): boolean =>
  /^(127\.0\.0\.1|localhost)(:\d+)?$/.test(headers.host ?? '') && (method === 'GET' || headers.origin === undefined)

async function told(controls: Controls, request: IncomingMessage, path: string): Promise<Told> {
  if (!isOurs(request)) return { status: 403, body: { problem: 'only programs on this machine may control it' } }
  const [what = '', ...words] = path.split('/').map(decodeURIComponent)
  const control = controls[`${request.method} ${what}`]
  if (!control) return { status: 404, body: { problem: 'no such control', known: Object.keys(controls) } }
  const said = asObject(await text(request))
  return said ? control(said, words) : { status: 400, body: { problem: 'a JSON object is expected' } }
}

export const controlBy =
  (controls: Controls) =>
  async (request: IncomingMessage, response: ServerResponse): Promise<boolean> => {
    const [, path] = /^\/control\/?([^?]*)/.exec(request.url ?? '') ?? []
    if (path === undefined) return false
    const { status, body } = await told(controls, request, path)
    response.writeHead(status, { 'Content-Type': 'application/json' }).end(`${JSON.stringify(body, null, 2)}\n`)
    return true
  }
