/** The mail server by which alerts go out. */
import { isIP } from 'node:net'
import * as z from 'zod'
import { isPrivate } from '../model/private-address.ts'
import { certificateMistake } from './certificates.ts'
import { expecting, type ReadSecret, secret } from './values.ts'

/** One mailbox and nothing besides: no name, no list, nothing that ends a header line. */
export const emailAddress = z
  .string(expecting('an e-mail address'))
  .regex(/^[^\s@<>,;:"()[\]\\]+@[^\s@<>,;:"()[\]\\]+\.[^\s@.<>,;:"()[\]\\]+$/, expecting('an e-mail address'))

const isHost = (text: string): boolean => isIP(text) !== 0 || /^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$/.test(text)

export const mail = (readSecret: ReadSecret) =>
  z
    .strictObject(
      {
        host: z
          .string(expecting('the name of a host'))
          .refine(isHost, expecting('the name of a host such as mail.tern-harbour.example'))
          .describe('Name or address of the mail server.'),
        port: z
          .int(expecting('a port'))
          .min(1, expecting('a port from 1 to 65535'))
          .max(65535, expecting('a port from 1 to 65535'))
          .default(587)
          .describe('Usually 587 with starttls, 465 with tls.'),
        security: z
          .enum(['starttls', 'tls', 'none'], expecting('starttls, tls or none'))
          .default('starttls')
          .describe('starttls: nothing is sent before the connection is encrypted; tls: from the first byte.'),
        ca: secret(readSecret)
          .transform((text, context) => {
            const mistake = certificateMistake(text)
            if (mistake === undefined) return text
            context.addIssue({ code: 'custom', message: mistake, params: { sentence: true } })
            return z.NEVER
          })
          .optional()
          .describe('Authorities to trust besides the usual ones, in PEM.'),
        from: emailAddress.describe('The address that alerts come from.'),
        user: z.string(expecting('a user')).min(1, expecting('a user')).optional().describe('To log in with.'),
        password: secret(readSecret).optional().describe('Its password.'),
      },
      expecting('{ host: HOST, from: ADDRESS }'),
    )
    .refine(
      ({ user, password }) => (user === undefined) === (password === undefined),
      expecting('user and password, or neither'),
    )
    .refine(
      ({ security, user, host }) => user === undefined || security !== 'none' || isPrivate(`http://${host}`),
      expecting('security starttls or tls: whoever reads the connection on the way has the password'),
    )
    .describe('The mail server by which alerts go out.')
