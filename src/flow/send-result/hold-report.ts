/** A report in doubt: what is kept of it, and what its sender is told. */
import type { DiagnosticReport, FhirResource, Media, Observation } from 'fhir/r4.js'
import { v5 as uuidv5 } from 'uuid'
import { msOf } from '../../model/instant.ts'
import { localDateOf } from '../../model/local-day.ts'
import { type Problem, warning } from '../../model/problems.ts'
import type { HeldState, TaskState } from '../../model/states.ts'
import { canonical, mapTree, type Tree } from '../../model/tree.ts'
import { type Incoming, placesOf } from '../accept-order/incoming.ts'
import type { ActingCaller, Change, Context, Forward } from '../step.ts'
import type { Doubt, ReportSituation } from './match-report.ts'
import { identifiersOf, namesAsked, type SentReport } from './sent-report.ts'

/** One answer for each entry, in the order of the entries. */
export interface Answered {
  readonly type: string
  readonly id: string
  readonly outcome: 'created' | 'revised' | 'same' | 'older' | 'held'
  readonly warnings: readonly Problem[]
}

export interface Known extends ReportSituation {
  /** `Type/id` of ours that the report mentions and the caller may see. */
  readonly own: ReadonlySet<string>
  /** The version of the DiagnosticReport that the world reads under each stub's id. */
  readonly versions: ReadonlyMap<string, number>
}

/** What becomes of one report. */
export interface Settled {
  readonly stubId?: string
  readonly changes: readonly Change[]
  readonly forward: readonly Forward[]
  readonly taken: readonly TaskState[]
  readonly answers: ReadonlyMap<Incoming, Answered>
}

const heldNames = uuidv5('https://daybind.example/held-reports', uuidv5.URL)

/** The same report in doubt has the same id: by its identifier, else by what it says. */
export const heldId = (service: string, { incoming, report }: SentReport): string => {
  const [name] = identifiersOf(report)
  return uuidv5(canonical([service, name ? [name.system, name.value] : incoming.resource]), heldNames)
}

/** As which reading service a caller reports: an operator for the one that was asked to read. */
export const serviceOf = (caller: ActingCaller, tasks: readonly TaskState[]): string => {
  const services = [...new Set(tasks.filter((t) => t.asks === 'fulfill').map((t) => t.readingService))]
  const [only, ...others] = services
  return caller.role === 'reading-service' || only === undefined || others.length > 0 ? caller.id : only
}

export const answersFor = ({ incoming, results }: SentReport, answer: (e: Incoming) => Answered) => {
  const entries = [incoming, ...results.flatMap((r) => r.incoming ?? [])]
  return new Map(entries.map((e) => [e, answer(e)] as const))
}

/** The report with what came along inside it; a Binary stays in the message as it was received. */
const whole = ({ report, results }: SentReport): DiagnosticReport => {
  const parts = results.filter((r) => r.resource.resourceType !== 'Binary')
  if (parts.length === 0) return report
  const places = new Map(parts.flatMap((p, i) => p.mentions.map((m) => [m, `#part-${i + 1}`] as const)))
  const lead = <T>(value: T): T =>
    mapTree(value, (node) => {
      const place = typeof node.reference === 'string' ? places.get(node.reference) : undefined
      return place === undefined ? node : { ...node, reference: place }
    })
  const inner = parts.map(({ resource }, i) => {
    const { meta: _meta, contained: _neighbours, ...rest } = resource as Observation | Media
    return { ...lead(rest), id: `part-${i + 1}` } as FhirResource
  })
  return { ...lead(report), contained: [...(report.contained ?? []), ...inner] }
}

/**
 * A conditional reference is for a message, and what is read may have none (http://hl7.org/fhir/R4/http.html#trules):
 * it stays as the name by which it asks, or as its words.
 */
const asNamed = (node: Tree): Tree => {
  const { reference, ...rest } = node
  const [, type] = typeof reference === 'string' ? (/^([A-Z][A-Za-z]+)\?/.exec(reference) ?? []) : []
  if (type === undefined) return node
  const [name] = namesAsked(node)
  return { type, ...(name ? { identifier: name } : { display: reference }), ...rest }
}

const heldOf = (sent: SentReport, { doubts, order, link }: Doubt, known: Known, ctx: Context): HeldState => {
  const service = serviceOf(ctx.caller, known.tasks)
  const zone = ctx.parties.sites.find((s) => s.id === (link?.site ?? order?.site))?.timeZone
  const before = known.held?.settledAt === undefined ? known.held : undefined
  const firstAt = before?.firstAt ?? ctx.now
  const { id: _id, ...words } = mapTree(whole(sent), asNamed)
  return {
    kind: 'held',
    id: heldId(service, sent),
    readingService: service,
    ...(order && {
      orderId: order.id,
      patientId: order.patientId,
      site: link?.site ?? order.site,
      day: localDateOf(msOf(firstAt), zone ?? 'UTC'),
    }),
    ...(link && { linkId: link.id, deviceId: link.deviceId }),
    doubts,
    firstAt,
    receivedAt: ctx.now,
    words,
  }
}

/** Kept as it came, told to its sender and the operator, and to the clinic where it names an order. */
export const hold = (sent: SentReport, doubt: Doubt, known: Known, ctx: Context): Settled => {
  const state = heldOf(sent, doubt, known, ctx)
  const same =
    known.held !== undefined && canonical({ ...known.held, receivedAt: '' }) === canonical({ ...state, receivedAt: '' })
  const warnings = [
    warning('report-held', placesOf(sent.incoming, ''), { note: `In doubt: ${doubt.doubts.join('; ')}.` }),
  ]
  return {
    changes: same ? [] : [{ fact: 'report-held', state, occurredAt: ctx.now }],
    forward: [],
    taken: [],
    answers: answersFor(sent, () => ({ type: 'DiagnosticReport', id: state.id, outcome: 'held', warnings })),
  }
}
