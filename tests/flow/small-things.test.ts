import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { addSeconds, instantOf, laterOf, msOf } from '../../src/model/instant.ts'
import {
  isRefusal,
  type RefusalCode,
  refusal,
  refusals,
  sentence,
  statusOf,
  warning,
} from '../../src/model/problems.ts'
import { canonical, mapTree, visit } from '../../src/model/tree.ts'

describe('an instant', () => {
  // up to the last millisecond of the year 9999, beyond which the text would be longer
  const ms = fc.integer({ min: 0, max: Date.UTC(9999, 11, 31, 23, 59, 59, 999) })

  test('is printed in one form, is read back, and sorts as text', () => {
    expect(instantOf(Date.UTC(2026, 10, 25, 8, 30))).toBe('2026-11-25T08:30:00.000000Z')
    fc.assert(
      fc.property(ms, ms, (a, b) => {
        expect(msOf(instantOf(a))).toBe(a)
        expect(instantOf(a) < instantOf(b)).toBe(a < b)
        expect(laterOf(instantOf(a), instantOf(b))).toBe(instantOf(Math.max(a, b)))
      }),
    )
  })

  test('keeps its microseconds when seconds are added', () => {
    expect(addSeconds('2026-11-25T23:59:59.000123Z', 1.5)).toBe('2026-11-26T00:00:00.500123Z')
    expect(addSeconds('2026-11-25T00:00:00.000001Z', -1)).toBe('2026-11-24T23:59:59.000001Z')
  })
})

describe('a tree', () => {
  const json = fc.jsonValue({ maxDepth: 4 })
  const shuffled = (value: unknown): unknown => {
    if (Array.isArray(value)) return value.map(shuffled)
    if (typeof value !== 'object' || value === null) return value
    return Object.fromEntries(
      Object.entries(value)
        .reverse()
        .map(([k, v]) => [k, shuffled(v)]),
    )
  }

  test('has one text whatever the order of its keys, and that text says all of it', () => {
    fc.assert(
      fc.property(json, (value) => {
        expect(canonical(shuffled(value))).toBe(canonical(value))
        expect(JSON.parse(canonical(value))).toEqual(JSON.parse(JSON.stringify(value)))
      }),
    )
  })

  test('has another text where a list has another order', () => {
    expect(canonical([1, 2])).not.toBe(canonical([2, 1]))
    expect(canonical({ a: 1, b: undefined })).toBe('{"a":1}')
  })

  test('is copied without loss, what stands under a symbol included, and is not changed in place', () => {
    const note = Symbol('as written')
    const tree = { a: [{ value: 1.5, [note]: '1.50' }], b: { c: 'x' } }
    const copy = mapTree(tree, (node) => ('c' in node ? { ...node, c: 'y' } : node))
    expect(copy).toEqual({ a: [{ value: 1.5, [note]: '1.50' }], b: { c: 'y' } })
    expect(tree.b.c).toBe('x')
  })

  test('is visited at every object, each with its path', () => {
    const places: string[] = []
    visit({ a: [{ b: {} }, [{ c: 1 }]], d: 'x', e: null }, (_, at) => places.push(at))
    expect(places).toEqual(['', 'a[0]', 'a[0].b', 'a[1][0]'])
  })
})

describe('several problems', () => {
  // the order of refusals: the contract, section 3
  test.each<[RefusalCode[], number]>([
    [['device-linked', 'no-serial'], 422],
    [['no-serial', 'unknown-element', 'device-linked'], 400],
    [['unknown-element', 'not-known'], 404],
    [['not-known', 'not-allowed'], 403],
    [['not-allowed', 'login-needed'], 401],
    [['device-linked'], 409],
  ])('%j have the status %i: the first class that applies', (codes, status) => {
    expect(statusOf(codes.map((code) => refusal(code)))).toBe(status)
    expect(statusOf(codes.toReversed().map((code) => refusal(code)))).toBe(status)
  })

  test('are told apart from warnings, which set no status', () => {
    const problems = [warning('unknown-element'), refusal('device-linked')]
    expect(problems.map(isRefusal)).toEqual([false, true])
    expect(statusOf(problems)).toBe(409)
  })

  test('have a sentence each, with what was found and what is expected, cut where it is long', () => {
    const problem = refusal('unknown-code', 'Task.status', {
      found: 'x'.repeat(200),
      expected: 'accepted',
      note: 'Ask.',
    })
    expect(problem.found).toHaveLength(118)
    expect(sentence(problem)).toContain(`${refusals['unknown-code'].text} Ask. Found: xxx`)
    expect(sentence(problem)).toMatch(/Expected: accepted\.$/)
  })
})
