import { describe, expect, it } from 'vitest'
import { narrativeFault } from '../../../src/adapters/fhir/door/narrative.ts'

const div = (inner: string, more = '') => `<div xmlns="http://www.w3.org/1999/xhtml"${more}>${inner}</div>`

describe('the text for people (http://hl7.org/fhir/R4/narrative.html)', () => {
  it.each([
    div('words'),
    div('<p>a <b>b</b><br/>c</p><table class="grid"><tr><td colspan="2">d</td></tr></table>'),
    div('<a href="https://harbour.example/a?b=c&amp;d=e">x</a>'),
    div('<img src="#pic" alt="a picture"/>'),
    ` ${div('<!-- a comment -->words')}\n`,
    div('words', ' xml:lang="en" lang="en"'),
    `<div xmlns='http://www.w3.org/1999/xhtml'>a &#233; b</div>`,
  ])('takes %s', (text) => {
    expect(narrativeFault(text)).toBeUndefined()
  })

  it.each([
    ['words', 'in a div'],
    ['<p>words</p>', 'in a div'],
    ['<div>words</div>', 'xmlns'],
    ['<div xmlns="http://www.w3.org/TR/html4">words</div>', 'namespace'],
    [div('<script>alert(1)</script>'), 'txt-1'],
    [div('<form><input/></form>'), 'txt-1'],
    [div('<iframe src="https://a.example"></iframe>'), 'txt-1'],
    [div('<p onclick="alert(1)">x</p>'), 'txt-1'],
    [div('<a href="javascript:alert(1)">x</a>'), 'txt-1'],
    [div('<a href=" JavaScript:alert(1)">x</a>'), 'txt-1'],
    [div('<svg><path/></svg>'), 'txt-1'],
    [div('<b>a<i>b</b></i>'), 'well-formed'],
    [div('<b>a'), 'well-formed'],
    [div('a < b'), 'well-formed'],
    [div('<p class=x>a</p>'), 'well-formed'],
    [`${div('a')}${div('b')}`, 'well-formed'],
    [`${div('a')} b`, 'well-formed'],
    [div(''), 'txt-2'],
    [div(' <br/> &nbsp; '), 'txt-2'],
    ['', 'well-formed'],
    ['<!DOCTYPE html><div>a</div>', 'well-formed'],
  ])('refuses %s', (text, why) => {
    expect(narrativeFault(text)).toContain(why)
  })

  it('costs in proportion to its length, whatever it holds', () => {
    const hard = [
      '<b>'.repeat(100_000),
      `<p ${'a="'.repeat(100_000)}`,
      '<'.repeat(200_000),
      `<a ${' '.repeat(200_000)}`,
    ]
    for (const inner of hard) {
      const from = performance.now()
      narrativeFault(div(inner))
      expect(performance.now() - from).toBeLessThan(1_000)
    }
  })
})
