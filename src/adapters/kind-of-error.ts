/**
 * What a log may hold of an error: its kind and where it arose. Never its words: those of a parser quote what it read,
 * those of a database whole rows, and either may be anybody's data.
 */

export interface ErrorKind {
  /** `TypeError`; of what is no error its JavaScript type. */
  readonly type: string
  /** Of the system or of PostgreSQL: `ECONNREFUSED`, `23505`. */
  readonly code?: string
  readonly constraint?: string
  /** File, line and column of each call, the innermost first. */
  readonly at?: readonly string[]
  readonly cause?: ErrorKind
}

const nameOf = ({ name }: Error): string => (/^[A-Z][A-Za-z]{0,40}$/.test(name) ? name : 'Error')

const word = (value: unknown, form: RegExp): string | undefined =>
  typeof value === 'string' && form.test(value) ? value : undefined

const place = /^ {4}at (?:.*\()?((?:file:\/\/|node:|\/|[A-Z]:\\)[^()\s]+:\d+:\d+)\)?$/

/** The places alone: names of functions can be made of data, and the message stands above them. */
const placesOf = ({ stack = '', message }: Error): readonly string[] =>
  stack
    .slice(stack.indexOf(message) + message.length)
    .split('\n')
    .flatMap((line) => place.exec(line)?.[1] ?? [])
    .slice(0, 12)

/** @param depth how many causes of causes are looked at */
export const kindOf = (error: unknown, depth = 3): ErrorKind => {
  if (!(error instanceof Error)) return { type: error === null ? 'null' : typeof error }
  const { code, constraint } = error as { code?: unknown; constraint?: unknown }
  const [known, broken, at] = [
    word(code, /^([A-Z0-9_]{2,60}|lost)$/),
    word(constraint, /^[a-z_]{1,63}$/),
    placesOf(error),
  ]
  return {
    type: nameOf(error),
    ...(known !== undefined && { code: known }),
    ...(broken !== undefined && { constraint: broken }),
    ...(at.length > 0 && { at }),
    ...(error.cause !== undefined && depth > 0 && { cause: kindOf(error.cause, depth - 1) }),
  }
}
