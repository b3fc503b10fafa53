/** `fake reading-service`: a reading service's FHIR server under control, which answers Tasks. */
import type { FhirResource } from 'fhir/r4.js'
import { answerTask } from './answer-task.ts'
import { type Controls, controlBy } from './control.ts'
import { conversation, exchangeText } from './conversation.ts'
import { type FaultOptions, isFaultKind } from './faults.ts'
import { done, type Played, type PlayOptions, type Print, withComplaints, wrong } from './played.ts'
import { type ReadingServiceCounterpart, startReadingService } from './reading-service.ts'
import { orderNamed, reporter, reportStages } from './reports.ts'
import { ledger } from './rules.ts'

const types = (resources: readonly (FhirResource | undefined)[]): string =>
  resources.flatMap((resource) => resource?.resourceType ?? []).join(', ')

const taskStatus: Readonly<
  Record<string, 'received' | 'accepted' | 'rejected' | 'in-progress' | 'completed' | 'failed'>
> = {
  ...{ receive: 'received', accept: 'accepted', reject: 'rejected' },
  ...{ 'in-progress': 'in-progress', complete: 'completed', fail: 'failed' },
}

export async function playReadingService({ port, token, daybind }: PlayOptions, print: Print): Promise<Played> {
  const seen = ledger()
  const talk =
    daybind &&
    conversation({
      daybind,
      ledger: seen,
      onExchange: (exchange) => print({ ...exchange }, exchangeText(exchange)),
    })
  const controls: Controls = {
    'GET received': () => done(there.received),
    'GET complaints': () => done(complaints()),
    'GET tasks': () => done(there.resources('Task')),
    'POST faults': async ({ kind, ...options }) => {
      if (typeof kind !== 'string' || !isFaultKind(kind) || kind === 'down') return wrong('there is no such fault here')
      await there.fault(kind, options as FaultOptions)
      return done()
    },
    'DELETE faults': async () => {
      await there.clearFaults()
      return done()
    },
    'POST reports': async ({ order: named }, [stage = '']) => {
      const status = reportStages.find((s) => s === stage)
      const order = orderNamed(there, typeof named === 'string' ? named : undefined)
      if (!reports) return wrong('reports need --reports-to URL')
      if (!status) return wrong(`a report is one of ${reportStages.join(', ')}`)
      if (!order) return wrong('no such order has arrived')
      return reports.send(order, status)
    },
    'POST tasks': async (said, [taskId = '', deed = '']) => {
      const status = taskStatus[deed]
      if (!daybind) return wrong('answers need --for URL')
      if (!status) return wrong(`a Task is answered by ${Object.keys(taskStatus).join(', ')}`)
      const { base, ...credentials } = daybind
      return answerTask({ ...said, daybind: base, ...credentials, taskId, status })
    },
  }
  const there: ReadingServiceCounterpart = await startReadingService({
    port,
    ...(token && { token }),
    control: controlBy(controls),
    onReceived: ({ at, requestId, bundle, stored }, complaints) => {
      const what = types((bundle.entry ?? []).map(({ resource }) => resource))
      print(
        { at, requestId, what, stored, complaints },
        withComplaints(`${at} ${stored ? 'stored' : 'refused'}: ${what}`, complaints),
      )
    },
  })
  const reports = talk && reporter(talk, there)
  const complaints = () => [...there.complaints, ...(talk?.exchanges ?? []).flatMap((e) => e.complaints)]
  return {
    base: there.base,
    complaints,
    arrivals: () => there.received.length,
    checked: seen.checked,
    begin: async () => undefined,
    stop: there.stop,
  }
}
