/** accept-order over HTTP: transaction and batch. */
import { setImmediate } from 'node:timers/promises'
import type { Bundle, BundleEntry } from 'fhir/r4.js'
import type { Accepted } from '../../flow/accept-order/accept-order.ts'
import type { Incoming } from '../../flow/accept-order/incoming.ts'
import { accept, type Checked, type Problem, refusal, refuse, statusOf } from '../../model/problems.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { maxTold, operationOutcome } from '../fhir/outcome.ts'
import { isOutage, type Tx } from '../postgres/database.ts'
import type { StepRunner, Told } from '../postgres/run-step.ts'
import { writeEntries } from '../postgres/write-entries.ts'
import { type Call, fhirReply, problemReply, type Reply, toldReply } from './call.ts'
import { type Return, returnAsked, withResources } from './prefer.ts'
import { type Asked, readIncoming, withOwnReferences } from './read-incoming.ts'
import { areReports, type Reported, writeReports } from './send-result.ts'
import { locationOf, statusOfAnswer } from './written.ts'

const statusLine = (answer: Accepted | Reported): string => {
  if (answer.outcome === 'held') return '202 Accepted'
  return statusOfAnswer(answer) === 201 ? '201 Created' : '200 OK'
}

const responseEntry = (base: () => string, answer: Accepted | Reported, asked?: Return) => ({
  fullUrl: `${base()}/fhir/${answer.type}/${answer.id}`,
  response: {
    status: statusLine(answer),
    location: locationOf(base, answer),
    etag: `W/"${answer.version}"`,
    ...(answer.updated !== '' && { lastModified: answer.updated }),
    ...((answer.warnings.length > 0 || asked === 'operationoutcome') && { outcome: operationOutcome(answer.warnings) }),
  },
})

/**
 * Two entries of a Bundle may not have one `fullUrl` (http://hl7.org/fhir/R4/bundle.html, bdl-7), as the parts of a held
 * report or a patient twice in a batch would: the first has it, the others have their location alone.
 */
const eachOnce = <T extends Pick<BundleEntry, 'fullUrl'>>(
  entries: readonly T[],
): readonly (T | Omit<T, 'fullUrl'>)[] => {
  const seen = new Set<string>()
  return entries.map((entry) => {
    const { fullUrl, ...rest } = entry
    if (fullUrl === undefined) return entry
    if (seen.has(fullUrl)) return rest
    seen.add(fullUrl)
    return entry
  })
}

const toldBundle = (entries: readonly string[]): Told => ({
  status: 200,
  body: `{"resourceType":"Bundle","type":"transaction-response","entry":[${entries.join(',')}]}`,
})

/** Told at once, without a look at what is written, unless the caller prefers to have it back. */
const tellBundle =
  (base: () => string, call: Call) =>
  (tx: Tx, answers: readonly (Accepted | Reported)[]): Told | Promise<Told> => {
    const asked = returnAsked(call)
    const entries = eachOnce(answers.map((a) => responseEntry(base, a, asked))).map((e) => JSON.stringify(e))
    return asked === 'representation' ? withResources(tx, answers, entries).then(toldBundle) : toldBundle(entries)
  }

/** A reading service reports, whoever else sends orders. */
const write = (runner: StepRunner, base: () => string, call: Call, entries: readonly Incoming[], inbound: string) =>
  (areReports(call, entries) ? writeReports : writeEntries)(
    runner,
    call,
    entries,
    inbound,
    'POST /fhir',
    tellBundle(base, call),
  )

const requestUrl = /^([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9.-]{1,64}))?(?:\?(.*))?$/

/**
 * What one entry of a Bundle asks for. A method that is not taken is answered for the entry in a batch (405); in a
 * transaction it makes the Bundle a wrong one, for `POST /fhir` itself is a method that is taken.
 */
const askedBy = (entry: BundleEntry, i: number, of: Bundle['type']): Checked<Asked> => {
  const at = `Bundle.entry[${i}].request`
  const { method, url = '', ifNoneExist, ifMatch, ifNoneMatch } = entry.request ?? {}
  const [, type, id, query] = requestUrl.exec(url) ?? []
  if (method !== undefined && method !== 'POST' && method !== 'PUT') {
    const code = of === 'transaction' ? 'entry-method-not-taken' : 'method-not-taken'
    return refuse([refusal(code, `${at}.method`, { found: method, expected: 'POST or PUT' })])
  }
  const problems: Problem[] = []
  const named = id !== undefined || query !== undefined
  if (method === undefined) problems.push(refusal('missing-element', at, { expected: 'method and url' }))
  else if (type === undefined || named !== (method === 'PUT')) {
    const expected = method === 'PUT' ? 'Type/id or Type?identifier=system|value' : 'Type alone'
    problems.push(refusal('wrong-value', `${at}.url`, { found: url, expected }))
  }
  if (entry.resource === undefined)
    problems.push(refusal('missing-element', `Bundle.entry[${i}].resource`, { expected: 'the resource' }))
  if (problems.length > 0 || type === undefined) return refuse(problems)
  return accept({
    at: `Bundle.entry[${i}].resource`,
    method: method === 'PUT' ? 'PUT' : 'POST',
    resource: entry.resource,
    type,
    ...(id !== undefined && { targetId: id }),
    ...(query !== undefined && { criterion: query }),
    ...(ifNoneExist !== undefined && { ifNoneExist }),
    ifMatch,
    ifNoneMatch,
    ...(entry.fullUrl !== undefined && { fullUrl: entry.fullUrl }),
  })
}

const readEntry = (entry: BundleEntry, i: number, of: Bundle['type']): Checked<Incoming> => {
  const asked = askedBy(entry, i, of)
  return asked.ok ? readIncoming(asked.value) : asked
}

/** All or nothing. */
const transaction = async (runner: StepRunner, base: () => string, call: Call, bundle: Bundle): Promise<Reply> => {
  const problems: Problem[] = []
  const entries: Incoming[] = []
  for (const [i, e] of (bundle.entry ?? []).entries()) {
    const read = readEntry(e, i, bundle.type)
    if (read.ok) entries.push(read.value)
    else problems.push(...read.problems)
    if (problems.length > maxTold) break
  }
  if (problems.length > 0) return problemReply(problems)
  if (entries.length === 0) return fhirReply(200, { resourceType: 'Bundle', type: 'transaction-response' })
  return toldReply(await write(runner, base, call, entries, call.text))
}

const failedEntry = (problems: readonly Problem[]) => ({
  response: { status: String(statusOf(problems)), outcome: operationOutcome(problems) },
})

/**
 * Where the database is lost in the middle, what was written before stays told, and the entries from there on are to be
 * sent again; before anything was written the whole call is.
 */
const orOutage = async (written: boolean, writing: Promise<Checked<Told>>): Promise<Checked<Told>> => {
  try {
    return await writing
  } catch (error) {
    if (!written || !isOutage(error)) throw error
    return notReady
  }
}

const notReady = refuse([refusal('not-ready')])

/** Each entry for itself; a failure of one is told in its place. */
const batch = async (runner: StepRunner, base: () => string, call: Call, bundle: Bundle): Promise<Reply> => {
  const entry: BundleEntry[] = []
  let told = 0
  let [written, lost] = [false, false]
  for (const [i, e] of (bundle.entry ?? []).entries()) {
    const incoming = readEntry(e, i, bundle.type)
    const done =
      incoming.ok && !lost
        ? await orOutage(written, write(runner, base, call, [incoming.value], writeJson(e)))
        : // others are served between two entries, also where all of them are refused unread
          await setImmediate(incoming.ok ? notReady : incoming)
    written ||= done.ok
    lost ||= done === notReady
    if (done.ok) entry.push(...((JSON.parse(done.value.body) as Bundle).entry ?? []))
    else {
      entry.push(failedEntry(told < maxTold ? done.problems : done.problems.slice(0, 1)))
      told += done.problems.length
    }
  }
  return fhirReply(200, {
    resourceType: 'Bundle',
    type: 'batch-response',
    ...(entry.length > 0 && { entry: eachOnce(entry) }),
  })
}

const bundleTypes = ['transaction', 'batch']

export const takeBundle = async (runner: StepRunner, base: () => string, call: Call): Promise<Reply> => {
  const problems = [...checkResource(call.body, ['Bundle'])]
  const bundle = withOwnReferences(call, base()).body as Bundle
  if (problems.length === 0 && !bundleTypes.includes(bundle.type))
    problems.push(refusal('unknown-code', 'Bundle.type', { found: bundle.type, expected: bundleTypes.join(' | ') }))
  if (problems.length > 0) return problemReply(problems)
  return bundle.type === 'transaction' ? transaction(runner, base, call, bundle) : batch(runner, base, call, bundle)
}
