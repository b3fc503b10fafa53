import { evalFhirPathTyped, type TypedValue } from '@medplum/core'
import type { Findings } from './findings.ts'
import type { Invariant } from './shapes.ts'
import { surely } from './surely.ts'

/** The resources that an invariant may speak of. */
export interface Around {
  readonly resource: TypedValue
  readonly root: TypedValue
}

const ucum: TypedValue = { type: 'uri', value: 'http://unitsofmeasure.org' }

/** What is known already of the element whose invariants are evaluated. */
export interface Judged {
  /** Nothing in it is refused. */
  readonly clean: boolean
  /** Elements in it that are refused: an invariant over their values would tell one fault twice. */
  readonly refused?: ReadonlySet<string> | undefined
}

/**
 * Evaluates the invariants of one element. Where the FHIRPath engine gives up (it may, on values of a wrong type),
 * that is told only when nothing else is known to be wrong: `clean`.
 */
export const checkInvariants = (
  invariants: readonly Invariant[],
  value: TypedValue,
  at: string,
  around: Around,
  findings: Findings,
  { clean, refused }: Judged,
): void => {
  if (invariants.length === 0) return
  const variables = {
    '%context': value,
    '%resource': around.resource,
    '%rootResource': around.root,
    '%ucum': ucum,
  }
  for (const { key, text, expression, operands } of invariants) {
    if (refused !== undefined && [...refused].some((element) => operands.has(element))) continue
    if (surely[key]?.(value.value)) continue
    const holds = evaluate(() => evalFhirPathTyped(expression, [value], variables))
    if (holds === false) findings.add('broken-invariant', at, { expected: `${key}: ${text}` })
    if (holds === undefined && clean) {
      findings.add('wrong-type', at, { expected: `values for which ${key} can be evaluated: ${text}` })
    }
  }
}

const evaluate = (run: () => readonly TypedValue[]): boolean | undefined => {
  try {
    const results = run()
    return results.length === 1 && results[0]?.value === true
  } catch {
    return undefined
  }
}
