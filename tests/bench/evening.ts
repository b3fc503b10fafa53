/** The evening of a site over HTTP, beside one sequential count of all its open orders. */
import type { Parameters } from 'fhir/r4.js'
import { Client as DatabaseClient } from 'pg'
import { systems } from '../../src/model/systems.ts'
import { openClient } from './client.ts'
import { inTurns, median } from './load.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { localDay, type World } from './world.ts'

const evening = (day: string): string => {
  const parameters: Parameters = {
    resourceType: 'Parameters',
    parameter: [
      { name: 'site', valueIdentifier: { system: systems.sites, value: 'tern-harbour' } },
      { name: 'date', valueDate: day },
    ],
  }
  return JSON.stringify(parameters)
}

const timed = (work: () => Promise<unknown>) => async (): Promise<number> => {
  const began = performance.now()
  await work()
  return performance.now() - began
}

/** Read from end to end by one process, as PostgreSQL would without an index. */
const plainCount = `set max_parallel_workers_per_gather = 0; set enable_indexscan = off; set enable_indexonlyscan = off;
  set enable_bitmapscan = off`

/**
 * Two days, each with a hundredth of all visits: tomorrow, when nothing is missing yet, and yesterday, where each visit
 * is a gap.
 */
export const measureEvening = async (w: World, count: number): Promise<readonly Line[]> => {
  await w.orders.atLeast(count)
  w.say(`evening at ${w.orders.count()} open orders`)
  const operator = openClient(w.ours.url, 1, tokenOf('ops'))
  const database = new DatabaseClient({ connectionString: w.oursDatabase })
  await database.connect()
  const lineOf = async (day: string): Promise<Line> => {
    const report = () => operator.post('/fhir/$reconcile-day', evening(day))
    const gaps = (await report()).split('"resourceType":"DetectedIssue"').length - 1
    const [ours = [], floor = []] = await inTurns(w.scale.times, [
      timed(report),
      timed(() => database.query('select count(*) from daybind.orders')),
    ])
    const name = `evening, ${w.orders.count()} open orders, ${gaps} gaps`
    const line = against(name, 'ms', median(ours), median(floor), 'one sequential count of the orders')
    return { ...line, target: { text: '≤ 3 × the floor', holds: (line.ratio ?? Infinity) <= 3 } }
  }
  try {
    await database.query(plainCount)
    return [await lineOf(localDay(1)), await lineOf(localDay(-1))]
  } finally {
    await Promise.all([operator.close(), database.end()])
  }
}
