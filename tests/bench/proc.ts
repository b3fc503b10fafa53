/**
 * What processes used, as Linux counts it in /proc: robust against neighbours where rates are not. Nothing where there
 * is no /proc. Source of the fields: https://man7.org/linux/man-pages/man5/proc_pid_stat.5.html
 */
import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'

export const haveProc = existsSync('/proc/self/stat')

/** USER_HZ, the tick of these fields, is 100 on every Linux that Node runs on. */
const tickMs = 10

interface Stat {
  readonly program: string
  readonly parent: number
  /** Its own, and that of children that ended. */
  readonly own: number
  readonly ended: number
}

const statOf = (pid: number | string): Stat | undefined => {
  try {
    // the program stands in brackets and may hold spaces
    const [, program = '', rest = ''] = /^\d+ \((.*)\) (.*)$/s.exec(readFileSync(`/proc/${pid}/stat`, 'latin1')) ?? []
    const fields = rest.split(' ').map(Number)
    const [parent = 0, user = 0, system = 0, endedUser = 0, endedSystem = 0] = [1, 11, 12, 13, 14].map((i) => fields[i])
    return { program, parent, own: (user + system) * tickMs, ended: (endedUser + endedSystem) * tickMs }
  } catch {
    return undefined
  }
}

/** Milliseconds of CPU of a process so far. */
export const cpuOf = (pid: number): number => statOf(pid)?.own ?? Number.NaN

/** Milliseconds of CPU of a database server so far: its first process and all its children, those that ended as well. */
export const cpuOfServer = (pid: number): number => {
  const first = statOf(pid)
  if (first === undefined) return Number.NaN
  const children = readdirSync('/proc')
    .filter((name) => /^\d+$/.test(name))
    .map(statOf)
  return first.own + first.ended + children.reduce((sum, s) => sum + (s?.parent === pid ? s.own : 0), 0)
}

/** The process that started this one, where both run the same program: in a container the number means another. */
export const parentOf = (pid: number, program: string): number | undefined => {
  const runs = (p: number | undefined) => statOf(p ?? 0)?.program === program
  const parent = statOf(pid)?.parent
  return runs(pid) && runs(parent) ? parent : undefined
}

const kilobytes = (pid: number, field: 'VmRSS' | 'VmHWM'): number =>
  !haveProc
    ? Number.NaN
    : Number(new RegExp(`^${field}:\\s+(\\d+) kB`, 'm').exec(readFileSync(`/proc/${pid}/status`, 'latin1'))?.[1])

/** Resident megabytes now. */
export const residentMb = (pid: number): number => kilobytes(pid, 'VmRSS') / 1024

/** The most resident megabytes since {@link forgetPeak}. */
export const peakMb = (pid: number): number => kilobytes(pid, 'VmHWM') / 1024

export const forgetPeak = (pid: number): void => writeFileSync(`/proc/${pid}/clear_refs`, '5')
