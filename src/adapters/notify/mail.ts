/**
 * Alerts by e-mail, one message to one recipient: who is refused keeps nobody else from theirs. SMTP (RFC 5321) cannot
 * tell whether a message was taken when the connection ends after its last line; it is sent again then, under the same
 * Message-ID, since an alert that came twice does less harm than one that never came.
 */
import { Readable } from 'node:stream'
import { getCACertificates } from 'node:tls'
import SMTPConnection from 'nodemailer/lib/smtp-connection'
import type { Trouble } from '../../flow/forward-order/retry.ts'
import type { Mail } from '../../model/configuration.ts'
import { composeMail } from './alert-mail.ts'
import type { AlertSent, AlertToSend, Messenger } from './messenger.ts'

/** So many messages are under way to the mail server, whoever they are for. */
const sideBySide = 4

/** A server that takes a message again and again and never says so is given up after so many attempts. */
const mostRepeats = 5

/** What nodemailer says of a failure; the server's own words, which may quote addresses, are left out. */
interface SmtpError extends Error {
  readonly code?: string | undefined
  readonly command?: string | undefined
  readonly response?: string | undefined
  readonly responseCode?: number | undefined
}

/** The reply code and, where there is one, the enhanced code (RFC 3463): `550 5.1.1`. */
const codeOf = ({ response = '', responseCode }: SmtpError): string => {
  const [, enhanced] = /^\d{3}[ -](\d\.\d{1,3}\.\d{1,3})\b/.exec(response) ?? []
  return [responseCode, enhanced].filter((c) => c !== undefined).join(' ')
}

const trouble = (fate: Trouble['fate'], whose: Trouble['whose'], reason: string): Trouble => ({ fate, whose, reason })

const isFinal = ({ responseCode = 0 }: SmtpError): boolean => responseCode >= 500

/** What a reply means, by the command that it answers. */
const repliedTrouble = (error: SmtpError): Trouble => {
  const [code, { command = '' }] = [codeOf(error), error]
  if (command.startsWith('AUTH') || error.code === 'EAUTH')
    return trouble('try-again', 'unclear', `The mail server does not accept our login (${code}).`)
  if (command === 'MAIL FROM')
    return trouble('try-again', 'unclear', `The mail server does not accept our sender's address (${code}).`)
  if (command === 'RCPT TO')
    return isFinal(error)
      ? trouble('final', 'message', `The mail server refuses the recipient (${code}).`)
      : trouble('try-again', 'message', `The mail server does not take mail for the recipient now (${code}).`)
  if (command === 'DATA')
    return isFinal(error)
      ? trouble('final', 'message', `The mail server refuses the message (${code}).`)
      : trouble('try-again', 'message', `The mail server does not take the message now (${code}).`)
  return trouble('try-again', 'destination', `The mail server turns us away (${code}).`)
}

/** @param handed every line of the message was sent */
const troubleOf = (error: SmtpError, handed: boolean): Trouble => {
  if (error.code === 'ETLS')
    return trouble('try-again', 'destination', 'No encrypted connection to the mail server could be made.')
  if (error.responseCode) return repliedTrouble(error)
  const code = error.code && /^E[A-Z]{2,20}$/.test(error.code) ? ` (${error.code})` : ''
  if (handed)
    return trouble(
      'unsure',
      'unclear',
      `The message was sent, and the mail server never said whether it has it${code}.`,
    )
  return trouble('try-again', 'destination', `The mail server could not be used; the message was not sent${code}.`)
}

const failed = (t: Trouble, { attempt, repeats }: Pick<AlertToSend, 'attempt' | 'repeats'>): AlertSent => {
  const mayBeThere = t.fate === 'unsure'
  return mayBeThere && repeats && attempt >= mostRepeats
    ? {
        arrived: false,
        mayBeThere,
        trouble: { ...t, fate: 'final', reason: `${t.reason} It was sent more than once.` },
      }
    : { arrived: false, mayBeThere, trouble: t }
}

/** The deadline is that of the whole, half of it that of a connection and of each silence. */
const connectionTo = (mail: Mail, deadlineMs: number): SMTPConnection =>
  new SMTPConnection({
    host: mail.host,
    port: mail.port,
    secure: mail.security === 'tls',
    requireTLS: mail.security === 'starttls',
    ignoreTLS: mail.security === 'none',
    connectionTimeout: deadlineMs / 2,
    greetingTimeout: deadlineMs / 2,
    dnsTimeout: deadlineMs / 2,
    socketTimeout: deadlineMs / 2,
    ...(mail.ca !== undefined && { tls: { ca: [...getCACertificates('default'), mail.ca] } }),
  })

interface Sending {
  readonly mail: Mail
  readonly deadlineMs: number
  readonly to: string
  readonly message: Buffer
  readonly attempt: number
  readonly repeats: boolean
  readonly signal: AbortSignal
}

const sendOnce = ({ mail, deadlineMs, to, message, attempt, repeats, signal }: Sending): Promise<AlertSent> =>
  new Promise((resolve) => {
    const connection = connectionTo(mail, deadlineMs)
    let handed = false
    const stream = Readable.from([message]).once('end', () => {
      handed = true
    })
    const end = (outcome: AlertSent) => {
      clearTimeout(timer)
      signal.removeEventListener('abort', late)
      connection.close()
      resolve(outcome)
    }
    const fail = (error: SmtpError) => end(failed(troubleOf(error, handed), { attempt, repeats }))
    const late = () => fail(Object.assign(new Error('too late'), { code: 'ETIMEDOUT' }))
    const timer = setTimeout(late, deadlineMs)
    signal.addEventListener('abort', late)
    const deliver = () =>
      connection.send({ from: mail.from, to: [to] }, stream, (error) =>
        error ? fail(error) : end({ arrived: true, fate: 'sent' }),
      )
    connection.on('error', fail)
    if (signal.aborted) return late()
    connection.connect((error) => {
      if (error) return fail(error)
      const { login } = mail
      if (login === undefined) return deliver()
      connection.login({ credentials: { user: login.user, pass: login.password } }, (refused) =>
        refused ? fail(refused) : deliver(),
      )
    })
  })

/** Work in turns: so much of it at a time, first come first served. */
const turns = (count: number): Messenger['inTurn'] => {
  let free = count
  const waiting: (() => void)[] = []
  return async (work) => {
    if (free > 0) free -= 1
    else await new Promise<void>((go) => waiting.push(go))
    try {
      return await work()
    } finally {
      const next = waiting.shift()
      if (next) next()
      else free += 1
    }
  }
}

/** Messengers to mailboxes behind one mail server. */
export const openMail = (mail: Mail, deadlineMs: number): ((address: string) => Messenger) => {
  const inTurn = turns(sideBySide)
  const stop = new AbortController()
  return (to) => ({
    connections: 1,
    inTurn,
    send: async ({ id, body, attempt, repeats = false }: AlertToSend) => {
      const message = await composeMail(id, body, { from: mail.from, to })
      return sendOnce({ mail, deadlineMs, to, message, attempt, repeats, signal: stop.signal })
    },
    breakOff: () => stop.abort(),
    close: async () => undefined,
  })
}
