/** What the callers of the torture say: invented people, orders, labels of recorders. */
import type { Bundle, FhirResource, Identifier, Parameters, ParametersParameter, ServiceRequest } from 'fhir/r4.js'

export const harbour = {
  orders: 'https://harbour.example/orders',
  patients: 'https://harbour.example/patients',
} as const

export const codings = [{ system: 'http://snomed.info/sct', code: '46825001' }]

export const tokenOf = (caller: string): string => `token-of-${caller}`

const own = 'urn:uuid:5f0c1de2-0000-4000-8000-000000000001'

/** @param n of the content: each other number is another content */
export const orderMessage = (number: string, n: number, status: ServiceRequest['status']): Bundle<FhirResource> => ({
  resourceType: 'Bundle',
  type: 'transaction',
  entry: [
    {
      fullUrl: own,
      resource: {
        resourceType: 'Patient',
        identifier: [patientIdentifier(number)],
        name: [{ family: `Sandling${number}`, given: ['Anneke'] }],
        birthDate,
      },
      request: { method: 'PUT', url: `Patient?identifier=${encodeURIComponent(`${harbour.patients}|${number}`)}` },
    },
    {
      resource: {
        resourceType: 'ServiceRequest',
        identifier: [{ system: harbour.orders, value: number }],
        status,
        intent: 'order',
        code: { coding: codings },
        subject: { reference: own },
        note: [{ text: `content ${n}` }],
      },
      request: { method: 'PUT', url: `ServiceRequest?identifier=${encodeURIComponent(`${harbour.orders}|${number}`)}` },
    },
  ],
})

const patientIdentifier = (number: string): Identifier => ({ system: harbour.patients, value: number })
const birthDate = '1950-03-17'

export const twoIdentifiers = (number: string): readonly ParametersParameter[] => [
  { name: 'patientIdentifier', valueIdentifier: patientIdentifier(number) },
  { name: 'birthDate', valueDate: birthDate },
]

/** GS1's prefix for demonstrations. */
export const scanOf = (serial: string): ParametersParameter => ({
  name: 'scan',
  valueString: `(01)09520123456788(21)${serial}`,
})

export const parameters = (...parameter: readonly ParametersParameter[]): Parameters => ({
  resourceType: 'Parameters',
  parameter: [...parameter],
})

/** So many seconds before now, to the second. */
export const ago = (seconds: number): string =>
  new Date(Date.now() - seconds * 1000).toISOString().replace(/\.\d+Z$/, 'Z')
