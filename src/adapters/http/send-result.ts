/** send-result over HTTP: reports alone, and for the Bundles in which they come. */
import type { Incoming } from '../../flow/accept-order/incoming.ts'
import { type Answered, heldId } from '../../flow/send-result/hold-report.ts'
import { reportTypes, type SentReport, sentReports } from '../../flow/send-result/sent-report.ts'
import { type TakenReports, takeReports } from '../../flow/send-result/take-reports.ts'
import type { Decision } from '../../flow/step.ts'
import { accept, type Checked, refuse } from '../../model/problems.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import type { Tx } from '../postgres/database.ts'
import { answerDelivery } from '../postgres/deliveries.ts'
import { readResource, readResources } from '../postgres/find-resources.ts'
import { loadForReport, ordersOfReport } from '../postgres/load-for-reports.ts'
import { ordersById } from '../postgres/load-states.ts'
import { resourceText } from '../postgres/resource-text.ts'
import {
  NotLocked,
  nameLock,
  orderLock,
  runStep,
  type StepRunner,
  type Told,
  withFreshLocks,
} from '../postgres/run-step.ts'
import type { Call, Reply, Route } from './call.ts'
import { absent } from './operation.ts'
import { writtenReply } from './prefer.ts'
import { type Asked, conditionsOf, criterionText, readIncoming, withOwnReferences } from './read-incoming.ts'
import { statusOfAnswer, writtenHeaders } from './written.ts'

/** An answer with the version under which it is read. */
export type Reported = Answered & { readonly version: number; readonly updated: string }

/** Whether what came is a reading service's, or an operator's in its place. */
export const areReports = ({ caller }: Call, entries: readonly Incoming[]): boolean =>
  caller.role === 'reading-service' ||
  ((caller.role === 'operator' || caller.role === 'local') &&
    entries.every((e) => reportTypes.includes(e.resource.resourceType)))

type Tell = (tx: Tx, answers: readonly Reported[]) => Told | Promise<Told>

const withVersions = async (tx: Tx, answers: readonly Answered[]): Promise<readonly Reported[]> => {
  const rows = await readResources(
    tx,
    answers.map((a) => `${a.type}/${a.id}`),
    undefined,
  )
  const found = new Map(rows.map((r) => [`${r.type}/${r.id}`, r]))
  return answers.map((a) => {
    const row = found.get(`${a.type}/${a.id}`)
    return { ...a, version: row?.version ?? 1, updated: row?.updated ?? '' }
  })
}

/** The locks of every order that the reports may be about, and of what they would be held as. */
const locksFor = async (tx: Tx, call: Call, reports: readonly SentReport[]): Promise<ReadonlySet<string>> => {
  const ids = await Promise.all(reports.map((r) => ordersOfReport(tx, r, call)))
  const orders = await ordersById(tx, ids.flat())
  return new Set([
    ...orders.map(orderLock),
    ...reports.map((r) => nameLock(call.caller.id, `held ${heldId(call.caller.id, r)}`)),
  ])
}

/** Takes the reports among these entries, all or nothing; with `call.dryRun` everything but that. */
export const writeReports = async (
  runner: StepRunner,
  call: Call,
  entries: readonly Incoming[],
  inbound: string,
  route: string,
  tell: Tell,
): Promise<Checked<Told>> => {
  const { reports, problems } = sentReports(entries)
  if (problems.length > 0) return refuse(problems)
  return withFreshLocks(async () => {
    const locks = await locksFor(runner.db, call, reports)
    const step = {
      step: 'send-result',
      caller: call.caller,
      requestId: call.requestId,
      locks: [...locks],
      inbound: { route, body: inbound },
      dryRun: call.dryRun,
    } as const
    return runStep(runner, step, {
      load: async (tx, begun) => {
        await begun
        const known = await Promise.all(reports.map((r) => loadForReport(tx, r, call)))
        const orders = known.flatMap((k) => k.orders)
        if (orders.some((o) => !locks.has(orderLock(o)))) throw new NotLocked()
        return accept(known)
      },
      decide: (known, ctx) => takeReports(entries, reports, known, ctx),
      tell: async (tx, decision: Decision<TakenReports>) => {
        for (const task of decision.answer.taken) await answerDelivery(tx, task, true)
        return tell(tx, await withVersions(tx, decision.answer.answers))
      },
    })
  })
}

/** 201 for the first report, 200 for another, 202 with the reasons for one that is held. */
const tellReport =
  (base: () => string, call: Call): Tell =>
  async (tx, [answer]) => {
    const row = answer && (await readResource(tx, answer.type, answer.id, undefined))
    if (answer === undefined || row === undefined) throw new Error('what was reported is not stored')
    const headers = writtenHeaders(base, call, row, answer)
    if (answer.outcome === 'held')
      return { status: 202, body: JSON.stringify(operationOutcome(answer.warnings)), headers }
    return { status: statusOfAnswer(answer), body: resourceText(row), headers }
  }

/** Takes one report, what belongs to it contained in it. */
export const reportOne = async (
  runner: StepRunner,
  base: () => string,
  call: Call,
  asked: Omit<Asked, 'at' | 'resource'>,
  route: string,
): Promise<Checked<Told>> => {
  const incoming = readIncoming({ ...asked, at: '', resource: withOwnReferences(call, base()).body })
  if (!incoming.ok) return refuse([...(await absent(runner.db, 'DiagnosticReport')(call)), ...incoming.problems])
  return writeReports(runner, call, [incoming.value], call.text, route, tellReport(base, call))
}

const take =
  (runner: StepRunner, base: () => string, asked: (call: Call) => Omit<Asked, 'at' | 'resource'>, route: string) =>
  async (call: Call): Promise<Reply> =>
    writtenReply(call, await reportOne(runner, base, call, { ...asked(call), ...conditionsOf(call) }, route))

export const sendResultRoutes = (runner: StepRunner, base: () => string): readonly Route[] => {
  const type = 'DiagnosticReport'
  const may = ['reading-service', 'operator'] as const
  const step = 'send-result' as const
  return [
    {
      method: 'POST',
      url: '/fhir/DiagnosticReport',
      may,
      step,
      fhir: { types: [type], interaction: 'create' },
      handle: take(runner, base, () => ({ method: 'POST', type }), 'POST /fhir/DiagnosticReport'),
    },
    {
      method: 'PUT',
      url: '/fhir/DiagnosticReport',
      query: ['identifier'],
      may,
      step,
      fhir: { types: [type], conditional: 'update' },
      handle: take(
        runner,
        base,
        (call) => ({ method: 'PUT', type, criterion: criterionText(call) }),
        'PUT /fhir/DiagnosticReport',
      ),
    },
    {
      method: 'PUT',
      url: '/fhir/DiagnosticReport/:id',
      may,
      step,
      fhir: { types: [type], interaction: 'update' },
      find: absent(runner.db, type),
      handle: take(
        runner,
        base,
        (call) => ({ method: 'PUT', type, targetId: call.params.id ?? '' }),
        'PUT /fhir/DiagnosticReport',
      ),
    },
  ]
}
