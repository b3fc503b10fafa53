/** An alert as an e-mail: one message to one recipient, as plain text and as simple HTML. */
import { html } from 'hono/html'
import MailComposer from 'nodemailer/lib/mail-composer'
import { type AlertMessage, type AlertWords, alertWords } from '../../flow/watch-flow/alerts/message.ts'

const textOf = ({ sites, end }: AlertWords): string =>
  [
    ...sites.flatMap((s) => [
      s.heading,
      s.about,
      '',
      ...s.gaps.flatMap((g) => [`- ${g.line}`, `  ${g.next}`, ...g.named.map((n) => `  · ${n}`), `  ${g.report}`, '']),
    ]),
    ...end,
  ].join('\n')

const htmlOf = ({ subject, sites, end }: AlertWords): string =>
  String(html`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>${subject}</title></head>
<body style="font-family:sans-serif">
${sites.map(
  (s) =>
    html`<h2>${s.heading}</h2><p>${s.about}</p><ul>${s.gaps.map(
      (g) =>
        html`<li><p><strong>${g.line}</strong><br>${g.next}<br><a href="${g.report}">${g.report}</a></p>${
          g.named.length === 0 ? '' : html`<ul>${g.named.map((n) => html`<li>${n}</li>`)}</ul>`
        }</li>`,
    )}</ul>`,
)}
${end.map((line) => html`<p>${line}</p>`)}
</body></html>
`)

export interface Envelope {
  readonly from: string
  readonly to: string
}

/** Stable, so that a mail server or a mailbox that got it twice can tell. */
export const messageIdOf = (id: string, { from }: Envelope): string =>
  `<${id}@${from.slice(from.lastIndexOf('@') + 1)}>`

/** @param body the alert as JSON */
export const composeMail = (id: string, body: string, envelope: Envelope): Promise<Buffer> => {
  const words = alertWords(JSON.parse(body) as AlertMessage)
  const mail = new MailComposer({
    ...envelope,
    subject: words.subject,
    text: textOf(words),
    html: htmlOf(words),
    messageId: messageIdOf(id, envelope),
    // RFC 3834, section 5.1: nobody is to answer it automatically
    headers: { 'Auto-Submitted': 'auto-generated' },
    disableFileAccess: true,
    disableUrlAccess: true,
  })
  return new Promise((resolve, reject) => {
    mail.compile().build((error, message) => (error ? reject(error) : resolve(message)))
  })
}
