import { describe, expect, test } from 'vitest'
import { pushedTypes } from '../../src/flow/accept-order/place.ts'
import { readingServiceScope, sourceScope } from '../../src/flow/scopes.ts'

const lettersOf = (scope: string): Readonly<Record<string, string>> =>
  Object.fromEntries(
    scope.split(' ').map((part) => {
      // SMART App Launch 2.2.0: letters in the order c r u d s
      const [, type = '', letters = ''] = /^system\/([A-Z][A-Za-z]+)\.(c?r?u?d?s?)$/.exec(part) ?? []
      return [type, letters]
    }),
  )

describe('what is asked for at least', () => {
  test('at an EHR that is polled: every type that an order may bring along can be read', () => {
    const letters = lettersOf(sourceScope({ poll: 'PT30S' }))
    expect(pushedTypes.filter((type) => !letters[type]?.includes('r'))).toEqual([])
    expect(letters).toMatchObject({ ServiceRequest: 'rs', Patient: 'rs', Subscription: 'crus', Device: 'crus' })
  })

  test('what is said of visits is looked for by type, and the recorders that are named are read', () => {
    const letters = (evidence?: ('Procedure' | 'Encounter' | 'Appointment')[]) =>
      lettersOf(sourceScope({ poll: 'PT30S', writeBack: false, ...(evidence && { evidence }) }))
    expect(letters()).toMatchObject({ Procedure: 'rs', Encounter: 'rs', Appointment: 'rs', Device: 'r', Location: 'r' })
    expect(letters(['Encounter'])).toMatchObject({ Procedure: 'r', Encounter: 'rs', Appointment: 'r' })
    expect(letters(['Encounter']).Device).toBeUndefined()
  })

  test('nothing is ever deleted, orders and patients of an EHR are never written', () => {
    for (const scope of [sourceScope({ poll: 'PT30S' }), sourceScope({}), readingServiceScope])
      expect(
        Object.entries(lettersOf(scope)).filter(([type, l]) => type === '' || l === '' || l.includes('d')),
      ).toEqual([])
    expect(sourceScope({ poll: 'PT30S' })).not.toMatch(/(Patient|ServiceRequest)\.c?r?u/)
  })

  test('an EHR that is not written back to is only read', () => {
    const letters = lettersOf(sourceScope({ poll: 'PT30S', subscribe: false, writeBack: false }))
    expect(pushedTypes.filter((type) => !letters[type]?.includes('r'))).toEqual([])
    expect(Object.values(letters).filter((l) => /[cu]/.test(l))).toEqual([])
  })

  test('no Subscription where none is made, nothing beside an order where nobody polls', () => {
    expect(lettersOf(sourceScope({ poll: 'PT30S', subscribe: false })).Subscription).toBeUndefined()
    expect(Object.keys(lettersOf(sourceScope({})))).not.toContain('Encounter')
  })
})
