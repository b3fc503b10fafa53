/** `fake reading-service`: a reading service's FHIR server under control, which answers Tasks and sends reports. */
import type { FhirResource, ServiceRequest, Task } from 'fhir/r4.js'
import { sayOfTask } from './answer-task.ts'
import type { Answered } from './calls.ts'
import { type Command, type Commands, controlBy, type Told, wrong } from './control.ts'
import { complaintsOf, printedConversation } from './conversation.ts'
import { type FaultKind, faultNames, isFaultKind } from './faults.ts'
import { everyCommand, type Played, type PlayOptions, type Print, withComplaints } from './played.ts'
import { type ReadingServiceCounterpart, startReadingService } from './reading-service.ts'
import { orderNamed, reporter, reportStages } from './reports.ts'
import { ledger } from './rules.ts'

const types = (resources: readonly (FhirResource | undefined)[]): string =>
  resources.flatMap((resource) => resource?.resourceType ?? []).join(', ')

const taskStatus: Readonly<Record<string, Task['status']>> = {
  ...{ receive: 'received', accept: 'accepted', reject: 'rejected' },
  ...{ begin: 'in-progress', complete: 'completed', fail: 'failed' },
}

/** What a call of its own came to. */
const came = ({ line, status, body, trouble }: Answered): Told =>
  status >= 200 && status < 300
    ? { shown: `${status} ${line}` }
    : wrong(`${trouble ?? status} ${line}: ${JSON.stringify(body) ?? ''}`)

const taskNamed = (there: ReadingServiceCounterpart, name: string): Task | undefined =>
  (there.resources('Task') as Task[]).find(
    ({ id, identifier }) => id === name || identifier?.some(({ value }) => value === name),
  )

/** Answers go to Daybind where its address is known; else they stand on the own server, where Daybind may look. */
const answers = (
  there: () => ReadingServiceCounterpart,
  say: ((said: Parameters<typeof sayOfTask>[1]) => Promise<Answered>) | undefined,
): Commands =>
  Object.fromEntries(
    Object.entries(taskStatus).map(([deed, status]): [string, Command] => [
      deed,
      {
        takes: 'TASK [reason=TEXT]',
        does: `answers a Task: ${status}`,
        words: [1, 1],
        settings: ['reason'],
        run: async ({ words: [name = ''], settings: { reason } }) => {
          const task = taskNamed(there(), name)
          const tasks = there().resources('Task') as Task[]
          if (!task)
            return wrong(`There is no Task ${name} here. There are: ${tasks.map(({ id }) => id).join(', ') || 'none'}.`)
          const said = { status, ...(reason && { statusReason: { text: reason } }) }
          if (say) return came(await say({ ...said, taskId: task.identifier?.[0]?.value ?? '' }))
          return { shown: there().add({ ...task, ...said }) }
        },
      },
    ]),
  )

const reportCommand = (
  there: () => ReadingServiceCounterpart,
  reports: () => ReturnType<typeof reporter> | undefined,
): Command => ({
  takes: 'STAGE [ORDER]',
  does: `sends a report (${reportStages.join(', ')}) about an order, or about the newest`,
  words: [1, 2],
  run: async ({ words: [stage, name] }) => {
    const status = reportStages.find((s) => s === stage)
    if (!status) return wrong(`A report is one of ${reportStages.join(', ')}.`)
    const order = orderNamed(there(), name)
    const orders = there().resources('ServiceRequest')
    if (!order)
      return wrong(
        `There is no order ${name ?? 'yet'} here. There are: ${orders.map(({ id }) => id).join(', ') || 'none'}.`,
      )
    const sent = await reports()?.send(order, status)
    return sent ? came(sent) : wrong('Reports need an address: --reports-to URL.')
  },
})

const lists = (there: () => ReadingServiceCounterpart): Commands => ({
  orders: {
    takes: '',
    does: 'the orders that arrived',
    words: [0, 0],
    run: () => ({
      shown: (there().resources('ServiceRequest') as ServiceRequest[])
        .map(({ id, status, identifier }) => `${id} ${status}, ${identifier?.map(({ value }) => value).join(', ')}`)
        .join('\n'),
    }),
  },
  tasks: {
    takes: '',
    does: 'the Tasks that arrived',
    words: [0, 0],
    run: () => ({
      shown: (there().resources('Task') as Task[])
        .map(({ id, status, focus }) => `${id} ${status}, of ${focus?.reference}`)
        .join('\n'),
    }),
  },
})

export async function playReadingService({ port, token, daybind }: PlayOptions, print: Print): Promise<Played> {
  const seen = ledger()
  const talk = printedConversation(daybind, seen, print)
  const complaints = () => complaintsOf(there.complaints, talk)
  const commands: Commands = {
    ...lists(() => there),
    ...answers(() => there, talk && ((said) => sayOfTask(talk.call, said))),
    report: reportCommand(
      () => there,
      () => talk && reporter(talk, there),
    ),
    ...everyCommand({
      kinds: faultNames,
      isKind: isFaultKind,
      fault: (kind, options) => there.fault(kind as FaultKind, options),
      clearFaults: () => there.clearFaults(),
      got: () => there.received,
      complaints,
      checked: seen.checked,
    }),
  }
  const there: ReadingServiceCounterpart = await startReadingService({
    port,
    ...(token && { token }),
    control: controlBy(commands),
    ledger: seen,
    onReceived: ({ at, requestId, bundle, stored }, found) => {
      const what = types((bundle.entry ?? []).map(({ resource }) => resource))
      print(
        { at, requestId, what, stored, complaints: found },
        withComplaints(`${at} ${stored ? 'stored' : 'refused'}: ${what}`, found),
      )
    },
  })
  return {
    base: there.base,
    complaints,
    arrivals: () => there.received.length,
    checked: seen.checked,
    commands,
    begin: async () => undefined,
    stop: there.stop,
  }
}
