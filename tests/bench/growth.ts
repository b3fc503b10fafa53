/**
 * What an order costs with many stored, beside what it costs with few: CPU of the service and of PostgreSQL. The same
 * work costs a machine more CPU while its neighbours are busy; so what the floor costs in the same turns corrects it.
 */
import { openClient } from './client.ts'
import { type Costed, costed, cpuEach } from './costs.ts'
import { inTurns } from './load.ts'
import { numbersOf, orderText } from './order-message.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { visitDay, type World } from './world.ts'

const callers = 8
const rounds = 5

/** Milliseconds of CPU an order. */
interface Cost {
  readonly stored: number
  readonly ours: number
  readonly floor: number
}

const bothOf = (slices: readonly Costed[]): number => cpuEach(slices, 'process') + cpuEach(slices, 'postgres')

const costNow = async (w: World): Promise<Cost> => {
  const stored = w.orders.count()
  const [ours, floor] = [openClient(w.ours.url, callers, tokenOf('harbour-ehr')), openClient(w.floor.url, callers)]
  const [text, number] = [orderText(visitDay()), numbersOf(`G${stored}-${Date.now().toString(36)}-`)]
  const turn = (seconds: number) => [
    () => costed(w, w.ours, callers, seconds, () => ours.post('/fhir', text(number()))),
    () => costed(w, w.floor, callers, seconds, () => floor.post('/fhir', text(number()))),
  ]
  try {
    await inTurns(1, turn(Math.min(1, w.scale.seconds)))
    const [mine = [], theirs = []] = await inTurns(rounds, turn(w.scale.seconds / rounds))
    return { stored, ours: bothOf(mine), floor: bothOf(theirs) }
  } finally {
    await Promise.all([ours.close(), floor.close()])
  }
}

/** Nothing to tell the first time, and nowhere without /proc or with a database elsewhere. */
export const growthMeasure = (): ((w: World, count: number) => Promise<readonly Line[]>) => {
  let few: Cost | undefined
  return async (w, count) => {
    if (Number.isNaN(w.server.cpu())) return []
    await w.orders.atLeast(count)
    w.say(`cost of an order with ${w.orders.count()} stored`)
    const now = await costNow(w)
    if (few === undefined) {
      few = now
      return []
    }
    const expected = few.ours * (now.floor / few.floor)
    const line = against(
      `CPU an order, ${now.stored} stored`,
      'ms',
      now.ours,
      expected,
      `the same with ${few.stored} stored`,
    )
    return [{ ...line, target: { text: '≤ 1.2 × the floor', holds: (line.ratio ?? Infinity) <= 1.2 } }]
  }
}
