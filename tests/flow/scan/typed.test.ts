import { describe, expect, test } from 'vitest'
import { readTyped } from '../../../src/model/scan/read-scan.ts'
import { outcome, problems, value } from './words.ts'

describe('a device identifier typed by hand', () => {
  test.each([
    ['09520123456788', '09520123456788'],
    ['9520123456788', '09520123456788'],
    ['416000336108', '00416000336108'], // gs1-syntax-dictionary, linter csum
    ['02345673', '00000002345673'], // the same
    ['0952 0123 4567 88', '09520123456788'],
    [' 09520123456788 ', '09520123456788'],
    ['(01)09520123456788', '09520123456788'],
  ])('%j is the GTIN %s', (typed, deviceIdentifier) => {
    expect(value(readTyped(typed, undefined))).toMatchObject({ issuer: 'gs1', deviceIdentifier })
  })

  test.each([
    ['09520123456789', 'check-digit'],
    ['9520123456780', 'check-digit'],
    ['00000000000000', 'scan-unreadable'],
    ['095201234567', 'check-digit'],
    ['095201234567889', 'scan-unreadable'],
    ['1234567', 'scan-unreadable'],
    ['', 'scan-unreadable'],
    ['  ', 'scan-unreadable'],
    ['0952-0123-4567-88', 'scan-unreadable'],
    ['a123bjc5d6e71', 'scan-unreadable'],
    ['+A123BJC5D6E71', 'check-character'],
    ['\u0000', 'scan-unreadable'],
  ])('%j is refused with %s', (typed, code) => {
    expect(outcome(readTyped(typed, undefined))).toBe(code)
  })

  test.each([
    ['A123BJC5D6E71', 'hibcc', 'A123BJC5D6E71'],
    ['+A123BJC5D6E71G', 'hibcc', 'A123BJC5D6E71'],
    ['*+A123BJC5D6E71G*', 'hibcc', 'A123BJC5D6E71'],
    ['=/A9999XYZ100T0944', 'iccbba', 'A9999XYZ100T0944'],
    ['A9999XYZ100T094X', 'iccbba', 'A9999XYZ100T094X'],
  ])('%s is one of %s', (typed, issuer, deviceIdentifier) => {
    expect(value(readTyped(typed, undefined))).toMatchObject({ issuer, deviceIdentifier })
  })

  test('of 16 characters may be of two issuers, and is asked for again', () => {
    const typed = readTyped('A9999XYZ100T0944', undefined)
    expect(outcome(typed)).toBe('scan-unreadable')
    expect(problems(typed)[0]?.note).toContain('=/')
  })
})

describe('a serial number typed by hand', () => {
  test('may stand alone', () => {
    expect(readTyped(undefined, ' SN1 ')).toEqual({ ok: true, value: { serialNumber: 'SN1' }, warnings: [] })
  })

  test('may be missing, as may both', () => {
    expect(value(readTyped('09520123456788', undefined)).serialNumber).toBeUndefined()
    expect(value(readTyped(undefined, undefined))).toEqual({})
  })

  test.each([
    ['09520123456788', 'SN 1', 'scan-unreadable'],
    ['09520123456788', 'ABCDEFGHIJ1234567890X', 'scan-unreadable'],
    ['09520123456788', 'sn-1', 'ok'],
    ['A123BJC5D6E71', 'sn1', 'scan-unreadable'],
    ['A123BJC5D6E71', 'SN 1', 'ok'],
    ['=/A9999XYZ100T0944', '000025', 'ok'],
    ['=/A9999XYZ100T0944', '25', 'scan-unreadable'],
    [undefined, '', 'scan-unreadable'],
    [undefined, 'SN\u001d1', 'scan-unreadable'],
    [undefined, 'é', 'scan-unreadable'],
  ])('beside %s: %j gives %s', (identifier, serial, code) => {
    expect(outcome(readTyped(identifier, serial))).toBe(code)
  })

  test('may come with the line that states it, and must agree with it', () => {
    const line = '(01)09520123456788(21)SN1'
    expect(value(readTyped(line, undefined)).serialNumber).toBe('SN1')
    expect(outcome(readTyped(line, 'SN1'))).toBe('ok')
    expect(outcome(readTyped(line, 'SN2'))).toBe('scan-disagrees')
  })

  test('is checked even when the identifier is wrong; each finding has its place', () => {
    const typed = readTyped('09520123456789', 'é', { deviceIdentifier: 'a', serialNumber: 'b' })
    expect(problems(typed).map(({ code, at }) => [code, ...at])).toEqual([
      ['check-digit', 'a'],
      ['scan-unreadable', 'b'],
    ])
  })
})
