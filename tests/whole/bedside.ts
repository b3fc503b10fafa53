/**
 * What the tests of the whole service say to it: invented people and their orders, labels of recorders, calls of the
 * operations. Written from the contract, apart from the code's own tables.
 */
import type {
  Bundle,
  FhirResource,
  Identifier,
  OperationOutcome,
  Parameters,
  ParametersParameter,
  ServiceRequest,
} from 'fhir/r4.js'
import { Client } from 'pg'
import { expect } from 'vitest'
import type { Answer, Ask } from '../support/service.ts'

export const placers = 'https://harbour.example/orders'
export const patientNumbers = 'https://harbour.example/patients'

/** Somebody with an order. Every part of them is a word that nothing else contains, so that a leak can be searched for. */
export interface Person {
  readonly number: string
  readonly family: string
  readonly given: string
  readonly birthDate: string
  readonly phone: string
}

export interface Ordered {
  readonly person: Person
  readonly placer: Identifier
  /** Our ids. */
  readonly order: string
  readonly patient: string
}

let people = 0

export const newPerson = (): Person => {
  people += 1
  const n = String(people).padStart(4, '0')
  return {
    number: `TH-${n}`,
    family: `Sandling${n}`,
    given: `Anneke${n}`,
    birthDate: `${1940 + (people % 50)}-03-${String(1 + (people % 28)).padStart(2, '0')}`,
    phone: `+353 1 555 ${n}`,
  }
}

export interface OrderOptions {
  readonly person?: Person
  readonly placer?: string
  readonly system?: string
  readonly status?: ServiceRequest['status']
  /** `YYYY-MM-DD`; absent: no visit is expected. */
  readonly visit?: string
  readonly site?: string
  readonly codings?: readonly { readonly system: string; readonly code: string }[]
  readonly note?: string
}

export const ecgMonitoring = { system: 'http://snomed.info/sct', code: '46825001' }
export const continuousEcg = { system: 'http://snomed.info/sct', code: '266706003' }

export const orderBundle = (person: Person, placer: string, o: OrderOptions = {}): Bundle<FhirResource> => ({
  resourceType: 'Bundle',
  type: 'transaction',
  entry: [
    {
      fullUrl: 'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e01',
      resource: {
        resourceType: 'Patient',
        identifier: [{ system: patientNumbers, value: person.number }],
        name: [{ family: person.family, given: [person.given] }],
        telecom: [{ system: 'phone', value: person.phone }],
        birthDate: person.birthDate,
      },
      request: { method: 'PUT', url: `Patient?identifier=${encodeURIComponent(`${patientNumbers}|${person.number}`)}` },
    },
    {
      fullUrl: 'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e02',
      resource: {
        resourceType: 'ServiceRequest',
        identifier: [{ system: o.system ?? placers, value: placer }],
        status: o.status ?? 'active',
        intent: 'order',
        code: { coding: [...(o.codings ?? [ecgMonitoring])] },
        subject: { reference: 'urn:uuid:0b2f5c1e-9f5b-4c52-9d6a-1f5a3c0d7e01' },
        ...(o.visit !== undefined && { occurrenceDateTime: o.visit }),
        ...(o.note !== undefined && { note: [{ text: o.note }] }),
        ...(o.site !== undefined && {
          locationReference: [{ identifier: { system: 'https://daybind.example/sites', value: o.site } }],
        }),
      },
      request: {
        method: 'PUT',
        url: `ServiceRequest?identifier=${encodeURIComponent(`${o.system ?? placers}|${placer}`)}`,
      },
    },
  ],
})

/** The patient alone, by number. */
export const sendPatient = (ask: Ask, person: Person): Promise<Answer<FhirResource>> =>
  ask('PUT', `/fhir/Patient?identifier=${encodeURIComponent(`${patientNumbers}|${person.number}`)}`, {
    body: orderBundle(person, '').entry?.[0]?.resource,
  })

const idIn = (bundle: Bundle, at: number): string =>
  /\/([0-9a-f-]{36})\/_history/.exec(bundle.entry?.[at]?.response?.location ?? '')?.[1] ?? ''

/** Sends an order as a source; revises it where the placer number is known. */
export const sendOrder = async (ask: Ask, o: OrderOptions = {}): Promise<Ordered> => {
  const person = o.person ?? newPerson()
  const placer = o.placer ?? `P-${person.number}`
  const answer = await ask<Bundle>('POST', '/fhir', { body: orderBundle(person, placer, o) })
  expect(answer.status, answer.text).toBe(200)
  const identifier = { system: o.system ?? placers, value: placer }
  return { person, placer: identifier, order: idIn(answer.body, 1), patient: idIn(answer.body, 0) }
}

/** GS1's prefix for demonstrations. */
const gtin = '09520123456788'

let recorders = 0

export const newSerial = (): string => `RC${String(++recorders).padStart(5, '0')}`

/** @param expires `YYMMDD` */
export const label = (serial: string, expires?: string): string =>
  `(01)${gtin}${expires === undefined ? '' : `(17)${expires}`}(21)${serial}`

const types: Readonly<Record<string, string>> = {
  scan: 'String',
  serialNumber: 'String',
  deviceIdentifier: 'String',
  family: 'String',
  given: 'String',
  phone: 'String',
  note: 'String',
  captureKey: 'String',
  action: 'Code',
  appliedAt: 'DateTime',
  endedAt: 'DateTime',
  receivedAt: 'DateTime',
  wornUntil: 'DateTime',
  deviceClock: 'DateTime',
  order: 'Identifier',
  patientIdentifier: 'Identifier',
  site: 'Identifier',
  birthDate: 'Date',
  newDate: 'Date',
  date: 'Date',
  asOf: 'Instant',
  performer: 'Reference',
  bodySite: 'CodeableConcept',
  evidence: 'Code',
}

/** `why` is a reason that is a code, `because` one in words. */
const one = (name: string, value: unknown): ParametersParameter =>
  (name === 'why'
    ? { name: 'reason', valueCode: value }
    : name === 'because'
      ? { name: 'reason', valueString: value }
      : { name, [`value${types[name]}`]: value }) as ParametersParameter

export type Said = Readonly<Record<string, unknown>>

/** A call with these parameters; a list is a parameter that is given repeatedly, undefined one that is left out. */
export const parameters = (said: Said): Parameters => ({
  resourceType: 'Parameters',
  parameter: Object.entries(said)
    .filter(([, value]) => value !== undefined)
    .flatMap(([name, value]) => (Array.isArray(value) ? value : [value]).map((v) => one(name, v))),
})

export const twoIdentifiers = ({ number, birthDate }: Person): Said => ({
  patientIdentifier: { system: patientNumbers, value: number },
  birthDate,
})

/** What an operation answers: its parameters, or what is wrong. */
export type Told = Partial<Pick<Parameters, 'parameter'> & Pick<OperationOutcome, 'issue'>>

export const operate = (ask: Ask, path: string, said: Said, dryRun = false): Promise<Answer<Told>> =>
  ask('POST', `/fhir/${path}${dryRun ? '?dry-run=true' : ''}`, { body: parameters(said) })

/** Links by the order's id, with two identifiers. */
export const link = (ask: Ask, ordered: Ordered, said: Said, dryRun = false): Promise<Answer<Told>> =>
  operate(ask, `ServiceRequest/${ordered.order}/$link-device`, { ...twoIdentifiers(ordered.person), ...said }, dryRun)

/** The resources that an operation answered under this name. */
export const outs = <T extends FhirResource>(answer: Answer<Told>, name: string): readonly T[] =>
  (answer.body.parameter ?? []).filter((p) => p.name === name).map((p) => p.resource as T)

export const out = <T extends FhirResource>(answer: Answer<Told>, name: string): T => {
  expect(answer.status, answer.text).toBe(200)
  const [only, ...others] = outs<T>(answer, name)
  if (only === undefined || others.length > 0) throw new Error(`${others.length + (only ? 1 : 0)} of ${name}`)
  return only
}

/** Our codes of everything that an outcome tells, sorted. */
export const codesOf = (outcome: Told): readonly string[] =>
  (outcome.issue ?? []).map((i) => i.details?.coding?.[0]?.code ?? '').sort()

/** `422 check-digit in-the-future`: the status with what refuses. */
export const verdict = (answer: Answer<unknown>): string =>
  answer.status < 300 ? String(answer.status) : [answer.status, ...codesOf(answer.body as Told)].join(' ')

/** An instant so many seconds from the given one, to the second. */
export const seconds = (from: Date | number | string, by: number): string =>
  new Date(new Date(from).getTime() + by * 1000).toISOString().replace(/\.\d+Z$/, 'Z')

export const read = async <T extends FhirResource>(ask: Ask, reference: string): Promise<T> => {
  const answer = await ask<T>('GET', `/fhir/${reference}`)
  expect(answer.status, `${reference}: ${answer.text}`).toBe(200)
  return answer.body
}

export const found = async <T extends FhirResource>(ask: Ask, query: string): Promise<readonly T[]> => {
  const answer = await ask<Bundle<T>>('GET', `/fhir/${query}`)
  expect(answer.status, answer.text).toBe(200)
  return (answer.body.entry ?? []).flatMap((e) => (e.resource === undefined ? [] : [e.resource]))
}

/** Asks the database itself, for what no caller is shown. */
export const inDatabase = async <T extends object>(url: string, text: string, values: unknown[] = []): Promise<T[]> => {
  const client = new Client({ connectionString: url, options: '-c search_path=daybind,public' })
  await client.connect()
  try {
    return (await client.query(text, values)).rows as T[]
  } finally {
    await client.end()
  }
}

/**
 * Puts the flow's clock on a moment, as if the service had been started then: nothing before it is made up for.
 * Only before the first evening.
 */
export const beginOn = (url: string, moment: string) =>
  inDatabase(
    url,
    `update clock set offset_by = timestamptz '${moment}' - clock_timestamp(); update watched set since = '${moment}'`,
  )
