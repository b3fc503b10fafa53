/** What the tests of races are made of: seeded luck, races as tables of allowed outcomes, and a look at waits for locks. */
import { setTimeout as pause } from 'node:timers/promises'
import { Client } from 'pg'
import type { Answer } from '../support/service.ts'
import { type Told, verdict } from './bedside.ts'
import type { Names } from './consistency.ts'

/** Numbers from 0 to below 1 that follow from the seed (mulberry32, from memory). */
export const luckOf = (seed: number): (() => number) => {
  let state = seed
  return () => {
    state = (state + 0x6d2b79f5) | 0
    let t = Math.imul(state ^ (state >>> 15), 1 | state)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4_294_967_296
  }
}

/** One side of a race: a call, or calls that follow each other. */
export type Side = () => Promise<readonly Answer<unknown>[]>

export const side =
  (...calls: readonly (() => Promise<Answer<unknown>>)[]): Side =>
  async () => {
    const answers: Answer<unknown>[] = []
    for (const call of calls) answers.push(await call())
    return answers
  }

export interface Situation {
  readonly sides: readonly Side[]
  /** Who is called what; told once the answers are there, where only they tell who won. */
  readonly names: Names | ((said: readonly string[]) => Names)
}

export interface Race {
  readonly name: string
  readonly set: () => Promise<Situation>
  /** What may be answered, side by side, and what is stored then; `*` stands for what any side may be answered. */
  readonly allowed: Readonly<Record<string, readonly string[]>>
}

export const said = (answers: readonly Answer<unknown>[]): string =>
  answers.map((a) => verdict(a as Answer<Told>)).join(' + ')

/** `200 | 409 order-linked`; of many sides how many said what, `1 × 200 | 15 × 409 device-linked`. */
export const outcomeOf = (sides: readonly string[]): string => {
  if (sides.length <= 3) return sides.join(' | ')
  const counts = [...Map.groupBy(sides, (s) => s)].map(([s, all]) => `${all.length} × ${s}`)
  return counts.toSorted((a, b) => a.split(' × ')[1]?.localeCompare(b.split(' × ')[1] ?? '') ?? 0).join(' | ')
}

/** All sides at once, each held back by up to so many milliseconds. */
export const together = (sides: readonly Side[], luck: () => number, holdBackMs: number): Promise<string[]> =>
  Promise.all(
    sides.map(async (run) => {
      const wait = Math.floor(luck() * 3) * (holdBackMs / 2)
      if (wait > 0) await pause(wait)
      return said(await run())
    }),
  )

/** The sides one after another in the given order; the answers stay in the order of the sides. */
export const inTurn = async (sides: readonly Side[], order: readonly number[]): Promise<string[]> => {
  const answers: string[] = []
  for (const i of order) answers[i] = said(await (sides[i] as Side)())
  return answers
}

export interface LockWatch {
  /** The longest wait for a lock that was seen since the last time it was asked for, in milliseconds. */
  longest(): number
  stop(): Promise<void>
}

/**
 * Looks every few milliseconds for how long anybody waits for a lock in this database. The server itself says since
 * when (`pg_locks.waitstart`), so that neither our own calls nor the time that an answer takes to be read count; what
 * waits for a second is seen some hundred times before it is over.
 */
export const watchLocks = async (url: string): Promise<LockWatch> => {
  const client = new Client({ connectionString: url })
  await client.connect()
  let watching = true
  let most = 0
  const looking = (async () => {
    while (watching) {
      const { rows } = await client.query<{ ms: number }>(
        `select (extract(epoch from max(clock_timestamp() - l.waitstart)) * 1000)::float8 as ms from pg_locks l
         join pg_stat_activity a using (pid) where not l.granted and a.datname = current_database()`,
      )
      most = Math.max(most, rows[0]?.ms ?? 0)
      await pause(4)
    }
  })()
  return {
    longest: () => {
      const seen = most
      most = 0
      return seen
    },
    stop: async () => {
      watching = false
      await looking
      await client.end()
    },
  }
}

/** How long small transactions took, in milliseconds. */
export interface Yardstick {
  readonly mean: number
  readonly longest: number
}

/**
 * Does a small transaction again and again while `work` goes on: a lock that nobody else asks for, four more
 * statements, and a row that has to be on the disk. @returns how busy the machine is, with these calls and with other things
 */
export const measuredBeside = async (url: string, work: () => Promise<void>): Promise<Yardstick> => {
  const client = new Client({ connectionString: url })
  await client.connect()
  await client.query('create table if not exists public.yardstick (n int)')
  let working = true
  const took: number[] = []
  const measuring = (async () => {
    while (working || took.length === 0) {
      const began = performance.now()
      await client.query('begin')
      await client.query('select pg_advisory_xact_lock(7241099)')
      await client.query('select now() from daybind.clock')
      await client.query('select count(*) from daybind.destinations')
      await client.query('insert into public.yardstick values (1)')
      await client.query('commit')
      took.push(performance.now() - began)
    }
  })()
  try {
    await work()
  } finally {
    working = false
    await measuring
    await client.end()
  }
  return { mean: took.reduce((sum, ms) => sum + ms, 0) / took.length, longest: Math.max(...took) }
}
