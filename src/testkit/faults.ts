/** How a test server fails on request. */

/**
 * - `down`: no connection is taken, until `clearFaults` (a refused connection cannot be counted).
 * - `slow`: all is well, and the answer comes late, by `afterMs`.
 * - `hang`: the request is taken and never answered.
 * - `drop-before-store`, `drop-after-store`: the connection is cut without an answer.
 * - `lost-entry`: everything is stored, the answer lacks its last entry.
 * - `html`: 200 with a web page.
 * - `error-422` and so on: that status with an OperationOutcome; nothing is stored.
 */
export type FaultKind =
  | 'down'
  | 'slow'
  | 'hang'
  | 'drop-before-store'
  | 'drop-after-store'
  | 'lost-entry'
  | 'html'
  | `error-${number}`

export interface FaultOptions {
  /** So many requests, then all is well again; absent: until `clearFaults`. */
  readonly times?: number
  /** Reads are answered as ever. */
  readonly writesOnly?: boolean
  /** Value of the Retry-After header of an error. */
  readonly retryAfter?: string
  /** How late a slow answer comes, in milliseconds. */
  readonly afterMs?: number
}

/** As a person asks for them; any error is `error-4xx` or `error-5xx`. */
export const faultNames = [
  ...['slow', 'hang', 'drop-before-store', 'drop-after-store', 'lost-entry', 'html'],
  'error-422 (or any 4xx, 5xx)',
]

/** What a server of either kind can be asked to do wrong, spelled as on the wire. */
export const isFaultKind = (kind: string): kind is FaultKind =>
  /^(down|slow|hang|drop-before-store|drop-after-store|lost-entry|html|error-[45]\d\d)$/.test(kind)

export interface Fault<Kind = FaultKind, Options = FaultOptions> {
  readonly kind: Kind
  readonly options: Options
}

/** Faults to come, in the order in which they were asked for. */
export function faultPlan<Kind = FaultKind, Options extends FaultOptions = FaultOptions>() {
  let planned: (Fault<Kind, Options> & { left: number })[] = []
  return {
    add: (kind: Kind, options: Options) =>
      planned.push({ kind, options, left: options.times ?? Number.POSITIVE_INFINITY }),
    /** The fault for this request, which is used up by it. @param fits whether it can show at this request at all */
    next(method: string | undefined, fits: (kind: Kind) => boolean = () => true): Fault<Kind, Options> | undefined {
      const found = planned.find(
        ({ kind, left, options }) => left > 0 && !(options.writesOnly && method === 'GET') && fits(kind),
      )
      if (found) found.left -= 1
      return found
    },
    /** Those that are not used up. */
    standing: () => planned.filter(({ left }) => left > 0),
    clear: () => {
      planned = []
    },
  }
}
