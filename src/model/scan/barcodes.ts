/** The way in for everything that a scanner sends: tells the forms apart and hands each to its reader. */

import type { Checked } from '../problems.ts'
import { accept, problemsOf, refusal, refuse } from '../problems.ts'
import type { Gs1Barcode } from './gs1.ts'
import { readGs1 } from './gs1.ts'
import { isGtinLike } from './gtin.ts'
import { readHibc } from './hibc.ts'
import { readIccbba } from './iccbba.ts'
import { shown, standIn } from './lost-separator.ts'
import type { Barcode, Scan } from './scan.ts'
import { separator } from './scan.ts'

/** No device label comes near this many characters. */
export const longestScan = 500

type Kind = Gs1Barcode['kind'] | 'hibc' | 'isbt-128'

interface Sorted extends Barcode {
  readonly kind: Kind
}

/**
 * Symbology identifiers of ISO/IEC 15424 by what they say of the data. GS1 and retail ones: source gs1-syntax-engine;
 * `]I`, `]C4` and the plain ones besides `]d1 ]Q1 ]J0`: from memory.
 */
const symbologies = {
  gs1: /^\](?:d2|C1|Q3|J1|e0)/,
  retail: /^\](?:E0|E4|I[01])/,
  plain: /^\](?:d[01]|Q[012]|J0|C[024]|A[0-7])/,
}

const byFirstCharacter = (text: string): Kind | undefined => {
  if (isGtinLike(text)) return 'digits'
  if (/^[0-9]/.test(text) || text.startsWith(separator) || standIn(text)?.index === 0) return 'element-string'
  if (text.startsWith('(')) return 'human-readable'
  if (text.startsWith('+') || text.startsWith('*')) return 'hibc'
  if (text.startsWith('=') || text.startsWith('&')) return 'isbt-128'
  return /^https?:\/\//i.test(text) ? 'digital-link' : undefined
}

/** Data of a symbology that does not carry GS1 data: everything but element strings. */
const ofPlainData = (text: string): Kind | undefined => {
  const kind = byFirstCharacter(text)
  if (kind === 'digits') return 'gtin'
  return kind === 'element-string' ? undefined : kind
}

const unreadable = (at: string, found: string, note?: string): Checked<never> =>
  refuse([
    refusal('scan-unreadable', at, {
      found,
      expected: 'a GS1 element string, (01)…, a GS1 Digital Link, HIBC (+…) or ISBT 128 (=/…)',
      ...(note !== undefined && { note }),
    }),
  ])

const noteOn = (text: string): string | undefined => {
  if (/^[{[]\d/.test(text)) return 'GS1 puts its identifiers in round brackets.'
  const first = String.fromCodePoint(text.codePointAt(0) ?? 0)
  return `It begins with ${shown(first)}.`
}

/** Which form a barcode has: by its symbology identifier, without one by its first character (HL7 v2.9, PRT-10). */
const sort = (part: string, at: string): Checked<Sorted> => {
  if (part.length > longestScan) return unreadable(at, part, `It is longer than ${longestScan} characters.`)
  const carrier = part.replace(/[\r\n\t]{1,4}$/, '') // what a scanner adds at the end of a line
  if (carrier === '') return unreadable(at, part, 'It is empty.')
  if (!carrier.startsWith(']')) {
    const kind = byFirstCharacter(carrier)
    return kind === undefined ? unreadable(at, part, noteOn(carrier)) : accept({ kind, text: carrier, carrier, at })
  }
  const text = carrier.slice(3)
  if (text === '') return unreadable(at, part, 'Nothing follows the symbology identifier.')
  if (symbologies.gs1.test(carrier)) return accept({ kind: 'element-string', text, carrier, at })
  if (symbologies.retail.test(carrier)) return accept({ kind: 'gtin', text, carrier, at })
  if (!symbologies.plain.test(carrier))
    return unreadable(at, part, 'Its symbology identifier is not one of a device label.')
  const kind = ofPlainData(text)
  return kind === undefined
    ? unreadable(at, part, 'Its symbology does not carry GS1 element strings.')
    : accept({ kind, text, carrier, at })
}

const isGs1 = (barcode: Sorted): barcode is Gs1Barcode => barcode.kind !== 'hibc' && barcode.kind !== 'isbt-128'

/** The reading of all barcodes of each issuer; of those issuers only that were scanned. */
const byIssuer = (barcodes: readonly Sorted[], today: string): readonly Checked<Scan>[] => {
  const gs1 = barcodes.filter(isGs1)
  const hibc = barcodes.filter(({ kind }) => kind === 'hibc')
  const iccbba = barcodes.filter(({ kind }) => kind === 'isbt-128')
  return [
    ...(gs1.length > 0 ? [readGs1(gs1, today)] : []),
    ...(hibc.length > 0 ? [readHibc(hibc, today)] : []),
    ...(iccbba.length > 0 ? [readIccbba(iccbba)] : []),
  ]
}

/**
 * Reads the barcodes of one device label, each exactly as scanned, in any order. Promises a device identifier, not a
 * serial number: see requireSerial. Warns of a day 00 and of a field that may have swallowed the next one. Refuses with
 * everything that is wrong: `no-scan`, `scan-unreadable`, `check-digit`, `check-character`, `lost-separator`,
 * `scan-disagrees`. Never throws.
 *
 * @param parts one barcode, or two where device identifier and production identifiers are apart
 * @param today `YYYY-MM-DD`: two-digit years are read around it
 * @param at FHIRPath of each part
 */
export const readScan = (
  parts: readonly string[],
  today: string,
  at: readonly string[] = parts.map(() => 'Parameters.parameter'),
): Checked<Scan> => {
  if (parts.length === 0) return refuse([refusal('no-scan')])
  const sorted = parts.map((part, i) => sort(part, at[i] ?? 'Parameters.parameter'))
  const barcodes = sorted.flatMap((each) => (each.ok ? [each.value] : []))
  const scans = byIssuer(barcodes, today)
  const [scan, another] = scans
  if (barcodes.length < parts.length || scan === undefined) {
    // A readable half is not blamed for what the unreadable one may have carried.
    const unread = problemsOf(...sorted)
    const faults = problemsOf(...scans).filter(({ code }) => code !== 'scan-unreadable')
    return refuse([...unread, ...faults])
  }
  if (another === undefined) return scan
  const mixed = refusal('scan-disagrees', [...new Set(barcodes.map((barcode) => barcode.at))], {
    found: parts.join(' and '),
    expected: 'barcodes of one issuing agency',
  })
  return refuse([mixed, ...problemsOf(...scans)])
}
