/** The call at the bedside: the order by its number, the barcode, the moment, two identifiers of the patient. */
import type { Parameters } from 'fhir/r4.js'
import { harbourOrders, harbourPatients } from '../support/messages.ts'
import { birthDate } from './order-message.ts'

let recorders = 0

/** Of a recorder that nobody has worn; GS1's prefix for demonstrations. `(17)` is its expiry date. */
const label = (expires: string): string =>
  `(01)09520123456788(17)${expires}(21)B${String(++recorders).padStart(7, '0')}`

const minuteAgo = (): string => `${new Date(Date.now() - 60_000).toISOString().slice(0, 19)}Z`

/** @param expires `YYMMDD` */
export const linkText = (number: string, expires = '491231'): string => {
  const parameters: Parameters = {
    resourceType: 'Parameters',
    parameter: [
      { name: 'order', valueIdentifier: { system: harbourOrders, value: `HE-${number}` } },
      { name: 'scan', valueString: label(expires) },
      { name: 'appliedAt', valueDateTime: minuteAgo() },
      { name: 'patientIdentifier', valueIdentifier: { system: harbourPatients, value: `TH-${number}` } },
      { name: 'birthDate', valueDate: birthDate },
    ],
  }
  return JSON.stringify(parameters)
}

export const linkPath = '/fhir/ServiceRequest/$link-device'
