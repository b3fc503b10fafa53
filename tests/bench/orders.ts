/**
 * Orders accepted by HTTP, each a new patient and a new placer number in one transaction, committed before the answer;
 * beside them one INSERT with commit of the same bytes. Slices of both take turns; ratios are of medians.
 */
import { openClient } from './client.ts'
import { type Driven, drive, inTurns, median } from './load.ts'
import { numbersOf, type OrderText, orderText } from './order-message.ts'
import { cpuOf, forgetPeak, haveProc, peakMb } from './proc.ts'
import { type Running, tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { today, type World } from './world.ts'

/** Milliseconds of CPU besides. */
interface Slice extends Driven {
  readonly process: number
  readonly postgres: number
}

const floorIs = 'Fastify, parse, one INSERT with commit, same bytes'

/** At these callers the targets hold. */
const busiest = 64

const slice = async (
  w: World,
  side: Running,
  callers: number,
  seconds: number,
  once: () => Promise<unknown>,
): Promise<Slice> => {
  const [process, postgres] = haveProc ? [cpuOf(side.pid), w.server.cpu()] : [Number.NaN, Number.NaN]
  const driven = await drive(callers, seconds, once)
  return haveProc
    ? { ...driven, process: cpuOf(side.pid) - process, postgres: w.server.cpu() - postgres }
    : { ...driven, process, postgres }
}

const rateOf = (slices: readonly Slice[]): number => median(slices.map((s) => s.perSecond))

/** Of all slices together: the ticks of /proc are coarse. */
const cpuEach = (slices: readonly Slice[], of: 'process' | 'postgres'): number =>
  slices.reduce((sum, s) => sum + s[of], 0) / slices.reduce((sum, s) => sum + s.waits.length, 0)

const cpuLines = (callers: number, ours: readonly Slice[], floor: readonly Slice[]): readonly Line[] => {
  const line = (of: 'process' | 'postgres', whose: string) =>
    against(`  CPU an order, ${whose}, ${callers} callers`, 'ms', cpuEach(ours, of), cpuEach(floor, of), floorIs)
  return [line('process', 'service'), line('postgres', 'PostgreSQL')].filter((l) => Number.isFinite(l.ours))
}

const linesOf = (callers: number, ours: readonly Slice[], floor: readonly Slice[]): readonly Line[] => {
  const rate = against(
    `orders, ${callers} ${callers === 1 ? 'caller' : 'callers'}`,
    '/s',
    rateOf(ours),
    rateOf(floor),
    floorIs,
  )
  const holds = (rate.ratio ?? 0) >= 0.6
  return [
    callers === busiest ? { ...rate, target: { text: '≥ 0.6 of the floor', holds } } : rate,
    ...cpuLines(callers, ours, floor),
  ]
}

/** How each side is called once: `text` is the same for both. */
const sides = (w: World, text: OrderText) => {
  const number = numbersOf(`B${Date.now().toString(36)}`)
  const ours = openClient(w.ours.url, busiest, tokenOf('harbour-ehr'))
  const floor = openClient(w.floor.url, busiest)
  return {
    ours: () => ours.post('/fhir', text(number())),
    floor: () => floor.post('/fhir', text(number())),
    close: () => Promise.all([ours.close(), floor.close()]),
  }
}

const memoryLine = (w: World): readonly Line[] => {
  if (!haveProc) return []
  const ours = peakMb(w.ours.pid)
  return [
    {
      name: `memory of the service, peak at ${busiest} callers`,
      unit: 'MB',
      ours,
      target: { text: '≤ 250 MB', holds: ours <= 250 },
    },
  ]
}

export const measureOrders = async (w: World): Promise<readonly Line[]> => {
  const call = sides(w, orderText(today()))
  const rounds = 5
  const lines: Line[] = []
  try {
    // code and plans warm on both sides
    await drive(8, Math.min(2, w.seconds), call.ours)
    await drive(8, Math.min(2, w.seconds), call.floor)
    for (const callers of [1, 8, busiest]) {
      w.say(`orders at ${callers}`)
      if (haveProc && callers === busiest) forgetPeak(w.ours.pid)
      const [ours = [], floor = []] = await inTurns(rounds, [
        () => slice(w, w.ours, callers, w.seconds / rounds, call.ours),
        () => slice(w, w.floor, callers, w.seconds / rounds, call.floor),
      ])
      lines.push(...linesOf(callers, ours, floor))
    }
    return [...lines, ...memoryLine(w)]
  } finally {
    await call.close()
  }
}
