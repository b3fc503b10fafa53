import { isUtf8 } from 'node:buffer'
import { accept, type Checked, type Problem, refusal, refuse } from '../../../model/problems.ts'
import { parseExactly } from './exact-numbers.ts'
import { expressionsOf } from './expressions.ts'
import { type Fault, type JsonLimits, scanJson } from './scan-json.ts'

export const usualLimits: JsonLimits = { depth: 64, items: 2000, allItems: 20_000 }

/**
 * Turns a body into a value, and refuses what is not JSON in valid UTF-8 or what would do harm behind the door:
 * nesting deeper or arrays longer than the limits, a name twice in one object, `__proto__`, `constructor` and
 * `prototype` as names, halves of surrogate pairs (PostgreSQL cannot store them) and control characters in strings (R4
 * has them as SHOULD NOT, and a peer that speaks XML could not hold them; tab, CR and LF excepted, and the U+001D of a
 * scan), numbers beyond a 64-bit float. A byte order mark before the text is passed over. Numbers that JavaScript would print differently
 * keep their writing for `writeJson`. The size of the body is the caller's to limit.
 *
 * An error of syntax is told with line and column (from 1; columns in UTF-16 code units), everything else with its
 * FHIRPath besides.
 */
export const parseJson = (body: string | Uint8Array, limits: JsonLimits = usualLimits): Checked<unknown> => {
  const decoded = typeof body === 'string' ? wellFormed(body) : decode(body)
  if (!decoded.ok) return decoded
  const text = decoded.value
  const { faults, complete, unusualNumbers } = scanJson(text, limits)
  if (faults.length > 0) return refuse(told(text, faults, complete ? JSON.parse(text) : undefined))
  return accept(unusualNumbers ? parseExactly(text) : JSON.parse(text))
}

const withoutMark = (text: string): string => (text.charCodeAt(0) === 0xfeff ? text.slice(1) : text)

const decode = (bytes: Uint8Array): Checked<string> => {
  const text = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength).toString('utf8')
  if (isUtf8(bytes)) return accept(withoutMark(text))
  const location = placesIn(text)(firstBroken(text, bytes))
  const note = `${location}: the bytes are not valid UTF-8${hintOf(bytes)}.`
  return refuse([refusal('malformed-json', '', { note, expected: 'UTF-8', location })])
}

/** UTF-16 begins with its mark. Source: RFC 2781, section 3.2 */
const hintOf = ([first, second]: Uint8Array): string =>
  (first === 0xff && second === 0xfe) || (first === 0xfe && second === 0xff) ? ', they look like UTF-16' : ''

const wellFormed = (text: string): Checked<string> => {
  if (text.isWellFormed()) return accept(withoutMark(text))
  const location = placesIn(text)(text.search(/\p{Surrogate}/u))
  const note = `${location}: half a surrogate pair.`
  return refuse([refusal('wrong-value', '', { note, expected: 'whole characters', location })])
}

/** Where decoding first put U+FFFD in place of broken bytes; a U+FFFD that was sent as such is passed over. */
const firstBroken = (text: string, bytes: Uint8Array): number => {
  let bytesBefore = 0
  let from = 0
  for (let at = text.indexOf('\ufffd'); at !== -1; at = text.indexOf('\ufffd', from)) {
    bytesBefore += Buffer.byteLength(text.slice(from, at))
    const sentAsSuch = bytes[bytesBefore] === 0xef && bytes[bytesBefore + 1] === 0xbf && bytes[bytesBefore + 2] === 0xbd
    if (!sentAsSuch) return at
    bytesBefore += 3
    from = at + 1
  }
  return 0
}

/** Line and column of offsets in a text, asked for in the order in which the scan meets them. */
const placesIn = (text: string): ((offset: number) => string) => {
  let line = 1
  let start = 0
  return (offset) => {
    for (let end = text.indexOf('\n', start); end !== -1 && end < offset; end = text.indexOf('\n', start)) {
      line++
      start = end + 1
    }
    return `Line ${line}, column ${offset - start + 1}`
  }
}

const told = (text: string, faults: readonly Fault[], root: unknown): Problem[] => {
  const placeOf = placesIn(text)
  return faults.map(({ code, offset, path, found, expected }) => {
    const location = placeOf(offset)
    return refusal(code, expressionsOf(root, path), {
      note: `${location}.`,
      location,
      ...(found !== undefined && { found }),
      ...(expected !== undefined && { expected }),
    })
  })
}
