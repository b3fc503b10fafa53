/** What an order costs with many stored, beside what it costs with few: CPU of the service and of PostgreSQL. */
import { openClient } from './client.ts'
import { drive } from './load.ts'
import { numbersOf, orderText } from './order-message.ts'
import { cpuOf, haveProc } from './proc.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { visitDay, type World } from './world.ts'

const callers = 8

/** Milliseconds of CPU an order. */
const cost = async (w: World, run: string): Promise<number> => {
  const client = openClient(w.ours.url, callers, tokenOf('harbour-ehr'))
  const [text, number] = [orderText(visitDay()), numbersOf(run)]
  const order = () => client.post('/fhir', text(number()))
  try {
    await drive(callers, Math.min(1, w.scale.seconds), order)
    const before = cpuOf(w.ours.pid) + w.server.cpu()
    const { waits } = await drive(callers, w.scale.seconds, order)
    return (cpuOf(w.ours.pid) + w.server.cpu() - before) / waits.length
  } finally {
    await client.close()
  }
}

/** Nothing to tell the first time, and nowhere without /proc or with a database elsewhere. */
export const growthMeasure = (): ((w: World, count: number) => Promise<readonly Line[]>) => {
  let first: { readonly count: number; readonly ms: number } | undefined
  return async (w, count) => {
    if (!haveProc || Number.isNaN(w.server.cpu())) return []
    await w.orders.atLeast(count)
    const stored = w.orders.count()
    w.say(`cost of an order with ${stored} stored`)
    const ms = await cost(w, `G${stored}-${Date.now().toString(36)}-`)
    if (first === undefined) {
      first = { count: stored, ms }
      return []
    }
    const line = against(`CPU an order, ${stored} stored`, 'ms', ms, first.ms, `the same with ${first.count} stored`)
    return [{ ...line, target: { text: '≤ 1.2 × the floor', holds: (line.ratio ?? Infinity) <= 1.2 } }]
  }
}
