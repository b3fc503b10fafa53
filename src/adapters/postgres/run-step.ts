/**
 * How every step runs: locks in a fixed order, the moment stamped by the database, load, decide, write, commit. The
 * answer goes out after the commit.
 */
import { createHash, randomUUIDv7 } from 'node:crypto'
import type { Patient } from 'fhir/r4.js'
import { identityKey, patientNames } from '../../flow/accept-order/incoming.ts'
import { ordersToTell } from '../../flow/forward-order/write-back.ts'
import type { ActingCaller, Change, Context, Decision } from '../../flow/step.ts'
import type { StepName } from '../../flow/steps.ts'
import type { Parties, Tolerances } from '../../model/configuration.ts'
import { type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { Instant, OrderState } from '../../model/states.ts'
import { stamp } from '../clock.ts'
import { type Database, DatabaseError, type Tx } from './database.ts'
import { mayHaveGaps, refreshGaps } from './refresh-gaps.ts'
import { save } from './save.ts'
import type { Inbound, Names } from './writing.ts'

/** What happens within the same transaction after the states are written: deliveries are queued. */
export type AfterWriting = (tx: Tx, decision: Decision<unknown>, ctx: Context) => Promise<void>

export interface StepRunner {
  readonly db: Database
  readonly parties: Parties
  readonly tolerances: Tolerances
  readonly afterWriting: AfterWriting
}

export interface StepCall {
  readonly step: StepName
  readonly caller: ActingCaller
  readonly requestId: string
  /** Names of what the step is about; locked in one order everywhere. */
  readonly locks: readonly string[]
  readonly inbound?: Inbound
  /** Nothing is kept; the answer is the same. */
  readonly dryRun?: boolean
  /** The same key from the same caller gives the first answer again. */
  readonly capture?: { readonly key: string; readonly content: string; readonly at: string }
}

/** What a step answers, as text: what is remembered for a captureKey is what was said. */
export interface Told {
  readonly status: number
  readonly body: string
  readonly headers?: Readonly<Record<string, string>>
}

export interface StepWork<K, A> {
  /** What it asks for before it waits for the context goes to the server together with the locks, and behind them. */
  readonly load: (tx: Tx, begun: Promise<Context>) => Promise<Checked<K>>
  readonly decide: (known: K, ctx: Context) => Checked<Decision<A>>
  /** What is kept although it was refused: a refusal may itself be news. */
  readonly keep?: (known: K, problems: readonly Problem[], ctx: Context) => readonly Change[]
  /** Names that the step gives to what it stores. */
  readonly names?: (decision: Decision<A>, known: K) => Names
  /** At once where the decision says it all: the commit then need not wait for what was written. */
  readonly tell: (tx: Tx, decision: Decision<A>, ctx: Context) => Told | Promise<Told>
}

/** Names of locks. An order is locked by the name under which its source may speak of it again. */
export const orderLock = ({ source, placer }: OrderState): string =>
  nameLock(source, identityKey({ type: 'ServiceRequest', ...placer }))
export const deviceLock = (serialNumber: string): string => `device ${serialNumber}`
/** Whoever changes a link holds that of its wearer, whose other links it has to be seen with. */
export const wearerLock = (patientId: string): string => `Patient/${patientId}`
export const nameLock = (owner: string, key: string): string => `name ${owner} ${key}`

/** A patient is locked by every name that they have: whoever changes them holds these, and so does who goes by what they say. */
export const patientLocks = (owner: string, patient: Patient): readonly string[] =>
  patientNames(patient).map((name) => nameLock(owner, identityKey(name)))

/** A 63-bit number for an advisory lock. Two names may share one; that costs a wait and nothing else. */
const lockNumber = (name: string): bigint => createHash('sha256').update(name).digest().readBigInt64BE(0)

/** The locks in one order, and then the stamp. They go to the server together. */
const begin = async (tx: Tx, names: readonly string[]): Promise<Instant> => {
  const numbers = [...new Set(names.map(lockNumber))].sort((a, b) => (a < b ? -1 : a > b ? 1 : 0))
  const [, now] = await Promise.all([tx.script('begin'), stamp(tx, numbers)])
  return now
}

/** The constraints stand behind the locks: what they catch is the same conflict, found later. */
const fromConstraint = (error: unknown): readonly Problem[] | undefined => {
  if (!(error instanceof DatabaseError)) return undefined
  if (error.constraint === 'one_patient_at_a_time') return [refusal('device-linked')]
  if (error.constraint === 'one_device_at_a_time') return [refusal('order-linked')]
  return undefined
}

/** What was loaded is about an order whose lock was not taken: it came meanwhile. The call begins anew. */
export class NotLocked extends Error {}

/** Tries a call again whose locks were chosen before something else came to be. */
export const withFreshLocks = async <T>(call: () => Promise<T>): Promise<T> => {
  for (let tries = 1; ; tries += 1) {
    try {
      return await call()
    } catch (error) {
      if (!(error instanceof NotLocked) || tries >= 5) throw error
    }
  }
}

/**
 * Deadlock, serialization failure, or a name that somebody took meanwhile: another try decides anew. Not a lock that
 * did not come free in five seconds: five tries would keep the caller and a connection for half a minute.
 */
const againable = (error: unknown): boolean =>
  error instanceof DatabaseError && ['40P01', '40001', '23505'].includes(error.code ?? '')

const digestOf = (content: string): string => createHash('sha256').update(content).digest('base64url')

const remembered = async (tx: Tx, call: StepCall): Promise<Checked<Told> | undefined> => {
  if (call.capture === undefined) return undefined
  const [row] = await tx.query<{ digest: string; answer: string }>(
    'select digest, answer from captures where caller = $1 and key = $2',
    [call.caller.id, call.capture.key],
  )
  if (row === undefined) return undefined
  if (row.digest !== digestOf(call.capture.content))
    return refuse([refusal('key-reused', call.capture.at, { found: call.capture.key })])
  return { ok: true, value: JSON.parse(row.answer) as Told, warnings: [] }
}

const remember = (tx: Tx, call: StepCall, told: Told, ctx: Context) =>
  call.capture === undefined
    ? Promise.resolve([])
    : tx.query('insert into captures (caller, key, digest, answer, at) values ($1, $2, $3, $4, $5)', [
        call.caller.id,
        call.capture.key,
        digestOf(call.capture.content),
        JSON.stringify(told),
        ctx.now,
      ])

interface Acting {
  readonly caller: ActingCaller
  readonly requestId: string
  readonly locks: readonly string[]
}

type Surroundings = Pick<StepRunner, 'db' | 'parties' | 'tolerances'>

interface Ending {
  readonly end: 'commit' | 'rollback'
  /** Statements under way that must succeed as well. */
  readonly pending?: Promise<unknown>
}

/** A transaction under the locks, with the moment that it is stamped with. */
export const inStep = async (
  around: Surroundings,
  { caller, requestId, locks }: Acting,
  work: (tx: Tx, begun: Promise<Context>) => Promise<Ending>,
): Promise<void> => {
  const { parties, tolerances } = around
  await around.db.transaction(async (tx) => {
    const begun = begin(tx, locks).then(
      (now): Context => ({ now, newId: randomUUIDv7, caller, requestId, parties, tolerances }),
    )
    const working = work(tx, begun)
    // whatever fails: nothing of it goes on when the connection is another's
    await Promise.allSettled([begun, working])
    await begun
    const { end, pending } = await working
    await Promise.all([pending, tx.script(end)])
  })
}

const rollback: Ending = { end: 'rollback' }

/** A step that opens no gap, sends nothing and is told at once is written and committed in one go. */
const write = async <K, A>(
  tx: Tx,
  { runner, call, work }: Running<K, A>,
  known: K,
  decision: Decision<A>,
  ctx: Context,
): Promise<{ readonly told: Told; readonly pending?: Promise<unknown> }> => {
  const { changes, records = [], forward = [] } = decision
  const names = work.names?.(decision, known)
  const inbound = call.inbound
  const saving = save(
    tx,
    { step: call.step, changes, records, ...(names && { names }), ...(inbound && { inbound }) },
    ctx,
  )
  const tells = forward.length > 0 || ordersToTell(changes).length > 0
  if (call.capture !== undefined || tells || mayHaveGaps(changes, ctx)) {
    await saving
    await refreshGaps(tx, changes, ctx)
    await runner.afterWriting(tx, decision, ctx)
  }
  const telling = work.tell(tx, decision, ctx)
  if (!(telling instanceof Promise) && call.capture === undefined) return { told: telling, pending: saving }
  const [told] = await Promise.all([telling, saving])
  await remember(tx, call, told, ctx)
  return { told }
}

const keepRefused = async (tx: Tx, { step }: StepCall, changes: readonly Change[], ctx: Context): Promise<Ending> => {
  await save(tx, { step, changes }, ctx)
  await refreshGaps(tx, changes, ctx)
  return { end: 'commit' }
}

interface Running<K, A> {
  readonly runner: StepRunner
  readonly call: StepCall
  readonly work: StepWork<K, A>
}

const attempt = async <K, A>(running: Running<K, A>): Promise<Checked<Told>> => {
  const { runner, call, work } = running
  const captureLock = call.capture ? [`capture ${call.caller.id} ${call.capture.key}`] : []
  let outcome: Checked<Told> = refuse([])
  await inStep(runner, { ...call, locks: [...call.locks, ...captureLock] }, async (tx, begun) => {
    const before = await remembered(tx, call)
    if (before) {
      outcome = before
      return rollback
    }
    const [known, ctx] = await Promise.all([work.load(tx, begun), begun])
    const decided = known.ok ? work.decide(known.value, ctx) : known
    if (!known.ok || !decided.ok) {
      outcome = decided as Checked<never>
      const kept = known.ok && !decided.ok ? (work.keep?.(known.value, decided.problems, ctx) ?? []) : []
      return kept.length > 0 && !call.dryRun ? keepRefused(tx, call, kept, ctx) : rollback
    }
    const { told, pending } = await write(tx, running, known.value, decided.value, ctx)
    outcome = { ok: true, value: told, warnings: decided.value.warnings }
    return { end: call.dryRun ? 'rollback' : 'commit', ...(pending && { pending }) }
  })
  return outcome
}

/**
 * Runs a step to its commit.
 * @returns the answer, or every reason for a refusal; what is thrown is an outage or a bug
 */
export const runStep = async <K, A>(
  runner: StepRunner,
  call: StepCall,
  work: StepWork<K, A>,
): Promise<Checked<Told>> => {
  for (let tries = 1; ; tries += 1) {
    try {
      return await attempt({ runner, call, work })
    } catch (error) {
      const problems = fromConstraint(error)
      if (problems) return refuse(problems)
      if (!againable(error) || tries >= 5) throw error
    }
  }
}
