/** A line to a server that can be troubled: silent, cut, or closed. */

import type { AddressInfo } from 'node:net'
import { connect, createServer, type Server, type Socket } from 'node:net'

/**
 * - `open`: everything passes.
 * - `silent`: connections stand and nothing passes, nor is anybody told.
 * - `cut`: connections are reset as soon as they are made.
 * - `closed`: nobody listens.
 */
export type Line = 'open' | 'silent' | 'cut' | 'closed'

export interface TroubledLine {
  /** The address of the server behind it, by way of the proxy. */
  readonly url: string
  set(line: Line): Promise<void>
  close(): Promise<void>
}

/** @param url `postgresql://…` of the server behind */
export const startProxy = async (url: string): Promise<TroubledLine> => {
  const behind = new URL(url)
  const pairs = new Set<readonly [Socket, Socket]>()
  let line: Line = 'open'
  const server: Server = createServer((client) => {
    client.on('error', () => undefined)
    if (line === 'cut') return void client.resetAndDestroy()
    const target = connect(Number(behind.port || 5432), behind.hostname)
    target.on('error', () => client.destroy())
    client.on('close', () => target.destroy())
    target.on('close', () => client.destroy())
    const pair = [client, target] as const
    pairs.add(pair)
    client.on('close', () => pairs.delete(pair))
    // what was said while the line was silent is lost for good, as on a network that drops packets
    client.on('data', (chunk) => line !== 'silent' && target.write(chunk))
    target.on('data', (chunk) => line !== 'silent' && client.write(chunk))
  })
  const listen = (port: number) => new Promise<void>((resolve) => server.listen(port, '127.0.0.1', resolve))
  await listen(0)
  const { port } = server.address() as AddressInfo
  const shut = async (): Promise<void> => {
    for (const [client] of pairs) client.resetAndDestroy()
    if (server.listening) await new Promise((closed) => server.close(closed))
  }
  const through = new URL(url)
  through.hostname = '127.0.0.1'
  through.port = String(port)
  return {
    url: through.href,
    set: async (next) => {
      line = next
      if (next === 'closed') return shut()
      if (next === 'cut') for (const [client] of pairs) client.resetAndDestroy()
      if (!server.listening) await listen(port)
    },
    close: shut,
  }
}
