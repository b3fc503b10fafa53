/** The command `fake`: a counterpart for those who build against Daybind. It tells each message, and at the end what was seen. */
import { parseArgs } from 'node:util'
import { obeyLines, toldText } from './control.ts'
import { playReadingService } from './play-reading-service.ts'
import { playSource } from './play-source.ts'
import type { PlayOptions, Print } from './played.ts'
import { anyBroken, checkedText } from './rules.ts'

const text = { type: 'string' } as const

const usage = `fake takes one word, source or reading-service. --port, --orders and --seed are whole numbers.
Of a source: --push is the address of a Daybind. Of a reading service: --for or --reports-to is.
`

const parse = (args: string[]) =>
  parseArgs({
    args,
    allowPositionals: true,
    options: {
      ...{ port: text, 'token-env': text, for: text, push: text, 'reports-to': text, 'for-token-env': text },
      ...{ load: text, orders: text, seed: text },
      json: { type: 'boolean' },
    },
  })

type Values = ReturnType<typeof parse>['values']

/** The token that is demanded is also the one that is shown, unless another is named for that. */
function optionsOf(values: Values, port: number, environment: NodeJS.ProcessEnv): PlayOptions {
  const demanded = environment[values['token-env'] ?? '']
  const shown = environment[values['for-token-env'] ?? ''] ?? demanded
  const address = values.push ?? values['reports-to'] ?? values.for
  return {
    port,
    ...(demanded && { token: demanded }),
    ...(address && { daybind: { base: address.replace(/\/+$/, ''), ...(shown && { token: shown }) } }),
  }
}

/** Stays up until a signal; then tells what was seen, and ends with 1 when a rule broke. */
export async function playFake(args: string[], environment: NodeJS.ProcessEnv): Promise<'stays up' | 2> {
  const { values, positionals } = parse(args)
  const [kind, ...rest] = positionals
  const numbers = [values.port ?? '0', values.orders ?? '10', values.seed ?? '1'].map(Number)
  const addresses = [values.push, values['reports-to'], values.for].filter((address) => address !== undefined)
  if (
    (kind !== 'source' && kind !== 'reading-service') ||
    rest.length ||
    !numbers.every(Number.isSafeInteger) ||
    !addresses.every((address) => URL.canParse(address)) ||
    new Set(addresses).size > 1 ||
    (kind === 'source' ? (values['reports-to'] ?? values.for) : values.push) !== undefined
  ) {
    process.stderr.write(usage)
    return 2
  }
  const [port = 0, orders = 10, seed = 1] = numbers
  const print: Print = (event, line) => process.stdout.write(`${values.json ? JSON.stringify(event) : line}\n`)
  const options = optionsOf(values, port, environment)
  const there =
    kind === 'source'
      ? await playSource(options, { ...(values.load && { load: values.load }), orders, seed }, print)
      : await playReadingService(options, print)
  print(
    { kind, base: there.base },
    `${kind} at ${there.base}, controlled here (help lists how) and at ${there.base.replace(/fhir$/, 'control')}`,
  )
  const control = obeyLines(there.commands, process.stdin, (told) => print({ ...told }, toldText(told)))
  const end = async () => {
    control.stop()
    await there.stop()
    const [arrivals, complaints, checked] = [there.arrivals(), there.complaints(), there.checked()]
    const sums = `${arrivals} arrivals, ${complaints.length} complaints`
    print({ arrivals, complaints, checked }, `${checkedText(checked)}\n${sums}`)
    process.exit(anyBroken(checked) ? 1 : 0)
  }
  process.once('SIGINT', end).once('SIGTERM', end)
  await there.begin()
  return 'stays up'
}
