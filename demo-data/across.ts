/**
 * One order across FHIR servers that we did not write: from the EHR's server through Daybind to the reading service's,
 * and back to a final report at the EHR. Everything is looked up where it must have arrived.
 */
import { setTimeout as sleep } from 'node:timers/promises'
import type { Bundle, DiagnosticReport, FhirResource, Task } from 'fhir/r4.js'
import { identifierSystems } from '../src/model/systems.ts'
import { type Answer, type Call, outOf } from './caller.ts'
import { asTransaction, placerNumber, recordNumber } from './messages.ts'
import { type Ordered, personOf } from './people.ts'
import { type Print, printHeading, wrapped } from './print.ts'
import { captured, labelOf } from './recorders.ts'

/** Who calls the service here. */
export type Across = 'harbour-ehr' | 'harbour-desk' | 'pebble' | 'operator'

export interface Servers {
  /** Bases of the two FHIR servers. */
  readonly ehr: string
  readonly reading: string
  readonly daybind: Call<Across>
}

/** Something did not arrive, or was refused: the story ends. */
class Ended extends Error {}

/** The reading service's own server is looked at a minute after the message, and machines may be busy. */
const patienceMs = 240_000

type Identifier = { readonly system: string; readonly value: string }

const fhirJson = { accept: 'application/fhir+json', 'cache-control': 'no-cache' }

const send = async (method: 'POST' | 'PUT', url: string, body: FhirResource, headers = {}): Promise<FhirResource> => {
  const response = await fetch(url, {
    method,
    headers: { ...fhirJson, 'content-type': 'application/fhir+json', ...headers },
    body: JSON.stringify(body),
    signal: AbortSignal.timeout(60_000),
  })
  if (!response.ok) throw new Ended(`${method} ${url} was answered ${response.status}.`)
  return (await response.json()) as FhirResource
}

const find = async <T extends FhirResource>(
  base: string,
  type: string,
  { system, value }: Identifier,
): Promise<T | undefined> => {
  const url = `${base}/${type}?identifier=${encodeURIComponent(`${system}|${value}`)}`
  const response = await fetch(url, { headers: fhirJson, signal: AbortSignal.timeout(30_000) })
  const found = (await response.json()) as Bundle<T>
  return found.entry?.[0]?.resource
}

/** Asks again and again until there is an answer. */
const until = async <T>(what: string, ask: () => Promise<T | undefined>): Promise<T> => {
  const deadline = performance.now() + patienceMs
  for (;;) {
    const found = await ask()
    if (found !== undefined) return found
    if (performance.now() > deadline) throw new Ended(`${what} has not come within ${patienceMs / 1000} s.`)
    await sleep(250)
  }
}

const done = (answer: Answer, what: string): Answer => {
  if (answer.status >= 300) throw new Ended(`${what} was answered ${answer.status}: ${answer.text.slice(0, 2_000)}`)
  return answer
}

/** A person of the demo's with numbers of this run alone, for the servers may hold those of an earlier one. */
const somebody = (run: string): Ordered => {
  const person = personOf('H-1001')
  return { ...person, order: `${person.order}-${run}`, record: `${person.record}-${run}` }
}

const own = (type: keyof typeof identifierSystems, id: string): Identifier => ({
  system: identifierSystems[type],
  value: id,
})

interface Story {
  readonly servers: Servers
  readonly person: Ordered
  readonly serial: string
  readonly tell: (who: string, what: string) => void
}

const orderAtEhr = async ({ servers, person, tell }: Story): Promise<void> => {
  const today = new Date().toISOString().slice(0, 10)
  await send('POST', servers.ehr, asTransaction([person], { visit: today }))
  const order = await until('the order', () => find(servers.ehr, 'ServiceRequest', placerNumber(person)))
  tell('EHR', `holds order ${person.order} as ServiceRequest/${order.id}. Nobody tells Daybind.`)
}

const orderHere = async ({ servers, person, tell }: Story): Promise<string> => {
  const { system, value } = placerNumber(person)
  const ask = async () => {
    const { body } = await servers.daybind(
      'harbour-desk',
      'GET',
      `/fhir/ServiceRequest?identifier=${encodeURIComponent(`${system}|${value}`)}`,
    )
    return (body as Bundle).entry?.[0]?.resource?.id
  }
  const from = performance.now()
  const id = await until('the order in Daybind', ask)
  tell('Daybind', `has fetched it, ${((performance.now() - from) / 1000).toFixed(1)} s later: ServiceRequest/${id}.`)
  return id
}

const tenMinutesAgo = (): string => new Date(Date.now() - 600_000).toISOString().slice(0, 19).concat('Z')
const label = (serial: string) => labelOf(serial, `${new Date().getFullYear() + 2}-06-30`)

const linkDevice = async ({ servers, person, serial, tell }: Story): Promise<{ link: string; task: string }> => {
  const answer = await servers.daybind('harbour-desk', 'POST', '/fhir/ServiceRequest/$link-device', {
    resourceType: 'Parameters',
    parameter: [
      { name: 'order', valueIdentifier: placerNumber(person) },
      ...captured(label(serial), 'data-matrix'),
      { name: 'appliedAt', valueDateTime: tenMinutesAgo() },
      { name: 'patientIdentifier', valueIdentifier: recordNumber(person) },
      { name: 'birthDate', valueDate: person.birthDate },
    ],
  })
  const { body } = done(answer, '$link-device')
  const [link, task] = [outOf(body, 'link', 'DeviceUseStatement')?.id, outOf(body, 'task', 'Task')?.id]
  if (link === undefined || task === undefined)
    throw new Ended('$link-device answered without a link or without a task.')
  tell('Clinic', `links recorder ${serial} by a scan, the record number and the birth date.`)
  return { link, task }
}

const linkedEverywhere = async ({ servers, tell }: Story, link: string): Promise<void> => {
  const there = (base: string) => () => find(base, 'DeviceUseStatement', own('DeviceUseStatement', link))
  const reading = await until('the linked order at the reading service', there(servers.reading))
  tell('Reading room', `has the linked order: DeviceUseStatement/${reading.id} in its own server.`)
  const ehr = await until('the link at the EHR', there(servers.ehr))
  tell('EHR', `has the link: DeviceUseStatement/${ehr.id}, on its own patient and order.`)
}

/** In its own server: nobody calls Daybind. */
const acceptThere = async ({ servers, tell }: Story, id: string): Promise<void> => {
  const task = await until('the task', () => find<Task>(servers.reading, 'Task', own('Task', id)))
  await send(
    'PUT',
    `${servers.reading}/Task/${task.id}`,
    { ...task, status: 'accepted' },
    { 'if-match': `W/"${task.meta?.versionId}"` },
  )
  const ask = async () => {
    const { body } = await servers.daybind('harbour-desk', 'GET', `/fhir/Task/${id}`)
    return (body as Task).status === 'accepted' ? id : undefined
  }
  await until('the acceptance in Daybind', ask)
  tell('Reading room', 'accepts the Task in its own server; Daybind has seen it there.')
}

const takeBack = async ({ servers, serial, tell }: Story): Promise<{ report: string; observation: string }> => {
  const answer = await servers.daybind('pebble', 'POST', '/fhir/Device/$record-return', {
    resourceType: 'Parameters',
    parameter: [
      ...captured(label(serial), 'data-matrix'),
      { name: 'receivedAt', valueDateTime: new Date().toISOString().slice(0, 19).concat('Z') },
    ],
  })
  const { body } = done(answer, '$record-return')
  const [report, observation] = [
    outOf(body, 'report', 'DiagnosticReport')?.id,
    outOf(body, 'observation', 'Observation')?.id,
  ]
  if (report === undefined || observation === undefined) throw new Ended('$record-return answered without stubs.')
  const stub = await until('the stub at the EHR', () =>
    find<DiagnosticReport>(servers.ehr, 'DiagnosticReport', own('DiagnosticReport', report)),
  )
  tell('Reading room', 'has the recorder back.')
  tell('EHR', `has a stub: DiagnosticReport/${stub.id}, ${stub.status}.`)
  return { report, observation }
}

const finalReport = async (
  { servers, person, tell }: Story,
  stubs: { report: string; observation: string },
): Promise<void> => {
  const { body } = await servers.daybind('pebble', 'GET', `/fhir/DiagnosticReport/${stubs.report}`)
  const { status: _registered, ...stub } = body as DiagnosticReport
  const report: DiagnosticReport = {
    ...stub,
    status: 'final',
    issued: new Date().toISOString(),
    conclusion: 'An invented conclusion of an invented recording.',
  }
  done(await servers.daybind('pebble', 'PUT', `/fhir/DiagnosticReport/${stubs.report}`, report), 'the report')
  const ask = async () => {
    const found = await find<DiagnosticReport>(servers.ehr, 'DiagnosticReport', own('DiagnosticReport', stubs.report))
    return found?.status === 'final' ? found : undefined
  }
  const there = await until('the final report at the EHR', ask)
  tell(
    'EHR',
    `has the final report on order ${person.order}: DiagnosticReport/${there.id}, version ${there.meta?.versionId}.`,
  )
}

interface Delivery {
  readonly destination: string
  readonly fate: string
  readonly attempts: number
  readonly reason: string | null
  readonly queuedAt: string
  readonly sentAt: string | null
}

const clock = (instant: string | null): string => instant?.slice(11, 23) ?? '–'.padEnd(12)

const messagesAbout = async ({ daybind }: Servers, orderId: string): Promise<readonly Delivery[]> => {
  const { body } = await daybind('operator', 'GET', `/deliveries?order=${orderId}&count=1000`)
  return [...((body as { deliveries?: Delivery[] }).deliveries ?? [])].reverse()
}

const isUnderWay = ({ fate }: Delivery): boolean => fate === 'queued' || fate === 'unsure'

/** Every message about the order, oldest first, once none is under way any more. */
const trace = async (servers: Servers, orderId: string, print: Print): Promise<readonly string[]> => {
  const deliveries = await until('the end of all messages', async () => {
    const found = await messagesAbout(servers, orderId)
    return found.some(isUnderWay) ? undefined : found
  })
  printHeading(print, 'Each message about this order (UTC)')
  print('  queued        arrived       to            fate        tries  reason')
  for (const d of deliveries)
    print(
      `  ${clock(d.queuedAt)}  ${clock(d.sentAt)}  ${d.destination.padEnd(12)}  ${d.fate.padEnd(10)}  ${String(d.attempts).padEnd(5)}  ${d.reason ?? ''}`.trimEnd(),
    )
  return deliveries
    .filter((d) => !['sent', 'taken', 'superseded'].includes(d.fate))
    .map((d) => `A message to ${d.destination} is ${d.fate}.`)
}

const play = async (story: Story, print: Print): Promise<readonly string[]> => {
  await orderAtEhr(story)
  const orderId = await orderHere(story)
  const { link, task } = await linkDevice(story)
  await linkedEverywhere(story, link)
  await acceptThere(story, task)
  const stubs = await takeBack(story)
  await finalReport(story, stubs)
  return trace(story.servers, orderId, print)
}

/**
 * Plays it and prints what happened where.
 * @param run makes the numbers of this run its own
 * @returns whether everything arrived
 */
export const playAcross = async (servers: Servers, run: string, print: Print): Promise<boolean> => {
  const started = performance.now()
  const tell = (who: string, what: string): void => {
    const at = `${((performance.now() - started) / 1000).toFixed(1)} s`
    for (const [i, line] of wrapped(what, 76).entries())
      print(`${i === 0 ? `${at.padStart(7)}  ${who.padEnd(13)}` : ' '.repeat(22)}${line}`)
  }
  printHeading(print, 'One order, there and back')
  try {
    const wrong = await play({ servers, person: somebody(run), serial: `TR-${run}`, tell }, print)
    for (const text of wrong) print(`  ✗ ${text}`)
    print('')
    print(wrong.length === 0 ? 'Everything arrived, and each message went through.' : 'Not everything went through.')
    return wrong.length === 0
  } catch (error) {
    if (!(error instanceof Ended)) throw error
    print(`  ✗ ${error.message}`)
    return false
  }
}
