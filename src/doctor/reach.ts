/** The way to a server, one step after the other: its name, a connection, TLS. */
import { X509Certificate } from 'node:crypto'
import { lookup } from 'node:dns/promises'
import { connect as connectTcp, isIP, type Socket } from 'node:net'
import { connect as connectTls, type TLSSocket } from 'node:tls'
import { identified } from '../adapters/fhir/peer-line.ts'
import type { ClientTls } from '../model/configuration.ts'
import { isPrivate } from '../model/private-address.ts'
import { type Finding, type FindingCode, finding } from './findings.ts'

export interface Way {
  readonly findings: readonly Finding[]
  /** Whether it leads there. */
  readonly open: boolean
}

/** How names are looked up, and what day it is; set by tests. */
export interface Ground {
  readonly lookup: (host: string) => Promise<{ readonly address: string }>
  readonly now: () => number
  /** Milliseconds for each step. */
  readonly patienceMs: number
}

export const ground: Ground = { lookup: (host) => lookup(host), now: Date.now, patienceMs: 10_000 }

const codeOf = (error: unknown): string => {
  const code = error instanceof Error && 'code' in error ? String(error.code) : ''
  return /^[A-Z][A-Z0-9_]{2,60}$/.test(code) ? code : 'no code'
}

const shut = (...findings: readonly Finding[]): Way => ({ findings, open: false })
const way = (...findings: readonly Finding[]): Way => ({ findings, open: true })

const nameStep = async (host: string, { lookup }: Ground): Promise<Way> => {
  if (isIP(host)) return way(finding('name-is-address', { host }))
  try {
    const { address } = await lookup(host)
    return way(finding('name-found', { host, address }))
  } catch (error) {
    const code = codeOf(error)
    return shut(finding(code === 'EAI_AGAIN' ? 'name-service-silent' : 'name-unknown', { host, code }))
  }
}

/** A socket once it is ready, or the error that it came to. */
const ready = <S extends Socket>(socket: S, event: 'connect' | 'secureConnect', patienceMs: number): Promise<S> =>
  new Promise((resolve, reject) => {
    socket.setTimeout(patienceMs, () => socket.destroy(Object.assign(new Error('late'), { code: 'ETIMEDOUT' })))
    socket.once(event, () => resolve(socket))
    socket.once('error', reject)
    socket.once('close', () => reject(Object.assign(new Error('closed'), { code: 'ECONNRESET' })))
  })

const connectionFindings: Readonly<Record<string, FindingCode>> = {
  ECONNREFUSED: 'connection-refused',
  ETIMEDOUT: 'connection-silent',
  EHOSTUNREACH: 'connection-no-way',
  ENETUNREACH: 'connection-no-way',
}

/** What a code means that a connection came to. */
export const connectionFindingOf = (code: string): FindingCode => connectionFindings[code] ?? 'connection-failed'

const connectionStep = async (host: string, port: number, { patienceMs }: Ground): Promise<Way> => {
  const began = performance.now()
  const socket = connectTcp({ host, port })
  try {
    await ready(socket, 'connect', patienceMs)
    return way(finding('connected', { host, port, ms: Math.round(performance.now() - began) }))
  } catch (error) {
    const code = codeOf(error)
    return shut(finding(connectionFindingOf(code), { host, port, code, seconds: patienceMs / 1000 }))
  } finally {
    socket.destroy()
  }
}

/** Codes of Node and OpenSSL: https://nodejs.org/api/tls.html#x509-certificate-error-codes (24). */
const tlsFindings: readonly (readonly [RegExp, FindingCode])[] = [
  [/^CERT_HAS_EXPIRED$/, 'tls-expired'],
  [/^CERT_NOT_YET_VALID$/, 'tls-not-yet'],
  [/^ERR_TLS_CERT_ALTNAME_INVALID$/, 'tls-other-name'],
  [/^DEPTH_ZERO_SELF_SIGNED_CERT$/, 'tls-self-signed'],
  [/^(UNABLE_TO_|SELF_SIGNED_CERT_IN_CHAIN|CERT_UNTRUSTED|CERT_CHAIN_TOO_LONG|INVALID_CA)/, 'tls-unknown-authority'],
  [
    /ALERT_(CERTIFICATE_REQUIRED|BAD_CERTIFICATE|UNKNOWN_CA|CERTIFICATE_UNKNOWN)|HANDSHAKE_FAILURE/,
    'tls-wants-certificate',
  ],
  [/WRONG_VERSION_NUMBER|PACKET_LENGTH_TOO_LONG|HTTP_REQUEST/, 'tls-none-there'],
  [/UNSUPPORTED_PROTOCOL|ALERT_PROTOCOL_VERSION|NO_PROTOCOLS|NO_SHARED_CIPHER|LEGACY/, 'tls-too-old'],
]

/** What a code of TLS means, if it is one. */
export const tlsFindingOf = (code: string): FindingCode | undefined =>
  tlsFindings.find(([form]) => form.test(code))?.[1]

const day = (date: Date): string => date.toISOString().slice(0, 10)
const daysUntil = (date: Date, now: number): number => Math.floor((date.getTime() - now) / 86_400_000)
const soon = 30

const certificateFindings = (socket: TLSSocket, now: number): Finding[] => {
  const raw = socket.getPeerX509Certificate()
  if (raw === undefined) return []
  const until = raw.validToDate
  const issuer = /(?:^|\n)(?:O|CN)=([^\n]+)/.exec(raw.issuer)?.[1] ?? 'an authority without a name'
  const names = raw.subjectAltName ?? raw.subject.replaceAll('\n', ', ')
  const facts = { names, issuer, until: day(until), protocol: socket.getProtocol() ?? 'TLS' }
  const days = daysUntil(until, now)
  return [finding('tls-good', facts), ...(days < soon ? [finding('tls-soon-over', { until: day(until), days })] : [])]
}

/** So long a server is given to go away after the handshake; it is on the way back already. */
const verdictMs = 400

/**
 * With TLS 1.3 a server judges our certificate, or that there is none, after we think that all is said: it breaks off
 * with an alert, or without a word. Nothing was asked yet, so there is no other reason to go.
 */
const verdict = (socket: TLSSocket): Promise<void> =>
  socket.getProtocol() !== 'TLSv1.3'
    ? Promise.resolve()
    : new Promise((resolve, reject) => {
        const wanted = Object.assign(new Error('closed'), { code: 'ERR_SSL_TLSV13_ALERT_CERTIFICATE_REQUIRED' })
        socket.once('error', (error: NodeJS.ErrnoException) => reject(error.code === 'ECONNRESET' ? wanted : error))
        for (const event of ['end', 'close']) socket.once(event, () => reject(wanted))
        setTimeout(resolve, verdictMs)
      })

const tlsStep = async (host: string, port: number, tls: ClientTls | undefined, g: Ground): Promise<Way> => {
  const name = isIP(host) ? {} : { servername: host }
  const socket = connectTls({ host, port, ...name, ...(tls && identified(tls)) })
  try {
    await ready(socket, 'secureConnect', g.patienceMs)
    await verdict(socket)
    return way(...certificateFindings(socket, g.now()))
  } catch (error) {
    const code = codeOf(error)
    return shut(finding(tlsFindingOf(code) ?? 'tls-failed', { host, port, code }))
  } finally {
    socket.destroy()
  }
}

const ownCertificate = (tls: ClientTls | undefined, now: number): Finding[] => {
  if (tls === undefined) return []
  const { validToDate } = new X509Certificate(tls.cert)
  const [until, days] = [day(validToDate), daysUntil(validToDate, now)]
  if (days < 0) return [finding('own-certificate-over', { until })]
  return days < soon ? [finding('own-certificate-soon-over', { until, days })] : []
}

/** Goes the way to a base step by step, as far as it leads. */
export const goThere = async (base: string, tls: ClientTls | undefined, g: Ground = ground): Promise<Way> => {
  const { protocol, hostname, port: given } = new URL(base)
  const host = hostname.replace(/^\[|\]$/g, '')
  const secure = protocol === 'https:'
  const port = given === '' ? (secure ? 443 : 80) : Number(given)
  const steps = [
    () => nameStep(host, g),
    () => connectionStep(host, port, g),
    async () =>
      secure ? tlsStep(host, port, tls, g) : way(finding(isPrivate(base) ? 'no-tls-here' : 'no-tls', { host })),
  ]
  const findings: Finding[] = ownCertificate(tls, g.now())
  for (const step of steps) {
    const next = await step()
    findings.push(...next.findings)
    if (!next.open) return shut(...findings)
  }
  return way(...findings)
}
