/**
 * `npm run demo`: an invented clinic day, played over HTTP against the real service on a database of its own. It tells
 * the day as a story, prints the evening reports, and holds everything against what the day was built to contain.
 */
import { setTimeout as sleep } from 'node:timers/promises'
import { caution, type EveningReport } from '../src/board/evening-report.ts'
import type { Instant } from '../src/model/states.ts'
import { takeAlert } from './alerts.ts'
import { endLink, link, recordNotApplied, seeApplied, takeBack } from './bedside.ts'
import { playBetween, playOnThisMachine } from './between.ts'
import { type Check, checkAll } from './checks.ts'
import type { Happening } from './deeds.ts'
import { compareEvening, keepEvening } from './evening.ts'
import { acceptWork, comeBack, goDown, loseNextAnswer, makeUrgent, revoke, sendAgain, sendList } from './neighbours.ts'
import { type Options, type Running, readOptions } from './options.ts'
import { ofTheDay, ofTheWeekBefore } from './people.ts'
import {
  type Print,
  printChecks,
  printCompared,
  printEvening,
  printHappening,
  printHeading,
  printWrong,
  wrapped,
} from './print.ts'
import { type Came, dateOf, instantAt, type Scene, setScene } from './scene.ts'
import { type Stage, setStage } from './stage.ts'
import { timetable } from './timetable.ts'

/** What `--json` prints, and what the demo's own status follows from. */
export interface Summary {
  readonly ok: boolean
  /** The local date of the day that was played. */
  readonly day: string
  /** Seconds from the start of the process. */
  readonly firstReportAfter: number
  readonly playedAfter: number
  readonly checks: readonly Check[]
  readonly evenings: readonly { readonly moment: string; readonly report: EveningReport }[]
  readonly readingService: { readonly received: number; readonly complaints: readonly string[] }
}

const perform = (scene: Scene, happening: Happening, now: string): Promise<Came> => {
  const { deed } = happening
  switch (deed.do) {
    case 'send-list':
      return sendList(scene, deed)
    case 'send-again':
      return sendAgain(scene, deed)
    case 'make-urgent':
      return makeUrgent(scene, deed)
    case 'revoke':
      return revoke(scene, deed)
    case 'link':
      return link(scene, deed, happening, now)
    case 'see-applied':
      return seeApplied(scene, deed, happening, now)
    case 'record-not-applied':
      return recordNotApplied(scene, deed, happening)
    case 'end-link':
      return endLink(scene, deed, happening)
    case 'return':
      return takeBack(scene, deed, happening, now)
    case 'go-down':
      return goDown(scene)
    case 'come-back':
      return comeBack(scene)
    case 'lose-next-answer':
      return loseNextAnswer(scene)
    case 'accept-work':
      return acceptWork(scene)
    case 'evening':
      return keepEvening(scene, deed, happening)
    case 'alert':
      return takeAlert(scene, deed)
    case 'compare-evening':
      return compareEvening(scene, happening)
  }
}

/** Set by the first Ctrl-C or SIGTERM; a second one ends the process at once. */
const untilSignal = () => {
  const controller = new AbortController()
  const stop = (): void => {
    if (controller.signal.aborted) process.exit(1)
    controller.abort()
  }
  process.on('SIGINT', stop)
  process.on('SIGTERM', stop)
  const forget = (): void => {
    process.off('SIGINT', stop)
    process.off('SIGTERM', stop)
  }
  return { signal: controller.signal, forget }
}

const longDate = (date: string): string =>
  new Intl.DateTimeFormat('en-GB', { dateStyle: 'full', timeZone: 'UTC' }).format(new Date(`${date}T00:00:00Z`))

const byTime = (scene: Scene): readonly (Happening & { readonly instant: Instant })[] =>
  timetable
    .map((h) => ({ ...h, instant: instantAt(scene, h, h.at) }))
    .sort((a, b) => (a.instant < b.instant ? -1 : a.instant > b.instant ? 1 : 0))

const headings: Readonly<Record<Happening['on'], string>> = {
  'week-before': 'A week earlier',
  day: 'The day',
  'day-after': 'The next morning',
}

interface Played {
  /** Where an answer was another than the timetable says. */
  readonly wrong: readonly string[]
  /** Seconds from the start of the process. */
  readonly firstReportAfter: number
}

const seconds = (): number => Math.round(performance.now() / 10) / 100

/** Plays the timetable in the order of time, all places together; the flow's clock is set for each event. */
export const playTimetable = async (scene: Scene, print: Print, pace: number, signal: AbortSignal): Promise<Played> => {
  const wrong: string[] = []
  const told = new Set<string>()
  let firstReportAfter = 0
  let on: Happening['on'] | undefined
  for (const happening of byTime(scene)) {
    if (signal.aborted) break
    if (happening.on !== on) {
      on = happening.on
      printHeading(print, `${headings[on]}: ${longDate(dateOf(scene, on))}, each place in its own local time`)
    }
    await scene.stage.service.setClock(happening.instant)
    const came = await perform(scene, happening, happening.instant)
    printHappening(print, happening.at, happening.place, happening.tells, came.said)
    printWrong(print, came.wrong)
    wrong.push(...came.wrong.map((text) => `${happening.at} ${happening.place}: ${text}`))
    if (came.evening) {
      printEvening(print, came.evening.report, came.evening.moment, told)
      firstReportAfter ||= seconds()
    }
    if (came.compared) printCompared(print, came.compared)
    if (pace > 0) await sleep(pace * 1000, undefined, { signal }).catch(() => undefined)
  }
  return { wrong, firstReportAfter }
}

const introduce = (print: Print): void => {
  const people = ofTheDay.length + ofTheWeekBefore.length
  const text = `Daybind: an invented clinic day. ${people} patients, two clinics in two time zones, two record systems that send orders, and one reading service. All people, places and numbers are invented. ${caution}`
  for (const line of wrapped(text, 100)) print(line)
  print('')
}

const tellWhere = (print: Print, { service, logFile, folder }: Stage): void => {
  print(`The service runs at ${service.url}, on a PostgreSQL of its own in ${folder};`)
  print(`its log is ${logFile}. Both are removed at the end.`)
}

const showAround = (print: Print, { service, tokens }: Stage, day: string): void => {
  const curl = (path: string) => print(`  curl -H 'Authorization: Bearer ${tokens.operator}' '${service.url}${path}'`)
  printHeading(print, 'The service stays up. Ctrl-C ends it')
  print(`In a browser: ${service.url}/ with any name, and as password the operator's token:`)
  print(`  ${tokens.operator}`)
  print('In a terminal:')
  curl(`/reports/day/tern-harbour/${day}.json`)
  curl(`/reports/day/quarry-lane/${day}.csv`)
  curl('/fhir/DetectedIssue?status=final')
  curl('/fhir/Task?status=cancelled')
  curl('/deliveries')
}

const summaryOf = (scene: Scene, played: Played, checks: readonly Check[]): Summary => ({
  ok: checks.every(({ ok }) => ok),
  day: scene.calendar.day,
  firstReportAfter: played.firstReportAfter,
  playedAfter: seconds(),
  checks,
  evenings: scene.evenings.map(({ moment, report }) => ({ moment, report })),
  readingService: {
    received: scene.stage.reading.received.length,
    complaints: scene.stage.reading.complaints,
  },
})

const verdict = (s: Summary): string => {
  const failed = s.checks.filter(({ ok }) => !ok).length
  const held = failed === 0 ? `All ${s.checks.length} checks held.` : `${failed} of ${s.checks.length} checks failed.`
  return `${held} First report after ${s.firstReportAfter} s, everything after ${s.playedAfter} s.`
}

const playOn = async (stage: Stage, options: Options, print: Print, signal: AbortSignal): Promise<boolean> => {
  const scene = setScene(stage, options.calendar)
  tellWhere(print, stage)
  const played = await playTimetable(scene, print, options.pace, signal)
  if (signal.aborted) return false
  const summary = summaryOf(scene, played, await checkAll(scene, played.wrong))
  printChecks(print, summary.checks)
  print('')
  print(verdict(summary))
  if (!options.exit) showAround(print, stage, summary.day)
  if (options.json) print(JSON.stringify(summary))
  if (!options.exit && !signal.aborted) await new Promise((stopped) => signal.addEventListener('abort', stopped))
  return summary.ok
}

const across = async (where: 'hapi' | Running, stay: boolean, print: Print): Promise<boolean> => {
  for (const line of wrapped(
    `Daybind between two FHIR servers. All people, places and numbers are invented. ${caution}`,
    100,
  ))
    print(line)
  if (where !== 'hapi') return playBetween(where, print)
  const { signal, forget } = untilSignal()
  return playOnThisMachine(print, signal, stay).finally(forget)
}

/**
 * Plays the day and stays up until Ctrl-C, or ends with `--exit`.
 * @returns 0 when all checks held, 1 when anything differs or the day was broken off, 2 for options that it does not know
 * @throws a CannotStart with one sentence
 */
export const playDemo = async (args: string[]): Promise<0 | 1 | 2> => {
  const options = readOptions(args, Date.now())
  if ('mistake' in options) {
    process.stderr.write(`${options.mistake}\n`)
    return 2
  }
  const print: Print = (line) => void process.stdout.write(`${line}\n`)
  if (options.across !== undefined) return (await across(options.across, !options.exit, print)) ? 0 : 1
  introduce(print)
  const { signal, forget } = untilSignal()
  const stage = await setStage(options.port)
  let ok = false
  try {
    ok = await playOn(stage, options, print, signal)
  } finally {
    const keep = !ok && !signal.aborted
    await stage.close(keep)
    if (keep) process.stderr.write(`The service's log is kept: ${stage.logFile}\n`)
    forget()
  }
  return ok ? 0 : 1
}
