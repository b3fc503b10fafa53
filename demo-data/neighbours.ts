/** What the systems around the clinic do: the sources, and the reading service. */
import type { Bundle, Task } from 'fhir/r4.js'
import { identifierSystems } from '../src/model/systems.ts'
import { answerTask } from '../src/testkit/answer-task.ts'
import { expectStatus } from './bedside.ts'
import { asResource } from './caller.ts'
import type { Deed } from './deeds.ts'
import { expectedAtReader } from './expected.ts'
import { asBatch, asTransaction, byRecordNumber, criterion, type OrderSaid, orderOf, placerNumber } from './messages.ts'
import { ofTheDay, ofTheWeekBefore, personOf } from './people.ts'
import { type Came, type Scene, untilDelivered } from './scene.ts'

type Of<D extends Deed['do']> = Extract<Deed, { do: D }>

const statusesIn = (bundle: Bundle | undefined): readonly string[] =>
  (bundle?.entry ?? []).map(({ response }) => (response?.status ?? '').slice(0, 3))

const expectEntries = (bundle: Bundle | undefined, count: number, status: string): readonly string[] => {
  const found = statusesIn(bundle)
  const right = found.length === count && found.every((s) => s === status)
  return right
    ? []
    : [`${found.length} entries with ${[...new Set(found)].join(', ')} instead of ${count} with ${status}`]
}

export const sendList = async (scene: Scene, deed: Of<'send-list'>): Promise<Came> => {
  const { day, weekBefore } = scene.calendar
  const people = (deed.of === 'day' ? ofTheDay : ofTheWeekBefore).filter((p) => p.source === deed.source)
  const said: OrderSaid = deed.of === 'day' ? { visit: day } : { visit: weekBefore, until: day }
  const bundle = deed.as === 'transaction' ? asTransaction(people, said) : asBatch(people, said)
  const answer = await scene.call(deed.source, 'POST', '/fhir', bundle)
  const how = deed.as === 'transaction' ? 'all or nothing' : 'each for itself'
  return {
    said: `${people.length} orders with their patients, ${how}: all taken.`,
    wrong: [
      ...expectStatus(answer, 200),
      ...expectEntries(asResource(answer.body, 'Bundle'), 2 * people.length, '201'),
    ],
  }
}

/** The same content is no new version. */
export const sendAgain = async (scene: Scene, { order }: Of<'send-again'>): Promise<Came> => {
  const person = personOf(order)
  const answer = await scene.call(
    person.source,
    'POST',
    '/fhir',
    asTransaction([person], { visit: scene.calendar.day }),
  )
  const bundle = asResource(answer.body, 'Bundle')
  const versions = (bundle?.entry ?? []).map(({ response }) => response?.etag)
  return {
    said: 'Answered 200: known already, nothing new, no second order.',
    wrong: [
      ...expectStatus(answer, 200),
      ...expectEntries(bundle, 2, '200'),
      ...(versions.every((v) => v === 'W/"1"') ? [] : [`versions ${versions.join(', ')} instead of 1`]),
    ],
  }
}

/** One revision of an order that is stored in its first version. */
const revise = async (scene: Scene, order: string, change: Partial<OrderSaid>, said: string): Promise<Came> => {
  const person = personOf(order)
  const resource = orderOf(person, { visit: scene.calendar.day, ...change }, byRecordNumber(person))
  const path = `/fhir/ServiceRequest?${criterion(placerNumber(person))}`
  const answer = await scene.call(person.source, 'PUT', path, resource)
  const second = answer.etag === 'W/"2"'
  return { said, wrong: [...expectStatus(answer, 200), ...(second ? [] : [`version ${answer.etag} instead of 2`])] }
}

export const makeUrgent = (scene: Scene, { order }: Of<'make-urgent'>): Promise<Came> =>
  revise(scene, order, { priority: 'urgent' }, 'Version 2 of the order; the reading service gets it too.')

export const revoke = (scene: Scene, { order }: Of<'revoke'>): Promise<Came> =>
  revise(scene, order, { status: 'revoked' }, 'Version 2 of the order: revoked.')

export const goDown = async (scene: Scene): Promise<Came> => {
  const wrong = await untilDelivered(scene)
  await scene.stage.reading.fault('down')
  return { wrong }
}

export const comeBack = async (scene: Scene): Promise<Came> => {
  const { reading } = scene.stage
  const before = reading.received.length
  await reading.clearFaults()
  const wrong = await untilDelivered(scene)
  const arrived = reading.received.length - before
  return {
    said: `${arrived} linked orders arrive, each once.`,
    wrong: [
      ...wrong,
      ...(arrived === expectedAtReader.waited ? [] : [`${arrived} arrived instead of ${expectedAtReader.waited}`]),
    ],
  }
}

export const loseNextAnswer = async (scene: Scene): Promise<Came> => {
  const wrong = await untilDelivered(scene)
  await scene.stage.reading.fault('drop-after-store', { times: 1, writesOnly: true })
  return { said: 'The service will not know what became of it: it looks first, and does not send it twice.', wrong }
}

const ourTaskId = (task: Task): string | undefined =>
  task.identifier?.find(({ system }) => system === identifierSystems.Task)?.value

export const acceptWork = async (scene: Scene): Promise<Came> => {
  const late = await untilDelivered(scene)
  const { reading, service, tokens } = scene.stage
  const open = reading
    .resources('Task')
    .flatMap((r) => asResource(r, 'Task') ?? [])
    .flatMap((task) => (task.status === 'requested' ? (ourTaskId(task) ?? []) : []))
    .filter((id) => !scene.accepted.has(id))
  const answers = await Promise.all(
    open.map((taskId) =>
      answerTask({ daybind: `${service.url}/fhir`, token: tokens.pebble, taskId, status: 'accepted' }),
    ),
  )
  for (const id of open) scene.accepted.add(id)
  const refused = answers
    .filter(({ status }) => status !== 200)
    .map(({ status }) => `an acceptance was answered ${status}`)
  return {
    said: open.length === 1 ? 'One order accepted.' : `${open.length} orders accepted.`,
    wrong: [...late, ...refused],
  }
}
