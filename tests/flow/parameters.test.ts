import type { Parameters, ParametersParameter } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { correctLinkParameters } from '../../src/flow/apply-device/correct-link.ts'
import { linkDeviceParameters } from '../../src/flow/apply-device/link-device.ts'
import { type ParameterTable, readParameters } from '../../src/model/parameters.ts'
import { accepted, problemsOf } from '../support/fixtures.ts'

const table = {
  reason: { type: 'code', min: 1, max: 1, about: 'Why.', codes: ['removed', 'failed'] },
  scan: { type: 'string', min: 0, max: 2, about: 'A barcode.' },
  asOf: { type: 'instant', min: 0, max: 1, about: 'As of when.' },
  site: { type: 'Identifier', min: 0, max: 1, about: 'Where.' },
  diary: {
    type: 'parts',
    min: 0,
    max: 3,
    about: 'An entry.',
    parts: { symptom: { type: 'string', min: 1, max: 1, about: 'What was felt.' } },
  },
} as const satisfies ParameterTable

const read = (...parameter: ParametersParameter[]) => readParameters({ resourceType: 'Parameters', parameter }, table)
const reason = { name: 'reason', valueCode: 'removed' }
const told = (checked: ReturnType<typeof read>) => problemsOf(checked).map((p) => `${p.code} at ${p.at.join()}`)

describe('the parameters of an operation', () => {
  test('are read by name, each value with its place', () => {
    const site = { system: 'https://daybind.example/sites', value: 'tern-harbour' }
    const entry = { name: 'diary', part: [{ name: 'symptom', valueString: 'palpitations' }] }
    const scans = ['a', 'b'].map((valueString) => ({ name: 'scan', valueString }))
    expect(accepted(read(...scans, reason, { name: 'site', valueIdentifier: site }, entry))).toEqual({
      reason: [{ value: 'removed', at: 'Parameters.parameter[2].value' }],
      scan: [
        { value: 'a', at: 'Parameters.parameter[0].value' },
        { value: 'b', at: 'Parameters.parameter[1].value' },
      ],
      asOf: [],
      site: [{ value: site, at: 'Parameters.parameter[3].value' }],
      diary: [{ value: entry, at: 'Parameters.parameter[4]' }],
    })
  })

  test.each<[string, ParametersParameter, keyof typeof table]>([
    ['a code that is written as a string', { name: 'reason', valueString: 'failed' }, 'reason'],
    ['a string that is written as a code', { name: 'scan', valueCode: 'x' }, 'scan'],
    ['an instant that is written as a dateTime', { name: 'asOf', valueDateTime: '2026-11-25T18:00:00Z' }, 'asOf'],
  ])('take %s', (_, parameter, name) => {
    const all = name === 'reason' ? [parameter] : [reason, parameter]
    expect(accepted(read(...all))[name]).toHaveLength(1)
  })

  test.each<[string, ParametersParameter[], string[]]>([
    ['nothing at all', [], ['missing-parameter at Parameters.parameter']],
    [
      'a name that is not in the table',
      [reason, { name: 'raeson', valueCode: 'x' }],
      ['unknown-parameter at Parameters.parameter[1].name'],
    ],
    [
      'a name that every object has',
      [reason, { name: 'constructor', valueCode: 'x' }],
      ['unknown-parameter at Parameters.parameter[1].name'],
    ],
    [
      'one too many',
      [reason, { name: 'reason', valueCode: 'failed' }],
      ['wrong-cardinality at Parameters.parameter[1]'],
    ],
    ['another type', [{ name: 'reason', valueBoolean: true }], ['wrong-type at Parameters.parameter[0].value']],
    [
      'a value where parts are due',
      [reason, { name: 'diary', valueString: 'x' }],
      ['wrong-type at Parameters.parameter[1].value'],
    ],
    [
      'parts where a value is due',
      [{ name: 'reason', part: [reason] }],
      ['wrong-type at Parameters.parameter[0].part'],
    ],
    [
      'parts that are not in its table',
      [
        reason,
        {
          name: 'diary',
          part: [
            { name: 'mood', valueString: 'x' },
            { name: 'symptom', valueCode: 'y' },
          ],
        },
      ],
      ['unknown-parameter at Parameters.parameter[1].part[0].name'],
    ],
    [
      'parts of another type',
      [
        reason,
        { name: 'diary', part: [{ name: 'symptom', valueBoolean: true }] },
        { name: 'diary', part: [{ name: 'symptom', part: [reason] }] },
      ],
      ['wrong-type at Parameters.parameter[1].part[0].value', 'wrong-type at Parameters.parameter[2].part[0].part'],
    ],
    ['no value', [{ name: 'reason' }], ['missing-element at Parameters.parameter[0]']],
    ['blanks', [reason, { name: 'scan', valueString: '  ' }], ['empty-value at Parameters.parameter[1].value']],
    [
      'a code that is not in the list',
      [{ name: 'reason', valueCode: 'Removed' }],
      ['unknown-code at Parameters.parameter[0].value'],
    ],
  ])('are refused with %s', (_, parameters, problems) => {
    expect(told(read(...parameters))).toEqual(problems)
  })

  test('are refused for everything that is wrong at once', () => {
    const problems = told(read({ name: 'x' }, { name: 'scan', valueBoolean: true }, { name: 'asOf' }))
    expect(problems.map((p) => p.split(' ')[0]).sort()).toEqual([
      'missing-element',
      'missing-parameter',
      'unknown-parameter',
      'wrong-type',
    ])
  })

  test('say what was found and what is expected', () => {
    const [problem] = problemsOf(read({ name: 'reason', valueInteger: 1 }))
    expect(problem).toMatchObject({ found: 'valueInteger', expected: 'reason as valueCode' })
  })
})

/** The tables of the contract, cardinalities as there. */
test.each<[string, ParameterTable, string[], Record<string, number>]>([
  ['$link-device', linkDeviceParameters, ['appliedAt'], { scan: 2, scanData: 2, patientIdentifier: 20, order: 1 }],
  ['$correct-link', correctLinkParameters, ['reason'], { scan: 2, scanData: 2, patientIdentifier: 20, order: 1 }],
])('%s asks for what the contract says and takes no more of it', (_, asked, required, most) => {
  expect(Object.keys(asked).filter((name) => asked[name]?.min === 1)).toEqual(required)
  for (const [name, spec] of Object.entries(asked)) expect([name, spec.max]).toEqual([name, most[name] ?? 1])
})

test('an operation without parameters is one with none of them', () => {
  const body: Parameters = { resourceType: 'Parameters' }
  expect(accepted(readParameters(body, { note: { type: 'string', min: 0, max: 1, about: 'A note.' } }))).toEqual({
    note: [],
  })
})
