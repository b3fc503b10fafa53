/**
 * If-Match and If-None-Match of a write. R4, http.html, "Managing Resource Contention"; RFC 9110, 13.1.1 and 13.1.2,
 * but that weak tags count, since FHIR knows no others.
 */
import { accept, type Checked, type Problem, refusal, refuse } from './problems.ts'

/** The tags of one header: anything that is stored, or versions; a tag that is none of ours stands for no version. */
interface Tags {
  readonly text: string
  readonly versions: '*' | ReadonlySet<number>
}

export interface Preconditions {
  readonly ifMatch?: Tags
  readonly ifNoneMatch?: Tags
}

/** Where a part of the request stands: below an entry of the Bundle, else in the address or a header. */
export interface Part {
  readonly at: string
  readonly location?: string
}

/** @param request FHIRPath of the entry's request in the Bundle; '' for a resource alone */
export const partOf = (request: string, element: string, header: string): Part =>
  request === '' ? { at: '', location: `http.${header}` } : { at: `${request}.${element}` }

const parts = [
  ['ifMatch', 'If-Match'],
  ['ifNoneMatch', 'If-None-Match'],
] as const

/** `*`, or entity tags with commas between them; undefined when it is neither. RFC 9110, 8.8.3 */
const readTags = (text: string): Tags | undefined => {
  if (text.trim() === '*') return { text, versions: '*' }
  const tags = text
    .split(',')
    .map((tag) => tag.trim())
    .filter((tag) => tag !== '')
  if (tags.length === 0 || !tags.every((tag) => /^(?:W\/)?"[^"\s]*"$/.test(tag))) return undefined
  const versions = tags.flatMap((tag) => /"([1-9]\d{0,8})"/.exec(tag)?.[1] ?? [])
  return { text, versions: new Set(versions.map(Number)) }
}

const none = accept<Preconditions>({})

/** The headers, or the elements of an entry's request, as they were sent. */
export const readPreconditions = (
  sent: { readonly ifMatch?: string | undefined; readonly ifNoneMatch?: string | undefined },
  request: string,
): Checked<Preconditions> => {
  if (sent.ifMatch === undefined && sent.ifNoneMatch === undefined) return none
  const problems: Problem[] = []
  const read = parts.flatMap(([name, header]) => {
    const text = sent[name]
    const tags = text === undefined ? undefined : readTags(text)
    if (text !== undefined && tags === undefined) {
      const { at, ...where } = partOf(request, name, header)
      problems.push(refusal('wrong-parameter', at, { found: text, expected: 'W/"<version>", or *', ...where }))
    }
    return tags ? [[name, tags] as const] : []
  })
  return problems.length > 0 ? refuse(problems) : accept(Object.fromEntries(read))
}

const covers = ({ versions }: Tags, version: number | undefined): boolean =>
  version !== undefined && (versions === '*' || versions.has(version))

/** Why nothing may be written to what stands at this version; undefined: nothing is stored. */
export const unmet = (
  { ifMatch, ifNoneMatch }: Preconditions,
  version: number | undefined,
  request: string,
): readonly Problem[] => {
  const problems: Problem[] = []
  if (ifMatch && !covers(ifMatch, version)) {
    const { at, ...where } = partOf(request, 'ifMatch', 'If-Match')
    const expected = version === undefined ? 'no If-Match: nothing is stored yet' : `W/"${version}"`
    problems.push(refusal('version-conflict', at, { found: ifMatch.text, expected, ...where }))
  }
  if (ifNoneMatch && covers(ifNoneMatch, version)) {
    const { at, ...where } = partOf(request, 'ifNoneMatch', 'If-None-Match')
    problems.push(refusal('already-stored', at, { found: ifNoneMatch.text, note: `It is W/"${version}".`, ...where }))
  }
  return problems
}
