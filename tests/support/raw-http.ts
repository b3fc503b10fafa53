/** HTTP as bytes on a connection: what no client library lets one send. */
import { connect } from 'node:net'

export interface RawAnswer {
  /** 0 where nothing came. */
  readonly status: number
  /** As they came, in lower case, `name: value`. */
  readonly headers: readonly string[]
  readonly body: string
}

/** Sends the bytes and reads until the server ends the connection, so ask it to: `Connection: close`. */
export const sendBytes = (url: string, bytes: string): Promise<RawAnswer> =>
  new Promise((resolve, reject) => {
    const parts: Buffer[] = []
    const { hostname, port } = new URL(url)
    const socket = connect(Number(port), hostname, () => socket.write(bytes))
    socket.on('data', (data) => parts.push(data))
    socket.on('error', reject)
    socket.on('close', () => {
      const text = Buffer.concat(parts).toString()
      const [head = '', ...rest] = text.split('\r\n\r\n')
      const [first = '', ...headers] = head.split('\r\n')
      const status = Number(/^HTTP\/1\.[01] (\d{3})/.exec(first)?.[1] ?? 0)
      resolve({ status, headers: headers.map((h) => h.toLowerCase()), body: rest.join('\r\n\r\n') })
    })
  })

/** @param first `GET /fhir/Patient HTTP/1.1` */
export const sendLines = (url: string, first: string, headers: readonly string[], body = ''): Promise<RawAnswer> => {
  const length = body === '' ? [] : [`content-length: ${Buffer.byteLength(body)}`]
  return sendBytes(url, [first, ...headers, ...length, 'connection: close', '', body].join('\r\n'))
}
