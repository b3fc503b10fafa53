/** The order that is sent again and again, each time as a new patient's: what an EHR sends, about 3 KB. */
import type { Bundle, Patient, ServiceRequest } from 'fhir/r4.js'
import { harbourOrders, harbourPatients } from '../support/messages.ts'

/** Stands for the number of the order in the text that is sent. */
const slot = '{number}'

export const patientUrn = 'urn:uuid:5f0c1de2-0000-4000-8000-000000000001'

export const birthDate = '1950-03-17'

const patient: Patient = {
  resourceType: 'Patient',
  active: true,
  identifier: [
    {
      use: 'usual',
      type: {
        coding: [{ system: 'http://terminology.hl7.org/CodeSystem/v2-0203', code: 'MR' }],
        text: 'Hospital number',
      },
      system: harbourPatients,
      value: `TH-${slot}`,
      assigner: { display: 'Tern Harbour Clinic' },
    },
  ],
  name: [
    { use: 'official', family: `Núñez-Sandling ${slot}`, given: ['Anneke', 'Røse'], prefix: ['Dr'] },
    { use: 'maiden', family: 'Sandling' },
  ],
  telecom: [
    { system: 'phone', value: `+353 1 555 ${slot}`, use: 'home', rank: 1 },
    { system: 'phone', value: '+353 85 555 0199', use: 'mobile', rank: 2 },
    { system: 'email', value: `patient-${slot}@post.example` },
  ],
  gender: 'female',
  birthDate,
  address: [
    {
      use: 'home',
      line: ['12 Breakwater Terrace', 'Flat 3'],
      city: 'Tern Harbour',
      postalCode: 'TH4 X7',
      country: 'IE',
      period: { start: '2011-06-01' },
    },
  ],
  contact: [
    {
      relationship: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/v2-0131', code: 'N' }] }],
      name: { family: 'Sandling', given: ['Piet'] },
      telecom: [{ system: 'phone', value: '+353 1 555 0188' }],
    },
  ],
  communication: [{ language: { coding: [{ system: 'urn:ietf:bcp:47', code: 'en' }] }, preferred: true }],
}

const yesterday = (): string => `${new Date(Date.now() - 86_400_000).toISOString().slice(0, 10)}T09:30:00+00:00`

const order = (visit: string): ServiceRequest => ({
  resourceType: 'ServiceRequest',
  identifier: [
    {
      type: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/v2-0203', code: 'PLAC' }] },
      system: harbourOrders,
      value: `HE-${slot}`,
    },
  ],
  status: 'active',
  intent: 'order',
  category: [{ coding: [{ system: 'http://snomed.info/sct', code: '103693007', display: 'Diagnostic procedure' }] }],
  priority: 'routine',
  code: {
    coding: [{ system: 'http://snomed.info/sct', code: '46825001', display: 'Electrocardiographic monitoring' }],
    text: 'Continuous ambulatory ECG, 14 days',
  },
  subject: { reference: patientUrn, display: 'Anneke Núñez-Sandling' },
  occurrencePeriod: { start: visit },
  authoredOn: yesterday(),
  requester: {
    type: 'Practitioner',
    identifier: { system: 'https://harbour.example/staff', value: 'S-0417' },
    display: 'Dr Imre Vass',
  },
  performer: [{ display: 'Cardiac physiology, Tern Harbour Clinic' }],
  locationReference: [
    {
      type: 'Location',
      identifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
      display: 'Tern Harbour Clinic, bay 3',
    },
  ],
  reasonCode: [
    {
      coding: [{ system: 'http://snomed.info/sct', code: '80313002', display: 'Palpitations' }],
      text: 'Palpitations on most days, lasting minutes; syncope once',
    },
  ],
  note: [{ text: 'Skin reacts to some adhesives. Please give the leaflet about the diary.' }],
})

const bundle = (visit: string): Bundle => ({
  resourceType: 'Bundle',
  type: 'transaction',
  entry: [
    {
      fullUrl: patientUrn,
      request: { method: 'PUT', url: `Patient?identifier=${harbourPatients}|TH-${slot}` },
      resource: patient,
    },
    {
      fullUrl: 'urn:uuid:5f0c1de2-0000-4000-8000-000000000002',
      request: { method: 'PUT', url: `ServiceRequest?identifier=${harbourOrders}|HE-${slot}` },
      resource: order(visit),
    },
  ],
})

/** The text of the order of a number. */
export type OrderText = (number: string) => string

/** @param visit local day of the visit, `YYYY-MM-DD` */
export const orderText = (visit: string): OrderText => {
  const parts = JSON.stringify(bundle(visit)).split(slot)
  return (number) => parts.join(number)
}

/** Numbers that no earlier run on the same database has used. */
export const numbersOf = (run: string): (() => string) => {
  let last = 0
  return () => `${run}${String(++last).padStart(7, '0')}`
}
