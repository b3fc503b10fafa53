/** Walking through a search at a source's server; nothing is believed of what it says about how much there is. */
import { randomUUIDv7 } from 'node:crypto'
import type { Bundle } from 'fhir/r4.js'
import type { Logger } from 'pino'
import type { Walk } from '../../flow/accept-order/poll-plan.ts'
import type { Peer } from '../fhir/peer.ts'
import type { Answer, Failure } from '../fhir/peer-fates.ts'
import type { Sight } from '../postgres/find-resources.ts'
import type { StepRunner } from '../postgres/run-step.ts'
import { type AskedSource, readPage, type Searched } from './fetched.ts'

export interface Asking {
  readonly source: AskedSource
  readonly peer: Peer
  readonly runner: StepRunner
  readonly sight: Sight
  readonly log: Logger
  /** Called between pages; throws where the source is not ours any more, or the service ends. */
  readonly goOn: () => Promise<void>
}

/** Asking did not come to its end; what was taken up to then stays. */
export class Trouble extends Error {
  readonly retryAfterMs: number
  constructor(reason: string, retryAfterMs = 0) {
    super(reason)
    this.retryAfterMs = retryAfterMs
  }
}

export const inTrouble = ({ reason, retryAfterMs }: Failure): Trouble => new Trouble(reason, retryAfterMs)

/** Pages of a search at most: a server that always has another one is told from one that has many orders. */
const maxPages = 2_000
const pageSize = 100

/** What was noticed and stops nothing. */
export type Warnings = Set<string>

/** What cannot be looked at is told; the rest is looked at all the same. */
export const orTold = async <T>(what: string, warnings: Warnings, work: () => Promise<T>): Promise<T | undefined> => {
  try {
    return await work()
  } catch (error) {
    if (!(error instanceof Trouble)) throw error
    warnings.add(`${what} could not be looked at: ${error.message}`)
    return undefined
  }
}

export type Params = Record<string, string | string[]>

const expired = (answer: Answer<Bundle>): boolean => answer.fate !== 'answered' && answer.status === 410

/**
 * Walks through all pages of a search and hands on what is found, page by page.
 * @returns the clocks at the beginning
 * @throws Trouble where the walk does not come to a good end: what lies beyond is not known, so nobody may go on from there
 */
export async function* walk<T extends Searched>(
  a: Asking,
  type: T,
  params: Params,
  warnings: Warnings,
  begun: (w: Walk) => void,
) {
  const requestId = randomUUIDv7()
  const ours = Date.now()
  let answer = await a.peer.search(type, { ...params, _count: String(pageSize), _total: 'accurate' }, requestId)
  const seen = new Set<string>()
  let total: number | undefined
  for (let pages = 1; ; pages += 1) {
    if (answer.fate !== 'answered') throw inTrouble(answer)
    if (pages === 1) {
      begun({ ours, ...(answer.date !== undefined && { theirs: answer.date }) })
      total = answer.body.total
    }
    const page = readPage(type, answer.body)
    for (const strange of page.strange) warnings.add(`A page of ${type} had ${strange}; it was passed over.`)
    const before = seen.size
    for (const { id } of page.found as readonly { readonly id: string }[]) seen.add(id)
    yield page
    await a.goOn()
    const next = a.peer.nextPage(answer.body, requestId)
    if (next === undefined) break
    if (pages >= maxPages || (seen.size === before && page.found.length > 0))
      throw new Trouble('Their pages do not end: one more is offered, and it holds nothing new.')
    answer = await next
    if (expired(answer)) throw new Trouble('A page of theirs had expired; the search begins anew.')
  }
  if (total !== undefined && seen.size < total)
    throw new Trouble(`They count ${total} and gave ${seen.size}: what is missing is asked for again.`)
}
