/** Who asks the sources, and when: one instance at a time for each, and none waits for another. */
import { randomUUIDv7 } from 'node:crypto'
import type { CapabilityStatement } from 'fhir/r4.js'
import type { Logger } from 'pino'
import {
  evidenceToAsk,
  lookPause,
  pauseAfter,
  skewOf,
  skewToTell,
  sweepIsDue,
  type Walk,
  watermarkAfter,
} from '../../flow/accept-order/poll-plan.ts'
import { takesSubscriptions } from '../../flow/accept-order/subscription-plan.ts'
import type { EvidenceType } from '../../model/configuration.ts'
import { cutOffOf, localDateOf } from '../../model/local-day.ts'
import { readDuration } from '../../model/moment.ts'
import type { Peer } from '../fhir/peer.ts'
import {
  dueSources,
  forgetOthers,
  knowSources,
  type Leased,
  leaseSource,
  renewLease,
  settleSource,
} from '../postgres/asked-sources.ts'
import type { StepRunner } from '../postgres/run-step.ts'
import { sourceToken } from '../postgres/shapes.ts'
import { askAgain, askForAllOpen, askForChanges, askForOpenPatients } from './ask.ts'
import { askForEvidence, type HeardByType } from './ask-evidence.ts'
import type { AskedSource } from './fetched.ts'
import { keepSubscription } from './subscribe.ts'
import { type Asking, orTold, Trouble, type Warnings } from './walk.ts'

export interface SourceRounds {
  readonly runner: StepRunner
  readonly sources: readonly AskedSource[]
  readonly peers: ReadonlyMap<string, Peer>
  /** `https://…`: below it their notifications arrive. */
  readonly publicUrl: () => string
  readonly log: Logger
  /** Between 0 and 1. */
  readonly luck: () => number
  readonly onError: (error: unknown) => void
}

export interface Askers {
  /** Begins with what is due; waits for nobody. */
  look(): Promise<void>
  /** Begins nothing more, and waits for what is under way. */
  stop(): Promise<void>
}

/** Longer than any one call to a source takes; renewed after each page. */
const leaseSeconds = 90

const everySeconds = ({ poll }: AskedSource): number => {
  const read = readDuration(poll, '')
  if (!read.ok) throw new Error('the configuration lets no such duration in')
  return read.value / 1000
}

/** What a server is, asked once an hour. */
interface Known {
  readonly at: number
  readonly capabilities?: CapabilityStatement
}

const knownFor = 3_600_000

/** @throws Trouble where it does not speak our FHIR */
const whatItIs = async (peer: Peer): Promise<Known> => {
  const answer = await peer.metadata(randomUUIDv7())
  if (answer.fate === 'answered') {
    const { fhirVersion } = answer.body
    if (!String(fhirVersion).startsWith('4.0'))
      throw new Trouble(
        `Their server speaks another FHIR (${/^[0-9.]{1,10}/.exec(String(fhirVersion))?.[0] ?? 'no version'}); Daybind speaks R4 (4.0.1).`,
      )
    return { at: Date.now(), capabilities: answer.body }
  }
  // some servers keep it to themselves: what they can do shows when they are asked
  if (answer.fate === 'final' && answer.cause !== 'redirected') return { at: Date.now() }
  throw new Trouble(answer.reason, answer.retryAfterMs)
}

interface Round {
  readonly walk: Walk
  readonly swept: boolean
  readonly found: boolean
}

/** When the patients and visits of what is open were looked at, and up to which moment of their server they are known. */
interface Looked {
  readonly at: number
  /** Of patients. */
  readonly watermark?: number
  readonly visits: HeardByType
  /** What was noticed then; told until the next look. */
  readonly warnings: readonly string[]
}

const nothingHeard: HeardByType = new Map()

interface Look {
  readonly asking: Asking
  readonly evidence: readonly EvidenceType[]
  readonly warnings: Warnings
}

/** Now and then; the first time in this process whenever they were changed. */
const lookAround = async (look: Look, watermark: number, before: Looked | undefined): Promise<Looked> => {
  const { asking, evidence } = look
  const now = Date.now()
  if (before && now - before.at < lookPause(everySeconds(asking.source)) * 1000) return before
  const warnings: Warnings = new Set()
  const patients = await orTold('Their patients', warnings, async () => {
    await askForOpenPatients(asking, before?.watermark, warnings)
    return watermark
  })
  const visits = await askForEvidence(asking, evidence, watermark, before?.visits ?? nothingHeard, warnings)
  const news = [...warnings].filter((w) => !before?.warnings.includes(w))
  if (news.length > 0)
    asking.log.warn({ step: 'accept-order', source: asking.source.id, warnings: news }, 'not all could be looked at')
  // what could not be looked at is asked for from the same moment on, the next time
  const known = patients ?? before?.watermark
  return { at: now, ...(known !== undefined && { watermark: known }), visits, warnings: [...warnings] }
}

/** The first time, and before a cut-off, everything that is open; else what has changed. */
const askNow = async (look: Look, leased: Leased, looked: Map<string, Looked>): Promise<Round> => {
  const { asking: a, warnings } = look
  const now = Date.now()
  const cutOffs = a.runner.parties.sites.map((site) => cutOffOf(localDateOf(now, site.timeZone), site))
  const { watermark, swept } = leased
  if (watermark === null || sweepIsDue(cutOffs, swept ?? undefined, now)) {
    const { clocks } = await askForAllOpen(a, warnings)
    await askForEvidence(a, look.evidence, watermark ?? 0, nothingHeard, warnings)
    await forgetOthers(a.runner.db, a.source.id)
    // what changed without being open is asked for from the old watermark on, the next time
    return { walk: watermark === null ? clocks : { ours: watermark }, swept: true, found: false }
  }
  const before = looked.get(a.source.id)
  const { clocks, fresh } = await askForChanges(a, watermark, warnings)
  await askAgain(a, before === undefined)
  const around = await lookAround(look, watermark, before)
  looked.set(a.source.id, around)
  for (const warning of around.warnings) warnings.add(warning)
  return { walk: clocks, swept: false, found: fresh > 0 }
}

const warnOfSkew = (skew: number | undefined, warnings: Warnings): void => {
  if (skew === undefined)
    warnings.add('They tell no time (no Date header); ours is used, so their clock has to be right.')
  else if (Math.abs(skew) > skewToTell)
    warnings.add(
      `Their clock is ${Math.abs(skew)} s ${skew > 0 ? 'ahead of' : 'behind'} ours; one of the two is wrong.`,
    )
}

/** Maximum of warnings that are kept. */
const maxWarnings = 20

export const startAskers = async (r: SourceRounds): Promise<Askers> => {
  const running = new Map<string, Promise<void>>()
  const known = new Map<string, Known>()
  const looked = new Map<string, Looked>()
  let stopped = false
  const { db } = r.runner
  await knowSources(
    db,
    r.sources.map(({ id }) => id),
  )

  const ask = async (source: AskedSource, peer: Peer, leased: Leased): Promise<void> => {
    const started = performance.now()
    const warnings: Warnings = new Set()
    const goOn = async (): Promise<void> => {
      if (stopped) throw new Trouble('The service ended while it asked.')
      if (!(await renewLease(db, leased, leaseSeconds))) throw new Trouble('Another instance asks meanwhile.')
    }
    const asking: Asking = { source, peer, runner: r.runner, sight: [sourceToken(source.id)], log: r.log, goOn }
    const line = { step: 'accept-order', source: source.id }
    try {
      const is = known.get(source.id)
      const fresh = is !== undefined && Date.now() - is.at < knownFor ? is : await whatItIs(peer)
      known.set(source.id, fresh)
      const look = { asking, evidence: evidenceToAsk(source, fresh.capabilities), warnings }
      const round = await askNow(look, leased, looked)
      const { subscribe = 'rest-hook' } = source
      if (subscribe !== false && (fresh.capabilities === undefined || takesSubscriptions(fresh.capabilities)))
        await keepSubscription(
          { db, peer, leased, subscribing: subscribe, endpoint: `${r.publicUrl()}/hooks/${source.id}` },
          Date.now(),
        )
      const skew = skewOf(round.walk)
      if (!round.swept) warnOfSkew(skew, warnings)
      await settleSource(db, leased, {
        pause: round.swept && leased.watermark !== null ? 0 : pauseAfter(everySeconds(source), 0, 0, r.luck()),
        warnings: [...warnings].slice(0, maxWarnings),
        watermark: watermarkAfter(round.walk, leased.watermark ?? undefined),
        ...(skew !== undefined && !(round.swept && leased.watermark !== null) && { skew }),
        swept: round.swept,
        found: round.found,
      })
      r.log.debug(
        { ...line, swept: round.swept, found: round.found, ms: Math.round(performance.now() - started) },
        'asked',
      )
    } catch (error) {
      known.delete(source.id)
      const trouble =
        error instanceof Trouble ? error : new Trouble('Something went wrong in Daybind; its log has more.')
      if (!(error instanceof Trouble)) r.onError(error)
      await settleSource(db, leased, {
        pause: pauseAfter(everySeconds(source), leased.failures + 1, trouble.retryAfterMs / 1000, r.luck()),
        trouble: trouble.message,
        warnings: [...warnings].slice(0, maxWarnings),
        swept: false,
        found: false,
      })
      if (leased.failures === 0 && !stopped)
        r.log.warn({ ...line, reason: trouble.message }, 'a source cannot be asked')
    }
  }

  const begin = async (id: string): Promise<void> => {
    const [source, peer] = [r.sources.find((s) => s.id === id), r.peers.get(id)]
    const leased = source && peer && (await leaseSource(db, id, leaseSeconds))
    if (source && peer && leased) await ask(source, peer, leased)
  }

  return {
    look: async () => {
      if (stopped || r.sources.length === 0) return
      for (const id of await dueSources(
        db,
        r.sources.map((s) => s.id),
      )) {
        if (running.has(id)) continue
        const work = begin(id)
          .catch(r.onError)
          .finally(() => running.delete(id))
        running.set(id, work)
      }
    },
    stop: async () => {
      stopped = true
      await Promise.all(running.values())
    },
  }
}
