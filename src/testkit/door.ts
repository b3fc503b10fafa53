/** What the counterparts have in common on the wire: answers, JSON, and the socket they listen on. */
import type { Server, ServerResponse } from 'node:http'
import type { Bundle, CapabilityStatement, CapabilityStatementRest, FhirResource } from 'fhir/r4.js'

export interface Reply {
  readonly status: number
  readonly body: FhirResource | string
  readonly headers?: Record<string, string>
}

/** Who a counterpart is and that it speaks R4 in JSON, with what it takes. */
export const capabilities = (
  name: string,
  date: string,
  takes: Omit<CapabilityStatementRest, 'mode'>,
): CapabilityStatement => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date,
  kind: 'instance',
  implementation: { description: name },
  fhirVersion: '4.0.1',
  format: ['application/fhir+json'],
  rest: [{ mode: 'server', ...takes }],
})

export const outcome = (status: number, code: string, ...texts: string[]): Reply => ({
  status,
  body: {
    resourceType: 'OperationOutcome',
    issue: texts.map((diagnostics) => ({ severity: 'error' as const, code: code as 'invalid', diagnostics })),
  },
})

export const isBundle = (value: unknown): value is Bundle<FhirResource> =>
  typeof value === 'object' && value !== null && 'resourceType' in value && value.resourceType === 'Bundle'

export function parsed(body: string): unknown {
  try {
    return JSON.parse(body)
  } catch {
    return undefined
  }
}

/** A text that says nothing of its type is a web page. */
export function send(response: ServerResponse, { status, body, headers = {} }: Reply): void {
  const page = typeof body === 'string'
  response.writeHead(status, { 'Content-Type': page ? 'text/html' : 'application/fhir+json', ...headers })
  response.end(page ? body : JSON.stringify(body))
}

/** Opens and closes the listening socket of a server on loopback; once open, the port stays the same. */
export function doorOf(server: Server, wanted: number) {
  let port = wanted
  return {
    base: () => `http://127.0.0.1:${port}/fhir`,
    isOpen: () => server.listening,
    open: () =>
      new Promise<void>((resolve, reject) => {
        server.once('error', reject).listen(port, '127.0.0.1', () => {
          const address = server.address()
          if (typeof address === 'object' && address) port = address.port
          resolve()
        })
      }),
    async close() {
      const closed = new Promise((resolve) => server.close(resolve))
      server.closeAllConnections()
      await closed
    },
  }
}
