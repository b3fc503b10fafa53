/**
 * The contract's section 3, "Who may call", by hand: a row for each route and way to ask, with what each role is told
 * about its own and about another's. `yes` and its like are for who may; the rest are statuses.
 */
import type { Bundle, DiagnosticReport, OperationOutcome, Parameters, Task } from 'fhir/r4.js'
import { definitionTypes } from '../support/definition-types.ts'
import { aPatient, bundle, entry } from '../support/messages.ts'
import type { Answer } from '../support/service.ts'
import { applied, received } from '../support/world.ts'
import {
  at,
  birthDate,
  type Cell,
  call,
  family,
  given,
  type Ids,
  idOf,
  orderOf,
  orderSystem,
  patientNumber,
  patientOf,
  patientSystem,
  placer,
  scan,
  serial,
  siteNamed,
  twoIdentifiers,
} from './boundary-world.ts'

export interface Asked {
  readonly path: string
  readonly body?: unknown
  readonly headers?: Readonly<Record<string, string>>
}

/** Who asks, with what is theirs: a site at which they work, a patient, an order and a link that they may name. */
export interface Asking {
  readonly id: string
  readonly cell: Cell
  readonly site: string
  readonly patient: string
  readonly order: string
  readonly link: string
}

/** What a role is told of its own, and of another's. */
export type Told = readonly [own: string, other: string]

export interface Row {
  /** As the service names it: `PUT /fhir/Patient/:id`. */
  readonly route: string
  /** What is asked by, where a route can be asked in several ways. */
  readonly by?: string
  /** What of a cell the request names; rows without it are about nobody. */
  readonly names?: (c: Cell, ids: Ids) => string
  readonly ask: (name: string, c: Cell, who: Asking, ids: Ids) => Asked
  readonly source: Told
  readonly clinic: Told
  readonly reading: Told
  readonly operator: string
  /** Whoever calls, without a token too. */
  readonly public?: true
  /** Default: the status. */
  readonly read?: (answer: Answer<unknown>) => string
  /** What is another's is a known device all the same: its answer differs from that about an unknown one. */
  readonly knownDevice?: true
  /** Announced by the contract and not built: 501 for whoever may, until it is. */
  readonly later?: true
  /** It names a site, and sites are a matter of clinics alone. */
  readonly site?: true
  /** Two cells that differ in everything are enough: where all such rows lead through one place. */
  readonly few?: true
}

const no: Told = ['403', '403']
const both = (told: string): Told => [told, told]

/** Columns in the order of the contract's table. */
type Columns = readonly [source: Told, clinic: Told, reading: Told, operator: string]

const row = (
  route: string,
  by: string,
  names: NonNullable<Row['names']>,
  ask: Row['ask'],
  [source, clinic, reading, operator]: Columns,
  more: Partial<Row> = {},
): Row => ({ route, by, names, ask, source, clinic, reading, operator, ...more })

/** A row about nobody. */
const plain = (
  route: string,
  asked: Asked,
  columns: readonly [string, string, string, string],
  more: Partial<Row> = {},
): Row => ({
  route,
  ask: () => asked,
  source: both(columns[0]),
  clinic: both(columns[1]),
  reading: both(columns[2]),
  operator: columns[3],
  ...more,
})

const dry = 'dry-run=true'
const id = (name: string) => (_: Cell, ids: Ids) => idOf(ids, name)

/** A criterion, as part of a query. */
const criterion = (system: string, value: string) => `identifier=${encodeURIComponent(`${system}|${value}`)}`

/** Orders of a cell's source as sent by whoever asks: by hand at a site of their own, about a patient of theirs. */
const orderBy = (c: Cell, who: Asking, number: string, subject = `Patient/${who.patient}`) =>
  orderOf(c, 'open', subject, {
    identifier: [{ system: orderSystem(c), value: number }],
    locationReference: [{ type: 'Location', ...{ identifier: siteNamed(who.site).valueIdentifier ?? {} } }],
  })

const inTransaction = (...entries: NonNullable<Bundle['entry']>): Asked => ({
  path: `/fhir?${dry}`,
  body: bundle('transaction', ...entries),
})

const patientWrites: readonly Row[] = [
  row(
    'PUT /fhir/Patient/:id',
    'id',
    id('open.Patient'),
    (x, c) => ({ path: `/fhir/Patient/${x}?${dry}`, body: patientOf(c, 'open') }),
    [['200', '404'], ['403', '404'], no, '200'],
  ),
  row(
    'PUT /fhir/Patient',
    'criterion',
    (c) => patientNumber(c, 'open'),
    (x, c) => ({
      path: `/fhir/Patient?${criterion(patientSystem(c), x)}&${dry}`,
      body: aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }),
    }),
    // under the same number another's patient is another person: made, not found
    [['200', '201'], both('201'), no, '201'],
  ),
  row(
    'POST /fhir/Patient',
    'identifier',
    (c) => patientNumber(c, 'open'),
    (x, c) => ({
      path: `/fhir/Patient?${dry}`,
      body: aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }),
    }),
    [['200', '201'], both('201'), no, '201'],
  ),
  row(
    'POST /fhir/Patient',
    'If-None-Exist',
    (c) => patientNumber(c, 'open'),
    (x, c) => ({
      path: `/fhir/Patient?${dry}`,
      body: aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }),
      headers: { 'if-none-exist': criterion(patientSystem(c), x) },
    }),
    [['200', '201'], both('201'), no, '201'],
  ),
]

const orderWrites: readonly Row[] = [
  row(
    'PUT /fhir/ServiceRequest/:id',
    'id',
    id('open.ServiceRequest'),
    (x, c, _who, ids) => ({
      path: `/fhir/ServiceRequest/${x}?${dry}`,
      body: orderOf(c, 'open', `Patient/${idOf(ids, 'open.Patient')}`, { priority: 'asap' }),
    }),
    [['200', '404'], ['403', '404'], no, '200'],
  ),
  row(
    'PUT /fhir/ServiceRequest/:id',
    'id, with If-Match',
    id('open.ServiceRequest'),
    (x, c, _who, ids) => ({
      path: `/fhir/ServiceRequest/${x}?${dry}`,
      body: orderOf(c, 'open', `Patient/${idOf(ids, 'open.Patient')}`),
      headers: { 'if-match': 'W/"7"' },
    }),
    [['412', '404'], ['403', '404'], no, '412'],
  ),
  row(
    'PUT /fhir/ServiceRequest',
    'criterion',
    (c) => placer(c, 'open'),
    (x, c, who) => ({ path: `/fhir/ServiceRequest?${criterion(orderSystem(c), x)}&${dry}`, body: orderBy(c, who, x) }),
    [['200', '201'], both('201'), no, '201'],
  ),
  row(
    'POST /fhir/ServiceRequest',
    'placer number',
    (c) => placer(c, 'open'),
    (x, c, who) => ({ path: `/fhir/ServiceRequest?${dry}`, body: orderBy(c, who, x) }),
    [['200', '201'], both('201'), no, '201'],
  ),
  row(
    'POST /fhir/ServiceRequest',
    'If-None-Exist',
    (c) => placer(c, 'worn'),
    (x, c, who) => ({
      path: `/fhir/ServiceRequest?${dry}`,
      body: orderBy(c, who, x),
      headers: { 'if-none-exist': criterion(orderSystem(c), x) },
    }),
    [['200', '201'], both('201'), no, '201'],
  ),
  row(
    'POST /fhir/ServiceRequest',
    'subject',
    id('open.Patient'),
    (x, c, who) => ({ path: `/fhir/ServiceRequest?${dry}`, body: orderBy(c, who, 'fresh', `Patient/${x}`) }),
    [['201', '422'], ['201', '422'], no, '201'],
  ),
  row(
    'POST /fhir/ServiceRequest',
    'subject by criterion',
    (c) => patientNumber(c, 'open'),
    (x, c, who) => ({
      path: `/fhir/ServiceRequest?${dry}`,
      body: orderBy(c, who, 'fresh', `Patient?${criterion(patientSystem(c), x)}`),
    }),
    // a name is that of whose name it is: a clinic, and an operator, knows none of a source
    [['201', '422'], both('422'), no, '422'],
  ),
  row(
    'POST /fhir/ServiceRequest',
    'site',
    (c) => c.site,
    (x, c, who) => ({
      path: `/fhir/ServiceRequest?${dry}`,
      body: {
        ...orderBy(c, who, 'fresh'),
        locationReference: [{ type: 'Location', identifier: siteNamed(x).valueIdentifier }],
      },
    }),
    // a source sends for any site unless it is limited to some
    [both('201'), ['201', '422'], no, '201'],
    { site: true },
  ),
]

const entryStatus = (answer: Answer<unknown>): string =>
  answer.status === 200
    ? ((answer.body as Bundle).entry?.[0]?.response?.status ?? '').slice(0, 3)
    : String(answer.status)

const aReport = (over: Partial<DiagnosticReport>): DiagnosticReport => ({
  resourceType: 'DiagnosticReport',
  status: 'final',
  code: { coding: [{ system: 'http://loinc.org', code: '18754-2' }] },
  ...over,
})

const bundles: readonly Row[] = [
  row(
    'POST /fhir',
    'order of a report',
    id('back.ServiceRequest'),
    (x) => inTransaction(entry('POST DiagnosticReport', aReport({ basedOn: [{ reference: `ServiceRequest/${x}` }] }))),
    [both('422'), both('422'), ['200', '202'], '200'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'PUT Patient by id',
    id('open.Patient'),
    (x, c) => inTransaction(entry(`PUT Patient/${x}`, patientOf(c, 'open'))),
    [['200', '404'], ['403', '404'], no, '200'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'batch, PUT ServiceRequest by id',
    id('open.ServiceRequest'),
    (x, c, _who, ids) => ({
      path: `/fhir?${dry}`,
      body: bundle(
        'batch',
        entry(`PUT ServiceRequest/${x}`, orderOf(c, 'open', `Patient/${idOf(ids, 'open.Patient')}`)),
      ),
    }),
    [['200', '404'], ['403', '404'], no, '200'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'batch, PUT Patient by criterion',
    (c) => patientNumber(c, 'worn'),
    (x, c) => ({
      path: `/fhir?${dry}`,
      body: bundle(
        'batch',
        entry(
          `PUT Patient?${criterion(patientSystem(c), x)}`,
          aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }),
        ),
      ),
    }),
    [['200', '201'], both('201'), no, '201'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'ifNoneExist of an entry',
    (c) => patientNumber(c, 'worn'),
    (x, c) =>
      inTransaction(
        entry('POST Patient', aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }), {
          ifNoneExist: criterion(patientSystem(c), x),
        }),
      ),
    [['200', '201'], both('201'), no, '201'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'reference to an Encounter',
    id('worn.Encounter'),
    (x, c, who) =>
      inTransaction(
        entry('POST ServiceRequest', { ...orderBy(c, who, 'fresh'), encounter: { reference: `Encounter/${x}` } }),
      ),
    [['201', '422'], ['201', '422'], no, '201'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'reference to a Practitioner',
    id('worn.Practitioner'),
    (x, c, who) =>
      inTransaction(
        entry('POST ServiceRequest', { ...orderBy(c, who, 'fresh'), requester: { reference: `Practitioner/${x}` } }),
      ),
    [['201', '422'], both('422'), no, '201'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'Location by id, which names the site',
    id('worn.Location'),
    (x, c, who) =>
      inTransaction(
        entry('POST ServiceRequest', {
          ...orderBy(c, who, 'fresh'),
          locationReference: [{ reference: `Location/${x}` }, ...(orderBy(c, who, 'fresh').locationReference ?? [])],
        }),
      ),
    [['201', '422'], both('422'), no, '201'],
    { read: entryStatus },
  ),
  row(
    'POST /fhir',
    'basedOn of another resource',
    id('open.ServiceRequest'),
    (x, _c, who) =>
      inTransaction(
        entry('POST Encounter', {
          resourceType: 'Encounter',
          status: 'arrived',
          class: { code: 'AMB' },
          basedOn: [{ reference: `ServiceRequest/${x}` }],
          subject: { reference: `Patient/${who.patient}` },
        }),
      ),
    [['201', '422'], ['201', '422'], no, '201'],
    { read: entryStatus },
  ),
]

const fresh = (c: Cell, ...more: Parameters['parameter'] & object) =>
  call(scan(`FRESH-C${c.n}`), at('appliedAt', applied), ...more)

const bedside: readonly Row[] = [
  row(
    'POST /fhir/ServiceRequest/:id/$link-device',
    'id',
    id('open.ServiceRequest'),
    (x, c) => ({ path: `/fhir/ServiceRequest/${x}/$link-device?${dry}`, body: fresh(c, ...twoIdentifiers(c, 'open')) }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$link-device',
    'id, with identifiers that do not agree',
    id('open.ServiceRequest'),
    (x, c) => ({ path: `/fhir/ServiceRequest/${x}/$link-device?${dry}`, body: fresh(c, ...twoIdentifiers(c, 'worn')) }),
    [no, ['422', '404'], no, '422'],
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$link-device',
    'id, of an order that has a device',
    id('worn.ServiceRequest'),
    (x, c) => ({ path: `/fhir/ServiceRequest/${x}/$link-device?${dry}`, body: fresh(c, ...twoIdentifiers(c, 'worn')) }),
    [no, ['409', '404'], no, '409'],
  ),
  row(
    'POST /fhir/ServiceRequest/$link-device',
    'placer number',
    (c) => placer(c, 'open'),
    (x, c) => ({
      path: `/fhir/ServiceRequest/$link-device?${dry}`,
      body: fresh(
        c,
        { name: 'order', valueIdentifier: { system: orderSystem(c), value: x } },
        ...twoIdentifiers(c, 'open'),
      ),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/ServiceRequest/$link-device',
    'placer number without a system',
    (c) => placer(c, 'open'),
    (x, c) => ({
      path: `/fhir/ServiceRequest/$link-device?${dry}`,
      body: fresh(c, { name: 'order', valueIdentifier: { value: x } }, ...twoIdentifiers(c, 'open')),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$record-not-applied',
    'id',
    id('open.ServiceRequest'),
    (x) => ({
      path: `/fhir/ServiceRequest/${x}/$record-not-applied?${dry}`,
      body: call({ name: 'reason', valueCode: 'no-show' }),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$join',
    'id',
    id('open.ServiceRequest'),
    (x) => ({ path: `/fhir/ServiceRequest/${x}/$join?${dry}`, body: call() }),
    [no, ['501', '501'], no, '501'],
    { later: true },
  ),
  row(
    'POST /fhir/DeviceUseStatement/:id/$end-link',
    'id',
    id('worn.DeviceUseStatement'),
    (x) => ({
      path: `/fhir/DeviceUseStatement/${x}/$end-link?${dry}`,
      body: call(at('endedAt', received), { name: 'reason', valueCode: 'removed' }),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/DeviceUseStatement/:id/$correct-link',
    'id',
    id('worn.DeviceUseStatement'),
    (x) => ({
      path: `/fhir/DeviceUseStatement/${x}/$correct-link?${dry}`,
      body: call({ name: 'reason', valueString: 'wrong' }),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/DeviceUseStatement/:id/$correct-link',
    'placer number of the right order',
    (c) => placer(c, 'open'),
    (x, c, who) => ({
      path: `/fhir/DeviceUseStatement/${who.link}/$correct-link?${dry}`,
      body: call(
        { name: 'reason', valueString: 'wrong' },
        { name: 'order', valueIdentifier: { system: orderSystem(c), value: x } },
        ...twoIdentifiers(c, 'open'),
      ),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/Device/$record-application',
    'device that is another’s',
    (c) => serial(c, 'worn'),
    (x, _c, who) => ({
      path: `/fhir/Device/$record-application?${dry}`,
      body: call(scan(x), at('appliedAt', applied), siteNamed(who.site), { name: 'evidence', valueCode: 'stock' }),
    }),
    [no, both('200'), no, '200'],
    { knownDevice: true },
  ),
  row(
    'POST /fhir/Device/$record-application',
    'site',
    (c) => c.site,
    (x, c) => ({
      path: `/fhir/Device/$record-application?${dry}`,
      body: call(scan(`FRESH-C${c.n}`), at('appliedAt', applied), siteNamed(x), {
        name: 'evidence',
        valueCode: 'capture',
      }),
    }),
    [no, ['200', '422'], no, '200'],
  ),
  row(
    'POST /fhir/Device/$record-return',
    'device that is another’s',
    (c) => serial(c, 'worn'),
    (x) => ({ path: `/fhir/Device/$record-return?${dry}`, body: call(scan(x), at('receivedAt', received)) }),
    // whoever holds it may say so
    [no, both('200'), both('200'), '200'],
    { knownDevice: true },
  ),
  row(
    'POST /fhir/Device/$record-return',
    'site',
    (c) => c.site,
    (x, c) => ({
      path: `/fhir/Device/$record-return?${dry}`,
      body: call(scan(`FRESH-C${c.n}`), at('receivedAt', received), siteNamed(x)),
    }),
    [no, ['200', '422'], both('200'), '200'],
    { site: true },
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$link-device',
    'site',
    (c) => c.site,
    (x, c, who) => ({
      path: `/fhir/ServiceRequest/${who.order}/$link-device?${dry}`,
      body: fresh(c, siteNamed(x), { name: 'patientIdentifier', valueIdentifier: { system: 'urn:none', value: '1' } }),
    }),
    // one identifier is too few, so 422 it is at any site; the answers about another's are compared
    [no, both('422'), no, '422'],
  ),
  row(
    'POST /fhir/ServiceRequest/:id/$link-device',
    'performer',
    id('worn.Practitioner'),
    (x, c, who) => ({
      path: `/fhir/ServiceRequest/${who.order}/$link-device?${dry}`,
      body: fresh(c, ...twoIdentifiers(who.cell, 'open'), {
        name: 'performer',
        valueReference: { reference: `Practitioner/${x}` },
      }),
    }),
    // nothing is looked up: an id that is another's is taken as one that is nobody's is
    [no, both('200'), no, '200'],
  ),
  plain(
    'POST /fhir/Device/$suggest-orders',
    { path: `/fhir/Device/$suggest-orders?${dry}`, body: call() },
    ['403', '501', '403', '501'],
    { later: true },
  ),
]

/** Written from the contract, section 7: what stands in a Task that was sent to a reading service. */
const accepted = (ids: Ids, c: Cell, taskId: string, stored: Task | undefined): unknown =>
  stored === undefined
    ? {
        resourceType: 'Task',
        id: taskId,
        status: 'accepted',
        intent: 'order',
        focus: { reference: `ServiceRequest/${idOf(ids, 'worn.ServiceRequest')}` },
        owner: { identifier: { value: c.service } },
      }
    : { ...stored, id: taskId, status: 'accepted' }

/** @param tasks as an operator reads them, by id */
const answers = (tasks: ReadonlyMap<string, Task>): readonly Row[] => [
  row(
    'PUT /fhir/Task/:id',
    'id',
    id('worn.Task'),
    (x, c, _who, ids) => ({
      path: `/fhir/Task/${x}?${dry}`,
      body: accepted(ids, c, x, tasks.get(idOf(ids, 'worn.Task'))),
    }),
    [no, no, ['200', '404'], '200'],
  ),
  row(
    'PUT /fhir/Task',
    'criterion',
    id('worn.Task'),
    (x, c, _who, ids) => ({
      path: `/fhir/Task?${criterion('https://daybind.example/tasks', x)}&${dry}`,
      body: accepted(ids, c, idOf(ids, 'worn.Task'), tasks.get(idOf(ids, 'worn.Task'))),
    }),
    [no, no, ['200', '404'], '200'],
  ),
]

/** What was not sent to a reading service is for it what nobody knows: such a report is held. */
const reportsIn: readonly Row[] = [
  row(
    'POST /fhir/DiagnosticReport',
    'order',
    id('back.ServiceRequest'),
    (x) => ({
      path: `/fhir/DiagnosticReport?${dry}`,
      body: aReport({ basedOn: [{ reference: `ServiceRequest/${x}` }] }),
    }),
    [no, no, ['200', '202'], '200'],
  ),
  row(
    'POST /fhir/DiagnosticReport',
    'placer number',
    (c) => placer(c, 'back'),
    (x, c) => ({
      path: `/fhir/DiagnosticReport?${dry}`,
      body: aReport({ basedOn: [{ identifier: { system: orderSystem(c), value: x } }] }),
    }),
    [no, no, ['200', '202'], '200'],
  ),
  row(
    'PUT /fhir/DiagnosticReport',
    'our identifier as criterion',
    id('back.DiagnosticReport'),
    (x) => ({
      path: `/fhir/DiagnosticReport?${criterion('https://daybind.example/reports', x)}&${dry}`,
      body: aReport({}),
    }),
    [no, no, ['200', '404'], '200'],
  ),
  row(
    'PUT /fhir/DiagnosticReport/:id',
    'id',
    id('back.DiagnosticReport'),
    (x) => ({ path: `/fhir/DiagnosticReport/${x}?${dry}`, body: aReport({}) }),
    [no, no, ['200', '404'], '200'],
  ),
]

const days = (ending: string): Row =>
  row(
    'GET /reports/days/:site/:file',
    ending,
    (c) => c.site,
    (x) => ({ path: `/reports/days/${x}/2026-03-02..2026-03-03.${ending}` }),
    [no, ['200', '404'], no, '200'],
    { few: true },
  )

const archive = row(
  'GET /reports/archive/:site',
  'site',
  (c) => c.site,
  (x) => ({ path: `/reports/archive/${x}` }),
  [no, ['200', '404'], no, '200'],
  { few: true },
)

const report = (ending: string): Row =>
  row(
    'GET /reports/day/:site/:file',
    ending,
    (c) => c.site,
    (x) => ({ path: `/reports/day/${x}/2026-03-02.${ending}` }),
    [no, ['200', '404'], no, '200'],
    { few: true },
  )

const evenings: readonly Row[] = [
  row(
    'POST /fhir/$reconcile-day',
    'site',
    (c) => c.site,
    (x) => ({
      path: `/fhir/$reconcile-day?${dry}`,
      body: call(siteNamed(x), { name: 'date', valueDate: '2026-03-02' }),
    }),
    [no, ['200', '422'], no, '200'],
    { few: true },
  ),
  report('json'),
  report('csv'),
  report('html'),
  archive,
  days('json'),
  days('csv'),
  days('html'),
  plain('GET /', { path: '/' }, ['403', '200', '403', '200']),
  row(
    'POST /fhir/DetectedIssue/:id/$acknowledge',
    'id',
    id('worn.DetectedIssue'),
    (x) => ({
      path: `/fhir/DetectedIssue/${x}/$acknowledge?${dry}`,
      body: call({ name: 'note', valueString: 'Seen.' }),
    }),
    [no, ['200', '404'], no, '200'],
  ),
  row(
    'POST /fhir/DetectedIssue/:id/$resolve',
    'id',
    id('worn.DetectedIssue'),
    (x) => ({
      path: `/fhir/DetectedIssue/${x}/$resolve?${dry}`,
      body: call({ name: 'action', valueCode: 'confirmed' }, { name: 'note', valueString: 'Seen.' }),
    }),
    [no, ['200', '404'], no, '200'],
  ),
]

const operating: readonly Row[] = [
  plain('GET /deliveries', { path: '/deliveries' }, ['403', '403', '403', '200']),
  plain('GET /alerts/preview', { path: '/alerts/preview?site=tern-harbour&date=2026-03-21' }, [
    '403',
    '403',
    '403',
    '200',
  ]),
  row('GET /gaps/:id/why', 'id', id('worn.DetectedIssue'), (x) => ({ path: `/gaps/${x}/why` }), [no, no, no, '200']),
  row(
    'POST /deliveries/:id/replay',
    'id',
    id('worn.delivery'),
    (x) => ({ path: `/deliveries/${x}/replay` }),
    [no, no, no, '202'],
    { few: true },
  ),
  row(
    'POST /destinations/:id/pause',
    'id',
    (c) => c.service,
    (x) => ({ path: `/destinations/${x}/pause` }),
    [no, no, no, '200'],
    { few: true },
  ),
  row(
    'POST /destinations/:id/resume',
    'id',
    (c) => c.service,
    (x) => ({ path: `/destinations/${x}/resume` }),
    [no, no, no, '200'],
    { few: true },
  ),
  row(
    'GET /destinations/:id/plan',
    'id',
    (c) => c.service,
    (x) => ({ path: `/destinations/${x}/plan` }),
    [no, no, no, '200'],
    { few: true },
  ),
  plain('GET /destinations', { path: '/destinations' }, ['403', '403', '403', '200']),
  plain('GET /metrics', { path: '/metrics' }, ['403', '403', '403', '501'], { later: true }),
  plain('GET /sources', { path: '/sources' }, ['403', '403', '403', '200']),
]

const open = (route: string, status: string, more: Partial<Row> = {}): Row =>
  plain(route, { path: (route.split(' ')[1] ?? '').replace(':id', 'x') }, [status, status, status, status], {
    public: true,
    ...more,
  })

/** Not by who calls: a notification shows by its secret that it was asked for. */
const hook = (route: string): Row =>
  plain(
    route,
    {
      path: `/hooks/harbour-ehr${route.endsWith(':id') ? '/Patient/1' : ''}`,
      ...(!route.startsWith('DELETE') && { body: {} }),
    },
    ['401', '401', '401', '401'],
    { public: true },
  )

const forEverybody: readonly Row[] = [
  hook('POST /hooks/:source'),
  hook('PUT /hooks/:source/:type/:id'),
  hook('DELETE /hooks/:source/:type/:id'),
  open('GET /fhir/metadata', '200'),
  open('GET /healthz', '200'),
  open('GET /readyz', '200'),
  open('GET /.well-known/jwks.json', '200'),
  open('GET /openapi.json', '501', { later: true }),
  // there is none with the id x
  ...definitionTypes.flatMap((type) => [open(`GET /fhir/${type}`, '200'), open(`GET /fhir/${type}/:id`, '404')]),
]

/** Who may read what, of the cell that it belongs to. */
const seen = (source: boolean, clinic: boolean, reading: boolean) => ({ source, clinic, reading })
const flow = seen(true, true, true)
const withoutReader = seen(true, true, false)
const sourceAlone = seen(true, false, false)

type Sight = ReturnType<typeof seen>

export const readable: Readonly<Record<string, Sight>> = {
  'worn.ServiceRequest': flow,
  'worn.Patient': flow,
  // not linked: nothing was sent to a reading service
  'open.ServiceRequest': withoutReader,
  'open.Patient': withoutReader,
  'worn.Device': flow,
  'worn.DeviceUseStatement': flow,
  'worn.Procedure': flow,
  'worn.Task': flow,
  'back.Observation': flow,
  'back.DiagnosticReport': flow,
  'back.Media': flow,
  'back.Binary': flow,
  'back.DeviceUseStatement': flow,
  'worn.DetectedIssue': withoutReader,
  'worn.Provenance': withoutReader,
  // that the patient missed a visit once, of an order that the reading service knows
  'back.Provenance': withoutReader,
  'worn.Encounter': withoutReader,
  'worn.Appointment': withoutReader,
  'worn.Practitioner': sourceAlone,
  'worn.PractitionerRole': sourceAlone,
  'worn.Organization': sourceAlone,
  'worn.Location': sourceAlone,
  'worn.Condition': sourceAlone,
  'worn.MeasureReport': seen(false, true, false),
  'worn.AuditEvent': seen(false, false, false),
  'back.AuditEvent': seen(false, false, false),
}

const columnsOf = (sight: Sight, yes: string, none: string): Columns => [
  [sight.source ? yes : none, none],
  [sight.clinic ? yes : none, none],
  [sight.reading ? yes : none, none],
  yes,
]

/** Read in every cell; the others go the same way. */
const wholly = ['worn.Patient', 'worn.ServiceRequest', 'worn.Device', 'worn.Task']

const reads: readonly Row[] = Object.entries(readable).flatMap(([name, sight]) => {
  const type = name.split('.')[1] ?? ''
  const of = (route: string, path: (x: string) => string, more: Partial<Row>) =>
    row(route, name, id(name), (x) => ({ path: path(x) }), columnsOf(sight, '200', '404'), more)
  return [
    of('GET /fhir/:type/:id', (x) => `/fhir/${type}/${x}`, wholly.includes(name) ? {} : { few: true }),
    of('GET /fhir/:type/:id/_history', (x) => `/fhir/${type}/${x}/_history`, { few: true }),
    of('GET /fhir/:type/:id/_history/:version', (x) => `/fhir/${type}/${x}/_history/1`, { few: true }),
  ]
})

/** `found` or `nothing`. */
const finds = (answer: Answer<unknown>): string => {
  if (answer.status !== 200) return String(answer.status)
  return ((answer.body as Bundle).entry ?? []).some((e) => e.search?.mode === 'match') ? 'found' : 'nothing'
}

type Searched = readonly [name: string, parameter: string, value: (c: Cell, ids: Ids) => string]
const to = (type: string, name: string) => (_: Cell, ids: Ids) => `${type}/${idOf(ids, name)}`
const own = (system: string, name: string) => (_: Cell, ids: Ids) =>
  `https://daybind.example/${system}|${idOf(ids, name)}`
const patient = to('Patient', 'worn.Patient')
const order = to('ServiceRequest', 'worn.ServiceRequest')

const kept = (type: string): Searched => [`worn.${type}`, 'identifier', (c) => `${type}-C${c.n}`]

/** The parameters that name somebody or something: contract, section 9. */
const searched: readonly Searched[] = [
  ['worn.ServiceRequest', 'identifier', (c) => `${orderSystem(c)}|${placer(c, 'worn')}`],
  ['worn.ServiceRequest', 'identifier', (c) => placer(c, 'worn')],
  ['worn.ServiceRequest', 'patient', patient],
  ['worn.ServiceRequest', 'subject', (_, ids) => idOf(ids, 'worn.Patient')],
  ['open.ServiceRequest', '_id', (_, ids) => idOf(ids, 'open.ServiceRequest')],
  ['worn.Patient', '_id', (_, ids) => idOf(ids, 'worn.Patient')],
  ['worn.Patient', 'identifier', (c) => `${patientSystem(c)}|${patientNumber(c, 'worn')}`],
  ['worn.Patient', 'family', (c) => family(c, 'worn')],
  ['worn.Patient', 'given', (c) => given(c, 'worn')],
  ['open.Patient', 'birthdate', (c) => birthDate(c, 'open')],
  ['worn.Device', '_id', (_, ids) => idOf(ids, 'worn.Device')],
  ['worn.Device', 'identifier', own('devices', 'worn.Device')],
  ['worn.Device', 'patient', patient],
  ['worn.Device', 'patient', (_, ids) => idOf(ids, 'worn.Patient')],
  ['worn.Device', 'patient', (_, ids) => `https://elsewhere.example/fhir/Patient/${idOf(ids, 'worn.Patient')}`],
  ['worn.DeviceUseStatement', 'device', to('Device', 'worn.Device')],
  ['worn.DeviceUseStatement', 'identifier', own('links', 'worn.DeviceUseStatement')],
  ['worn.DeviceUseStatement', 'patient', patient],
  ['worn.DeviceUseStatement', 'subject', patient],
  ['worn.DeviceUseStatement', 'based-on', order],
  ['worn.Procedure', 'identifier', own('procedures', 'worn.Procedure')],
  ['worn.Procedure', 'patient', patient],
  ['worn.Procedure', 'based-on', order],
  ['worn.Task', 'identifier', own('tasks', 'worn.Task')],
  ['worn.Task', 'patient', patient],
  ['worn.Task', 'based-on', order],
  ['worn.Task', 'focus', order],
  ['back.Observation', 'identifier', own('observations', 'back.Observation')],
  ['back.Observation', 'patient', to('Patient', 'back.Patient')],
  ['back.Observation', 'based-on', to('ServiceRequest', 'back.ServiceRequest')],
  ['back.Observation', 'device', to('Device', 'back.Device')],
  ['back.DiagnosticReport', 'identifier', own('reports', 'back.DiagnosticReport')],
  ['back.DiagnosticReport', 'patient', to('Patient', 'back.Patient')],
  ['back.DiagnosticReport', 'based-on', to('ServiceRequest', 'back.ServiceRequest')],
  ['back.DiagnosticReport', 'result', to('Observation', 'back.Observation')],
  ['back.Media', 'identifier', own('media', 'back.Media')],
  ['back.Media', 'patient', to('Patient', 'back.Patient')],
  ['back.Media', 'based-on', to('ServiceRequest', 'back.ServiceRequest')],
  ['worn.DetectedIssue', 'identifier', own('gaps', 'worn.DetectedIssue')],
  ['worn.DetectedIssue', 'patient', patient],
  ['worn.DetectedIssue', 'implicated', order],
  ['worn.DetectedIssue', 'implicated', to('Device', 'worn.Device')],
  ['worn.DetectedIssue', 'implicated', to('DeviceUseStatement', 'worn.DeviceUseStatement')],
  ['worn.MeasureReport', 'reporter:identifier', (c) => `https://daybind.example/sites|${c.site}`],
  ['worn.Provenance', 'target', to('DeviceUseStatement', 'worn.DeviceUseStatement')],
  ['back.Provenance', 'target', to('ServiceRequest', 'back.ServiceRequest')],
  ['worn.AuditEvent', 'entity', to('DeviceUseStatement', 'worn.DeviceUseStatement')],
  ['back.AuditEvent', 'entity', to('ServiceRequest', 'back.ServiceRequest')],
  ['worn.AuditEvent', 'patient', patient],
  kept('Encounter'),
  ['worn.Encounter', 'patient', patient],
  ['worn.Encounter', 'based-on', order],
  kept('Appointment'),
  ['worn.Appointment', 'based-on', order],
  kept('Practitioner'),
  kept('PractitionerRole'),
  kept('Organization'),
  kept('Location'),
  kept('Condition'),
  ['worn.Condition', 'patient', patient],
]

const searches: readonly Row[] = searched.flatMap(([name, parameter, value], i) => {
  const type = name.split('.')[1] ?? ''
  const query = (x: string) => `${encodeURIComponent(parameter)}=${encodeURIComponent(x)}`
  const columns = columnsOf(readable[name] ?? flow, 'found', 'nothing')
  const more = { read: finds, few: true } as const
  const byGet = row(
    'GET /fhir/:type',
    `${name} by ${parameter}`,
    value,
    (x) => ({ path: `/fhir/${type}?${query(x)}&_total=accurate` }),
    columns,
    more,
  )
  const byPost = row(
    'POST /fhir/:type/_search',
    `${name} by ${parameter}`,
    value,
    (x) => ({
      path: `/fhir/${type}/_search`,
      body: query(x),
      headers: { 'content-type': 'application/x-www-form-urlencoded' },
    }),
    columns,
    more,
  )
  // one way in for both: every third is enough to see that it is
  return i % 3 === 0 ? [byGet, byPost] : [byGet]
})

/** What a write would be told: `fine`, or the first reason against it. */
const validated = (answer: Answer<unknown>): string => {
  if (answer.status !== 200) return String(answer.status)
  const { issue } = answer.body as OperationOutcome
  const wrong = issue.find((i) => i.severity === 'error' || i.severity === 'fatal')
  return wrong === undefined ? 'fine' : (wrong.details?.coding?.[0]?.code ?? 'without a code')
}

const validates = { read: validated, few: true } as const
const mayNot = both('not-allowed')

/** @param tasks as an operator reads them, by id */
const validations = (tasks: ReadonlyMap<string, Task>): readonly Row[] => [
  row(
    'POST /fhir/:type/:id/$validate',
    'id of a Patient',
    id('worn.Patient'),
    (x, c) => ({ path: `/fhir/Patient/${x}/$validate`, body: patientOf(c, 'worn') }),
    [['fine', '404'], ['not-allowed', '404'], ['not-allowed', '404'], 'fine'],
    validates,
  ),
  row(
    'POST /fhir/:type/:id/$validate',
    'id of a Task',
    id('worn.Task'),
    (x, c, _who, ids) => ({
      path: `/fhir/Task/${x}/$validate`,
      body: accepted(ids, c, x, tasks.get(idOf(ids, 'worn.Task'))),
    }),
    [['not-allowed', '404'], ['not-allowed', '404'], ['fine', '404'], 'fine'],
    validates,
  ),
  row(
    'POST /fhir/:type/$validate',
    'identifier of a Patient',
    (c) => patientNumber(c, 'open'),
    (x, c) => ({
      path: '/fhir/Patient/$validate',
      body: aPatient(x, { identifier: [{ system: patientSystem(c), value: x }] }),
    }),
    [both('fine'), both('fine'), mayNot, 'fine'],
    validates,
  ),
  row(
    'POST /fhir/:type/$validate',
    'id in the Patient',
    id('open.Patient'),
    (x, c) => ({ path: '/fhir/Patient/$validate?mode=update', body: { ...patientOf(c, 'open'), id: x } }),
    [['fine', 'not-known'], ['not-allowed', 'not-known'], mayNot, 'fine'],
    validates,
  ),
  row(
    'POST /fhir/:type/$validate',
    'subject of an order, in Parameters',
    id('open.Patient'),
    (x, c, who) => ({
      path: '/fhir/ServiceRequest/$validate',
      body: call({ name: 'resource', resource: orderBy(c, who, 'fresh', `Patient/${x}`) }),
    }),
    [['fine', 'reference-not-found'], ['fine', 'reference-not-found'], mayNot, 'fine'],
    validates,
  ),
  row(
    'POST /fhir/:type/$validate',
    'id in the Task',
    id('worn.Task'),
    (x, c, _who, ids) => ({
      path: '/fhir/Task/$validate',
      body: accepted(ids, c, x, tasks.get(idOf(ids, 'worn.Task'))),
    }),
    [mayNot, mayNot, ['fine', 'not-known'], 'fine'],
    validates,
  ),
]

/** @param tasks as an operator reads them, by id */
export const tableOf = (tasks: ReadonlyMap<string, Task>): readonly Row[] => [
  ...patientWrites,
  ...orderWrites,
  ...bundles,
  ...bedside,
  ...answers(tasks),
  ...reportsIn,
  ...evenings,
  ...operating,
  ...forEverybody,
  ...reads,
  ...searches,
  ...validations(tasks),
]
