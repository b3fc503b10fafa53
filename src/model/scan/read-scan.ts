/** The door of this folder: what the rest of the code reads of scans and typed device numbers. */

export { longestScan, readScan } from './barcodes.ts'
export { gtinCheckDigit, hibcCheckCharacter } from './check-digits.ts'
export { printDigitalLink } from './digital-link.ts'
export { printElementString, printHumanReadable } from './gs1-elements.ts'
export { readTyped, type Typed } from './read-typed.ts'
export { type Issuer, issuerUri, requireSerial, type Scan, type ScanForm, separator } from './scan.ts'
export { dataOfScan, scanOfData } from './scan-data.ts'
