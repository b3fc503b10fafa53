/** Afterwards: does the service, and does the reading service, hold exactly what the day was built to leave behind? */
import type { FhirResource, Identifier, Reference } from 'fhir/r4.js'
import { identifierSystems, systems } from '../src/model/systems.ts'
import { daysAfter } from './calendar.ts'
import { asResource, foundIn } from './caller.ts'
import { eveningsDiffer, evenlyRecomputed, issuedOn, listsDiffer } from './evening.ts'
import { expectedAtReader, expectedEvenings, expectedNextMorning, expectedStore, mendedInTime } from './expected.ts'
import { personOf, type SiteId, sourceSystems } from './people.ts'
import type { Scene } from './scene.ts'
import { timetable } from './timetable.ts'

export interface Check {
  /** A sentence that is true when the check holds. */
  readonly check: string
  readonly ok: boolean
  /** What is otherwise. */
  readonly differs: readonly string[]
}

const check = (sentence: string, differs: readonly string[]): Check => ({
  check: sentence,
  ok: differs.length === 0,
  differs,
})

const countsDiffer = (found: Readonly<Record<string, number>>, expected: Readonly<Record<string, number>>) =>
  Object.entries(expected)
    .filter(([what, count]) => found[what] !== count)
    .map(([what, count]) => `${what}: ${found[what]} instead of ${count}`)

const ofType = <T extends FhirResource['resourceType']>(resources: readonly FhirResource[], type: T) =>
  resources.flatMap((r) => asResource(r, type) ?? [])

type Identified = { readonly identifier?: readonly Identifier[] | undefined }

const valueIn = (resource: Identified | undefined, wanted: readonly string[]): string =>
  resource?.identifier?.find(({ system }) => wanted.includes(system ?? ''))?.value ?? '?'

const placerSystems = Object.values(sourceSystems).map(({ orders }) => orders)
const patientSystems = Object.values(sourceSystems).map(({ patients }) => patients)

/** Each link as `order recorder patient`, read off the resources that it leads to. */
const linksIn = (resources: readonly FhirResource[]): readonly string[] => {
  const byPlace = new Map(resources.map((r) => [`${r.resourceType}/${r.id}`, r]))
  const at = <T extends FhirResource['resourceType']>(reference: string | undefined, type: T) =>
    asResource(byPlace.get(reference ?? ''), type)
  return ofType(resources, 'DeviceUseStatement').map((link) => {
    const order = valueIn(at(link.basedOn?.[0]?.reference, 'ServiceRequest'), placerSystems)
    const serial = at(link.device.reference, 'Device')?.serialNumber ?? '?'
    return `${order} ${serial} ${valueIn(at(link.subject.reference, 'Patient'), patientSystems)}`
  })
}

const linksMeant = timetable.flatMap(({ deed }) =>
  deed.do === 'link' && !deed.refused ? [`${deed.order} ${deed.recorder} ${personOf(deed.order).record}`] : [],
)

const stored = async ({ call }: Scene, type: string): Promise<readonly FhirResource[]> =>
  foundIn((await call('operator', 'GET', `/fhir/${type}?_count=200`)).body)

/** Everything of the service that the checks look at, read as the operator. */
const readStore = async (scene: Scene): Promise<readonly FhirResource[]> => {
  const types = [
    'ServiceRequest',
    'Patient',
    'Device',
    'DeviceUseStatement',
    'DiagnosticReport',
    'DetectedIssue',
    'Task',
  ]
  return (await Promise.all(types.map((type) => stored(scene, type)))).flat()
}

const storeChecks = (store: readonly FhirResource[]): readonly Check[] => {
  const count = (type: FhirResource['resourceType']) => ofType(store, type).length
  const found = {
    orders: count('ServiceRequest'),
    patients: count('Patient'),
    links: count('DeviceUseStatement'),
    reports: count('DiagnosticReport'),
  }
  return [
    check(
      'Every order is there once, however often it was sent; every link and every stub too.',
      countsDiffer(found, expectedStore),
    ),
    check(
      'Every recorder is tied to the patient and the order that it was fitted for.',
      listsDiffer(linksIn(store), linksMeant),
    ),
  ]
}

const orderAndRecorder = (store: readonly FhirResource[], implicated: readonly Reference[]) => {
  const names = implicated.map(({ reference }) => {
    const resource = store.find((r) => `${r.resourceType}/${r.id}` === reference)
    const order = asResource(resource, 'ServiceRequest')
    return order ? valueIn(order, placerSystems) : asResource(resource, 'Device')?.serialNumber
  })
  return names.filter((name) => name !== undefined)
}

/** The gaps that are stored, of all days and sites: those of the last reports, and no others. */
const gapCheck = (store: readonly FhirResource[]): Check => {
  const found = ofType(store, 'DetectedIssue').map((gap) => {
    const code = gap.code?.coding?.find(({ system }) => system === systems.gap)?.code
    return [code, ...orderAndRecorder(store, gap.implicated ?? []), gap.mitigation ? 'mended' : 'open'].join(' ')
  })
  const last = [...expectedNextMorning.gaps, ...expectedEvenings['quarry-lane']['day-end'].gaps, ...mendedInTime]
  const expected = last.map(({ gap, order, recorder, status }) =>
    [gap, order, recorder, status].filter((part) => part !== undefined).join(' '),
  )
  return check(
    'The stored gaps are those of the reports: none is missing, none is too many.',
    listsDiffer(found, expected),
  )
}

const nobodysReturn = (store: readonly FhirResource[]): Check => {
  const device = ofType(store, 'Device').find(({ serialNumber }) => serialNumber === 'TR-29987')
  const gap = ofType(store, 'DetectedIssue').find(({ implicated }) =>
    implicated?.some(({ reference }) => reference === `Device/${device?.id}`),
  )
  return check('The recorder that came back with no patient is tied to none.', [
    ...(device ? [] : ['the recorder is not stored']),
    ...(device?.patient ? ['the recorder names a patient'] : []),
    ...(gap ? [] : ['there is no gap']),
    ...(gap?.patient ? ['the gap names a patient'] : []),
  ])
}

const swapTouches = (store: readonly FhirResource[], { links }: Scene): Check => {
  const periodOf = (serial: string) =>
    ofType(store, 'DeviceUseStatement').find(({ id }) => id === links.get(serial))?.timingPeriod
  const [off, on] = [periodOf('TR-30106')?.end, periodOf('TR-30116')?.start]
  const touches = off !== undefined && on !== undefined && Date.parse(off) === Date.parse(on)
  return check(
    'The swap leaves no moment without a recorder and none with two.',
    touches ? [] : [`off ${off}, on ${on}`],
  )
}

const moments = ['cut-off', 'day-end'] as const

/** Every evening since the first day, the days in between included. */
const issuedDiffer = async (scene: Scene, site: SiteId): Promise<readonly string[]> => {
  const dates = Array.from({ length: 8 }, (_, i) => daysAfter(scene.calendar.weekBefore, i))
  const lists = await Promise.all(dates.map((date) => issuedOn(scene, site, date)))
  return dates.flatMap((date, i) => {
    const issued = (lists[i] ?? []).map(({ moment }) => moment)
    return listsDiffer(issued, moments).map((text) => `${site} ${date}: ${text}`)
  })
}

const eveningChecks = async (scene: Scene): Promise<readonly Check[]> => {
  const sites = scene.stage.configuration.sites.map(({ id, name }) => ({ id: id as SiteId, name }))
  const reports = sites.flatMap(({ id, name }) =>
    moments.map((moment) => {
      const when = moment === 'cut-off' ? 'at the cut-off' : 'at the end of the day'
      return check(`${name}’s report ${when} says what happened, and nothing else.`, eveningsDiffer(scene, id, moment))
    }),
  )
  const issued = await Promise.all(sites.map(({ id }) => issuedDiffer(scene, id)))
  return [
    ...reports,
    check('Every evening was issued by itself, and once.', issued.flat()),
    check('The reports told again later are the same, byte for byte.', await evenlyRecomputed(scene)),
  ]
}

/** Values of our own identifiers at the reading service that two resources share. */
const doubles = (resources: readonly FhirResource[]): readonly string[] => {
  const ours: readonly string[] = Object.values(identifierSystems)
  const names = resources.flatMap((r) =>
    ((r as Identified).identifier ?? []).flatMap(({ system, value }) =>
      ours.includes(system ?? '') ? [`${r.resourceType} ${value}`] : [],
    ),
  )
  return names.filter((name, i) => names.indexOf(name) < i).map((name) => `twice: ${name}`)
}

const readerTypes = [
  'ServiceRequest',
  'Patient',
  'Device',
  'DeviceUseStatement',
  'Task',
  'DiagnosticReport',
  'Observation',
]

/** Each message arrived once: every one that was sent, none of them twice. */
const arrivalsDiffer = async ({ stage, call }: Scene): Promise<readonly string[]> => {
  const answer = await call('operator', 'GET', '/deliveries?destination=pebble&count=1000')
  const { deliveries = [] } = answer.body as { deliveries?: readonly { id: string; fate: string }[] }
  const arrived = stage.reading.received.flatMap(({ bundle }) => [
    ...new Set(
      ofType(
        (bundle.entry ?? []).flatMap(({ resource }) => resource ?? []),
        'Task',
      ).map((task) => valueIn(task, [systems.deliveries])),
    ),
  ])
  const sent = deliveries.filter(({ fate }) => fate !== 'superseded')
  const stuck = sent.filter(({ fate }) => fate !== 'sent' && fate !== 'taken')
  // nothing else makes the service search there
  const lookedFirst = stage.reading.requests.includes('GET /fhir/Task')
  return [
    ...(lookedFirst ? [] : ['what became of the message with the lost answer was never looked up']),
    ...stuck.map(({ id, fate }) => `delivery ${id} is ${fate}`),
    ...listsDiffer(
      arrived,
      sent.map(({ id }) => id),
    ),
  ]
}

const readerChecks = async (scene: Scene): Promise<readonly Check[]> => {
  const { reading } = scene.stage
  const held = readerTypes.flatMap((type) => reading.resources(type))
  const orders = ofType(held, 'ServiceRequest')
  const tasks = ofType(held, 'Task')
  const stubs = [...ofType(held, 'DiagnosticReport'), ...ofType(held, 'Observation')]
  const cancelled = tasks
    .filter(({ status }) => status === 'cancelled')
    .map((t) =>
      valueIn(
        orders.find(({ id }) => t.focus?.reference === `ServiceRequest/${id}`),
        placerSystems,
      ),
    )
  const urgent = orders.filter(({ priority }) => priority === 'urgent').map((o) => valueIn(o, placerSystems))
  const found = {
    orders: orders.length,
    patients: ofType(held, 'Patient').length,
    links: ofType(held, 'DeviceUseStatement').length,
    tasks: tasks.length,
    stubs: stubs.filter(({ status }) => status === 'registered').length / 2,
  }
  const { cancelled: meantCancelled, urgent: meantUrgent, waited: _, ...counts } = expectedAtReader
  return [
    check(
      'Every message arrived at the reading service, each once, the outage and the lost answer included.',
      await arrivalsDiffer(scene),
    ),
    check('The reading service holds nothing twice, and as much as it should.', [
      ...doubles(held),
      ...countsDiffer(found, counts),
    ]),
    check('It holds the same links as the service.', listsDiffer(linksIn(held), linksMeant)),
    check('It knows which order was revoked and which became urgent.', [
      ...listsDiffer(cancelled, meantCancelled),
      ...listsDiffer(urgent, meantUrgent),
    ]),
    check('It has nothing to complain about.', reading.complaints),
  ]
}

const alertCheck = ({ stage: { pager }, paged }: Scene): Check =>
  check('Each alert came once, signed, and nobody was told of anything else.', [
    ...pager.complaints,
    ...pager.pages.filter((p) => !paged.has(p.id)).map((p) => `one more for ${p.to}: ${p.message.data.count} gaps`),
  ])

/** @param wrong where an answer in the story was another than the timetable says */
export const checkAll = async (scene: Scene, wrong: readonly string[]): Promise<readonly Check[]> => {
  const store = await readStore(scene)
  return [
    check('Every call was answered as it should be, the refused ones included.', wrong),
    ...(await eveningChecks(scene)),
    gapCheck(store),
    alertCheck(scene),
    ...storeChecks(store),
    nobodysReturn(store),
    swapTouches(store, scene),
    ...(await readerChecks(scene)),
  ]
}
