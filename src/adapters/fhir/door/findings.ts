import { type Problem, type RefusalCode, refusal } from '../../../model/problems.ts'

/** One more than is told, so that it can be told that there are more. */
const maxFindings = 501

/** Collects the problems of one resource; what lies in an entry of a Bundle gets a second expression. */
export class Findings {
  readonly problems: Problem[] = []
  private readonly type: string
  private readonly within: string | undefined

  /** `within` is the FHIRPath of the resource in what surrounds it: `Bundle.entry[1].resource`. */
  constructor(type: string, within: string | undefined) {
    this.type = type
    this.within = within
  }

  get count(): number {
    return this.problems.length
  }

  /** `at` is the FHIRPath from the resource itself. Beyond what can be told nothing more is noted. */
  add(code: RefusalCode, at: string, details: { found?: unknown; expected?: string; note?: string } = {}): void {
    if (this.problems.length >= maxFindings) return
    const outer = this.within === undefined ? undefined : `${this.within}${at.slice(this.type.length)}`
    this.problems.push(refusal(code, [outer, at].filter(isPlace), details))
  }
}

const isPlace = (at: string | undefined): at is string => at !== undefined && at !== ''

/** What kind of JSON value it is, for people. */
export const kindOf = (value: unknown): string => {
  if (value === null) return 'null'
  if (value === undefined) return 'nothing'
  if (Array.isArray(value)) return 'an array'
  return typeof value === 'object' ? 'an object' : `a ${typeof value}`
}

/**
 * A property name as FHIRPath writes it. What is no element of FHIR may be named anything, at any length: such a name
 * is put in back quotes and cut.
 */
export const nameInPath = (name: string): string => {
  if (/^[A-Za-z_]\w{0,63}$/.test(name)) return name
  const text = name.length > 40 ? `${name.slice(0, 39)}…` : name
  return `\`${JSON.stringify(text).slice(1, -1).replaceAll('`', '\\`')}\``
}
