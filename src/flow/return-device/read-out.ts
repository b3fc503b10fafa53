/** What a return brings along for the reading: a clock pair, button marks, a diary. Checked and kept, not evaluated yet. */
import type { ParametersParameter } from 'fhir/r4.js'
import { readDate, readMoment } from '../../model/moment.ts'
import type { Given, ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { information, type Problem, problemsOf, refusal } from '../../model/problems.ts'
import { statedMaybe } from '../apply-device/moments.ts'
import type { Context } from '../step.ts'

const diaryParts = {
  at: { type: 'dateTime', min: 0, max: 1, about: 'When it was felt, with offset.' },
  date: { type: 'date', min: 0, max: 1, about: 'Else the day.' },
  time: { type: 'string', min: 0, max: 1, about: 'And the time of that day, as written.' },
  symptom: { type: 'string', min: 1, max: 1, about: 'What was felt.' },
} as const satisfies ParameterTable

export const readOutParameters = {
  readAt: { type: 'dateTime', min: 0, max: 1, about: 'When it was read out; with deviceClock a clock pair.' },
  deviceClock: { type: 'dateTime', min: 0, max: 1, about: 'What its own clock showed at readAt.' },
  mark: { type: 'dateTime', min: 0, max: 10000, about: 'A button mark, in device time.' },
  diary: {
    type: 'parts',
    min: 0,
    max: 10000,
    about: 'A diary entry: at, or date and time; symptom.',
    parts: diaryParts,
  },
} as const satisfies ParameterTable

type ReadOut = ReadParameters<typeof readOutParameters>

/** A reading of the clock says nothing without the moment at which it was read, nor that moment without the reading. */
const clockDoubts = ({ readAt, deviceClock }: ReadOut, ctx: Context): readonly Problem[] => {
  const [at, clock] = [readAt[0], deviceClock[0]]
  const half = (given: Given<string> | undefined, other: Given<string> | undefined, name: string) =>
    given && !other ? [refusal('missing-parameter', given.at, { expected: `${name} (dateTime) beside it` })] : []
  return [
    ...problemsOf(statedMaybe(at, ctx)),
    ...(clock ? problemsOf(readMoment(clock.value, clock.at)) : []),
    ...half(at, clock, 'deviceClock'),
    ...half(clock, at, 'readAt'),
  ]
}

/** An entry is of a moment, or of a day whose time is as somebody wrote it. */
const entryDoubts = ({ value, at }: Given<ParametersParameter>): readonly Problem[] => {
  const part = (name: string) => (value.part ?? []).findIndex((p) => p.name === name)
  const place = (name: string) => `${at}.part[${part(name)}].value`
  const [moment, day] = [value.part?.[part('at')]?.valueDateTime, value.part?.[part('date')]?.valueDate]
  const expected = 'at (dateTime), or date (date) and time (string)'
  if (moment === undefined && day === undefined) return [refusal('missing-parameter', `${at}.part`, { expected })]
  if (moment === undefined) return problemsOf(readDate(day ?? '', place('date')))
  const besides = ['date', 'time'].filter((name) => part(name) >= 0)
  return [
    ...problemsOf(readMoment(moment, place('at'))),
    ...besides.map((name) => refusal('wrong-parameter', place(name), { expected: `either ${expected}` })),
  ]
}

export const readOutDoubts = (p: ReadOut, ctx: Context): readonly Problem[] => [
  ...clockDoubts(p, ctx),
  ...p.mark.flatMap((m) => problemsOf(readMoment(m.value, m.at))),
  ...p.diary.flatMap(entryDoubts),
]

/** Said as long as nothing is made of it: who sends it may wait for an answer that does not come. */
export const notEvaluated = (p: ReadOut): readonly Problem[] => {
  const given = (['deviceClock', 'mark', 'diary'] as const).filter((name) => p[name].length > 0)
  const places = given.flatMap((name) => p[name].slice(0, 1).map(({ at }) => at))
  return given.length === 0 ? [] : [information('not-evaluated', places, { found: given.join(', ') })]
}
