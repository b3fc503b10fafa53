/**
 * FHIR decimals carry their precision: 1.50 is not 1.5. JavaScript's numbers forget it, so the way in which such a
 * number was written is kept beside it, under a symbol on the object that holds it. Rules and checks see a plain
 * number; `{ ...object }` takes the symbol along, and so does `mapTree`; `Object.keys` passes it over; `structuredClone`,
 * `JSON.stringify` and a copy made key by key lose it.
 */
const asWritten = Symbol('numbers as written')

interface Holder {
  [asWritten]?: Record<string, string>
  [key: string]: unknown
}

// ES2025 proposal "JSON.parse source text access", in Node since 21; TypeScript's own library lacks it.
type Reviver = (this: Holder, key: string, value: unknown, context: { readonly source?: string }) => unknown
const parseWithSource = JSON.parse as (text: string, reviver: Reviver) => unknown
const { rawJSON } = JSON as unknown as { readonly rawJSON: (text: string) => unknown }

const isHolder = (value: unknown): value is Holder => typeof value === 'object' && value !== null

/** What a number looks like that JavaScript may print differently: a fraction, an exponent, minus zero, many digits. */
const mayDiffer = /(?:^|[:[,])\s*-?(?:\d+[.eE]|(?<=-)0|\d{16})/

/** JSON.parse that keeps how a number was written wherever JavaScript would print it differently. */
export const parseExactly = (text: string): unknown => {
  // a look at every value takes ten times as long as the parsing
  if (!mayDiffer.test(text)) return JSON.parse(text)
  return parseWithSource(text, function (key, value, { source }) {
    if (typeof value === 'number' && source !== undefined && source !== String(value)) {
      this[asWritten] ??= {}
      this[asWritten][key] = source
    }
    return value
  })
}

const holdsExactNumbers = (value: unknown): boolean => {
  if (!isHolder(value)) return false
  if (value[asWritten] !== undefined) return true
  if (Array.isArray(value)) return value.some(holdsExactNumbers)
  for (const key of Object.keys(value)) {
    const inner = value[key]
    if (typeof inner === 'object' && holdsExactNumbers(inner)) return true
  }
  return false
}

/**
 * The JSON text of a parsed or built value. A number that was read as 1.50 is written as 1.50, unless the program
 * has put another number in its place.
 */
export const writeJson = (value: unknown): string => {
  if (!holdsExactNumbers(value)) return JSON.stringify(value)
  return JSON.stringify(value, function (this: Holder, key: string, inner: unknown): unknown {
    const source = this[asWritten]?.[key]
    return source !== undefined && Number(source) === inner ? rawJSON(source) : inner
  })
}
