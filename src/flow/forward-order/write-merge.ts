/**
 * Who owns which element of what we write: elements of ours are set to ours, everything else stays theirs. Pure.
 */
import type { FhirResource, Task } from 'fhir/r4.js'
import { canonical, isTree, type Tree } from '../../model/tree.ts'

/**
 * - `ours`: as we have it, and gone where we have none.
 * - `fill`: ours where they have none.
 * - `join`: a list of both; of two that are the same thing, ours.
 */
type Rule = 'ours' | 'fill' | 'join'

type Rules = Readonly<Record<string, Rule>>

export type Audience = 'source' | 'reading-service'

const rules = (owned: string, filled = '', joined = ''): Rules =>
  Object.fromEntries(
    [
      ['ours', owned],
      ['fill', filled],
      ['join', `identifier extension ${joined}`],
    ].flatMap(([rule, names]) => (names ?? '').split(' ').flatMap((name) => (name ? [[name, rule as Rule]] : []))),
  )

/** Of an element with a choice of types all forms are ours, since there may be only one. */
const byType: Readonly<Record<string, Rules>> = {
  Device: rules('udiCarrier serialNumber lotNumber manufactureDate expirationDate patient', 'status type'),
  DeviceUseStatement: rules(
    'basedOn status subject derivedFrom timingPeriod timingTiming timingDateTime recordedOn device',
    'bodySite',
    'note',
  ),
  Procedure: rules(
    'basedOn status subject performedDateTime performedPeriod performedString performedAge performedRange focalDevice',
    'code performer bodySite',
  ),
  Task: rules('basedOn intent code focus for authoredOn requester owner input', '', ''),
  Observation: rules(
    'basedOn subject effectivePeriod effectiveDateTime effectiveTiming effectiveInstant device',
    'code',
  ),
  DiagnosticReport: rules('basedOn subject effectivePeriod effectiveDateTime', 'code category', 'result'),
  Media: rules(
    'basedOn status type modality view subject createdDateTime createdPeriod issued operator content height width duration',
    'bodySite',
    'note',
  ),
}

/** Once there is a report, its words are those of the reading service that made it, and we hand them on. */
const reported: Readonly<Record<string, Rules>> = {
  Observation: rules(
    [
      'code category performer issued dataAbsentReason interpretation method referenceRange hasMember derivedFrom component',
      'valueQuantity valueCodeableConcept valueString valueBoolean valueInteger valueRange valueRatio valueSampledData',
      'valueTime valueDateTime valuePeriod',
    ].join(' '),
    'bodySite',
    'note',
  ),
  DiagnosticReport: rules(
    'code category performer resultsInterpreter issued result conclusion conclusionCode presentedForm media',
  ),
}

/** What the reading service says of its own work; towards the EHR we say it. */
const answerOfTask: Rules = rules('status statusReason businessStatus output lastModified', '', 'note')

/** Withdrawn is withdrawn, whoever said something before. */
const withdrawn = (task: Task): boolean => task.status === 'entered-in-error' || task.status === 'cancelled'

const status: Rules = { status: 'ours' }

/** A stub or a report: whose word counts follows from which of the two it is. */
const rulesForResult = (type: string, own: Rules, said: string, to: Audience): Rules => {
  if (said === 'registered') return to === 'source' ? { ...own, ...status } : own
  return said === 'entered-in-error' ? { ...own, ...status } : { ...own, ...status, ...reported[type] }
}

const rulesFor = (ours: FhirResource, to: Audience): Rules | undefined => {
  const own = byType[ours.resourceType]
  if (own === undefined) return undefined
  if (ours.resourceType === 'Observation' || ours.resourceType === 'DiagnosticReport')
    return rulesForResult(ours.resourceType, own, ours.status, to)
  if (ours.resourceType !== 'Task') return own
  if (to === 'source') return { ...own, ...answerOfTask }
  return withdrawn(ours) ? { ...own, ...status } : own
}

/** What makes two items of a list the same thing. */
const nameOf = (element: string, item: unknown): string => {
  if (!isTree(item)) return canonical(item)
  if (element === 'identifier') return canonical([item.system, item.value])
  if (element === 'extension') return canonical(item.url)
  return element === 'note' ? canonical(item.text) : canonical(item)
}

const listOf = (value: unknown): readonly unknown[] =>
  Array.isArray(value) ? value : value === undefined ? [] : [value]

/** Theirs in their places, each that is also ours replaced by ours; then what they lack. */
const joined = (element: string, theirs: unknown, ours: unknown): readonly unknown[] => {
  const own = new Map(listOf(ours).map((item) => [nameOf(element, item), item] as const))
  const kept = listOf(theirs).map((item) => {
    const name = nameOf(element, item)
    const mine = own.get(name)
    own.delete(name)
    // an identifier that both have may say more on their side: its type, its use
    return mine === undefined || element === 'identifier' ? item : mine
  })
  return [...kept, ...own.values()]
}

const set = (into: Record<string, unknown>, element: string, rule: Rule, ours: unknown): void => {
  if (rule === 'join') {
    const list = joined(element, into[element], ours)
    if (list.length > 0) into[element] = list
  } else if (rule === 'ours' || into[element] === undefined) {
    if (ours !== undefined) into[element] = ours
    else if (rule === 'ours') delete into[element]
  }
}

/** An order goes as its source wrote it: all of it is its source's, who speaks through us. */
const whole = (theirs: FhirResource, ours: FhirResource): FhirResource => {
  const { id, meta, identifier } = theirs as unknown as Tree
  const identifiers = joined('identifier', identifier, (ours as unknown as Tree).identifier)
  return { ...ours, id, ...(meta !== undefined && { meta }), identifier: identifiers } as FhirResource
}

export interface Merge {
  readonly to: Audience
  /** Elements that are left as they are this time, whoever owns them. */
  readonly leave?: readonly string[]
}

/**
 * What they shall have: theirs, with what is ours in it set to ours.
 * @returns undefined where they have it already. A patient of theirs is never changed.
 */
export const merged = (
  theirs: FhirResource,
  ours: FhirResource,
  { to, leave = [] }: Merge,
): FhirResource | undefined => {
  if (ours.resourceType === 'Patient') return undefined
  const owned = rulesFor(ours, to)
  const after: Record<string, unknown> = { ...theirs }
  for (const [element, rule] of Object.entries(owned ?? {}))
    if (!leave.includes(element)) set(after, element, rule, (ours as unknown as Tree)[element])
  const result = owned === undefined ? whole(theirs, ours) : (after as unknown as FhirResource)
  return canonical(result) === canonical(theirs) ? undefined : result
}
