import { describe, expect, test } from 'vitest'
import { readDigitalLink } from '../../../src/model/scan/digital-link.ts'
import { printElementString } from '../../../src/model/scan/gs1-elements.ts'
import { fnc1, outcome, read, today, value } from './words.ts'

const dl = 'gs1/gs1-syntax-engine, tests of dl.c'
const toolkit = 'gs1/GS1DigitalLinkToolkit.js, README'
const rule = 'GS1 Digital Link standard, URI syntax'

describe('a GS1 Digital Link', () => {
  test.each([
    ['https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426', '^010952012345678810ABC1^2112345^17180426', dl],
    ['https://id.gs1.org/01/09520123456788/21/12345', '^01095201234567882112345', dl],
    [
      'https://id.gs1.org/01/05412345000013/10/ABC%26%2B123?3103=000189&3923=2172',
      '^010541234500001310ABC&+123^3103000189^39232172', // the separator after 3103 is one too many, and is not printed
      toolkit,
    ],
    ['https://example.com/any/stem/01/09520123456788/22/A/10/B/21/C', '^010952012345678822A^10B^21C', rule],
    ['HTTPS://EXAMPLE.COM/01/09520123456788', '^0109520123456788', rule],
    ['http://example.com:8080/01/09520123456788#21=X', '^0109520123456788', rule],
    ['https://example.com/01/09520123456788/21/A%2dB', '^010952012345678821A-B', rule],
    ['https://example.com/01/09520123456788/21/A+B', '^010952012345678821A+B', rule],
    ['https://example.com/01/09520123456788/21/01', '^01095201234567882101', rule],
    ['https://example.com/01/09520123456788/10/01/21/10', '^01095201234567881001^2110', rule],
    ['https://example.com/01/09520123456788/235/TPX', '^0109520123456788235TPX', rule],
    ['https://example.com/01/09520123456788?linkType=gs1:pip&17=261231', '^010952012345678817261231', rule],
  ])('%s has the data %s (%s)', (text, data) => {
    const { elements, problems } = readDigitalLink({ text, at: '' }, today)
    expect(problems).toEqual([])
    expect(printElementString(elements)).toBe(fnc1(data).replace('3103000189\u001d', '3103000189'))
    expect(value(read(text)).form).toBe('digital-link')
  })

  test.each([
    ['https://example.com/01/09520123456788?10=ABC123', 'scan-unreadable', dl],
    ['https://example.com/01/09520123456788/10/A/22/B', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/21/A/10/B', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/235/A/21/B', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/21/A/21/A', 'scan-unreadable scan-unreadable', rule],
    ['https://example.com/01/09520123456788?17=261231&17=261231', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/21/A/', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/', 'scan-unreadable', rule],
    ['HtTps://example.com/01/09520123456788', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788?17=26+231', 'scan-unreadable', rule],
    ['https://example.com/gtin/09520123456788/ser/A', 'scan-unreadable', rule],
    ['https://example.com/01/9520123456788', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456789', 'check-digit', rule],
    ['https://example.com/01/09520123456788?89=1', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/21/A%2', 'scan-unreadable', rule],
    ['https://example.com/01/09520123456788/21/A%C3%A9', 'scan-unreadable', rule],
    ['https://example.com/', 'scan-unreadable', rule],
    [`https://example.com/01/09520123456788?${'&a=1'.repeat(60)}`, 'scan-unreadable', 'no label has so many'],
    ['https://', 'scan-unreadable', rule],
    ['https://somebody@example.com/01/09520123456788', 'scan-unreadable', rule],
  ])('%s is refused with %s (%s)', (text, codes) => {
    expect(outcome(read(text))).toBe(codes)
  })
})
