/**
 * One example for each profile and each gap: what the code itself makes of invented states, so that an example is never
 * other than what is sent. They are input for validators, and fixtures for tests.
 */
import type { FhirResource, Observation, Patient, ServiceRequest } from 'fhir/r4.js'
import { operationOutcome } from '../src/adapters/fhir/outcome.ts'
import { recordsOfLink, recordsOfNotApplied } from '../src/flow/apply-device/records.ts'
import { linkedOrderBundle } from '../src/flow/forward-order/linked-order.ts'
import type { Facts } from '../src/flow/watch-flow/day-facts.ts'
import { detectedIssue } from '../src/flow/watch-flow/detected-issue.ts'
import { eveningBundle, eveningOf, measureReport } from '../src/flow/watch-flow/evening.ts'
import { gapsOf } from '../src/flow/watch-flow/gaps.ts'
import { refusal } from '../src/model/problems.ts'
import { ownIdentifier, to } from '../src/model/resources/common.ts'
import { deviceResource, linkResource, procedureResource, taskResource } from '../src/model/resources/link-resources.ts'
import { stubObservation, stubReport } from '../src/model/resources/report-resources.ts'
import type { GapCode, HeldState } from '../src/model/states.ts'
import { codes, home, standard, systems } from '../src/model/systems.ts'
import * as day from '../tests/support/fixtures.ts'

export interface Example {
  /** Of its file. */
  readonly name: string
  /** By which profile of ours it is; absent: by none, R4 alone. */
  readonly profile?: string
  readonly resource: FhirResource
}

const { at, ids, today, uuid } = day

/** Two weeks after the day, when the recorder came back. */
const end = '2026-12-09T09:00:00Z'

const patient: Patient = {
  ...day.patient,
  active: true,
  telecom: [{ system: 'phone', value: '+353 20 910 4417' }],
}

const order: ServiceRequest = {
  resourceType: 'ServiceRequest',
  id: ids.order,
  identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }],
  status: 'active',
  intent: 'order',
  priority: 'routine',
  code: { coding: [codes.ecgMonitoring] },
  subject: to('Patient', ids.patient),
  occurrencePeriod: { start: today, end: end.slice(0, 10) },
  authoredOn: '2026-11-20T08:00:00Z',
}

/** From a paper referral: its number has a type and no system. */
const byHand: ServiceRequest = {
  ...order,
  id: uuid(46),
  meta: { tag: [{ system: systems.origin, code: 'by-hand' }] },
  identifier: [{ type: { coding: [{ system: standard.identifierType, code: 'PLAC' }] }, value: 'Referral 58' }],
}

const recorder = day.device({
  carrier: day.label,
  humanReadable: day.label,
  expirationDate: '2027-01-31',
  patientId: ids.patient,
})

const link = day.link({
  performer: { type: 'Practitioner', identifier: { system: 'https://harbour.example/staff', value: '117' } },
  bodySite: { text: 'Chest, left' },
})

const ended = day.link({
  id: uuid(21),
  procedureId: uuid(22),
  status: 'stopped',
  endedAt: at('2026-11-28T10:00:00Z'),
  endedAtWritten: '2026-11-28T10:00:00Z',
  endReason: 'failed',
  endNote: 'It showed no light any more.',
})

const returned = day.link({
  ...{ id: uuid(23), procedureId: uuid(24), status: 'completed', returned: true },
  ...{ endedAt: at(end), endedAtWritten: end, endAssumed: true },
})

const correcting = day.link({
  ...{ id: uuid(25), procedureId: uuid(26) },
  ...{ replaces: ids.link, correction: 'The time was read off the wrong clock.' },
})

const clock: Observation = {
  resourceType: 'Observation',
  id: uuid(31),
  identifier: [ownIdentifier('Observation', uuid(31))],
  status: 'final',
  code: { coding: [{ system: `${home}/CodeSystem/observation-kind`, code: 'recorder-clock' }] },
  subject: to('Device', ids.device),
  effectiveDateTime: `${today}T09:00:00Z`,
  valueDateTime: `${today}T09:00:05Z`,
}

const symptom: Observation = {
  resourceType: 'Observation',
  id: uuid(32),
  identifier: [ownIdentifier('Observation', uuid(32))],
  basedOn: [to('ServiceRequest', ids.order)],
  status: 'final',
  code: { coding: [{ system: `${home}/CodeSystem/observation-kind`, code: 'diary-symptom' }] },
  subject: to('Patient', ids.patient),
  effectiveDateTime: '2026-11-29T16:20:00Z',
  valueString: 'Heart racing on the stairs.',
}

const held: HeldState = {
  kind: 'held',
  id: uuid(47),
  readingService: 'pebble',
  orderId: ids.order,
  linkId: ids.link,
  deviceId: ids.device,
  patientId: ids.patient,
  site: 'tern-harbour',
  day: '2026-12-14',
  doubts: ['it names another recorder'],
  firstAt: at('2026-12-14T09:00:00Z'),
  receivedAt: at('2026-12-14T09:00:00Z'),
  words: { resourceType: 'DiagnosticReport', status: 'final', code: { coding: [codes.rhythmStudy] } },
}

/** What a stub is once the reading service has reported. */
const reported = at('2026-12-12T15:00:00Z')
const report: FhirResource = stubReport(
  day.stub({
    id: uuid(50),
    report: {
      ...{ by: 'pebble', firstAt: reported, receivedAt: reported, completedAt: reported, results: [] },
      words: {
        resourceType: 'DiagnosticReport',
        status: 'final',
        code: { coding: [codes.rhythmStudy] },
        issued: '2026-12-12T15:00:00Z',
        conclusion: 'An invented conclusion of an invented recording.',
      },
    },
  }),
)

/** Facts that bring each gap; the types see to it that none is left out. */
const bringing: Readonly<Record<GapCode, Partial<Facts>>> = {
  'no-link': { applications: [day.application()] },
  'no-application': { orders: [day.order()] },
  'late-link': { links: [day.link({ tiedAt: at(`${today}T18:20:00Z`), recordedAt: at(`${today}T18:20:00Z`) })] },
  'return-without-patient': { returns: [day.back()] },
  'revoked-while-worn': {
    orders: [day.order({ status: 'revoked', revokedAt: at('2026-11-27T11:00:00Z') })],
    links: [day.link()],
  },
  'identity-doubt': {
    links: [day.link({ doubts: [{ id: uuid(48), at: at('2026-11-26T10:00:00Z'), why: 'merged' }] })],
  },
  'report-doubt': { held: [held] },
  'overdue-report': {
    tasks: [day.task({ status: 'accepted' })],
    stubs: [day.stub({ reportDue: at('2026-12-12T10:00:00Z'), reportDueDay: '2026-12-12' })],
  },
  'device-on-two-patients': { conflicts: [day.conflict()], links: [day.link()] },
  'patient-with-two-devices': {
    links: [day.link(), day.link({ id: uuid(51), deviceId: uuid(35), orderId: uuid(52) })],
  },
  'link-without-order': {
    orders: [day.order({ status: 'on-hold', idleSince: at('2026-11-26T10:00:00Z') })],
    links: [day.link()],
  },
  'not-taken': { tasks: [day.task({ acceptDue: at(`${today}T13:05:00Z`), acceptDueDay: today })] },
  'overdue-return': {
    links: [day.link({ returnDue: at('2026-12-19T09:00:00Z'), returnDueDay: '2026-12-19' })],
  },
  'expired-device': { links: [day.link({ expirationDate: '2026-10-31' })] },
  'clock-doubt': { links: [day.link({ clockOffset: 43_200, deviceClock: `${today}T21:00:00Z` })] },
}

const gapExamples = Object.entries(bringing).map(([code, over]): Example => {
  const gap = gapsOf(day.facts(over), day.watch('2026-12-31T00:00:00Z')).find((g) => g.code === code)
  if (gap === undefined) throw new Error(`the facts for the example bring no gap ${code}`)
  return { name: `gap-${code}`, profile: 'gap', resource: detectedIssue(gap) }
})

/** A gap that is no more: the link came after all. */
const mended = (): Example => {
  const over = { applications: [day.application()], links: [day.link({ tiedAt: at(`${today}T18:20:00Z`) })] }
  const gap = gapsOf(day.facts(over), day.watch('2026-12-31T00:00:00Z')).find((g) => g.mended !== undefined)
  if (gap === undefined) throw new Error('the link mends no gap')
  return { name: 'gap-mended', profile: 'gap', resource: { ...detectedIssue(gap), id: uuid(33) } }
}

/** A gap that somebody has seen, and a person closed. */
const byPeople = (): Example => {
  const [gap] = gapsOf(day.facts(bringing['identity-doubt']), day.watch('2026-12-31T00:00:00Z'))
  if (gap === undefined) throw new Error('the facts bring no gap')
  const seen = { at: at('2026-11-26T11:00:00Z'), by: 'harbour-desk', note: 'Looking into it.' }
  const mendedBy = {
    at: at('2026-11-26T12:00:00Z'),
    action: 'confirmed',
    by: 'harbour-desk',
    note: 'Asked her.',
  } as const
  const resource = detectedIssue({ ...gap, acknowledged: [seen], mended: mendedBy })
  return { name: 'gap-by-people', profile: 'gap', resource: { ...resource, id: uuid(49) } }
}

const evening = eveningOf(
  day.tern,
  today,
  day.facts({
    orders: [day.order()],
    links: [day.link()],
    applications: [day.application({ id: uuid(34), deviceId: uuid(35) })],
    tasks: [day.task({ status: 'accepted', acceptedAt: at(`${today}T11:00:00Z`) })],
  }),
  day.watch('2026-11-26T00:00:00Z'),
  '2025b',
)

const sent = linkedOrderBundle(
  {
    order: day.order(),
    orderResource: order,
    patientResource: patient,
    links: [returned],
    devices: [recorder],
    stubs: [day.stub({ linkId: returned.id, until: at(end), untilWritten: end })],
    tasks: [day.task({ linkId: returned.id })],
  },
  uuid(36),
)

const sentOrder = (): FhirResource => {
  const resource = sent.entry?.find((e) => e.resource?.resourceType === 'ServiceRequest')?.resource
  if (resource === undefined) throw new Error('the linked order holds no order')
  return { ...resource, id: uuid(37) } as FhirResource
}

const notApplied = recordsOfNotApplied(
  day.order(),
  { reason: 'rescheduled', day: today, newDate: '2026-12-02', note: 'Asked for another day.', recordedAt: at(end) },
  day.context(),
)

const linked = recordsOfLink(link, 'CREATE', day.context(`${today}T09:05:00Z`, { requestId: uuid(38) }))

const one = (name: string, resource: FhirResource, profile = name): Example => ({ name, profile, resource })
const plain = (name: string, resource: FhirResource | undefined): Example => {
  if (resource === undefined) throw new Error(`there is nothing for the example ${name}`)
  return { name, resource }
}

const all = (): readonly Example[] => [
  one('order', order),
  one('order-by-hand', byHand, 'order'),
  one('linked-order', sentOrder()),
  one('patient', patient),
  one('recorder', deviceResource(recorder)),
  one('link', linkResource(link)),
  one('link-ended', linkResource(ended), 'link'),
  one('link-returned', linkResource(returned), 'link'),
  one('link-correcting', linkResource(correcting), 'link'),
  one('application', procedureResource(link)),
  one('reading-task', taskResource(day.task())),
  one('reading-task-abort', taskResource(day.task({ id: uuid(39), asks: 'abort', about: ids.task })), 'reading-task'),
  one('stub-observation', stubObservation(day.stub())),
  one('stub-report', stubReport(day.stub())),
  one('report', report),
  one('clock-observation', clock),
  one('symptom-observation', symptom),
  one('evening', measureReport(evening)),
  ...gapExamples,
  mended(),
  byPeople(),
  ...notApplied.map((resource) =>
    resource.resourceType === 'Provenance'
      ? one('not-applied-record', resource)
      : plain('audit-not-applied', { ...resource, id: uuid(40) }),
  ),
  ...linked.map((resource, i) =>
    plain(`record-of-link-${resource.resourceType}`.toLowerCase(), { ...resource, id: uuid(41 + i) }),
  ),
  plain('linked-order-message', { ...sent, id: uuid(43) }),
  plain('evening-message', { ...eveningBundle(evening), id: uuid(44) }),
  plain('refused', {
    ...operationOutcome([
      refusal('identifier-disagrees', 'Parameters.parameter[4].value', {
        found: '1950-03-18',
        expected: 'the birth date of the order’s patient',
      }),
      refusal('no-serial', 'Parameters.parameter[1].value'),
    ]),
    id: uuid(45),
  }),
]

const stamped = ({ name, profile, resource }: Example): Example => {
  if (profile === undefined) return { name, resource }
  const { resourceType, id, meta: before, ...rest } = resource
  const meta = { profile: [`${home}/StructureDefinition/${profile}`], ...before }
  return { name, profile, resource: { resourceType, id, meta, ...rest } as FhirResource }
}

/** Each names its profile in `meta.profile`, so that a validator judges it by that. */
export const examples = (): readonly Example[] => all().map(stamped)
