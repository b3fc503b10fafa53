/** The examination: each check in its order, as far as the one before it allows. Nothing is needed but the configuration. */
import { randomUUIDv7 } from 'node:crypto'
import type { CapabilityStatement } from 'fhir/r4.js'
import { type Surroundings, world } from '../adapters/fhir/authorization.ts'
import { type Heard, isHeard, openPlainCalls, type PlainCalls, type Unheard } from '../adapters/fhir/plain-call.ts'
import { authenticate, judgeClock, judgeSearch } from './authenticate.ts'
import { lookAtChannel } from './channel.ts'
import type { Examined } from './examined.ts'
import { type Finding, finding } from './findings.ts'
import { judgeStatement, maxBytes, readMetadata, takesDevices } from './metadata.ts'
import { type Ground, goThere, ground } from './reach.ts'
import { tryWriting } from './try-write.ts'

export interface Options {
  /** Whether a test may be written there. */
  readonly write: boolean
  readonly around?: Surroundings
  readonly ground?: Ground
  /** Milliseconds for each call. */
  readonly deadlineMs?: number
}

interface Tools {
  readonly base: string
  readonly calls: PlainCalls
  readonly around: Surroundings
  readonly deadlineMs: number
}

const fhirJson = { accept: 'application/fhir+json', 'cache-control': 'no-cache' }

/** Each call carries a request id, as all of Daybind's do. */
const bearing = (token: string | undefined): Readonly<Record<string, string>> => ({
  'x-request-id': randomUUIDv7(),
  ...(token !== undefined && { authorization: `Bearer ${token}` }),
})

const askMetadata = ({ base, calls, deadlineMs }: Tools, token?: string): Promise<Heard | Unheard> =>
  calls.ask(`${base}/metadata`, { method: 'GET', headers: { ...fhirJson, ...bearing(token) }, deadlineMs })

/** A search like those that Daybind makes there: for changes at a source, for Tasks at a reading service. */
const trySearch = async ({ kind, poll }: Examined, tools: Tools, token: string | undefined): Promise<Finding> => {
  const byTime = kind === 'source' && poll !== undefined
  const type = kind === 'source' ? 'ServiceRequest' : 'Task'
  const since = new Date(tools.around.now() - 60_000).toISOString()
  const query = byTime
    ? new URLSearchParams({ _lastUpdated: `ge${since}`, _count: '1' })
    : new URLSearchParams({ identifier: 'https://daybind.example/doctor|none', _count: '1' })
  const { base, calls, deadlineMs } = tools
  const headers = { ...fhirJson, ...bearing(token) }
  const heard = await calls.ask(`${base}/${type}?${query}`, { method: 'GET', headers, deadlineMs })
  // what cannot be asked by time may be refused for another reason: asked again without it
  if (byTime && isHeard(heard) && heard.status === 400) {
    const plain = await calls.ask(`${base}/${type}?_count=1`, { method: 'GET', headers, deadlineMs })
    return judgeSearch(type, isHeard(plain) && plain.status === 200, heard, deadlineMs)
  }
  return judgeSearch(type, false, heard, deadlineMs)
}

const takesTransactions = ({ rest = [] }: CapabilityStatement): boolean =>
  rest.some((r) => r.mode === 'server' && r.interaction?.some((i) => i.code === 'transaction'))

const write = async (
  tools: Tools,
  statement: CapabilityStatement,
  token: string | undefined,
  may: boolean,
  kind: Examined['kind'],
): Promise<readonly Finding[]> => {
  if (!may) return [finding('write-skipped')]
  if (!takesDevices(statement)) return [finding('write-not-tried')]
  const found = await tryWriting({ ...tools, headers: bearing(token), unique: tools.around.unique })
  // who takes the linked order as one message need not take its parts
  const isWhole = kind === 'reading service' && takesTransactions(statement)
  return found.map((f) =>
    f.code === 'write-not-offered' && isWhole
      ? finding('write-transactions-only', { status: /\((\d+)\)/.exec(f.says)?.[1] ?? '405' })
      : f,
  )
}

/** What can be looked at once it has answered. */
const examineServer = async (server: Examined & { base: string }, tools: Tools, may: boolean): Promise<Finding[]> => {
  const { base, around, deadlineMs } = tools
  const found: Finding[] = []
  const from = around.now()
  const first = await askMetadata(tools)
  const clock = isHeard(first) ? [judgeClock(first.headers, from, around.now())] : []
  let said = readMetadata(base, first, false, deadlineMs / 1000)
  found.push(...said.findings)
  if (said.statement === undefined && !said.guarded) return [...found, ...clock]
  if (said.statement) found.push(...judgeStatement(said.statement, server))
  const known = await authenticate(server, tools)
  found.push(...known.findings)
  if (said.guarded && known.token !== undefined) {
    said = readMetadata(base, await askMetadata(tools, known.token), true, deadlineMs / 1000)
    found.push(...said.findings, ...(said.statement ? judgeStatement(said.statement, server) : []))
  }
  const { statement } = said
  if (known.failed || statement === undefined) return [...found, ...clock]
  const search = await trySearch(server, tools, known.token)
  found.push(search, ...clock)
  const letIn = search.level === 'good'
  if (letIn && server.written) found.push(...(await write(tools, statement, known.token, may, server.kind)))
  if (server.kind === 'source' && server.poll !== undefined) {
    const listening = letIn ? { calls: tools.calls, headers: bearing(known.token), deadlineMs } : undefined
    found.push(...(await lookAtChannel(server, base, statement, listening)))
  }
  return found
}

/** Everything that was found, in the order of the checks. */
export const examine = async (server: Examined, options: Options): Promise<readonly Finding[]> => {
  const { base, tls, id } = server
  if (base === undefined) return [finding('no-server', { id })]
  const { around = world, deadlineMs = 15_000 } = options
  const way = await goThere(base, tls, options.ground ?? ground)
  if (!way.open) return way.findings
  const calls = openPlainCalls({ maxBytes, deadlineMs, tls })
  try {
    const tools = { base, calls, around, deadlineMs }
    return [...way.findings, ...(await examineServer({ ...server, base }, tools, options.write))]
  } finally {
    await calls.close()
  }
}
