/** Which device a call is about: as scanned, as typed, or both; and which known device that is. */
import type { Given, ParameterTable } from '../../model/parameters.ts'
import { accept, type Checked, isRefusal, type Problem, problemsOf, refusal, refuse } from '../../model/problems.ts'
import { readScan, readTyped, requireSerial, type Scan, scanOfData } from '../../model/scan/read-scan.ts'
import type { DeviceState } from '../../model/states.ts'
import type { Context } from '../step.ts'

/** The parameters by which every operation takes a device. */
export const deviceParameters = {
  scan: { type: 'string', min: 0, max: 2, about: 'A barcode exactly as scanned; two where DI and PI are separate.' },
  scanData: { type: 'base64Binary', min: 0, max: 2, about: 'The exact bytes of a barcode.' },
  deviceIdentifier: { type: 'string', min: 0, max: 1, about: 'The device identifier, typed by hand.' },
  serialNumber: { type: 'string', min: 0, max: 1, about: 'The serial number, typed by hand.' },
} as const satisfies ParameterTable

export interface DeviceParameters {
  readonly scan: readonly Given<string>[]
  readonly scanData: readonly Given<string>[]
  readonly deviceIdentifier: readonly Given<string>[]
  readonly serialNumber: readonly Given<string>[]
}

/** A device as stated: the serial number always, the device identifier unless only the serial was typed. */
export interface DeviceClaim {
  readonly serialNumber: string
  readonly at: string
  readonly deviceIdentifier?: string
  readonly issuer?: DeviceState['issuer']
  readonly scan?: Scan
}

const disagreements = (
  scan: Scan | undefined,
  typed: { deviceIdentifier?: string; serialNumber?: string },
  given: DeviceParameters,
) => {
  const problems: Problem[] = []
  const differ = (a: string | undefined, b: string | undefined) => a !== undefined && b !== undefined && a !== b
  if (differ(scan?.deviceIdentifier, typed.deviceIdentifier))
    problems.push(
      refusal('scan-disagrees', given.deviceIdentifier[0]?.at ?? '', {
        found: typed.deviceIdentifier,
        expected: 'the device identifier of the scan',
      }),
    )
  if (differ(scan?.serialNumber, typed.serialNumber))
    problems.push(
      refusal('scan-disagrees', given.serialNumber[0]?.at ?? '', {
        found: typed.serialNumber,
        expected: 'the serial number of the scan',
      }),
    )
  return problems
}

/** Reads what was scanned and typed. Refused without a serial number, with a wrong check digit, a lost separator, … */
export const readDeviceClaim = (given: DeviceParameters, ctx: Pick<Context, 'now'>): Checked<DeviceClaim> => {
  const bytes = given.scanData.map(({ value, at }) => ({ read: scanOfData(value, at), at }))
  const unreadable = problemsOf(...bytes.map(({ read }) => read))
  if (unreadable.length > 0) return refuse(unreadable)
  const scans = [...given.scan, ...bytes.flatMap(({ read, at }) => (read.ok ? [{ value: read.value, at }] : []))]
  const [di, serial] = [given.deviceIdentifier[0], given.serialNumber[0]]
  if (scans.length === 0 && di === undefined && serial === undefined)
    return refuse([
      refusal('no-scan', 'Parameters.parameter', { expected: 'scan, scanData, or deviceIdentifier and serialNumber' }),
    ])
  if (scans.length > 2)
    return refuse([
      refusal('wrong-cardinality', scans[2]?.at ?? '', { found: `${scans.length} barcodes`, expected: 'at most 2' }),
    ])
  const typed = readTyped(di?.value, serial?.value, { deviceIdentifier: di?.at ?? '', serialNumber: serial?.at ?? '' })
  const read =
    scans.length === 0
      ? undefined
      : readScan(
          scans.map((s) => s.value),
          ctx.now.slice(0, 10),
          scans.map((s) => s.at),
        )
  const problems = [...problemsOf(typed, read ?? accept(undefined))]
  if (!typed.ok || (read !== undefined && !read.ok)) return refuse(problems)
  const scan = read?.value
  problems.push(...disagreements(scan, typed.value, given))
  const serialNumber = scan?.serialNumber ?? typed.value.serialNumber
  const at = (scans[0] ?? serial ?? di)?.at ?? ''
  if (serialNumber === undefined)
    problems.push(...(scan ? requireSerial(scan, [at]) : [refusal('no-serial', at, { expected: 'serialNumber' })]))
  if (problems.some(isRefusal) || serialNumber === undefined) return refuse(problems)
  const deviceIdentifier = scan?.deviceIdentifier ?? typed.value.deviceIdentifier
  const issuer = scan?.issuer ?? typed.value.issuer
  return accept(
    {
      serialNumber,
      at,
      ...(deviceIdentifier && { deviceIdentifier }),
      ...(issuer && { issuer }),
      ...(scan && { scan }),
    },
    [...(read?.warnings ?? []), ...typed.warnings],
  )
}

const described = (claim: DeviceClaim): Partial<DeviceState> => {
  const { scan } = claim
  if (scan === undefined) return {}
  const { carrier, humanReadable, lotNumber, manufactureDate, expirationDate } = scan
  return {
    entryType: 'barcode',
    carrier,
    humanReadable,
    ...(lotNumber !== undefined && { lotNumber }),
    ...(manufactureDate !== undefined && { manufactureDate }),
    ...(expirationDate !== undefined && { expirationDate }),
  }
}

/**
 * The device that a claim means, with what this scan says about it. A serial number alone is taken where exactly one
 * known device has it (those that somebody had in hand go first), else refused with `serial-ambiguous`.
 * @param sameSerial every known device with that serial number
 */
export const deviceMeant = (
  claim: DeviceClaim,
  sameSerial: readonly DeviceState[],
  ctx: Context,
): Checked<DeviceState> => {
  const { deviceIdentifier, serialNumber } = claim
  const inHand = sameSerial.filter((d) => !d.toldOnly)
  const known =
    deviceIdentifier === undefined
      ? inHand.length > 0
        ? inHand
        : sameSerial
      : sameSerial.filter((d) => d.deviceIdentifier === deviceIdentifier)
  const [one, ...others] = known
  if (others.length > 0 || (one === undefined && deviceIdentifier === undefined))
    return refuse([
      refusal('serial-ambiguous', claim.at, {
        found: `${known.length} known devices with this serial number`,
        expected: 'the device identifier too',
      }),
    ])
  if (one !== undefined) {
    const { toldOnly: _now, ...device } = one
    return accept({ ...device, ...described(claim) })
  }
  return accept({
    kind: 'device',
    id: ctx.newId(),
    deviceIdentifier: deviceIdentifier ?? '',
    serialNumber,
    issuer: claim.issuer ?? 'gs1',
    entryType: 'manual',
    ...described(claim),
  })
}
