import { type Checked, type Problem, sentence } from '../../../src/model/problems.ts'
import { readScan } from '../../../src/model/scan/read-scan.ts'

/** The day on which all tests read, unless they say otherwise. */
export const today = '2026-03-01'

export const gs = '\u001d'

/** `^` of the published vectors is FNC1, which is byte 1D in scanned data; a leading one is the symbology identifier's. */
export const fnc1 = (text: string): string => text.replace(/^\^/, '').replaceAll('^', gs)

/** `<GS>` of the published vectors as the byte that it stands for. */
export const withSeparators = (text: string): string => text.replaceAll('<GS>', gs)

export const read = (...parts: string[]) => readScan(parts, today)

/** The value, or a failed test with everything that is wrong. */
export const value = <T>(checked: Checked<T>): T => {
  if (checked.ok) return checked.value
  throw new Error(checked.problems.map(sentence).join('\n'))
}

export const problems = (checked: Checked<unknown>): readonly Problem[] =>
  checked.ok ? checked.warnings : checked.problems

/** `ok` or the codes of what refuses, in order. */
export const outcome = (checked: Checked<unknown>): string =>
  checked.ok
    ? 'ok'
    : checked.problems
        .filter((p) => p.severity === 'error')
        .map((p) => p.code)
        .join(' ')
