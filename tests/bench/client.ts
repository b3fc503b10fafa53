/** A caller of one address on kept connections; anything but success ends the run. */
import { Pool } from 'undici'

export interface Client {
  post(path: string, body: string): Promise<string>
  get(path: string): Promise<string>
  close(): Promise<void>
}

/**
 * @param connections as many as there are callers at once
 * @throws when an answer is no success, with what was answered
 */
export const openClient = (base: string, connections: number, token?: string): Client => {
  const { origin, pathname } = new URL(base)
  const prefix = pathname === '/' ? '' : pathname
  const pool = new Pool(origin, { connections, pipelining: 1 })
  const authorization = token === undefined ? {} : { authorization: `Bearer ${token}` }
  const headers = { 'content-type': 'application/fhir+json', ...authorization }
  const call = async (method: 'GET' | 'POST', path: string, body?: string): Promise<string> => {
    const answer = await pool.request({
      path: `${prefix}${path}`,
      method,
      headers: body === undefined ? authorization : headers,
      ...(body !== undefined && { body }),
    })
    const text = await answer.body.text()
    if (answer.statusCode >= 300)
      throw new Error(`${method} ${path} answered ${answer.statusCode}: ${text.slice(0, 2_000)}`)
    return text
  }
  return { post: (path, body) => call('POST', path, body), get: (path) => call('GET', path), close: () => pool.close() }
}
