/** One order's way through the service, and what comes along with it: one resource of each type that can be read. */
import type { Bundle, DetectedIssue, Encounter, FhirResource, Parameters, ParametersParameter } from 'fhir/r4.js'
import { anOrder, aPatient, bundle, entry, found, idsIn, placeOrder } from './messages.ts'
import type { Ask, TestService } from './service.ts'

export const readTypes = [
  'ServiceRequest',
  'Patient',
  'Device',
  'DeviceUseStatement',
  'Procedure',
  'Task',
  'Observation',
  'DiagnosticReport',
  'Media',
  'Binary',
  'DetectedIssue',
  'Provenance',
  'AuditEvent',
  'Encounter',
  'Appointment',
  'Practitioner',
  'PractitionerRole',
  'Organization',
  'Location',
  'Condition',
] as const

export type ReadType = (typeof readTypes)[number]

/** The id of one resource of each type. */
export type World = Readonly<Record<ReadType, string>>

const secondsAgo = (seconds: number): string => `${new Date(Date.now() - seconds * 1000).toISOString().slice(0, 19)}Z`

/** When the device was applied and when it came back, whatever day it is. */
export const applied = secondsAgo(30 * 3600)
export const received = secondsAgo(3600)

/** GS1 prefix 952 is for demonstrations. */
export const worldDi = '09520123456788'

const parameters = (...parameter: ParametersParameter[]): Parameters => ({ resourceType: 'Parameters', parameter })

const scan = (serial: string): ParametersParameter => ({ name: 'scan', valueString: `(01)${worldDi}(21)${serial}` })

export const linkParameters = (serial: string, patientNumber: string): Parameters =>
  parameters(
    scan(serial),
    { name: 'appliedAt', valueDateTime: applied },
    {
      name: 'patientIdentifier',
      valueIdentifier: { system: 'https://harbour.example/patients', value: patientNumber },
    },
    { name: 'birthDate', valueDate: '1950-03-17' },
  )

export const returnParameters = (serial: string): Parameters =>
  parameters(scan(serial), { name: 'receivedAt', valueDateTime: received })

const outOf = async (ask: Ask, path: string, body: Parameters): Promise<Readonly<Record<string, string>>> => {
  const answer = await ask<Parameters>('POST', path, { body })
  if (answer.status !== 200) throw new Error(`${path}: ${answer.status} ${answer.text}`)
  return Object.fromEntries((answer.body.parameter ?? []).map((p) => [p.name, p.resource?.id ?? '']))
}

export const urn = (n: number): string => `urn:uuid:00000000-0000-4000-8000-0000000000${String(n).padStart(2, '0')}`

type Identified = Pick<Encounter, 'identifier'>

/** One of each type that a source may send along with an order (`urn(2)`) and its patient (`urn(1)`). */
export const sentAlong = (named: (type: string) => Identified): readonly FhirResource[] => {
  const patient = { reference: urn(1) }
  const basedOn = [{ reference: urn(2) }]
  return [
    {
      resourceType: 'Encounter',
      ...named('Encounter'),
      status: 'arrived',
      class: { code: 'AMB' },
      subject: patient,
      basedOn,
    },
    {
      resourceType: 'Appointment',
      ...named('Appointment'),
      status: 'booked',
      start: '2026-03-10T09:00:00Z',
      end: '2026-03-10T09:30:00Z',
      basedOn,
      participant: [{ actor: patient, status: 'accepted' }],
    },
    { resourceType: 'Practitioner', ...named('Practitioner') },
    { resourceType: 'PractitionerRole', ...named('PractitionerRole') },
    { resourceType: 'Organization', ...named('Organization') },
    { resourceType: 'Location', ...named('Location') },
    { resourceType: 'Condition', ...named('Condition'), subject: patient },
  ]
}

/** A system of the source for identifiers of a type. */
export const worldSystem = (type: string): string => `https://harbour.example/${type}`

/** An order, its patient, and all that a source may send along with it. */
export const pushed = (): Bundle => {
  const resources: readonly FhirResource[] = [
    aPatient('W1', { name: [{ family: 'Núñez-Ørsted', given: ['María José', 'Ana'] }], active: true }),
    anOrder('W1', urn(1), {
      authoredOn: '2026-03-02T09:30:00+01:00',
      occurrencePeriod: { start: '2026-03-10', end: '2026-03-24' },
    }),
    ...sentAlong((type) => ({ identifier: [{ system: worldSystem(type), value: 'W1' }] })),
  ]
  return bundle('transaction', ...resources.map((r, i) => entry(`POST ${r.resourceType}`, r, {}, urn(i + 1))))
}

/** A preliminary report on an order, with a page of it as a file and the picture that leads to that. */
export const reportOf = (order: string, number = 'W1'): Bundle =>
  bundle(
    'transaction',
    entry(
      'POST DiagnosticReport',
      {
        resourceType: 'DiagnosticReport',
        meta: { tag: [{ system: 'urn:oid:2.999.7', code: 'batch-9' }] },
        identifier: [{ system: 'https://pebble.example/reports', value: number }],
        status: 'preliminary',
        code: { coding: [{ system: 'http://loinc.org', code: '18754-2' }] },
        basedOn: [{ reference: `ServiceRequest/${order}` }],
        media: [{ link: { reference: urn(41) } }],
      },
      {},
      urn(40),
    ),
    entry('POST Media', { resourceType: 'Media', status: 'completed', content: { url: urn(42) } }, {}, urn(41)),
    entry('POST Binary', { resourceType: 'Binary', contentType: 'text/plain', data: 'c3RyaXA=' }, {}, urn(42)),
  )

/**
 * Pushed by harbour-ehr, linked and returned by bay-3 at Tern Harbour, sent to pebble, who has reported on it; besides, an order of another
 * patient that is revoked while the device is worn.
 */
export const makeWorld = async (service: TestService): Promise<World> => {
  const [ehr, clinic, operator] = [service.as('harbour-ehr'), service.as('bay-3'), service.as('ops')]
  const sent = await ehr<Bundle>('POST', '/fhir', { body: pushed() })
  if (sent.status !== 200) throw new Error(sent.text)
  const ids = Object.fromEntries(idsIn(sent.body).map((id, i) => [pushed().entry?.[i]?.resource?.resourceType, id]))
  const linked = await outOf(
    clinic,
    `/fhir/ServiceRequest/${ids.ServiceRequest}/$link-device`,
    linkParameters('W1', 'W1'),
  )
  const [provenance = ''] = await found(operator, 'Provenance', `target=DeviceUseStatement/${linked.link}`)
  const [audit = ''] = await found(operator, 'AuditEvent', `entity=DeviceUseStatement/${linked.link}`)
  const back = await outOf(clinic, '/fhir/Device/$record-return', returnParameters('W1'))
  const reported = await service.as('pebble')<Bundle>('POST', '/fhir', { body: reportOf(`${ids.ServiceRequest}`) })
  const [, media, binary] = idsIn(reported.body)
  if (reported.status !== 200) throw new Error(reported.text)

  const { patientId, orderId } = await placeOrder(ehr, 'W2', 'W2')
  await outOf(clinic, `/fhir/ServiceRequest/${orderId}/$link-device`, linkParameters('W2', 'W2'))
  const revoked = anOrder('W2', `Patient/${patientId}`, { status: 'revoked' })
  await ehr('PUT', `/fhir/ServiceRequest/${orderId}`, { body: revoked })
  const gaps = await operator<Bundle<DetectedIssue>>('GET', '/fhir/DetectedIssue?code=revoked-while-worn')
  return {
    ...ids,
    Device: linked.device,
    DeviceUseStatement: linked.link,
    Procedure: linked.procedure,
    Task: linked.task,
    Observation: back.observation,
    DiagnosticReport: back.report,
    Media: media,
    Binary: binary,
    DetectedIssue: gaps.body.entry?.[0]?.resource?.id,
    Provenance: provenance,
    AuditEvent: audit,
  } as unknown as World
}
