import { execFileSync } from 'node:child_process'
import { readFileSync, readlinkSync } from 'node:fs'
import { hostname } from 'node:os'
import { setTimeout as sleep } from 'node:timers/promises'

/** The service cannot start, and the operator can do something about it: one sentence, meant without a stack. */
export class CannotStart extends Error {
  override readonly name = 'CannotStart'
}

const textOr = <T>(fallback: T, read: () => string): string | T => {
  try {
    return read()
  } catch {
    return fallback
  }
}

/**
 * When the process began, as its system tells it (opaque; compared for equality only), or undefined when no such
 * process lives; one that ended and was not yet collected by its parent counts as gone. Number and beginning together
 * name a process for good: numbers are given out again, beginnings are not.
 *
 * On Linux the start tick of `/proc/<pid>/stat` (field 22, proc(5)), elsewhere what `ps` says, and where there is no
 * `ps` the word `unknown`.
 */
export const processStart = (pid: number): string | undefined => {
  if (!isAlive(pid)) return undefined
  if (process.platform === 'linux') {
    const stat = textOr(undefined, () => readFileSync(`/proc/${pid}/stat`, 'latin1'))
    // the command name, in brackets, may hold blanks and brackets itself: field 3 begins after the last bracket
    const [state, ...rest] = stat?.slice(stat.lastIndexOf(')') + 2).split(' ') ?? []
    return state === undefined || state === 'Z' || state === 'X' ? undefined : rest[18]
  }
  return textOr('unknown', () => ps(pid, 'lstart='))
}

/** The command line of a process, its words parted by blanks; empty when it cannot be read. */
export const commandLine = (pid: number): string =>
  textOr('', () =>
    process.platform === 'linux'
      ? readFileSync(`/proc/${pid}/cmdline`, 'utf8').replaceAll('\0', ' ')
      : ps(pid, 'command='),
  )

/** The folder in which a process works; undefined where the system does not tell. */
export const workingFolder = (pid: number): string | undefined =>
  textOr(undefined, () => readlinkSync(`/proc/${pid}/cwd`))

/**
 * Where process numbers mean the same: this boot of this machine and, in a container, this container. A number from
 * anywhere else says nothing about who lives.
 */
export const processPlace = (): string =>
  textOr(hostname(), () => {
    const boot = readFileSync('/proc/sys/kernel/random/boot_id', 'latin1').trim()
    return `${boot} ${readlinkSync('/proc/self/ns/pid')}`
  })

/** Waits until the process is gone; false when it still lives after `patience` milliseconds. */
export const gone = async (pid: number, patience: number): Promise<boolean> => {
  const start = processStart(pid)
  const deadline = performance.now() + patience
  while (start !== undefined && processStart(pid) === start) {
    if (performance.now() > deadline) return false
    await sleep(10)
  }
  return true
}

const isAlive = (pid: number): boolean => {
  try {
    process.kill(pid, 0)
    return true
  } catch (error) {
    return (error as NodeJS.ErrnoException).code === 'EPERM'
  }
}

const ps = (pid: number, field: string): string =>
  execFileSync('ps', ['-o', field, '-p', String(pid)], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] }).trim()
