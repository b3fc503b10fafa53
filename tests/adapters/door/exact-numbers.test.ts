/** Stored JSON is read and written again to the last digit. R4, datatypes.html, decimal: the precision is part of the value. */
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { parseExactly, writeJson } from '../../../src/adapters/fhir/door/exact-numbers.ts'

const digits = (most: number) => fc.stringMatching(new RegExp(`^[0-9]{1,${most}}$`))
const whole = fc.oneof(fc.constant('0'), fc.stringMatching(/^[1-9][0-9]{0,24}$/))

/** A number as JSON may write it: RFC 8259, section 6. */
const number = fc
  .tuple(
    fc.constantFrom('', '-'),
    whole,
    fc.option(digits(25), { nil: undefined }),
    fc.option(fc.tuple(fc.constantFrom('e', 'E'), fc.constantFrom('', '+', '-'), digits(2)), { nil: undefined }),
  )
  .map(([sign, before, after, exponent]) => `${sign}${before}${after ? `.${after}` : ''}${exponent?.join('') ?? ''}`)

const { value: json } = fc.letrec<{ value: string }>((tie) => ({
  value: fc.oneof(
    { depthSize: 'small' },
    number,
    fc.constantFrom('true', 'null', '"01095201234567881728"', '"1.50"', '", 1.50"'),
    fc.array(tie('value'), { maxLength: 4 }).map((items) => `[${items.join(',')}]`),
    fc.array(tie('value'), { maxLength: 4 }).map((items) => `{${items.map((item, i) => `"p${i}":${item}`).join(',')}}`),
  ),
}))

describe('stored JSON', () => {
  test.each(['{"value":1.50}', '[1e2]', '{"a":[-0]}', '{"a":[0,-0.0]}', '[12345678901234567890]', '[1, 2.0]'])(
    'keeps how %s was written',
    (text) => {
      expect(writeJson(parseExactly(text))).toBe(text.replaceAll(' ', ''))
    },
  )

  test('of any kind comes back as it was', () => {
    fc.assert(
      fc.property(
        fc.oneof(
          json.map((v) => `{"value":${v}}`),
          json.map((v) => `[${v}]`),
        ),
        (text) => {
          expect(writeJson(parseExactly(text))).toBe(text)
        },
      ),
      { numRuns: 1000 },
    )
  })
})
