/** What a scan says about a device, and the words that all its readers share. */

import type { Problem } from '../problems.ts'
import { refusal } from '../problems.ts'

export type Issuer = 'gs1' | 'hibcc' | 'iccbba'

export type ScanForm =
  | 'element-string'
  | 'human-readable'
  | 'digital-link'
  /** A bare GTIN, from a retail barcode or as digits alone. */
  | 'gtin'
  | 'hibc'
  | 'isbt-128'
  /** ISBT 128 as blood containers carry it: a catalogue number in place of the device identifier. */
  | 'isbt-128-container'

/** The device as its label states it. Dates are calendar dates `YYYY-MM-DD`. */
export interface Scan {
  readonly issuer: Issuer
  readonly form: ScanForm
  /** The GTIN in 14 digits, the HIBC identifier without its `+`, the ISBT 128 identifier without its flag. */
  readonly deviceIdentifier: string
  readonly serialNumber?: string
  readonly lotNumber?: string
  readonly manufactureDate?: string
  readonly expirationDate?: string
  /** 0 to 23, where the label states the hour of expiry. */
  readonly expiresAtHour?: number
  /** ISBT 128 donation identification number. */
  readonly donationIdentifier?: string
  /** As printed beside the barcode (`Device.udiCarrier.carrierHRF`); one form for one content, device identifier first. */
  readonly humanReadable: string
  /** What was scanned, as it was; of two barcodes the one with the device identifier first. */
  readonly carrier: string
  /** GS1: a field whose end reads like a field that is missing, which a lost separator would explain. A guess. */
  readonly mayHoldMore?: MayHoldMore
}

export interface MayHoldMore {
  /** The field with its value. */
  readonly found: string
  readonly expected: string
  readonly note: string
}

/** One barcode on its way through a reader: its data alone, without symbology identifier and line end. */
export interface Barcode {
  readonly text: string
  /** As scanned, but without the line end that a scanner adds. */
  readonly carrier: string
  /** FHIRPath for problems. */
  readonly at: string
}

/** Byte 1D, which stands for FNC1 in scanned data. */
export const separator = '\u001d'

const namingSystem = 'http://hl7.org/fhir/NamingSystem/'

/** `Device.udiCarrier.issuer`. The capital I of hibcc-dI is in the R4 text: http://hl7.org/fhir/R4/device.html */
export const issuerUri = ({ issuer, form }: Pick<Scan, 'issuer' | 'form'>): string => {
  if (issuer === 'gs1') return `${namingSystem}gs1-di`
  if (issuer === 'hibcc') return `${namingSystem}hibcc-dI`
  return `${namingSystem}${form === 'isbt-128-container' ? 'iccbba-blood-di' : 'iccbba-other-di'}`
}

/**
 * Why a scan cannot tell one recorder from its siblings: it has no serial number, and if a lost separator is the likely
 * cause, that too (of which readScan warns). Empty when it has one.
 */
export const requireSerial = (
  scan: Scan,
  at: string | readonly string[] = 'Parameters.parameter',
): readonly Problem[] => {
  const { serialNumber, humanReadable, mayHoldMore } = scan
  if (serialNumber !== undefined) return []
  const note =
    mayHoldMore === undefined
      ? 'A label may carry it in a barcode of its own.'
      : `${mayHoldMore.note} A lost separator is the likely cause.`
  return [
    refusal('no-serial', at, { found: humanReadable, expected: 'a serial number', note }),
    ...(mayHoldMore === undefined ? [] : [refusal('lost-separator', at, mayHoldMore)]),
  ]
}
