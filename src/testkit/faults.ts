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

export interface Fault extends FaultOptions {
  readonly kind: FaultKind
}

/** Faults to come, in the order in which they were asked for. */
export function faultPlan() {
  let planned: (Fault & { left: number })[] = []
  return {
    add: (fault: Fault) => planned.push({ ...fault, left: fault.times ?? Number.POSITIVE_INFINITY }),
    /** The fault for this request, which is used up by it. */
    next(method: string | undefined): Fault | undefined {
      const found = planned.find(({ left, writesOnly }) => left > 0 && !(writesOnly && method === 'GET'))
      if (found) found.left -= 1
      return found
    },
    clear: () => {
      planned = []
    },
  }
}
