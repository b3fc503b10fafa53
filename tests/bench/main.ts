/**
 * How fast it is, each figure beside its floor from the same run. `npm run bench -- --help` tells the options. No test:
 * figures depend on the machine, ratios less so.
 */
import { parseArgs } from 'node:util'
import { measureDelivery } from './delivery.ts'
import { measureDoor } from './door.ts'
import { measureEvening } from './evening.ts'
import { growthMeasure } from './growth.ts'
import { askForHapi, measureHapi } from './hapi.ts'
import { measureLinks } from './links.ts'
import { measureOrders } from './orders.ts'
import { headOf, type Line, machineOf, tableOf } from './report.ts'
import { measureSearches } from './searches.ts'
import { measureSites } from './sites.ts'
import { measureStart } from './start.ts'
import { tickMeasure } from './tick.ts'
import { openWorld, type Scale, type World } from './world.ts'

type Measure = (w: World) => Promise<readonly Line[]>

const tick = tickMeasure()
const growth = growthMeasure()

/** In this order: first what needs few orders, then what needs many. */
const stages: readonly (readonly [name: string, measure: Measure])[] = [
  ['door', measureDoor],
  ['orders', measureOrders],
  ['evening', (w) => measureEvening(w, w.scale.few)],
  ['tick', (w) => tick(w, w.scale.few)],
  ['sites', measureSites],
  ['growth', (w) => growth(w, w.scale.few)],
  ['search', measureSearches],
  ['link', measureLinks],
  ['delivery', measureDelivery],
  ['evening', (w) => measureEvening(w, w.scale.many)],
  ['tick', (w) => tick(w, w.scale.many)],
  ['growth', (w) => growth(w, w.scale.many)],
  ['start', measureStart],
  ['hapi', measureHapi],
]

const names = [...new Set(stages.map(([name]) => name))]

const usage = `Usage: npm run bench -- [options]

  --only NAME,…   of ${names.join(', ')}
  --seconds N     how long each side of a comparison is measured; default 10
  --large         a million open orders instead of a hundred thousand
  --quick         whether it runs, not how fast it is: a second each, few orders
  --json          one JSON object on the last line

DATABASE_URL names a PostgreSQL whose role may create databases; without it the one from npm is used.
HAPI_URL names the base of a HAPI FHIR server to compare with.
`

const optionsOf = (args: string[]) => {
  const flag = { type: 'boolean', default: false } as const
  const text = { type: 'string' } as const
  const options = { only: text, seconds: text, large: flag, quick: flag, json: flag, help: flag }
  const { values } = parseArgs({ args, options })
  const only = values.only?.split(',') ?? names
  const seconds = Number(values.seconds ?? (values.quick ? 1 : 10))
  const strange = only.filter((name) => !names.includes(name))
  if (strange.length > 0) throw new TypeError(`--only: found ${strange.join(', ')}, expected ${names.join(', ')}`)
  if (!(seconds > 0)) throw new TypeError(`--seconds: found ${values.seconds}, expected a number above 0`)
  const scale: Scale = values.quick
    ? { seconds, few: 500, many: 2_000, times: 2 }
    : { seconds, few: 10_000, many: values.large ? 1_000_000 : 100_000, times: 7 }
  return { ...values, only, scale }
}

type Options = ReturnType<typeof optionsOf>

/** Ends what was started when the run is interrupted. */
const closeOnSignal = (w: World): void => {
  for (const signal of ['SIGINT', 'SIGTERM'] as const)
    process.once(signal, () => void w.close().finally(() => process.exit(1)))
}

const run = async ({ only, scale, quick, json }: Options): Promise<void> => {
  if (only.includes('hapi')) await askForHapi()
  const w = await openWorld(scale, (text) => void process.stderr.write(`… ${text}\n`))
  closeOnSignal(w)
  try {
    const machine = machineOf(w.server.version)
    const lines: Line[] = []
    for (const [name, measure] of stages) if (only.includes(name)) lines.push(...(await measure(w)))
    process.stdout.write(`${headOf(machine)}\n\n${tableOf(lines)}\n`)
    if (json) process.stdout.write(`${JSON.stringify({ machine, quick, scale, lines })}\n`)
  } finally {
    await w.close()
  }
}

/** The options, or undefined after it was told what is wrong with them. */
const understood = (args: string[]): Options | undefined => {
  try {
    return optionsOf(args)
  } catch (error) {
    if (!(error instanceof TypeError)) throw error
    process.stderr.write(`${error.message}\n\n${usage}`)
    process.exitCode = 2
    return undefined
  }
}

const options = understood(process.argv.slice(2))
if (options?.help) process.stdout.write(usage)
else if (options) await run(options)
