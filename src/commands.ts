/** The commands that ask a running service over HTTP: thin, so that a person at a terminal gets what a caller gets. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { FhirResource, OperationOutcome, Parameters } from 'fhir/r4.js'
import { type AlertMessage, alertWords } from './flow/watch-flow/alerts/message.ts'
import type { SystemValue } from './model/configuration.ts'

/** The running service, and how to call it. */
export interface Service {
  /** Without a slash at its end. */
  readonly url: string
  readonly token?: string
}

/** What a command ends with: what to print, and whether it did what was asked. */
export interface Outcome {
  readonly ok: boolean
  readonly text: string
}

const deadlineMs = 60_000

const headersFor = ({ token }: Service, body: Parameters | undefined): Record<string, string> => ({
  accept: 'application/fhir+json',
  ...(body !== undefined && { 'content-type': 'application/fhir+json' }),
  ...(token !== undefined && { authorization: `Bearer ${token}` }),
})

const isOutcome = (body: FhirResource | undefined): body is OperationOutcome =>
  body?.resourceType === 'OperationOutcome'

/** The issues of a refusal, a line each; without any, the status alone. */
const refusalText = (status: number, body: FhirResource | undefined): string => {
  const lines = isOutcome(body)
    ? body.issue.map(({ details, diagnostics, code }) => diagnostics ?? details?.text ?? code)
    : []
  return [`The service answered ${status}.`, ...lines].join('\n')
}

const bodyOf = async (response: Response): Promise<FhirResource | undefined> => {
  const text = await response.text()
  try {
    return JSON.parse(text) as FhirResource
  } catch {
    return undefined
  }
}

const unreachable = (url: string): Outcome => ({ ok: false, text: `No service answers at ${url}.` })

type Answered = { readonly ok: true; readonly body: unknown } | (Outcome & { readonly ok: false })

const ask = async (service: Service, method: 'GET' | 'POST', path: string, body?: Parameters): Promise<Answered> => {
  const request = {
    method,
    headers: headersFor(service, body),
    ...(body !== undefined && { body: JSON.stringify(body) }),
    signal: AbortSignal.timeout(deadlineMs),
  }
  const response = await fetch(`${service.url}${path}`, request).catch(() => undefined)
  if (response === undefined) return { ok: false, text: unreachable(service.url).text }
  const answer = await bodyOf(response)
  if (!response.ok) return { ok: false, text: refusalText(response.status, answer) }
  return { ok: true, body: answer ?? null }
}

const asJson = (answered: Answered): Outcome =>
  answered.ok ? { ok: true, text: JSON.stringify(answered.body, null, 2) } : answered

const post = async (service: Service, path: string, body?: Parameters): Promise<Outcome> =>
  asJson(await ask(service, 'POST', path, body))

/** As the service tells it: `GET /reports/day/{site}/{date}.json`; what is printed of it. */
interface ToldEvening {
  readonly name: string
  readonly date: string
  readonly timeZone: string
  readonly cutOff: string
  readonly asOf: string
  readonly linked: { readonly initial: number; readonly denominator: number; readonly numerator: number }
  readonly gaps: readonly {
    readonly gap: string
    readonly status: string
    readonly final: boolean
    readonly order?: string
    readonly recorder?: string
    readonly since: string
    readonly mended?: string
    readonly turn: string
    readonly what: string
    readonly id: string
  }[]
  readonly issued: readonly { readonly moment: string; readonly asOf: string; readonly head: string }[]
}

const gapLines = (g: ToldEvening['gaps'][number]): readonly string[] => {
  const about = [g.order && `order ${g.order}`, g.recorder && `recorder ${g.recorder}`].filter(
    (part) => part !== undefined,
  )
  const state = g.mended === undefined ? (g.final ? 'open' : 'open, not yet late') : `mended ${g.mended}`
  return [
    `${[g.gap, ...about].join(', ')}: ${state}, since ${g.since}`,
    ...(g.mended === undefined ? [`  ${g.turn}: ${g.what}`] : []),
    `  ${g.id}`,
  ]
}

const eveningText = (e: ToldEvening): string =>
  [
    `${e.name}, ${e.date}: cut-off ${e.cutOff}, ${e.timeZone}, as of ${e.asOf}`,
    `Linked in time: ${e.linked.numerator} of ${e.linked.denominator} due, ${e.linked.initial} applied that day.`,
    '',
    ...(e.gaps.length === 0 ? ['Nothing is missing.'] : e.gaps.flatMap(gapLines)),
    '',
    ...(e.issued.length === 0
      ? ['Not issued yet.']
      : e.issued.map((i) => `Issued: ${i.moment}, as of ${i.asOf}, head ${i.head}`)),
  ].join('\n')

/** The evening of a site for people at a terminal, as of an instant; without one, as of now. */
export const showEvening = async (
  service: Service,
  { site, date, asOf }: { site: string; date: string; asOf?: string },
): Promise<Outcome> => {
  const query = asOf === undefined ? '' : `?asOf=${encodeURIComponent(asOf)}`
  const path = `/reports/day/${encodeURIComponent(site)}/${encodeURIComponent(date)}.json${query}`
  const answered = await ask(service, 'GET', path)
  return answered.ok ? { ok: true, text: eveningText(answered.body as ToldEvening) } : answered
}

/** As the service tells it: `GET /reports/archive/{site}`. */
interface ToldArchive {
  readonly site: string
  readonly good: number
  readonly head: string
  readonly whole: boolean
  readonly broken?: {
    readonly position?: number
    readonly day?: string
    readonly moment?: string
    readonly why: string
  }
  readonly found?: number
}

const archiveText = (a: ToldArchive, printed: string | undefined): string => {
  const { broken } = a
  const place = broken?.position === undefined ? '' : ` at evening ${broken.position} (${broken.day}, ${broken.moment})`
  const lines = [
    broken === undefined
      ? `${a.site}: whole, ${a.good} evenings, head ${a.head || 'none yet'}`
      : `${a.site}: BROKEN${place}: ${broken.why}. The ${a.good} before it are as they were issued.`,
  ]
  if (printed !== undefined)
    lines.push(
      a.found === undefined
        ? 'The head that was given is not in the chain.'
        : `The head that was given is evening ${a.found}.`,
    )
  return lines.join('\n')
}

/** Whether the chains of evenings are whole, of one site or of all; not good when one is broken, or when a given head is in none. */
export const checkEvenings = async (
  service: Service,
  { site = 'all', head, json }: { readonly site?: string; readonly head?: string; readonly json: boolean },
): Promise<Outcome> => {
  const query = head === undefined ? '' : `?head=${encodeURIComponent(head)}`
  const answered = await ask(service, 'GET', `/reports/archive/${encodeURIComponent(site)}${query}`)
  if (!answered.ok) return { ok: false, text: `${site}: ${answered.text}` }
  const { sites = [answered.body as ToldArchive] } = answered.body as { sites?: readonly ToldArchive[] }
  const good = (a: ToldArchive) => a.whole && (head === undefined || a.found !== undefined)
  return {
    ok: sites.every(good),
    text: sites.map((a) => (json ? JSON.stringify(a) : archiveText(a, head))).join('\n'),
  }
}

/** The evening of a site for a local date (`YYYY-MM-DD`) as FHIR, as of an instant; without one, as of now. */
export const reconcile = (
  service: Service,
  { site, date, asOf }: { site: SystemValue; date: string; asOf?: string },
): Promise<Outcome> => {
  const parameter: Parameters['parameter'] = [
    { name: 'site', valueIdentifier: { system: site.system, value: site.value } },
    { name: 'date', valueDate: date },
    ...(asOf === undefined ? [] : [{ name: 'asOf', valueInstant: asOf }]),
  ]
  return post(service, '/fhir/$reconcile-day', { resourceType: 'Parameters', parameter })
}

/** Sends deliveries again, one after the other; the first one that is refused does not stop the others. */
export const replay = async (service: Service, deliveries: readonly string[]): Promise<Outcome> => {
  const lines: string[] = []
  let ok = true
  for (const delivery of deliveries) {
    const done = await post(service, `/deliveries/${encodeURIComponent(delivery)}/replay`)
    ok &&= done.ok
    lines.push(`${delivery}: ${done.ok ? 'queued again' : done.text}`)
  }
  return { ok, text: lines.join('\n') }
}

/** Whether the service is alive, for images that have no shell and no HTTP client. */
export const healthcheck = async ({ url }: Service): Promise<Outcome> => {
  const response = await fetch(`${url}/healthz`, { signal: AbortSignal.timeout(3_000) }).catch(() => undefined)
  if (response === undefined) return unreachable(url)
  return { ok: response.ok, text: `The service answered ${response.status}.` }
}

const capabilities = async (address: string): Promise<{ status: number; body?: FhirResource | undefined }> => {
  // a server that has just started takes its time for the first
  const asked = { headers: { accept: 'application/fhir+json' }, signal: AbortSignal.timeout(30_000) }
  const response = await fetch(address, asked)
  return { status: response.status, body: await bodyOf(response) }
}

/** Whether a FHIR server answers with its CapabilityStatement, for those whose images cannot look themselves. */
export const fhirServerCheck = async (base: string): Promise<Outcome> => {
  const address = `${base.replace(/\/+$/, '')}/metadata`
  const found = await capabilities(address).catch(() => undefined)
  if (found === undefined) return { ok: false, text: `Nothing answers at ${address}.` }
  if (found.status !== 200) return { ok: false, text: `${address} answered ${found.status}.` }
  const speaks = found.body?.resourceType === 'CapabilityStatement'
  return {
    ok: speaks,
    text: speaks ? `${base} answers.` : `${address} answered with something else than a CapabilityStatement.`,
  }
}

/** Asks again, once a second, until the answer is good or so many seconds are over. */
export const untilGood = async (ask: () => Promise<Outcome>, seconds: number): Promise<Outcome> => {
  const deadline = performance.now() + seconds * 1_000
  for (;;) {
    const outcome = await ask()
    if (outcome.ok || performance.now() > deadline) return outcome
    await sleep(1_000)
  }
}

/** As the service tells it: `GET /gaps/{id}/why`. */
interface ToldGap {
  readonly code: string
  readonly status: string
  readonly site?: string
  readonly day: string
  readonly since: string
  readonly mended?: { readonly at: string; readonly action: string; readonly by?: string }
  readonly means: string
  readonly opens: string
  readonly closes: string
  readonly next: string
  readonly restsOn: readonly ToldFact[]
  readonly history: readonly ToldFact[]
}

interface ToldFact {
  readonly fact: number
  readonly what: string
  readonly kind: string
  readonly id: string
  readonly occurredAt: string
  readonly recordedAt: string
  readonly who: string
  readonly requestId: string
  readonly inbound: number | null
  readonly restedOn: boolean
}

const factLine = (f: ToldFact): string =>
  [
    `${f.restedOn ? '*' : ' '} ${f.fact}`,
    f.recordedAt,
    `${f.what} (${f.kind} ${f.id})`,
    `happened ${f.occurredAt}`,
    `by ${f.who}, request ${f.requestId}${f.inbound === null ? '' : `, message ${f.inbound}`}`,
  ].join('  ')

const whyText = (gap: ToldGap): string => {
  const { code, status, day, site, since, mended } = gap
  const now =
    mended === undefined ? 'open' : `closed ${mended.at} (${mended.action}${mended.by ? `, by ${mended.by}` : ''})`
  return [
    `${code}: ${status}, ${now}; site ${site ?? 'unknown'}, day ${day}, since ${since}`,
    gap.means,
    `Opens: ${gap.opens}`,
    `Closes: ${gap.closes}`,
    ...(mended === undefined ? [`Next: ${gap.next}`] : []),
    '',
    'It rests on these facts of the journal (* as it stood when the gap was last written):',
    ...gap.restsOn.map(factLine),
    '',
    'What became of it:',
    ...gap.history.map(factLine),
  ].join('\n')
}

/** Why there is a gap, for people: the rule, and the chain of facts behind it. */
export const why = async (service: Service, gap: string, { json }: { readonly json: boolean }): Promise<Outcome> => {
  const answered = await ask(service, 'GET', `/gaps/${encodeURIComponent(gap.trim())}/why`)
  return json || !answered.ok ? asJson(answered) : { ok: true, text: whyText(answered.body as ToldGap) }
}

/** As the service tells it: `GET /alerts/preview`. */
interface ToldPreview {
  readonly name: string
  readonly date: string
  readonly asOf: string
  readonly moments: readonly ToldMoment[]
  readonly without: readonly { readonly rule: string; readonly recipient: string; readonly why: string }[]
}

interface ToldMoment {
  readonly recipient: string
  readonly by: string
  readonly rules: readonly string[]
  readonly dueAt: string
  readonly sendAt: string
  readonly notTold: Readonly<Record<string, number>>
  readonly subject?: string
  readonly message?: AlertMessage
}

const momentLines = (m: ToldMoment): readonly string[] => {
  const waits = m.sendAt === m.dueAt ? '' : ` (due ${m.dueAt}, after quiet hours)`
  const not = Object.entries(m.notTold).map(([why, n]) => `${n} ${why}`)
  const words = m.message && alertWords(m.message)
  return [
    '',
    `${m.sendAt}${waits}  ${m.rules.join(', ')}  to ${m.recipient} by ${m.by}`,
    ...(words
      ? [
          `  ${words.subject}`,
          ...words.sites.flatMap((s) => s.gaps.flatMap((g) => [`  - ${g.line}`, ...g.named.map((n) => `      ${n}`)])),
        ]
      : ['  nothing to tell, so nothing is sent']),
    ...(not.length > 0 ? [`  not told: ${not.join(', ')}`] : []),
  ]
}

const previewText = ({ name, date, asOf, moments, without }: ToldPreview): string =>
  [
    `${name}, ${date}, by what is known at ${asOf}. Nothing is sent.`,
    ...(moments.length + without.length === 0 ? ['', 'No rule of this site tells anybody.'] : []),
    ...moments.flatMap(momentLines),
    ...without.map((w) => `\n${w.rule} to ${w.recipient}: none. ${w.why}`),
  ].join('\n')

/** What alerts of a site's day would be sent to whom, and why others are not told; sends nothing. */
export const previewAlerts = async (
  service: Service,
  asked: { readonly site: string; readonly date: string; readonly at?: string },
  { json }: { readonly json: boolean },
): Promise<Outcome> => {
  const answered = await ask(service, 'GET', `/alerts/preview?${new URLSearchParams(asked)}`)
  return json || !answered.ok ? asJson(answered) : { ok: true, text: previewText(answered.body as ToldPreview) }
}
