/**
 * Which recorder a source's Procedure says was applied: a contained Device, a barcode or serial number in a logical
 * reference, or a Device of ours. Pure.
 */
import type { Device, FhirResource, Procedure, Reference } from 'fhir/r4.js'
import { type Problem, warning } from '../../model/problems.ts'
import type { DeviceState, Instant } from '../../model/states.ts'
import { identifierSystems } from '../../model/systems.ts'
import { type DeviceClaim, type DeviceParameters, deviceMeant, readDeviceClaim } from '../apply-device/device-claim.ts'
import type { Context } from '../step.ts'
import { type Incoming, placesOf } from './incoming.ts'

/** A recorder by our id, or by what the label says. */
export type Stated = { readonly id: string } | DeviceClaim

interface Reading {
  readonly stated: readonly Stated[]
  /** Why what was named could not be read. */
  readonly problems: readonly Problem[]
}

const nothing: Reading = { stated: [], problems: [] }

/** Devices of one act among which its recorder is looked for. */
const mostNamed = 20

interface Named {
  readonly reference: Reference
  /** FHIRPath below the resource. */
  readonly at: string
}

/** Source of the code: http://hl7.org/fhir/R4/valueset-device-action.html */
const takenOut = 'explanted'

const devicesNamed = ({ focalDevice = [], usedReference = [] }: Procedure): readonly Named[] => [
  ...focalDevice.flatMap(({ action, manipulated }, i) =>
    action?.coding?.some(({ code }) => code === takenOut)
      ? []
      : [{ reference: manipulated, at: `focalDevice[${i}].manipulated` }],
  ),
  ...usedReference.map((reference, i) => ({ reference, at: `usedReference[${i}]` })),
]

const given = (value: string | undefined, at: string) => (value === undefined ? [] : [{ value, at }])

const claimed = (parameters: Partial<DeviceParameters>, now: Instant): Reading => {
  const none = { scan: [], scanData: [], deviceIdentifier: [], serialNumber: [] }
  const read = readDeviceClaim({ ...none, ...parameters }, { now })
  return read.ok ? { stated: [read.value], problems: [] } : { stated: [], problems: read.problems }
}

/** What has no serial number is none of our recorders. */
const byLabel = (device: Device, at: string, now: Instant): Reading => {
  const carriers = device.udiCarrier ?? []
  const i = Math.max(
    0,
    carriers.findIndex((c) => c.carrierAIDC ?? c.carrierHRF ?? c.deviceIdentifier),
  )
  const { carrierAIDC, carrierHRF, deviceIdentifier } = carriers[i] ?? {}
  const place = (element: string) => `${at}.udiCarrier[${i}].${element}`
  const scanned = carrierAIDC ?? carrierHRF
  if (scanned === undefined && device.serialNumber === undefined) return nothing
  return claimed(
    {
      scanData: given(carrierAIDC, place('carrierAIDC')),
      scan: carrierAIDC === undefined ? given(carrierHRF, place('carrierHRF')) : [],
      deviceIdentifier: given(deviceIdentifier, place('deviceIdentifier')),
      serialNumber: given(device.serialNumber, `${at}.serialNumber`),
    },
    now,
  )
}

/** A barcode, else a serial number. */
const byIdentifier = ({ identifier }: Reference, at: string, now: Instant): Reading => {
  const { system, value } = identifier ?? {}
  if (value === undefined) return nothing
  if (system === identifierSystems.Device) return { stated: [{ id: value }], problems: [] }
  const scan = claimed({ scan: given(value, at) }, now)
  const serial = claimed({ serialNumber: given(value, at) }, now)
  return scan.stated.length > 0 ? scan : { ...serial, problems: [] }
}

const readOne = (procedure: Procedure, { reference, at }: Named, now: Instant): Reading => {
  const name = reference.reference
  if (name === undefined) return byIdentifier(reference, `${at}.identifier.value`, now)
  const own = /^Device\/(.+)$/.exec(name)?.[1]
  if (own !== undefined) return { stated: [{ id: own }], problems: [] }
  const contained = (procedure.contained ?? []) as readonly FhirResource[]
  const i = contained.findIndex((c) => `#${c.id}` === name)
  const device = contained[i]
  return device?.resourceType === 'Device' ? byLabel(device, `contained[${i}]`, now) : nothing
}

/** All that a resource of a source says of recorders, as written. */
export const recordersStated = (resource: FhirResource, now: Instant): Reading => {
  if (resource.resourceType !== 'Procedure') return nothing
  const named = devicesNamed(resource)
  // nobody could tell which one of so many is meant
  if (named.length > mostNamed) return nothing
  const readings = named.map((one) => readOne(resource, one, now))
  return { stated: readings.flatMap((r) => r.stated), problems: readings.flatMap((r) => r.problems) }
}

const tellable =
  'the barcode, the device identifier with the serial number, or the serial number of exactly one known recorder'

export interface RecorderFound {
  readonly device?: DeviceState
  readonly warnings: readonly Problem[]
}

/**
 * The one recorder that a resource says was applied; made known where its label says all of it. Where several are
 * named nobody could tell which one is meant.
 * @param known devices of ours that may be meant
 */
export const recorderOf = (
  incoming: Incoming,
  resolved: FhirResource,
  known: readonly DeviceState[],
  ctx: Context,
): RecorderFound => {
  const { stated, problems } = recordersStated(resolved, ctx.now)
  const meant = stated.map(
    (s): { readonly device: DeviceState | undefined; readonly at: string; readonly found: string } => {
      if ('id' in s) return { device: known.find(({ id }) => id === s.id), at: '', found: s.id }
      const sameSerial = known.filter(({ serialNumber }) => serialNumber === s.serialNumber)
      const claimed = deviceMeant(s, sameSerial, ctx)
      return { device: claimed.ok ? claimed.value : undefined, at: s.at, found: s.serialNumber }
    },
  )
  const warnings = [
    ...problems.map(({ code, at: [at = ''], found, expected }) =>
      warning(code, placesOf(incoming, at), { ...(found && { found }), ...(expected && { expected }) }),
    ),
    ...meant
      .filter(({ device }) => device === undefined)
      .map(({ at, found }) => warning('recorder-not-told', placesOf(incoming, at), { found, expected: tellable })),
  ]
  const devices = meant.flatMap((m) => m.device ?? [])
  const [device, ...others] = [...new Map(devices.map((d) => [d.id, d])).values()]
  if (device === undefined || others.length > 0) return { warnings }
  // what the source says of its label is no scan of ours
  return { device: known.find(({ id }) => id === device.id) ?? { ...device, toldOnly: true }, warnings }
}
