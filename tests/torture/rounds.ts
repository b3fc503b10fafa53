/** A round: load, a kill at a random moment, everything started again, and what is found then. */
import { setTimeout as sleep } from 'node:timers/promises'
import { findings, sentAgain } from './checks.ts'
import { newLedger, runDesk } from './desk.ts'
import { type Luck, luckOf } from './luck.ts'
import { kill, openStage, type Stage } from './stage.ts'

export interface RoundResult {
  readonly round: number
  /** What was killed. */
  readonly killed: string
  readonly services: number
  /** Seconds after the load began. */
  readonly after: number
  readonly acknowledged: number
  /** Calls that got no answer, or 503. */
  readonly unknown: number
  /** Of those, stored all the same. */
  readonly found: number
  /** Seconds from the last kill until the service answered as ready; absent where it never was not. */
  readonly ready: number
  readonly delivered: number
  readonly sentAgain: number
  readonly findings: readonly string[]
}

/** Kills, and starts again what nobody else starts. @returns when the last kill happened */
type Havoc = (stage: Stage, luck: Luck) => Promise<number>

const now = (): number => performance.now()

const backend: Havoc = async (stage, luck) => {
  const pids = await stage.ask<{ pid: number }>(`select pid from pg_stat_activity where application_name = 'daybind'`)
  const at = now()
  kill(luck.shuffled(pids)[0]?.pid ?? (await stage.postmaster()))
  return at
}

const postmaster: Havoc = async (stage) => {
  const pid = await stage.postmaster()
  const at = now()
  kill(pid)
  return at
}

const service: Havoc = async (stage) => {
  const at = now()
  await stage.end(0, 'SIGKILL')
  await stage.start(0)
  return at
}

const services: Havoc = async (stage) => {
  const at = now()
  await Promise.all([stage.end(0, 'SIGKILL'), stage.end(1, 'SIGKILL')])
  await Promise.all([stage.start(0), stage.start(1)])
  return at
}

const everything: Havoc = async (stage) => {
  const at = now()
  await stage.killEverything()
  await Promise.all(Array.from({ length: stage.size }, (_, n) => stage.start(n)))
  return at
}

/** Kills the service, or all, and again while it starts. */
const whileStarting: Havoc = async (stage, luck) => {
  await stage.end(0, 'SIGKILL')
  let at = now()
  for (let times = luck.between(1, 3); times > 0; times -= 1) {
    stage.begin(0)
    await sleep(luck.between(50, 900))
    at = now()
    if (luck.often(0.5)) await stage.killEverything()
    else await stage.end(0, 'SIGKILL')
  }
  await stage.start(0)
  return at
}

/** On a folder where nothing is yet: the database is being made, or its tables. */
const whileMigrating: Havoc = async (stage, luck) => {
  let at = now()
  for (let times = luck.between(2, 4); times > 0; times -= 1) {
    stage.begin(0)
    await sleep(luck.between(300, 3_500))
    at = now()
    if (luck.often(0.5)) await stage.killEverything()
    else await stage.end(0, 'SIGKILL')
  }
  await stage.start(0)
  return at
}

/** Far more than an end takes, and what the keepers of services commonly grant before they kill (common practice). */
const endPatience = 30

/** No kill, but an end in good order: what was sent is answered. */
const signal: Havoc = async (stage) => {
  const at = now()
  const status = await stage.end(0, 'SIGTERM')
  const took = (now() - at) / 1000
  if (status !== 0 || took > endPatience)
    stage.ledger.findings.push(`told to end, it ended with ${status} after ${took.toFixed(1)} s`)
  await stage.start(0)
  return at
}

interface Plan {
  readonly killed: string
  readonly on: 'own' | 'shared' | 'fresh'
  readonly havoc: Havoc
}

const plans: readonly Plan[] = [
  { killed: 'service', on: 'own', havoc: service },
  { killed: 'postmaster', on: 'own', havoc: postmaster },
  { killed: 'one backend', on: 'own', havoc: backend },
  { killed: 'everything', on: 'own', havoc: everything },
  { killed: 'service while it starts', on: 'own', havoc: whileStarting },
  { killed: 'nothing, SIGTERM', on: 'own', havoc: signal },
  { killed: 'making of the database', on: 'fresh', havoc: whileMigrating },
  { killed: 'one of two services', on: 'shared', havoc: service },
  { killed: 'both services', on: 'shared', havoc: services },
  { killed: 'postmaster under two', on: 'shared', havoc: postmaster },
  { killed: 'everything of two', on: 'shared', havoc: everything },
]

/** Every kind comes before any comes again; which and when is the seed's. */
export const planOf = (seed: number, round: number): { plan: Plan; luck: Luck } => {
  const turn = Math.floor((round - 1) / plans.length)
  const plan = luckOf(seed + turn * 7_919).shuffled(plans)[(round - 1) % plans.length] as Plan
  return { plan, luck: luckOf(seed * 1_000 + round) }
}

const desks = 6

const isReady = (url: string | undefined): Promise<boolean> =>
  url === undefined
    ? Promise.resolve(false)
    : fetch(`${url}/readyz`, { signal: AbortSignal.timeout(10_000) }).then(
        (r) => r.ok,
        () => false,
      )

/** A machine that has a lot else to do takes its time. */
const patienceMs = 300_000

/** Ready, and steadily so: a server that was killed a moment ago may not have noticed yet. */
const untilReady = async (stage: Stage, killedAt: number): Promise<number> => {
  let since = now()
  for (let times = 0; times < 3; ) {
    if (now() - killedAt > patienceMs) throw new Error(`it did not become ready within ${patienceMs / 1000} s`)
    const ready = await isReady(stage.url())
    if (ready && times === 0) since = now()
    times = ready ? times + 1 : 0
    await sleep(20)
  }
  return (since - killedAt) / 1000
}

/** Keeps the two stages that go on from round to round, and makes one for a round that needs a fresh one. */
export const theatre = () => {
  const stages = new Map<string, Stage>()
  const stageFor = async ({ on }: Plan): Promise<Stage> => {
    const known = stages.get(on)
    if (known) return known
    const stage = await openStage(on, on === 'shared')
    stages.set(on, stage)
    if (on !== 'fresh') await Promise.all(Array.from({ length: stage.size }, (_, n) => stage.start(n)))
    return stage
  }
  const leave = async (on: string): Promise<void> => {
    await stages.get(on)?.close()
    stages.delete(on)
  }
  return {
    play: async (seed: number, round: number): Promise<RoundResult> => {
      const { plan, luck } = planOf(seed, round)
      const stage = await stageFor(plan)
      try {
        return await play(stage, plan, luck, round)
      } finally {
        if (plan.on === 'fresh') await leave('fresh')
      }
    },
    close: async () => {
      for (const on of [...stages.keys()]) await leave(on)
    },
  }
}

const play = async (stage: Stage, { killed, on, havoc }: Plan, luck: Luck, round: number): Promise<RoundResult> => {
  const { ledger } = stage
  const before = { ...newLedger(), acknowledged: ledger.acknowledged, unknown: ledger.unknown, found: ledger.found }
  const received = stage.pebble.received.length
  const again = sentAgain(stage)
  let over = false
  const load = { round, ledger, url: stage.url, over: () => over }
  const begun = now()
  const work = Array.from({ length: desks }, (_, n) =>
    runDesk({ ...load, luck: luckOf(luck.between(0, 2 ** 31) + n) }, n + 1),
  )
  // a fresh one has nothing to load before it was made
  if (on !== 'fresh') await sleep(luck.between(200, 1_800))
  const after = (now() - begun) / 1000
  const result = { round, killed, services: stage.size, after }
  let ready = Number.NaN
  const wrong: string[] = []
  try {
    const killedAt = await havoc(stage, luck)
    ready = await untilReady(stage, killedAt)
    await sleep(800)
  } catch (error) {
    wrong.push(error instanceof Error ? error.message : String(error))
  }
  over = true
  await Promise.all(work)
  return {
    ...result,
    ready,
    acknowledged: ledger.acknowledged - before.acknowledged,
    unknown: ledger.unknown - before.unknown,
    found: ledger.found - before.found,
    delivered: stage.pebble.received.length - received,
    findings: [...wrong, ...(await findings(stage))],
    sentAgain: sentAgain(stage) - again,
  }
}
