/** accept-order over HTTP: POST and PUT of one resource, transaction and batch. */
import { setImmediate } from 'node:timers/promises'
import type { Bundle, BundleEntry, FhirResource } from 'fhir/r4.js'
import { type Accepted, acceptEntries, namesDropped } from '../../flow/accept-order/accept-order.ts'
import { type Incoming, identitiesOf, identityKey, readCriterion } from '../../flow/accept-order/incoming.ts'
import { type Known, pushedTypes } from '../../flow/accept-order/place.ts'
import type { ActingCaller, Decision } from '../../flow/step.ts'
import type { Parties, Source, SystemValue } from '../../model/configuration.ts'
import { accept, type Checked, type Problem, refusal, refuse, statusOf } from '../../model/problems.ts'
import { defaultTakes } from '../../model/systems.ts'
import { isTree, mapTree } from '../../model/tree.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { maxTold, operationOutcome } from '../fhir/outcome.ts'
import type { Tx } from '../postgres/database.ts'
import { readResource } from '../postgres/find-resources.ts'
import { loadForOrders, namesToLock } from '../postgres/load-for-orders.ts'
import { resourceText } from '../postgres/resource-text.ts'
import {
  NotLocked,
  nameLock,
  patientLocks,
  runStep,
  type StepCall,
  type StepRunner,
  type Told,
  withFreshLocks,
} from '../postgres/run-step.ts'
import type { Names } from '../postgres/writing.ts'
import { type Call, fhirReply, problemReply, type Reply, type Route, toldReply } from './call.ts'
import { absent } from './operation.ts'
import { type Return, returnAsked, withResources, writtenReply } from './prefer.ts'

/** As which source a caller speaks: the configured one with its id, or one of its own by default. */
const sourceOf = (caller: ActingCaller, parties: Parties): Source => {
  const own: Source = { id: caller.id, takes: defaultTakes, poll: 'PT30S' }
  const only = caller.role === 'clinic' && caller.sites?.length === 1 ? caller.sites[0] : undefined
  return parties.sources.find((s) => s.id === caller.id) ?? { ...own, ...(only !== undefined && { site: only }) }
}

/** Where a part of the request stands: below an entry of the Bundle, else in the address or a header. */
interface Part {
  readonly at: string
  readonly location?: string
}

const criterionOf = (text: string, { at, ...where }: Part): Checked<SystemValue> => {
  const read = readCriterion(text)
  const expected = 'identifier=system|value'
  return read ? accept(read) : refuse([refusal('wrong-parameter', at, { found: text, expected, ...where })])
}

const readIfMatch = (text: string | undefined, { at, ...where }: Part): Checked<number | undefined> => {
  if (text === undefined) return accept(undefined)
  const version = /^(?:W\/)?"(\d{1,9})"$/.exec(text.trim())?.[1]
  return version === undefined
    ? refuse([refusal('wrong-parameter', at, { found: text, expected: 'W/"<version>"', ...where })])
    : accept(Number(version))
}

interface Asked {
  readonly at: string
  readonly method: 'POST' | 'PUT'
  readonly resource: unknown
  readonly type?: string
  readonly targetId?: string
  readonly criterion?: string
  readonly ifNoneExist?: string
  readonly ifMatch?: string
  readonly fullUrl?: string
}

/** Is it FHIR, and does the request fit it: everything that can be told without looking anything up. */
const readIncoming = (asked: Asked): Checked<Incoming> => {
  const expected = asked.type === undefined ? undefined : [asked.type]
  const problems = [...checkResource(asked.resource, expected, asked.at === '' ? undefined : asked.at)]
  const part = (name: string, header: string): Part =>
    asked.at === '' ? { at: '', location: `http.${header}` } : { at: asked.at.replace(/resource$/, `request.${name}`) }
  const { criterion: query, ifNoneExist: asksNone } = asked
  const criterion = query === undefined ? accept(undefined) : criterionOf(query, part('url', 'identifier'))
  const ifNoneExist =
    asksNone === undefined ? accept(undefined) : criterionOf(asksNone, part('ifNoneExist', 'If-None-Exist'))
  const ifMatch = readIfMatch(asked.ifMatch, part('ifMatch', 'If-Match'))
  for (const read of [criterion, ifNoneExist, ifMatch]) if (!read.ok) problems.push(...read.problems)
  const resource = asked.resource as FhirResource
  if (asked.targetId !== undefined && isTree(resource) && resource.id !== undefined && resource.id !== asked.targetId)
    problems.push(refusal('wrong-id', `${asked.type}.id`, { found: resource.id, expected: asked.targetId }))
  if (problems.length > 0 || !criterion.ok || !ifNoneExist.ok || !ifMatch.ok) return refuse(problems)
  return accept({
    at: asked.at,
    method: asked.method,
    resource,
    ...(asked.fullUrl !== undefined && { fullUrl: asked.fullUrl }),
    ...(asked.targetId !== undefined && { targetId: asked.targetId }),
    ...(criterion.value && { criterion: criterion.value }),
    ...(ifNoneExist.value && { ifNoneExist: ifNoneExist.value }),
    ...(ifMatch.value !== undefined && { ifMatch: ifMatch.value }),
  })
}

/** Names of the order's and the patient's own, for those that are not named yet. */
const namesOf =
  (source: Source, entries: readonly Incoming[]) =>
  (decision: Decision<readonly Accepted[]>, known: Known): Names => ({
    given: decision.answer.flatMap((a, i) => {
      const entry = entries[i]
      if (entry === undefined || a.outcome === 'matched' || a.outcome === 'older') return []
      return identitiesOf(entry, source).map((identity) => ({ ...identity, owner: source.id, id: a.id }))
    }),
    dropped: namesDropped(entries, decision.answer, source, known).map((name) => ({ ...name, owner: source.id })),
  })

/** Whoever revises a resource by our id writes on behalf of the source that it came from. */
const ownerOf = (
  entries: readonly Incoming[],
  known: Known,
  speaking: Source,
  parties: Parties,
): Source | undefined => {
  const [only, ...others] = entries
  if (only?.targetId === undefined || others.length > 0) return undefined
  const owner = known.stored.get(`${only.resource.resourceType}/${only.targetId}`)?.state.source
  if (owner === undefined || owner === speaking.id) return undefined
  return parties.sources.find((s) => s.id === owner) ?? { id: owner, takes: defaultTakes, poll: 'PT30S' }
}

type Tell = (tx: Tx, answers: readonly Accepted[]) => Told | Promise<Told>

/** Where a resource is named by our id, its owner is looked up first: whoever revises it writes for that source. */
const speaker = async (runner: StepRunner, call: Call, entries: readonly Incoming[]): Promise<Source> => {
  const speaking = sourceOf(call.caller, runner.parties)
  if (entries.every((e) => e.targetId === undefined)) return speaking
  const known = await loadForOrders(runner.db, entries, speaking, call.sight)
  return ownerOf(entries, known, speaking, runner.parties) ?? speaking
}

/** The stored patients that the entries may be about are locked by all of their names, those that an entry leaves out too. */
const namesOfPatients = (entries: readonly Incoming[], known: Known, source: Source): readonly string[] =>
  entries.flatMap((entry) => {
    if (entry.resource.resourceType !== 'Patient') return []
    const criterion = entry.criterion && [{ type: 'Patient', ...entry.criterion }]
    const ids = (criterion ?? identitiesOf(entry, source)).flatMap((i) => known.byIdentity.get(identityKey(i)) ?? [])
    return [...ids, entry.targetId ?? ''].flatMap((id) => {
      const patient = known.patients.get(`Patient/${id}`)
      return patient ? patientLocks(source.id, patient) : []
    })
  })

/** Runs accept-order for entries that stand or fall together, under the locks of the names that they carry. */
const run = async (
  runner: StepRunner,
  call: Call,
  entries: readonly Incoming[],
  inbound: string,
  route: string,
  tell: Tell,
): Promise<Checked<Told>> => {
  const source = await speaker(runner, call, entries)
  const locks = new Set(namesToLock(entries, source).map((key) => nameLock(source.id, key)))
  const step = (): StepCall => ({
    step: 'accept-order',
    caller: call.caller,
    requestId: call.requestId,
    locks: [...locks],
    inbound: { route, body: inbound },
    dryRun: call.dryRun,
  })
  return withFreshLocks(() =>
    runStep(runner, step(), {
      load: async (tx) => {
        const known = await loadForOrders(tx, entries, source, call.sight)
        const others = namesOfPatients(entries, known, source).filter((name) => !locks.has(name))
        for (const name of others) locks.add(name)
        if (others.length > 0) throw new NotLocked()
        return accept(known)
      },
      decide: (known, ctx) => acceptEntries(entries, source, known, ctx),
      names: namesOf(source, entries),
      tell: (tx, decision) => tell(tx, decision.answer),
    }),
  )
}

const statusOfAnswer = (a: Accepted): 200 | 201 => (a.outcome === 'created' ? 201 : 200)

const locationOf = (base: () => string, a: Accepted): string => `${base()}/fhir/${a.type}/${a.id}/_history/${a.version}`

const tellOne =
  (base: () => string): Tell =>
  async (tx, [answer]) => {
    const row = answer && (await readResource(tx, answer.type, answer.id, undefined))
    if (answer === undefined || row === undefined) throw new Error('what was accepted is not stored')
    const headers = {
      etag: `W/"${row.version}"`,
      'last-modified': new Date(row.updated).toUTCString(),
      ...(answer.outcome === 'created' && { location: locationOf(base, answer) }),
      // the body is what is stored, so what was not applied is told here
      ...(answer.warnings.length > 0 && { 'x-daybind-warning': answer.warnings.map((w) => w.code).join(', ') }),
    }
    return { status: statusOfAnswer(answer), body: resourceText(row), headers }
  }

const responseEntry = (base: () => string, answer: Accepted, asked?: Return) => ({
  fullUrl: `${base()}/fhir/${answer.type}/${answer.id}`,
  response: {
    status: statusOfAnswer(answer) === 201 ? '201 Created' : '200 OK',
    location: locationOf(base, answer),
    etag: `W/"${answer.version}"`,
    ...(answer.updated !== '' && { lastModified: answer.updated }),
    ...((answer.warnings.length > 0 || asked === 'operationoutcome') && { outcome: operationOutcome(answer.warnings) }),
  },
})

const toldBundle = (entries: readonly string[]): Told => ({
  status: 200,
  body: `{"resourceType":"Bundle","type":"transaction-response","entry":[${entries.join(',')}]}`,
})

/** Told at once, without a look at what is written, unless the caller prefers to have it back. */
const tellBundle =
  (base: () => string, call: Call): Tell =>
  (tx, answers) => {
    const asked = returnAsked(call)
    const entries = answers.map((a) => JSON.stringify(responseEntry(base, a, asked)))
    return asked === 'representation' ? withResources(tx, answers, entries).then(toldBundle) : toldBundle(entries)
  }

const requestUrl = /^([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9.-]{1,64}))?(?:\?(.*))?$/

/** What one entry of a Bundle asks for. */
const askedBy = (entry: BundleEntry, i: number): Checked<Asked> => {
  const at = `Bundle.entry[${i}].request`
  const { method, url = '', ifNoneExist, ifMatch } = entry.request ?? {}
  const [, type, id, query] = requestUrl.exec(url) ?? []
  const problems: Problem[] = []
  if (entry.request === undefined) problems.push(refusal('missing-element', at, { expected: 'method and url' }))
  else if (method !== 'POST' && method !== 'PUT')
    problems.push(refusal('method-not-taken', `${at}.method`, { found: method, expected: 'POST or PUT' }))
  else if (
    type === undefined ||
    (method === 'PUT' && id === undefined && query === undefined) ||
    (method === 'POST' && id !== undefined)
  )
    problems.push(
      refusal('wrong-value', `${at}.url`, { found: url, expected: 'Type, Type/id or Type?identifier=system|value' }),
    )
  if (entry.resource === undefined)
    problems.push(refusal('missing-element', `Bundle.entry[${i}].resource`, { expected: 'the resource' }))
  if (problems.length > 0 || type === undefined) return refuse(problems)
  return accept({
    at: `Bundle.entry[${i}].resource`,
    method: method === 'PUT' ? 'PUT' : 'POST',
    resource: entry.resource,
    type,
    ...(id !== undefined && { targetId: id }),
    ...(query !== undefined && method === 'PUT' && { criterion: query }),
    ...(ifNoneExist !== undefined && { ifNoneExist }),
    ...(ifMatch !== undefined && { ifMatch }),
    ...(entry.fullUrl !== undefined && { fullUrl: entry.fullUrl }),
  })
}

const readEntry = (entry: BundleEntry, i: number): Checked<Incoming> => {
  const asked = askedBy(entry, i)
  return asked.ok ? readIncoming(asked.value) : asked
}

/** All or nothing. */
const transaction = async (runner: StepRunner, base: () => string, call: Call, bundle: Bundle): Promise<Reply> => {
  const problems: Problem[] = []
  const entries: Incoming[] = []
  for (const [i, e] of (bundle.entry ?? []).entries()) {
    const read = readEntry(e, i)
    if (read.ok) entries.push(read.value)
    else problems.push(...read.problems)
    if (problems.length > maxTold) break
  }
  if (problems.length > 0) return problemReply(problems)
  if (entries.length === 0) return fhirReply(200, { resourceType: 'Bundle', type: 'transaction-response' })
  return toldReply(await run(runner, call, entries, call.text, 'POST /fhir', tellBundle(base, call)))
}

const failedEntry = (problems: readonly Problem[]) => ({
  response: { status: String(statusOf(problems)), outcome: operationOutcome(problems) },
})

/** Each entry for itself; a failure of one is told in its place. */
const batch = async (runner: StepRunner, base: () => string, call: Call, bundle: Bundle): Promise<Reply> => {
  const entry: unknown[] = []
  let told = 0
  for (const [i, e] of (bundle.entry ?? []).entries()) {
    const incoming = readEntry(e, i)
    const done = incoming.ok
      ? await run(runner, call, [incoming.value], writeJson(e), 'POST /fhir', tellBundle(base, call))
      : // others are served between two entries, also where all of them are refused unread
        await setImmediate(incoming)
    if (done.ok) entry.push(...((JSON.parse(done.value.body) as { entry: unknown[] }).entry ?? []))
    else {
      entry.push(failedEntry(told < maxTold ? done.problems : done.problems.slice(0, 1)))
      told += done.problems.length
    }
  }
  return fhirReply(200, { resourceType: 'Bundle', type: 'batch-response', ...(entry.length > 0 && { entry }) })
}

const bundleTypes = ['transaction', 'batch']

const takeBundle = async (runner: StepRunner, base: () => string, call: Call): Promise<Reply> => {
  const problems = [...checkResource(call.body, ['Bundle'])]
  const bundle = withOwnReferences(call, base()).body as Bundle
  if (problems.length === 0 && !bundleTypes.includes(bundle.type))
    problems.push(refusal('unknown-code', 'Bundle.type', { found: bundle.type, expected: bundleTypes.join(' | ') }))
  if (problems.length > 0) return problemReply(problems)
  return bundle.type === 'transaction' ? transaction(runner, base, call, bundle) : batch(runner, base, call, bundle)
}

/** Addresses below our own base, as we answer them, are references by our ids. */
const withOwnReferences = (call: Call, base: string): Call => {
  const prefix = `${base}/fhir/`
  if (!call.text.includes(prefix)) return call
  const body = mapTree(call.body, (node) =>
    typeof node.reference === 'string' && node.reference.startsWith(prefix)
      ? { ...node, reference: node.reference.slice(prefix.length) }
      : node,
  )
  return { ...call, body }
}

/** Writes one resource; with `call.dryRun` everything but that. */
export const writeOne = async (
  runner: StepRunner,
  base: () => string,
  call: Call,
  asked: Omit<Asked, 'at' | 'resource'>,
  route: string,
): Promise<Checked<Told>> => {
  const incoming = readIncoming({ ...asked, at: '', resource: withOwnReferences(call, base()).body })
  if (!incoming.ok) return refuse([...(await absent(runner.db, asked.type ?? '')(call)), ...incoming.problems])
  return run(runner, call, [incoming.value], call.text, route, tellOne(base))
}

const takeOne = async (...[runner, base, call, asked, route]: Parameters<typeof writeOne>): Promise<Reply> =>
  writtenReply(call, await writeOne(runner, base, call, asked, route))

const ifMatchOf = (call: Call) => {
  const ifMatch = call.header('if-match')
  return ifMatch === undefined ? {} : { ifMatch }
}

/** The query as sent, but for what is about the call itself. */
const criterionText = (call: Call): string => call.query.map(([k, v]) => `${k}=${encodeURIComponent(v)}`).join('&')

/** The types that may be written alone; all others come in a Bundle. */
const alone = ['ServiceRequest', 'Patient'] as const

export const acceptOrderRoutes = (runner: StepRunner, base: () => string): readonly Route[] => {
  const may = ['source', 'clinic', 'operator'] as const
  const step = 'accept-order' as const
  const singles = alone.flatMap((type): Route[] => [
    {
      method: 'POST',
      url: `/fhir/${type}`,
      may,
      step,
      fhir: { types: [type], interaction: 'create', conditional: 'create' },
      handle: (call) => {
        const ifNoneExist = call.header('if-none-exist')
        return takeOne(
          runner,
          base,
          call,
          { method: 'POST', type, ...(ifNoneExist !== undefined && { ifNoneExist }) },
          `POST /fhir/${type}`,
        )
      },
    },
    {
      method: 'PUT',
      url: `/fhir/${type}`,
      may,
      step,
      fhir: { types: [type], conditional: 'update' },
      handle: (call) =>
        takeOne(
          runner,
          base,
          call,
          { method: 'PUT', type, criterion: criterionText(call), ...ifMatchOf(call) },
          `PUT /fhir/${type}`,
        ),
    },
    {
      method: 'PUT',
      url: `/fhir/${type}/:id`,
      may,
      step,
      fhir: { types: [type], interaction: 'update' },
      find: absent(runner.db, type),
      handle: (call) =>
        takeOne(
          runner,
          base,
          call,
          { method: 'PUT', type, targetId: call.params.id ?? '', ...ifMatchOf(call) },
          `PUT /fhir/${type}`,
        ),
    },
  ])
  return [
    {
      method: 'POST',
      url: '/fhir',
      may,
      step,
      fhir: { types: pushedTypes, interaction: 'transaction' },
      handle: (call) => takeBundle(runner, base, call),
    },
    ...singles,
  ]
}
