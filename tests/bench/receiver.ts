/**
 * A reading service that takes everything and keeps nothing, so that it costs this process next to nothing while the
 * service is under load. Only the measurement of deliveries puts the strict one in its place, on the same port.
 */
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { text } from 'node:stream/consumers'
import type { Bundle } from 'fhir/r4.js'
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'

export interface Receiver {
  /** Base of its FHIR server. */
  readonly base: string
  /** The strict one answers as long as `work` runs. */
  strictly<T>(work: (pebble: ReadingServiceCounterpart) => Promise<T>): Promise<T>
  stop(): Promise<void>
}

let ids = 0

/** As many entries as were sent, each of them created. */
const answerTo = (transaction: string): string => {
  const { entry = [] } = JSON.parse(transaction) as Bundle
  const done = entry.map(({ resource }) => ({
    response: { status: '201 Created', location: `${resource?.resourceType}/${++ids}/_history/1` },
  }))
  return JSON.stringify({ resourceType: 'Bundle', type: 'transaction-response', entry: done })
}

const nothingFound = '{"resourceType":"Bundle","type":"searchset","total":0}'

const takeAll = () =>
  createServer(async (request, response) => {
    const body = await text(request)
    response.setHeader('content-type', 'application/fhir+json')
    response.end(request.method === 'POST' ? answerTo(body) : nothingFound)
  })

export const startReceiver = async (): Promise<Receiver> => {
  let server = takeAll()
  const open = (port: number) => new Promise<void>((done) => server.listen(port, '127.0.0.1', () => done()))
  const close = () =>
    new Promise<void>((done) => {
      server.close(() => done())
      server.closeAllConnections()
    })
  await open(0)
  const { port } = server.address() as AddressInfo
  return {
    base: `http://127.0.0.1:${port}/fhir`,
    strictly: async (work) => {
      await close()
      const pebble = await startReadingService({ port })
      try {
        return await work(pebble)
      } finally {
        await pebble.stop()
        server = takeAll()
        await open(port)
      }
    },
    stop: close,
  }
}
