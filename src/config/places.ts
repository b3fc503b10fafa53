/** Where in the file a value stands, for people: line and column, and the path as one would write it in code. */
import { type Document, isAlias, isMap, isPair, isScalar, isSeq, type LineCounter } from 'yaml'

export type Path = readonly (string | number)[]

export interface Mistake {
  /** Offset in the file's text. */
  readonly offset: number
  readonly path: Path
  /** "found …, expected …". */
  readonly text: string
}

/** `sites[0].timeZone` */
export const pathText = (path: Path): string =>
  path.reduce<string>(
    (text, step) => (typeof step === 'number' ? `${text}[${step}]` : text === '' ? step : `${text}.${step}`),
    '',
  )

const startOf = (node: unknown): number | undefined => {
  const inner = isPair(node) ? node.key : node
  const range = (inner as { range?: readonly number[] | null } | null)?.range
  return range?.[0]
}

/** The child that a step leads to: the pair of a key, the item of an index. */
const stepInto = (document: Document, node: unknown, step: string | number): unknown => {
  const inner = isPair(node) ? node.value : node
  const target = isAlias(inner) ? inner.resolve(document) : inner
  if (isMap(target)) {
    return target.items.find((pair) => String(isScalar(pair.key) ? pair.key.value : pair.key) === String(step))
  }
  return isSeq(target) ? target.items[Number(step)] : undefined
}

/** Offset of the key or item that the path leads to; where it is missing, of the closest part above it. */
export const offsetOf = (document: Document, path: Path): number => {
  let node: unknown = document.contents
  let offset = startOf(node) ?? 0
  for (const step of path) {
    node = stepInto(document, node, step)
    offset = startOf(node) ?? offset
    if (node === undefined) break
  }
  return offset
}

/** One sentence: `daybind.yaml:12:5 sites[0].timeZone: found …, expected …`. */
export const sentenceOf = (file: string, lines: LineCounter, { offset, path, text }: Mistake): string => {
  const { line, col } = lines.linePos(offset)
  return [`${file}:${line}:${col}`, path.length > 0 && `${pathText(path)}:`, text].filter(Boolean).join(' ')
}
