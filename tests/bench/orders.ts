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
import { ask } from './server.ts'
import { visitDay, type World } from './world.ts'

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

const linesOf = (callers: number, ours: readonly Slice[], floor: readonly Slice[]): readonly Line[] => {
  const name = `orders, ${callers} ${callers === 1 ? 'caller' : 'callers'}`
  const rate = against(name, '/s', rateOf(ours), rateOf(floor), floorIs)
  const cpu = (of: 'process' | 'postgres', whose: string) =>
    against(`${name}, CPU of ${whose}`, 'ms', cpuEach(ours, of), cpuEach(floor, of), floorIs)
  const holds = (rate.ratio ?? 0) >= 0.6
  return [
    callers === busiest ? { ...rate, target: { text: '≥ 0.6 of the floor', holds } } : rate,
    ...[cpu('process', 'the process'), cpu('postgres', 'PostgreSQL')].filter((l) => Number.isFinite(l.ours)),
  ]
}

/** How each side is called once: the text is the same for both. */
const sides = (w: World, text: OrderText) => {
  const number = numbersOf(`B${Date.now().toString(36)}`)
  const ours = openClient(w.ours.url, busiest, tokenOf('harbour-ehr'))
  const floor = openClient(w.floor.url, busiest)
  let acknowledged = 0
  return {
    ours: async () => {
      await ours.post('/fhir', text(number()))
      acknowledged += 1
    },
    floor: () => floor.post('/fhir', text(number())),
    acknowledged: () => acknowledged,
    close: () => Promise.all([ours.close(), floor.close()]),
  }
}

const stored = async (w: World): Promise<number> => {
  const [row] = await ask<{ n: number }>(w.oursDatabase, 'select count(*)::int as n from daybind.orders')
  return row?.n ?? Number.NaN
}

const memoryLines = (w: World): readonly Line[] => {
  if (!haveProc) return []
  const line = (name: string, ours: number): Line => ({
    name: `memory of the service, ${name}`,
    unit: 'MB',
    ours,
    target: { text: '≤ 250 MB', holds: ours <= 250 },
  })
  return [line('after its start', w.residentAtStart), line(`peak at ${busiest} callers`, peakMb(w.ours.pid))]
}

export const measureOrders = async (w: World): Promise<readonly Line[]> => {
  const before = await stored(w)
  const call = sides(w, orderText(visitDay()))
  const rounds = 5
  const lines: Line[] = []
  try {
    // code and plans warm on both sides
    await drive(8, Math.min(2, w.scale.seconds), call.ours)
    await drive(8, Math.min(2, w.scale.seconds), call.floor)
    for (const callers of [1, 8, busiest]) {
      w.say(`orders at ${callers}`)
      if (haveProc && callers === busiest) forgetPeak(w.ours.pid)
      const [ours = [], floor = []] = await inTurns(rounds, [
        () => slice(w, w.ours, callers, w.scale.seconds / rounds, call.ours),
        () => slice(w, w.floor, callers, w.scale.seconds / rounds, call.floor),
      ])
      lines.push(...linesOf(callers, ours, floor))
    }
    // a rate of what was not done would be no rate
    const kept = (await stored(w)) - before
    if (kept !== call.acknowledged())
      throw new Error(`${call.acknowledged()} orders were acknowledged, ${kept} are stored.`)
    return [...lines, ...memoryLines(w)]
  } finally {
    await call.close()
  }
}
