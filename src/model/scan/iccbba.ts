/**
 * ISBT 128 data structures of medical products of human origin and of blood containers, kept by ICCBBA.
 * Source: FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3; IMDRF UDI WG/N48, appendix A.
 */

import type { Checked, Problem } from '../problems.ts'
import { accept, refusal, refuse } from '../problems.ts'
import { dateOfCentury } from './dates.ts'
import type { Fact, Facts } from './facts.ts'
import { gather, noDeviceIdentifier } from './facts.ts'
import type { Barcode, Scan } from './scan.ts'

interface Structure {
  readonly flag: string
  /** Characters after the flag. */
  readonly length: number
  readonly states: Exclude<keyof Facts, 'expiresAtHour'>
  readonly words: string
}

/** A flag that others begin with comes last. */
const structures: readonly Structure[] = [
  { flag: '=/', length: 16, states: 'deviceIdentifier', words: 'device identifier' },
  { flag: '=)', length: 10, states: 'deviceIdentifier', words: 'container catalogue number' },
  { flag: '=,', length: 6, states: 'serialNumber', words: 'serial number' },
  { flag: '=>', length: 6, states: 'expirationDate', words: 'date of expiry as CYYDDD' },
  { flag: '=}', length: 6, states: 'manufactureDate', words: 'date of manufacture as CYYDDD' },
  { flag: '&,1', length: 18, states: 'lotNumber', words: 'lot number' },
  { flag: '&)', length: 10, states: 'lotNumber', words: 'container lot number' },
  { flag: '=', length: 15, states: 'donationIdentifier', words: 'donation identification number' },
]

interface Reading {
  readonly barcode: Barcode
  /** Each structure as it stands, flag included. */
  readonly parts: readonly string[]
  readonly facts: readonly Fact[]
  readonly problems: readonly Problem[]
}

const factOf = ({ states }: Structure, value: string, at: string): Fact | undefined => {
  if (!/^[A-Za-z0-9]+$/.test(value)) return undefined
  if (states !== 'expirationDate' && states !== 'manufactureDate') return { name: states, value, at }
  const date = dateOfCentury(value)
  return date === undefined ? undefined : { name: states, value: date, at }
}

/** Reads structure after structure. One space before a structure is a line break of print and skipped. */
const readOne = (barcode: Barcode): Reading => {
  const { text, at } = barcode
  const parts: string[] = []
  const facts: Fact[] = []
  const problems: Problem[] = []
  for (let i = 0; i < text.length; ) {
    if (text[i] === ' ' && i > 0) i++
    const structure = structures.find(({ flag }) => text.startsWith(flag, i))
    if (structure === undefined) {
      const expected = structures.map(({ flag }) => flag).join(' ')
      problems.push(refusal('scan-unreadable', at, { found: text.slice(i), expected: `one of ${expected}` }))
      break
    }
    const { flag, length, words } = structure
    const value = text.slice(i + flag.length, i + flag.length + length)
    const fact = value.length === length ? factOf(structure, value, at) : undefined
    if (fact) facts.push(fact)
    else {
      const expected = `${flag} and ${length} letters or digits: ${words}`
      problems.push(refusal('scan-unreadable', at, { found: `${flag}${value}`, expected }))
    }
    parts.push(`${flag}${value}`)
    i += flag.length + length
  }
  return { barcode, parts, facts, problems }
}

const statesDevice = ({ facts }: Reading): boolean => facts.some(({ name }) => name === 'deviceIdentifier')

/** One or more ISBT 128 barcodes of one device, in any order. */
export const readIccbba = (barcodes: readonly Barcode[]): Checked<Scan> => {
  const reads = barcodes.map(readOne).sort((a, b) => Number(statesDevice(b)) - Number(statesDevice(a)))
  const refused = reads.flatMap(({ problems }) => problems)
  if (refused.length > 0) return refuse(refused)
  const { facts, problems } = gather(reads.flatMap((read) => read.facts))
  const { deviceIdentifier } = facts
  const isDevice = (part: string): boolean => part.startsWith('=/') || part.startsWith('=)')
  const parts = [...new Set(reads.flatMap((read) => read.parts))].sort(
    (a, b) => Number(isDevice(b)) - Number(isDevice(a)),
  )
  const humanReadable = parts.join('')
  if (deviceIdentifier === undefined) {
    problems.push(
      noDeviceIdentifier(
        barcodes.map(({ at }) => at),
        humanReadable,
        '=/ and a device identifier',
      ),
    )
  }
  if (deviceIdentifier === undefined || problems.length > 0) return refuse(problems)
  return accept({
    issuer: 'iccbba',
    form: humanReadable.startsWith('=)') ? 'isbt-128-container' : 'isbt-128',
    ...facts,
    deviceIdentifier,
    humanReadable,
    carrier: reads.map(({ barcode }) => barcode.carrier).join(''),
  })
}
