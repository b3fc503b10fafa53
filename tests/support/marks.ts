/** Marked patient data, and looking for it in every form in which a program may write it down. */

/** The beginning of every mark that is made of letters; in no word of ours. */
export const stem = 'Zqxmark'

let made = 0
/** A mark of its own, so that what leaks can be traced to where it was planted. */
export const newMark = (): string => `${stem}${String(++made).padStart(4, '0')}`

const both = (text: string): readonly string[] => [text, text.toLowerCase(), text.toUpperCase()]

/** Base64 of a text at each of the three places where it may begin, without the letters that depend on its neighbours. */
const inBase64 = (text: string): readonly string[] =>
  [0, 1, 2].map((before) => {
    const encoded = Buffer.from('\0'.repeat(before) + text).toString('base64')
    const whole = Math.floor(((before + Buffer.byteLength(text)) * 8) / 6)
    return encoded.slice(before === 0 ? 0 : before + 1, whole)
  })

/** Forms that are looked for letter by letter. */
const exactForms = (text: string): readonly string[] =>
  both(text).flatMap((t) => [...inBase64(t), ...inBase64(t).map((b) => b.replaceAll('+', '-').replaceAll('/', '_'))])

/** Forms that are looked for in either case. */
const foldedForms = (text: string): readonly string[] =>
  both(text).flatMap((t) => {
    const bytes = [...Buffer.from(t)]
    const hex = bytes.map((b) => b.toString(16).padStart(2, '0'))
    return [
      t,
      encodeURIComponent(t),
      encodeURIComponent(encodeURIComponent(t)),
      JSON.stringify(t).slice(1, -1),
      hex.join(''),
      hex.map((h) => `%${h}`).join(''),
      hex.map((h) => `\\u00${h}`).join(''),
      hex.map((h) => `\\x${h}`).join(''),
      hex.join(' '),
      bytes.join(','),
      bytes.join(', '),
      [...t].map((c) => `&#${c.codePointAt(0)};`).join(''),
    ].map((form) => form.toLowerCase())
  })

/** Without accents and marks between letters, as names are compared. */
const folded = (text: string): string => text.normalize('NFKD').replaceAll(/\p{M}/gu, '').toLowerCase()

/**
 * Where marked data stands in a text, with some of what is around it; none where there is none.
 * @param marks besides those that begin with the stem: dates, numbers
 */
export const marksIn = (text: string, marks: readonly string[]): readonly string[] => {
  const plain = folded(text)
  const around = (where: string, form: string): readonly string[] => {
    const at = where.indexOf(form)
    return at < 0 ? [] : [`${form}: …${where.slice(Math.max(0, at - 120), at + 120)}…`]
  }
  return [stem, ...marks].flatMap((mark) => [
    ...[...new Set(foldedForms(mark))].flatMap((form) => around(plain, form)),
    ...[...new Set(exactForms(mark))].flatMap((form) => around(text, form)),
  ])
}

type Step = string | number

/** The places of every string in a body, and of every number that could be somebody's. */
export const leavesOf = (node: unknown, at: readonly Step[] = []): readonly (readonly Step[])[] => {
  if (typeof node === 'string') return [at]
  if (Array.isArray(node)) return node.flatMap((child, i) => leavesOf(child, [...at, i]))
  return typeof node === 'object' && node !== null
    ? Object.entries(node).flatMap(([key, child]) => leavesOf(child, [...at, key]))
    : []
}

const at = (node: unknown, step: Step): unknown => (node as Record<Step, unknown>)[step]

/** A copy in which one string is another. */
export const withLeaf = (body: unknown, path: readonly Step[], change: (before: string) => unknown): unknown => {
  const copy = structuredClone(body)
  const last = path.at(-1) as Step
  const parent = path.slice(0, -1).reduce(at, copy) as Record<Step, unknown>
  parent[last] = change(String(parent[last]))
  return copy
}
