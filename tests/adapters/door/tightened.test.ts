import { loadDataType } from '@medplum/core'
import { expect, it } from 'vitest'
import { loadDefinitions } from '../../../src/adapters/fhir/definitions/load.ts'
import { checkResource } from '../../../src/adapters/fhir/door/check-resource.ts'

const element = (path: string, min: number, max: string, base: string, code: string) => ({
  path,
  min,
  max,
  base: { path, min: 0, max: base },
  type: [{ code }],
})

it('a tighter definition, registered in place of the base type before its first use, is the one that counts', () => {
  loadDefinitions()
  loadDataType({
    resourceType: 'StructureDefinition',
    name: 'Location',
    url: 'http://hl7.org/fhir/StructureDefinition/Location',
    type: 'Location',
    kind: 'resource',
    snapshot: {
      element: [
        { path: 'Location', min: 0, max: '*' },
        element('Location.id', 1, '1', '1', 'id'),
        element('Location.name', 0, '0', '1', 'string'),
        element('Location.alias', 2, '3', '*', 'string'),
      ],
    },
  })
  const found = (rest: object) =>
    checkResource({ resourceType: 'Location', ...rest }).map(({ code, at }) => [code, ...at])
  expect(found({ id: 'a', alias: ['b', 'c'] })).toEqual([])
  expect(found({ alias: ['b'], name: 'a' })).toEqual([
    ['wrong-cardinality', 'Location.alias'],
    ['wrong-cardinality', 'Location.name'],
    ['missing-element', 'Location.id'],
  ])
  expect(found({ id: 'a', alias: ['b', 'c', 'd', 'e'] })).toEqual([['wrong-cardinality', 'Location.alias']])
})
