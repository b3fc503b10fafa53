/** accept-order over HTTP: POST and PUT of one resource; transactions and batches are in accept-bundle.ts. */
import { pushedTypes } from '../../flow/accept-order/place.ts'
import { reportTypes } from '../../flow/send-result/sent-report.ts'
import { type Checked, refuse } from '../../model/problems.ts'
import { readResource } from '../postgres/find-resources.ts'
import { resourceText } from '../postgres/resource-text.ts'
import type { StepRunner, Told } from '../postgres/run-step.ts'
import { type Tell, writeEntries } from '../postgres/write-entries.ts'
import { takeBundle } from './accept-bundle.ts'
import type { Call, Reply, Route } from './call.ts'
import { absent } from './operation.ts'
import { writtenReply } from './prefer.ts'
import { type Asked, conditionsOf, criterionText, readIncoming, withOwnReferences } from './read-incoming.ts'
import { statusOfAnswer, writtenHeaders } from './written.ts'

const tellOne =
  (base: () => string, call: Call): Tell =>
  async (tx, [answer]) => {
    const row = answer && (await readResource(tx, answer.type, answer.id, undefined))
    if (answer === undefined || row === undefined) throw new Error('what was accepted is not stored')
    return { status: statusOfAnswer(answer), body: resourceText(row), headers: writtenHeaders(base, call, row, answer) }
  }

/** Writes one resource; with `call.dryRun` everything but that. */
export const writeOne = async (
  runner: StepRunner,
  base: () => string,
  call: Call,
  asked: Omit<Asked, 'at' | 'resource'>,
  route: string,
): Promise<Checked<Told>> => {
  const incoming = readIncoming({ ...asked, at: '', resource: withOwnReferences(call, base()).body })
  if (!incoming.ok) return refuse([...(await absent(runner.db, asked.type ?? '')(call)), ...incoming.problems])
  return writeEntries(runner, call, [incoming.value], call.text, route, tellOne(base, call))
}

const takeOne = async (...[runner, base, call, asked, route]: Parameters<typeof writeOne>): Promise<Reply> =>
  writtenReply(call, await writeOne(runner, base, call, asked, route))

/** The types that may be written alone; all others come in a Bundle. */
const alone = ['ServiceRequest', 'Patient'] as const

export const acceptOrderRoutes = (runner: StepRunner, base: () => string): readonly Route[] => {
  const may = ['source', 'clinic', 'operator'] as const
  const step = 'accept-order' as const
  const singles = alone.flatMap((type): Route[] => [
    {
      method: 'POST',
      url: `/fhir/${type}`,
      may,
      step,
      fhir: { types: [type], interaction: 'create', conditional: 'create' },
      handle: (call) => {
        const ifNoneExist = call.header('if-none-exist')
        return takeOne(
          runner,
          base,
          call,
          { method: 'POST', type, ...(ifNoneExist !== undefined && { ifNoneExist }), ...conditionsOf(call) },
          `POST /fhir/${type}`,
        )
      },
    },
    {
      method: 'PUT',
      url: `/fhir/${type}`,
      query: ['identifier'],
      may,
      step,
      fhir: { types: [type], conditional: 'update' },
      handle: (call) =>
        takeOne(
          runner,
          base,
          call,
          { method: 'PUT', type, criterion: criterionText(call), ...conditionsOf(call) },
          `PUT /fhir/${type}`,
        ),
    },
    {
      method: 'PUT',
      url: `/fhir/${type}/:id`,
      may,
      step,
      fhir: { types: [type], interaction: 'update' },
      find: absent(runner.db, type),
      handle: (call) =>
        takeOne(
          runner,
          base,
          call,
          { method: 'PUT', type, targetId: call.params.id ?? '', ...conditionsOf(call) },
          `PUT /fhir/${type}`,
        ),
    },
  ])
  return [
    {
      method: 'POST',
      url: '/fhir',
      may: [...may, 'reading-service'],
      step,
      fhir: { types: [...pushedTypes, ...reportTypes], interaction: 'transaction' },
      handle: (call) => takeBundle(runner, base, call),
    },
    ...singles,
  ]
}
