/** A real SMTP server on this machine that keeps what it gets, and can be as bad as servers are. */
import type { AddressInfo } from 'node:net'
import { buffer } from 'node:stream/consumers'
import { SMTPServer, type SMTPServerOptions } from 'smtp-server'

export interface MailGot {
  readonly to: readonly string[]
  readonly from: string
  /** By its name in lower case, unfolded. */
  readonly header: (name: string) => string | undefined
  /** Every part, decoded. */
  readonly text: string
  readonly raw: string
}

export interface MailServer {
  readonly port: number
  readonly mails: readonly MailGot[]
  stop(): Promise<void>
}

/** Quoted-printable: RFC 2045, section 6.7. */
const unquoted = (text: string): string => {
  const joined = text.replaceAll(/=\r?\n/g, '')
  return joined.replaceAll(/(=[0-9A-F]{2})+/g, (run) => Buffer.from(run.replaceAll('=', ''), 'hex').toString())
}

const read = (raw: string, from: string, to: readonly string[]): MailGot => {
  const end = raw.indexOf('\r\n\r\n')
  const head = raw.slice(0, end).replaceAll(/\r\n[ \t]+/g, ' ')
  const fields = new Map(
    head.split('\r\n').map((line) => {
      const [name = '', ...rest] = line.split(':')
      return [name.toLowerCase(), rest.join(':').trim()] as const
    }),
  )
  return { to, from, header: (name) => fields.get(name), text: unquoted(raw.slice(end + 4)), raw }
}

/**
 * @param options of the server; one that handles messages itself calls `keep`
 * @param onData what is done once a message was kept; by default it is taken
 */
export const startMailServer = async (
  options: SMTPServerOptions = {},
  onData: (mail: MailGot, done: (error?: Error) => void, end: () => void) => void = (_, done) => done(),
): Promise<MailServer> => {
  const mails: MailGot[] = []
  const server: SMTPServer = new SMTPServer({
    authOptional: true,
    disabledCommands: ['STARTTLS'],
    disableReverseLookup: true,
    logger: false,
    closeTimeout: 100,
    ...options,
    onData: async (stream, session, callback) => {
      const raw = (await buffer(stream)).toString()
      const { mailFrom, rcptTo } = session.envelope
      const mail = read(
        raw,
        mailFrom === false ? '' : mailFrom.address,
        rcptTo.map((r) => r.address),
      )
      mails.push(mail)
      const sockets = [...(server as unknown as { connections: Set<{ _socket: { destroy(): void } }> }).connections]
      onData(mail, callback, () => {
        for (const { _socket } of sockets) _socket.destroy()
      })
    },
  })
  // a client that goes away is no trouble of ours
  server.on('error', () => undefined)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return {
    port: (server.server.address() as AddressInfo).port,
    mails,
    stop: () => new Promise((resolve) => server.close(() => resolve())),
  }
}
