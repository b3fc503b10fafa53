import { setTimeout as sleep } from 'node:timers/promises'
import { pino } from 'pino'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import {
  type Database,
  DatabaseError,
  isOutage,
  openDatabase,
  usualLimits,
} from '../../src/adapters/postgres/database.ts'
import { tellTroubles } from '../../src/adapters/troubles.ts'
import { startRounds } from '../../src/adapters/watch.ts'
import { useTestDatabase } from '../support/database.ts'

const database = useTestDatabase()
const idle: unknown[] = []
let db: Database
beforeAll(() => {
  const limits = { ...usualLimits, connections: 2, statementMs: 1_000, transactionMs: 1_500, answerMs: 4_000 }
  db = openDatabase(database().url, (error) => idle.push(error), limits)
})
afterAll(() => db.close())

const codeOf = async (work: Promise<unknown>): Promise<string | undefined> => {
  const error = await work.then(
    () => undefined,
    (e: unknown) => e,
  )
  expect(error).toBeInstanceOf(DatabaseError)
  expect(isOutage(error)).toBe(true)
  return (error as DatabaseError).code
}

// Source of the codes: https://www.postgresql.org/docs/18/errcodes-appendix.html
describe('an error of the database', () => {
  test.each([
    ['08006', 'a connection that failed'],
    ['25006', 'a database that takes no writing'],
    ['25P03', 'a session ended since it was idle in a transaction'],
    ['25P04', 'a transaction that took too long'],
    ['28P01', 'a password that is not taken'],
    ['3D000', 'a database that is not there'],
    ['40001', 'transactions that got in each other’s way'],
    ['40P01', 'a deadlock'],
    ['53100', 'a full disk'],
    ['53200', 'no memory'],
    ['53300', 'too many connections'],
    ['55P03', 'a lock that is not free'],
    ['57014', 'a statement that took too long'],
    ['57P01', 'a server that is shut down'],
    ['57P02', 'a server that crashed'],
    ['57P03', 'a server that is starting'],
    ['58030', 'a disk that fails'],
    ['ECONNREFUSED', 'nobody listens'],
    ['EAI_AGAIN', 'a name that cannot be looked up now'],
    ['EHOSTUNREACH', 'a host that cannot be reached'],
  ])('%s, %s, may be over at the next try', (code) => {
    expect(isOutage(new DatabaseError(code, undefined, 'x'))).toBe(true)
  })

  test.each([
    ['23505', 'a key that is there already'],
    ['42P01', 'a table that is not there'],
    ['22P02', 'a value that cannot be read'],
    ['XX001', 'data that is corrupt'],
    [undefined, 'one without a code'],
  ])('%s, %s, will not be', (code, _what) => {
    expect(isOutage(new DatabaseError(code, undefined, 'x'))).toBe(false)
  })
})

describe('a session', () => {
  test('has a deadline for everything that may hold a lock', async () => {
    const [row] = await db.query(
      `select current_setting('statement_timeout') as statement, current_setting('lock_timeout') as lock,
         current_setting('idle_in_transaction_session_timeout') as idle`,
    )
    expect(row).toEqual({ statement: '1s', lock: '5s', idle: '10s' })
  })

  test('plans each statement once and compiles none', async () => {
    const names = ['plan_cache_mode', 'jit']
    expect(await db.query('select name, setting from pg_settings where name = any($1) order by name', [names])).toEqual(
      [
        { name: 'jit', setting: 'off' },
        { name: 'plan_cache_mode', setting: 'force_generic_plan' },
      ],
    )
  })

  test('is cut when its transaction takes too long, and another takes its place', async ({ skip }) => {
    const [version] = await db.query<{ n: number }>(`select current_setting('server_version_num')::int as n`)
    skip((version?.n ?? 0) < 170_000, 'PostgreSQL knows transaction_timeout from 17 on')
    const long = db.transaction(async (tx) => {
      await tx.script('begin')
      for (let n = 0; n < 20; n += 1) await tx.query('select pg_sleep(0.2)')
    })
    expect(await codeOf(long)).toMatch(/^(25P04|lost)$/)
    expect(await db.query('select 1 as x')).toEqual([{ x: 1 }])
  })

  test('loses a statement that takes too long, and stays', async () => {
    expect(await codeOf(db.query('select pg_sleep(5)'))).toBe('57014')
    expect(await db.query('select 1 as x')).toEqual([{ x: 1 }])
  })

  test('that ends between two statements of a transaction fails that transaction and nothing else', async () => {
    const broken = db.transaction(async (tx) => {
      await tx.script('begin')
      const [row] = await tx.query<{ pid: number }>('select pg_backend_pid() as pid')
      await db.query('select pg_terminate_backend($1)', [row?.pid])
      const there = () => db.query('select 1 as x from pg_stat_activity where pid = $1', [row?.pid])
      await expect.poll(there).toEqual([])
      await tx.query('select 1 as x')
    })
    expect(await codeOf(broken)).toMatch(/^(57P01|lost)$/)
    expect(await db.query('select 1 as x')).toEqual([{ x: 1 }])
  })

  test('that fails in a transaction is not left in it', async () => {
    const refused = db.transaction(async (tx) => {
      await tx.script('begin; create temporary table t (x int)')
      await tx.query('select 1 / 0')
    })
    await expect(refused).rejects.toThrow(DatabaseError)
    // both connections: neither is in a failed transaction
    const both = await Promise.all([1, 2].map(() => db.query('select 1 as x, pg_sleep(0.1)')))
    expect(both.map(([row]) => row?.x)).toEqual([1, 1])
  })

  test('is waited for by so many and no more', async () => {
    const few = openDatabase(database().url, () => {}, { ...usualLimits, connections: 1, waiting: 2, connectMs: 2_000 })
    const fates = await Promise.allSettled(Array.from({ length: 5 }, () => few.query('select pg_sleep(4)')))
    const codes = fates.map((f) => (f.status === 'rejected' ? (f.reason as DatabaseError).code : 'done'))
    expect(codes.toSorted()).toEqual(['busy', 'busy', 'done', 'lost', 'lost'])
    await few.close()
  })
})

describe('troubles in the background', () => {
  const watched = () => {
    const lines: { msg: string; times?: number; seconds?: number }[] = []
    let now = 0
    const log = pino({ level: 'info' }, { write: (line: string) => void lines.push(JSON.parse(line)) })
    const troubles = tellTroubles(log, () => now)
    return { troubles, lines, pass: (ms: number) => (now += ms) }
  }
  const outage = () => Object.assign(new Error('connect ECONNREFUSED'), { code: 'ECONNREFUSED' })

  test('are told when they begin, once a minute, and when they are over', () => {
    const { troubles, lines, pass } = watched()
    for (let second = 0; second < 90; second += 1) {
      troubles.told(outage())
      troubles.told(Object.assign(new Error('timeout exceeded when trying to connect')))
      troubles.well() // a round that went through in between proves nothing
      pass(1_000)
    }
    pass(5_000)
    troubles.well()
    troubles.well()
    expect(lines.map(({ msg, times, seconds }) => [msg, times, seconds])).toEqual([
      ['the database is lost or busy', 1, undefined],
      ['the database is lost or busy', 121, undefined],
      ['the database works again', 180, 89],
    ])
  })

  test('of different kinds are told apart, and hold no words of the database', () => {
    const { troubles, lines } = watched()
    troubles.told(Object.assign(new Error('Key (name)=(Wren) exists'), { code: '23505', severity: 'ERROR' }))
    troubles.told({ message: 'connect ECONNREFUSED', code: 'ECONNREFUSED', queue: 'deliver.pebble' })
    troubles.told(new Error('a bug'))
    troubles.told(new Error('a bug'))
    expect(lines.map((l) => l.msg)).toEqual(['in the background', 'the database is lost or busy', 'in the background'])
    expect(JSON.stringify(lines)).not.toContain('Wren')
  })
})

test('rounds that hang do not pile up', async () => {
  let begun = 0
  let letGo = () => {}
  const hanging = new Promise<void>((resolve) => {
    letGo = resolve
  })
  const round = () => {
    begun += 1
    return hanging
  }
  const rounds = startRounds(5, round, () => {})
  await sleep(200)
  expect(begun).toBe(1)
  const stopping = rounds.stop()
  letGo()
  await stopping
  expect(begun).toBe(2)
})
