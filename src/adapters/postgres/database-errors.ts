/** What a database error may tell, and whether another try may succeed. */

/** A database error without the values that PostgreSQL quotes in `detail`, `where` and the message. */
export class DatabaseError extends Error {
  readonly code: string | undefined
  readonly constraint: string | undefined
  constructor(code: string | undefined, constraint: string | undefined, what: string) {
    super(`database: ${what}`)
    this.name = 'DatabaseError'
    this.code = code
    this.constraint = constraint
  }
}

/**
 * The database is lost, full, busy or not there: the same call may succeed later. Classes and codes of PostgreSQL:
 * https://www.postgresql.org/docs/18/errcodes-appendix.html
 */
export const isOutage = (error: unknown): boolean => {
  if (!(error instanceof DatabaseError)) return false
  const code = error.code ?? ''
  return (
    // no connection, no admission, no resources, an operator at work, trouble of the system below
    /^(08|28|53|57P|58)/.test(code) ||
    // the database is away (being restored); it takes no writing; sessions that were too slow for their deadline
    ['3D000', '25006', '25P03', '25P04', '57014'].includes(code) ||
    // locks that did not come free, again and again: busy, not broken
    ['40P01', '40001', '55P03'].includes(code) ||
    /^(ECONN|EHOST|ENET|EAI_|EPIPE|ETIMEDOUT|ENOTFOUND|ENOENT|EMFILE|ENFILE|EADDRNOTAVAIL)/.test(code) ||
    [lost, busy].includes(code)
  )
}

/** Codes of our own for what has none: a connection that ended or does not answer, and one that none was free for. */
export const lost = 'lost'
export const busy = 'busy'

/** No word can be had with the server on this connection: not even a rollback. */
export const isLost = (error: unknown): boolean =>
  error instanceof DatabaseError && [lost, busy].includes(error.code ?? '')

interface Raw {
  code?: string
  constraint?: string
  severity?: string
  message?: string
}

/** pg-boss tells of errors by plain objects that look like one. */
const looksLikeError = (thing: unknown): thing is Raw & { readonly message: string } =>
  typeof thing === 'object' && thing !== null && 'message' in thing && typeof thing.message === 'string'

export const withoutValues = (error: unknown): unknown => {
  if (error instanceof DatabaseError || !looksLikeError(error)) return error
  const { code, constraint, severity } = error
  if (severity !== undefined || code !== undefined) {
    const name = constraint === undefined ? '' : ` on ${constraint}`
    return new DatabaseError(code, constraint, `${severity ?? 'error'} ${code ?? ''}${name}`)
  }
  // pg and pg-boss report a connection that ended or fell silent by the message alone
  return /connect|time(d )?out|not queryable|after calling end/i.test(error.message)
    ? new DatabaseError(lost, undefined, 'connection lost')
    : error
}
