/** What a handler gets and gives: no framework in between. */
import type { FhirResource } from 'fhir/r4.js'
import { type ActingCaller, worksAt } from '../../flow/step.ts'
import type { StepName } from '../../flow/steps.ts'
import type { Role, Site } from '../../model/configuration.ts'
import { accept, type Checked, type Problem, refusal, refuse, statusOf } from '../../model/problems.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import type { Sight } from '../postgres/find-resources.ts'
import type { Told } from '../postgres/run-step.ts'

export interface Call {
  readonly caller: ActingCaller
  /** What the caller may see; absent: everything. */
  readonly sight: Sight
  readonly requestId: string
  readonly params: Readonly<Record<string, string>>
  /** Without what every call takes: `dry-run`, `_format`, `_pretty`. */
  readonly query: readonly (readonly [string, string])[]
  readonly header: (name: string) => string | undefined
  /** Parsed; undefined when there was none. */
  readonly body: unknown
  /** As received. */
  readonly text: string
  readonly dryRun: boolean
}

export interface Reply {
  readonly status: number
  readonly body?: string
  readonly headers?: Readonly<Record<string, string>>
  /** Default: FHIR JSON. */
  readonly type?: string
}

export interface Route {
  readonly method: 'GET' | 'POST' | 'PUT' | 'DELETE'
  /** With parameters, `/fhir/ServiceRequest/:id`. */
  readonly url: string
  /** Who may call it; a route that says nothing does not start. */
  readonly may: 'public' | readonly Role[]
  /**
   * The parameters of the query that it takes besides those of every call; others are refused. Absent: a read looks at
   * them itself, whatever writes takes none.
   */
  readonly query?: readonly string[]
  /** Takes the fields of a form instead of JSON. */
  readonly form?: true
  /** Whatever body comes is taken, and one that cannot be read counts as none. */
  readonly anyBody?: true
  /** A page for people: a browser may ask for the token. */
  readonly page?: true
  /** For the log line. */
  readonly step: StepName | 'read' | 'operate'
  readonly handle: (call: Call) => Promise<Reply>
  /** What of the address is not there for this caller; asked where the call is refused unread, for 404 goes before 400. */
  readonly find?: (call: Call) => Promise<readonly Problem[]>
  /** What the CapabilityStatement says of it. */
  readonly fhir?: {
    readonly types: readonly string[]
    readonly interaction?:
      | 'read'
      | 'vread'
      | 'history-instance'
      | 'create'
      | 'update'
      | 'search-type'
      | 'transaction'
      | 'batch'
    readonly operation?: string
    readonly conditional?: 'create' | 'update'
  }
}

export const fhirReply = (
  status: number,
  resource: FhirResource | object,
  headers?: Record<string, string>,
): Reply => ({
  status,
  body: writeJson(resource),
  ...(headers && { headers }),
})

/** The first value of a parameter of the query. */
export const queryValue = ({ query }: Call, name: string): string | undefined =>
  query.find(([given]) => given === name)?.[1]

/** The sites at which the caller works. */
export const sitesOfCaller = ({ caller }: Call, sites: readonly Site[]): readonly Site[] =>
  sites.filter((s) => worksAt(caller, s.id))

/** The site in the address is none of theirs; what there is besides, they are not told. */
const siteNotKnown = (call: Call, mine: readonly Site[]) =>
  refusal('not-known', '', {
    found: call.params.site,
    expected: mine.map((s) => s.id).join(' or '),
    location: 'http.site',
  })

/** The name of all sites of the caller together; a site of that name stands for itself. */
const all = 'all'

/** What the address asks for: one site, or all of the caller's together. */
export const sitesOfCall = (
  call: Call,
  sites: readonly Site[],
): Checked<{ readonly sites: readonly Site[]; readonly together: boolean }> => {
  const mine = sitesOfCaller(call, sites)
  const site = mine.find((s) => s.id === call.params.site)
  if (site) return accept({ sites: [site], together: false })
  const isAll = call.params.site === all && !sites.some((s) => s.id === all)
  return isAll ? accept({ sites: mine, together: true }) : refuse([siteNotKnown(call, mine)])
}

/** What is no FHIR: lists for operators, probes. */
export const json = (status: number, value: unknown): Reply => ({
  status,
  body: JSON.stringify(value),
  type: 'application/json; charset=utf-8',
})

/** Every problem at once, under the status of the class that comes first. */
export const problemReply = (problems: readonly Problem[]): Reply => {
  const status = statusOf(problems)
  return {
    ...fhirReply(status, operationOutcome(problems)),
    ...(status === 503 && { headers: { 'retry-after': '5' } }),
    ...(status === 401 && { headers: { 'www-authenticate': 'Bearer' } }),
  }
}

export const toldReply = (told: Checked<Told>): Reply => (told.ok ? told.value : problemReply(told.problems))

export const everyone: readonly Role[] = ['source', 'clinic', 'reading-service', 'operator']
