/** Everything that the service says in FHIR on the demo's day and just after it, gathered for a validator. */
import type {
  Bundle,
  CapabilityStatement,
  DetectedIssue,
  DiagnosticReport,
  FhirResource,
  Observation,
  Parameters,
  ParametersParameter,
  ServiceRequest,
} from 'fhir/r4.js'
import { daysAfter } from '../../demo-data/calendar.ts'
import { type Call as CallAs, type CallerId, callsTo, foundIn } from '../../demo-data/caller.ts'
import { criterion, placerNumber, recordNumber } from '../../demo-data/messages.ts'
import { personOf } from '../../demo-data/people.ts'
import { captured, labelOf } from '../../demo-data/recorders.ts'
import type { Scene } from '../../demo-data/scene.ts'
import type { SystemValue } from '../../src/model/configuration.ts'
import { bundle, entry } from '../support/messages.ts'
import { pushed, urn } from '../support/world.ts'
import { isResource, type Said } from './emitted-files.ts'

type Call = CallAs<CallerId | 'nobody'>

/** The same calls; each answer in FHIR is kept besides. */
export const keeping =
  <Caller extends string>(call: CallAs<Caller>, kept: Said[]): CallAs<Caller> =>
  async (caller, method, path, body) => {
    const answer = await call(caller, method, path, body)
    if (isResource(answer.body))
      kept.push({ where: `${method} ${path} by ${caller}: ${answer.status}`, text: answer.text })
    return answer
  }

const parameters = (...parameter: readonly ParametersParameter[]): Parameters => ({
  resourceType: 'Parameters',
  parameter: [...parameter],
})

const study = { coding: [{ system: 'http://loinc.org', code: '18754-2' }] }

const reportOn = (order: SystemValue, number: string, over: Partial<DiagnosticReport> = {}): DiagnosticReport => ({
  resourceType: 'DiagnosticReport',
  identifier: [{ system: 'https://pebble.example/reports', value: number }],
  status: 'final',
  code: study,
  basedOn: [{ identifier: order }],
  conclusion: 'Sinus rhythm throughout.',
  ...over,
})

/** By what identifies the order, which a message alone can do. */
const conditional = (order: SystemValue) => ({ basedOn: [{ reference: `ServiceRequest?${criterion(order)}` }] })

/** A report with a value, a picture and its file. */
const wholeReport = (report: DiagnosticReport): Bundle => {
  const whole = { ...report, result: [{ reference: urn(2) }], media: [{ link: { reference: urn(3) } }] }
  const value: Observation = {
    resourceType: 'Observation',
    status: 'final',
    code: { coding: [{ system: 'http://loinc.org', code: '8867-4' }] },
    effectiveDateTime: '2026-11-25T10:00:00Z',
    valueQuantity: { value: 71, unit: '/min', system: 'http://unitsofmeasure.org', code: '/min' },
  }
  return bundle(
    'transaction',
    entry('POST DiagnosticReport', whole, {}, urn(1)),
    entry('POST Observation', value, {}, urn(2)),
    entry('POST Media', { resourceType: 'Media', status: 'completed', content: { url: urn(4) } }, {}, urn(3)),
    entry('POST Binary', { resourceType: 'Binary', contentType: 'text/plain', data: 'c3RyaXA=' }, {}, urn(4)),
  )
}

/** Another period than that of any wear. */
const longAgo = { effectivePeriod: { start: '2020-01-05T08:00:00Z', end: '2020-01-12T08:00:00Z' } }

const byNumber = (order: string): SystemValue => placerNumber(personOf(order))

/** Taken, late, held in each way, settled, and of an order that was revoked. */
const reports = async (call: Call): Promise<void> => {
  const [first, second, third, revoked] = ['H-0901', 'H-0902', 'H-0903', 'H-1007'].map(byNumber) as [
    SystemValue,
    SystemValue,
    SystemValue,
    SystemValue,
  ]
  const alone = (report: DiagnosticReport) => call('pebble', 'POST', '/fhir/DiagnosticReport', report)
  await call('pebble', 'POST', '/fhir', wholeReport(reportOn(first, 'PR-1', conditional(first))))
  await alone(reportOn(first, 'PR-1', { status: 'preliminary' }))
  await alone(reportOn(second, 'PR-2', { status: 'preliminary' }))
  await alone(reportOn(third, 'PR-3', longAgo))
  await alone(reportOn(third, 'PR-3'))
  await alone(reportOn(third, 'PR-4', { ...longAgo, ...conditional(third) }))
  await call('pebble', 'POST', '/fhir', wholeReport(reportOn(third, 'PR-5', { ...longAgo, ...conditional(third) })))
  await alone(reportOn({ system: third.system, value: 'never' }, 'PR-6'))
  await alone(reportOn(revoked, 'PR-7'))
}

/** What the day itself lacks: reports that come, links that were wrong, a patient that changes, what is sent along. */
const dayAfter = async (call: Call, { links, calendar }: Scene): Promise<void> => {
  await reports(call)
  await call('harbour-ehr', 'POST', '/fhir', pushed())
  const label = labelOf('TR-30119', daysAfter(calendar.day, 730))
  const corrected = [
    ['TR-30114', { name: 'reason', valueString: 'Another recorder was scanned.' }, ...captured(label, 'data-matrix')],
    ['TR-30012', { name: 'reason', valueString: 'It was never worn.' }],
  ] as const
  for (const [serial, ...said] of corrected) {
    const path = `/fhir/DeviceUseStatement/${links.get(serial)}/$correct-link`
    await call('harbour-desk', 'POST', path, parameters(...said))
  }
  const changed = personOf('H-1015')
  await call('harbour-ehr', 'PUT', `/fhir/Patient?${criterion(recordNumber(changed))}`, {
    resourceType: 'Patient',
    identifier: [recordNumber(changed)],
    name: [{ family: changed.family, given: [changed.given] }],
    birthDate: '1931-02-03',
  })
}

const gapsOf = async (call: Call, code: string): Promise<readonly DetectedIssue[]> =>
  foundIn((await call('operator', 'GET', `/fhir/DetectedIssue?code=${code}`)).body) as readonly DetectedIssue[]

const seeAndSettle = async (call: Call): Promise<void> => {
  for (const [code, action] of [
    ['identity-doubt', 'confirmed'],
    ['no-application', 'cancelled'],
    ['expired-device', 'confirmed'],
    ['no-link', 'confirmed'],
  ] as const)
    for (const { id } of await gapsOf(call, code)) {
      const at = `/fhir/DetectedIssue/${id}`
      await call('operator', 'POST', `${at}/$acknowledge`, parameters({ name: 'note', valueString: 'Seen.' }))
      await call(
        'operator',
        'POST',
        `${at}/$resolve`,
        parameters({ name: 'action', valueCode: action }, { name: 'note', valueString: 'Asked by telephone.' }),
      )
    }
}

const badOrder = {
  resourceType: 'ServiceRequest',
  status: 'maybe',
  intent: 'order',
  subject: { reference: 'Group/1' },
  occurrenceDateTime: '2026-11-25T10:00:00',
  laterality: 'left',
  modifierExtension: [{ url: 'https://harbour.example/never', valueBoolean: true }],
} as unknown as ServiceRequest

const goodOrder: ServiceRequest = {
  resourceType: 'ServiceRequest',
  identifier: [placerNumber(personOf('H-1001'))],
  status: 'active',
  intent: 'order',
  code: { coding: [{ system: 'http://snomed.info/sct', code: '46825001' }] },
  subject: { identifier: recordNumber(personOf('H-1001')) },
}

/** Refusals of all sorts, rehearsals, and searches that have something to say. */
const askAmiss = async (call: Call): Promise<void> => {
  const unknown = '00000000-0000-4000-8000-000000000000'
  for (const [caller, path] of [
    ['nobody', '/fhir/Patient'],
    ['operator', `/fhir/Patient/${unknown}`],
    ['operator', '/fhir/Nothing'],
    ['operator', '/nothing'],
    ['operator', '/fhir/Patient?_count=many'],
    ['operator', '/fhir/Patient?shoe-size=44'],
    ['operator', '/fhir/Patient?_summary=count'],
    ['operator', '/fhir/Device?status=nonsense'],
    ['operator', '/fhir/ServiceRequest?_count=3&_revinclude=Task:based-on&_include=ServiceRequest:subject'],
    ['operator', '/fhir/DeviceUseStatement?_count=2&_sort=-_lastUpdated&_include=DeviceUseStatement:device'],
    ['pebble', '/fhir/Task?_count=2&_include=Task:patient'],
    ['quarry-desk', '/fhir/DetectedIssue?_count=50'],
    ['harbour-desk', '/fhir/Device?_count=50'],
    ['lowwater-ehr', '/fhir/ServiceRequest?_count=50'],
  ] as const)
    await call(caller, 'GET', path)
  const posts: readonly (readonly [CallerId, string, FhirResource])[] = [
    ['harbour-ehr', '/fhir/ServiceRequest', badOrder],
    ['harbour-ehr', '/fhir/ServiceRequest/$validate', badOrder],
    ['harbour-ehr', '/fhir/ServiceRequest/$validate', goodOrder],
    ['harbour-ehr', '/fhir/ServiceRequest?dry-run=true', { ...goodOrder, priority: 'urgent' }],
    ['harbour-ehr', '/fhir/ServiceRequest', { ...goodOrder, code: { text: 'Echo' } }],
    ['pebble', '/fhir/ServiceRequest', goodOrder],
    ['harbour-ehr', '/fhir/Device/$record-return', parameters()],
    ['harbour-desk', '/fhir/Device/$record-return', parameters({ name: 'scan', valueString: '(01)1(21)' })],
    ['harbour-desk', '/fhir/$reconcile-day', parameters({ name: 'date', valueDate: '2026-11-25' })],
    ['harbour-desk', `/fhir/DetectedIssue/${unknown}/$resolve`, parameters()],
    ['harbour-desk', '/fhir/Patient/$nothing', parameters()],
    [
      'harbour-ehr',
      '/fhir',
      bundle(
        'batch',
        entry('POST ServiceRequest', badOrder),
        entry('POST ServiceRequest', goodOrder),
        entry('POST ServiceRequest', goodOrder),
        { request: { method: 'DELETE', url: 'Patient/1' } },
      ),
    ],
    ['harbour-ehr', '/fhir', bundle('transaction', entry('POST ServiceRequest', badOrder))],
  ]
  for (const [caller, path, body] of posts) await call(caller, 'POST', path, body)
  await call('operator', 'PUT', '/fhir/metadata', goodOrder)
}

const nextOf = (body: unknown, url: string): string | undefined =>
  (body as Bundle).link?.find(({ relation }) => relation === 'next')?.url.slice(url.length)

/** Every page of a type, and every version of what is on them. */
const readType = async (call: Call, url: string, type: string): Promise<void> => {
  let path: string | undefined = `/fhir/${type}?_count=50`
  while (path !== undefined) {
    const { body } = await call('operator', 'GET', path)
    for (const { id } of foundIn(body)) await call('operator', 'GET', `/fhir/${type}/${id}/_history`)
    path = nextOf(body, url)
  }
}

/** Types whose resources are stored; the others are our definitions, which the tests of the package judge. */
export const storedTypes = ({ rest }: CapabilityStatement): readonly string[] =>
  (rest?.[0]?.resource ?? []).flatMap(({ type, readHistory }) => (readHistory ? [type] : []))

/** Goes on where the day has ended, and reads everything that there is. */
export const askForAll = async (scene: Scene, said: Said[]): Promise<CapabilityStatement> => {
  const { service, tokens, reading } = scene.stage
  const call: Call = keeping(callsTo(service.url, { ...tokens, nobody: 'unknown' }), said)
  await dayAfter(call, scene)
  await seeAndSettle(call)
  await askAmiss(call)
  const metadata = (await call('operator', 'GET', '/fhir/metadata')).body as CapabilityStatement
  for (const type of storedTypes(metadata)) await readType(call, service.url, type)
  for (const [i, { bundle: message }] of reading.received.entries())
    said.push({ where: `message ${i} to the reading service`, text: JSON.stringify(message) })
  return metadata
}
