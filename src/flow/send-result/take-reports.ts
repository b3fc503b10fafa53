/**
 * send-result: what a reading service reports takes the place of the stub and completes the work that it was asked
 * for. A report that disagrees with what it names, or asks for no order, is held: kept, told, and in nobody's record.
 */
import type { DiagnosticReport } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { instantOf } from '../../model/instant.ts'
import { unmet } from '../../model/preconditions.ts'
import { accept, type Checked, type Problem, refusal, refuse, warning } from '../../model/problems.ts'
import { to } from '../../model/resources/common.ts'
import { stubResources } from '../../model/resources/report-resources.ts'
import type { ReportContent, StubState, TaskState } from '../../model/states.ts'
import { defaultTakes, identifierSystems } from '../../model/systems.ts'
import { canonical } from '../../model/tree.ts'
import { type Incoming, placesOf } from '../accept-order/incoming.ts'
import { forwardAgain } from '../apply-device/end-link.ts'
import { stubFor } from '../apply-device/make-link.ts'
import type { Change, Context, Decision } from '../step.ts'
import { type Answered, answersFor, hold, type Known, type Settled, serviceOf } from './hold-report.ts'
import { type Match, matchReport } from './match-report.ts'
import { contentFor } from './report-content.ts'
import { isComplete, isFinal, mayFollow, verdictOn } from './report-status.ts'
import { identifiersOf, type SentReport } from './sent-report.ts'

export interface TakenReports {
  readonly answers: readonly Answered[]
  /** Tasks whose order was taken, as whoever reports on it must have done. */
  readonly taken: readonly TaskState[]
}

/** Work that a report completes, or that is complete and may not name it yet; what is over by another way stays. */
const completable = ['requested', 'received', 'accepted', 'ready', 'in-progress', 'completed']

const completed = (task: TaskState, stubId: string, ctx: Context): TaskState => {
  const report = { type: { text: 'report' }, valueReference: to('DiagnosticReport', stubId) }
  const others = ((task.output ?? []) as readonly unknown[]).filter((o) => canonical(o) !== canonical(report))
  return {
    ...task,
    status: 'completed',
    acceptedAt: task.acceptedAt ?? ctx.now,
    output: [...others, report],
    modifiedAt: ctx.now,
  }
}

const sameTask = (a: TaskState, b: TaskState): boolean =>
  canonical({ ...a, modifiedAt: '' }) === canonical({ ...b, modifiedAt: '' })

/** The Tasks that a final report completes. */
const work = (stub: StubState, service: string, known: Known, ctx: Context): readonly TaskState[] =>
  known.tasks
    .filter((t) => t.linkId === stub.linkId && t.readingService === service && t.asks === 'fulfill')
    .filter((t) => completable.includes(t.status))
    .flatMap((t) => {
      const after = completed(t, stub.id, ctx)
      return sameTask(t, after) ? [] : [after]
    })

/** What is read of it, but for the narrative. */
const said = (stub: StubState): string =>
  canonical(stubResources(stub).map((r) => ({ ...r, ...('text' in r && { text: undefined }) })))

/** `issued` tells which of two is the newer where both have it. */
const overtaken = (stored: DiagnosticReport | undefined, next: DiagnosticReport): boolean =>
  stored?.issued !== undefined && next.issued !== undefined && Date.parse(next.issued) < Date.parse(stored.issued)

const taken = (
  stub: StubState,
  words: Pick<ReportContent, 'words' | 'results'>,
  m: Match,
  by: string,
  ctx: Context,
) => {
  const { report: before } = stub
  const completedAt = before?.completedAt ?? (isComplete(words.words.status) ? ctx.now : undefined)
  const report: ReportContent = {
    by,
    firstAt: before?.firstAt ?? ctx.now,
    receivedAt: ctx.now,
    ...(completedAt !== undefined && { completedAt }),
    ...((before?.afterRevocation || m.order.revokedAt !== undefined) && { afterRevocation: true as const }),
    ...words,
  }
  return { ...stub, report }
}

/** The stub that a report makes by itself: the recorder went straight to whoever reads it. */
const stubMade = ({ link }: Match, { report }: SentReport, ctx: Context): StubState => {
  const end = link.endedAt === undefined ? report.effectivePeriod?.end : undefined
  const made = stubFor(link, ctx)
  const ms = Date.parse(end?.includes('T') ? end : '')
  return Number.isNaN(ms) ? made : { ...made, until: instantOf(ms), untilWritten: end as string }
}

const matched = (sent: SentReport, m: Match, known: Known, ctx: Context): Checked<Settled> => {
  const by = serviceOf(ctx.caller, known.tasks)
  const { incoming } = sent
  if (m.stub?.report !== undefined && m.stub.report.by !== by)
    return refuse([refusal('reported-by-another', placesOf(incoming, 'id'))])
  const request = incoming.at.replace(/resource$/, 'request')
  const stale = unmet(incoming, m.stub && known.versions.get(m.stub.id), request)
  if (stale.length > 0) return refuse(stale)
  const stub = m.stub ?? stubMade(m, sent, ctx)
  const service: Source = {
    id: by,
    takes: defaultTakes,
    poll: 'PT30S',
    ...fhirOf(by, ctx),
  }
  const { content, ids, problems } = contentFor(sent, stub, { service, own: known.own, newId: ctx.newId })
  if (problems.length > 0) return refuse(problems)
  const after = taken(stub, content, m, by, ctx)
  const answer = (outcome: Answered['outcome'], warnings: readonly Problem[] = []) =>
    answersFor(sent, (e) => ({
      type: e.resource.resourceType,
      id: e === incoming ? stub.id : (ids.get(e) ?? ''),
      outcome,
      warnings: e === incoming ? warnings : [],
    }))
  const quiet = (outcome: 'same' | 'older', warnings: readonly Problem[] = []): Checked<Settled> =>
    accept({ stubId: stub.id, changes: [], forward: [], taken: [], answers: quietly(answer(outcome, warnings), stub) })
  if (stub.report !== undefined && said(after) === said(stub)) return quiet('same')
  const { status } = content.words
  const verdict = verdictOn(stub.report?.words.status, status)
  const late = { found: status, expected: `${stub.report?.words.status} stands` }
  if (verdict === 'late' || overtaken(stub.report?.words, content.words))
    return quiet('older', [warning('report-late', placesOf(incoming, 'status'), late)])
  if (verdict === 'illegal')
    return refuse([
      refusal('illegal-step', placesOf(incoming, 'status'), {
        found: `${stub.report?.words.status} → ${status}, with other content`,
        expected: mayFollow(stub.report?.words.status ?? 'final'),
      }),
    ])
  const tasks = isFinal(status) ? work(after, by, known, ctx) : []
  const warnings = m.order.revokedAt === undefined ? [] : [warning('after-revocation', placesOf(incoming, ''))]
  const changes: Change[] = [
    {
      fact: stub.report === undefined ? 'report-received' : 'report-revised',
      state: after,
      occurredAt: ctx.now,
    },
    ...tasks.map((state): Change => ({ fact: 'task-answered', state, occurredAt: ctx.now })),
  ]
  const others = known.tasks.filter((t) => t.orderId === m.order.id && t.readingService !== by)
  return accept({
    stubId: stub.id,
    changes,
    forward: forwardAgain(others),
    taken: tasks,
    answers: answer(stub.report === undefined && !isAddressed(incoming) ? 'created' : 'revised', warnings),
  })
}

/** Whether the address leads to a resource that is there: our stub, by either of its names. */
const isAddressed = ({ targetId, criterion }: Incoming): boolean =>
  targetId !== undefined || criterion?.system === identifierSystems.DiagnosticReport

const fhirOf = (service: string, ctx: Context): Pick<Source, 'fhir'> => {
  const fhir = ctx.parties.readingServices.find((r) => r.id === service)?.fhir
  return fhir === undefined ? {} : { fhir }
}

/** Where nothing was stored, what came along has no id of ours but that of the report. */
const quietly = (answers: ReadonlyMap<Incoming, Answered>, stub: StubState): ReadonlyMap<Incoming, Answered> => {
  const stored = new Set([stub.observationId, ...(stub.report?.results ?? []).map((r) => r.id)])
  return new Map(
    [...answers].map(([e, a]) =>
      a.type === 'DiagnosticReport' || stored.has(a.id) ? [e, a] : [e, { ...a, type: 'DiagnosticReport', id: stub.id }],
    ),
  )
}

/** A report that agrees takes the place of the one in doubt. */
const settling = (known: Known, ctx: Context): readonly Change[] =>
  known.held === undefined || known.held.settledAt !== undefined
    ? []
    : [{ fact: 'report-settled', state: { ...known.held, settledAt: ctx.now }, occurredAt: ctx.now }]

/** An address leads to something that is there; a criterion is an identifier of the report itself, or of ours. */
const addressDoubts = ({ incoming, report }: SentReport, { named, held }: Known): readonly Problem[] => {
  const { targetId, criterion } = incoming
  if (targetId !== undefined && named === undefined && held?.id !== targetId)
    return [refusal('not-known', placesOf(incoming, 'id'))]
  if (criterion === undefined) return []
  if (criterion.system === identifierSystems.DiagnosticReport)
    return named?.id === criterion.value ? [] : [refusal('not-known', placesOf(incoming, 'identifier'))]
  return identifiersOf(report).some((i) => i.system === criterion.system && i.value === criterion.value)
    ? []
    : [
        refusal('wrong-criterion', placesOf(incoming, 'identifier'), {
          expected: `${criterion.system}|${criterion.value}`,
        }),
      ]
}

const takeOne = (sent: SentReport, known: Known, ctx: Context): Checked<Settled> => {
  const doubts = addressDoubts(sent, known)
  if (doubts.length > 0) return refuse(doubts)
  const match = matchReport(sent, known, serviceOf(ctx.caller, known.tasks), ctx.now)
  if ('doubts' in match) return accept(hold(sent, match, known, ctx))
  const done = matched(sent, match, known, ctx)
  return done.ok ? accept({ ...done.value, changes: [...done.value.changes, ...settling(known, ctx)] }) : done
}

/**
 * Decides the reports of one message together: all or nothing.
 * @param entries everything that was sent, in its order
 * @param known of each report, in the order of `reports`
 */
export const takeReports = (
  entries: readonly Incoming[],
  reports: readonly SentReport[],
  known: readonly Known[],
  ctx: Context,
): Checked<Decision<TakenReports>> => {
  const done = reports.map((sent, i) => takeOne(sent, known[i] as Known, ctx))
  const problems = done.flatMap((d) => (d.ok ? [] : d.problems))
  const settled = done.flatMap((d) => (d.ok ? [d.value] : []))
  const seen = new Set<string>()
  for (const [i, { stubId }] of settled.entries()) {
    if (stubId === undefined) continue
    const { incoming } = reports[i] as SentReport
    if (seen.has(stubId)) problems.push(refusal('same-identity-twice', placesOf(incoming, 'identifier')))
    seen.add(stubId)
  }
  if (problems.length > 0) return refuse(problems)
  const answers = entries.flatMap((e) => settled.flatMap((s) => s.answers.get(e) ?? []))
  return accept({
    changes: settled.flatMap((s) => s.changes),
    forward: settled.flatMap((s) => s.forward),
    answer: { answers, taken: settled.flatMap((s) => s.taken) },
    warnings: answers.flatMap((a) => a.warnings),
  })
}
