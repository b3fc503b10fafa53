/** The only reader of the environment: what a service is told before it starts, or everything that is wrong with it. */
import { bracketed, isLoopback, readSettings, type Settings } from './config/environment.ts'
import { type FileRead, readConfigurationFile } from './config/file.ts'
import type { ConfigurationFile } from './config/schema.ts'
import { causeOf, type Environment, type ReadFile, secretReader } from './config/secrets.ts'
import type {
  Access,
  Caller,
  Configuration,
  CutOffRule,
  Mail,
  ReadingService,
  Recipient,
  Site,
  Source,
  TimeZone,
} from './model/configuration.ts'
import type { SigningKeys } from './model/signing-key.ts'
import { defaultTakes, systems } from './model/systems.ts'

export type ConfigurationReading =
  | { readonly ok: true; readonly value: Configuration }
  /** One sentence a mistake. */
  | { readonly ok: false; readonly mistakes: readonly string[] }

/** What is used without a file. */
const defaultFile = `
sites:
  - id: tern-harbour
    name: Tern Harbour Clinic
    timeZone: Europe/Dublin
`

type InFile<K extends 'sites' | 'sources' | 'readingServices' | 'callers' | 'recipients'> = ConfigurationFile[K][number]

const zonesOf = (zones: InFile<'sites'>['timeZone']): TimeZone =>
  typeof zones === 'string' ? zones : zones.map(({ zone, from }) => ({ zone, ...(from !== undefined && { from }) }))

const cutOffOf = (cutOff: NonNullable<InFile<'sites'>['cutOff']>): string | readonly CutOffRule[] =>
  typeof cutOff === 'string'
    ? cutOff
    : cutOff.map(({ at, on, from }) => ({
        at,
        ...(on !== undefined && { on }),
        ...(from !== undefined && { from }),
      }))

const siteOf = ({
  id,
  name,
  timeZone,
  cutOff,
  closed,
  open,
  wear,
  transit,
  reading,
  figures,
  ...site
}: InFile<'sites'>): Site => ({
  id,
  name,
  identifier: site.identifier ?? { system: systems.sites, value: id },
  timeZone: zonesOf(timeZone),
  ...(cutOff !== undefined && { cutOff: cutOffOf(cutOff) }),
  closed,
  ...(open.length > 0 && { open }),
  wear,
  transit,
  reading,
  ...(figures.byPerson && { figures: { byPerson: true } as const }),
  ...(site.alerts.length > 0 && { alerts: site.alerts }),
  ...(site.alertsShow === 'placer' && { alertsShow: site.alertsShow }),
})

/** How their server is told who asks; `alg` was only a check. */
const accessOf = ({ token, smart, tls }: Pick<InFile<'sources'>, 'token' | 'smart' | 'tls'>): Access => ({
  ...(token !== undefined && { token }),
  ...(smart !== undefined && {
    smart: {
      clientId: smart.clientId,
      ...(smart.tokenUrl !== undefined && { tokenUrl: smart.tokenUrl }),
      ...(smart.scope !== undefined && { scope: smart.scope }),
    },
  }),
  ...(tls !== undefined && {
    tls: { cert: tls.cert, key: tls.key, ...(tls.ca !== undefined && { ca: tls.ca }) },
  }),
})

const sourceOf = ({
  id,
  site,
  placer,
  takes,
  fhir,
  writeBack,
  poll,
  evidence,
  subscribe,
  ...source
}: InFile<'sources'>): Source => ({
  id,
  ...(site !== undefined && { site }),
  ...(placer !== undefined && { placer }),
  takes: takes ?? defaultTakes,
  ...(fhir !== undefined && { fhir }),
  ...accessOf(source),
  ...(writeBack !== undefined && { writeBack }),
  ...(poll !== false && { poll }),
  ...(evidence !== undefined && { evidence }),
  ...(subscribe !== undefined && { subscribe }),
})

const readingServiceOf = ({ id, fhir, takes, accept, ...service }: InFile<'readingServices'>): ReadingService => ({
  id,
  fhir,
  ...(takes !== undefined && { takes }),
  accept,
  ...accessOf(service),
})

const callerOf = ({ id, role, sites, token }: InFile<'callers'>): Caller => ({
  id,
  role,
  ...(sites !== undefined && { sites }),
  token,
})

const recipientOf = ({ id, email, webhook, fhir, quiet }: InFile<'recipients'>): Recipient => ({
  id,
  ...(email !== undefined && { email }),
  ...(webhook !== undefined && { webhook }),
  ...(fhir !== undefined && { fhir }),
  ...(quiet !== undefined && {
    quiet: {
      from: quiet.from,
      until: quiet.until,
      ...(quiet.timeZone !== undefined && { timeZone: quiet.timeZone }),
    },
  }),
})

const mailOf = ({ host, port, security, ca, from, user, password }: NonNullable<ConfigurationFile['mail']>): Mail => ({
  host,
  port,
  security,
  ...(ca !== undefined && { ca }),
  from,
  ...(user !== undefined && password !== undefined && { login: { user, password } }),
})

/** The source that every local caller is while nobody is named as a caller. */
const localSource: Source = { id: 'local', takes: defaultTakes }

const sourcesOf = ({ sources, callers }: ConfigurationFile): Source[] => {
  const named = sources.map(sourceOf)
  const open = callers.length === 0 && !named.some(({ id }) => id === localSource.id)
  return open ? [...named, localSource] : named
}

const keysOf = ({ current, next, previous }: NonNullable<ConfigurationFile['keys']>): SigningKeys => ({
  current,
  ...(next && { next }),
  ...(previous && { previous }),
})

const configurationOf = (file: ConfigurationFile, settings: Settings, warnings: readonly string[]): Configuration => ({
  ...settings,
  publicUrl: file.publicUrl ?? `http://${bracketed(settings.host)}:${settings.port}`,
  sites: file.sites.map(siteOf),
  sources: sourcesOf(file),
  readingServices: file.readingServices.map(readingServiceOf),
  callers: file.callers.map(callerOf),
  ...(file.keys !== undefined && {
    keys: keysOf(file.keys),
  }),
  ...(file.recipients.length > 0 && { recipients: file.recipients.map(recipientOf) }),
  ...(file.mail !== undefined && { mail: mailOf(file.mail) }),
  tolerances: file.tolerances,
  warnings,
})

const readFileNamed = (path: string, environment: Environment, readFile: ReadFile): FileRead => {
  try {
    return readConfigurationFile(path, readFile(path), secretReader(environment, readFile, path))
  } catch (error) {
    const mistake = `DAYBIND_CONFIG: ${path} cannot be read (${causeOf(error)})`
    return { mistakes: [mistake], warnings: [] }
  }
}

/** What only the settings and the file together show. */
const together = (file: ConfigurationFile | undefined, { host }: Settings): string[] =>
  file !== undefined && file.callers.length === 0 && !isLoopback(host)
    ? [
        `HOST: found "${host}", expected a loopback address such as 127.0.0.1 as long as the configuration names no callers`,
      ]
    : []

const oddTogether = (file: ConfigurationFile | undefined, { host }: Settings): string[] =>
  file !== undefined && file.publicUrl === undefined && /^(0\.0\.0\.0|::)$/.test(host)
    ? [`publicUrl is not set and HOST is ${host}: links will lead to an address that others cannot reach`]
    : []

/**
 * Reads the environment and the file that `DAYBIND_CONFIG` names; without one, one site and local callers only.
 * Nothing is thrown: a wrong configuration comes back as its mistakes, all of them, the file's in the order of its
 * lines. No sentence repeats a secret. `readFile` throws the system's error when a file cannot be read.
 */
export const readConfiguration = (environment: Environment, readFile: ReadFile): ConfigurationReading => {
  const { settings, mistakes } = readSettings(environment)
  const path = environment.DAYBIND_CONFIG
  const { file, ...read } = path
    ? readFileNamed(path, environment, readFile)
    : readConfigurationFile('default', defaultFile, secretReader(environment, readFile, '.'))
  const all = [...mistakes, ...read.mistakes, ...together(file, settings)]
  if (all.length > 0 || file === undefined) return { ok: false, mistakes: all }
  return { ok: true, value: configurationOf(file, settings, [...read.warnings, ...oddTogether(file, settings)]) }
}

export { serviceToAsk } from './config/service-address.ts'
