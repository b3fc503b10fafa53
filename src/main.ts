/** The process: which command, with which configuration, and an end in good order on a signal. */
import { readFileSync } from 'node:fs'
import { parseArgs } from 'node:util'
import { kindOf } from './adapters/kind-of-error.ts'
import { CannotStart } from './adapters/postgres/embedded-process.ts'
import {
  checkEvenings,
  fhirServerCheck,
  healthcheck,
  type Outcome,
  previewAlerts,
  reconcile,
  replay,
  type Service,
  showEvening,
  untilGood,
  why,
} from './commands.ts'
import { readConfiguration, serviceToAsk } from './config.ts'
import type { Configuration } from './model/configuration.ts'
import { systems } from './model/systems.ts'

/** Exit statuses: 0 done, 1 refused or failed, 2 the command cannot be understood or is not built. */
type Status = 0 | 1 | 2
type Command = (args: string[]) => Promise<Status | 'stays up'>

const usage = `Usage: npm run daybind -- <command>

  serve                                       the service, with the configuration that DAYBIND_CONFIG names
  config check                                reads the configuration and tells every mistake
  reconcile --site S --date D [--as-of T]     the evening report of a site; --json: as FHIR
  evenings check [--site S [--head H]]        whether the archive of evenings is whole; --json
  why <gap> [--json]                          the facts in the journal behind a gap
  alerts preview --site S --date D [--at T] [--json]
                                              what would be sent to whom, and why others are not told
  replay <delivery…>                          sends deliveries again
  healthcheck [--fhir URL]… [--wait SECONDS]  status 0 when the service is alive, or when FHIR servers answer
  rebuild --check                             holds what is stored against the journal; writes nothing
  demo [--exit] [--json] [--pace S] [--port N] [--day D]
                                              an invented clinic day
  demo --hapi | --ehr URL --reading URL --daybind URL
                                              one order between two FHIR servers, there and back
  fake source [--port N] [--orders N] [--push URL] [--token-env NAME] [--json] …
  fake reading-service [--port N] [--reports-to URL] [--token-env NAME] [--json] …
                                              a strict counterpart to build against (README)
  doctor <id> [--json] [--no-write]           looks at the FHIR server of a source or reading service
  export                                      not built yet

reconcile, evenings, why, alerts, replay and healthcheck ask the running service: --url URL (default http://HOST:PORT),
--token-env NAME for the environment variable that holds the bearer token.
`

const print = (text: string): void => void process.stdout.write(`${text}\n`)
const complain = (text: string): void => void process.stderr.write(`${text}\n`)

const misunderstood = (text: string): Status => {
  complain(`${text}\n\n${usage}`)
  return 2
}

/** The configuration, or undefined after every mistake has been told. */
const configuration = (): Configuration | undefined => {
  const reading = readConfiguration(process.env, (path) => readFileSync(path, 'utf8'))
  if (reading.ok) return reading.value
  for (const mistake of reading.mistakes) complain(mistake)
  const count = reading.mistakes.length
  complain(`The configuration has ${count} ${count === 1 ? 'mistake' : 'mistakes'}.`)
  return undefined
}

const closeDeadlineMs = 10_000
/** For so long calls are still taken after the signal, so that balancers see that it is not ready any more. */
const lingerMs = 1_000
/** Ctrl-C reaches the service twice, from the terminal and from npm; a signal after so long is meant as another one. */
const sameSignalMs = 1_000

/** Closes on the first signal and ends the process; after the deadline, or on another signal, at once. */
const closeOnSignal = (close: () => Promise<void>): void => {
  let since: number | undefined
  const stop = (): void => {
    if (since !== undefined) {
      if (performance.now() - since < sameSignalMs) return
      complain('Told to end again; ending at once.')
      process.exit(1)
    }
    since = performance.now()
    setTimeout(() => {
      complain(`Not closed within ${closeDeadlineMs / 1000} s; ending all the same.`)
      process.exit(1)
    }, closeDeadlineMs).unref()
    close().then(
      () => process.exit(0),
      (error: unknown) => {
        complain(`Closing failed: ${error instanceof Error ? error.message : error}`)
        process.exit(1)
      },
    )
  }
  process.on('SIGTERM', stop)
  process.on('SIGINT', stop)
}

const serve: Command = async (args) => {
  parseArgs({ args })
  const settings = configuration()
  if (settings === undefined) return 1
  const { startService } = await import('./service.ts')
  const giveUp = new AbortController()
  const starting = startService(settings, { giveUp: giveUp.signal })
  // a signal during the start waits for its end, so that nothing half started is left behind
  closeOnSignal(async () => {
    giveUp.abort()
    const service = await starting.catch(() => undefined)
    await service?.close({ lingerMs })
  })
  try {
    await starting
  } catch (error) {
    if (!giveUp.signal.aborted) throw error
  }
  return 'stays up'
}

const config: Command = async ([what, ...rest]) => {
  if (what !== 'check' || rest.length > 0) return misunderstood('config takes one word: check.')
  const settings = configuration()
  if (settings === undefined) return 1
  for (const warning of settings.warnings) complain(`warning: ${warning}`)
  if (process.env.DAYBIND_CONFIG === undefined) complain('DAYBIND_CONFIG names no file; these are the defaults.')
  print(`The configuration is good: ${settings.sites.map(({ id }) => id).join(', ')}.`)
  return 0
}

const demo: Command = async (args) => {
  const { playDemo } = await import('../demo-data/play.ts')
  return playDemo(args)
}

const serviceOptions = { url: { type: 'string' }, 'token-env': { type: 'string' } } as const

/** The service to ask, or undefined after it has been told why there is none. */
const serviceFor = (values: { url?: string; 'token-env'?: string }): Service | undefined => {
  const service = serviceToAsk(process.env, { url: values.url, tokenEnv: values['token-env'] })
  if ('url' in service) return service
  complain(service.mistake)
  return undefined
}

const told = ({ ok, text }: Outcome): Status => {
  if (ok) print(text)
  else complain(text)
  return ok ? 0 : 1
}

const reconcileCommand: Command = async (args) => {
  const text = { type: 'string' } as const
  const options = { site: text, date: text, 'as-of': text, json: { type: 'boolean' }, ...serviceOptions } as const
  const { values } = parseArgs({ args, options })
  const { site: id, date, 'as-of': asOf, json = false } = values
  if (id === undefined || date === undefined) return misunderstood('reconcile needs --site and --date.')
  const settings = configuration()
  const service = serviceFor(values)
  if (settings === undefined || service === undefined) return 1
  if (!json) return told(await showEvening(service, { site: id, date, ...(asOf !== undefined && { asOf }) }))
  // the service that is asked may know sites that are not configured here
  const site = settings.sites.find((s) => s.id === id)?.identifier ?? { system: systems.sites, value: id }
  return told(await reconcile(service, { site, date, ...(asOf !== undefined && { asOf }) }))
}

const eveningsCommand: Command = async (args) => {
  const text = { type: 'string' } as const
  const options = { site: text, head: text, json: { type: 'boolean' }, ...serviceOptions } as const
  const { values, positionals } = parseArgs({ args, options, allowPositionals: true })
  if (positionals.join(' ') !== 'check') return misunderstood('evenings takes one word: check.')
  const { site, head, json = false } = values
  if (head !== undefined && site === undefined)
    return misunderstood('--head needs --site: each site has its own chain.')
  const service = serviceFor(values)
  if (service === undefined) return 1
  return told(await checkEvenings(service, { ...(site && { site }), ...(head && { head }), json }))
}

const whyCommand: Command = async (args) => {
  const options = { ...serviceOptions, json: { type: 'boolean' } } as const
  const { values, positionals } = parseArgs({ args, options, allowPositionals: true })
  const [gap, ...more] = positionals
  if (gap === undefined || more.length > 0) return misunderstood('why takes the id of one gap.')
  const service = serviceFor(values)
  return service === undefined ? 1 : told(await why(service, gap, { json: values.json === true }))
}

const alertsCommand: Command = async ([what, ...args]) => {
  const text = { type: 'string' } as const
  const options = { site: text, date: text, at: text, json: { type: 'boolean' }, ...serviceOptions } as const
  if (what !== 'preview') return misunderstood('alerts takes one word: preview.')
  const { values } = parseArgs({ args, options })
  const { site, date, at } = values
  if (site === undefined || date === undefined) return misunderstood('alerts preview needs --site and --date.')
  const service = serviceFor(values)
  if (service === undefined) return 1
  const asked = { site, date, ...(at !== undefined && { at }) }
  return told(await previewAlerts(service, asked, { json: values.json === true }))
}

const replayCommand: Command = async (args) => {
  const { values, positionals } = parseArgs({ args, options: serviceOptions, allowPositionals: true })
  if (positionals.length === 0) return misunderstood('replay needs at least one delivery.')
  const service = serviceFor(values)
  return service === undefined ? 1 : told(await replay(service, positionals))
}

const healthcheckCommand: Command = async (args) => {
  const options = { ...serviceOptions, fhir: { type: 'string', multiple: true }, wait: { type: 'string' } } as const
  const { fhir = [], wait = '0', ...values } = parseArgs({ args, options }).values
  if (!/^\d{1,4}$/.test(wait)) return misunderstood(`--wait: found ${wait}, expected seconds.`)
  const service = fhir.length > 0 ? undefined : serviceFor(values)
  const asks = service ? [() => healthcheck(service)] : fhir.map((base) => () => fhirServerCheck(base))
  const outcomes = await Promise.all(asks.map((ask) => untilGood(ask, Number(wait))))
  return outcomes.length > 0 && outcomes.map(told).every((status) => status === 0) ? 0 : 1
}

/** The database of the configuration; the embedded one is started for it, so no service may hold the folder. */
const withDatabase = async <T>(settings: Configuration, work: (url: string) => Promise<T>): Promise<T> => {
  if (settings.databaseUrl !== undefined) return work(settings.databaseUrl)
  const { startEmbedded } = await import('./adapters/postgres/embedded.ts')
  const embedded = await startEmbedded({ dataDir: settings.dataDir, log: () => undefined })
  return work(embedded.url).finally(() => embedded.stop())
}

const rebuildCommand: Command = async (args) => {
  const { values } = parseArgs({ args, options: { check: { type: 'boolean' } } })
  if (!values.check) return misunderstood('rebuild takes --check: it compares and writes nothing.')
  const settings = configuration()
  if (settings === undefined) return 1
  const { checkRebuildAt } = await import('./rebuild-command.ts')
  return told(await withDatabase(settings, checkRebuildAt))
}

const fakeCommand: Command = async (args) => {
  const { playFake } = await import('./testkit/fake.ts')
  return playFake(args, process.env)
}

const doctor: Command = async (args) => {
  const options = { json: { type: 'boolean' }, 'no-write': { type: 'boolean' } } as const
  const { values, positionals } = parseArgs({ args, options, allowPositionals: true })
  const [id, ...more] = positionals
  if (id === undefined || more.length > 0) return misunderstood('doctor takes the id of one source or reading service.')
  const settings = configuration()
  if (settings === undefined) return 1
  const { examine, examinedOf, known, mustMend, reportJson, reportText } = await import('./doctor/doctor.ts')
  const server = examinedOf(settings, id)
  if (server === undefined) {
    complain(`There is no source or reading service ${JSON.stringify(id)}; known are: ${known(settings)}.`)
    return 2
  }
  const findings = await examine(server, { write: !values['no-write'] })
  print(values.json ? reportJson(server, findings) : reportText(server, findings))
  return mustMend(findings) ? 1 : 0
}

const notBuilt =
  (name: string): Command =>
  async () => {
    complain(`${name} is not built yet.`)
    return 2
  }

const commands: Readonly<Record<string, Command>> = {
  serve,
  config,
  demo,
  reconcile: reconcileCommand,
  evenings: eveningsCommand,
  why: whyCommand,
  alerts: alertsCommand,
  replay: replayCommand,
  healthcheck: healthcheckCommand,
  rebuild: rebuildCommand,
  fake: fakeCommand,
  doctor,
  export: notBuilt('export'),
}

const isBadArgument = (error: unknown): error is Error =>
  error instanceof TypeError && 'code' in error && String(error.code).startsWith('ERR_PARSE_ARGS')

/** What was not foreseen is told by its kind: what the runtime would print of it may quote a patient's data. */
const unforeseen = (error: unknown): string => `Something went wrong in Daybind: ${JSON.stringify(kindOf(error))}`

process.on('uncaughtException', (error) => {
  complain(unforeseen(error))
  process.exit(1)
})

const run = async ([name = '', ...args]: string[]): Promise<Status | 'stays up'> => {
  if (['help', '--help', '-h'].includes(name)) {
    print(usage)
    return 0
  }
  const command = Object.hasOwn(commands, name) ? commands[name] : undefined
  if (command === undefined) return misunderstood(name === '' ? 'Which command?' : `There is no command ${name}.`)
  try {
    return await command(args)
  } catch (error) {
    if (isBadArgument(error)) return misunderstood(error.message)
    complain(error instanceof CannotStart ? error.message : unforeseen(error))
    return 1
  }
}

const status = await run(process.argv.slice(2))
if (status !== 'stays up') process.exitCode = status
