/**
 * The source's side of orders that are pushed: sends them as an EHR does, in transactions and in single writes, and holds
 * each answer against the contract. What must be refused is rehearsed, so that nothing of it can stay.
 */
import { randomUUID } from 'node:crypto'
import type { Bundle, FhirResource, Identifier, Patient, ServiceRequest } from 'fhir/r4.js'
import {
  aboutNewContent,
  aboutReadBack,
  aboutRefused,
  aboutSameContent,
  aboutStatement,
  aboutTransaction,
  aboutWrite,
  type Before,
  criterion,
  matchesIn,
  pathBelow,
  statedBase,
  type Written,
  writtenAlone,
  writtenTogether,
} from './answers.ts'
import type { Answered } from './calls.ts'
import type { Conversation } from './conversation.ts'
import { type Finding, looked } from './rules.ts'

/** What is sent belongs together: whose order it is, and the order. */
export interface Pushed {
  readonly patient: Patient
  readonly order: ServiceRequest
}

/** Neither ids nor versions of the source go out: Daybind knows a thing by its identifiers. */
const bare = <R extends FhirResource>({ id: _id, meta: _meta, ...content }: R) => content as R

/** Of another patient of the source Daybind knows the identifier, not the address. */
const sendable = (patient: Patient): Patient => ({
  ...bare(patient),
  ...(patient.link && {
    link: patient.link.map((link) => {
      const { reference: _here, ...other } = link.other
      return { ...link, other }
    }),
  }),
})

const placerOf = ({ identifier = [] }: ServiceRequest): Identifier =>
  identifier.find(({ type }) => type?.coding?.some(({ code }) => code === 'PLAC')) ?? identifier[0] ?? {}

const nobody = '01900000-0000-7000-8000-000000000001'

export function pusher({ call, base }: Conversation) {
  const bases = [base]

  /** How a thing of the source stands there. */
  async function standing(type: string, identifier: Identifier | undefined): Promise<Before> {
    const one = (answer: Answered) =>
      type === 'ServiceRequest'
        ? looked('one-order', ...(matchesIn(answer).length > 1 ? ['a placer number finds several orders'] : []))
        : []
    const [found] = matchesIn(await call(one, 'GET', `${type}?${criterion(identifier)}`))
    return found && { version: found.meta?.versionId ?? '' }
  }

  async function readBack(written: Written): Promise<void> {
    const path = pathBelow(bases, written.location)
    if (path !== undefined) await call((read) => aboutReadBack(read, written), 'GET', path)
  }

  const bundleOf = ({ patient, order }: Pushed): Bundle<FhirResource> => {
    const fullUrl = `urn:uuid:${randomUUID()}`
    const named = criterion(patient.identifier?.[0])
    return {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        { fullUrl, resource: sendable(patient), request: { method: 'PUT', url: `Patient?${named}` } },
        {
          resource: { ...bare(order), subject: { reference: fullUrl } },
          request: { method: 'PUT', url: `ServiceRequest?${criterion(placerOf(order))}` },
        },
      ],
    }
  }

  const both = async ({ patient, order }: Pushed): Promise<readonly Before[]> => [
    await standing('Patient', patient.identifier?.[0]),
    await standing('ServiceRequest', placerOf(order)),
  ]

  /** Patient and order in one transaction, twice; and what was made is read where the answer says it is. */
  async function together(pushed: Pushed): Promise<void> {
    const before = await both(pushed)
    const find = (answer: Answered) => [
      ...aboutTransaction(answer, 2),
      ...writtenTogether(answer).flatMap((w, n) => aboutWrite(w, before[n], bases)),
    ]
    const first = writtenTogether(await call(find, 'POST', '', bundleOf(pushed)))
    for (const written of first) await readBack(written)
    await call(
      (again) => [
        ...aboutTransaction(again, 2),
        ...writtenTogether(again).flatMap((w, n) => (first[n] ? aboutSameContent(first[n], w) : [])),
      ],
      'POST',
      '',
      bundleOf(pushed),
    )
  }

  const alone = ({ patient, order }: Pushed) => ({
    ...bare(order),
    subject: { type: 'Patient', identifier: patient.identifier?.[0] },
  })

  /** Patient, then order, each by a call of its own; the order twice. */
  async function oneByOne(pushed: Pushed): Promise<void> {
    const [patient, order] = await both(pushed)
    const write = (path: string, body: object, before: Before) =>
      call((answer) => aboutWrite(writtenAlone(answer), before, bases), 'PUT', path, body)
    await write(`Patient?${criterion(pushed.patient.identifier?.[0])}`, sendable(pushed.patient), patient)
    const path = `ServiceRequest?${criterion(placerOf(pushed.order))}`
    const first = writtenAlone(await write(path, alone(pushed), order))
    await readBack(first)
    await call((again) => aboutSameContent(first, writtenAlone(again)), 'PUT', path, alone(pushed))
  }

  /** Sends what the source has changed: a known order with other content. */
  async function revised(pushed: Pushed): Promise<void> {
    const before = await standing('ServiceRequest', placerOf(pushed.order))
    const path = `ServiceRequest?${criterion(placerOf(pushed.order))}`
    const find = (answer: Answered) =>
      before
        ? aboutNewContent({ status: 200, etag: `W/"${before.version}"` }, writtenAlone(answer))
        : aboutWrite(writtenAlone(answer), before, bases)
    await call(find, 'PUT', path, alone(pushed))
  }

  /** Sends a changed patient; what Daybind makes of it is told by its answer alone. */
  async function patientRevised(patient: Patient): Promise<void> {
    const before = await standing('Patient', patient.identifier?.[0])
    const find = (answer: Answered) => aboutWrite(writtenAlone(answer), before, bases)
    await call(find, 'PUT', `Patient?${criterion(patient.identifier?.[0])}`, sendable(patient))
  }

  /** Sends what is said of an order's visit; only in a transaction or batch is that taken. */
  async function visit(said: FhirResource, { order, patient }: Pushed): Promise<void> {
    const identifier = (said as { identifier?: Identifier[] }).identifier?.[0]
    const about = { type: 'ServiceRequest', identifier: placerOf(order) }
    const subject = { type: 'Patient', identifier: patient.identifier?.[0] }
    const resource = {
      ...bare(said),
      basedOn: [about],
      ...('subject' in said && { subject }),
      ...('participant' in said && { participant: [{ actor: subject, status: 'accepted' }] }),
    } as unknown as FhirResource
    const request = { method: 'PUT', url: `${said.resourceType}?${criterion(identifier)}` } as const
    const find = (answer: Answered) => aboutTransaction(answer, 1)
    await call(find, 'POST', '', { resourceType: 'Bundle', type: 'transaction', entry: [{ resource, request }] })
  }

  /** Says what must be refused, about an order that is there. Every call is a rehearsal or harms nothing by itself. */
  async function refusals(pushed: Pushed): Promise<void> {
    const order = alone(pushed)
    const named = `ServiceRequest?${criterion(placerOf(pushed.order))}`
    const dry = `${named}&dry-run=true`
    const bundle = bundleOf(pushed)
    const twice = { ...bundle, entry: [...(bundle.entry ?? []), bundle.entry?.[1]] }
    const { identifier: _none, ...unnamed } = order
    const elsewhere = { ...order, subject: { reference: 'Patient/not-known-here' } }
    const other = { ...order, identifier: [{ ...placerOf(order as ServiceRequest), value: `not-${nobody}` }] }
    const must = (rule: Parameters<typeof aboutRefused>[0], status: number) => (answer: Answered) =>
      aboutRefused(rule, answer, status)
    await call(must('no-placer', 422), 'POST', 'ServiceRequest?dry-run=true', unnamed)
    await call(must('foreign-reference', 422), 'PUT', dry, elsewhere)
    await call(must('wrong-criterion', 400), 'PUT', dry, other)
    await call(must('two-of-one', 400), 'POST', '?dry-run=true', twice)
    await call(must('no-json', 400), 'POST', 'ServiceRequest?dry-run=true', '{"resourceType":')
    await call(must('stale-version', 412), 'PUT', dry, order, { 'If-Match': 'W/"999999"' })
    await call(must('unknown-id', 404), 'PUT', `ServiceRequest/${nobody}?dry-run=true`, { ...order, id: nobody })
    await call(must('no-such-write', 405), 'POST', 'MeasureReport', { resourceType: 'MeasureReport' })
  }

  /** A revision that is rehearsed answers the next version, and none is there afterwards. */
  async function rehearsal(pushed: Pushed): Promise<void> {
    const before = await standing('ServiceRequest', placerOf(pushed.order))
    const path = `ServiceRequest?${criterion(placerOf(pushed.order))}`
    const changed = { ...alone(pushed), note: [{ text: 'rehearsed, never kept' }] }
    const dry = await call(() => [], 'PUT', `${path}&dry-run=true`, changed)
    const kept = (answer: Answered): Finding[] => {
      const after = matchesIn(answer)[0]?.meta?.versionId
      return looked(
        'rehearsal',
        ...(dry.status === 200 ? [] : [`the rehearsal of a revision is answered ${dry.status}`]),
        ...(after === before?.version ? [] : [`the version was ${before?.version}, and is ${after} after a rehearsal`]),
      )
    }
    await call(kept, 'GET', path)
  }

  return {
    together,
    oneByOne,
    revised,
    patientRevised,
    visit,
    /** Looks where it is, then sends every order, by turns in a transaction and in single writes; then, with the first one, what must be refused. */
    async all(orders: readonly Pushed[]): Promise<void> {
      const stated = statedBase(await call(aboutStatement, 'GET', 'metadata'))
      if (stated !== undefined) bases.push(stated.replace(/\/+$/, ''))
      for (const [n, pushed] of orders.entries()) await (n % 2 === 0 ? together(pushed) : oneByOne(pushed))
      if (!orders[0]) return
      await rehearsal(orders[0])
      await refusals(orders[0])
    },
  }
}

export type Pusher = ReturnType<typeof pusher>
