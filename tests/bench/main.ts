/**
 * How fast it is, each figure beside its floor from the same run. `npm run bench -- --help` tells the options. No test:
 * figures depend on the machine, ratios less so.
 */
import { parseArgs } from 'node:util'
import { measureOrders } from './orders.ts'
import { headOf, type Line, machineOf, tableOf } from './report.ts'
import { openWorld, type World } from './world.ts'

type Measure = (w: World) => Promise<readonly Line[]>

const measures: Readonly<Record<string, Measure>> = {
  orders: measureOrders,
}

const usage = `Usage: npm run bench -- [options]

  --only NAME,…   of ${Object.keys(measures).join(', ')}
  --seconds N     how long each side of a comparison is measured; default 10
  --quick         a second each: whether it runs, not how fast it is
  --json          one JSON object on the last line

DATABASE_URL names a PostgreSQL whose role may create databases; without it the one from npm is used.
`

const optionsOf = (args: string[]) => {
  const { values } = parseArgs({
    args,
    options: {
      only: { type: 'string' },
      seconds: { type: 'string' },
      quick: { type: 'boolean', default: false },
      json: { type: 'boolean', default: false },
      help: { type: 'boolean', default: false },
    },
  })
  const only = values.only?.split(',') ?? Object.keys(measures)
  const seconds = Number(values.seconds ?? (values.quick ? 1 : 10))
  const strange = only.filter((name) => !Object.hasOwn(measures, name))
  if (strange.length > 0)
    throw new TypeError(`--only: found ${strange.join(', ')}, expected ${Object.keys(measures).join(', ')}`)
  if (!(seconds > 0)) throw new TypeError(`--seconds: found ${values.seconds}, expected a number above 0`)
  return { ...values, only, seconds }
}

type Options = ReturnType<typeof optionsOf>

/** Ends what was started when the run is interrupted. */
const closeOnSignal = (w: World): void => {
  for (const signal of ['SIGINT', 'SIGTERM'] as const)
    process.once(signal, () => void w.close().finally(() => process.exit(1)))
}

const run = async ({ only, seconds, json }: Options): Promise<void> => {
  const w = await openWorld(seconds, (text) => void process.stderr.write(`… ${text}\n`))
  closeOnSignal(w)
  try {
    const machine = machineOf(w.server.version)
    const lines: Line[] = []
    for (const name of only) lines.push(...((await measures[name]?.(w)) ?? []))
    process.stdout.write(`${headOf(machine)}\n\n${tableOf(lines)}\n`)
    if (json) process.stdout.write(`${JSON.stringify({ machine, seconds, lines })}\n`)
  } finally {
    await w.close()
  }
}

const main = async (): Promise<void> => {
  try {
    const options = optionsOf(process.argv.slice(2))
    if (options.help) return void process.stdout.write(usage)
    await run(options)
  } catch (error) {
    if (!(error instanceof TypeError)) throw error
    process.stderr.write(`${error.message}\n\n${usage}`)
    process.exitCode = 2
  }
}

await main()
