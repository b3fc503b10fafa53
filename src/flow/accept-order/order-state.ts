/** From what was pushed and resolved to the state that is stored. */
import type { FhirResource, Location, Reference, ServiceRequest } from 'fhir/r4.js'
import type { Source } from '../../model/configuration.ts'
import { accept, type Checked, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { Instant, LinkState, OrderState } from '../../model/states.ts'
import { stands } from '../apply-device/periods.ts'
import type { Context } from '../step.ts'
import { mayBeEvidence } from './evidence.ts'
import { contentOf, type Incoming, identityKey, placerOf, placesOf, urlIdentity } from './incoming.ts'
import type { Placed, Stored } from './place.ts'
import { readOrder } from './read-order.ts'

const patientIdOf = (incoming: Incoming, order: ServiceRequest): string | Problem => {
  const [type, id] = (order.subject?.reference ?? '').split('/')
  if (type === 'Patient' && id !== undefined) return id
  return refusal(
    order.subject?.reference === undefined ? 'no-patient' : 'wrong-reference',
    placesOf(incoming, 'subject'),
    { ...(type && { found: type }), expected: 'a Patient that Daybind knows or that comes in the same Bundle' },
  )
}

export const revoked = (status: string): boolean => status === 'revoked' || status === 'entered-in-error'

/** It asks for nothing now, and may again. */
const idle = (status: string): boolean => ['draft', 'on-hold', 'unknown'].includes(status)

const dayToldAt = (before: OrderState | undefined, orderedDay: string | undefined, now: Instant) => {
  if (before === undefined) return {}
  const at = before.orderedDay === orderedDay ? before.dayToldAt : now
  return at === undefined ? {} : { dayToldAt: at }
}

/** What comes completed was done without us. */
const completionOf = (before: OrderState | undefined, status: string, now: Instant) => {
  if (before === undefined || status !== 'completed') return {}
  const at = before.status === 'completed' ? before.completedAt : now
  return at === undefined ? {} : { completedAt: at }
}

/** A new day in the order sets aside what people agreed and recorded about the old one. */
const visitOf = (before: OrderState | undefined, orderedDay: string | undefined) => {
  if (before !== undefined && before.orderedDay === orderedDay)
    return {
      ...(before.visitDay !== undefined && { visitDay: before.visitDay }),
      ...(before.notApplied !== undefined && { notApplied: before.notApplied }),
    }
  return orderedDay === undefined ? {} : { visitDay: orderedDay }
}

/** While a device is linked for it, an order stays with its patient: people correct the link first. */
const otherPatient = (p: Placed, patientId: string, links: readonly LinkState[]): readonly Problem[] =>
  links.some((l) => l.orderId === p.id && stands(l) && l.patientId !== patientId)
    ? [
        refusal('order-linked', placesOf(p.incoming, 'subject'), {
          note: 'The link names the patient of before: correct the link, then change the order.',
        }),
      ]
    : []

const acceptOrder = (
  p: Placed,
  resolved: ServiceRequest,
  source: Source,
  location: (reference: string) => Location | undefined,
  links: readonly LinkState[],
  ctx: Context,
): Checked<OrderState> => {
  const before = p.before?.state.kind === 'order' ? p.before.state : undefined
  const reading = readOrder(p.incoming, resolved, source, ctx.parties, location, ctx.caller.sites)
  const patient = patientIdOf(p.incoming, resolved)
  const placer = placerOf(p.incoming, source)
  const problems = [...problemsOf(reading), ...(typeof patient === 'string' ? [] : [patient])]
  if (typeof patient === 'string') problems.push(...otherPatient(p, patient, links))
  if (problems.length > 0 || !reading.ok || !placer.ok || typeof patient !== 'string') return refuse(problems)
  const { site, codes, visitDay, wear } = reading.value
  const { status, intent } = resolved
  return accept({
    kind: 'order',
    id: p.id,
    source: before?.source ?? source.id,
    placer: placer.value,
    site: site.id,
    patientId: patient,
    status,
    intent,
    codes,
    ...(visitDay !== undefined && { orderedDay: visitDay }),
    ...visitOf(before, visitDay),
    ...(before?.saidNotApplied && { saidNotApplied: before.saidNotApplied }),
    wear,
    byHand: before?.byHand ?? ctx.caller.role === 'clinic',
    acceptedAt: before?.acceptedAt ?? ctx.now,
    ...dayToldAt(before, visitDay, ctx.now),
    ...completionOf(before, status, ctx.now),
    ...(revoked(status) && { revokedAt: before?.revokedAt ?? ctx.now }),
    ...(idle(status) && { idleSince: before?.idleSince ?? ctx.now }),
    content: contentOf(resolved, p.incoming.resource),
  })
}

interface Based {
  readonly orderId?: string
  readonly awaits?: string
}

/** The first order that it is based on; of one that stands before it and that nobody knows yet, the name. */
const basedOn = (resolved: FhirResource): Based => {
  let awaits: string | undefined
  for (const { reference, type, identifier } of (resolved as { basedOn?: readonly Reference[] }).basedOn ?? []) {
    const orderId = /^ServiceRequest\/(.+)$/.exec(reference ?? '')?.[1]
    if (orderId !== undefined) return { orderId, ...(awaits !== undefined && { awaits }) }
    if (reference === undefined && type === 'ServiceRequest' && identifier?.system && identifier.value)
      awaits ??= identityKey({ type, system: identifier.system, value: identifier.value })
  }
  return awaits === undefined ? {} : { awaits }
}

export const stateOf = (
  p: Placed,
  resolved: FhirResource,
  source: Source,
  location: (reference: string) => Location | undefined,
  links: readonly LinkState[],
  ctx: Context,
): Checked<Stored> => {
  if (resolved.resourceType === 'ServiceRequest') return acceptOrder(p, resolved, source, location, links, ctx)
  const owner = p.before?.state.source ?? source.id
  const content = contentOf(resolved, p.incoming.resource)
  if (resolved.resourceType === 'Patient') {
    const before = p.before?.state.kind === 'patient' ? p.before.state.address : undefined
    const address = p.identities.find((i) => i.system === urlIdentity)?.value ?? before
    return accept({ kind: 'patient', id: p.id, source: owner, ...(address !== undefined && { address }), content })
  }
  const { orderId, awaits } = basedOn(resolved)
  return accept({
    kind: 'kept',
    id: p.id,
    source: owner,
    type: resolved.resourceType,
    ...(orderId && { orderId }),
    ...(awaits && mayBeEvidence(resolved) && { awaits }),
    content,
  })
}
