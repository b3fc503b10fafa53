/** What a reading service sends: each report with the Observations, Media and Binaries that belong to it. */
import type {
  Binary,
  DiagnosticReport,
  FhirResource,
  Identifier,
  Media,
  Observation,
  Reference,
  Resource,
} from 'fhir/r4.js'
import type { SystemValue } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { isTree, mapTree, type Tree, visit } from '../../model/tree.ts'
import { type Incoming, placesOf } from '../accept-order/incoming.ts'
import { pushedTypes } from '../accept-order/place.ts'

/** Types that a reading service may send. */
export const reportTypes: readonly string[] = ['DiagnosticReport', 'Observation', 'Media', 'Binary']

export interface SentResult {
  readonly resource: Observation | Media | Binary
  /** How the report and its other parts mention it. */
  readonly mentions: readonly string[]
  /** The entry that it came as; what was contained in the report came as none. */
  readonly incoming?: Incoming
}

export interface SentReport {
  readonly incoming: Incoming
  /** With what was contained in it and became a resource of its own mentioned by `urn:contained:`. */
  readonly report: DiagnosticReport
  readonly results: readonly SentResult[]
}

const isResult = (r: FhirResource): r is Observation | Media | Binary =>
  r.resourceType === 'Observation' || r.resourceType === 'Media' || r.resourceType === 'Binary'

const mentionsOfEntry = ({ fullUrl, targetId, resource }: Incoming): readonly string[] => [
  ...(fullUrl === undefined ? [] : [fullUrl]),
  ...(targetId === undefined ? [] : [`${resource.resourceType}/${targetId}`]),
]

/** Everything that a resource refers to, or has the address of. */
const mentioned = (resource: FhirResource): ReadonlySet<string> => {
  const found = new Set<string>()
  visit(resource, (node) => {
    for (const text of [node.reference, node.url]) if (typeof text === 'string') found.add(text)
  })
  return found
}

const inside = (id: string): string => `urn:contained:${id}`

const moved = (node: Tree, ids: ReadonlySet<string>): Tree =>
  typeof node.reference === 'string' && node.reference.startsWith('#') && ids.has(node.reference.slice(1))
    ? { ...node, reference: inside(node.reference.slice(1)) }
    : node

/** What a contained Observation refers to among its neighbours goes along with it. */
const withNeighbours = <T extends FhirResource>(resource: T, neighbours: readonly FhirResource[]): T => {
  const asked = mentioned(resource)
  const along = neighbours.filter((n) => asked.has(`#${n.id}`))
  return along.length === 0 ? resource : { ...resource, contained: along }
}

/** Contained Observations and Media become resources of their own, so that they can be found. */
const unpacked = (report: DiagnosticReport): Pick<SentReport, 'report' | 'results'> => {
  const { contained: all = [], ...rest } = report
  const contained = all as readonly FhirResource[]
  const inner = contained.filter(isResult).filter((r) => r.resourceType !== 'Binary')
  if (inner.length === 0) return { report, results: [] }
  const ids = new Set(inner.map((r) => r.id ?? ''))
  const move = <T>(value: T): T => mapTree(value, (node) => moved(node, ids))
  const stay = contained.filter((r) => !ids.has(r.id ?? '')).map(move)
  return {
    report: withNeighbours(move(rest) as DiagnosticReport, stay),
    results: inner.map((r) => ({ resource: withNeighbours(move(r), stay), mentions: [inside(r.id ?? '')] })),
  }
}

/** The entries that a report leads to, directly or through each other, in the order in which it does. */
const reached = (report: DiagnosticReport, parts: readonly Incoming[]): readonly Incoming[] => {
  const found: Incoming[] = []
  const seen = new Set<Incoming>()
  const follow = (resource: FhirResource) => {
    const asked = mentioned(resource)
    const order = [...asked]
    const next = parts
      .filter((p) => !seen.has(p) && mentionsOfEntry(p).some((m) => asked.has(m)))
      .map((p) => ({
        p,
        rank: Math.min(
          ...mentionsOfEntry(p)
            .map((m) => order.indexOf(m))
            .filter((n) => n >= 0),
        ),
      }))
      .sort((a, b) => a.rank - b.rank)
    for (const { p } of next) {
      seen.add(p)
      found.push(p)
    }
    for (const { p } of next) follow(p.resource)
  }
  follow(report)
  return found
}

/** Sorts the entries of one message into reports; what belongs to none is refused, and so is any other type. */
export const sentReports = (
  entries: readonly Incoming[],
): { readonly reports: readonly SentReport[]; readonly problems: readonly Problem[] } => {
  const parts = entries.filter((e) => isResult(e.resource))
  const claimed = new Set<Incoming>()
  const reports = entries.flatMap((incoming): SentReport[] => {
    if (incoming.resource.resourceType !== 'DiagnosticReport') return []
    const { report, results } = unpacked(incoming.resource)
    const mine = reached(incoming.resource, parts).filter((p) => !claimed.has(p))
    for (const part of mine) claimed.add(part)
    const sent = mine.flatMap((p): SentResult[] =>
      isResult(p.resource) ? [{ resource: p.resource, mentions: mentionsOfEntry(p), incoming: p }] : [],
    )
    return [{ incoming, report, results: [...results, ...sent] }]
  })
  const problems = entries.flatMap((e): Problem[] => {
    const type = e.resource.resourceType
    if (!reportTypes.includes(type)) {
      // what sources send a reading service may not; what nobody sends is not taken
      const code = pushedTypes.includes(type) ? 'not-allowed' : 'type-not-taken'
      return [refusal(code, placesOf(e, ''), { found: type, expected: reportTypes.join(', ') })]
    }
    return parts.includes(e) && !claimed.has(e)
      ? [
          refusal('result-without-report', placesOf(e, ''), {
            expected: 'a DiagnosticReport beside it that leads to it',
          }),
        ]
      : []
  })
  return { reports, problems }
}

const named = (i: Identifier): i is Identifier & SystemValue =>
  i.system !== undefined && i.system !== '' && i.value !== undefined && i.value !== ''

export const identifiersOf = (resource: { identifier?: Identifier[] | undefined }): readonly SystemValue[] =>
  (resource.identifier ?? []).filter(named).map(({ system, value }) => ({ system, value }))

/** By which names a reference asks, whatever its form: logical, conditional, or contained with an identifier. */
export const namesAsked = (ref: Reference | undefined, contained: readonly Resource[] = []): readonly SystemValue[] => {
  if (ref === undefined) return []
  const [, query = ''] = /^[A-Z][A-Za-z]+\?identifier=([^&]+)$/.exec(ref.reference ?? '') ?? []
  const [, system, value] = /^([^|]*)\|(.+)$/s.exec(decodedOr(query)) ?? []
  const inner = ref.reference?.startsWith('#')
    ? contained.find((c) => c.id === ref.reference?.slice(1) && 'identifier' in c)
    : undefined
  return [
    ...(ref.identifier && named(ref.identifier)
      ? [{ system: ref.identifier.system, value: ref.identifier.value }]
      : []),
    ...(system !== undefined && value !== undefined ? [{ system, value }] : []),
    ...(isTree(inner) ? identifiersOf(inner as { identifier?: Identifier[] }) : []),
  ]
}

const decodedOr = (text: string): string => {
  try {
    return decodeURIComponent(text)
  } catch {
    return ''
  }
}

/** The id in `Type/<id of ours>`. */
export const idAsked = (ref: Reference | undefined, type: string): string | undefined =>
  new RegExp(`^${type}/([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})(?:/_history/.*)?$`).exec(ref?.reference ?? '')?.[1]
