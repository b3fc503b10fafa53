/**
 * What a FHIR server takes of what we write, and how, read off its CapabilityStatement. A type that it does not take is
 * left out and said to be; what can be written without it is written.
 * Source: http://hl7.org/fhir/R4/capabilitystatement.html and http://hl7.org/fhir/R4/http.html
 */
import type { CapabilityStatement, CapabilityStatementRest } from 'fhir/r4.js'

/**
 * - `put`: with all others in one transaction, on its identifier, without a look at what they have.
 * - `transaction`: with the others in one transaction, after a look.
 * - `create`: searched for by our identifier, created where there is none, later updated by id.
 * - `conditional-update`: put on our identifier the first time, later updated by id.
 * - `client-id`: put at our own id.
 * - `create-once`: created, and never changed afterwards.
 * - `search`: not written; found there, so that others may refer to it.
 * - `identifier`: not written; referred to by its identifier alone, unless its address is known.
 * - `not-at-all`: left out.
 */
export type How =
  | 'put'
  | 'transaction'
  | 'create'
  | 'conditional-update'
  | 'client-id'
  | 'create-once'
  | 'search'
  | 'identifier'
  | 'not-at-all'

export interface Need {
  readonly type: string
  /**
   * - `write`: what is theirs in it is kept, so it is read before it is changed.
   * - `put`: it is ours alone; where they can, it is put on our identifier without a look.
   * - `refer`: others of ours refer to it.
   */
  readonly does: 'write' | 'put' | 'refer'
}

export interface PlanRow {
  readonly type: string
  readonly how: How
  /** One sentence or two for the engineer. */
  readonly why: string
  /** It can be searched for by identifier. */
  readonly finds: boolean
  /** It can be created on the condition that there is none. */
  readonly ifNoneExist: boolean
}

const needs = (does: Need['does'], ...types: readonly string[]): readonly Need[] =>
  types.map((type) => ({ type, does }))

/** What is written into the EHR that sent the order: never the order, never the patient. */
export const needsAtSource: readonly Need[] = [
  ...needs('refer', 'Patient', 'ServiceRequest'),
  ...needs('write', 'Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport', 'Media'),
]

/** What a reading service gets. */
export const needsAtReadingService: readonly Need[] = [
  ...needs('put', 'Patient', 'ServiceRequest', 'Device', 'DeviceUseStatement', 'Procedure'),
  ...needs('put', 'Task', 'Observation', 'DiagnosticReport', 'Media'),
]

/** What a server offers of one type. */
interface Offer {
  readonly create: boolean
  readonly update: boolean
  readonly search: boolean
  readonly conditionalCreate: boolean
  readonly conditionalUpdate: boolean
  readonly updateCreate: boolean
}

const everything: Offer = {
  create: true,
  update: true,
  search: true,
  conditionalCreate: true,
  conditionalUpdate: true,
  updateCreate: false,
}

const offers = (rest: CapabilityStatementRest): ReadonlyMap<string, Offer> =>
  new Map(
    (rest.resource ?? []).map((r) => {
      const does = new Set((r.interaction ?? []).map((i) => i.code))
      const offer = {
        create: does.has('create'),
        update: does.has('update'),
        search: does.has('search-type') && (r.searchParam ?? []).some((p) => p.name === 'identifier'),
        conditionalCreate: does.has('create') && r.conditionalCreate === true,
        conditionalUpdate: does.has('update') && r.conditionalUpdate === true,
        updateCreate: does.has('update') && r.updateCreate === true,
      }
      return [r.type, offer] as const
    }),
  )

const isJson = (format: string): boolean => /^(json|application\/(fhir\+)?json)\b/.test(format)

/** Why nothing at all can be written there. */
const wholesale = (statement: CapabilityStatement, rest: CapabilityStatementRest | undefined): string | undefined => {
  const { fhirVersion, format } = statement
  if (!/^4\.0\b/.test(fhirVersion ?? ''))
    return `They speak FHIR ${fhirVersion ?? 'of no version'}, and Daybind writes R4.`
  if (Array.isArray(format) && format.length > 0 && !format.some(isJson)) return 'They take no JSON.'
  return rest === undefined ? 'They describe no server, only a client.' : undefined
}

/** What is told in another way where a type is left out. */
const instead: Readonly<Record<string, string>> = {
  Device: 'The recorder is named by its identifier and its serial number.',
  DeviceUseStatement: 'The link shows in Procedure.focalDevice; its end does not.',
  Procedure: 'The link does not name the act of applying.',
  Task: 'Which reading service has the order is not told.',
  Observation: 'The report names no Observation.',
  DiagnosticReport: 'That a report is to come shows in the Observation alone.',
  Media: 'Pictures that came with a report stay here.',
}

const row = (type: string, how: How, why: string, offer?: Offer): PlanRow => ({
  type,
  how,
  why,
  finds: offer?.search ?? false,
  ifNoneExist: offer?.conditionalCreate ?? false,
})

const leftOut = (type: string, why: string): PlanRow =>
  row(type, 'not-at-all', [why, instead[type]].filter((text) => text !== undefined).join(' '))

const toRefer = (type: string, offer: Offer | undefined): PlanRow =>
  offer?.search
    ? row(
        type,
        'search',
        'Not written. Referred to by its address, else by what a search on its identifiers finds.',
        offer,
      )
    : row(
        type,
        'identifier',
        'Not written. They cannot be searched for it by identifier: referred to by its address where that is known, else by its identifier alone.',
        offer,
      )

/** One after another, each type in the surest way that they offer. */
const single = (type: string, offer: Offer | undefined): PlanRow => {
  if (offer === undefined) return leftOut(type, `They list no ${type}.`)
  const { create, update, search, conditionalCreate, conditionalUpdate, updateCreate } = offer
  const known = search || conditionalCreate
  if (create && known && update)
    return row(
      type,
      'create',
      conditionalCreate
        ? 'Created with If-None-Exist on our identifier; later updated by id, with If-Match.'
        : 'They take no If-None-Exist: searched for by our identifier right before it is created; later updated by id, with If-Match.',
      offer,
    )
  if (conditionalUpdate)
    return row(
      type,
      'conditional-update',
      'They take no create: put on our identifier; later updated by id, with If-Match.',
      offer,
    )
  if (updateCreate) return row(type, 'client-id', 'They let a client choose the id: put at ours, with If-Match.', offer)
  if (create && known)
    return row(type, 'create-once', 'Created once; they take no update, so what changes later is not told.', offer)
  if (create)
    return leftOut(
      type,
      'They know neither If-None-Exist nor a search by identifier, so a repetition would make a second one.',
    )
  return leftOut(
    type,
    update ? 'They update what they have and take nothing new.' : 'They take neither create nor update of it.',
  )
}

/** Whether it can be part of a transaction, or is left out anyway. */
const joins = (type: string, offer: Offer | undefined): boolean =>
  ['create', 'not-at-all'].includes(single(type, offer).how)

const joint = 'In one transaction: created if none exists, else updated by id with If-Match, what is theirs in it kept.'

/**
 * As linked orders are sent: by conditional update, the patient by conditional create. Pictures come with few reports;
 * a server that takes none of them still gets everything else so.
 */
const putInTransaction = (type: string, offer: Offer | undefined): boolean => {
  if (type === 'Media' && single(type, offer).how === 'not-at-all') return true
  return offer !== undefined && (type === 'Patient' ? offer.conditionalCreate : offer.conditionalUpdate)
}

/**
 * How each type is written to a server that says this of itself.
 * @returns a row for each need, in their order
 */
export const writePlan = (statement: CapabilityStatement, asked: readonly Need[]): readonly PlanRow[] => {
  const rest = (statement.rest ?? []).find((r) => r.mode === 'server')
  const nothing = wholesale(statement, rest)
  if (nothing !== undefined || rest === undefined)
    return asked.map(({ type, does }) => (does === 'refer' ? toRefer(type, undefined) : leftOut(type, nothing ?? '')))
  const listed = offers(rest)
  const transaction = (rest.interaction ?? []).some((i) => i.code === 'transaction')
  // who takes transactions and describes no type may take any
  const of = (type: string): Offer | undefined => (listed.size === 0 && transaction ? everything : listed.get(type))
  const takes = (does: Need['does'], fits: (type: string, offer: Offer | undefined) => boolean): boolean => {
    const types = asked.filter((n) => n.does === does).map((n) => n.type)
    return transaction && types.length > 0 && types.every((type) => fits(type, of(type)))
  }
  const allPut = takes('put', putInTransaction)
  // one transaction or none: what goes alone could not be referred to from within it
  const allJoin = ['put', 'write'].every(
    (does) => !asked.some((n) => n.does === does) || takes(does as Need['does'], joins),
  )
  return asked.map(({ type, does }) => {
    const offer = of(type)
    if (does === 'refer') return toRefer(type, offer)
    const alone = single(type, offer)
    if (does === 'put' && allPut && alone.how !== 'not-at-all')
      return row(type, 'put', 'In one transaction, by conditional request on its identifier.', offer)
    return allJoin && alone.how !== 'not-at-all' ? row(type, 'transaction', joint, offer) : alone
  })
}

/** Whether a message of these types goes as one transaction of conditional requests, without a look at what they have. */
export const goesWhole = (plan: readonly PlanRow[], types: ReadonlySet<string>): boolean =>
  plan.every((r) => r.how === 'put' || !types.has(r.type))
