/** return-device over HTTP. */
import { deviceMeant, readDeviceClaim } from '../../flow/apply-device/device-claim.ts'
import { recordReturn, recordReturnParameters } from '../../flow/return-device/record-return.ts'
import { gapIdOfReturn } from '../../flow/watch-flow/gaps/return.ts'
import { accept, problemsOf } from '../../model/problems.ts'
import { type LinkState, ofKind } from '../../model/states.ts'
import { now } from '../clock.ts'
import { devicesWithSerial, visible } from '../postgres/load-for-links.ts'
import { ordersById, statesAround } from '../postgres/load-states.ts'
import {
  deviceLock,
  NotLocked,
  orderLock,
  runStep,
  type StepRunner,
  wearerLock,
  withFreshLocks,
} from '../postgres/run-step.ts'
import { type Call, problemReply, type Reply, type Route, toldReply } from './call.ts'
import { type Out, stepCall, takeParameters, tellParameters } from './operation.ts'

const takeBack = (runner: StepRunner) => (call: Call) => withFreshLocks(() => takeBackOnce(runner, call))

const takeBackOnce = async (runner: StepRunner, call: Call): Promise<Reply> => {
  const read = takeParameters(call, recordReturnParameters)
  const claim = read.ok ? readDeviceClaim(read.value, { now: await now(runner.db) }) : read
  if (!read.ok || !claim.ok) return problemReply(problemsOf(claim))
  const p = read.value
  const known = await devicesWithSerial(runner.db, claim.value.serialNumber)
  const links = ofKind(
    await statesAround(
      runner.db,
      [],
      known.map((d) => d.id),
    ),
    'link',
  )
  const orders = await ordersById(
    runner.db,
    links.map((l) => l.orderId),
  )
  const wearers = [...new Set(links.map((l) => l.patientId))]
  const locks = [deviceLock(claim.value.serialNumber), ...orders.map(orderLock), ...wearers.map(wearerLock)]
  const told = await runStep(runner, stepCall(call, 'return-device', '$record-return', p, locks), {
    load: async (tx, begun) => {
      const devices = await devicesWithSerial(tx, claim.value.serialNumber)
      const device = deviceMeant(claim.value, devices, await begun)
      if (!device.ok) return device
      const near = ofKind(await statesAround(tx, [], [device.value.id]), 'link')
      const isLocked = (l: LinkState) => orders.some((o) => o.id === l.orderId) && wearers.includes(l.patientId)
      if (!near.every(isLocked)) throw new NotLocked()
      const around = await statesAround(
        tx,
        near.map((l) => l.orderId),
        [device.value.id],
      )
      return accept({
        device: device.value,
        links: ofKind(around, 'link').filter((l) => l.deviceId === device.value.id),
        applications: ofKind(around, 'application'),
        returns: ofKind(around, 'return').filter((r) => r.deviceId === device.value.id),
        stubs: ofKind(around, 'stub'),
        tasks: ofKind(around, 'task'),
      })
    },
    decide: (s, ctx) => {
      const decided = recordReturn(p, s, ctx)
      return decided.ok
        ? { ...decided, value: { ...decided.value, warnings: [...claim.warnings, ...decided.value.warnings] } }
        : decided
    },
    tell: async (tx, { answer, warnings }) => {
      if (answer.linkId === undefined)
        return tellParameters(tx, [['gap', 'DetectedIssue', gapIdOfReturn(answer.returnId)]], warnings, call.sight)
      // any clinic that holds a recorder may record its return; whose it was it is told only where it may know
      if (!(await visible(tx, 'DeviceUseStatement', answer.linkId, call.sight)))
        return tellParameters(
          tx,
          [],
          warnings.filter((w) => w.code !== 'end-stands'),
          call.sight,
        )
      const stubs: Out[] = answer.stub
        ? [
            ['report', 'DiagnosticReport', answer.stub.id],
            ['observation', 'Observation', answer.stub.observationId],
          ]
        : []
      return tellParameters(tx, [['link', 'DeviceUseStatement', answer.linkId], ...stubs], warnings, call.sight)
    },
  })
  return toldReply(told)
}

export const returnDeviceRoutes = (runner: StepRunner): readonly Route[] => [
  {
    method: 'POST',
    url: '/fhir/Device/$record-return',
    may: ['clinic', 'reading-service', 'operator'],
    step: 'return-device',
    fhir: { types: ['Device'], operation: 'record-return' },
    handle: takeBack(runner),
  },
]
