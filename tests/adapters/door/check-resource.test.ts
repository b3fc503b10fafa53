import { describe, expect, it } from 'vitest'
import { checkResource } from '../../../src/adapters/fhir/door/check-resource.ts'

const coding = { system: 'http://snomed.info/sct', code: '46825001' }
const order = {
  resourceType: 'ServiceRequest',
  identifier: [{ system: 'https://harbour.example/orders', value: 'A-1' }],
  status: 'active',
  intent: 'order',
  code: { coding: [coding] },
  subject: { reference: 'Patient/p1' },
  occurrencePeriod: { start: '2026-03-02T09:00:00Z', end: '2026-03-16T09:00:00Z' },
  authoredOn: '2026-03-01',
}
const patient = { resourceType: 'Patient', name: [{ family: 'Sandpiper', given: ['Una'] }], birthDate: '1960-02-29' }
const observation = { resourceType: 'Observation', status: 'final', code: { text: 'offset' } }
const contained = { resourceType: 'Patient', id: 'p' }
const extension = { url: 'https://a.example/x', valueString: 'a' }

/** Code and places of each problem. */
const found = (resource: unknown, ...rest: [expected?: readonly string[], within?: string, known?: string[]]) =>
  checkResource(resource, ...rest).map(({ code, at }) => [code, ...at].join(' '))

type Case = [what: string, resource: unknown, ...problems: string[]]
const cases = (name: string, rows: readonly Case[]) =>
  describe(name, () => {
    it.each(rows)('%s', (_, resource, ...problems) => {
      expect(found(resource)).toEqual(problems)
    })
  })

cases('what is right passes', [
  ['an order', order],
  ['a patient', patient],
  ['an observation', observation],
  ['a resource without anything but its type', { resourceType: 'Patient' }],
  ['extensions, inside each other too', { ...patient, extension: [extension, { url: 'u:x', extension: [extension] }] }],
  [
    'a value that is known only by its extension',
    { ...observation, status: undefined, _status: { extension: [extension] } },
  ],
  [
    'null that keeps the place of an extended value',
    { ...patient, name: [{ given: ['U', null], _given: [null, { extension: [extension] }] }] },
  ],
  [
    'a scan with its separators',
    { resourceType: 'Parameters', parameter: [{ name: 'scan', valueString: '010\u001d21' }] },
  ],
  ['base64 with line breaks', { resourceType: 'Binary', contentType: 'a/b', data: 'QUJD\nREVG\n' }],
  ['the farthest offset', { ...order, authoredOn: '2026-03-01T00:00:00.123+14:00' }],
  ['what a contained patient says of the order', { ...order, subject: { reference: '#p' }, contained: [contained] }],
  [
    'a contained resource of a type that is not used',
    { ...order, insurance: [{ reference: '#c' }], contained: [{ resourceType: 'Coverage', id: 'c', foo: 1 }] },
  ],
])

cases('what is no resource', [
  ['nothing', undefined, 'wrong-type'],
  ['null', null, 'wrong-type'],
  ['an array', [], 'wrong-type'],
  ['a text', 'Patient', 'wrong-type'],
  ['no type', {}, 'missing-element'],
  ['a type that R4 lacks', { resourceType: 'Holter' }, 'wrong-resource-type'],
  ['a name from the prototype', { resourceType: 'constructor' }, 'wrong-resource-type'],
  ['an abstract type', { resourceType: 'DomainResource' }, 'wrong-resource-type'],
  ['a number as type', { resourceType: 7 }, 'wrong-resource-type'],
  ['a type of R4 without definition here', { resourceType: 'Coverage' }, 'type-not-taken Coverage'],
])

cases('elements: known, of the right type, as often as allowed', [
  ['an unknown element', { ...order, foo: 1 }, 'unknown-element ServiceRequest.foo'],
  ['an unknown element inside', { ...order, code: { text: 'x', foo: 1 } }, 'unknown-element ServiceRequest.code.foo'],
  ['an unknown type of a choice', { ...order, asNeededString: 'x' }, 'unknown-element ServiceRequest.asNeededString'],
  ['a choice element without type', { ...order, asNeeded: true }, 'unknown-element ServiceRequest.asNeeded'],
  ['an extension of what is no primitive', { ...order, _code: {} }, 'unknown-element ServiceRequest._code'],
  [
    'resourceType inside',
    { ...order, code: { resourceType: 'x', text: 'x' } },
    'unknown-element ServiceRequest.code.resourceType',
  ],
  ['one for a list', { ...order, identifier: order.identifier[0] }, 'wrong-type ServiceRequest.identifier'],
  ['a list for one', { ...order, code: [order.code] }, 'wrong-cardinality ServiceRequest.code'],
  ['text for an object', { ...order, code: 'x' }, 'wrong-type ServiceRequest.code'],
  ['an object for text', { ...order, status: {} }, 'wrong-type ServiceRequest.status'],
  [
    'a number for text',
    { ...order, identifier: [{ system: 'u:x', value: 7 }] },
    'wrong-type ServiceRequest.identifier[0].value',
  ],
  ['text for true or false', { ...patient, active: 'true' }, 'wrong-type Patient.active'],
  ['text for a number', { ...observation, valueQuantity: { value: '1.5' } }, 'wrong-type Observation.value.value'],
  [
    'nothing where something must be',
    { resourceType: 'ServiceRequest' },
    'missing-element ServiceRequest.status',
    'missing-element ServiceRequest.intent',
    'missing-element ServiceRequest.subject',
  ],
  [
    'nothing where one of a choice must be',
    { resourceType: 'AuditEvent', agent: [{ requestor: true, network: {} }] },
    'empty-value AuditEvent.agent[0].network',
    'missing-element AuditEvent.type',
    'missing-element AuditEvent.recorded',
    'missing-element AuditEvent.source',
  ],
  [
    'two of a choice',
    { ...order, asNeededBoolean: true, asNeededCodeableConcept: { text: 'x' } },
    'wrong-cardinality ServiceRequest.asNeeded',
  ],
  [
    'two of a choice, one by its extension',
    { ...order, asNeededBoolean: true, _occurrenceDateTime: { extension: [extension] } },
    'wrong-cardinality ServiceRequest.occurrence',
  ],
  ['a list of extensions for one value', { ...patient, _birthDate: [{ id: 'a' }] }, 'wrong-type Patient.birthDate'],
  [
    'one extension for a list',
    { ...patient, name: [{ given: ['U'], _given: { id: 'a' } }] },
    'wrong-type Patient.name[0].given',
  ],
  [
    'text among extensions',
    { ...patient, name: [{ given: ['U', null], _given: ['x', { extension: [extension] }] }] },
    'wrong-type Patient.name[0].given[0]',
  ],
  [
    'an unknown element of an extended value',
    { ...patient, _birthDate: { foo: 1 } },
    'unknown-element Patient.birthDate.foo',
  ],
])

cases('nothing is empty', [
  ['text', { ...order, code: { text: '' } }, 'empty-value ServiceRequest.code.text'],
  ['text of blanks', { ...order, code: { text: ' \t' } }, 'empty-value ServiceRequest.code.text'],
  ['a list', { ...order, note: [] }, 'empty-value ServiceRequest.note'],
  ['an object', { ...order, code: {} }, 'empty-value ServiceRequest.code'],
  ['an object with an id only', { ...order, code: { id: 'a' } }, 'empty-value ServiceRequest.code'],
  ['an object in a list', { ...order, identifier: [{}] }, 'empty-value ServiceRequest.identifier[0]'],
  ['null', { ...order, code: null }, 'empty-value ServiceRequest.code'],
  ['null in a list', { ...order, note: [null] }, 'empty-value ServiceRequest.note[0]'],
  ['null in a list of values', { ...patient, name: [{ given: ['U', null] }] }, 'empty-value Patient.name[0].given[1]'],
  [
    'a value whose place holds an id only',
    { ...patient, birthDate: undefined, _birthDate: { id: 'a' } },
    'empty-value Patient.birthDate',
  ],
  ['an extension of a value', { ...patient, _birthDate: {} }, 'empty-value Patient.birthDate'],
  [
    'a list of extensions',
    { ...patient, name: [{ given: ['U'], _given: [null] }] },
    'empty-value Patient.name[0].given',
  ],
])

cases('moments and days', [
  ['30 February', { ...patient, birthDate: '1960-02-30' }, 'wrong-value Patient.birthDate'],
  [
    '29 February of a year that is no leap year',
    { ...patient, birthDate: '1900-02-29' },
    'wrong-value Patient.birthDate',
  ],
  ['29 February 2000', { ...patient, birthDate: '2000-02-29' }],
  ['31 April', { ...order, authoredOn: '2026-04-31T10:00:00Z' }, 'wrong-value ServiceRequest.authoredOn'],
  ['a month and a year alone', { ...patient, birthDate: '1960-02' }],
  ['month 13', { ...patient, birthDate: '1960-13' }, 'wrong-value Patient.birthDate'],
  ['the year 0', { ...patient, birthDate: '0000-01-01' }, 'wrong-value Patient.birthDate'],
  ['a moment for a date', { ...patient, birthDate: '1960-02-01T10:00:00Z' }, 'wrong-value Patient.birthDate'],
  ['a date as people write it', { ...patient, birthDate: '01/02/1960' }, 'wrong-value Patient.birthDate'],
  ['no offset', { ...order, authoredOn: '2026-03-01T10:00:00' }, 'missing-offset ServiceRequest.authoredOn'],
  ['a leap second', { ...order, authoredOn: '2016-12-31T23:59:60Z' }, 'leap-second ServiceRequest.authoredOn'],
  ['the first second of year 1', { ...order, authoredOn: '0001-01-01T00:00:00Z' }],
  [
    'a second before it',
    { ...order, authoredOn: '0001-01-01T00:00:00+00:01' },
    'wrong-value ServiceRequest.authoredOn',
  ],
  ['the last second of year 9999', { ...order, authoredOn: '9999-12-31T23:59:59.999999Z' }],
  [
    'a second behind it',
    { ...order, authoredOn: '9999-12-31T23:59:59-00:01' },
    'wrong-value ServiceRequest.authoredOn',
  ],
  ['no seconds', { ...order, authoredOn: '2026-03-01T10:00Z' }, 'wrong-value ServiceRequest.authoredOn'],
  ['hour 24', { ...order, authoredOn: '2026-03-01T24:00:00Z' }, 'wrong-value ServiceRequest.authoredOn'],
  [
    'offset of 15 hours',
    { ...order, authoredOn: '2026-03-01T10:00:00+15:00' },
    'wrong-value ServiceRequest.authoredOn',
  ],
  [
    'an instant without time',
    { ...order, meta: { lastUpdated: '2026-03-01' } },
    'wrong-value ServiceRequest.meta.lastUpdated',
  ],
  [
    'an instant without offset',
    { ...order, meta: { lastUpdated: '2026-03-01T10:00:00' } },
    'missing-offset ServiceRequest.meta.lastUpdated',
  ],
  ['a time of day without seconds', { ...observation, valueTime: '09:30' }, 'wrong-value Observation.value'],
])

cases('the other primitive types', [
  ['an id with a blank', { ...order, id: 'a b' }, 'wrong-value ServiceRequest.id'],
  ['an id of 65 characters', { ...order, id: 'a'.repeat(65) }, 'wrong-value ServiceRequest.id'],
  [
    'a URI with a blank',
    { ...order, identifier: [{ system: 'a b' }] },
    'wrong-value ServiceRequest.identifier[0].system',
  ],
  ['a code with a blank before it', { ...order, status: ' active' }, 'wrong-value ServiceRequest.status'],
  ['text with a form feed', { ...order, code: { text: 'a\fb' } }, 'wrong-value ServiceRequest.code.text'],
  [
    'text of more than 1 MB',
    { ...order, code: { text: 'a'.repeat(1_048_577) } },
    'wrong-value ServiceRequest.code.text',
  ],
  ['base64 that is cut', { resourceType: 'Binary', contentType: 'a/b', data: 'QUJ' }, 'wrong-value Binary.data'],
  [
    'base64 with other characters',
    { resourceType: 'Binary', contentType: 'a/b', data: 'Q_JD' },
    'wrong-value Binary.data',
  ],
  ['a whole number with a fraction', { ...observation, valueInteger: 1.5 }, 'wrong-value Observation.value'],
  [
    'a whole number of more than 32 bits',
    { ...observation, valueInteger: 2147483648 },
    'wrong-value Observation.value',
  ],
  ['0 for a positive number', { ...patient, telecom: [{ rank: 0 }] }, 'wrong-value Patient.telecom[0].rank'],
  [
    'a negative number of minutes',
    {
      resourceType: 'Appointment',
      status: 'pending',
      start: '2026-03-02T09:00:00Z',
      end: '2026-03-02T09:10:00Z',
      minutesDuration: -1,
      participant: [{ actor: { display: 'a' }, status: 'accepted' }],
    },
    'wrong-value Appointment.minutesDuration',
  ],
  [
    'an upper-case UUID',
    { ...order, extension: [{ url: 'u:x', valueUuid: 'urn:uuid:C757873D-EC9A-4326-A141-556F43239520' }] },
    'wrong-value ServiceRequest.extension[0].value',
  ],
  [
    'an OID without its arc',
    { ...order, extension: [{ url: 'u:x', valueOid: 'urn:oid:3.4' }] },
    'wrong-value ServiceRequest.extension[0].value',
  ],
  [
    'a narrative that is no div',
    { ...order, text: { status: 'generated', div: 'Order' } },
    'wrong-value ServiceRequest.text.div',
  ],
])

cases('codes of required bindings', [
  ['a status', { ...order, status: 'bogus' }, 'unknown-code ServiceRequest.status'],
  ['an intent', { ...order, intent: 'Order' }, 'unknown-code ServiceRequest.intent'],
  ['a gender', { ...patient, gender: 'm' }, 'unknown-code Patient.gender'],
  [
    'a code within a data type',
    { ...patient, identifier: [{ use: 'main', value: '1' }] },
    'unknown-code Patient.identifier[0].use',
  ],
  [
    'the status of a gap, which R4 binds to observation-status',
    { resourceType: 'DetectedIssue', status: 'mitigated' },
    'unknown-code DetectedIssue.status',
  ],
  [
    'a CodeableConcept by one of its codings',
    {
      resourceType: 'Condition',
      subject: { display: 'a' },
      clinicalStatus: {
        coding: [coding, { system: 'http://terminology.hl7.org/CodeSystem/condition-clinical', code: 'active' }],
      },
    },
  ],
  [
    'a CodeableConcept without such a coding',
    { resourceType: 'Condition', subject: { display: 'a' }, clinicalStatus: { coding: [coding] } },
    'unknown-code Condition.clinicalStatus.coding',
  ],
  [
    'a CodeableConcept with text only',
    { resourceType: 'Condition', subject: { display: 'a' }, clinicalStatus: { text: 'ill' } },
    'unknown-code Condition.clinicalStatus.coding',
  ],
])

cases('what may change the meaning is refused wherever it stands', [
  [
    'in the resource',
    { ...order, modifierExtension: [extension] },
    'unknown-modifier ServiceRequest.modifierExtension[0]',
  ],
  [
    'in a backbone element',
    { ...patient, contact: [{ name: { text: 'a' }, modifierExtension: [extension] }] },
    'unknown-modifier Patient.contact[0].modifierExtension[0]',
  ],
  [
    'in a data type, where R4 has none',
    { ...order, code: { text: 'a', modifierExtension: [extension] } },
    'unknown-element ServiceRequest.code.modifierExtension',
    'unknown-modifier ServiceRequest.code.modifierExtension[0]',
  ],
  [
    'in a contained resource',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, modifierExtension: [extension] }] },
    'unknown-modifier ServiceRequest.contained[0].modifierExtension[0]',
  ],
  [
    'deep in a contained resource of a type that is not used',
    {
      ...order,
      insurance: [{ reference: '#c' }],
      contained: [{ resourceType: 'Coverage', id: 'c', class: [{ modifierExtension: [extension] }] }],
    },
    'unknown-modifier ServiceRequest.contained[0].class[0].modifierExtension[0]',
  ],
  // a modifier by its definition: http://hl7.org/fhir/R4/resource.html
  ['by rules of the sender', { ...order, implicitRules: 'u:rules' }, 'unknown-modifier ServiceRequest.implicitRules'],
  [
    'by rules that an extension alone tells of',
    { ...order, _implicitRules: { extension: [extension] } },
    'unknown-modifier ServiceRequest.implicitRules',
  ],
  [
    'by rules for a contained resource',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, implicitRules: 'u:rules' }] },
    'unknown-modifier ServiceRequest.contained[0].implicitRules',
  ],
  [
    'by rules for a contained resource of a type that is not used',
    {
      ...order,
      insurance: [{ reference: '#c' }],
      contained: [{ resourceType: 'Coverage', id: 'c', implicitRules: 'u:rules' }],
    },
    'unknown-modifier ServiceRequest.contained[0].implicitRules',
  ],
  [
    'by rules for a Bundle',
    { resourceType: 'Bundle', type: 'batch', implicitRules: 'u:rules' },
    'unknown-modifier Bundle.implicitRules',
  ],
])

cases('references', [
  [
    'to a type that is not allowed',
    { ...order, subject: { reference: 'Practitioner/1' } },
    'wrong-reference ServiceRequest.subject.reference',
  ],
  [
    'the same by URL and version',
    { ...order, subject: { reference: 'https://h.example/fhir/Practitioner/1/_history/2' } },
    'wrong-reference ServiceRequest.subject.reference',
  ],
  [
    'the same by condition',
    { ...order, subject: { reference: 'Practitioner?identifier=1' } },
    'wrong-reference ServiceRequest.subject.reference',
  ],
  [
    'the same by type',
    { ...order, subject: { type: 'Practitioner', identifier: { value: '1' } } },
    'wrong-reference ServiceRequest.subject.type',
  ],
  [
    'the same, contained',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, resourceType: 'Practitioner' }] },
    'wrong-reference ServiceRequest.subject.reference',
  ],
  [
    'a type that the reference denies',
    { ...order, subject: { reference: 'Patient/1', type: 'Group' } },
    'wrong-value ServiceRequest.subject.type',
  ],
  [
    'an address that names no type',
    { ...order, subject: { reference: 'urn:uuid:c757873d-ec9a-4326-a141-556f43239520' } },
  ],
  [
    'to nothing contained',
    { ...order, subject: { reference: '#q' } },
    'broken-invariant ServiceRequest.subject.reference',
  ],
  ['none to what is contained', { ...order, contained: [contained] }, 'broken-invariant ServiceRequest.contained[0]'],
  [
    'a text that looks like one',
    { ...order, note: [{ text: '#p' }], contained: [contained] },
    'broken-invariant ServiceRequest.contained[0]',
  ],
  ['a canonical to what is contained', { ...order, instantiatesCanonical: ['#p'], contained: [contained] }],
  [
    'from what is contained to what contains it',
    {
      ...order,
      contained: [
        {
          resourceType: 'Provenance',
          id: 'p',
          recorded: '2026-03-01T10:00:00Z',
          target: [{ reference: '#' }],
          agent: [{ who: { display: 'a' } }],
        },
      ],
    },
  ],
  [
    'a contained resource without id',
    { ...order, contained: [{ resourceType: 'Patient', active: true }] },
    'missing-element ServiceRequest.contained[0].id',
  ],
  [
    'two contained resources with one id',
    { ...order, subject: { reference: '#p' }, contained: [contained, contained] },
    'wrong-value ServiceRequest.contained[1].id',
  ],
  [
    'a contained resource of a type that R4 lacks',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, resourceType: 'Person2' }] },
    'wrong-resource-type ServiceRequest.contained[0]',
  ],
  [
    'a contained resource without type',
    { ...order, note: [{ text: 'a' }], contained: [{ id: 'p' }], subject: { reference: '#p' } },
    'missing-element ServiceRequest.contained[0]',
  ],
  [
    'contained in what is contained',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, contained: [contained] }] },
    'broken-invariant ServiceRequest',
  ],
  [
    'a version in what is contained',
    { ...order, subject: { reference: '#p' }, contained: [{ ...contained, meta: { versionId: '1' } }] },
    'broken-invariant ServiceRequest',
  ],
])

cases('invariants, of data types too', [
  ['obs-6', { ...observation, valueString: 'a', dataAbsentReason: { text: 'b' } }, 'broken-invariant Observation'],
  [
    'per-1',
    { ...order, occurrencePeriod: { start: '2026-03-16', end: '2026-03-02' } },
    'broken-invariant ServiceRequest.occurrence',
  ],
  [
    'per-1 is not told besides what is wrong with its moments',
    { ...order, occurrencePeriod: { start: '2026-03-02T09:00:00', end: '2026-02-30' } },
    'missing-offset ServiceRequest.occurrence.start',
    'wrong-value ServiceRequest.occurrence.end',
  ],
  [
    'nor a comparison of two elements of the resource itself',
    {
      ...{ resourceType: 'Task', status: 'requested', intent: 'order' },
      ...{ authoredOn: '2026-03-02T09:00:00Z', lastModified: '2026-02-30' },
    },
    'wrong-value Task.lastModified',
  ],
  [
    'while what asks only whether something is there is',
    { ...observation, valueDateTime: '2026-02-30', dataAbsentReason: { text: 'b' } },
    'wrong-value Observation.value',
    'broken-invariant Observation',
  ],
  [
    'and what is broken elsewhere is',
    { ...order, occurrencePeriod: { id: 'a', start: '2026-03-16', end: '2026-03-02' }, authoredOn: '2026-02-30' },
    'broken-invariant ServiceRequest.occurrence',
    'wrong-value ServiceRequest.authoredOn',
  ],
  ['qty-3', { ...observation, valueQuantity: { value: 1, code: 'mV' } }, 'broken-invariant Observation.value'],
  ['pat-1', { ...patient, contact: [{ gender: 'male' }] }, 'broken-invariant Patient.contact[0]'],
  [
    'org-3, of an element',
    { resourceType: 'Organization', name: 'a', telecom: [{ use: 'home' }] },
    'broken-invariant Organization.telecom[0]',
  ],
  [
    'ext-1: both',
    { ...order, extension: [{ ...extension, extension: [extension] }] },
    'broken-invariant ServiceRequest.extension[0]',
  ],
  ['ext-1: neither', { ...order, extension: [{ url: 'u:x' }] }, 'broken-invariant ServiceRequest.extension[0]'],
  [
    'an extension without url',
    { ...order, extension: [{ valueString: 'a' }] },
    'missing-element ServiceRequest.extension[0].url',
  ],
  [
    'of a contained resource',
    {
      ...order,
      supportingInfo: [{ reference: '#o' }],
      contained: [{ ...observation, id: 'o', valueString: 'a', dataAbsentReason: { text: 'b' } }],
    },
    'broken-invariant ServiceRequest.contained[0]',
  ],
])

cases('resources within resources', [
  [
    'a parameter',
    { resourceType: 'Parameters', parameter: [{ name: 'link', resource: { ...patient, gender: 'm' } }] },
    'unknown-code Parameters.parameter[0].resource.gender',
  ],
  [
    'a parameter has its own contained resources',
    {
      resourceType: 'Parameters',
      parameter: [{ name: 'a', resource: { ...order, subject: { reference: '#p' }, contained: [contained] } }],
    },
  ],
  [
    'a parameter of a type that is not used',
    {
      resourceType: 'Parameters',
      parameter: [{ name: 'a', resource: { resourceType: 'Coverage', modifierExtension: [extension] } }],
    },
    'unknown-modifier Parameters.parameter[0].resource.modifierExtension[0]',
  ],
  [
    'the entries of a Bundle are left to the caller',
    {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [{ resource: { ...patient, gender: 'm' }, request: { method: 'POST', url: 'Patient' } }],
    },
  ],
  [
    'the Bundle around them is not',
    {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [{ resource: patient, request: { method: 'SEND', url: 'Patient' } }, { resource: patient }],
    },
    'unknown-code Bundle.entry[0].request.method',
    'broken-invariant Bundle',
  ],
])

it('everything that is wrong is told at once', () => {
  const wrong = {
    ...order,
    status: 'bogus',
    foo: 1,
    code: { text: '' },
    authoredOn: '2026-03-01T10:00:00',
    subject: undefined,
  }
  expect(found(wrong)).toEqual([
    'unknown-code ServiceRequest.status',
    'empty-value ServiceRequest.code.text',
    'missing-offset ServiceRequest.authoredOn',
    'unknown-element ServiceRequest.foo',
    'missing-element ServiceRequest.subject',
  ])
})

it('a problem says what was found and what is expected', () => {
  expect(checkResource({ ...patient, gender: 'm', birthDate: 7 })).toEqual([
    { code: 'wrong-type', severity: 'error', at: ['Patient.birthDate'], found: 'a number', expected: 'a string' },
    {
      code: 'unknown-code',
      severity: 'error',
      at: ['Patient.gender'],
      found: 'm',
      expected: 'female, male, other, unknown',
    },
  ])
  expect(checkResource({ ...observation, valueString: 'a', dataAbsentReason: { text: 'b' } })[0]?.expected).toBe(
    'obs-6: dataAbsentReason SHALL only be present if Observation.value[x] is not present',
  )
})

it('within a Bundle each problem is told at two places', () => {
  expect(found({ ...order, intent: 'ordr' }, undefined, 'Bundle.entry[1].resource')).toEqual([
    'unknown-code Bundle.entry[1].resource.intent ServiceRequest.intent',
  ])
  expect(found('x', undefined, 'Bundle.entry[1].resource')).toEqual(['wrong-type Bundle.entry[1].resource'])
})

it('a type that the call does not take is refused before anything else', () => {
  expect(found({ ...patient, gender: 'm' }, ['ServiceRequest'])).toEqual(['wrong-resource-type Patient'])
  expect(found(order, ['Patient', 'ServiceRequest'])).toEqual([])
})

it('a modifier extension that is known passes', () => {
  const modified = { ...order, modifierExtension: [extension, { url: 'u:other', valueString: 'a' }] }
  expect(found(modified, undefined, undefined, [extension.url])).toEqual([
    'unknown-modifier ServiceRequest.modifierExtension[1]',
  ])
})

it('beyond the 500 problems that are told one more is noted, so that it can be told that there are more', () => {
  expect(checkResource({ ...order, note: Array.from({ length: 2000 }, () => ({ text: '' })) })).toHaveLength(501)
})

it('what is nested without end is told, however it came past the parser', () => {
  const nested = (levels: number): unknown =>
    levels === 0 ? extension : { url: 'u:x', extension: [nested(levels - 1)] }
  const codes = new Set(checkResource({ ...order, extension: [nested(5000)] }).map(({ code }) => code))
  expect(codes).toEqual(new Set(['too-deep']))
  const foreign = { resourceType: 'Coverage', id: 'c', deep: nested(5000) }
  const inside = { ...order, insurance: [{ reference: '#c' }], contained: [foreign] }
  expect(new Set(checkResource(inside).map(({ code }) => code))).toEqual(new Set(['too-deep']))
})
