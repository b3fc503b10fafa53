/** Slices of load with what they cost in CPU; NaN where that cannot be seen. */
import { type Driven, drive, median } from './load.ts'
import { cpuOf } from './proc.ts'
import type { Running } from './processes.ts'
import type { World } from './world.ts'

/** Milliseconds of CPU besides. */
export interface Costed extends Driven {
  readonly process: number
  readonly postgres: number
}

export const costed = async (
  w: World,
  side: Running,
  callers: number,
  seconds: number,
  once: () => Promise<unknown>,
): Promise<Costed> => {
  const [process, postgres] = [cpuOf(side.pid), w.server.cpu()]
  const driven = await drive(callers, seconds, once)
  return { ...driven, process: cpuOf(side.pid) - process, postgres: w.server.cpu() - postgres }
}

export const rateOf = (slices: readonly Driven[]): number => median(slices.map((s) => s.perSecond))

/** Milliseconds a call, of all slices together: the ticks of /proc are coarse. */
export const cpuEach = (slices: readonly Costed[], of: 'process' | 'postgres'): number =>
  slices.reduce((sum, s) => sum + s[of], 0) / slices.reduce((sum, s) => sum + s.waits.length, 0)
