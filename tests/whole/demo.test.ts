import { type ChildProcess, spawn } from 'node:child_process'
import { existsSync } from 'node:fs'
import { createServer } from 'node:net'
import { describe, expect, it } from 'vitest'
import { calendarFrom, momentOf } from '../../demo-data/calendar.ts'
import { listsDiffer, reportDiffers } from '../../demo-data/evening.ts'
import { expectedEvenings } from '../../demo-data/expected.ts'
import { readOptions } from '../../demo-data/options.ts'
import type { Summary } from '../../demo-data/play.ts'
import type { EveningReport } from '../../src/board/evening-report.ts'
import { figuresOf } from '../../src/flow/watch-flow/figures/trend.ts'
import { at, facts, quarry, today } from '../support/fixtures.ts'

const root = new URL('../../', import.meta.url)

interface Run {
  readonly child: ChildProcess
  readonly out: () => string
  readonly ended: Promise<{ status: number | null; out: string; told: string }>
}

/** Runs the demo as a person would. */
const start = (...args: string[]): Run => {
  const child = spawn(process.execPath, ['src/start.mjs', 'demo', ...args], { cwd: root })
  const heard = { out: '', told: '' }
  child.stdout.on('data', (chunk) => {
    heard.out += chunk
  })
  child.stderr.on('data', (chunk) => {
    heard.told += chunk
  })
  const ended = new Promise<{ status: number | null; out: string; told: string }>((resolve) => {
    child.on('close', (status) => resolve({ status, ...heard }))
  })
  return { child, out: () => heard.out, ended }
}

const lastLine = (text: string): string => text.trimEnd().split('\n').at(-1) ?? ''

const folderIn = (out: string): string => /in (\S+daybind-demo-\w+);/.exec(out)?.[1] ?? 'no folder was named'

describe('the demo', () => {
  it('plays the day, holds it against what it was built to contain, and ends well', async () => {
    const { status, out, told } = await start('--exit', '--json', '--port', '0').ended
    const summary = JSON.parse(lastLine(out)) as Summary
    expect(summary.checks.filter(({ ok }) => !ok)).toEqual([])
    expect(summary).toMatchObject({ ok: true, readingService: { complaints: [] } })
    expect(summary.evenings.map(({ moment, report }) => `${report.site} ${moment}`)).toEqual([
      'tern-harbour cut-off',
      'quarry-lane cut-off',
      'tern-harbour day-end',
      'quarry-lane day-end',
    ])
    expect(summary.firstReportAfter).toBeLessThan(60)
    expect(out).toMatch(/no-link +high +H-1011 +TR-30111 +18:00 +mended 18:40 +clinic/)
    expect(out).toMatch(/invented[\s\S]*Not for\s+emergencies/)
    expect([status, told]).toEqual([0, ''])
    expect(existsSync(folderIn(out))).toBe(false)
  })

  it('stays up with its addresses until it is told to end, then leaves nothing behind', async () => {
    const run = start('--port', '0')
    await expect.poll(run.out, { timeout: 240_000, interval: 200 }).toContain('/deliveries')
    const [, token, address] = /curl -H 'Authorization: Bearer (\S+)' '(\S+\.json)'/.exec(run.out()) ?? []
    const answer = await fetch(address ?? '', { headers: { authorization: `Bearer ${token}` } })
    expect(await answer.json()).toMatchObject({ site: 'tern-harbour', linked: { initial: 17, numerator: 15 } })
    expect(existsSync(folderIn(run.out()))).toBe(true)
    run.child.kill('SIGINT')
    const { status, out } = await run.ended
    expect(status).toBe(0)
    expect(existsSync(folderIn(out))).toBe(false)
  })

  it('says in one sentence that the wanted port is taken', async () => {
    const squatter = createServer()
    await new Promise<void>((listening) => squatter.listen(0, '127.0.0.1', listening))
    const address = squatter.address()
    const port = typeof address === 'object' && address !== null ? address.port : 0
    const { status, told } = await start('--exit', '--port', String(port)).ended
    squatter.close()
    expect([status, told]).toEqual([1, `Port ${port} is taken: name another one with --port, or leave --port out.\n`])
  })

  it('answers an option that it does not know with one sentence', async () => {
    const { status, out, told } = await start('--loud').ended
    expect(told).toMatch(/^--loud is not known: demo takes --exit, --json, .*\n$/)
    expect([status === 0, out]).toEqual([false, ''])
  })
})

describe('the options of the demo', () => {
  const now = Date.parse('2026-11-25T02:00:00Z')

  it.each([
    [[], { exit: false, json: false, pace: 0 }],
    [['--exit', '--json'], { exit: true, json: true }],
    [['--pace', '1.5', '--port', '0', '--day', '2027-03-28'], { pace: 1.5, port: 0, calendar: { day: '2027-03-28' } }],
    [['--hapi', '--exit'], { across: 'hapi', exit: true }],
    [
      ['--ehr', 'http://a.example/fhir', '--reading', 'http://b.example/fhir', '--daybind', 'http://c.example'],
      { across: { ehr: 'http://a.example/fhir', reading: 'http://b.example/fhir', daybind: 'http://c.example' } },
    ],
  ])('reads %j', (args, options) => {
    expect(readOptions(args, now)).toMatchObject(options)
  })

  it.each([
    [['--loud'], '--loud is not known: '],
    [['--exit', 'now'], 'now is not known: '],
    [['--pace', 'fast'], '--pace: found fast, expected seconds such as 0.5.'],
    [['--pace'], "Option '--pace <value>' argument missing: "],
    [['--port', '70000'], '--port: found 70000, expected a whole number'],
    [['--day', '2026-12-02'], '--day: found 2026-12-02, expected a date from 2026-12-03 on'],
    [['--hapi', '--ehr', 'http://a.example/fhir'], '--hapi starts servers of its own'],
    [['--ehr', 'http://a.example/fhir'], '--ehr, --reading and --daybind go together.'],
    [['--ehr', 'a.example', '--reading', 'http://b.example', '--daybind', 'http://c.example'], 'found a.example'],
    [['--day', '2027-02-30'], '--day: found 2027-02-30, expected a date'],
  ])('refuses %j', (args, beginning) => {
    expect(readOptions(args, now)).toEqual({ mistake: expect.stringMatching(/^[^\n]*\.$/) })
    expect(readOptions(args, now)).toEqual({ mistake: expect.stringContaining(beginning) })
  })
})

describe('the checks of the demo can fail', () => {
  const expected = expectedEvenings['quarry-lane']['day-end']
  const row = {
    severity: 'moderate',
    final: true,
    since: '',
    turn: 'clinic',
    what: '',
    id: '',
    acknowledged: [],
  } as const
  const report: EveningReport = {
    site: 'quarry-lane',
    name: '',
    date: '',
    timeZone: '',
    cutOff: '',
    asOf: '',
    tzdata: '',
    linked: expected.linked,
    inTime: { links: 0 },
    taken: expected.taken,
    gaps: expected.gaps.map((gap) => ({ ...row, ...gap })),
    figures: figuresOf(quarry, today, facts({}), at(`${today}T23:00:00Z`)),
    issued: [],
    caution: '',
  }
  const [first, ...others] = report.gaps

  it.each<[string, EveningReport, readonly string[]]>([
    ['the day as it was built', report, []],
    ['a gap too few', { ...report, gaps: others }, ['missing: expired-device L-2004 QR-60104 open']],
    [
      'a gap too many',
      { ...report, gaps: [...report.gaps, { ...row, gap: 'no-link', recorder: 'QR-1', status: 'open' }] },
      ['too many: no-link QR-1 open'],
    ],
    [
      'a gap twice',
      { ...report, gaps: first ? [...report.gaps, first] : [] },
      ['too many: expired-device L-2004 QR-60104 open'],
    ],
    [
      'another number',
      { ...report, linked: { ...report.linked, numerator: 10 } },
      ['linked in time: 10 of 11 due, 11 in all; expected 11 of 11 due, 11 in all'],
    ],
    [
      'a gap that is not final',
      { ...report, gaps: report.gaps.map((gap, i) => ({ ...gap, final: i > 0 })) },
      ['not final: expired-device L-2004 QR-60104 open'],
    ],
  ])('%s', (_, found, differences) => {
    expect(reportDiffers(found, expected)).toEqual(differences)
  })

  it('lists that hold the same in another order do not differ', () => {
    expect(listsDiffer(['b', 'a'], ['a', 'b'])).toEqual([])
  })
})

describe('the calendar of the demo', () => {
  it.each([
    ['a Wednesday', '2026-11-25T02:00:00Z', '2026-12-03'],
    ['a Friday: the Saturday after a week is passed over', '2026-11-27T12:00:00Z', '2026-12-07'],
    ['late in the evening, already tomorrow in Dublin', '2026-06-30T23:30:00Z', '2026-07-09'],
  ])('plays a weekday at least eight days ahead: %s', (_, now, day) => {
    expect(calendarFrom(Date.parse(now))).toMatchObject({ day })
  })

  it('turns local times into moments in each zone, also on the days on which clocks change', () => {
    expect(momentOf('2027-03-28', '18:00', 'Europe/Dublin')).toBe('2027-03-28T17:00:00.000000Z')
    expect(momentOf('2027-03-14', '17:30', 'America/New_York')).toBe('2027-03-14T21:30:00.000000Z')
    expect(momentOf('2027-10-31', '24:00', 'Europe/Dublin')).toBe('2027-11-01T00:00:00.000000Z')
  })
})
