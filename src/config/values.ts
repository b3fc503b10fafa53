/**
 * The values that stand in the configuration file. The message of each check is what would be right, so that a mistake
 * reads "found …, expected <message>"; with `sentence` in its params it is the whole sentence.
 */
import * as z from 'zod'
import type { Coding, SystemValue } from '../model/configuration.ts'
import { isLocalDate } from '../model/local-day.ts'
import { readDuration } from '../model/moment.ts'
import { blockedPorts } from './blocked-ports.ts'

/** Where a secret is kept; the file itself never holds one. */
export interface SecretReference {
  readonly env?: string | undefined
  readonly file?: string | undefined
}

/** The secret, or what is wrong with the place that it should be in. */
export type ReadSecret = (reference: SecretReference) => { readonly secret: string } | { readonly mistake: string }

export const weekdays = ['mon', 'tue', 'wed', 'thu', 'fri', 'sat', 'sun'] as const

/** The message of a check: what would be right. */
export const expecting = (error: string) => ({ error })

export const id = z
  .string(expecting('an id'))
  .regex(
    /^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$/,
    expecting('an id of lower-case letters, digits and hyphens, at most 64 long'),
  )

export const name = z.string(expecting('a name')).trim().min(1, expecting('a name that is not empty'))

const milliseconds = (text: string): number => {
  const read = readDuration(text, '')
  return read.ok ? read.value : Number.NaN
}

/** ISO 8601, longer than nothing; kept as written. */
export const duration = z
  .string(expecting('an ISO 8601 duration such as P14D or PT90M'))
  .refine(
    (text) => milliseconds(text) > 0,
    expecting('an ISO 8601 duration above zero in weeks, or days to seconds: P14D, PT90M'),
  )

export const tolerance = duration.transform((text) => milliseconds(text) / 1000)

export const absoluteUri = z
  .string(expecting('an absolute URI'))
  .regex(/^[A-Za-z][A-Za-z0-9+.-]*:[^\s|]+$/, expecting('an absolute URI such as https://harbour.example/orders'))

const isBase = (text: string): boolean => {
  const url = URL.parse(text)
  return url !== null && /^https?:$/.test(url.protocol) && !/[?#\s]/.test(text) && !url.username && !url.password
}

/** An address below which paths are formed: kept without a slash at its end. */
export const base = z
  .string(expecting('an http or https URL'))
  .refine(isBase, expecting('an http or https URL without query, fragment, user or password'))
  .transform((text) => text.replace(/\/+$/, ''))

/** An address without a port has that of its scheme, which is never blocked. */
const canBeCalled = (text: string): boolean => !blockedPorts.has(Number(URL.parse(text)?.port))

/** A base that Daybind calls itself. */
export const calledBase = base.refine(
  canBeCalled,
  expecting(
    'another port: HTTP clients refuse this one as that of another protocol, so nothing would ever be sent there',
  ),
)

const pair = /^([A-Za-z][A-Za-z0-9+.-]*:[^\s|]+)\|([^\s|](?:[^|]*[^\s|])?)$/
const split = (text: string): [string, string] => {
  const [, system = '', value = ''] = pair.exec(text) ?? []
  return [system, value]
}

export const coding = z
  .string(expecting('a code as "system|code"'))
  .regex(pair, expecting('a code as "system|code", such as "http://snomed.info/sct|46825001"'))
  .transform((text): Coding => {
    const [system, code] = split(text)
    return { system, code }
  })

export const identifier = z
  .string(expecting('an identifier as "system|value"'))
  .regex(pair, expecting('an identifier as "system|value", such as "https://harbour.example/sites|7"'))
  .transform((text): SystemValue => {
    const [system, value] = split(text)
    return { system, value }
  })

/** An object with exactly one of its keys, all of them optional in the shape. */
const oneOf = <T extends z.ZodRawShape>(shape: T, expected: string) =>
  z
    .strictObject(shape, expecting(expected))
    .refine((value) => Object.values(value).filter((v) => v !== undefined).length === 1, expecting(expected))
    .meta({ minProperties: 1, maxProperties: 1 })

const place = '{ env: NAME } or { file: PATH }: a secret has no place in a file that people copy'

const secretPlace = oneOf(
  {
    env: z
      .string(expecting('the name of an environment variable'))
      .min(1, expecting('the name of an environment variable'))
      .optional(),
    file: z.string(expecting('the path of a file')).min(1, expecting('the path of a file')).optional(),
  },
  place,
).describe(
  'Where the secret is kept: an environment variable, or a file (relative to this one). Never the secret itself.',
)

const bearer = /^[A-Za-z0-9\-._~+/]+=*$/

export const secret = (readSecret: ReadSecret) =>
  secretPlace.transform((reference, context) => {
    const read = readSecret(reference)
    if ('secret' in read) return read.secret
    context.addIssue({ code: 'custom', message: read.mistake, params: { sentence: true } })
    return z.NEVER
  })

/** Standard Webhooks 1.0.0: base64 of 24 to 64 bytes behind a prefix. */
const isWebhookSecret = (text: string): boolean => {
  const [, key = ''] = /^whsec_([A-Za-z0-9+/]+={0,2})$/.exec(text) ?? []
  const { length } = Buffer.from(key, 'base64')
  return length >= 24 && length <= 64
}

export const webhookSecret = (readSecret: ReadSecret) =>
  secret(readSecret).refine(isWebhookSecret, {
    error: 'the secret is not one of Standard Webhooks: whsec_ and the base64 of 24 to 64 bytes',
    params: { sentence: true },
  })

export const token = (readSecret: ReadSecret) =>
  secret(readSecret).refine((text) => bearer.test(text), {
    error: 'the secret holds characters that a bearer token cannot have (letters, digits and -._~+/ are allowed)',
    params: { sentence: true },
  })

/** Further from its cut-off no alert is. */
const aWeek = 7 * 86_400_000

const aroundCutOff = 'an ISO 8601 duration around the cut-off, at most a week: -PT90M, PT0S; or now'

/** Around the cut-off: before it with a leading minus. */
export const alertTime = z
  .string(expecting(aroundCutOff))
  .refine((text) => text === 'now' || Math.abs(milliseconds(text)) <= aWeek, expecting(aroundCutOff))

export const time = z
  .string(expecting('a local time HH:mm in quotes'))
  .regex(/^([01]\d|2[0-3]):[0-5]\d$/, expecting('a local time from 00:00 to 23:59, HH:mm'))

const date = expecting('a date YYYY-MM-DD')

export const localDate = z.string(date).refine(isLocalDate, date)

const days = expecting(`${weekdays.join(', ')}, or a date YYYY-MM-DD`)

export const closedDay = z
  .union([z.enum(weekdays, days), z.string(days).refine(isLocalDate, days)], days)
  .describe('A weekday or a date.')
