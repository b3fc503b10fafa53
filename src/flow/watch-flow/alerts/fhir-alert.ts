/** An alert as FHIR, for the inbox of an EHR: a Communication of what is open, and a Task to see to it. Pure. */
import type { Bundle, BundleEntry, Communication, Reference, Task } from 'fhir/r4.js'
import { v5 as uuidv5 } from 'uuid'
import { daybind, logical, shown } from '../../../model/resources/common.ts'
import { identifierSystems, standard, systems } from '../../../model/systems.ts'
import { type AlertMessage, alertWords } from './message.ts'

const names = uuidv5('https://daybind.example/alerts', uuidv5.URL)

const isGrave = ({ data }: AlertMessage): boolean => data.sites.some((s) => s.gaps.some((g) => g.severity === 'high'))

/** Each gap by the identifier of its DetectedIssue here; those of many stand for all. */
const gapsOf = ({ data }: AlertMessage): readonly Reference[] =>
  data.sites
    .flatMap((s) => s.gaps)
    .flatMap((g) => g.ids.map((id) => logical('DetectedIssue', identifierSystems.DetectedIssue, id, g.gap)))

const textOf = (message: AlertMessage): readonly string[] => {
  const { sites, end } = alertWords(message)
  return [
    ...sites.map((s) =>
      [s.heading, s.about, ...s.gaps.flatMap((g) => [g.line, g.next, ...g.named, g.report])].join('\n'),
    ),
    end.join('\n'),
  ]
}

/** Until when something can be done in time: the last cut-off that is still to come; absent where none is. */
const endOf = ({ timestamp, data }: AlertMessage): string | undefined =>
  data.sites
    .map((s) => s.cutOff)
    .filter((cutOff) => Date.parse(cutOff) > Date.parse(timestamp))
    .toSorted((a, b) => Date.parse(a) - Date.parse(b))
    .at(-1)

/**
 * Both are known over there by the id of the delivery, so that a repetition finds them; neither is changed once it is
 * there, since people may have worked with it.
 */
export const alertBundle = (delivery: string, message: AlertMessage): Bundle<Communication | Task> => {
  const identifier = [{ system: systems.alerts, value: delivery }]
  const { subject } = alertWords(message)
  const priority = isGrave(message) ? 'urgent' : 'routine'
  const about = gapsOf(message)
  const [said, task] = [
    `urn:uuid:${uuidv5(`${delivery} said`, names)}`,
    `urn:uuid:${uuidv5(`${delivery} task`, names)}`,
  ]
  const sent = shown(message.timestamp)
  const end = endOf(message)
  const communication: Communication = {
    resourceType: 'Communication',
    identifier,
    status: 'completed',
    category: [{ coding: [{ system: standard.communicationCategory, code: 'alert' }] }],
    priority,
    topic: { text: subject },
    about: [...about],
    sent,
    sender: daybind,
    payload: textOf(message).map((contentString) => ({ contentString })),
  }
  const toDo: Task = {
    resourceType: 'Task',
    identifier,
    status: 'requested',
    intent: 'order',
    priority,
    code: { text: 'See to open gaps' },
    description: subject,
    focus: { reference: said },
    authoredOn: sent,
    requester: daybind,
    ...(end !== undefined && { restriction: { period: { end } } }),
    input: about.map((valueReference) => ({ type: { text: 'gap' }, valueReference })),
  }
  const entry = (fullUrl: string, resource: Communication | Task): BundleEntry<Communication | Task> => ({
    fullUrl,
    resource,
    request: {
      method: 'POST',
      url: resource.resourceType,
      ifNoneExist: `identifier=${encodeURIComponent(`${systems.alerts}|${delivery}`)}`,
    },
  })
  return { resourceType: 'Bundle', type: 'transaction', entry: [entry(said, communication), entry(task, toDo)] }
}
