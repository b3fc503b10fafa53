/** The command `fake`: a counterpart for those who build against Daybind. It tells each arrival, and at the end what it was. */
import { readdirSync, readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { parseArgs } from 'node:util'
import type { FhirResource } from 'fhir/r4.js'
import { answerTask } from './answer-task.ts'
import { type Controls, controlBy } from './control.ts'
import { isBundle } from './door.ts'
import { type FaultOptions, isFaultKind } from './faults.ts'
import { inventedOrder, inventedOrders } from './invented-orders.ts'
import { type ReadingServiceCounterpart, startReadingService } from './reading-service.ts'
import { startSource } from './source.ts'
import { isSourceFaultKind, type SourceFaultOptions } from './source-faults.ts'

type Print = (event: Record<string, unknown>, line: string) => void

interface Counterpart {
  readonly base: string
  readonly complaints: readonly string[]
  readonly arrivals: () => number
  readonly stop: () => Promise<void>
}

const done = (body: unknown = { done: true }) => ({ status: 200, body })
const wrong = (problem: string) => ({ status: 400, body: { problem } })

/** A file of JSON, or every `.json` of a folder; a Bundle stands for what is in it. */
function loaded(path: string): FhirResource[] {
  const files = statSync(path).isDirectory()
    ? readdirSync(path).flatMap((name) => (name.endsWith('.json') ? [join(path, name)] : []))
    : [path]
  return files.sort().flatMap((file) => {
    const read: unknown = JSON.parse(readFileSync(file, 'utf8'))
    return isBundle(read) ? (read.entry ?? []).flatMap(({ resource }) => resource ?? []) : [read as FhirResource]
  })
}

const types = (resources: readonly (FhirResource | undefined)[]): string =>
  resources.flatMap((resource) => resource?.resourceType ?? []).join(', ')

const lines = (first: string, complaints: readonly string[]): string =>
  [first, ...complaints.map((says) => `  complaint: ${says}`)].join('\n')

const taskStatus: Readonly<
  Record<string, 'received' | 'accepted' | 'rejected' | 'in-progress' | 'completed' | 'failed'>
> = {
  ...{ receive: 'received', accept: 'accepted', reject: 'rejected' },
  ...{ 'in-progress': 'in-progress', complete: 'completed', fail: 'failed' },
}

interface Options {
  readonly port: number
  readonly token: { token?: string }
  readonly daybind: string | undefined
  readonly daybindToken: { token?: string }
}

async function readingService({ port, token, daybind, daybindToken }: Options, print: Print): Promise<Counterpart> {
  const controls: Controls = {
    'GET received': () => done(there.received),
    'GET complaints': () => done(there.complaints),
    'GET tasks': () => done(there.resources('Task')),
    'POST faults': async ({ kind, ...options }) => {
      if (typeof kind !== 'string' || !isFaultKind(kind) || kind === 'down') return wrong('there is no such fault here')
      await there.fault(kind, options as FaultOptions)
      return done()
    },
    'DELETE faults': async () => {
      await there.clearFaults()
      return done()
    },
    'POST tasks': async (said, [taskId = '', deed = '']) => {
      const status = taskStatus[deed]
      if (!daybind) return wrong('answers need --for URL')
      if (!status) return wrong(`a Task is answered by ${Object.keys(taskStatus).join(', ')}`)
      return answerTask({ ...said, daybind, ...daybindToken, taskId, status })
    },
  }
  const there: ReadingServiceCounterpart = await startReadingService({
    port,
    ...token,
    control: controlBy(controls),
    onReceived: ({ at, requestId, bundle, stored }, complaints) => {
      const what = types((bundle.entry ?? []).map(({ resource }) => resource))
      print(
        { at, requestId, what, stored, complaints },
        lines(`${at} ${stored ? 'stored' : 'refused'}: ${what}`, complaints),
      )
    },
  })
  return { base: there.base, complaints: there.complaints, arrivals: () => there.received.length, stop: there.stop }
}

interface Held {
  readonly load: string | undefined
  readonly orders: number
  readonly seed: number
}

async function source({ port, token }: Options, { load, orders, seed }: Held, print: Print): Promise<Counterpart> {
  let count = orders
  const controls: Controls = {
    'GET writes': () => done(there.writes),
    'GET complaints': () => done(there.complaints),
    'POST orders': ({ late }) => {
      const stamped = new Date(Date.now() - 1_000 * (typeof late === 'number' ? late : 0))
      const made = inventedOrder(seed, ++count, stamped).map((resource) => there.add(resource, stamped.toISOString()))
      return done(made)
    },
    'POST faults': async ({ kind, ...options }) => {
      if (typeof kind !== 'string' || !isSourceFaultKind(kind) || kind === 'down')
        return wrong('there is no such fault here')
      await there.fault(kind, options as SourceFaultOptions)
      return done()
    },
    'DELETE faults': async () => {
      await there.clearFaults()
      return done()
    },
  }
  const there = await startSource({
    port,
    ...token,
    control: controlBy(controls),
    onWrite: (write) => {
      const { at, line, status, complaints } = write
      print({ ...write, entries: write.entries.length }, lines(`${at} ${status} ${line}`, complaints))
    },
  })
  for (const resource of load === undefined ? inventedOrders(seed, orders, new Date()) : loaded(load))
    there.add(resource)
  return { base: there.base, complaints: there.complaints, arrivals: () => there.writes.length, stop: there.stop }
}

const text = { type: 'string' } as const

/** Stays up until a signal; then tells what arrived, and ends with 1 when there was anything to complain about. */
export async function playFake(args: string[], environment: NodeJS.ProcessEnv): Promise<'stays up' | 2> {
  const { values, positionals } = parseArgs({
    args,
    allowPositionals: true,
    options: {
      ...{ port: text, 'token-env': text, for: text, 'for-token-env': text, load: text, orders: text, seed: text },
      json: { type: 'boolean' },
    },
  })
  const [kind, ...rest] = positionals
  const numbers = [values.port ?? '0', values.orders ?? '10', values.seed ?? '1'].map(Number)
  if ((kind !== 'source' && kind !== 'reading-service') || rest.length || !numbers.every(Number.isSafeInteger)) {
    process.stderr.write(
      'fake takes one word, source or reading-service; --port, --orders and --seed are whole numbers.\n',
    )
    return 2
  }
  const [port = 0, orders = 10, seed = 1] = numbers
  const tokenOf = (name: string | undefined) => {
    const token = name === undefined ? undefined : environment[name]
    return token ? { token } : {}
  }
  const print: Print = (event, line) => process.stdout.write(`${values.json ? JSON.stringify(event) : line}\n`)
  const options = {
    port,
    token: tokenOf(values['token-env']),
    daybind: values.for,
    daybindToken: tokenOf(values['for-token-env']),
  }
  const there =
    kind === 'source'
      ? await source(options, { load: values.load, orders, seed }, print)
      : await readingService(options, print)
  print({ kind, base: there.base }, `${kind} at ${there.base}, controlled at ${there.base.replace(/fhir$/, 'control')}`)
  const end = async () => {
    await there.stop()
    const [arrivals, complaints] = [there.arrivals(), there.complaints.length]
    print(
      { arrivals, complaints: there.complaints },
      lines(`${arrivals} arrivals, ${complaints} complaints`, there.complaints),
    )
    process.exit(complaints ? 1 : 0)
  }
  process.once('SIGINT', end).once('SIGTERM', end)
  return 'stays up'
}
