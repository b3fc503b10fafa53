/** apply-device over HTTP: linking, ending, correcting, and what is known of applications. */
import type { Identifier } from 'fhir/r4.js'
import {
  type Correction,
  type CorrectLinkParameters,
  correctLink,
  correctLinkParameters,
} from '../../flow/apply-device/correct-link.ts'
import { type DeviceClaim, deviceMeant, readDeviceClaim } from '../../flow/apply-device/device-claim.ts'
import { endLink, endLinkParameters, type LinkSituation } from '../../flow/apply-device/end-link.ts'
import { linkDevice, linkDeviceParameters, refusedLink } from '../../flow/apply-device/link-device.ts'
import type { Situation } from '../../flow/apply-device/make-link.ts'
import { recordApplication, recordApplicationParameters } from '../../flow/apply-device/record-application.ts'
import { recordNotApplied, recordNotAppliedParameters } from '../../flow/apply-device/record-not-applied.ts'
import type { Context } from '../../flow/step.ts'
import type { Given } from '../../model/parameters.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import { type DeviceState, type LinkState, ofKind } from '../../model/states.ts'
import { now } from '../clock.ts'
import type { Tx } from '../postgres/database.ts'
import {
  deviceById,
  devicesWithSerial,
  linkById,
  loadSituation,
  type OrderedPatient,
  ordersNamed,
  ordersWithPatients,
  visible,
} from '../postgres/load-for-links.ts'
import { ordersById, statesAround } from '../postgres/load-states.ts'
import {
  deviceLock,
  NotLocked,
  orderLock,
  patientLocks,
  runStep,
  type StepRunner,
  wearerLock,
  withFreshLocks,
} from '../postgres/run-step.ts'
import { type Call, problemReply, type Reply, type Route, toldReply } from './call.ts'
import { absent, type Out, stepCall, takeAlone, takeParameters, tellParameters } from './operation.ts'

const clinic = ['clinic', 'operator'] as const

/** The order that a call names by its placer number; a name that two sources share is refused. */
const orderNamed = async (
  runner: StepRunner,
  call: Call,
  given: Given<Identifier> | undefined,
): Promise<Checked<string>> => {
  if (given === undefined)
    return refuse([
      refusal('missing-parameter', 'Parameters.parameter', { expected: 'order (Identifier), the placer number' }),
    ])
  const ids = await ordersNamed(runner.db, given.value, call.sight, call.caller.id)
  const [only, ...others] = ids
  const { system, value = '' } = given.value
  const name = system === undefined ? value : `${system}|${value}`
  if (only === undefined)
    return refuse([refusal('not-known', given.at, { found: name, expected: 'the placer number of an order' })])
  if (others.length === 0) return accept(only)
  const note = "Call it on the order itself: ServiceRequest/{id}/…; a search by identifier finds each one's id."
  return refuse([refusal('multiple-matches', given.at, { found: `${name}, ${ids.length} orders`, note })])
}

const orderOfCall = async (
  runner: StepRunner,
  call: Call,
  given: Given<Identifier> | undefined,
): Promise<Checked<string>> => {
  const { id } = call.params
  if (id === undefined) return orderNamed(runner, call, given)
  if (!(await visible(runner.db, 'ServiceRequest', id, call.sight))) return refuse([refusal('not-known')])
  if (given === undefined) return accept(id)
  return refuse([refusal('wrong-parameter', given.at, { expected: 'no order: the address names it' })])
}

/** Two parts of a call that are refused together, so that every reason is told at once. */
const both = <A, B>(a: Checked<A>, b: Checked<B>): Checked<readonly [A, B]> =>
  a.ok && b.ok ? accept([a.value, b.value] as const, [...a.warnings, ...b.warnings]) : refuse(problemsOf(a, b))

/** The locks of these orders and of what their patients say of themselves. */
const locksOf = (known: readonly OrderedPatient[]): readonly string[] =>
  known.flatMap(({ order, patient, owner }) => [
    orderLock(order),
    wearerLock(order.patientId),
    ...patientLocks(owner, patient),
  ])

/** The patient by whom the call is judged is still the one, and known by the same names, whose locks were taken. */
const sureOfPatient = <S extends Situation>(
  loaded: Checked<S>,
  known: readonly OrderedPatient[],
  locks: readonly string[],
): Checked<S> => {
  if (!loaded.ok) return loaded
  const { order, patient } = loaded.value
  const owner = known.find((k) => k.order.patientId === order.patientId)?.owner
  if (owner === undefined || patientLocks(owner, patient).some((name) => !locks.includes(name))) throw new NotLocked()
  return loaded
}

const linkOnce =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const read = takeParameters(call, linkDeviceParameters)
    const given = read.ok ? read.value.order : takeAlone(call, linkDeviceParameters, 'order')
    const order = given || call.params.id !== undefined ? await orderOfCall(runner, call, given?.[0]) : refuse([])
    if (!read.ok || !order.ok) return problemReply(problemsOf(order, read))
    const p = read.value
    const claim = readDeviceClaim(p, { now: await now(runner.db) })
    const known = await ordersWithPatients(runner.db, [order.value])
    const locks = [...locksOf(known), ...(claim.ok ? [deviceLock(claim.value.serialNumber)] : [])]
    const told = await runStep(runner, stepCall(call, 'apply-device', '$link-device', p, locks), {
      load: async (tx, begun) => {
        const loaded = await loadSituation(tx, order.value, claim.ok ? claim.value : unknownDevice, begun)
        return sureOfPatient(loaded, known, locks)
      },
      decide: (situation, ctx) => {
        if (claim.ok) return withWarnings(linkDevice(p, claim.value, situation, ctx), claim.warnings)
        const rest = linkDevice(
          p,
          { serialNumber: '', at: '' },
          { ...situation, links: situation.links.filter((l) => l.orderId === situation.order.id) },
          ctx,
        )
        return refuse([...claim.problems, ...(rest.ok ? rest.value.warnings : rest.problems)])
      },
      keep: (situation, problems, ctx) => refusedLink(p, situation, problems, ctx),
      tell: (tx, { answer, warnings }) =>
        tellParameters(
          tx,
          [
            ['link', 'DeviceUseStatement', answer.linkId],
            ['device', 'Device', answer.deviceId],
            ['procedure', 'Procedure', answer.procedureId],
            ...answer.taskIds.map((id): Out => ['task', 'Task', id]),
          ],
          warnings,
          call.sight,
        ),
    })
    return toldReply(told)
  }

const link = (runner: StepRunner) => (call: Call) => withFreshLocks(() => linkOnce(runner)(call))

/** Stands in where the scan was refused, so that what else is wrong with the call can be told too. */
const unknownDevice: DeviceState = {
  kind: 'device',
  id: '00000000-0000-0000-0000-000000000000',
  deviceIdentifier: '',
  serialNumber: '',
  issuer: 'gs1',
  entryType: 'manual',
}

const withWarnings = <A extends { readonly warnings: readonly unknown[] }>(
  decided: Checked<A>,
  more: A['warnings'],
): Checked<A> =>
  decided.ok ? { ...decided, value: { ...decided.value, warnings: [...more, ...decided.value.warnings] } } : decided

/** A link that the caller may see, with its device's serial number for the lock. */
const linkOfCall = async (
  runner: StepRunner,
  call: Call,
): Promise<Checked<{ link: LinkState; device: DeviceState }>> => {
  const id = call.params.id ?? ''
  const there = await visible(runner.db, 'DeviceUseStatement', id, call.sight)
  const found = there ? await linkById(runner.db, id) : undefined
  const device = found && (await deviceById(runner.db, found.deviceId))
  return found && device ? accept({ link: found, device }) : refuse([refusal('not-known')])
}

const loadLink = async (tx: Tx, id: string): Promise<Checked<LinkSituation>> => {
  const found = await linkById(tx, id)
  const device = found && (await deviceById(tx, found.deviceId))
  if (!found || !device) return refuse([refusal('not-known')])
  const around = await statesAround(tx, [found.orderId], [device.id])
  return accept({ link: found, device, links: ofKind(around, 'link'), tasks: ofKind(around, 'task') })
}

const endOnce =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const [read, target] = [takeParameters(call, endLinkParameters), await linkOfCall(runner, call)]
    const ready = both(target, read)
    if (!ready.ok) return problemReply(ready.problems)
    const [{ link: before, device }, p] = ready.value
    const orders = await ordersById(runner.db, [before.orderId])
    const locks = [...orders.map(orderLock), wearerLock(before.patientId), deviceLock(device.serialNumber)]
    const told = await runStep(runner, stepCall(call, 'apply-device', '$end-link', p, locks), {
      load: async (tx) => {
        const loaded = await loadLink(tx, before.id)
        if (loaded.ok && loaded.value.link.patientId !== before.patientId) throw new NotLocked()
        return loaded
      },
      decide: (s, ctx) => endLink(p, s, ctx),
      tell: (tx, { answer, warnings }) =>
        tellParameters(tx, [['link', 'DeviceUseStatement', answer.linkId]], warnings, call.sight),
    })
    return toldReply(told)
  }

const end = (runner: StepRunner) => (call: Call) => withFreshLocks(() => endOnce(runner)(call))

const loadCorrection = async (
  tx: Tx,
  old: LinkState,
  orderId: string,
  device: DeviceClaim | DeviceState,
  begun: Promise<Context>,
): Promise<Checked<Correction>> => {
  const before = await loadLink(tx, old.id)
  if (!before.ok) return before
  const situation = await loadSituation(tx, orderId, device, begun)
  if (!situation.ok) return situation
  const around = await statesAround(tx, [before.value.link.orderId], [before.value.device.id])
  const returned = ofKind(around, 'return').find((r) => r.linkId === old.id)
  return accept({
    old: before.value.link,
    oldDevice: before.value.device,
    oldLinks: before.value.links,
    tasks: before.value.tasks,
    stubs: ofKind(around, 'stub'),
    ...(returned && { returned }),
    right: situation.value,
  })
}

const namesDevice = (p: CorrectLinkParameters): boolean =>
  [p.scan, p.scanData, p.deviceIdentifier, p.serialNumber].some((list) => list.length > 0)

const correctOnce =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const [read, target] = [takeParameters(call, correctLinkParameters), await linkOfCall(runner, call)]
    const ready = both(target, read)
    if (!ready.ok) return problemReply(ready.problems)
    const [{ link: old, device: oldDevice }, p] = ready.value
    const order = p.order.length > 0 ? await orderNamed(runner, call, p.order[0]) : accept(old.orderId)
    const claim: Checked<DeviceClaim | DeviceState> = namesDevice(p)
      ? readDeviceClaim(p, { now: await now(runner.db) })
      : accept(oldDevice)
    const right = both(order, claim)
    if (!right.ok) return problemReply(right.problems)
    const [orderId, device] = right.value
    const known = await ordersWithPatients(runner.db, [old.orderId, orderId])
    const locks = [...locksOf(known), deviceLock(oldDevice.serialNumber), deviceLock(device.serialNumber)]
    const told = await runStep(runner, stepCall(call, 'apply-device', '$correct-link', p, locks), {
      load: async (tx, begun) => {
        const loaded = await loadCorrection(tx, old, orderId, device, begun)
        if (loaded.ok) sureOfPatient(accept(loaded.value.right), known, locks)
        return loaded
      },
      decide: (c, ctx) => withWarnings(correctLink(p, c, ctx), right.warnings),
      tell: (tx, { answer, warnings }) =>
        tellParameters(
          tx,
          [
            ...(answer.linkId === undefined ? [] : [['link', 'DeviceUseStatement', answer.linkId] as const]),
            ['replaced', 'DeviceUseStatement', answer.replacedId],
          ],
          warnings,
          call.sight,
        ),
    })
    return toldReply(told)
  }

const correct = (runner: StepRunner) => (call: Call) => withFreshLocks(() => correctOnce(runner)(call))

const application =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const read = takeParameters(call, recordApplicationParameters)
    const claim = read.ok ? readDeviceClaim(read.value, { now: await now(runner.db) }) : read
    if (!read.ok || !claim.ok) return problemReply(problemsOf(claim))
    const p = read.value
    const locks = [deviceLock(claim.value.serialNumber)]
    const told = await runStep(runner, stepCall(call, 'apply-device', '$record-application', p, locks), {
      load: async (tx, begun) => {
        const known = await devicesWithSerial(tx, claim.value.serialNumber)
        const device = deviceMeant(claim.value, known, await begun)
        if (!device.ok) return device
        const around = await statesAround(tx, [], [device.value.id])
        return accept({
          device: device.value,
          links: ofKind(around, 'link'),
          applications: ofKind(around, 'application'),
        })
      },
      decide: (s, ctx) => withWarnings(recordApplication(p, s, ctx), claim.warnings),
      tell: async (tx, { answer, warnings }) => {
        const seen = answer.linkId !== undefined && (await visible(tx, 'DeviceUseStatement', answer.linkId, call.sight))
        const outs: Out[] = [['device', 'Device', answer.deviceId]]
        return tellParameters(
          tx,
          seen ? [...outs, ['link', 'DeviceUseStatement', answer.linkId ?? '']] : outs,
          warnings,
          call.sight,
        )
      },
    })
    return toldReply(told)
  }

const notApplied =
  (runner: StepRunner) =>
  async (call: Call): Promise<Reply> => {
    const [order, read] = [await orderOfCall(runner, call, undefined), takeParameters(call, recordNotAppliedParameters)]
    const ready = both(order, read)
    if (!ready.ok) return problemReply(ready.problems)
    const [orderId, p] = ready.value
    const orders = await ordersById(runner.db, [orderId])
    const told = await runStep(
      runner,
      stepCall(call, 'apply-device', '$record-not-applied', p, orders.map(orderLock)),
      {
        load: async (tx) => {
          const [order] = await ordersById(tx, [orderId])
          const around = await statesAround(tx, [orderId], [])
          return order
            ? accept({ order, links: ofKind(around, 'link').filter((l) => l.orderId === orderId) })
            : refuse([refusal('not-known')])
        },
        decide: (s, ctx) => recordNotApplied(p, s.order, s.links, ctx),
        tell: (tx, { answer, warnings }) =>
          tellParameters(tx, [['order', 'ServiceRequest', answer.orderId]], warnings, call.sight),
      },
    )
    return toldReply(told)
  }

export const applyDeviceRoutes = (runner: StepRunner): readonly Route[] => {
  const route = (url: string, operation: string, type: string, handle: Route['handle']): Route => ({
    method: 'POST',
    url,
    may: clinic,
    step: 'apply-device',
    fhir: { types: [type], operation },
    find: absent(runner.db, type),
    handle,
  })
  return [
    route('/fhir/ServiceRequest/$link-device', 'link-device', 'ServiceRequest', link(runner)),
    route('/fhir/ServiceRequest/:id/$link-device', 'link-device', 'ServiceRequest', link(runner)),
    route('/fhir/ServiceRequest/:id/$record-not-applied', 'record-not-applied', 'ServiceRequest', notApplied(runner)),
    route('/fhir/DeviceUseStatement/:id/$end-link', 'end-link', 'DeviceUseStatement', end(runner)),
    route('/fhir/DeviceUseStatement/:id/$correct-link', 'correct-link', 'DeviceUseStatement', correct(runner)),
    route('/fhir/Device/$record-application', 'record-application', 'Device', application(runner)),
  ]
}
