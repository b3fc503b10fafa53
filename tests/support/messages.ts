/** Invented messages of a source, small and right, to be varied; and reading what is answered. */
import type { Bundle, BundleEntry, FhirResource, OperationOutcome, Patient, ServiceRequest } from 'fhir/r4.js'
import type { Answer, Ask } from './service.ts'

export const harbourOrders = 'https://harbour.example/orders'
export const harbourPatients = 'https://harbour.example/patients'
export const lowwaterOrders = 'https://lowwater.example/orders'
export const lowwaterPatients = 'https://lowwater.example/patients'

export const monitoring = { coding: [{ system: 'http://snomed.info/sct', code: '46825001' }] }

/** One source's way to number its patients and orders. */
interface Numbering {
  readonly orders: string
  readonly patients: string
}

export const harbour: Numbering = { orders: harbourOrders, patients: harbourPatients }
export const lowwater: Numbering = { orders: lowwaterOrders, patients: lowwaterPatients }

export const aPatient = (number: string, over: Partial<Patient> = {}, by = harbour): Patient => ({
  resourceType: 'Patient',
  identifier: [{ system: by.patients, value: number }],
  name: [{ family: 'Sandling', given: ['Anna'] }],
  birthDate: '1950-03-17',
  ...over,
})

export const anOrder = (
  placer: string,
  patient: string,
  over: Partial<ServiceRequest> = {},
  by = harbour,
): ServiceRequest => ({
  resourceType: 'ServiceRequest',
  identifier: [{ system: by.orders, value: placer }],
  status: 'active',
  intent: 'order',
  code: monitoring,
  subject: { reference: patient },
  ...over,
})

type Request = Omit<NonNullable<BundleEntry['request']>, 'method' | 'url'>

/** @param request the method and the address below the base, `PUT ServiceRequest?identifier=…` */
export const entry = (request: string, resource: FhirResource, more: Request = {}, fullUrl?: string): BundleEntry => {
  const [method = '', url = ''] = request.split(' ')
  return {
    ...(fullUrl !== undefined && { fullUrl }),
    resource,
    request: { method: method as 'POST' | 'PUT', url, ...more },
  }
}

export const bundle = (type: Bundle['type'], ...entries: readonly BundleEntry[]): Bundle => ({
  resourceType: 'Bundle',
  type,
  entry: [...entries],
})

const urn = 'urn:uuid:00000000-0000-4000-8000-00000000000a'

/** A patient and an order in one transaction, as an EHR sends them. */
export const orderWithPatient = (
  placer: string,
  patientNumber: string,
  over: { readonly order?: Partial<ServiceRequest>; readonly patient?: Partial<Patient> } = {},
  by = harbour,
): Bundle =>
  bundle(
    'transaction',
    entry(
      'POST Patient',
      aPatient(patientNumber, over.patient, by),
      { ifNoneExist: `identifier=${by.patients}|${patientNumber}` },
      urn,
    ),
    entry(`PUT ServiceRequest?identifier=${by.orders}|${placer}`, anOrder(placer, urn, over.order, by)),
  )

/** The ids in the answer to a transaction or batch, in the order of its entries. */
export const idsIn = (answer: Bundle): readonly string[] =>
  (answer.entry ?? []).map((e) => /\/fhir\/[A-Za-z]+\/([^/]+)/.exec(e.response?.location ?? '')?.[1] ?? '')

/** Sends an order with its patient and answers both ids. */
export const placeOrder = async (
  ask: Ask,
  placer: string,
  patientNumber: string,
  over: Parameters<typeof orderWithPatient>[2] = {},
  by = harbour,
): Promise<{ readonly patientId: string; readonly orderId: string }> => {
  const answer = await ask<Bundle>('POST', '/fhir', { body: orderWithPatient(placer, patientNumber, over, by) })
  const [patientId, orderId] = idsIn(answer.body)
  if (answer.status !== 200 || !patientId || !orderId) throw new Error(`not placed: ${answer.status} ${answer.text}`)
  return { patientId, orderId }
}

/** The refusal codes that an OperationOutcome names, sorted. */
export const codesIn = (outcome: OperationOutcome | undefined): readonly string[] =>
  (outcome?.issue ?? []).map((i) => i.details?.coding?.[0]?.code ?? 'none').sort()

/** What a refused call answered: its status and every code. */
export const refusalOf = ({ status, body }: Answer<unknown>) => ({ status, codes: codesIn(body as OperationOutcome) })

/** How many resources of a type a search finds. */
export const found = async (ask: Ask, type: string, query: string): Promise<readonly string[]> => {
  const { status, body, text } = await ask<Bundle>('GET', `/fhir/${type}?${query}`)
  if (status !== 200) throw new Error(`${status} ${text}`)
  return (body.entry ?? []).flatMap((e) => (e.search?.mode === 'match' ? [e.resource?.id ?? ''] : []))
}
