/** Bytes to a server and back, for what no HTTP client would send. */
import { connect, type Socket } from 'node:net'

export interface RawAnswer {
  readonly status: number
  /** By lower-case name; of a header given twice the last. */
  readonly headers: Readonly<Record<string, string>>
  readonly body: string
}

export interface RawConnection {
  readonly socket: Socket
  /** All answers so far, as far as they are complete. */
  answers(): readonly RawAnswer[]
  /** The bytes as they came, one character a byte. */
  received(): string
  /** When the other side has closed, or the connection broke. */
  readonly closed: Promise<void>
}

const headersOf = (lines: readonly string[]): Record<string, string> =>
  Object.fromEntries(
    lines.map((line) => {
      const at = line.indexOf(':')
      return [line.slice(0, at).toLowerCase(), line.slice(at + 1).trim()]
    }),
  )

/** Reads answers that tell their Content-Length; that is all of ours. */
const answersIn = (text: string): RawAnswer[] => {
  const head = text.indexOf('\r\n\r\n')
  if (head === -1) return []
  const [statusLine = '', ...lines] = text.slice(0, head).split('\r\n')
  const [status, headers] = [Number(statusLine.split(' ')[1]), headersOf(lines)]
  const end = head + 4 + Number(headers['content-length'] ?? 0)
  if (text.length < end) return []
  const answer = { status, headers, body: Buffer.from(text.slice(head + 4, end), 'latin1').toString() }
  return [answer, ...answersIn(text.slice(end))]
}

/** @param url of the server; what is written is one byte a character */
export const openRaw = (url: string): RawConnection => {
  const { hostname, port } = new URL(url)
  const socket = connect(Number(port), hostname)
  let text = ''
  socket.setEncoding('latin1')
  socket.on('data', (data) => {
    text += data
  })
  // a reset ends the connection as a close does
  socket.on('error', () => undefined)
  const closed = new Promise<void>((done) => socket.once('close', () => done()))
  return { socket, answers: () => answersIn(text), received: () => text, closed }
}

/** Sends bytes and waits until the other side has closed the connection. */
export const sendRaw = async (url: string, bytes: string): Promise<RawConnection> => {
  const connection = openRaw(url)
  connection.socket.write(Buffer.from(bytes, 'latin1'))
  await connection.closed
  return connection
}
