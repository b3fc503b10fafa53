/** Reads the configuration file: YAML, the schema, and what no single value shows, with every mistake at once. */
import { LineCounter, parseDocument } from 'yaml'
import { keyMistakes } from './access-checks.ts'
import { crossMistakes, crossWarnings } from './cross-checks.ts'
import { type Refused, refusedBySchema } from './mistakes.ts'
import { type Mistake, offsetOf, sentenceOf } from './places.ts'
import { type ConfigurationFile, fileSchema } from './schema.ts'
import type { ReadSecret } from './values.ts'

export interface FileRead {
  /** Absent when there are mistakes. */
  readonly file?: ConfigurationFile
  readonly mistakes: readonly string[]
  readonly warnings: readonly string[]
}

const inOrder = (mistakes: readonly Mistake[]): Mistake[] => [...mistakes].sort((a, b) => a.offset - b.offset)

/** The parser's own words, without the excerpt of the file that it adds. */
const firstLine = (message: string): string => message.split('\n')[0] ?? message

/**
 * @param label the file's name, as the sentences begin with
 * @param text the file's content
 */
export const readConfigurationFile = (label: string, text: string, readSecret: ReadSecret): FileRead => {
  const lineCounter = new LineCounter()
  const document = parseDocument(text, { lineCounter, prettyErrors: false })
  const tell = (mistake: Mistake) => sentenceOf(label, lineCounter, mistake)
  const placed = ({ path, text: what }: Refused): Mistake => ({ offset: offsetOf(document, path), path, text: what })
  const broken = document.errors.map(({ pos, message }) => ({
    offset: pos[0],
    path: [],
    text: `not valid YAML: ${firstLine(message)}`,
  }))
  const unreadable = document.errors.some(({ code }) => code !== 'DUPLICATE_KEY')
  // what comes after the first follows from it
  if (unreadable)
    return { mistakes: [tabIn(text) ?? inOrder(broken)[0]].flatMap((m) => (m ? [tell(m)] : [])), warnings: [] }
  let raw: unknown
  try {
    raw = document.toJS()
  } catch (error) {
    return {
      mistakes: [`${label}: not valid YAML: ${error instanceof Error ? error.message : error}`],
      warnings: [],
    }
  }
  const read = fileSchema(readSecret).safeParse(raw)
  const refused = [...(read.success ? [] : refusedBySchema(read.error, raw)), ...crossMistakes(raw)]
  const mistakes = inOrder([
    ...broken,
    ...refused.map(placed),
    ...(read.data ? [...sharedTokens(read.data), ...keyMistakes(read.data)].map(placed) : []),
  ])
  return {
    ...(read.success && mistakes.length === 0 && { file: read.data }),
    mistakes: mistakes.map(tell),
    warnings: inOrder([...crossWarnings(raw), ...(read.data ? shortTokens(read.data) : [])].map(placed)).map(tell),
  }
}

/** The parser tells of a tab by what it breaks. */
const tabIn = (text: string): Mistake | undefined => {
  const offset = /^[ ]*\t/m.exec(text)
  return offset ? { offset: offset.index, path: [], text: 'not valid YAML: found a tab, expected spaces' } : undefined
}

/** Whoever can try often enough would find it. */
const shortTokens = ({ callers }: ConfigurationFile): Refused[] =>
  callers.flatMap(({ token }, i) =>
    token.length < 20
      ? [{ path: ['callers', i, 'token'], text: 'a token of less than 20 characters; make one: openssl rand -hex 20' }]
      : [],
  )

/** Two callers with one token could not be told apart. Neither token is repeated. */
const sharedTokens = ({ callers }: ConfigurationFile): Refused[] =>
  callers.flatMap(({ token }, i) => {
    const first = callers.findIndex((other) => other.token === token)
    return first < i
      ? [{ path: ['callers', i, 'token'], text: `the same secret as callers[${first}], expected one of its own` }]
      : []
  })
