/** Invented patients and orders of a source, the same for the same seed. No name is anybody's. */
import type { FhirResource, Patient, ServiceRequest } from 'fhir/r4.js'

export const numbering = { orders: 'https://harbour.example/orders', patients: 'https://harbour.example/patients' }

const families = ['Sandling', 'Morrowick', 'Tarnby', 'Ferncastle', 'Okeling', 'Brackwater', 'Dunmarsh', 'Velholt']
const givens = ['Anneke', 'Bram', 'Celia', 'Doran', 'Elke', 'Fenno', 'Greta', 'Hollis']

/** SNOMED CT 46825001, an electrocardiographic monitoring: one of the codes that Daybind takes by itself. */
const code = { coding: [{ system: 'http://snomed.info/sct', code: '46825001' }] }

/** Small whole numbers that follow from seed and position: Knuth's multiplicative hash. */
const luck = (seed: number, n: number, below: number): number =>
  (Math.imul(seed * 1_009 + n + 1, 2_654_435_761) >>> 8) % below

/** @param n which one, from 1; ids are what a server gave them. @param at the instant of ordering */
export function inventedOrder(seed: number, n: number, at: Date): [Patient, ServiceRequest] {
  const number = `${seed}-${String(n).padStart(4, '0')}`
  const day = new Date(Date.UTC(1930 + luck(seed, n, 70), luck(seed, n + 7, 12), 1 + luck(seed, n + 13, 28)))
  const patient: Patient = {
    resourceType: 'Patient',
    id: `p-${number}`,
    identifier: [{ system: numbering.patients, value: `H${number}` }],
    name: [
      {
        family: families[luck(seed, n, families.length)] ?? '',
        given: [givens[luck(seed, n + 3, givens.length)] ?? ''],
      },
    ],
    birthDate: day.toISOString().slice(0, 10),
  }
  const order: ServiceRequest = {
    resourceType: 'ServiceRequest',
    id: `o-${number}`,
    identifier: [
      {
        type: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/v2-0203', code: 'PLAC' }] },
        system: numbering.orders,
        value: `O${number}`,
      },
    ],
    status: 'active',
    intent: 'order',
    code,
    subject: { reference: `Patient/${patient.id}` },
    authoredOn: at.toISOString(),
  }
  return [patient, order]
}

export const inventedOrders = (seed: number, count: number, at: Date): FhirResource[] =>
  Array.from({ length: count }, (_, n) => inventedOrder(seed, n + 1, at)).flat()
