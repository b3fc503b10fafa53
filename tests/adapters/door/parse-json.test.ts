import { readFileSync } from 'node:fs'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { writeJson } from '../../../src/adapters/fhir/door/exact-numbers.ts'
import { parseJson } from '../../../src/adapters/fhir/door/parse-json.ts'
import { mapTree } from '../../../src/model/tree.ts'

/** Code, places, what was found and what stands in the note, of each problem. */
const problemsOf = (body: string | Uint8Array) => {
  const checked = parseJson(body)
  return checked.ok ? [] : checked.problems.map(({ code, at, found, note }) => [code, at, found, note])
}

const parsed = (body: string | Uint8Array): unknown => {
  const checked = parseJson(body)
  return checked.ok ? checked.value : checked.problems
}

describe('JSON that is taken', () => {
  // own cases after RFC 8259
  const taken = [
    ...[
      'null',
      'true',
      ' false ',
      '0',
      '-0',
      '-1',
      '10',
      '0.5',
      '1e2',
      '1E+2',
      '-1.5e-3',
      '""',
      '[]',
      '{}',
      '\t[\n1\r] ',
    ],
    ...['[[],{}]', '{"a":{"b":[1,"x",null]}}', '"\\"\\\\\\/\\n\\r\\t\\u000a\\u00e9"', '"\\ud83d\\ude00"', '"😀\u2028"'],
    ...['{"":1}', '{"a":1,"A":2}', '"\u007f"'],
  ]
  it.each(taken)('%s', (text) => {
    expect(parsed(text)).toEqual(JSON.parse(text))
    expect(parsed(Buffer.from(text))).toEqual(JSON.parse(text))
  })

  it('a byte order mark before the text is passed over', () => {
    expect(parsed(Buffer.from('\ufeff{"a":1}'))).toEqual({ a: 1 })
  })

  it('U+FFFD that was sent as such is a character like any other', () => {
    expect(parsed(Buffer.from('"\ufffd"'))).toBe('\ufffd')
  })
})

describe('JSON that breaks off is told with line, column and what was found there', () => {
  const broken: [text: string, found: string, note: string][] = [
    ['', 'the end of the text', 'Line 1, column 1.'],
    ['[1,2,]', ']', 'Line 1, column 6.'],
    ['[1 2]', '2', 'Line 1, column 4.'],
    ['[,1]', ',', 'Line 1, column 2.'],
    ['[1', 'the end of the text', 'Line 1, column 3.'],
    ['{"a":1,}', '}', 'Line 1, column 8.'],
    ['{"a" 1}', '1', 'Line 1, column 6.'],
    ['{"a":}', '}', 'Line 1, column 6.'],
    ['{a:1}', 'a', 'Line 1, column 2.'],
    ["{'a':1}", "'", 'Line 1, column 2.'],
    ['{"a":1', 'the end of the text', 'Line 1, column 7.'],
    ['{"a":1}}', '}', 'Line 1, column 8.'],
    ['{"a":\n  1,\n  b}', 'b', 'Line 3, column 3.'],
    ['01', '1', 'Line 1, column 2.'],
    ['1.', '.', 'Line 1, column 2.'],
    ['.5', '.', 'Line 1, column 1.'],
    ['+1', '+', 'Line 1, column 1.'],
    ['-', 'the end of the text', 'Line 1, column 2.'],
    ['1e', 'e', 'Line 1, column 2.'],
    ['0x1', 'x', 'Line 1, column 2.'],
    ['NaN', 'N', 'Line 1, column 1.'],
    ['Infinity', 'I', 'Line 1, column 1.'],
    ['undefined', 'u', 'Line 1, column 1.'],
    ['tru', 't', 'Line 1, column 1.'],
    ['"a', 'the end of the text', 'Line 1, column 3.'],
    ['"\\x"', 'x', 'Line 1, column 3.'],
    ['"\\u12g4"', 'u', 'Line 1, column 3.'],
    ['"a\tb"', 'U+0009', 'Line 1, column 3.'],
    ['"a\nb"', 'U+000A', 'Line 1, column 3.'],
    ['[\u00a01]', 'U+00A0', 'Line 1, column 2.'],
    ['// a\n1', '/', 'Line 1, column 1.'],
  ]
  it.each(broken)('%j', (text, found, note) => {
    expect(problemsOf(text)).toEqual([['malformed-json', [], found, note]])
  })

  it('bytes that are not UTF-8', () => {
    const bytes = Buffer.concat([Buffer.from('{"a":\n"\ufffd'), Buffer.from([0xc3, 0x28]), Buffer.from('"}')])
    const note = 'Line 2, column 3: the bytes are not valid UTF-8.'
    expect(problemsOf(bytes)).toEqual([['malformed-json', [], undefined, note]])
  })
})

describe('JSON that would do harm behind the door is refused with its place', () => {
  const patient = (rest: string) => `{"resourceType":"Patient",${rest}}`
  const harmful: [text: string, ...expected: unknown[][]][] = [
    [patient('"a":1,"a":2'), ['duplicate-key', ['Patient.a'], undefined, 'Line 1, column 33.']],
    [patient('"a":1,"\\u0061":2'), ['duplicate-key', ['Patient.a'], undefined, 'Line 1, column 33.']],
    [patient('"__proto__":{}'), ['forbidden-key', ['Patient.__proto__'], '__proto__', 'Line 1, column 27.']],
    [patient('"__proto\\u005f_":{}'), ['forbidden-key', ['Patient.__proto__'], '__proto__', 'Line 1, column 27.']],
    [
      patient('"name":[{},{"constructor":{"prototype":1}}]'),
      ['forbidden-key', ['Patient.name[1].constructor'], 'constructor', 'Line 1, column 39.'],
      ['forbidden-key', ['Patient.name[1].constructor.prototype'], 'prototype', 'Line 1, column 54.'],
    ],
    ...[...Array(32).keys()]
      .filter((c) => c !== 0x09 && c !== 0x0a && c !== 0x0d)
      .map((c): [string, unknown[]] => {
        const code = c.toString(16).toUpperCase().padStart(4, '0')
        return [patient(`"a":"x\\u${code}"`), ['wrong-value', ['Patient.a'], `U+${code}`, 'Line 1, column 33.']]
      }),
    [
      patient('"a":"\\b\\f"'),
      ['wrong-value', ['Patient.a'], 'U+0008', 'Line 1, column 32.'],
      ['wrong-value', ['Patient.a'], 'U+000C', 'Line 1, column 34.'],
    ],
    [patient('"a":"\\ud83d"'), ['wrong-value', ['Patient.a'], 'half a surrogate pair, U+D83D', 'Line 1, column 32.']],
    [
      patient('"a":"\\ude00\\ud83d"'),
      ['wrong-value', ['Patient.a'], 'half a surrogate pair, U+DE00', 'Line 1, column 32.'],
      ['wrong-value', ['Patient.a'], 'half a surrogate pair, U+D83D', 'Line 1, column 38.'],
    ],
    [patient('"a":1e400'), ['wrong-value', ['Patient.a'], '1e400', 'Line 1, column 31.']],
    [patient('"a":-1e400'), ['wrong-value', ['Patient.a'], '-1e400', 'Line 1, column 31.']],
    [patient('"a":1e-400'), ['wrong-value', ['Patient.a'], '1e-400', 'Line 1, column 31.']],
    [
      `{"resourceType":"Bundle","entry":[{"resource":${patient('"a":1e400')}}]}`,
      ['wrong-value', ['Bundle.entry[0].resource.a', 'Patient.a'], '1e400', 'Line 1, column 77.'],
    ],
    [
      patient('"deceasedDateTime":"\\u0000","_birthDate":{"id":"\\u0000"}'),
      ['wrong-value', ['Patient.deceased'], 'U+0000', 'Line 1, column 47.'],
      ['wrong-value', ['Patient.birthDate.id'], 'U+0000', 'Line 1, column 75.'],
    ],
    [
      patient('"contained":[{"resourceType":"Observation","valueString":"\\u0000"}],"a b":{"constructor":1}'),
      ['wrong-value', ['Patient.contained[0].value'], 'U+0000', 'Line 1, column 85.'],
      ['forbidden-key', ['Patient.`a b`.constructor'], 'constructor', 'Line 1, column 102.'],
    ],
    ['"\ud83d"', ['wrong-value', [], undefined, 'Line 1, column 2: half a surrogate pair.']],
  ]
  it.each(harmful)('%j', (text, ...expected) => {
    expect(problemsOf(text)).toEqual(expected)
  })

  it('U+001D in a string, but for the value of a parameter, since scans carry it', () => {
    const parameter = (more: string) => `{"resourceType":"Parameters","parameter":[{"name":"scan",${more}}]}`
    expect(problemsOf(parameter('"valueString":"010\\u001d21"'))).toEqual([])
    const inside = parameter('"resource":{"resourceType":"Patient","id":"\\u001d"}')
    expect(problemsOf(inside).map(([code, at]) => [code, at])).toEqual([
      ['wrong-value', ['Parameters.parameter[0].resource.id']],
    ])
    expect(problemsOf(parameter('"valueString":"010\\u001e21"')).map(([, at]) => at)).toEqual([
      ['Parameters.parameter[0].value'],
    ])
  })

  it('nesting deeper than 64 levels, however deep, and not less', () => {
    const nested = (depth: number) => `${'['.repeat(depth)}${']'.repeat(depth)}`
    expect(problemsOf(nested(64))).toEqual([])
    expect(problemsOf(nested(65))).toEqual([['too-deep', [], undefined, 'Line 1, column 65.']])
    expect(problemsOf('{"a":'.repeat(500_000))).toEqual([['too-deep', [], undefined, 'Line 1, column 321.']])
  })

  it('arrays of more than 2,000 items, and not of fewer', () => {
    const array = (items: number) => `{"resourceType":"Patient","a":[${Array(items).fill('0').join(',')}]}`
    expect(problemsOf(array(2000))).toEqual([])
    expect(problemsOf(array(2001))).toEqual([['too-many-items', ['Patient.a'], undefined, 'Line 1, column 4032.']])
  })

  it('more than 20,000 items in all arrays, and not fewer', () => {
    const arrays = (count: number, items: number) =>
      `{"resourceType":"Patient","a":[${Array(count)
        .fill(`[${Array(items).fill('0').join(',')}]`)
        .join(',')}]}`
    expect(problemsOf(arrays(10, 2000))).toEqual([])
    expect(problemsOf(arrays(11, 1900)).map(([code, at]) => [code, at])).toEqual([
      ['too-many-items', ['Patient.a[10]']],
    ])
  })

  it('a name given twice among a hundred', () => {
    const names = Array.from({ length: 100 }, (_, i) => `"n${i}":0`)
    expect(problemsOf(`{${names.join(',')}}`)).toEqual([])
    expect(problemsOf(`{${names.join(',')},"n50":1}`).map(([code]) => code)).toEqual(['duplicate-key'])
  })

  it('at most 50 faults are told of one body, even when the text breaks off behind them', () => {
    expect(problemsOf(`[${'1e999,'.repeat(60)}`)).toHaveLength(50)
  })
})

describe('numbers keep the way in which they were written', () => {
  const text =
    '{"resourceType":"Media","duration":1.50,"n":{"value":12345678901234567890,"low":0.10,"plain":1.5},"z":-0}'

  it('through a parse and a write', () => {
    expect(writeJson(parsed(text))).toBe(text)
  })

  it('while rules see a plain number', () => {
    expect(parsed(text)).toMatchObject({ duration: 1.5, n: { low: 0.1 } })
    expect(Object.keys(parsed(text) as object)).toEqual(['resourceType', 'duration', 'n', 'z'])
  })

  it('when id and meta are set and strings are rewritten', () => {
    const rewritten = mapTree(parsed(text), (node) => ('low' in node ? { ...node, unit: 's' } : node))
    const stored = { ...(rewritten as object), id: 'a1', meta: { versionId: '1' } }
    expect(writeJson(stored)).toBe(
      '{"resourceType":"Media","duration":1.50,"n":{"value":12345678901234567890,"low":0.10,"plain":1.5,"unit":"s"},"z":-0,"id":"a1","meta":{"versionId":"1"}}',
    )
  })

  it('but a number that the program changed is written as it is now', () => {
    expect(writeJson({ ...(parsed(text) as object), duration: 2 })).toContain('"duration":2,')
  })

  it("in HL7's own example of decimals", () => {
    const source = readFileSync(new URL('examples/Observation-decimal.json', import.meta.url), 'utf8')
    const values = [...source.matchAll(/"value": ([^,\n]+)/g)].map((match) => match[1])
    expect(values).toEqual(['1.0', '1.00', '1.0', '1E-22', '1000000000000000000', ...values.slice(5)])
    const written = writeJson(parsed(source))
    expect([...written.matchAll(/"value":([^,}]+)/g)].map((match) => match[1])).toEqual(values)
  })
})

describe('for any text', () => {
  it('the scan takes what JSON.parse takes, and nothing else', () => {
    const pieces = fc.constantFrom(...'{}[],:"\\ \n019.-+eEutrfalsn', '"a"', 'null', '\\u0041', '\t', '\u0001')
    const texts = fc.oneof(
      fc.array(pieces, { maxLength: 12 }).map((list) => list.join('')),
      fc.json(),
      fc.string(),
    )
    const isMalformed = (text: string) => {
      const checked = parseJson(text)
      return !checked.ok && checked.problems.some(({ code }) => code === 'malformed-json')
    }
    const breaks = (text: string) => {
      try {
        JSON.parse(text)
        return false
      } catch {
        return true
      }
    }
    fc.assert(
      fc.property(texts, (text) => {
        expect(isMalformed(text)).toBe(breaks(text))
      }),
      { numRuns: 3000 },
    )
  })

  it('what is read and written is the same value, and its numbers the same text', () => {
    const number = fc.stringMatching(/^-?(0|[1-9]\d{0,20})(\.\d{1,12})?([eE][+-]?\d{1,2})?$/)
    fc.assert(
      fc.property(fc.json(), fc.array(number), (json, numbers) => {
        const text = `{"rest":${json},"numbers":[${numbers.join(',')}]}`
        const checked = parseJson(text)
        if (!checked.ok) return
        expect(JSON.parse(writeJson(checked.value))).toEqual(JSON.parse(text))
        expect(writeJson(checked.value)).toContain(`"numbers":[${numbers.join(',')}]`)
      }),
    )
  })

  it('no bytes make it throw', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 60 }), (bytes) => {
        expect(typeof parseJson(bytes).ok).toBe('boolean')
      }),
    )
  })
})
