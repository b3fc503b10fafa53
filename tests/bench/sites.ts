/**
 * Many sites whose evenings fall due at one minute, by the service's own functions in this process; beside them as many
 * transactions of one row each, and a round of the watch with nothing due.
 */
import { pino } from 'pino'
import { openDatabase } from '../../src/adapters/postgres/database.ts'
import { migrate } from '../../src/adapters/postgres/migrations.ts'
import { sideBySide } from '../../src/adapters/side-by-side.ts'
import { openWatch } from '../../src/adapters/watch.ts'
import type { Site } from '../../src/model/configuration.ts'
import { systems } from '../../src/model/systems.ts'
import { median } from './load.ts'
import { against, type Line } from './report.ts'
import type { World } from './world.ts'

/** A day on which nothing else of the run happens. */
const [before, after] = ['2035-03-21T17:00:00Z', '2035-03-21T18:00:01Z']

const siteNamed = (id: string): Site => ({
  id,
  name: id,
  identifier: { system: systems.sites, value: id },
  timeZone: 'Europe/Dublin',
  cutOff: '18:00',
  closed: [],
  wear: 'P14D',
  transit: 'P10D',
  reading: 'P3D',
})

const log = pino({ level: 'silent' })

const timed = async (work: () => Promise<unknown>): Promise<number> => {
  const began = performance.now()
  await work()
  return performance.now() - began
}

const told = (error: unknown): void => {
  throw error
}

export const measureSites = async (w: World): Promise<readonly Line[]> => {
  const count = w.scale.few / 5
  w.say(`evenings of ${count} sites`)
  const sites = Array.from({ length: count }, (_, i) => siteNamed(`site-${i}`))
  const db = openDatabase(await w.server.newDatabase(), told)
  const clock = (moment: string) =>
    db.query('update daybind.clock set offset_by = $1::timestamptz - clock_timestamp()', [moment])
  try {
    await migrate(db)
    await db.query('create table floor (site text primary key)')
    const watch = openWatch(
      { db, parties: { sites, sources: [], readingServices: [] }, tolerances: { skew: 120, recorderClock: 60 } },
      log,
    )
    await clock(before)
    await watch()
    const idle: number[] = []
    const nothing: number[] = []
    for (let i = 0; i < 20; i += 1) {
      idle.push(await timed(watch))
      nothing.push(await timed(() => db.query('select 1 as x')))
    }
    await clock(after)
    const ours = await timed(async () => {
      const issued = await watch()
      if (issued !== count) throw new Error(`${issued} evenings of ${count} were issued.`)
    })
    const floor = await timed(() =>
      sideBySide(sites, ({ id }) =>
        db.transaction(async (tx) => {
          await tx.script('begin')
          await tx.query('insert into floor (site) values ($1)', [id])
          await tx.script('commit')
        }),
      ),
    )
    return [
      against(`evenings of ${count} sites at one minute`, 'ms', ours, floor, 'as many transactions of one row'),
      against(`tick with nothing due, ${count} sites`, 'ms', median(idle), median(nothing), '`select 1`'),
    ]
  } finally {
    await db.close()
  }
}
