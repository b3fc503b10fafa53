/**
 * HIBC supplier labels. Sources: ANSI/HIBC 2.6 through FDA, UDI formats by FDA-Accredited Issuing Agency, v1.3, and
 * IMDRF UDI WG/N48, appendix A; quantities (`$$8`, `$$9`) from the public documentation of a barcode writer.
 */

import type { Checked, Problem } from '../problems.ts'
import { accept, isRefusal, problemsOf, refusal, refuse } from '../problems.ts'
import { hibcCharacters, hibcCheckCharacter } from './check-digits.ts'
import type { Fact } from './facts.ts'
import { gather, noDeviceIdentifier } from './facts.ts'
import { dataProblem, secondaryFacts, supplementalFacts } from './hibc-data.ts'
import { shown } from './lost-separator.ts'
import type { Barcode, Scan } from './scan.ts'

/** LIC of a letter and three, product code of 1 to 18, one digit for the unit of measure. */
export const hibcIdentifier = /^[A-Z][A-Z0-9]{3}[A-Z0-9]{1,18}[0-9]$/

interface HibcBarcode {
  readonly barcode: Barcode
  readonly facts: readonly Fact[]
  /** Data beside the identifier, without `/`. */
  readonly data: readonly string[]
  /** Its own check character. */
  readonly check: string
  /** The check character of the primary barcode, as a barcode of secondary data alone repeats it. */
  readonly link?: string
  readonly identifier?: string
}

const unreadable = (at: string, found: string, expected: string, note?: string): Problem =>
  refusal('scan-unreadable', at, { found, expected, ...(note !== undefined && { note }) })

/** The data between the `*` that are printed on both sides, with the check character as such: a space is printed as `_`. */
const unwrapped = (text: string): string => {
  const inside = text.length > 1 && text.startsWith('*') && text.endsWith('*') ? text.slice(1, -1) : text
  return inside.endsWith('_') ? `${inside.slice(0, -1)} ` : inside
}

const foreignCharacter = (text: string, at: string): Problem | undefined => {
  const found = [...text].find((character) => !hibcCharacters.includes(character))
  if (found === undefined) return undefined
  const note = /[a-z]/.test(found) ? 'HIBC has no lower case: the scanner or the keyboard changes it.' : undefined
  return unreadable(at, `${shown(found)} in ${text}`, 'digits, capitals and - . $ / + % and space', note)
}

const wrongCheck = (text: string, at: string): Problem | undefined => {
  const expected = hibcCheckCharacter(text.slice(0, -1))
  if (expected === undefined || text.endsWith(expected)) return undefined
  return refusal('check-character', at, { found: `${text.slice(-1)} at the end of ${text}`, expected: shown(expected) })
}

/** More strings of data than any label has: not read at all. */
const mostData = 20

const dataProblems = (data: readonly string[], at: string, today: string): readonly Problem[] =>
  data.length > mostData
    ? [unreadable(at, `${data.length} strings of data`, `up to ${mostData}`)]
    : data.map((segment) => dataProblem(segment, at, today)).filter((problem) => problem !== undefined)

const dataFacts = (data: readonly string[], at: string, today: string): readonly Fact[] =>
  data.flatMap((segment) => secondaryFacts(segment, at, today) ?? supplementalFacts(segment, at) ?? [])

/** A barcode with the identifier, and secondary data behind a `/` if it has any. */
const readWithIdentifier = (barcode: Barcode, body: string, check: string, today: string): Checked<HibcBarcode> => {
  const { at } = barcode
  const [identifier = '', ...data] = body.slice(1).split('/')
  const problems = [...dataProblems(data, at, today)]
  if (!hibcIdentifier.test(identifier)) {
    const expected = 'a letter, three letters or digits, a product code of 1 to 18 and a digit'
    problems.unshift(unreadable(at, identifier, expected))
  }
  if (problems.length > 0) return refuse(problems)
  const facts: readonly Fact[] = [{ name: 'deviceIdentifier', value: identifier, at }, ...dataFacts(data, at, today)]
  return accept({ barcode, facts, data, check, identifier })
}

/** A barcode of secondary data alone, which ends in the check character of its primary barcode and in its own. */
const readSecondary = (barcode: Barcode, body: string, check: string, today: string): Checked<HibcBarcode> => {
  const { at } = barcode
  const data = body.slice(1, -1).split('/')
  const problems = dataProblems(data, at, today)
  if (problems.length > 0) return refuse(problems)
  return accept({ barcode, facts: dataFacts(data, at, today), data, check, link: body.slice(-1) })
}

const readOne = (barcode: Barcode, today: string): Checked<HibcBarcode> => {
  const { at } = barcode
  const text = unwrapped(barcode.text)
  const foreign = foreignCharacter(text, at)
  if (foreign) return refuse([foreign])
  const wrong = wrongCheck(text, at)
  const [body, check] = [text.slice(0, -1), text.slice(-1)]
  if (!text.startsWith('+') || !/^\+[A-Z0-9$]/.test(body)) {
    return refuse([
      unreadable(at, barcode.text, '+, then a device identifier or secondary data, then a check character'),
    ])
  }
  const read = /^\+[A-Z]/.test(body) ? readWithIdentifier : readSecondary
  const one = read(barcode, body, check, today)
  // With a wrong check character nothing else can be trusted, but all that is wrong is told.
  return wrong ? refuse([wrong, ...problemsOf(one)]) : one
}

/** Secondary barcodes must repeat the check character of the primary one. */
const wrongLinks = (reads: readonly HibcBarcode[]): Problem[] => {
  const primary = reads.find(({ identifier }) => identifier !== undefined)
  return reads
    .filter(({ link }) => primary !== undefined && link !== undefined && link !== primary.check)
    .map(({ link = '', barcode }) =>
      refusal('check-character', barcode.at, {
        found: `${shown(link)} as link character of ${barcode.text}`,
        expected: shown(primary?.check ?? ''),
        note: 'The two barcodes do not belong together.',
      }),
    )
}

/** All data in one string, with its check character, between `*` as it is printed. */
const printHibc = (identifier: string, data: readonly string[]): string => {
  const body = `+${[identifier, ...new Set(data)].join('/')}`
  const check = hibcCheckCharacter(body)
  return `*${body}${check === ' ' ? '_' : check}*`
}

/** One or more HIBC barcodes of one device, in any order. */
export const readHibc = (barcodes: readonly Barcode[], today: string): Checked<Scan> => {
  const checked = barcodes.map((barcode) => readOne(barcode, today))
  const refused = problemsOf(...checked)
  if (refused.length > 0) return refuse(refused)
  const reads = checked
    .flatMap((each) => (each.ok ? [each.value] : []))
    .sort((a, b) => Number(b.identifier !== undefined) - Number(a.identifier !== undefined))
  const { facts, problems } = gather(reads.flatMap((read) => read.facts))
  problems.push(...wrongLinks(reads))
  const { deviceIdentifier } = facts
  const carrier = reads.map(({ barcode }) => barcode.carrier).join('')
  if (deviceIdentifier === undefined) {
    problems.push(
      noDeviceIdentifier(
        barcodes.map(({ at }) => at),
        carrier,
        '+ and a device identifier',
      ),
    )
  }
  if (deviceIdentifier === undefined || problems.some(isRefusal)) return refuse(problems)
  const humanReadable = printHibc(
    deviceIdentifier,
    reads.flatMap(({ data }) => data),
  )
  return accept({ issuer: 'hibcc', form: 'hibc', ...facts, deviceIdentifier, humanReadable, carrier })
}
