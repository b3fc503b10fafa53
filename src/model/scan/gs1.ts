/** GS1: the barcodes of one device, whatever form each has, brought together into one scan. */

import type { Checked, Problem } from '../problems.ts'
import { accept, isRefusal, refusal, refuse, warning } from '../problems.ts'
import { dateOfDayZero, dateOfSix } from './dates.ts'
import { readDigitalLink } from './digital-link.ts'
import type { Fact } from './facts.ts'
import { gather, noDeviceIdentifier } from './facts.ts'
import type { Gs1Element, Gs1Reading } from './gs1-elements.ts'
import { printElementString, printHumanReadable, readElementString, readHumanReadable } from './gs1-elements.ts'
import { identifiers } from './gs1-identifiers.ts'
import { readGtin } from './gtin.ts'
import { type Swallowed, swallowed } from './lost-separator.ts'
import type { Barcode, MayHoldMore, Scan } from './scan.ts'
import { separator } from './scan.ts'

export type Gs1Form = 'element-string' | 'human-readable' | 'digital-link' | 'gtin'

export interface Gs1Barcode extends Barcode {
  /** `digits`: as many digits as a GTIN has, which may also be an element string that looks like one. */
  readonly kind: Gs1Form | 'digits'
}

/** A barcode as it was read, in one of the ways in which it can be. */
interface Read extends Gs1Reading {
  readonly form: Gs1Form
  readonly barcode: Gs1Barcode
}

const asGtin = (barcode: Gs1Barcode): Read => {
  const read = readGtin(barcode.text, barcode.at)
  return read.ok
    ? { barcode, form: 'gtin', elements: [{ ai: '01', value: read.value, at: barcode.at }], problems: [] }
    : { barcode, form: 'gtin', elements: [], problems: read.problems }
}

const readers = {
  'element-string': readElementString,
  'human-readable': readHumanReadable,
  'digital-link': readDigitalLink,
} as const

/** Every way in which a barcode can be read, the likelier one first. */
const readingsOf = (barcode: Gs1Barcode, today: string): readonly Read[] => {
  const as = (form: keyof typeof readers): Read => ({ barcode, form, ...readers[form](barcode, today) })
  if (barcode.kind === 'gtin') return [asGtin(barcode)]
  if (barcode.kind === 'digits') return [asGtin(barcode), as('element-string')]
  return [as(barcode.kind)]
}

const isSound = ({ problems }: Gs1Reading): boolean => !problems.some(isRefusal)

const gtins = (reads: readonly Read[]): Set<string> =>
  new Set(reads.flatMap(({ elements }) => elements.filter(({ ai }) => ai === '01').map(({ value }) => value)))

const combinations = (choices: readonly (readonly Read[])[]): readonly (readonly Read[])[] =>
  choices.reduce<readonly (readonly Read[])[]>(
    (before, readings) => before.flatMap((some) => readings.map((reading) => [...some, reading])),
    [[]],
  )

const bareGtins = (reads: readonly Read[]): number => reads.filter(({ form }) => form === 'gtin').length

/** How much is wrong with a way of reading: its refusals, and one more if nothing in it is meant as a device identifier. */
const faults = (reads: readonly Read[]): number =>
  reads.flatMap(({ problems }) => problems).filter(isRefusal).length +
  (reads.some(({ form, elements }) => form === 'gtin' || elements.some(({ ai }) => ai === '01')) ? 0 : 1)

/**
 * The way to read all barcodes together: the one that gives one device, with as many bare GTINs as it can have. Two such
 * ways of equal rank: it cannot be told. None: the one with the fewest faults, for its problems.
 */
const together = (barcodes: readonly Gs1Barcode[], today: string): Checked<readonly Read[]> => {
  const ways = combinations(barcodes.map((barcode) => readingsOf(barcode, today)))
  const good = ways.filter((reads) => reads.every(isSound) && gtins(reads).size === 1)
  const best = good.filter((reads) => bareGtins(reads) === Math.max(...good.map(bareGtins)))
  if (best.length > 1) {
    const at = barcodes.map((barcode) => barcode.at)
    return refuse([
      refusal('scan-unreadable', [...new Set(at)], {
        found: barcodes.map(({ text }) => text).join(' and '),
        expected: 'symbology identifiers in front, or the text with (01) that is printed beside the barcode',
        note: 'Either of the two may be the device identifier.',
      }),
    ])
  }
  const fewest = Math.min(...ways.map(faults))
  return accept(best[0] ?? ways.find((reads) => faults(reads) === fewest) ?? [])
}

/** Of the identifiers that tell a device, what each needs beside it. Source: gs1-syntax-dictionary, `req`. */
const needs: { readonly [ai: string]: readonly string[] } = {
  '10': ['01', '02', '03', '8006', '8026'],
  '11': ['01', '02', '03', '8006', '8026'],
  '17': ['01', '02', '03', '255', '8006', '8026'],
  '21': ['01', '03', '8006'],
  '7003': ['01', '02', '03'],
}

const alone = (elements: readonly Gs1Element[]): Problem[] => {
  const present = new Set(elements.map(({ ai }) => ai))
  return elements
    .filter(({ ai }) => needs[ai] !== undefined && !needs[ai].some((other) => present.has(other)))
    .map(({ ai, value, at }) =>
      refusal('scan-unreadable', at, {
        found: `(${ai})${value} alone`,
        expected: `with it, in this barcode or the other, one of ${needs[ai]?.map((other) => `(${other})`).join(' ')}`,
      }),
    )
}

const factNames = { '01': 'deviceIdentifier', '10': 'lotNumber', '21': 'serialNumber' } as const

const dateOf = (value: string, today: string): string => dateOfSix(value, today) ?? dateOfDayZero(value, today) ?? ''

const factsOf = ({ ai, value, at }: Gs1Element, today: string): readonly Fact[] => {
  if (ai === '01' || ai === '10' || ai === '21') return [{ name: factNames[ai], value, at }]
  if (ai === '11') return [{ name: 'manufactureDate', value: dateOf(value, today), at }]
  if (ai === '17') return [{ name: 'expirationDate', value: dateOf(value, today), at }]
  if (ai !== '7003') return []
  return [
    { name: 'expirationDate', value: dateOf(value.slice(0, 6), today), at },
    { name: 'expiresAtHour', value: Number(value.slice(6, 8)), at },
  ]
}

/** The fields of all barcodes, the GTIN first, none twice. */
const inCanonicalOrder = (elements: readonly Gs1Element[]): readonly Gs1Element[] => {
  const once = new Map(elements.map((element) => [`${element.ai} ${element.value}`, element]))
  return [...once.values()].sort((a, b) => Number(b.ai === '01') - Number(a.ai === '01'))
}

/** Two element strings one after the other, as scanned but for the second identifier of the symbology. */
const concatenated = (reads: readonly Read[]): string =>
  reads.reduce((before, { barcode, elements }, i) => {
    if (i === 0) return barcode.carrier
    const last = reads[i - 1]?.elements.at(-1)?.ai ?? ''
    const open = identifiers.get(last)?.needsSeparator === true && !before.endsWith(separator)
    return `${before}${open && elements.length > 0 ? separator : ''}${barcode.text}`
  }, '')

const carrierOf = (reads: readonly Read[], elements: readonly Gs1Element[]): string => {
  if (reads.length === 1) return reads[0]?.barcode.carrier ?? ''
  return reads.every(({ form }) => form === 'element-string') ? concatenated(reads) : printElementString(elements)
}

const mayHoldMore = ({ by, ais }: Swallowed): MayHoldMore => {
  const fields = ais.map((ai) => `(${ai})`).join(' ')
  return {
    found: `(${by.ai})${by.value}`,
    expected: `U+001D before ${fields}, if it is a field of its own`,
    note: `The value of (${by.ai}) may hold ${fields} as well: its end reads like one.`,
  }
}

/** One or more GS1 barcodes of one device, in any order. */
export const readGs1 = (barcodes: readonly Gs1Barcode[], today: string): Checked<Scan> => {
  const chosen = together(barcodes, today)
  if (!chosen.ok) return chosen
  const reads = [...chosen.value].sort((a, b) => gtins([b]).size - gtins([a]).size)
  const stated = reads.flatMap(({ elements }) => elements)
  const read = reads.flatMap(({ problems }) => problems)
  const { facts, problems: disagreements } = gather(stated.flatMap((element) => factsOf(element, today)))
  const problems = read.some(isRefusal) ? read : [...read, ...disagreements, ...alone(stated)]
  const { deviceIdentifier } = facts
  if (problems.some(isRefusal)) return refuse(problems)
  const elements = inCanonicalOrder(stated)
  const humanReadable = printHumanReadable(elements)
  const form = reads[0]?.form
  if (deviceIdentifier === undefined || form === undefined) {
    return refuse([
      ...problems,
      noDeviceIdentifier(
        barcodes.map(({ at }) => at),
        humanReadable,
        '(01) and a GTIN',
      ),
    ])
  }
  const separated = reads.filter((one) => one.form === 'element-string').flatMap((one) => one.elements)
  const swallow = swallowed(stated, separated, today)
  const more = swallow && mayHoldMore(swallow)
  const scan: Scan = {
    issuer: 'gs1',
    form,
    ...facts,
    deviceIdentifier,
    humanReadable,
    carrier: carrierOf(reads, elements),
    ...(more && { mayHoldMore: more }),
  }
  return accept(scan, swallow && more ? [...problems, warning('lost-separator', swallow.by.at, more)] : problems)
}
