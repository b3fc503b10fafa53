/**
 * Whose is what: for each pair of source, site and reading service a cell of its own, with an order that waits, a
 * device that is worn and one that came back, each of another patient.
 */
import type { Bundle, Parameters, ParametersParameter, Patient, ServiceRequest } from 'fhir/r4.js'
import { anOrder, aPatient, bundle, entry, found, idsIn } from '../support/messages.ts'
import type { TestService } from '../support/service.ts'
import { applied, received, reportOf, sentAlong, urn, worldDi } from '../support/world.ts'

export const sources = ['harbour-ehr', 'lowwater-ehr'] as const
export const sites = ['tern-harbour', 'quarry-lane'] as const
export const services = ['pebble', 'lantern'] as const

/** Which orders each reading service takes. */
const codes = { pebble: '46825001', lantern: '266706003' } as const

export interface Cell {
  readonly n: number
  readonly source: (typeof sources)[number]
  readonly site: (typeof sites)[number]
  readonly service: (typeof services)[number]
}

export const cells: readonly Cell[] = sources.flatMap((source, s) =>
  sites.flatMap((site, t) => services.map((service, r): Cell => ({ n: s * 4 + t * 2 + r, source, site, service }))),
)

const base = (source: Cell['source']): string => `https://${source === 'harbour-ehr' ? 'harbour' : 'lowwater'}.example`
export const orderSystem = (c: Cell): string => `${base(c.source)}/orders`
export const patientSystem = (c: Cell): string => `${base(c.source)}/patients`
const otherSystem = (c: Cell, type: string): string => `${base(c.source)}/${type}`

type Kind = 'open' | 'worn' | 'back'
const kinds: readonly Kind[] = ['open', 'worn', 'back']

/** Names that are nobody else's: `open-C3`; what is asked for under `…-C9` is not there. */
export const placer = (c: Cell, kind: Kind): string => `${kind}-C${c.n}`
export const patientNumber = (c: Cell, kind: Kind): string => `NR-${kind}-C${c.n}`
export const serial = (c: Cell, kind: Kind): string => `SN${kind.toUpperCase()}-C${c.n}`
/** Letters alone: search folds names. */
const lettered = (c: Cell, kind: Kind): string => `${kind}${'abcdefgh'[c.n]}`
export const family = (c: Cell, kind: Kind): string => `Zquill${lettered(c, kind)}`
export const given = (c: Cell, kind: Kind): string => `Vrenka${lettered(c, kind)}`
export const birthDate = (c: Cell, kind: Kind): string => `19${31 + c.n}-0${1 + kinds.indexOf(kind)}-23`

export const patientOf = (c: Cell, kind: Kind): Patient =>
  aPatient(patientNumber(c, kind), {
    identifier: [{ system: patientSystem(c), value: patientNumber(c, kind) }],
    name: [{ family: family(c, kind), given: [given(c, kind)] }],
    birthDate: birthDate(c, kind),
  })

export const place = (site: string) => ({
  identifier: { system: 'https://daybind.example/sites', value: site },
})

export const orderOf = (c: Cell, kind: Kind, subject: string, over: Partial<ServiceRequest> = {}): ServiceRequest =>
  anOrder(placer(c, kind), subject, {
    identifier: [{ system: orderSystem(c), value: placer(c, kind) }],
    code: { coding: [{ system: 'http://snomed.info/sct', code: codes[c.service] }] },
    locationReference: [{ type: 'Location', ...place(c.site) }],
    ...over,
  })

export const call = (...parameter: ParametersParameter[]): Parameters => ({ resourceType: 'Parameters', parameter })
/** Of a recorder whose date of expiry is over: that is a gap. */
export const scan = (text: string): ParametersParameter => ({
  name: 'scan',
  valueString: `(01)${worldDi}(17)200101(21)${text}`,
})
export const at = (name: string, valueDateTime: string): ParametersParameter => ({ name, valueDateTime })
export const siteNamed = (site: string): ParametersParameter => ({
  name: 'site',
  valueIdentifier: place(site).identifier,
})
export const twoIdentifiers = (c: Cell, kind: Kind): readonly ParametersParameter[] => [
  { name: 'patientIdentifier', valueIdentifier: { system: patientSystem(c), value: patientNumber(c, kind) } },
  { name: 'birthDate', valueDate: birthDate(c, kind) },
]

/** The order with its patient; with the worn one also everything else that a source may send along. */
const pushed = (c: Cell, kind: Kind): Bundle => {
  const along = sentAlong((type) => ({ identifier: [{ system: otherSystem(c, type), value: `${type}-C${c.n}` }] }))
  const resources = [patientOf(c, kind), orderOf(c, kind, urn(1)), ...(kind === 'worn' ? along : [])]
  return bundle('transaction', ...resources.map((r, i) => entry(`POST ${r.resourceType}`, r, {}, urn(i + 1))))
}

/** `worn.Device` → its id; `worn.delivery` and `MeasureReport` besides. */
export type Ids = Readonly<Record<string, string>>

export const idOf = (ids: Ids, name: string): string => {
  const id = ids[name]
  if (id === undefined || id === '') throw new Error(`no ${name} in this world`)
  return id
}

const makeKind = async (service: TestService, c: Cell, kind: Kind): Promise<Ids> => {
  const ops = service.as('ops')
  const sent = await service.as(c.source)<Bundle>('POST', '/fhir', { body: pushed(c, kind) })
  if (sent.status !== 200) throw new Error(sent.text)
  const types = (pushed(c, kind).entry ?? []).map((e) => e.resource?.resourceType ?? '')
  const ids: Record<string, string> = Object.fromEntries(idsIn(sent.body).map((id, i) => [`${kind}.${types[i]}`, id]))
  const operate = async (path: string, body: Parameters) => {
    const answer = await ops<Parameters>('POST', path, { body })
    if (answer.status !== 200) throw new Error(`${path}: ${answer.status} ${answer.text}`)
    for (const { resource } of answer.body.parameter ?? [])
      if (resource?.id) ids[`${kind}.${resource.resourceType}`] = resource.id
  }
  if (kind === 'open') return ids
  if (kind === 'back')
    await operate(
      `/fhir/ServiceRequest/${ids['back.ServiceRequest']}/$record-not-applied`,
      call({ name: 'reason', valueCode: 'no-show' }, { name: 'note', valueString: family(c, kind) }),
    )
  await operate(
    `/fhir/ServiceRequest/${ids[`${kind}.ServiceRequest`]}/$link-device`,
    call(scan(serial(c, kind)), at('appliedAt', applied), ...twoIdentifiers(c, kind)),
  )
  if (kind === 'back') {
    await operate('/fhir/Device/$record-return', call(scan(serial(c, kind)), at('receivedAt', received)))
    const body = reportOf(idOf(ids, 'back.ServiceRequest'), `C${c.n}`)
    const reported = await service.as(c.service)<Bundle>('POST', '/fhir', { body })
    const [, media = '', binary = ''] = idsIn(reported.body)
    return { ...ids, 'back.Media': media, 'back.Binary': binary }
  }
  return ids
}

/** What is about the worn device and was answered to nobody: the gap, who did it, who looked, and the message. */
const besides = async (service: TestService, ids: Ids): Promise<Ids> => {
  const ops = service.as('ops')
  const link = `DeviceUseStatement/${idOf(ids, 'worn.DeviceUseStatement')}`
  const first = async (type: string, query: string) => (await found(ops, type, query))[0] ?? ''
  const order = idOf(ids, 'worn.ServiceRequest')
  const missed = `ServiceRequest/${idOf(ids, 'back.ServiceRequest')}`
  const { body } = await ops<{ deliveries: { id: string }[] }>('GET', `/deliveries?order=${order}`)
  return {
    'worn.DetectedIssue': await first('DetectedIssue', `implicated=${link}`),
    'worn.Provenance': await first('Provenance', `target=${link}`),
    'back.Provenance': await first('Provenance', `target=${missed}`),
    'back.AuditEvent': await first('AuditEvent', `entity=${missed}`),
    'worn.AuditEvent': await first('AuditEvent', `entity=${link}`),
    'worn.delivery': body.deliveries[0]?.id ?? '',
  }
}

const makeCell = async (service: TestService, c: Cell): Promise<Ids> => {
  const made: Ids = Object.assign({}, ...(await Promise.all(kinds.map((kind) => makeKind(service, c, kind)))))
  return { ...made, ...(await besides(service, made)) }
}

/** The ids of each cell, in the order of the cells; the evening of each site was issued. */
export const makeCells = async (service: TestService): Promise<readonly Ids[]> => {
  const made: Ids[] = []
  for (const c of cells) made.push(await makeCell(service, c))
  await service.setClock(new Date(Date.now() + 2 * 86_400_000).toISOString())
  const evening = async (c: Cell) =>
    (await found(service.as('ops'), 'MeasureReport', `reporter:identifier=https://daybind.example/sites|${c.site}`))[0]
  return Promise.all(cells.map(async (c) => ({ ...made[c.n], 'worn.MeasureReport': (await evening(c)) ?? '' })))
}
