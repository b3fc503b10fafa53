/** Why nothing can be stored at the moment, for whoever asks whether the service is ready. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { Tx } from './database.ts'
import { busy, DatabaseError, lost } from './database-errors.ts'

/** How long a full disk counts as full when nothing was written since. */
const roomMemoryMs = 30_000

/** Remembers that there was no room: reading works meanwhile, and would call the database well. */
export const roomWatch = () => {
  let fullAt: number | undefined
  return {
    isFull: () => fullAt !== undefined && performance.now() - fullAt < roomMemoryMs,
    seen: async <T>(call: () => Promise<T>): Promise<T> => {
      try {
        return await call()
      } catch (error) {
        if (error instanceof DatabaseError && error.code === '53100') fullAt = performance.now()
        throw error
      }
    },
  }
}

const probePatienceMs = 2_000

/** Looks with one statement at a time, however many ask, so that asking uses no connections up. */
export const troubleOf = (tx: Tx, room: ReturnType<typeof roomWatch>): (() => Promise<string | undefined>) => {
  let under: Promise<string | undefined> | undefined
  const look = async (): Promise<string | undefined> => {
    try {
      const [row] = await tx.query<{ ro: string }>(`select current_setting('transaction_read_only') as ro`)
      if (row?.ro === 'on') return 'The database takes no writing.'
      return room.isFull() ? 'The database has no room left.' : undefined
    } catch (error) {
      return `The database ${troubleWord(error)}.`
    } finally {
      under = undefined
    }
  }
  return async () => {
    under ??= look()
    const late = new AbortController()
    const silence = sleep(probePatienceMs, 'The database does not answer.', { signal: late.signal }).catch(
      () => undefined,
    )
    return Promise.race([under, silence]).finally(() => late.abort())
  }
}

/** Never the words of the error itself: they may quote an address or a value. */
const troubleWord = (error: unknown): string => {
  const code = error instanceof DatabaseError ? (error.code ?? '') : ''
  if (code === '') return 'fails'
  if (code === busy) return 'has too much to do'
  const word = /^(53300)/.test(code)
    ? 'takes no more connections'
    : /^57P0[35]/.test(code)
      ? 'is starting or stopping'
      : /^28/.test(code)
        ? 'does not admit Daybind'
        : 'cannot be reached'
  return code === lost ? word : `${word} (${code})`
}
