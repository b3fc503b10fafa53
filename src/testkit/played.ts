/** What the command `fake` plays: a counterpart, and how it is asked for. */
import type { Daybind } from './calls.ts'
import { type Command, type Commands, done, type Said, type Told, wrong } from './control.ts'
import type { FaultOptions } from './faults.ts'
import { type Checked, checkedText } from './rules.ts'

/** Prints an event: as an object for machines, as lines for people. */
export type Print = (event: Record<string, unknown>, lines: string) => void

export interface Played {
  readonly base: string
  /** What it has to complain about, in what arrived and in what was answered to it. */
  readonly complaints: () => readonly string[]
  readonly arrivals: () => number
  readonly checked: () => readonly Checked[]
  readonly commands: Commands
  /** What it does by itself once it is up. */
  readonly begin: () => Promise<void>
  readonly stop: () => Promise<void>
}

export interface PlayOptions {
  readonly port: number
  /** Demanded from whoever calls. */
  readonly token?: string
  /** Where calls of its own go. */
  readonly daybind?: Daybind
}

/** What happened, and below it what there is to complain about. */
export const withComplaints = (first: string, complaints: readonly string[]): string =>
  [first, ...complaints.map((says) => `  complaint: ${says}`)].join('\n')

/** A counterpart that fails on request, by faults with these names. */
interface Failing {
  readonly kinds: readonly string[]
  readonly isKind: (kind: string) => boolean
  fault(kind: string, options: FaultOptions & Record<string, unknown>): Promise<void>
  clearFaults(): Promise<void>
}

const numbers = ['times', 'afterMs', 'seconds', 'megabytes']

/** Settings as options of a fault; or what is wrong with them. */
function faultOptions(settings: Said['settings']): Record<string, unknown> | string {
  const bad = numbers.filter((name) => settings[name] !== undefined && !/^\d{1,9}$/.test(settings[name]))
  if (bad.length) return `${bad.join(', ')} must be a whole number.`
  return Object.fromEntries(
    Object.entries(settings).map(([name, value]) => [
      name,
      name === 'writesOnly' ? value === 'true' : numbers.includes(name) ? Number(value) : value,
    ]),
  )
}

const failing = ({ kinds, isKind, fault, clearFaults }: Failing): Record<'fault' | 'clear', Command> => ({
  fault: {
    takes: 'KIND [times=N] [writesOnly=true] [retryAfter=S] [afterMs=N] [seconds=N] [megabytes=N] [host=H]',
    does: `fails from now on, or so many times: ${kinds.join(', ')}`,
    words: [1, 1],
    settings: [...numbers, 'writesOnly', 'retryAfter', 'host'],
    run: async ({ words: [kind = ''], settings }): Promise<Told> => {
      // the control listens on the same port
      if (kind === 'down' || !isKind(kind)) return wrong(`There is no fault ${kind}. There are: ${kinds.join(', ')}.`)
      const options = faultOptions(settings)
      if (typeof options === 'string') return wrong(options)
      await fault(kind, options)
      return done
    },
  },
  clear: {
    takes: '',
    does: 'ends all faults',
    words: [0, 0],
    run: async () => {
      await clearFaults()
      return done
    },
  },
})

/** What every counterpart can be asked for. */
export const everyCommand = (
  played: Failing & {
    readonly got: () => unknown
    readonly complaints: () => readonly string[]
    readonly checked: () => readonly Checked[]
  },
): Commands => ({
  ...failing(played),
  got: {
    takes: '',
    does: 'every message that arrived, as it was',
    words: [0, 0],
    run: () => ({ shown: played.got() }),
  },
  complaints: {
    takes: '',
    does: 'what there was to complain about',
    words: [0, 0],
    run: () => ({ shown: played.complaints() }),
  },
  check: {
    takes: '[as=json]',
    does: 'each rule of the contract that was looked at, held or broken, and in which message',
    words: [0, 0],
    settings: ['as'],
    run: ({ settings }) => ({ shown: settings.as === 'json' ? played.checked() : checkedText(played.checked()) }),
  },
})
