/**
 * By what each type can be searched: one table that fills the index, answers searches and stands in the
 * CapabilityStatement. Expressions are simple paths into the resource; `own` marks parameters that R4 does not define.
 */
import type { FhirResource } from 'fhir/r4.js'
import { foldName } from '../../model/patient-match.ts'
import { isTree } from '../../model/tree.ts'

export interface SearchParameter {
  readonly name: string
  readonly kind: 'token' | 'reference' | 'date' | 'string'
  readonly paths: readonly string[]
  /** Which pair of date columns holds it. */
  readonly slot?: 1 | 2
  readonly own?: true
  /** What it leads to is named by an identifier and has no address: `owner:identifier` finds, `owner` finds nothing. */
  readonly named?: true
  /** The system of a `code` element, which is that of its required binding and stands nowhere in the resource. */
  readonly system?: string
}

const token = (name: string, ...paths: string[]): SearchParameter => ({ name, kind: 'token', paths })
const reference = (name: string, ...paths: string[]): SearchParameter => ({ name, kind: 'reference', paths })
const string = (name: string, ...paths: string[]): SearchParameter => ({ name, kind: 'string', paths })
const date = (name: string, slot: 1 | 2, ...paths: string[]): SearchParameter => ({ name, kind: 'date', paths, slot })
const named = (name: string, ...paths: string[]): SearchParameter => ({ ...reference(name, ...paths), named: true })
const own = (p: SearchParameter): SearchParameter => ({ ...p, own: true })

const identifier = token('identifier', 'identifier')
const patient = reference('patient', 'subject')
const subject = reference('subject', 'subject')
const basedOn = reference('based-on', 'basedOn')
/** Source: the binding of each type's `status` in R4; value set and code system go by one name. */
const status = (binding: string): SearchParameter => ({
  ...token('status', 'status'),
  system: `http://hl7.org/fhir/${binding}`,
})

export const searchParameters: Readonly<Record<string, readonly SearchParameter[]>> = {
  ServiceRequest: [
    identifier,
    patient,
    subject,
    status('request-status'),
    token('code', 'code'),
    date('authored', 1, 'authoredOn'),
    date('occurrence', 2, 'occurrenceDateTime', 'occurrencePeriod', 'occurrenceTiming.repeat.boundsPeriod'),
  ],
  Patient: [
    identifier,
    token('active', 'active'),
    date('birthdate', 1, 'birthDate'),
    string('family', 'name.family'),
    string('given', 'name.given'),
  ],
  Device: [
    // a serial number is an identifier without a system: it is what people read from the recorder
    token('identifier', 'identifier', 'serialNumber'),
    reference('patient', 'patient'),
    string('udi-di', 'udiCarrier.deviceIdentifier'),
    status('device-status'),
  ],
  DeviceUseStatement: [
    reference('device', 'device'),
    identifier,
    patient,
    subject,
    own(status('device-statement-status')),
    own(basedOn),
  ],
  Procedure: [
    identifier,
    patient,
    basedOn,
    status('event-status'),
    date('date', 1, 'performedDateTime', 'performedPeriod'),
  ],
  Task: [
    identifier,
    named('owner', 'owner'),
    status('task-status'),
    reference('patient', 'for'),
    basedOn,
    reference('focus', 'focus'),
    token('code', 'code'),
  ],
  Observation: [
    identifier,
    patient,
    basedOn,
    reference('device', 'device'),
    status('observation-status'),
    token('code', 'code'),
    date('date', 1, 'effectiveDateTime', 'effectivePeriod'),
  ],
  DiagnosticReport: [
    identifier,
    patient,
    basedOn,
    status('diagnostic-report-status'),
    date('date', 1, 'effectiveDateTime', 'effectivePeriod'),
    reference('result', 'result'),
    // what is held in doubt, and what came after its order was revoked
    own(token('mark', 'meta.tag')),
  ],
  Media: [identifier, patient, basedOn, status('event-status')],
  Binary: [own(token('content-type', 'contentType'))],
  DetectedIssue: [
    identifier,
    reference('patient', 'patient'),
    token('code', 'code'),
    date('identified', 1, 'identifiedDateTime', 'identifiedPeriod'),
    reference('implicated', 'implicated'),
    own(status('observation-status')),
  ],
  MeasureReport: [
    identifier,
    named('reporter', 'reporter'),
    date('period', 1, 'period'),
    reference('measure', 'measure'),
    status('measure-report-status'),
  ],
  Provenance: [reference('target', 'target'), date('recorded', 1, 'recorded')],
  AuditEvent: [
    date('date', 1, 'recorded'),
    named('agent', 'agent.who'),
    reference('entity', 'entity.what'),
    reference('patient', 'entity.what'),
  ],
  Encounter: [identifier, patient, basedOn, status('encounter-status')],
  Appointment: [identifier, reference('based-on', 'basedOn'), status('appointmentstatus')],
  Practitioner: [identifier],
  PractitionerRole: [identifier],
  Organization: [identifier],
  Location: [identifier],
  Condition: [identifier, patient],
}

/** The types of ours to which a reference parameter may lead; for values that are an id alone, and for includes. */
export const targets: Readonly<Record<string, readonly string[]>> = {
  patient: ['Patient'],
  subject: ['Patient'],
  device: ['Device'],
  'based-on': ['ServiceRequest'],
  focus: ['ServiceRequest', 'Task'],
  implicated: ['ServiceRequest', 'Device', 'DeviceUseStatement'],
  target: ['DeviceUseStatement', 'Procedure', 'Device', 'ServiceRequest'],
  entity: ['Patient', 'DeviceUseStatement', 'ServiceRequest'],
  result: ['Observation'],
}

/** All values at a path of names, through arrays. */
export const valuesAt = (root: unknown, path: string): readonly unknown[] =>
  path.split('.').reduce<readonly unknown[]>(
    (nodes, name) =>
      nodes.flatMap((node) => {
        const value = isTree(node) ? node[name] : undefined
        return value === undefined || value === null ? [] : Array.isArray(value) ? value : [value]
      }),
    [root],
  )

const pair = (system: unknown, value: unknown): readonly string[] =>
  typeof value !== 'string' || value === ''
    ? []
    : typeof system === 'string' && system !== ''
      ? [`${system}|${value}`, value, `${system}|`]
      : [`|${value}`, value]

/** The forms in which a value may be asked for: `system|code`, `code`, `|code` where it has no system, `system|`. */
const tokensOf = (value: unknown, system?: string): readonly string[] => {
  // a code has the system of its element, so that it is not one without
  if (typeof value === 'string' && system === undefined) return pair(undefined, value)
  if (typeof value === 'string' || typeof value === 'boolean') return [String(value)]
  if (!isTree(value)) return []
  if (Array.isArray(value.coding)) return value.coding.flatMap((c) => (isTree(c) ? pair(c.system, c.code) : []))
  return [...pair(value.system, value.value), ...pair(value.system, value.code)]
}

const referencesOf = (value: unknown): readonly string[] => {
  if (typeof value === 'string') return [`=${value}`]
  if (!isTree(value)) return []
  const literal = typeof value.reference === 'string' ? [`=${value.reference}`] : []
  const named = isTree(value.identifier) ? tokensOf(value.identifier).map((t) => `:identifier=${t}`) : []
  return [...literal, ...named]
}

const yearOne = Date.parse('0001-01-01T00:00:00Z')
const endOfTime = Date.UTC(10_000, 0, 1)

/** An instant that PostgreSQL reads; what lies outside the years 0001 to 9999 lies beyond everything. */
const written = (ms: number): string => {
  if (ms < yearOne) return '-infinity'
  return ms < endOfTime ? new Date(ms).toISOString() : 'infinity'
}

/** The first instant of a day, years before 100 included; NaN where there is no such day. */
const dayStart = (y: string, m = '01', d = '01'): number => {
  const day = new Date(`${y}-${m}-${d}T00:00:00Z`)
  return y !== '0000' && day.getUTCDate() === Number(d) ? day.getTime() : Number.NaN
}

const datePattern =
  /^(\d{4})(?:-(\d{2})(?:-(\d{2})(T(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:\.\d+)?)?(?:Z|[+-]\d{2}:\d{2})?)?)?)?$/

/** A date of any precision as the half-open span of instants that it may mean; without an offset in UTC. */
export const spanOf = (text: string): readonly [string, string] | undefined => {
  const [, y = '', m, d, rest] = datePattern.exec(text) ?? []
  const from = dayStart(y, m, d)
  if (Number.isNaN(from)) return undefined
  if (rest !== undefined) {
    const whole = Date.parse(/(Z|[+-]\d{2}:\d{2})$/.test(text) ? text : `${text}Z`)
    if (Number.isNaN(whole)) return undefined
    const digits = /\.(\d+)/.exec(text)?.[1]?.length ?? 0
    const length = digits === 0 ? (/T\d{2}:\d{2}(Z|[+-]|$)/.test(text) ? 60_000 : 1000) : 1
    return [written(whole), written(whole + length)]
  }
  const until = new Date(from)
  if (d !== undefined) until.setUTCDate(until.getUTCDate() + 1)
  else if (m !== undefined) until.setUTCMonth(until.getUTCMonth() + 1)
  else until.setUTCFullYear(until.getUTCFullYear() + 1)
  return [written(from), written(until.getTime())]
}

const spanAt = (value: unknown): readonly [string | null, string | null] | undefined => {
  if (typeof value === 'string') return spanOf(value)
  if (!isTree(value)) return undefined
  const [start, end] = [value.start, value.end].map((t) => (typeof t === 'string' ? spanOf(t) : undefined))
  return start || end ? [start?.[0] ?? null, end?.[1] ?? null] : undefined
}

export interface Index {
  readonly tokens: readonly string[]
  readonly spans: Readonly<Record<1 | 2, readonly [string | null, string | null] | undefined>>
  readonly names: readonly { readonly param: string; readonly value: string }[]
}

const firstSpan = (resource: FhirResource, parameters: readonly SearchParameter[], slot: 1 | 2) => {
  const parameter = parameters.find((p) => p.kind === 'date' && p.slot === slot)
  const values = (parameter?.paths ?? []).flatMap((path) => valuesAt(resource, path))
  return values.map(spanAt).find((span) => span !== undefined)
}

/** What is stored beside a resource so that it can be found. Strings are folded as names are. */
export const indexOf = (resource: FhirResource): Index => {
  const parameters = searchParameters[resource.resourceType] ?? []
  const at = (p: SearchParameter) => p.paths.flatMap((path) => valuesAt(resource, path))
  const tokens = parameters.flatMap((p) => {
    if (p.kind === 'token') return at(p).flatMap((v) => tokensOf(v, p.system).map((t) => `${p.name}=${t}`))
    if (p.kind === 'reference') return at(p).flatMap((v) => referencesOf(v).map((t) => `${p.name}${t}`))
    return []
  })
  const names = parameters
    .filter((p) => p.kind === 'string')
    .flatMap((p) => at(p).flatMap((v) => (typeof v === 'string' ? [{ param: p.name, value: foldName(v) }] : [])))
  return {
    tokens: [...new Set(tokens)],
    spans: { 1: firstSpan(resource, parameters, 1), 2: firstSpan(resource, parameters, 2) },
    names,
  }
}
