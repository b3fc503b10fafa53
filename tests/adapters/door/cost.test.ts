/**
 * What a body costs before it is taken or refused, as a multiple of what JSON.parse takes for the same bytes on the same
 * machine in the same moment. The bounds are generous: they catch what grows with the square, not what is a bit slower.
 */
import { describe, expect, it } from 'vitest'
import { checkResource } from '../../../src/adapters/fhir/door/check-resource.ts'
import { parseJson } from '../../../src/adapters/fhir/door/parse-json.ts'
import { operationOutcome } from '../../../src/adapters/fhir/outcome.ts'

const order = (more: string): string =>
  `{"resourceType":"ServiceRequest","status":"active","intent":"order","subject":{"reference":"Patient/1"}${more}}`
const list = (count: number, item: (i: number) => string): string =>
  `[${Array.from({ length: count }, (_, i) => item(i)).join(',')}]`
const codings = (count: number): string =>
  `{"coding":${list(count, () => '{"system":"http://snomed.info/sct","code":"46825001"}')}}`

/**
 * How often `plain` fits into `own`: the shortest of several runs of each, taken in turns, since what others do on the
 * machine makes runs longer and never shorter.
 */
const ratio = (own: () => void, plain: () => void): number => {
  const took = (run: () => void) => {
    const start = performance.now()
    run()
    return performance.now() - start
  }
  const runs = Array.from({ length: 9 }, () => [took(own), took(plain)] as const)
  return Math.min(...runs.map(([o]) => o)) / Math.min(...runs.map(([, p]) => p))
}

/** All that is done with a body before anything is looked up. */
const door = (bytes: Buffer) => {
  const parsed = parseJson(bytes)
  const problems = parsed.ok ? checkResource(parsed.value) : parsed.problems
  return { refused: problems.length > 0, told: JSON.stringify(operationOutcome(problems)) }
}

const plainParse = (bytes: Buffer) => () => {
  try {
    JSON.parse(bytes.toString())
  } catch {
    // as far as it comes
  }
}

describe('a body is judged in a small multiple of the time that it takes to parse it', { timeout: 120_000 }, () => {
  it.each<[string, string, 'taken' | 'refused', number]>([
    ['10,000 codings', order(`,"code":${codings(10_000)}`), 'refused', 60],
    ['2,000 codings', order(`,"code":${codings(2000)}`), 'taken', 60],
    [
      '40 lists of 2,000 codings',
      order(`,"category":${list(40, () => `{"coding":${list(2000, () => '{"code":"a"}')}}`)}`),
      'refused',
      40,
    ],
    [
      '10,000 entries',
      `{"resourceType":"Bundle","type":"batch","entry":${list(10_000, () => `{"resource":${order('')}}`)}}`,
      'refused',
      20,
    ],
    ['80,000 times one name', `{${Array(80_000).fill('"a":0').join(',')}}`, 'refused', 10],
    [
      '20,000 unknown names',
      order(
        list(20_000, (i) => `"n${i}":0`)
          .replace('[', ',')
          .slice(0, -1),
      ),
      'refused',
      40,
    ],
    [
      '300 extensions nested 28 times',
      order(
        `,"extension":${list(300, () => `${'{"url":"u","extension":['.repeat(28)}{"url":"v","valueString":"x"}${']}'.repeat(28)}`)}`,
      ),
      'taken',
      60,
    ],
    ['170,000 escapes', order(`,"note":[{"text":"${'\\u0041'.repeat(170_000)}"}]`), 'taken', 60],
  ])('%s', (_, text, verdict, bound) => {
    const bytes = Buffer.from(text)
    expect(door(bytes).refused ? 'refused' : 'taken').toBe(verdict)
    expect(ratio(() => door(bytes), plainParse(bytes))).toBeLessThan(bound)
  })

  it('depth 3,000 and depth 300,000 cost the same: the scan ends at the 65th level', () => {
    const deep = (levels: number) => Buffer.from('{"a":'.repeat(levels))
    const told = (levels: number) => door(deep(levels)).told
    expect(told(300_000)).toBe(told(3000))
  })
})

describe('what is answered stays small', () => {
  it.each([
    [
      '20,000 unknown names',
      order(
        list(20_000, (i) => `"n${i}":0`)
          .replace('[', ',')
          .slice(0, -1),
      ),
    ],
    ['a name of a million characters', order(`,"${'n'.repeat(1_000_000)}":0`)],
    ['a value of a million characters where a code is due', order('').replace('active', 'a'.repeat(1_000_000))],
    [
      '2,000 odd modifiers of 400 characters',
      order(`,"modifierExtension":${list(2000, () => `{"url":"${'u'.repeat(400)}","valueCode":"x"}`)}`),
    ],
  ])('%s', (_, text) => {
    const { refused, told } = door(Buffer.from(text))
    expect(refused).toBe(true)
    expect(told.length).toBeLessThan(400_000)
  })
})
