/** Alerts by e-mail, against a real SMTP server. */
import { createServer, type Server, type Socket } from 'node:net'
import { afterEach, describe, expect, test } from 'vitest'
import { openMail } from '../../src/adapters/notify/mail.ts'
import type { AlertSent } from '../../src/adapters/notify/messenger.ts'
import type { AlertMessage } from '../../src/flow/watch-flow/alerts/message.ts'
import type { Mail } from '../../src/model/configuration.ts'
import { hasOpenssl, makeCertificates } from '../support/certificates.ts'
import { type MailServer, startMailServer } from '../support/mail-server.ts'

const open: { stop(): Promise<unknown> }[] = []
afterEach(async () => {
  await Promise.all(open.splice(0).map((item) => item.stop()))
})

const opened = async (starting: Promise<MailServer>): Promise<MailServer> => {
  const server = await starting
  open.push(server)
  return server
}

const mailTo = (port: number, more: Partial<Mail> = {}): Mail => ({
  host: '127.0.0.1',
  port,
  security: 'none',
  from: 'daybind@tern-harbour.example',
  ...more,
})

const message: AlertMessage = {
  type: 'gaps.open',
  timestamp: '2035-07-04T15:30:01.000000Z',
  data: {
    recipient: 'desk',
    dueAt: '2035-07-04T15:30:00.000000Z',
    count: 2,
    sites: [
      {
        site: 'tern-harbour',
        name: 'Tern Harbour Clinic <North> & Höfn',
        timeZone: 'Europe/Dublin',
        day: '2035-07-04',
        cutOff: '2035-07-04T18:00:00+01:00',
        count: 2,
        gaps: [
          {
            gap: 'no-link',
            severity: 'high',
            status: 'preliminary',
            news: 'new',
            day: '2035-07-04',
            report: 'https://daybind.tern-harbour.example/reports/day/tern-harbour/2035-07-04.html',
            count: 2,
            ids: [],
            means: 'A device was applied and is linked to nobody.',
            turn: 'clinic',
            next: 'Link it.',
          },
        ],
      },
    ],
  },
}

const alert = (id = 'd-1', attempt = 1) => ({ id, body: JSON.stringify(message), requestId: 'r-1', attempt })

const desk = 'desk@tern-harbour.example'

/** Fate, whose trouble, whether it may be there, the reason. */
const told = (s: AlertSent) =>
  s.arrived ? [s.fate] : [s.trouble.fate, s.trouble.whose, s.mayBeThere, s.trouble.reason]

const refusal = (code: number, words: string) => Object.assign(new Error(words), { responseCode: code })

describe('an e-mail', () => {
  test('goes to its recipient, in words and in HTML, at the local time of the site', async () => {
    const server = await opened(startMailServer())
    expect(told(await openMail(mailTo(server.port), 5_000)(desk).send(alert()))).toEqual(['sent'])
    const [mail] = server.mails
    expect([mail?.from, mail?.to]).toEqual(['daybind@tern-harbour.example', [desk]])
    expect(mail?.header('message-id')).toBe('<d-1@tern-harbour.example>')
    expect(mail?.header('auto-submitted')).toBe('auto-generated')
    expect(mail?.header('content-type')).toMatch(/^multipart\/alternative/)
    expect(mail?.text).toContain('2 gaps as of 2035-07-04 16:30; the cut-off is at 18:00 (Europe/Dublin).')
    expect(mail?.text).toContain('- 2 × no-link (high, can still be mended in time), day 2035-07-04, clinic')
    expect(mail?.text).toContain('Tern Harbour Clinic <North> & Höfn, 2035-07-04')
    expect(mail?.text).toContain('<h2>Tern Harbour Clinic &lt;North&gt; &amp; Höfn, 2035-07-04</h2>')
    expect(mail?.text).toContain('Not for emergencies.')
  })

  test('is refused for one recipient of three: the others get theirs, and a refusal for good is told apart', async () => {
    const server = await opened(
      startMailServer({
        onRcptTo: ({ address }, _session, callback) => {
          if (address.startsWith('gone')) return callback(refusal(550, '5.1.1 no such mailbox of Zqxmark'))
          return callback(address.startsWith('busy') ? refusal(450, '4.2.1 come again') : null)
        },
      }),
    )
    const to = openMail(mailTo(server.port), 5_000)
    const people = ['gone@tern-harbour.example', 'busy@tern-harbour.example', desk]
    const sent = await Promise.all(people.map((address) => to(address).send(alert())))
    expect(sent.map(told)).toEqual([
      ['final', 'message', false, 'The mail server refuses the recipient (550 5.1.1).'],
      ['try-again', 'message', false, 'The mail server does not take mail for the recipient now (450 4.2.1).'],
      ['sent'],
    ])
    expect(server.mails.map((m) => m.to)).toEqual([[desk]])
  })

  test('that was taken by a server which then dies is sent again under the same Message-ID, and not for ever', async () => {
    const server = await opened(startMailServer({}, (_mail, _done, end) => end()))
    const messenger = openMail(mailTo(server.port), 5_000)(desk)
    const unsure = /^The message was sent, and the mail server never said whether it has it/
    for (const attempt of [1, 2])
      expect(told(await messenger.send(alert('d-1', attempt)))).toEqual([
        'unsure',
        'unclear',
        true,
        expect.stringMatching(unsure),
      ])
    expect(server.mails.map((m) => m.header('message-id'))).toEqual([
      '<d-1@tern-harbour.example>',
      '<d-1@tern-harbour.example>',
    ])
    // the first that may be there is sent again, however often nothing could be sent before
    const late = await messenger.send(alert('d-1', 13))
    expect(told(late).slice(0, 3)).toEqual(['unsure', 'unclear', true])
    const last = await messenger.send({ ...alert('d-1', 14), repeats: true })
    expect(told(last).slice(0, 3)).toEqual(['final', 'unclear', true])
  })

  test('that is refused as it is, or for now', async () => {
    const answers = [refusal(554, '5.7.1 spam'), refusal(451, '4.3.0 later')]
    const server = await opened(startMailServer({}, (_mail, done) => done(answers.shift())))
    const messenger = openMail(mailTo(server.port), 5_000)(desk)
    expect(told(await messenger.send(alert()))).toEqual([
      'final',
      'message',
      false,
      'The mail server refuses the message (554 5.7.1).',
    ])
    expect(told(await messenger.send(alert()))).toEqual([
      'try-again',
      'message',
      false,
      'The mail server does not take the message now (451 4.3.0).',
    ])
  })

  test('from a sender that is not accepted waits for somebody to mend that', async () => {
    const server = await opened(
      startMailServer({ onMailFrom: (_a, _s, callback) => callback(refusal(553, 'not you')) }),
    )
    const sent = await openMail(mailTo(server.port), 5_000)(desk).send(alert())
    expect(told(sent)).toEqual([
      'try-again',
      'unclear',
      false,
      "The mail server does not accept our sender's address (553).",
    ])
  })

  test('to a server where nobody listens was surely not sent', async () => {
    const sent = await openMail(mailTo(2), 5_000)(desk).send(alert())
    expect(told(sent)).toEqual([
      'try-again',
      'destination',
      false,
      expect.stringMatching(/^The mail server could not be used; the message was not sent/),
    ])
  })

  test('goes out a few at a time, however many there are', async () => {
    let [now, most] = [0, 0]
    const server = await opened(
      startMailServer(
        {
          onConnect: (_session, callback) => {
            now += 1
            most = Math.max(most, now)
            callback()
          },
          onClose: () => {
            now -= 1
          },
        },
        (_mail, done) => void setTimeout(done, 20),
      ),
    )
    const to = openMail(mailTo(server.port), 5_000)
    const all = Array.from({ length: 20 }, (_, n) => to(`desk-${n}@tern-harbour.example`))
    await Promise.all(all.map((m) => m.inTurn(() => m.send(alert()))))
    expect([server.mails.length, most <= 4]).toEqual([20, true])
  })
})

/** A server that says its lines and then nothing more. */
const silentAfter = async (lines: readonly string[]): Promise<number> => {
  const sockets = new Set<Socket>()
  const server: Server = createServer((socket) => {
    sockets.add(socket)
    socket.on('error', () => undefined)
    const rest = [...lines]
    const say = () => {
      const line = rest.shift()
      if (line !== undefined) socket.write(`${line}\r\n`)
    }
    say()
    socket.on('data', say)
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  open.push({
    stop: async () => {
      for (const s of sockets) s.destroy()
      await new Promise((resolve) => server.close(resolve))
    },
  })
  return (server.address() as { port: number }).port
}

describe('a mail server that hangs', () => {
  test.each<[string, readonly string[], 'try-again' | 'unsure']>([
    ['before its greeting', [], 'try-again'],
    ['after EHLO', ['220 here'], 'try-again'],
    ['after the sender', ['220 here', '250 hello'], 'try-again'],
    ['after the recipient', ['220 here', '250 hello', '250 ok'], 'try-again'],
    ['after DATA', ['220 here', '250 hello', '250 ok', '250 ok'], 'try-again'],
    ['after the message: it may have it', ['220 here', '250 hello', '250 ok', '250 ok', '354 go'], 'unsure'],
  ])('%s, is waited for until the deadline', async (_, lines, fate) => {
    const port = await silentAfter(lines)
    const sent = await openMail(mailTo(port), 600)(desk).send(alert())
    expect(told(sent)[0]).toBe(fate)
  })

  test('is left when the service ends', async () => {
    const port = await silentAfter(['220 here', '250 hello', '250 ok', '250 ok', '354 go'])
    const messenger = openMail(mailTo(port), 60_000)(desk)
    const sending = messenger.send(alert())
    messenger.breakOff()
    expect((await sending).arrived).toBe(false)
  })
})

describe.runIf(hasOpenssl())('encryption', () => {
  const { ca, server: pair } = makeCertificates()
  const secured = { cert: pair.cert, key: pair.key, disabledCommands: [] }

  test('by STARTTLS and with a login, by an authority of the configuration', async () => {
    const logins: string[] = []
    const server = await opened(
      startMailServer({
        ...secured,
        authOptional: false,
        onAuth: ({ username, password }, session, callback) => {
          logins.push(`${username} ${password} ${session.secure}`)
          return password === 'right' ? callback(null, { user: username }) : callback(refusal(535, '5.7.8 no'))
        },
      }),
    )
    const mail = mailTo(server.port, { security: 'starttls', ca })
    const right = { ...mail, login: { user: 'daybind', password: 'right' } }
    expect(told(await openMail(right, 5_000)(desk).send(alert()))).toEqual(['sent'])
    const wrong = { ...mail, login: { user: 'daybind', password: 'Zqxmark' } }
    expect(told(await openMail(wrong, 5_000)(desk).send(alert()))).toEqual([
      'try-again',
      'unclear',
      false,
      'The mail server does not accept our login (535 5.7.8).',
    ])
    expect(logins).toEqual(['daybind right true', 'daybind Zqxmark true'])
  })

  test('from the first byte', async () => {
    const server = await opened(startMailServer({ ...secured, secure: true }))
    const sent = await openMail(mailTo(server.port, { security: 'tls', ca }), 5_000)(desk).send(alert())
    expect(told(sent)).toEqual(['sent'])
  })

  test.each<[string, Partial<Mail>, boolean]>([
    ['an authority that nobody knows', { security: 'starttls' }, true],
    ['a server without STARTTLS', { security: 'starttls', ca }, false],
  ])('is not given up for %s: nothing is sent', async (_, more, offers) => {
    const server = await opened(startMailServer(offers ? secured : {}))
    const sent = await openMail(mailTo(server.port, more), 5_000)(desk).send(alert())
    expect(told(sent)).toEqual([
      'try-again',
      'destination',
      false,
      expect.stringMatching(offers ? /^The mail server could not be used; the message was not sent/ : /^No encrypted/),
    ])
    expect(server.mails).toEqual([])
  })
})
