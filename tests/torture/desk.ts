/**
 * The callers: each takes one patient after another through order, link and what follows, repeats what was not
 * acknowledged until it is, as clients do, and writes down what was acknowledged.
 */
import { setTimeout as sleep } from 'node:timers/promises'
import type { Bundle, DeviceUseStatement, FhirResource, Parameters, ParametersParameter, Task } from 'fhir/r4.js'
import type { Luck } from './luck.ts'
import { ago, orderMessage, parameters, scanOf, tokenOf, twoIdentifiers } from './messages.ts'

/** What one patient's order should look like, by what was acknowledged. */
export interface Case {
  readonly number: string
  readonly round: number
  orderId: string
  /** How many contents the order had: its version. */
  contents: number
  revoked: boolean
  readonly links: { readonly id: string; status: DeviceUseStatement['status']; readonly serial: string }[]
  returned: boolean
}

export interface Ledger {
  readonly cases: Case[]
  /** What nobody should have been answered, as sentences. */
  readonly findings: string[]
  acknowledged: number
  /** Calls without an answer, or answered with 503. */
  unknown: number
  /** Of those, how many turned out to have been stored when they were repeated. */
  found: number
}

export const newLedger = (): Ledger => ({ cases: [], findings: [], acknowledged: 0, unknown: 0, found: 0 })

export interface Load {
  readonly round: number
  readonly luck: Luck
  readonly ledger: Ledger
  /** Where a service listens now; undefined while none does. */
  readonly url: () => string | undefined
  /** No new patients any more; the one in hand is finished. */
  readonly over: () => boolean
}

interface Answer<T> {
  readonly body: T
  /** It was said before, and nobody knew what had become of it. */
  readonly again: boolean
  /** When the call that was answered began. */
  readonly askedAt: number
}

/** A call that is not answered within so long, however often it is repeated, is a finding. */
const patienceMs = 300_000

class GivenUp extends Error {}

const attempt = async (url: string, caller: string, method: string, path: string, body: unknown) => {
  const response = await fetch(`${url}${path}`, {
    method,
    headers: { 'content-type': 'application/fhir+json', authorization: `Bearer ${tokenOf(caller)}` },
    ...(body !== undefined && { body: JSON.stringify(body) }),
    signal: AbortSignal.timeout(30_000),
  })
  return { status: response.status, text: await response.text() }
}

/** Says it until it is answered. */
const insist =
  ({ ledger, url, round }: Load) =>
  async <T>(caller: string, method: string, path: string, body?: unknown): Promise<Answer<T>> => {
    const deadline = performance.now() + patienceMs
    for (let again = false; performance.now() < deadline; ) {
      const here = url()
      const askedAt = Date.now()
      const answer =
        here === undefined ? undefined : await attempt(here, caller, method, path, body).catch(() => undefined)
      if (answer !== undefined && answer.status < 500) {
        if (answer.status >= 300) {
          ledger.findings.push(`round ${round}: ${method} ${path} by ${caller}: ${answer.status} ${answer.text}`)
          throw new GivenUp()
        }
        ledger.acknowledged += 1
        return { body: JSON.parse(answer.text) as T, again, askedAt }
      }
      if (answer !== undefined && (answer.status !== 503 || !answer.text.includes('"transient"')))
        ledger.findings.push(`round ${round}: ${method} ${path}: ${answer.status} ${answer.text.slice(0, 300)}`)
      if (here !== undefined && !again) {
        ledger.unknown += 1
        again = true
      }
      await sleep(30)
    }
    ledger.findings.push(`round ${round}: ${method} ${path} was not answered within ${patienceMs / 1000} s`)
    throw new GivenUp()
  }

type Say = ReturnType<typeof insist>

const idOf = (location: string | undefined): string => /\/([0-9a-f-]{36})\/_history/.exec(location ?? '')?.[1] ?? ''

/** Sends the order as it now is, and looks that it is the one that it was, in the next version. */
const sendOrder = async (load: Load, say: Say, c: Case): Promise<void> => {
  const message = orderMessage(c.number, c.contents, c.revoked ? 'revoked' : 'active')
  const { body, again } = await say<Bundle>('harbour-ehr', 'POST', '/fhir', message)
  const response = body.entry?.[1]?.response
  if (again && c.orderId === '' && response?.status.startsWith('200')) load.ledger.found += 1
  const told = `${idOf(response?.location)} ${response?.etag}`
  if (c.orderId === '') c.orderId = idOf(response?.location)
  const wanted = `${c.orderId} W/"${c.contents}"`
  if (told !== wanted) load.ledger.findings.push(`round ${c.round}: order ${c.number} is ${told}, not ${wanted}`)
}

const resource = <T extends FhirResource>(answer: Parameters, name: string): T | undefined =>
  answer.parameter?.find((p) => p.name === name)?.resource as T | undefined

const operate = (say: Say, path: string, ...said: readonly ParametersParameter[]) =>
  say<Parameters>('bay-3', 'POST', `/fhir/${path}`, parameters(...said))

const captureKey = (c: Case, act: string): ParametersParameter => ({
  name: 'captureKey',
  valueString: `${c.number} ${act}`,
})

const tie = async (load: Load, say: Say, c: Case): Promise<void> => {
  // its parts stay apart, else R1-4-11 and R14-1-1 would be one recorder
  const serial = `S${c.number.replaceAll('-', '.')}`
  const { body, again, askedAt } = await operate(
    say,
    `ServiceRequest/${c.orderId}/$link-device`,
    scanOf(serial),
    { name: 'appliedAt', valueDateTime: ago(60) },
    ...twoIdentifiers(c.number),
    ...(load.luck.often(0.5) ? [captureKey(c, 'link')] : []),
  )
  const link = resource<DeviceUseStatement>(body, 'link')
  if (again && Date.parse(link?.recordedOn ?? '') < askedAt) load.ledger.found += 1
  c.links.push({ id: link?.id ?? '', status: 'active', serial })
}

const standing = (c: Case) => c.links.findLast((l) => l.status === 'active')

const correct = async (say: Say, c: Case): Promise<void> => {
  const old = standing(c)
  if (old === undefined) return
  const { body } = await operate(
    say,
    `DeviceUseStatement/${old.id}/$correct-link`,
    { name: 'reason', valueString: 'the time was wrong' },
    { name: 'appliedAt', valueDateTime: ago(50) },
    captureKey(c, 'correction'),
  )
  const link = resource<DeviceUseStatement>(body, 'link')
  old.status = 'entered-in-error'
  c.links.push({ id: link?.id ?? '', status: 'active', serial: old.serial })
}

const end = async (say: Say, c: Case): Promise<void> => {
  const link = standing(c)
  if (link === undefined) return
  const said = [
    { name: 'endedAt', valueDateTime: ago(2) },
    { name: 'reason', valueCode: 'removed' },
  ]
  await operate(say, `DeviceUseStatement/${link.id}/$end-link`, ...said)
  link.status = 'completed'
}

const giveBack = async (say: Say, c: Case): Promise<void> => {
  const link = standing(c)
  if (link === undefined) return
  const receivedAt = { name: 'receivedAt', valueDateTime: ago(1) }
  await operate(say, 'Device/$record-return', scanOf(link.serial), receivedAt, captureKey(c, 'return'))
  link.status = 'completed'
  c.returned = true
}

/** The reading service takes the work. */
const takeWork = async (say: Say, c: Case): Promise<void> => {
  const tasks = await say<Bundle<Task>>('pebble', 'GET', `/fhir/Task?based-on=ServiceRequest/${c.orderId}`)
  const open = (tasks.body.entry ?? []).flatMap((e) => (e.resource?.status === 'requested' ? [e.resource] : []))
  for (const task of open) await say('pebble', 'PUT', `/fhir/Task/${task.id}`, { ...task, status: 'accepted' })
}

const revise = async (load: Load, say: Say, c: Case): Promise<void> => {
  c.contents += 1
  await sendOrder(load, say, c)
}

const revoke = (load: Load, say: Say, c: Case): Promise<void> => {
  c.revoked = true
  return revise(load, say, c)
}

/** One patient from the order on, as far as luck has it. */
const serve = async (load: Load, number: string): Promise<void> => {
  const { luck, ledger, round } = load
  const say = insist(load)
  const c: Case = { number, round, orderId: '', contents: 1, revoked: false, links: [], returned: false }
  await sendOrder(load, say, c)
  ledger.cases.push(c)
  if (luck.often(0.3)) await sendOrder(load, say, c)
  if (luck.often(0.3)) await revise(load, say, c)
  if (luck.often(0.1)) return revoke(load, say, c)
  await tie(load, say, c)
  if (luck.often(0.4)) await takeWork(say, c)
  if (luck.often(0.2)) await correct(say, c)
  if (luck.often(0.2)) await revise(load, say, c)
  if (luck.often(0.25)) await end(say, c)
  else if (luck.often(0.3)) await giveBack(say, c)
  if (luck.often(0.1)) await revoke(load, say, c)
}

/** @param desk its number, part of the placer numbers that it gives */
export const runDesk = async (load: Load, desk: number): Promise<void> => {
  for (let n = 1; !load.over(); n += 1)
    try {
      await serve(load, `R${load.round}-${desk}-${n}`)
    } catch (error) {
      // told already; the desk goes on with the next patient
      if (!(error instanceof GivenUp)) throw error
    }
}
