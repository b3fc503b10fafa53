/** The facts that the barcodes of one device state, brought together. */

import type { Problem } from '../problems.ts'
import { refusal } from '../problems.ts'
import type { Scan } from './scan.ts'

/** The parts of a Scan that a barcode may state. */
export type Facts = {
  -readonly [name in Exclude<
    keyof Scan,
    'issuer' | 'form' | 'humanReadable' | 'carrier' | 'mayHoldMore'
  >]?: NonNullable<Scan[name]>
}

/** One statement of one barcode. */
export type Fact = {
  [name in keyof Facts]-?: { readonly name: name; readonly value: NonNullable<Facts[name]>; readonly at: string }
}[keyof Facts]

const words: { readonly [name in keyof Facts]-?: string } = {
  deviceIdentifier: 'device identifiers',
  serialNumber: 'serial numbers',
  lotNumber: 'lot numbers',
  manufactureDate: 'dates of manufacture',
  expirationDate: 'expiry dates',
  expiresAtHour: 'hours of expiry',
  donationIdentifier: 'donation identification numbers',
}

const add = (facts: Facts, { name, value }: Fact): void => {
  Object.assign(facts, { [name]: value })
}

/** All facts under their names; a fact may be stated twice, and a problem names every one that is stated differently. */
export const gather = (stated: readonly Fact[]): { facts: Facts; problems: Problem[] } => {
  const first = new Map<string, Fact>()
  const facts: Facts = {}
  const problems: Problem[] = []
  for (const fact of stated) {
    const before = first.get(fact.name)
    if (before === undefined) {
      first.set(fact.name, fact)
      add(facts, fact)
    } else if (before.value !== fact.value) {
      problems.push(
        refusal('scan-disagrees', [...new Set([before.at, fact.at])], {
          found: `${before.value} and ${fact.value}`,
          expected: 'barcodes of one device',
          note: `Two ${words[fact.name]} are stated.`,
        }),
      )
    }
  }
  return { facts, problems }
}

/** The refusal of barcodes that carry production identifiers and no device identifier. */
export const noDeviceIdentifier = (at: readonly string[], found: string, expected: string): Problem =>
  refusal('scan-unreadable', at, {
    found,
    expected,
    note: 'No device identifier is in what was scanned; a label may carry it in a barcode of its own.',
  })
