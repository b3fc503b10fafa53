import type {
  Device,
  DeviceUseStatement,
  DiagnosticReport,
  FhirResource,
  Observation,
  Patient,
  Procedure,
  ServiceRequest,
  Task,
} from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { linkedOrderBundle } from '../../src/flow/forward-order/linked-order.ts'
import { ordersToTell, toldOf, writeBackBundle } from '../../src/flow/forward-order/write-back.ts'
import { type Audience, merged } from '../../src/flow/forward-order/write-merge.ts'
import { logicalTo, partsOf, placed, urlOf } from '../../src/flow/forward-order/write-parts.ts'
import {
  deviceResource,
  linkResource,
  procedureResource,
  taskResource,
} from '../../src/model/resources/link-resources.ts'
import { stubObservation, stubReport } from '../../src/model/resources/report-resources.ts'
import { codes, identifierSystems, systems } from '../../src/model/systems.ts'
import { visit } from '../../src/model/tree.ts'
import { device, ehr, ids, link, order, patient, stub, task, uuid } from '../support/fixtures.ts'

/** What they hold after somebody there has changed these elements. */
const changed = <T extends FhirResource>(resource: T, over: Partial<T>): T => ({
  ...resource,
  id: '12',
  meta: { versionId: '3' },
  ...over,
})

const mended = <T extends FhirResource>(theirs: T, ours: T, to: Audience = 'source', leave: readonly string[] = []) =>
  merged(theirs, ours, { to, leave }) as T | undefined

const [aDevice, aLink, aProcedure, aTask, aReport] = [
  deviceResource(device({ patientId: ids.patient })),
  linkResource(link()),
  procedureResource(link()),
  taskResource(task()),
  stubReport(stub()),
]

describe('what is ours is set, and everything else stays theirs', () => {
  test.each<readonly [string, FhirResource, FhirResource]>([
    [
      'a device',
      aDevice,
      changed(aDevice, { note: [{ text: 'x' }], location: { display: 'shelf' }, owner: { display: 'y' } }),
    ],
    ['a link', aLink, changed(aLink, { reasonCode: [{ text: 'x' }], note: [{ text: 'theirs' }] })],
    ['an act', aProcedure, changed(aProcedure, { encounter: { reference: 'Encounter/1' }, outcome: { text: 'x' } })],
    ['work', aTask, changed(aTask, { priority: 'urgent', restriction: { repetitions: 1 } })],
    ['a report', aReport, changed(aReport, { conclusion: 'x', performer: [{ display: 'y' }] })],
  ])('%s that has only more of theirs is left as it is', (_name, ours, theirs) => {
    expect(merged(theirs, ours, { to: 'source' })).toBeUndefined()
  })

  test('what they changed of ours is ours again, beside what is theirs', () => {
    const theirs = changed<DeviceUseStatement>(aLink, { status: 'intended', note: [{ text: 'theirs' }] })
    expect(mended<DeviceUseStatement>(theirs, aLink)).toEqual({ ...theirs, status: 'active' })
  })

  test('what is ours and gone is gone there', () => {
    const { patient: _gone, ...free } = aDevice
    expect(mended<Device>(changed(aDevice, {}), free)).toEqual({ ...free, id: '12', meta: { versionId: '3' } })
  })

  test('a holder that is somebody else’s matter is left alone', () => {
    const { patient: _gone, ...free } = aDevice
    expect(
      mended<Device>(changed(aDevice, { patient: { reference: 'Patient/other' } }), free, 'source', ['patient']),
    ).toBeUndefined()
  })

  test('another form of an element with a choice gives way', () => {
    const { performedDateTime: _ours, ...rest } = aProcedure
    const theirs = changed<Procedure>(rest, { performedPeriod: { start: '2026-11-25' } })
    const result = mended<Procedure>(theirs, aProcedure)
    expect(result?.performedDateTime).toBe(aProcedure.performedDateTime)
    expect(result).not.toHaveProperty('performedPeriod')
  })

  test('what both may say stays theirs once it is there', () => {
    const theirs = changed<Procedure>(aProcedure, {
      code: { coding: [codes.continuousEcg] },
      bodySite: [{ text: 'sternum' }],
    })
    expect(mended<Procedure>(theirs, procedureResource(link({ bodySite: { text: 'chest' } })))).toBeUndefined()
  })

  test('identifiers are joined, theirs first and as they have them', () => {
    const theirs = changed<Device>(aDevice, {
      identifier: [{ system: 'https://harbour.example/assets', value: 'A-1', use: 'usual' }],
    })
    expect(mended<Device>(theirs, aDevice)?.identifier).toEqual([
      ...(theirs.identifier ?? []),
      ...(aDevice.identifier ?? []),
    ])
    const fuller = changed<Device>(aDevice, { identifier: [{ ...aDevice.identifier?.[0], use: 'secondary' }] })
    expect(mended<Device>(fuller, aDevice)).toBeUndefined()
  })

  test('an extension of ours takes the place of the same one, and theirs stay', () => {
    const ended = linkResource(link({ status: 'stopped', endReason: 'lost' }))
    const theirs = changed<DeviceUseStatement>(linkResource(link({ status: 'stopped', endReason: 'failed' })), {
      extension: [
        { url: 'https://harbour.example/x', valueCode: 'y' },
        ...(linkResource(link({ endReason: 'failed' })).extension ?? []),
      ],
    })
    expect(mended<DeviceUseStatement>(theirs, ended)?.extension).toEqual([
      { url: 'https://harbour.example/x', valueCode: 'y' },
      ...(ended.extension ?? []),
    ])
  })

  test('a patient of theirs is never changed', () => {
    expect(mended<Patient>({ ...patient, id: '7', birthDate: '1900-01-01' }, patient)).toBeUndefined()
  })

  test('merging twice changes nothing the second time', () => {
    const theirs = changed<Task>(aTask, { status: 'draft', priority: 'urgent' })
    const once = mended<Task>(theirs, aTask)
    expect(once).toBeDefined()
    expect(mended<Task>(once as Task, aTask)).toBeUndefined()
  })
})

describe('whose word counts for work', () => {
  const accepted = changed<Task>(aTask, { status: 'accepted', note: [{ text: 'tomorrow' }] })

  test('in the EHR ours, who heard it from the reading service', () => {
    const ours = taskResource(task({ status: 'in-progress', acceptedAt: '2026-11-25T10:00:00.000000Z' }))
    expect(mended<Task>(accepted, ours)?.status).toBe('in-progress')
  })

  test('at the reading service theirs', () => {
    expect(mended<Task>(accepted, aTask, 'reading-service')).toBeUndefined()
  })

  test.each(['cancelled', 'entered-in-error'] as const)('but %s is for us to say', (status) => {
    expect(mended<Task>(accepted, taskResource(task({ status })), 'reading-service')).toMatchObject({
      status,
      note: [{ text: 'tomorrow' }],
    })
  })

  test('a report that is final there does not become a stub again, and a withdrawn one is withdrawn', () => {
    const final = changed<DiagnosticReport>(aReport, { status: 'final', conclusion: 'x' })
    expect(mended<DiagnosticReport>(final, aReport, 'reading-service')).toBeUndefined()
    const gone = stubReport(stub({ status: 'entered-in-error' }))
    expect(mended<DiagnosticReport>(final, gone, 'reading-service')).toMatchObject({
      status: 'entered-in-error',
      conclusion: 'x',
    })
  })

  test('a report brings all its words, takes back what an earlier version said, and leaves the rest theirs', () => {
    const words = (over: Partial<DiagnosticReport>): DiagnosticReport => ({
      resourceType: 'DiagnosticReport',
      status: 'final',
      code: { text: 'two weeks of rhythm' },
      ...over,
    })
    const ours = stubReport(
      stub({
        report: {
          by: 'pebble',
          firstAt: '',
          receivedAt: '',
          words: words({ conclusion: 'b', status: 'amended' }),
          results: [],
        },
      }),
    )
    const theirs = changed<DiagnosticReport>(aReport, {
      status: 'final',
      conclusion: 'a',
      conclusionCode: [{ text: 'a' }],
      encounter: { reference: 'Encounter/1' },
    })
    for (const to of ['source', 'reading-service'] as const) {
      const result = mended<DiagnosticReport>(theirs, ours, to)
      expect(result).toMatchObject({
        status: 'amended',
        conclusion: 'b',
        code: { text: 'two weeks of rhythm' },
        encounter: { reference: 'Encounter/1' },
      })
      expect(result).not.toHaveProperty('conclusionCode')
    }
  })

  test('a value takes the place of a value of another form', () => {
    const stubbed = stubObservation(stub())
    const valued: Observation = { ...stubbed, status: 'final', valueQuantity: { value: 61 } }
    const result = mended<Observation>(
      changed<Observation>({ ...stubbed, status: 'preliminary' }, { valueString: 'about 60' }),
      valued,
    )
    expect(result?.valueQuantity).toEqual({ value: 61 })
    expect(result).not.toHaveProperty('valueString')
  })

  test('an order goes as its source wrote it', () => {
    const ours: ServiceRequest = {
      resourceType: 'ServiceRequest',
      identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }],
      status: 'revoked',
      intent: 'order',
      subject: { reference: 'Patient/9' },
    }
    const theirs: ServiceRequest = {
      ...ours,
      id: '5',
      meta: { versionId: '1' },
      status: 'active',
      note: [{ text: 'withdrawn by its source since' }],
      identifier: [...(ours.identifier ?? []), { system: 'https://pebble.example/cases', value: 'C-1' }],
    }
    expect(mended<ServiceRequest>(theirs, ours, 'reading-service')).toEqual({
      ...ours,
      id: '5',
      meta: { versionId: '1' },
      identifier: theirs.identifier,
    })
  })
})

describe('what the EHR gets', () => {
  const linked = {
    order: order(),
    orderResource: {
      resourceType: 'ServiceRequest',
      id: ids.order,
      status: 'active',
      intent: 'order',
      subject: { reference: `Patient/${ids.patient}` },
    },
    patientResource: patient,
    links: [link()],
    devices: [device({ patientId: ids.patient })],
    stubs: [stub()],
    tasks: [task(), task({ id: uuid(50), readingService: 'slate' })],
  } as const

  test('is all that a reading service gets, without the order and the patient, and the work of all', () => {
    const types = partsOf(writeBackBundle(linked)).map((p) => p.type)
    expect([...types].sort()).toEqual(
      ['Device', 'DeviceUseStatement', 'DiagnosticReport', 'Observation', 'Procedure', 'Task', 'Task'].sort(),
    )
  })

  test('can be written one after another: nothing refers to what comes later', () => {
    const parts = partsOf(writeBackBundle(linked))
    const before = new Set([urlOf(ids.order), urlOf(ids.patient)])
    for (const part of parts) {
      visit(part.resource, ({ reference }) => {
        if (typeof reference === 'string' && reference.startsWith('urn:'))
          expect(before, part.type).toContain(reference)
      })
      before.add(part.url)
    }
  })

  test('has no mark of a single sending', () => {
    for (const bundle of [writeBackBundle(linked), linkedOrderBundle(linked, uuid(99))])
      expect(JSON.stringify(partsOf(bundle))).not.toContain(systems.deliveries)
  })

  test('each part is known by our identifier, the patient by the number of their source', () => {
    const names = Object.fromEntries(partsOf(linkedOrderBundle(linked)).map((p) => [p.type, p.name?.system]))
    expect(names).toMatchObject({ Device: identifierSystems.Device, Patient: patient.identifier?.[0]?.system })
  })

  test('names what is not there by its identifier, a recorder also by its serial number', () => {
    const parts = partsOf(writeBackBundle(linked))
    const of = (type: string) => parts.find((p) => p.type === type)
    const recorder = of('Device')
    const use = of('DeviceUseStatement')
    if (!recorder || !use) throw new Error('a part is missing')
    const there = placed(use.resource, (url) => (url === recorder.url ? logicalTo(recorder) : { reference: 'X/1' }))
    expect(there).toMatchObject({
      device: { type: 'Device', identifier: { value: ids.device }, display: expect.stringContaining('TH0001') },
      subject: { reference: 'X/1' },
    })
    expect((there as DeviceUseStatement).device).not.toHaveProperty('reference')
  })

  test('is sent when a link, its work or its stubs change, once an order', () => {
    const change = (state: Parameters<typeof ordersToTell>[0][number]['state']) =>
      ({ fact: 'device-linked', state, occurredAt: '' }) as const
    expect(ordersToTell([link(), task(), stub()].map(change))).toEqual([ids.order])
    expect(ordersToTell([order(), device()].map(change))).toEqual([])
  })

  test.each([
    ['its source, where that has a server', order(), [{ ...ehr, writeBack: true }], 'harbour-ehr'],
    ['its source, where nothing else is said', order(), [withoutSetting()], 'harbour-ehr'],
    ['nobody, where it is turned off', order(), [{ ...ehr, writeBack: false }], undefined],
    ['nobody, where the source has no server', order(), [{ id: 'harbour-ehr', takes: [], poll: 'PT30S' }], undefined],
    ['nobody, where a clinic wrote the order', order({ byHand: true }), [{ ...ehr, writeBack: true }], undefined],
  ])('goes to %s', (_name, about, sources, to) => {
    expect(toldOf(about, sources)).toBe(to)
  })
})

function withoutSetting() {
  const { writeBack: _set, ...source } = ehr
  return source
}
