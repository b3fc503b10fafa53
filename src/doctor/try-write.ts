/**
 * Whether a repetition leaves one resource: a Device is created on condition that there is none, once more, and deleted.
 * It is entered in error, marked as test data and of no patient, so that it misleads nobody who meets it meanwhile.
 */
import type { Device } from 'fhir/r4.js'
import { type Heard, isHeard, type PlainCalls, type Unheard } from '../adapters/fhir/plain-call.ts'
import { home } from '../model/systems.ts'
import { type Finding, type FindingCode, finding } from './findings.ts'

export interface Writing {
  readonly base: string
  readonly calls: PlainCalls
  /** What every call carries: who we are. */
  readonly headers: Readonly<Record<string, string>>
  readonly deadlineMs: number
  /** Never the same twice. */
  readonly unique: () => string
}

const system = `${home}/doctor`

/** Security label of R4 for test data: http://terminology.hl7.org/CodeSystem/v3-ActReason, HTEST. */
const testDevice = (value: string): Device => ({
  resourceType: 'Device',
  meta: {
    security: [
      { system: 'http://terminology.hl7.org/CodeSystem/v3-ActReason', code: 'HTEST', display: 'test health data' },
    ],
  },
  identifier: [{ system, value }],
  status: 'entered-in-error',
  deviceName: [{ name: 'Test of the connection by Daybind: may be deleted', type: 'user-friendly-name' }],
})

const json = 'application/fhir+json'

type Answer = Heard | Unheard

const create = ({ base, calls, headers, deadlineMs }: Writing, value: string): Promise<Answer> =>
  calls.ask(`${base}/Device`, {
    method: 'POST',
    headers: {
      ...headers,
      accept: json,
      'content-type': json,
      prefer: 'return=representation',
      'if-none-exist': `identifier=${encodeURIComponent(`${system}|${value}`)}`,
    },
    body: JSON.stringify(testDevice(value)),
    deadlineMs,
  })

/** The id of what was written, by its Location or by what was answered. */
const idIn = ({ headers, body }: Heard): string | undefined => {
  const [, located] = /(?:^|\/)Device\/([A-Za-z0-9\-.]{1,64})(?:\/|$)/.exec(headers.get('location') ?? '') ?? []
  if (located !== undefined) return located
  const { resourceType, id } = body ?? {}
  return resourceType === 'Device' && typeof id === 'string' && /^[A-Za-z0-9\-.]{1,64}$/.test(id) ? id : undefined
}

/** Ids of what a search for our identifier finds. */
const search = async ({ base, calls, headers, deadlineMs }: Writing, value: string): Promise<readonly string[]> => {
  const query = `identifier=${encodeURIComponent(`${system}|${value}`)}`
  const asking = { ...headers, accept: json, 'cache-control': 'no-cache' }
  const heard = await calls.ask(`${base}/Device?${query}`, { method: 'GET', headers: asking, deadlineMs })
  const entries = isHeard(heard) && Array.isArray(heard.body?.entry) ? heard.body.entry : []
  return entries.flatMap((entry: { resource?: Device }) =>
    entry?.resource?.resourceType === 'Device' &&
    entry.resource.identifier?.some((i) => i.system === system && i.value === value) &&
    /^[A-Za-z0-9\-.]{1,64}$/.test(entry.resource.id ?? '')
      ? [entry.resource.id ?? '']
      : [],
  )
}

const statusOf = (answer: Answer): string | number =>
  isHeard(answer) ? answer.status : answer.why === 'late' ? 'no answer' : (answer.code ?? 'the connection broke')

const codesOf = ({ body }: Heard): string => {
  const issues = body?.resourceType === 'OperationOutcome' && Array.isArray(body.issue) ? body.issue : []
  const codes = issues.flatMap(({ code }: { code?: unknown }) => (/^[a-z-]{1,30}$/.test(`${code}`) ? [`${code}`] : []))
  return codes.length > 0 ? `: ${[...new Set(codes)].slice(0, 3).join(', ')}` : ''
}

const refusedWith = (status: number): FindingCode => {
  if (status === 401 || status === 403) return 'write-unauthorized'
  if (status === 404 || status === 405 || status === 501) return 'write-not-offered'
  return status >= 400 && status < 500 ? 'write-refused' : 'write-failed'
}

const refused = (answer: Answer): Finding =>
  isHeard(answer)
    ? finding(refusedWith(answer.status), { status: answer.status, codes: codesOf(answer) })
    : finding('write-failed', { status: statusOf(answer) })

/** What the second of two conditional creates says: 200 and the first one (R4, http.html, "Conditional Create"). */
const repeated = (second: Answer, places: readonly string[]): Finding => {
  if (isHeard(second) && second.status === 200 && places.length < 2) return finding('write-honoured')
  return places.length > 1 || (isHeard(second) && second.status === 201)
    ? finding('write-ignored')
    : finding('write-refuses-condition', { status: statusOf(second) })
}

const takeBack = async (w: Writing, ids: readonly string[]): Promise<Finding> => {
  const left: string[] = []
  let status: string | number = ''
  for (const id of ids) {
    const { base, calls, headers, deadlineMs } = w
    const heard = await calls.ask(`${base}/Device/${id}`, { method: 'DELETE', headers, deadlineMs })
    if (isHeard(heard) && (heard.status < 300 || heard.status === 410)) continue
    left.push(`Device/${id}`)
    status = statusOf(heard)
  }
  return left.length === 0
    ? finding('write-taken-back')
    : finding('write-left-behind', { places: left.join(' and '), status })
}

/** Does it, and takes back whatever came of it. */
export const tryWriting = async (w: Writing): Promise<readonly Finding[]> => {
  const value = w.unique()
  const first = await create(w, value)
  const made = isHeard(first) && (first.status === 201 || first.status === 200)
  if (!made) {
    // what was refused may be there all the same
    const there = await search(w, value)
    return [refused(first), ...(there.length > 0 ? [await takeBack(w, there)] : [])]
  }
  const second = await create(w, value)
  const told = [first, second].flatMap((answer) => (isHeard(answer) && answer.status < 300 ? (idIn(answer) ?? []) : []))
  const ids = [...new Set([...told, ...(await search(w, value))])]
  const lost = ids.length === 0
  return [
    repeated(second, ids),
    lost ? finding('write-lost', { identifier: `${system}|${value}` }) : await takeBack(w, ids),
  ]
}
