/**
 * One invented clinic day for the pure tests: two sites in two zones, a source, a reading service, and one of each
 * state, to be varied. Nothing here is a real person or place; 952 is GS1's prefix for demonstrations.
 */
import type { Parameters, Patient } from 'fhir/r4.js'
import type { Context } from '../../src/flow/step.ts'
import type { Facts, Watch } from '../../src/flow/watch-flow/day-facts.ts'
import type { Parties, ReadingService, Site, Source } from '../../src/model/configuration.ts'
import { instantOf } from '../../src/model/instant.ts'
import { type ParameterTable, type ReadParameters, readParameters } from '../../src/model/parameters.ts'
import { type Checked, type Problem, sentence } from '../../src/model/problems.ts'
import type {
  ApplicationState,
  ConflictState,
  DeviceState,
  Instant,
  LinkState,
  OrderState,
  ReturnState,
  StubState,
  TaskState,
} from '../../src/model/states.ts'
import { codes, defaultTakes, systems } from '../../src/model/systems.ts'

/** An instant in our one form, from any ISO 8601 text with an offset. */
export const at = (iso: string): Instant => instantOf(Date.parse(iso))

/** `uuid(7)` is the same id in every test. */
export const uuid = (n: number): string => `00000000-0000-4000-8000-${String(n).padStart(12, '0')}`

/** A Wednesday. Dublin is at UTC, New York five hours behind. */
export const today = '2026-11-25'

const site = (id: string, name: string, timeZone: string): Site => ({
  id,
  name,
  identifier: { system: systems.sites, value: id },
  timeZone,
  cutOff: '18:00',
  closed: [],
  wear: 'P14D',
  transit: 'P10D',
  reading: 'P3D',
})

export const tern = site('tern-harbour', 'Tern Harbour Clinic', 'Europe/Dublin')
export const quarry = site('quarry-lane', 'Quarry Lane Outpatients', 'America/New_York')

export const ehr: Source = {
  id: 'harbour-ehr',
  site: 'tern-harbour',
  placer: 'https://harbour.example/orders',
  takes: defaultTakes,
  fhir: 'https://harbour.example/fhir',
}

export const pebble: ReadingService = { id: 'pebble', fhir: 'https://pebble.example/fhir', accept: 'PT4H' }

export const parties: Parties = { sites: [tern, quarry], sources: [ehr], readingServices: [pebble] }

export const tolerances = { skew: 120, recorderClock: 60 }

/** The surroundings of a step at `now`; its ids count up from uuid(1001). */
export const context = (now = `${today}T09:30:00Z`, over: Partial<Context> = {}): Context => {
  let last = 1000
  return {
    now: at(now),
    newId: () => uuid(++last),
    caller: { id: 'bay-3', role: 'clinic' },
    requestId: 'request-1',
    parties,
    tolerances,
    ...over,
  }
}

export const watch = (asOf: string, over: Partial<Watch> = {}): Watch => ({
  asOf: at(asOf),
  parties,
  tolerances,
  ...over,
})

export const ids = { order: uuid(1), patient: uuid(2), device: uuid(3), link: uuid(4), task: uuid(5), stub: uuid(6) }

export const patientNumbers = 'https://harbour.example/patients'

export const patient: Patient = {
  resourceType: 'Patient',
  id: ids.patient,
  identifier: [{ system: patientNumbers, value: 'TH-0042' }],
  name: [{ family: 'Sandling', given: ['Anna'] }],
  birthDate: '1950-03-17',
}

/** Two identifiers that agree with `patient`. */
export const twoIdentifiers = {
  patientIdentifier: { system: patientNumbers, value: 'TH-0042' },
  birthDate: '1950-03-17',
}

export const order = (over: Partial<OrderState> = {}): OrderState => ({
  kind: 'order',
  id: ids.order,
  source: 'harbour-ehr',
  placer: { system: 'https://harbour.example/orders', value: 'P-1' },
  site: 'tern-harbour',
  patientId: ids.patient,
  status: 'active',
  intent: 'order',
  codes: [{ system: codes.ecgMonitoring.system, code: codes.ecgMonitoring.code }],
  orderedDay: today,
  visitDay: today,
  wear: 'P14D',
  byHand: false,
  acceptedAt: at('2026-11-20T08:00:00Z'),
  content: { digest: 'one' },
  ...over,
})

export const device = (over: Partial<DeviceState> = {}): DeviceState => ({
  kind: 'device',
  id: ids.device,
  deviceIdentifier: '09520123456788',
  serialNumber: 'TH0001',
  issuer: 'gs1',
  entryType: 'barcode',
  ...over,
})

/** The label of `device()`; it expires at the end of January 2027. */
export const label = '(01)09520123456788(17)270131(21)TH0001'

export const link = (over: Partial<LinkState> = {}): LinkState => ({
  kind: 'link',
  id: ids.link,
  orderId: ids.order,
  deviceId: ids.device,
  patientId: ids.patient,
  site: 'tern-harbour',
  status: 'active',
  appliedAt: at(`${today}T09:00:00Z`),
  appliedAtWritten: `${today}T09:00:00Z`,
  day: today,
  tiedAt: at(`${today}T09:05:00Z`),
  recordedAt: at(`${today}T09:05:00Z`),
  procedureId: uuid(7),
  recordedBy: 'bay-3',
  ...over,
})

export const application = (over: Partial<ApplicationState> = {}): ApplicationState => ({
  kind: 'application',
  id: uuid(8),
  deviceId: ids.device,
  site: 'tern-harbour',
  appliedAt: at(`${today}T09:00:00Z`),
  day: today,
  evidence: 'capture',
  recordedAt: at(`${today}T09:10:00Z`),
  recordedBy: 'bay-3',
  ...over,
})

/** At noon the patient was right, and the recorder was on somebody else. */
export const conflict = (over: Partial<ConflictState> = {}): ConflictState => ({
  kind: 'conflict',
  id: uuid(12),
  deviceId: ids.device,
  orderId: uuid(13),
  patientId: uuid(14),
  site: 'tern-harbour',
  appliedAt: at(`${today}T12:00:00Z`),
  day: today,
  recordedAt: at(`${today}T12:02:00Z`),
  recordedBy: 'bay-3',
  ...over,
})

/** A return two weeks later that belongs to no link. */
export const back = (over: Partial<ReturnState> = {}): ReturnState => ({
  kind: 'return',
  id: uuid(9),
  deviceId: ids.device,
  site: 'tern-harbour',
  receivedAt: at('2026-12-09T10:00:00Z'),
  recordedAt: at('2026-12-09T10:05:00Z'),
  marks: [],
  diary: [],
  recordedBy: 'bay-3',
  ...over,
})

export const task = (over: Partial<TaskState> = {}): TaskState => ({
  kind: 'task',
  id: ids.task,
  linkId: ids.link,
  orderId: ids.order,
  patientId: ids.patient,
  site: 'tern-harbour',
  readingService: 'pebble',
  asks: 'fulfill',
  status: 'requested',
  authoredAt: at(`${today}T09:05:00Z`),
  modifiedAt: at(`${today}T09:05:00Z`),
  ...over,
})

export const stub = (over: Partial<StubState> = {}): StubState => ({
  kind: 'stub',
  id: ids.stub,
  observationId: uuid(10),
  linkId: ids.link,
  orderId: ids.order,
  deviceId: ids.device,
  patientId: ids.patient,
  site: 'tern-harbour',
  status: 'registered',
  from: at(`${today}T09:00:00Z`),
  until: at('2026-12-09T10:00:00Z'),
  recordedAt: at('2026-12-09T10:05:00Z'),
  ...over,
})

export const facts = (over: Partial<Facts> = {}): Facts => ({
  orders: [],
  links: [],
  applications: [],
  told: [],
  conflicts: [],
  returns: [],
  tasks: [],
  stubs: [],
  held: [],
  noted: [],
  ...over,
})

/** The value, or a failed test with everything that is wrong. */
export const accepted = <T>(checked: Checked<T>): T => {
  if (checked.ok) return checked.value
  throw new Error(checked.problems.map(sentence).join('\n'))
}

export const problemsOf = (checked: Checked<unknown>): readonly Problem[] => (checked.ok ? [] : checked.problems)

/** The codes of all reasons for a refusal, sorted; none where it was accepted. */
export const refusedBy = (checked: Checked<unknown>): readonly string[] =>
  problemsOf(checked)
    .filter((p) => p.severity === 'error')
    .map((p) => p.code)
    .sort()

const keyOf = (type: string): string =>
  type === 'parts' ? 'part' : `value${type.slice(0, 1).toUpperCase()}${type.slice(1)}`

/** A call with these parameters, read by the operation's table; a list is a parameter that is given repeatedly. */
export const call = <T extends ParameterTable>(
  table: T,
  values: Readonly<Partial<Record<keyof T & string, unknown>>>,
): ReadParameters<T> => {
  const parameter = Object.entries(values).flatMap(([name, given]) =>
    (Array.isArray(given) ? given : [given]).map((value) => ({ name, [keyOf(table[name]?.type ?? '')]: value })),
  )
  return accepted(readParameters({ resourceType: 'Parameters', parameter } as Parameters, table))
}
