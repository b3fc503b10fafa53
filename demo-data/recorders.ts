/** The labels of the invented recorders, and the ways in which they are scanned or typed. */
import type { ParametersParameter } from 'fhir/r4.js'
import { gtinCheckDigit } from '../src/model/scan/check-digits.ts'

/** How a recorder's label gets into a call. The last two are what goes wrong. */
export type Capture =
  | 'data-matrix'
  | 'bytes'
  | 'human-readable'
  | 'digital-link'
  | 'two-barcodes'
  | 'typed'
  | 'box-without-serial'
  | 'lost-separator'

export interface Label {
  readonly gtin: string
  readonly lot: string
  readonly serial: string
  /** `YYMMDD`. */
  readonly expires: string
}

const separator = '\u001d'

/** GTIN-14 with GS1's demonstration prefix 952. */
const withCheckDigit = (digits: string): string => `${digits}${gtinCheckDigit(digits)}`
const models = { TR: withCheckDigit('0952000041207'), QR: withCheckDigit('0952000041306') } as const

/**
 * @param serial the two letters name the model
 * @param expires a date `YYYY-MM-DD`
 */
export const labelOf = (serial: string, expires: string): Label => ({
  gtin: serial.startsWith('TR') ? models.TR : models.QR,
  lot: 'K7406B',
  serial,
  expires: expires.slice(2).replaceAll('-', ''),
})

const scan = (valueString: string): ParametersParameter => ({ name: 'scan', valueString })

/** The parameters by which a call states the recorder. */
export const captured = (label: Label, how: Capture): readonly ParametersParameter[] => {
  const { gtin, lot, serial, expires } = label
  const production = `17${expires}10${lot}${separator}21${serial}`
  switch (how) {
    case 'data-matrix':
      return [scan(`]d201${gtin}${production}`)]
    case 'bytes':
      return [{ name: 'scanData', valueBase64Binary: Buffer.from(`01${gtin}${production}`).toString('base64') }]
    case 'human-readable':
      return [scan(`(01)${gtin}(17)${expires}(10)${lot}(21)${serial}`)]
    case 'digital-link':
      return [scan(`https://recorders.example/01/${gtin}/10/${lot}/21/${serial}?17=${expires}`)]
    case 'two-barcodes':
      return [scan(`01${gtin}`), scan(production)]
    case 'typed':
      return [
        { name: 'deviceIdentifier', valueString: gtin },
        { name: 'serialNumber', valueString: serial },
      ]
    case 'box-without-serial':
      return [scan(`01${gtin}17${expires}10${lot}`)]
    case 'lost-separator':
      return [scan(`01${gtin}${production.replace(separator, '')}`)]
  }
}
