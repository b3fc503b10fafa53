import { readdirSync, readFileSync } from 'node:fs'
import { OperationOutcomeError, validateResource } from '@medplum/core'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { checkResource } from '../../../src/adapters/fhir/door/check-resource.ts'
import { writeJson } from '../../../src/adapters/fhir/door/exact-numbers.ts'
import { parseJson } from '../../../src/adapters/fhir/door/parse-json.ts'

/** HL7's own examples; where they come from stands in examples/SOURCE.md. */
const folder = new URL('examples/', import.meta.url)
const names = readdirSync(folder).filter((name) => /^[A-Z].*\.json$/.test(name))
const textOf = (name: string) => readFileSync(new URL(name, folder))

type Container = Record<string, unknown>

const isContainer = (value: unknown): value is Container => typeof value === 'object' && value !== null

/** Every place in a value: what holds it, and under which name. */
const placesIn = (value: unknown): { holder: Container; name: string }[] =>
  isContainer(value) ? Object.keys(value).flatMap((name) => [{ holder: value, name }, ...placesIn(value[name])]) : []

const change = (how: string, { holder, name }: { holder: Container; name: string }, key: string, other: unknown) => {
  const value = holder[name]
  if (how === 'delete') delete holder[name]
  else if (how === 'replace') holder[name] = other
  else if (how === 'wrap') holder[name] = [value]
  else if (how === 'empty') holder[name] = Array.isArray(value) ? [] : isContainer(value) ? {} : ''
  else if (isContainer(value)) value[key] = other
}

/** Without control characters: R4's pattern of a string allows them (scans carry U+001D), the library does not. */
const json = fc
  .json({ maxDepth: 2 })
  .filter((text) => !/\\u00[01]|\\[bf]/.test(text))
  .map((text) => JSON.parse(text))

/** An example with one change somewhere; a place in a list that was deleted is closed up. */
const changed = fc
  .record({
    name: fc.constantFrom(...names),
    place: fc.nat(),
    how: fc.constantFrom('delete', 'replace', 'wrap', 'empty', 'add'),
    key: fc.constantFrom('status', 'extension', '_status', 'id', 'contained', 'valueString', 'reference', 'foo'),
    other: fc.oneof(json, fc.constant('#x')),
  })
  .map(({ name, place, how, key, other }) => {
    const resource = JSON.parse(textOf(name).toString())
    const places = placesIn(resource)
    change(how, places[place % places.length] ?? { holder: resource, name: 'id' }, key, other)
    return JSON.parse(JSON.stringify(resource))
  })

const libraryRefuses = (resource: Parameters<typeof validateResource>[0]): boolean => {
  try {
    validateResource(resource)
    return false
  } catch (error) {
    // it has no definition of some types that may be contained: that is no refusal of what they hold
    return !(error instanceof OperationOutcomeError && /Unknown data type|Invalid resource type/.test(error.message))
  }
}

describe("HL7's own examples", () => {
  it.each(names)('%s passes the door and comes back as it was', (name) => {
    const parsed = parseJson(textOf(name))
    expect(parsed).toMatchObject({ ok: true })
    if (!parsed.ok) return
    expect(checkResource(parsed.value)).toEqual([])
    expect(JSON.parse(writeJson(parsed.value))).toEqual(JSON.parse(textOf(name).toString()))
  })

  it('changed anywhere: what the library refuses, the door refuses', () => {
    fc.assert(
      fc.property(changed, (resource) => {
        if (libraryRefuses(resource)) expect(checkResource(resource)).not.toEqual([])
      }),
      { numRuns: 500 },
    )
  })
})

describe('for any value', () => {
  const isWellTold = (resource: unknown) => {
    for (const { code, at } of checkResource(resource, undefined, 'Bundle.entry[0].resource')) {
      expect(typeof code).toBe('string')
      for (const place of at) expect(place).toMatch(/^[A-Z][A-Za-z]*/)
    }
  }

  it('changed examples never make it throw, and each problem has a place', () => {
    fc.assert(fc.property(changed, isWellTold), { numRuns: 500 })
  })

  it('any JSON under any type of ours never makes it throw', () => {
    const type = fc.constantFrom('Patient', 'ServiceRequest', 'Parameters', 'Bundle', 'Observation', 'Provenance')
    const element = fc.constantFrom(
      'contained',
      'subject',
      'parameter',
      'entry',
      'valueQuantity',
      'text',
      '_id',
      'name',
    )
    const value = fc.json().map((text) => JSON.parse(text))
    const resource = fc.tuple(type, fc.dictionary(element, fc.oneof(value, fc.array(value))))
    fc.assert(fc.property(value, isWellTold))
    fc.assert(fc.property(resource, ([resourceType, rest]) => isWellTold({ ...rest, resourceType })))
  })
})
