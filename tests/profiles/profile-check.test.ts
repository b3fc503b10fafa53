/** Our own check against our profiles says what the reference validator says of the same examples, spoilt or not. */
import type { Resource } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { committed } from '../../profiles/build.ts'
import { loadDefinitions } from '../../src/adapters/fhir/definitions/load.ts'
import { checkResource } from '../../src/adapters/fhir/door/check-resource.ts'
import { checkProfile } from '../../src/adapters/fhir/door/profile-check.ts'
import { profilesIn, readDefinitions } from '../../src/adapters/http/definitions.ts'
import { sentence } from '../../src/model/problems.ts'
import type { Tree } from '../../src/model/tree.ts'
import { mutants, spoilt } from './spoilt.ts'

const profiles = profilesIn(readDefinitions())
beforeAll(() => void loadDefinitions())

/** Everything that is wrong by R4 and by the profiles that the resource names. */
const told = (resource: Resource): readonly string[] =>
  [
    ...checkResource(resource),
    ...(resource.meta?.profile ?? []).flatMap((url) => {
      const profile = profiles.profiles.get(url)
      if (profile === undefined) throw new Error(`there is no profile ${url}`)
      return checkProfile(resource as unknown as Tree, profile, profiles)
    }),
  ].map(sentence)

const named = [...committed().examples]
  .map(([file, text]) => [file, JSON.parse(text) as Resource] as const)
  .filter(([, resource]) => resource.meta?.profile !== undefined)

describe('the check against a profile', () => {
  it.each(named)('finds nothing in %s', (_, resource) => {
    expect(told(resource)).toEqual([])
  })

  it('has looked at every profile of a resource', () => {
    const looked = new Set(named.flatMap(([, r]) => r.meta?.profile ?? []))
    const ours = [...profiles.profiles.values()].filter((p) => p.type !== 'Extension').map((p) => p.url)
    expect([...looked].toSorted()).toEqual([...new Set(ours)].toSorted())
  })

  // the reference validator refuses the same ones: validator.test.ts
  it.each(mutants)('refuses %s %s', (example, _, over) => {
    expect(told(spoilt(example, over) as Resource)).not.toEqual([])
  })

  it('says where and what was expected', () => {
    const over = { identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }], doNotPerform: true }
    const profile = profiles.profiles.get('https://daybind.example/StructureDefinition/linked-order|0.1.0')
    if (profile === undefined) throw new Error('no profile')
    const found = checkProfile(spoilt('linked-order', over) as Tree, profile, profiles)
    expect(found.map((p) => [p.at, p.expected])).toEqual([
      [['ServiceRequest.identifier'], 'slice daybind 1..1'],
      [['ServiceRequest.doNotPerform'], 'false'],
    ])
  })
})
