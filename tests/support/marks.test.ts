import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { leavesOf, marksIn, newMark, stem, withLeaf } from './marks.ts'

describe('marked data', () => {
  const mark = newMark()
  it.each([
    ['as it is', mark],
    ['in small letters', mark.toLowerCase()],
    ['in capitals', mark.toUpperCase()],
    ['with an accent', 'Zqxma\u0301rk0001'],
    ['in an address', `/fhir/Patient?family=${mark}`],
    ['with every letter percent-encoded', [...Buffer.from(mark)].map((b) => `%${b.toString(16)}`).join('')],
    ['in JSON escapes', [...mark].map((c) => `\\u00${c.charCodeAt(0).toString(16)}`).join('')],
    ['as bytes', JSON.stringify(Buffer.from(mark))],
    ['in hexadecimal', Buffer.from(mark).toString('hex')],
  ])('is found %s', (_, text) => {
    expect(marksIn(`before ${text} after`, [])).not.toEqual([])
  })

  it('is found in base64, whatever stands around it', () => {
    fc.assert(
      fc.property(
        fc.string(),
        fc.string(),
        fc.constantFrom<BufferEncoding>('base64', 'base64url'),
        (before, after, form) => {
          expect(marksIn(Buffer.from(before + stem + after).toString(form), [])).not.toEqual([])
        },
      ),
    )
  })

  it('is not found where there is none', () => {
    expect(marksIn('{"level":30,"time":"2026-03-02T09:00:00Z","route":"/fhir/Patient/:id"}', ['1911-11-13'])).toEqual(
      [],
    )
  })

  it('is planted in every string of a body, one at a time', () => {
    const body = { a: 'x', b: [{ c: 'y', d: 1 }, 'z'] }
    expect(leavesOf(body)).toEqual([['a'], ['b', 0, 'c'], ['b', 1]])
    expect(withLeaf(body, ['b', 0, 'c'], (before) => `${before}!`)).toEqual({ a: 'x', b: [{ c: 'y!', d: 1 }, 'z'] })
    expect(body.b[0]).toEqual({ c: 'y', d: 1 })
  })
})
