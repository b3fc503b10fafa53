/** Scanned bytes in base64, as FHIR carries them (`scanData`, `Device.udiCarrier.carrierAIDC`). */

import type { Checked } from '../problems.ts'
import { accept, refusal, refuse } from '../problems.ts'

/** The text of scanned bytes: UTF-8, and where they are not UTF-8, ISO 8859-1. White space in base64 is skipped. */
export const scanOfData = (base64: string, at: string): Checked<string> => {
  const compact = base64.replace(/[ \t\r\n]/g, '')
  if (compact.length % 4 !== 0 || !/^[A-Za-z0-9+/]*={0,2}$/.test(compact)) {
    return refuse([refusal('scan-unreadable', at, { found: base64, expected: 'base64' })])
  }
  const bytes = Buffer.from(compact, 'base64')
  try {
    return accept(new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes))
  } catch {
    return accept(bytes.toString('latin1'))
  }
}

/** The base64 of a scan, for `carrierAIDC`. */
export const dataOfScan = (scan: string): string => Buffer.from(scan, 'utf8').toString('base64')
