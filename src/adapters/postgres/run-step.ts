/**
 * How every step runs: locks in a fixed order, the moment stamped by the database, load, decide, write, commit. The
 * answer goes out after the commit.
 */
import { createHash } from 'node:crypto'
import type { Patient } from 'fhir/r4.js'
import { v7 as uuidv7 } from 'uuid'
import { identityKey, patientNames } from '../../flow/accept-order/incoming.ts'
import type { ActingCaller, Context, Decision } from '../../flow/step.ts'
import type { StepName } from '../../flow/steps.ts'
import type { Parties, Tolerances } from '../../model/configuration.ts'
import { type Checked, type Problem, refusal, refuse } from '../../model/problems.ts'
import type { OrderState } from '../../model/states.ts'
import { stampScript } from '../clock.ts'
import { type Database, DatabaseError, type Tx } from './database.ts'
import { refreshGaps } from './refresh-gaps.ts'
import { type Inbound, type Names, save } from './save.ts'

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
  readonly load: (tx: Tx, ctx: Context) => Promise<Checked<K>>
  readonly decide: (known: K, ctx: Context) => Checked<Decision<A>>
  /** Names that the step gives to what it stores. */
  readonly names?: (decision: Decision<A>, known: K) => Names
  readonly tell: (tx: Tx, decision: Decision<A>, ctx: Context) => Promise<Told>
}

/** Names of locks. An order is locked by the name under which its source may speak of it again. */
export const orderLock = ({ source, placer }: OrderState): string =>
  nameLock(source, identityKey({ type: 'ServiceRequest', ...placer }))
export const deviceLock = (serialNumber: string): string => `device ${serialNumber}`
export const nameLock = (owner: string, key: string): string => `name ${owner} ${key}`

/** A patient is locked by every name that they have: whoever changes them holds these, and so does who goes by what they say. */
export const patientLocks = (owner: string, patient: Patient): readonly string[] =>
  patientNames(patient).map((name) => nameLock(owner, identityKey(name)))

/** A 63-bit number for an advisory lock. Two names may share one; that costs a wait and nothing else. */
const lockNumber = (name: string): bigint => createHash('sha256').update(name).digest().readBigInt64BE(0)

const lockScript = (names: readonly string[]): string => {
  const numbers = [...new Set(names.map(lockNumber))].sort((a, b) => (a < b ? -1 : a > b ? 1 : 0))
  return numbers.map((n) => `select pg_advisory_xact_lock(${n});`).join(' ')
}

const begin = (names: readonly string[]): string =>
  `begin; set local lock_timeout = '5s'; ${lockScript(names)} ${stampScript}`

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

/** Deadlock, serialization failure, lock timeout, or a name that somebody took meanwhile: another try decides anew. */
const againable = (error: unknown): boolean =>
  error instanceof DatabaseError && ['40P01', '40001', '23505', '55P03'].includes(error.code ?? '')

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

/** A transaction under the locks, with the moment that it is stamped with; committed unless `work` answers `rollback`. */
export const inStep = async (
  around: Surroundings,
  { caller, requestId, locks }: Acting,
  work: (tx: Tx, ctx: Context) => Promise<'rollback' | unknown>,
): Promise<void> => {
  await around.db.transaction(async (tx) => {
    const [row] = await tx.script<{ now: string }>(begin(locks))
    if (row === undefined) throw new Error('the clock row is missing')
    const { parties, tolerances } = around
    const result = await work(tx, { now: row.now, newId: () => uuidv7(), caller, requestId, parties, tolerances })
    await tx.script(result === 'rollback' ? 'rollback' : 'commit')
  })
}

const attempt = async <K, A>(runner: StepRunner, call: StepCall, work: StepWork<K, A>): Promise<Checked<Told>> => {
  const captureLock = call.capture ? [`capture ${call.caller.id} ${call.capture.key}`] : []
  let outcome: Checked<Told> = refuse([])
  await inStep(runner, { ...call, locks: [...call.locks, ...captureLock] }, async (tx, ctx) => {
    const before = await remembered(tx, call)
    if (before) {
      outcome = before
      return 'rollback'
    }
    const known = await work.load(tx, ctx)
    const decided = known.ok ? work.decide(known.value, ctx) : known
    if (!known.ok || !decided.ok) {
      outcome = decided as Checked<never>
      return 'rollback'
    }
    const decision = decided.value
    const names = work.names?.(decision, known.value)
    const { changes, records = [] } = decision
    await save(
      tx,
      { step: call.step, changes, records, ...(names && { names }), ...(call.inbound && { inbound: call.inbound }) },
      ctx,
    )
    await refreshGaps(tx, changes, ctx)
    await runner.afterWriting(tx, decision, ctx)
    const told = await work.tell(tx, decision, ctx)
    await remember(tx, call, told, ctx)
    outcome = { ok: true, value: told, warnings: decision.warnings }
    return call.dryRun ? 'rollback' : 'commit'
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
      return await attempt(runner, call, work)
    } catch (error) {
      const problems = fromConstraint(error)
      if (problems) return refuse(problems)
      if (!againable(error) || tries >= 5) throw error
    }
  }
}
