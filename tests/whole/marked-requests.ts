/** Requests that are full of marked patient data: valid where it must be, and otherwise anything at all. */
import type { Bundle, FhirResource, Parameters } from 'fhir/r4.js'
import { leavesOf, newMark, stem, withLeaf } from '../support/marks.ts'
import { anOrder, aPatient, bundle, entry, harbour } from '../support/messages.ts'
import { applied, received, worldDi } from '../support/world.ts'

/** Marks that are no words: what must be a date, a number. */
export const birthDate = '1911-11-13'
export const phone = '+353155587654'
export const otherMarks: readonly string[] = [birthDate, phone, phone.slice(1)]

export interface Sent {
  readonly who: string
  readonly method: string
  readonly path: string
  readonly body?: unknown
  readonly headers?: Readonly<Record<string, string>>
}

const named = (system: string) => ({ system: `https://harbour.example/${system}`, value: `${stem}-${system}` })
const words = {
  text: `${stem} text`,
  coding: [{ system: 'urn:oid:2.999.7', code: `${stem}code`, display: `${stem} display` }],
}

/** @param n tells one patient from another */
export const markedPatient = (n: number) =>
  aPatient(`${stem}MRN${n}`, {
    identifier: [
      { use: 'usual', system: harbour.patients, value: `${stem}MRN${n}`, assigner: { display: `${stem} assigner` } },
    ],
    active: true,
    name: [
      {
        use: 'official',
        family: `${stem}family`,
        given: [`${stem}given`],
        prefix: [`${stem}prefix`],
        text: `${stem} whole`,
      },
    ],
    telecom: [
      { system: 'phone', value: phone },
      { system: 'email', value: `${stem}@post.example` },
    ],
    gender: 'female',
    birthDate,
    address: [{ line: [`${stem} street 1`], city: `${stem}city`, postalCode: `${stem}1`, country: 'IE' }],
    contact: [{ name: { family: `${stem}kin` }, telecom: [{ system: 'phone', value: phone }] }],
  })

export const markedOrder = (n: number, subject: string, over = {}) =>
  anOrder(`${stem}PL${n}`, subject, {
    requisition: named('requisition'),
    authoredOn: '2026-03-02T09:30:00+01:00',
    requester: { type: 'Practitioner', identifier: named('staff'), display: `${stem} requester` },
    reasonCode: [words],
    note: [{ text: `${stem} note` }],
    patientInstruction: `${stem} instruction`,
    occurrencePeriod: { start: '2026-03-10', end: '2026-03-24' },
    ...over,
  })

const urn = (n: number): string => `urn:uuid:00000000-0000-4000-8000-0000000000${String(n).padStart(2, '0')}`

const along = (): readonly FhirResource[] => [
  {
    resourceType: 'Encounter',
    identifier: [named('Encounter')],
    status: 'arrived',
    class: { code: 'AMB' },
    subject: { reference: urn(1) },
    basedOn: [{ reference: urn(2) }],
    reasonCode: [words],
  },
  {
    resourceType: 'Appointment',
    identifier: [named('Appointment')],
    status: 'booked',
    start: '2026-03-10T09:00:00Z',
    end: '2026-03-10T09:30:00Z',
    basedOn: [{ reference: urn(2) }],
    participant: [{ actor: { reference: urn(1) }, status: 'accepted' }],
    comment: `${stem} comment`,
    patientInstruction: `${stem} come early`,
  },
  {
    resourceType: 'Practitioner',
    identifier: [named('Practitioner')],
    name: [{ family: `${stem}doctor` }],
    telecom: [{ system: 'phone', value: phone }],
  },
  { resourceType: 'PractitionerRole', identifier: [named('PractitionerRole')], code: [words] },
  { resourceType: 'Organization', identifier: [named('Organization')], name: `${stem} ward` },
  { resourceType: 'Location', identifier: [named('Location')], name: `${stem} room`, description: `${stem} floor` },
  {
    resourceType: 'Condition',
    identifier: [named('Condition')],
    subject: { reference: urn(1) },
    code: words,
    note: [{ text: `${stem} history` }],
  },
  {
    resourceType: 'Procedure',
    identifier: [named('Procedure')],
    status: 'completed',
    subject: { reference: urn(1) },
    basedOn: [{ reference: urn(2) }],
    code: words,
    performedDateTime: '2026-03-02',
  },
]

/** An order with its patient and everything that may come along. */
export const markedTransaction = (n: number): Bundle => {
  const resources = [markedPatient(n), markedOrder(n, urn(1)), ...along()]
  return bundle('transaction', ...resources.map((r, i) => entry(`POST ${r.resourceType}`, r, {}, urn(i + 1))))
}

const call = (...parameter: NonNullable<Parameters['parameter']>): Parameters => ({
  resourceType: 'Parameters',
  parameter,
})
const dateTime = (name: string, valueDateTime: string) => ({ name, valueDateTime })
const string = (name: string, valueString: string) => ({ name, valueString })

export const markedScan = (n: number) => string('scan', `(01)${worldDi}(10)${stem}(21)${stem}SN${n}`)

const claims = (n: number): NonNullable<Parameters['parameter']> => [
  { name: 'patientIdentifier', valueIdentifier: { system: harbour.patients, value: `${stem}MRN${n}` } },
  { name: 'birthDate', valueDate: birthDate },
  string('family', `${stem}family`),
  string('given', `${stem}given`),
  string('phone', phone),
]

const wear: NonNullable<Parameters['parameter']> = [
  { name: 'performer', valueReference: { type: 'Practitioner', identifier: named('staff'), display: `${stem} nurse` } },
  { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } },
  { name: 'bodySite', valueCodeableConcept: words },
]

/** @param order where the call is on the type, by its placer number */
export const markedLink = (n: number, order = false): Parameters =>
  call(
    markedScan(n),
    ...(order ? [{ name: 'order', valueIdentifier: { system: harbour.orders, value: `${stem}PL${n}` } }] : []),
    dateTime('appliedAt', applied),
    dateTime('deviceClock', applied),
    ...claims(n),
    ...wear,
  )

export const markedReturn = (n: number): Parameters =>
  call(
    markedScan(n),
    dateTime('receivedAt', received),
    { name: 'condition', valueCodeableConcept: words },
    dateTime('readAt', received),
    dateTime('deviceClock', received),
    dateTime('mark', applied),
    { name: 'diary', part: [dateTime('at', applied), string('symptom', `${stem} fainted`)] },
    string('captureKey', `${stem}-return-${n}`),
  )

/** What is known of a linked order, to be spoken of. */
export interface Known {
  readonly patient: string
  readonly order: string
  readonly link: string
  readonly gap: string
  readonly task: unknown
  readonly taskId: string
}

/** One right request of every kind, before more marks are planted in it; most with `dry-run`, so that each stays right. */
export const requestKinds = (known: Known): readonly Sent[] => {
  const post = (who: string, path: string, body: unknown, headers?: Record<string, string>): Sent => ({
    who,
    method: 'POST',
    path: `${path}?dry-run=true`,
    body,
    ...(headers && { headers }),
  })
  const put = (who: string, path: string, body: unknown): Sent => ({ who, method: 'PUT', path, body })
  const ofLink = `/fhir/DeviceUseStatement/${known.link}`
  const subject = `Patient/${known.patient}`
  return [
    post('harbour-ehr', '/fhir/Patient', markedPatient(7)),
    put('harbour-ehr', `/fhir/Patient/${known.patient}`, markedPatient(1)),
    put('harbour-ehr', `/fhir/Patient?identifier=${harbour.patients}|${stem}MRN1`, markedPatient(1)),
    put('harbour-ehr', `/fhir/Patient/${known.patient}?dry-run=true`, {
      ...markedPatient(1),
      active: false,
      link: [{ type: 'replaced-by', other: { identifier: named('patients'), display: `${stem} successor` } }],
    }),
    post('harbour-ehr', '/fhir/ServiceRequest', markedOrder(7, subject)),
    put('harbour-ehr', `/fhir/ServiceRequest/${known.order}`, markedOrder(1, subject)),
    post('harbour-ehr', '/fhir', markedTransaction(8)),
    post('harbour-ehr', '/fhir', { ...markedTransaction(9), type: 'batch' }),
    post('bay-3', `/fhir/ServiceRequest/${known.order}/$link-device`, markedLink(1)),
    post('bay-3', '/fhir/ServiceRequest/$link-device', markedLink(1, true)),
    post(
      'bay-3',
      `/fhir/ServiceRequest/${known.order}/$record-not-applied`,
      call(
        { name: 'reason', valueCode: 'no-show' },
        { name: 'newDate', valueDate: '2099-03-12' },
        string('note', `${stem} note`),
      ),
    ),
    post('bay-3', `/fhir/ServiceRequest/${known.order}/$join`, call(...claims(1))),
    post(
      'bay-3',
      `${ofLink}/$end-link`,
      call(dateTime('endedAt', received), { name: 'reason', valueCode: 'removed' }, string('note', `${stem} note`)),
    ),
    post(
      'bay-3',
      `${ofLink}/$correct-link`,
      call(string('reason', `${stem} reason`), markedScan(2), dateTime('appliedAt', applied), ...claims(1), ...wear),
    ),
    post(
      'bay-3',
      '/fhir/Device/$record-application',
      call(
        markedScan(3),
        dateTime('appliedAt', applied),
        wear[1] as object as { name: string },
        { name: 'evidence', valueCode: 'stock' },
        string('captureKey', `${stem}-key`),
      ),
    ),
    post('bay-3', '/fhir/Device/$record-return', markedReturn(4)),
    post('bay-3', '/fhir/Device/$suggest-orders', call(markedScan(5), ...claims(1))),
    post('bay-3', `/fhir/DetectedIssue/${known.gap}/$acknowledge`, call(string('note', `${stem} note`))),
    post(
      'bay-3',
      `/fhir/DetectedIssue/${known.gap}/$resolve`,
      call(string('note', `${stem} note`), { name: 'action', valueCode: 'confirmed' }),
    ),
    post(
      'bay-3',
      '/fhir/$reconcile-day',
      call(wear[1] as object as { name: string }, { name: 'date', valueDate: '2026-03-02' }),
    ),
    put('pebble', `/fhir/Task/${known.taskId}?dry-run=true`, {
      ...(known.task as object),
      status: 'accepted',
      statusReason: words,
      businessStatus: words,
      note: [{ text: `${stem} said` }],
      output: [{ type: words, valueString: `${stem} output` }],
    }),
    post('pebble', '/fhir/DiagnosticReport', {
      resourceType: 'DiagnosticReport',
      identifier: [named('reports')],
      status: 'final',
      code: words,
      subject: { reference: subject, display: `${stem} patient` },
      basedOn: [{ type: 'ServiceRequest', identifier: { system: harbour.orders, value: `${stem}PL1` } }],
      performer: [{ type: 'Organization', identifier: named('staff'), display: `${stem} reader` }],
      contained: [{ resourceType: 'Observation', id: 'o', status: 'final', code: words, valueString: `${stem} value` }],
      result: [{ reference: '#o', display: `${stem} result` }],
      conclusion: `${stem} conclusion`,
      presentedForm: [{ contentType: 'text/plain', title: `${stem} title`, data: 'c3RyaXA=' }],
    }),
    post('pebble', '/fhir/DiagnosticReport', {
      resourceType: 'DiagnosticReport',
      status: 'preliminary',
      code: words,
      subject: { type: 'Patient', identifier: named('patients'), display: `${stem} patient` },
      conclusion: `${stem} in doubt`,
    }),
    post('harbour-ehr', '/fhir/Patient/$validate', markedPatient(7)),
    post('harbour-ehr', '/hooks/harbour-ehr', {
      resourceType: 'Bundle',
      type: 'history',
      entry: [{ fullUrl: `https://harbour.example/fhir/Patient/${stem}`, resource: markedPatient(7) }],
    }),
    { who: 'harbour-ehr', method: 'PUT', path: `/hooks/harbour-ehr/Patient/${stem}`, body: markedPatient(7) },
  ]
}

/** Each string of a body in turn is a mark, or ends with one. */
export const planted = (sent: Sent): readonly Sent[] =>
  leavesOf(sent.body).flatMap((path, i) => {
    const mark = newMark()
    const change = i % 2 === 0 ? () => mark : (before: string) => `${before}${mark}`
    return [{ ...sent, body: withLeaf(sent.body, path, change) }]
  })

/** What is broken as JSON, at a mark. */
export const broken = (sent: Sent): readonly Sent[] => {
  const text = JSON.stringify(sent.body)
  const middle = Math.floor(text.length / 2)
  const key = (mark: string) => JSON.stringify({ ...(sent.body as object), [mark]: mark })
  return [
    { ...sent, body: `${text.slice(0, middle)}${newMark()}` },
    { ...sent, body: `"${newMark()}"` },
    { ...sent, body: `{"${newMark()}":"\\ud800"}` },
    { ...sent, body: key(newMark()) },
    { ...sent, body: text.replace('{', `{"__proto__":"${newMark()}",`) },
    { ...sent, body: newMark(), headers: { 'content-type': `text/${newMark()}` } },
  ]
}

const everyLetter = (text: string): string => [...Buffer.from(text)].map((b) => `%${b.toString(16)}`).join('')

/** Every address of the service, with marks in its path and query, plain and percent-encoded. */
export const markedAddresses = (routes: readonly string[]): readonly Sent[] =>
  routes.flatMap((route) => {
    const [method = '', pattern = ''] = route.split(' ')
    const filled = (text: string) => pattern.replaceAll(/:[a-z]+/g, text)
    const type = pattern.replace('/:type', '/Patient').replaceAll(/:[a-z]+/g, newMark())
    const body = method === 'POST' || method === 'PUT' ? { body: { resourceType: newMark(), id: newMark() } } : {}
    const queries = [
      `${newMark()}=${newMark()}`,
      `family=${newMark()}&given=${newMark()}&birthdate=${birthDate}&identifier=${harbour.patients}|${newMark()}&patient=Patient/${newMark()}`,
      `birthdate=${newMark()}&_lastUpdated=${newMark()}&_count=${newMark()}&_cursor=${newMark()}&_sort=${newMark()}`,
      `identifier=${everyLetter(newMark())}&_format=${newMark()}&asOf=${newMark()}`,
      `${newMark()}%E0%A4%A=%zz${newMark()}`,
    ]
    const paths = [
      filled(newMark()),
      filled(everyLetter(newMark())),
      filled(`${newMark()}%E0%A4%A`),
      `${filled(newMark())}/${newMark()}`,
      type,
    ]
    return paths.map((path, i) => ({ who: 'ops', method, path: `${path}?${queries[i]}`, ...body }))
  })

/** Headers that a caller may send. */
const headerNames = [
  ...['x-request-id', 'x-correlation-id', 'if-none-exist', 'if-match', 'if-none-match', 'if-modified-since', 'prefer'],
  ...[
    'accept',
    'accept-language',
    'accept-charset',
    'content-language',
    'user-agent',
    'referer',
    'forwarded',
    'cookie',
  ],
  ...['x-forwarded-for', 'x-forwarded-host', 'x-forwarded-proto', 'traceparent', 'tracestate', 'authorization', 'from'],
]

export const markedHeaders = (): readonly Sent[] => [
  ...headerNames.flatMap((name): Sent[] => [
    {
      who: 'harbour-ehr',
      method: 'POST',
      path: '/fhir/Patient?dry-run=true',
      body: markedPatient(7),
      headers: { [name]: newMark() },
    },
    {
      who: 'harbour-ehr',
      method: 'GET',
      path: '/fhir/Patient',
      headers: { [name]: `${harbour.patients}|${newMark()}` },
    },
  ]),
  {
    who: 'harbour-ehr',
    method: 'POST',
    path: '/fhir/Patient',
    body: markedPatient(6),
    headers: { 'if-none-exist': `identifier=${harbour.patients}|${stem}MRN6` },
  },
  {
    who: 'harbour-ehr',
    method: 'POST',
    path: '/fhir/Patient',
    body: markedPatient(6),
    headers: { 'if-none-exist': `family=${stem}family` },
  },
  {
    who: 'harbour-ehr',
    method: 'PUT',
    path: `/fhir/Patient?identifier=${harbour.patients}|${stem}MRN1`,
    body: markedPatient(1),
    headers: { 'if-match': 'W/"99"' },
  },
  // as an interface engine may number its messages: an id that machines make is taken, a number is not
  ...[`MRN-${stem}`, `${stem}:1`, birthDate, phone.slice(1)].map(
    (id): Sent => ({ who: 'harbour-ehr', method: 'GET', path: '/fhir/Patient', headers: { 'x-request-id': id } }),
  ),
  {
    who: 'harbour-ehr',
    method: 'POST',
    path: '/fhir/Patient/_search',
    body: `family=${newMark()}&birthdate=${birthDate}&_count=${newMark()}`,
    headers: { 'content-type': 'application/x-www-form-urlencoded' },
  },
]
