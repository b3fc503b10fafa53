/** What a server says of itself: whether it is FHIR at all, which version, in which formats, and what it can. Pure. */
import type { CapabilityStatement, CapabilityStatementRest } from 'fhir/r4.js'
import type { Heard, Unheard } from '../adapters/fhir/plain-call.ts'
import { evidenceOf } from '../flow/accept-order/evidence.ts'
import { evidenceToAsk } from '../flow/accept-order/poll-plan.ts'
import { needsAtReadingService, needsAtSource, type PlanRow, writePlan } from '../flow/forward-order/write-plan.ts'
import type { Examined } from './examined.ts'
import { type Facts, type Finding, type FindingCode, finding } from './findings.ts'
import { tlsFindingOf } from './reach.ts'

export interface Said {
  readonly findings: readonly Finding[]
  readonly statement?: CapabilityStatement
  /** It wants to know first who we are. */
  readonly guarded?: true
}

/** Answers larger than that are not read. */
export const maxBytes = 10 * 1024 * 1024

const unheard = (base: string, { why, code = 'no code' }: Unheard, seconds: number): Finding => {
  const facts = { base, code, seconds, megabytes: maxBytes / 1024 / 1024 }
  if (why === 'late') return finding('metadata-silent', facts)
  if (why === 'too-large') return finding('metadata-too-large', facts)
  if (why === 'compressed') return finding('metadata-compressed', facts)
  return finding(tlsFindingOf(code) ?? 'metadata-cut', facts)
}

const isPage = ({ headers, text }: Heard): boolean =>
  /html/i.test(headers.get('content-type') ?? '') || /^\s*<(!doctype html|html)/i.test(text)

const isXml = ({ headers, text }: Heard): boolean =>
  /xml/i.test(headers.get('content-type') ?? '') || /^\s*</.test(text)

/** Origin and path alone: a query may hold what is nobody's business. */
const withoutQuery = (location: string | null, base: string): string => {
  const url = URL.parse(location ?? '', `${base}/metadata`)
  return url === null ? 'nowhere' : `${url.origin}${url.pathname}`
}

const byStatus = (base: string, heard: Heard): Finding | undefined => {
  const { status, headers } = heard
  const told = (code: FindingCode, facts: Facts = {}) => finding(code, { base, status, ...facts })
  if (status >= 300 && status < 400)
    return told('metadata-redirect', { to: withoutQuery(headers.get('location'), base) })
  if (isPage(heard)) return told('metadata-page')
  if (status === 404 || status === 410) return told('metadata-absent')
  if (status === 406 || status === 415) return told('metadata-not-acceptable')
  if (status >= 500) return told('metadata-error')
  return status === 200 ? undefined : told('metadata-strange')
}

const issueCodes = (body: Readonly<Record<string, unknown>>): string => {
  const issues = Array.isArray(body.issue) ? body.issue : []
  const codes = issues
    .map((issue: { code?: unknown }) => issue?.code)
    .filter((code) => /^[a-z-]{1,30}$/.test(`${code}`))
  return [...new Set(codes)].slice(0, 3).join(', ') || 'no code'
}

/** What is told of the type of a resource: a name of R4's form, or nothing. */
const typeIn = (type: unknown): string => (/^[A-Z][A-Za-z]{1,40}$/.test(String(type)) ? String(type) : 'something else')

const byBody = (base: string, heard: Heard): Finding | undefined => {
  const { status, body } = heard
  const told = (code: FindingCode, facts: Facts = {}) => finding(code, { base, status, ...facts })
  if (body === undefined) return told(isXml(heard) ? 'metadata-xml' : 'metadata-no-json')
  const { resourceType } = body
  if (resourceType === 'CapabilityStatement') return undefined
  if (resourceType === 'OperationOutcome') return told('metadata-outcome', { codes: issueCodes(body) })
  return resourceType === undefined ? told('metadata-no-fhir') : told('metadata-other', { type: typeIn(resourceType) })
}

/** Words of theirs that are shown: short, of one line. */
const shown = (text: unknown, otherwise: string): string =>
  typeof text === 'string' && text.trim() !== '' ? text.trim().replace(/\s+/g, ' ').slice(0, 60) : otherwise

/**
 * @param heard the answer to `GET {base}/metadata`
 * @param named whether we said who we are
 */
export const readMetadata = (base: string, heard: Heard | Unheard, named: boolean, seconds: number): Said => {
  if (!('status' in heard)) return { findings: [unheard(base, heard, seconds)] }
  if (heard.status === 401 || heard.status === 403)
    return {
      findings: [finding(named ? 'metadata-refused' : 'metadata-guarded', { base, status: heard.status })],
      guarded: true,
    }
  const wrong = byStatus(base, heard) ?? byBody(base, heard)
  if (wrong) return { findings: [wrong] }
  const statement = heard.body as unknown as CapabilityStatement
  const name = shown(
    statement.software?.name ?? statement.implementation?.description ?? statement.title,
    'a server without a name',
  )
  return { findings: [finding('metadata-good', { base, name })], statement }
}

const versionFinding = ({ fhirVersion }: CapabilityStatement): Finding => {
  if (typeof fhirVersion !== 'string') return finding('version-missing')
  return finding(/^4\.0\b/.test(fhirVersion) ? 'version-good' : 'version-other', {
    version: shown(fhirVersion, 'none'),
  })
}

const formatFinding = ({ format }: CapabilityStatement): Finding => {
  const formats = Array.isArray(format) ? format.map((f) => shown(f, '')).filter((f) => f !== '') : []
  if (formats.length === 0) return finding('format-unsaid')
  const json = formats.some((f) => /^(json|application\/(fhir\+)?json)\b/.test(f))
  return finding(json ? 'format-json' : 'format-no-json', { formats: formats.slice(0, 6).join(', ') })
}

interface Offered {
  readonly read: boolean
  readonly search: boolean
}

const offered = (rest: CapabilityStatementRest, type: string): Offered => {
  const codes = (rest.resource ?? [])
    .filter((r) => r.type === type)
    .flatMap((r) => (r.interaction ?? []).map((i) => i.code))
  return { read: codes.includes('read'), search: codes.includes('search-type') }
}

const missing = ({ read, search }: Offered): string =>
  [...(search ? [] : ['searched']), ...(read ? [] : ['read'])].join(' nor ')

const listsTime = (rest: CapabilityStatementRest): boolean =>
  [
    ...(rest.searchParam ?? []),
    ...(rest.resource ?? []).filter((r) => r.type === 'ServiceRequest').flatMap((r) => r.searchParam ?? []),
  ].some((p) => p.name === '_lastUpdated')

/** What a source has to offer so that orders can be fetched. */
const fetching = (rest: CapabilityStatementRest): Finding[] => {
  const [orders, patients] = [offered(rest, 'ServiceRequest'), offered(rest, 'Patient')]
  return [
    missing(orders) === '' ? finding('orders-found') : finding('orders-not-listed', { missing: missing(orders) }),
    ...(missing(orders) === '' && !listsTime(rest) ? [finding('orders-without-time')] : []),
    ...(patients.read ? [] : [finding('patients-not-listed', { missing: missing(patients) })]),
  ]
}

/** What is said of visits, and whether it can be asked for by the orders. */
const visiting = (statement: CapabilityStatement, server: Pick<Examined, 'evidence'>): Finding[] => {
  const [wanted, asked] = [evidenceOf(server), evidenceToAsk(server, statement)]
  const others = wanted.filter((type) => !asked.includes(type))
  return [
    ...(asked.length > 0 ? [finding('visits-found', { types: asked.join(', ') })] : []),
    ...(others.length > 0 ? [finding('visits-not-listed', { types: others.join(', ') })] : []),
  ]
}

/** Without these a linked order is of no use to a reading service: who, what, with which recorder, and what to do. */
const needed = ['ServiceRequest', 'Device', 'Task']

const types = (rows: readonly PlanRow[]): string => rows.map((r) => r.type).join(', ')
const reasons = (rows: readonly PlanRow[]): string => [...new Set(rows.map((r) => r.why))].slice(0, 3).join(' ')

/** What of the write plan is left out. */
const writing = (plan: readonly PlanRow[], kind: Examined['kind']): Finding => {
  const meant = plan.filter((r) => r.how !== 'search' && r.how !== 'identifier')
  const out = meant.filter((r) => r.how === 'not-at-all')
  const facts = { types: types(out), why: reasons(out) }
  if (out.length === 0) return finding('written-as-meant', { types: types(meant) })
  if (out.length === meant.length) return finding('written-nothing', facts)
  const vital = kind === 'reading service' ? out.filter((r) => needed.includes(r.type)) : []
  return vital.length > 0
    ? finding('written-too-little', { types: types(vital), why: reasons(vital) })
    : finding('written-in-part', facts)
}

/** Version, formats, and what of what we need it says that it can. */
export const judgeStatement = (statement: CapabilityStatement, server: Examined): readonly Finding[] => {
  const { kind, poll, written } = server
  const general = [versionFinding(statement), formatFinding(statement)]
  const rest = (Array.isArray(statement.rest) ? statement.rest : []).find((r) => r.mode === 'server')
  if (rest === undefined) return [...general, finding('no-rest')]
  const plan = writePlan(statement, kind === 'source' ? needsAtSource : needsAtReadingService)
  const transaction = (rest.interaction ?? []).some((i) => i.code === 'transaction')
  return [
    ...general,
    ...(kind === 'source' && poll !== undefined ? [...fetching(rest), ...visiting(statement, server)] : []),
    ...(written ? [writing(plan, kind)] : [finding('written-not-wanted')]),
    ...(written && !transaction ? [finding('no-transaction')] : []),
  ]
}

/** Whether it says that a Device can be created. */
export const takesDevices = (statement: CapabilityStatement): boolean =>
  writePlan(statement, [{ type: 'Device', does: 'write' }]).some((r) =>
    ['create', 'transaction', 'create-once'].includes(r.how),
  )
