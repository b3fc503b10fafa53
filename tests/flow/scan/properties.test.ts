import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import {
  gtinCheckDigit,
  hibcCheckCharacter,
  printDigitalLink,
  printElementString,
  printHumanReadable,
  readScan,
  readTyped,
} from '../../../src/model/scan/read-scan.ts'
import { gs, problems, read, today, value } from './words.ts'

/** Text of a character set, all of whose characters are as likely. */
const text = (characters: string, min: number, max: number) =>
  fc.string({ unit: fc.constantFrom(...characters), minLength: min, maxLength: max })

const digits = '0123456789'
const capitals = 'ABCDEFGHIJKLMNOPQRSTUVWXYZ'
const gs1Characters = `${digits}${capitals}${capitals.toLowerCase()}!"%&'()*+,-./:;<=>?_`

const gtin = text(digits, 13, 13)
  .filter((body) => !/^0+$/.test(body))
  .map((body) => body + gtinCheckDigit(body))
// A value may by chance hold what stands in for a separator; such labels are refused on purpose.
const gs1Text = text(gs1Characters, 1, 20).filter((t) => !/[<(](gs|fnc1|f8)|<0x1d/i.test(t))

const twoDigits = (min: number, max: number) => fc.integer({ min, max }).map((n) => String(n).padStart(2, '0'))
const yymmdd = fc.tuple(twoDigits(0, 99), twoDigits(1, 12), twoDigits(1, 28)).map((parts) => parts.join(''))

const fields = fc
  .record(
    { '01': gtin, '10': gs1Text, '11': yymmdd, '17': yymmdd, '21': gs1Text, '240': gs1Text },
    { requiredKeys: ['01'] },
  )
  .map((record) => Object.entries(record).map(([ai, v]) => ({ ai, value: v })))
  .chain((list) => fc.shuffledSubarray(list, { minLength: list.length }))

/** What a scan of these fields must say. */
const facts = (list: readonly { ai: string; value: string }[]) => {
  const of = (ai: string) => list.find((field) => field.ai === ai)?.value
  return {
    issuer: 'gs1',
    deviceIdentifier: of('01'),
    lotNumber: of('10'),
    serialNumber: of('21'),
    manufactured: of('11'),
    expires: of('17'),
  }
}

const stated = (...parts: string[]) => {
  const { issuer, deviceIdentifier, lotNumber, serialNumber, manufactureDate, expirationDate } = value(read(...parts))
  const short = (date: string | undefined) => date?.slice(2).replaceAll('-', '')
  return {
    issuer,
    deviceIdentifier,
    lotNumber,
    serialNumber,
    manufactured: short(manufactureDate),
    expires: short(expirationDate),
  }
}

describe('what is printed and read again is the same', () => {
  test('GS1: element string, with and without symbology identifier', () => {
    fc.assert(
      fc.property(fields, fc.constantFrom('', ']d2', ']C1', ']Q3', gs), (list, front) => {
        expect(stated(`${front}${printElementString(list)}`)).toEqual(facts(list))
      }),
    )
  })

  test('GS1: bracketed', () => {
    fc.assert(
      fc.property(fields, (list) => {
        expect(stated(printHumanReadable(list))).toEqual(facts(list))
      }),
    )
  })

  test('GS1: Digital Link', () => {
    fc.assert(
      fc.property(fields, fc.constantFrom('https://id.gs1.org', 'http://tern-harbour.example/a/b'), (list, base) => {
        expect(stated(printDigitalLink(base, list))).toEqual(facts(list))
      }),
    )
  })

  test('GS1: two barcodes, in either order', () => {
    fc.assert(
      fc.property(fields, (list) => {
        const [device, production] = [list.filter(({ ai }) => ai === '01'), list.filter(({ ai }) => ai !== '01')]
        fc.pre(production.length > 0)
        const parts = [device, production].map((part) => `]d2${printElementString(part)}`)
        expect(stated(...parts)).toEqual(facts(list))
        expect(stated(...parts.reverse())).toEqual(facts(list))
      }),
    )
  })

  test('GS1: what is printed for people reads as the same label', () => {
    fc.assert(
      fc.property(fields, (list) => {
        const { mayHoldMore: _, ...scan } = value(read(printElementString(list)))
        const again = value(read(scan.humanReadable))
        expect(again).toEqual({ ...scan, form: 'human-readable', carrier: scan.humanReadable })
      }),
    )
  })

  const alphanumeric = `${digits}${capitals}`
  const hibcLabel = fc.record({
    identifier: fc
      .tuple(text(capitals, 1, 1), text(alphanumeric, 4, 21), text(digits, 1, 1))
      .map((parts) => parts.join('')),
    serial: text(`${alphanumeric}-.$+% `, 1, 18),
    date: yymmdd,
  })

  test('HIBC: combined, in two barcodes, and as printed for people', () => {
    fc.assert(
      fc.property(hibcLabel, ({ identifier, serial, date }) => {
        const data = `$$+3${date}${serial}`
        const combined = `+${identifier}/${data}`
        const expected = { deviceIdentifier: identifier, serialNumber: serial }
        const scan = value(read(`${combined}${hibcCheckCharacter(combined)}`))
        expect(scan).toMatchObject(expected)
        expect(value(read(scan.humanReadable))).toEqual({ ...scan, carrier: scan.humanReadable })
        const link = hibcCheckCharacter(`+${identifier}`)
        const second = `+${data}${link}`
        const parts = [`+${identifier}${link}`, `${second}${hibcCheckCharacter(second)}`]
        expect(value(read(...parts)).humanReadable).toBe(scan.humanReadable)
        expect(value(read(...parts.reverse())).humanReadable).toBe(scan.humanReadable)
      }),
    )
  })

  test('HIBC: every other character in one place is told', () => {
    const label = '+A123BJC5D6E71/$$52001510X3C'
    fc.assert(
      fc.property(fc.nat(label.length - 1), text(`${alphanumeric}-.$/+%`, 1, 1), (place, other) => {
        fc.pre(label[place] !== other && place > 0)
        expect(read(`${label.slice(0, place)}${other}${label.slice(place + 1)}`).ok).toBe(false)
      }),
    )
  })
})

describe('no string of up to 500 characters', () => {
  const pieces = fc.constantFrom(
    ...[
      '01',
      '09520123456788',
      '10',
      '21',
      '17',
      '261231',
      '11',
      '99',
      '240',
      '7003',
      gs,
      '(',
      ')',
      '(01)',
      '(21)',
      '\\',
    ],
    ...[
      ']d2',
      ']E0',
      ']C0',
      '+',
      'A123',
      '$$',
      '$$+3',
      '/',
      '/S',
      '/16D',
      '*',
      '_',
      '=/',
      '=,',
      '=>',
      '&,1',
      '&)',
      '=',
    ],
    ...[
      'https://',
      'x.example',
      '/01/',
      '/21/',
      '?',
      '&17=',
      '%2d',
      '%',
      '#',
      '<GS>',
      '^]',
      '\u0000',
      '\ud800',
      '💥',
      'İ',
    ],
  )
  const built = fc.array(pieces, { maxLength: 250 }).map((all) => all.join('').slice(0, 500))
  const repeated = fc.tuple(pieces, pieces).map(([a, b]) => (a + b.repeat(500)).slice(0, 500))
  const anything = fc.oneof(
    fc.string({ unit: 'binary', maxLength: 250 }),
    fc.string({ unit: 'grapheme-ascii', maxLength: 500 }),
    built,
    repeated,
  )

  test('makes a reader throw', () => {
    fc.assert(
      fc.property(anything, anything, (one, other) => {
        readScan([one], today)
        readScan([one, other], today)
        readTyped(one, other)
      }),
      { numRuns: 400 },
    )
  })

  /** The best of several, as far as it takes: what else runs on the machine can only add. */
  const milliseconds = (work: () => void, enough: number): number => {
    let best = Number.POSITIVE_INFINITY
    for (let i = 0; i < 30 && best >= enough; i++) {
      const start = performance.now()
      work()
      best = Math.min(best, performance.now() - start)
    }
    return best
  }

  /** About a millisecond's work on the machine on which this was written, and none of ours. */
  const plainWork = (): void => {
    const characters = [...'(01)09520123456788'.repeat(28)]
    for (let i = 0; i < 50; i++) JSON.parse(JSON.stringify(characters))
  }

  test('takes longer than a millisecond, or what is one elsewhere on a slower machine', () => {
    for (const warm of fc.sample(anything, 200)) readScan([warm], today)
    const limit = Math.max(1, milliseconds(plainWork, 0))
    fc.assert(
      fc.property(anything, (one) => {
        expect(milliseconds(() => readScan([one], today), limit)).toBeLessThan(limit)
      }),
      { numRuns: 400 },
    )
  })

  test('longer ones are refused unread', () => {
    expect(problems(read('1'.repeat(501)))).toMatchObject([
      { code: 'scan-unreadable', note: expect.stringContaining('500') },
    ])
  })
})
