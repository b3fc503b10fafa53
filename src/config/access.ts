/** How Daybind shows FHIR servers outside who it is: tokens, keys, certificates. */
import * as z from 'zod'
import { isPrivate } from '../model/private-address.ts'
import { belongTogether, certificateMistake, tlsKeyMistake } from './certificates.ts'
import { readSigningKey } from './signing-key.ts'
import { calledBase, expecting, type ReadSecret, secret, token } from './values.ts'

const sentence = (context: z.RefinementCtx, message: string): typeof z.NEVER => {
  context.addIssue({ code: 'custom', message, params: { sentence: true } })
  return z.NEVER
}

const checkedSecret = (readSecret: ReadSecret, mistakeIn: (text: string) => string | undefined) =>
  secret(readSecret).transform((text, context) => {
    const mistake = mistakeIn(text)
    return mistake === undefined ? text : sentence(context, mistake)
  })

const signingKey = (readSecret: ReadSecret) =>
  secret(readSecret).transform((text, context) => {
    const read = readSigningKey(text)
    return 'value' in read ? read.value : sentence(context, read.mistake)
  })

export const keys = (readSecret: ReadSecret) =>
  z
    .strictObject(
      {
        current: signingKey(readSecret).describe('Signs: a private key, RSA or EC P-384, as a JWK or in PEM.'),
        next: signingKey(readSecret)
          .optional()
          .describe('The one that will follow: published only, so that all know it before it signs.'),
        previous: signingKey(readSecret)
          .optional()
          .describe('The one before: published only, for instances that were not restarted yet.'),
      },
      expecting('{ current: { env: NAME }, next: { env: NAME } }'),
    )
    .describe('The keys with which Daybind asks for tokens; their public halves are at /.well-known/jwks.json.')

/** SMART App Launch 2.2.0, "Scopes for requesting FHIR Resources": letters in this order, or the words of version 1. */
const systemScope = /^system\/(\*|[A-Z][A-Za-z]+)\.((?=[cruds])c?r?u?d?s?(\?\S+)?|read|write|\*)$/
/** RFC 6749, section 3.3. */
const scopeToken = /^[\x21\x23-\x5b\x5d-\x7e]+$/

const isScope = (text: string): boolean =>
  text.split(' ').every((part) => scopeToken.test(part) && (!part.startsWith('system/') || systemScope.test(part)))

const scopes = expecting('scopes with single spaces between them, such as "system/Patient.rs system/Task.crus"')

const smart = z
  .strictObject(
    {
      clientId: z
        .string(expecting('the client id that is registered there'))
        .regex(/^[\x21-\x7e]+$/, expecting('the client id that is registered there'))
        .describe('As Daybind is registered at their authorization server.'),
      tokenUrl: calledBase
        .refine(isPrivate, expecting('an https address: whoever reads the answer on the way has the token'))
        .optional()
        .describe('Their token endpoint; absent: what {fhir}/.well-known/smart-configuration says.'),
      scope: z
        .string(scopes)
        .refine(isScope, scopes)
        .optional()
        .describe('What is asked for; absent: what Daybind needs there at least.'),
      alg: z
        .enum(['RS384', 'ES384'], expecting('RS384 or ES384'))
        .optional()
        .describe('What they take, where they take only one: checked against keys.current.'),
    },
    expecting('{ clientId: ID }'),
  )
  .describe('SMART Backend Services, in place of a token.')

const tls = (readSecret: ReadSecret) =>
  z
    .strictObject(
      {
        cert: checkedSecret(readSecret, certificateMistake).describe('Our certificate, with those between, in PEM.'),
        key: checkedSecret(readSecret, tlsKeyMistake).describe('Its private key, in PEM without a passphrase.'),
        ca: checkedSecret(readSecret, certificateMistake)
          .optional()
          .describe('Authorities to trust besides the usual ones, in PEM.'),
      },
      expecting('{ cert: { file: PATH }, key: { file: PATH } }'),
    )
    .transform((value, context) =>
      belongTogether(value.cert, value.key) ? value : sentence(context, 'the certificate is not that of the key'),
    )
    .describe('A certificate of our own, for servers that ask for one (mTLS).')

/** The keys of a source or reading service that say how its FHIR server is told who asks. */
export const accessShape = (readSecret: ReadSecret) => ({
  token: token(readSecret).optional().describe('The bearer token that Daybind presents to its FHIR server.'),
  smart: smart.optional(),
  tls: tls(readSecret).optional(),
})
