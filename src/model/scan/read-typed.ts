/** A device identifier and a serial number that somebody typed from the label. */

import type { Checked, Problem } from '../problems.ts'
import { accept, isRefusal, refusal, refuse } from '../problems.ts'
import { readScan } from './barcodes.ts'
import { characterSets } from './gs1-identifiers.ts'
import { readGtin } from './gtin.ts'
import { hibcIdentifier } from './hibc.ts'

import type { Issuer, ScanForm } from './scan.ts'

/** `Device.udiCarrier.entryType` is `manual` for this. A part that was not typed is absent. */
export interface Typed {
  readonly issuer?: Issuer
  readonly form?: ScanForm
  readonly deviceIdentifier?: string
  readonly serialNumber?: string
}

export interface TypedAt {
  /** FHIRPaths for problems. */
  readonly deviceIdentifier: string
  readonly serialNumber: string
}

const isbtIdentifier = /^[A-Z0-9]{16}$/

/** What an issuer takes as a serial number; where it is not known, what any of them takes. */
const serials: { readonly [issuer in Issuer | 'unknown']: { pattern: RegExp; words: string } } = {
  gs1: { pattern: /^.{1,20}$/, words: `1 to 20 of ${characterSets.X.words}` },
  hibcc: { pattern: /^[A-Z0-9\-. $+%]{1,18}$/, words: '1 to 18 digits, capitals and - . $ + % and space' },
  iccbba: { pattern: /^[A-Za-z0-9]{6}$/, words: '6 letters or digits' },
  unknown: { pattern: /^[ -~]{1,20}$/, words: '1 to 20 printable characters' },
}

const identifierOnly = (text: string, at: string): Checked<Typed> => {
  if (/^[0-9 ]+$/.test(text)) {
    const gtin = readGtin(text.replaceAll(' ', ''), at)
    return gtin.ok ? accept({ issuer: 'gs1', form: 'gtin', deviceIdentifier: gtin.value }) : gtin
  }
  const [hibc, isbt] = [hibcIdentifier.test(text), isbtIdentifier.test(text)]
  if (hibc && !isbt) return accept({ issuer: 'hibcc', form: 'hibc', deviceIdentifier: text })
  if (isbt && !hibc) return accept({ issuer: 'iccbba', form: 'isbt-128', deviceIdentifier: text })
  return refuse([
    refusal('scan-unreadable', at, {
      found: text,
      expected: 'a GTIN of 8, 12, 13 or 14 digits, an HIBC identifier, or an ISBT 128 identifier of 16 characters',
      ...(hibc && {
        note: 'It may be of HIBC or of ISBT 128: type + in front and the check character behind, or =/ in front.',
      }),
      ...(/[a-z]/.test(text) && { note: 'Device identifiers have no lower case.' }),
    }),
  ])
}

/** Nothing of a typed line is kept that depends on the century. */
const anyDay = '2000-01-01'

/** The identifier alone, or a line as printed on the label (`(01)…`, `+…`, `=/…`), which may state the serial number too. */
const readIdentifier = (text: string, at: string): Checked<Typed> => {
  if (!/^[(+*=\]]/.test(text) && !text.includes('://')) return identifierOnly(text, at)
  const line = readScan([text], anyDay, [at])
  if (!line.ok) return line
  const { issuer, form, deviceIdentifier, serialNumber } = line.value
  return accept({ issuer, form, deviceIdentifier, ...(serialNumber !== undefined && { serialNumber }) }, line.warnings)
}

const serialProblems = (text: string, issuer: Issuer | undefined, at: string): Problem[] => {
  const { pattern, words } = serials[issuer ?? 'unknown']
  const foreign = issuer === 'gs1' && characterSets.X.pattern.test(text)
  return pattern.test(text) && !foreign ? [] : [refusal('scan-unreadable', at, { found: text, expected: words })]
}

/**
 * Reads what was typed by hand; a part that was not typed is absent, in the answer too. A GTIN of any length becomes 14
 * digits, its check digit tested, spaces left out. Refuses with `scan-unreadable`, `check-digit`, `check-character`, and
 * with `scan-disagrees` when the typed line states another serial number than the typed serial number.
 */
export const readTyped = (
  deviceIdentifier: string | undefined,
  serialNumber: string | undefined,
  at: TypedAt = { deviceIdentifier: 'Parameters.parameter', serialNumber: 'Parameters.parameter' },
): Checked<Typed> => {
  const read: Checked<Typed> =
    deviceIdentifier === undefined ? accept({}) : readIdentifier(deviceIdentifier.trim(), at.deviceIdentifier)
  const device = read.ok ? read.value : {}
  const problems: Problem[] = [...(read.ok ? read.warnings : read.problems)]
  const serial = serialNumber?.trim()
  if (serial !== undefined) {
    problems.push(...serialProblems(serial, device.issuer, at.serialNumber))
    if (device.serialNumber !== undefined && device.serialNumber !== serial) {
      const found = `${device.serialNumber} and ${serial}`
      const expected = 'one serial number'
      problems.push(refusal('scan-disagrees', [at.deviceIdentifier, at.serialNumber], { found, expected }))
    }
  }
  if (problems.some(isRefusal)) return refuse(problems)
  return accept({ ...device, ...(serial !== undefined && { serialNumber: serial }) }, problems)
}
