/** From what was sent to the content of a stub: ids for what came along, references that lead to ours. */
import type { DiagnosticReport, FhirResource, Reference } from 'fhir/r4.js'
import type { Source, SystemValue } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { isStudy } from '../../model/resources/report-resources.ts'
import type { ReportResult, StubState } from '../../model/states.ts'
import { identifierSystems, systems } from '../../model/systems.ts'
import { canonical, mapTree } from '../../model/tree.ts'
import { type Incoming, placesOf } from '../accept-order/incoming.ts'
import { mentionsOf, resolveReferences } from '../accept-order/resolve-references.ts'
import { idAsked, identifiersOf, type SentReport, type SentResult } from './sent-report.ts'

/** What the reading service may refer to besides what it sends along. */
export interface Surroundings {
  /** As a sender of resources: where its own server is. */
  readonly service: Source
  /** `Type/id` of ours that the caller may see. */
  readonly own: ReadonlySet<string>
  readonly newId: () => string
}

export interface Content {
  readonly words: DiagnosticReport
  readonly results: readonly ReportResult[]
}

const namesOf = ({ resource }: SentResult): readonly SystemValue[] =>
  resource.resourceType === 'Binary' ? [] : identifiersOf(resource)

/** Its first identifier, else its place among those of its type. */
const keyOf = (result: SentResult, all: readonly SentResult[]): string => {
  const [name] = namesOf(result)
  const type = result.resource.resourceType
  if (name !== undefined) return canonical([type, name.system, name.value])
  return canonical([type, all.filter((r) => r.resource.resourceType === type).indexOf(result)])
}

/** The id of ours that an entry asks for: by its address, its criterion or an identifier of ours. */
const askedId = ({ resource, incoming }: SentResult): string | undefined => {
  const type = resource.resourceType
  if (incoming?.targetId !== undefined) return incoming.targetId
  if (type === 'Binary') return undefined
  const names = [...(incoming?.criterion ? [incoming.criterion] : []), ...identifiersOf(resource)]
  return names.find((n) => n.system === identifierSystems[type])?.value
}

/** Which of the Observations stands for the recording as a whole: the only one, or the only one with the study's code. */
const standsForAll = (all: readonly SentResult[]): SentResult | undefined => {
  const observations = all.filter((r) => r.resource.resourceType === 'Observation')
  const studies = observations.filter((r) => r.resource.resourceType === 'Observation' && isStudy(r.resource))
  if (observations.length === 1) return observations[0]
  return studies.length === 1 ? studies[0] : undefined
}

interface Placed {
  readonly sent: SentResult
  readonly id: string
  readonly key: string
}

const placed = (
  { report, results: all }: SentReport,
  stub: StubState,
  newId: () => string,
): { readonly list: readonly Placed[]; readonly problems: readonly Problem[] } => {
  const before = stub.report?.results ?? []
  const known = new Set([stub.observationId, ...before.map((r) => r.id)])
  // what the report names by our id is meant by that, not by its place
  const named = new Set((report.result ?? []).map((r) => idAsked(r, 'Observation')))
  const problems: Problem[] = []
  const taken = new Set<string>()
  const first = all.map((sent) => {
    const [asked, key] = [askedId(sent), keyOf(sent, all)]
    const id = asked ?? before.find((r) => r.key === key && !named.has(r.id))?.id
    if (asked !== undefined && !known.has(asked)) problems.push(refusal('not-known', placesIn(sent, 'id')))
    if (taken.has(id ?? key)) problems.push(refusal('same-identity-twice', placesIn(sent, 'identifier')))
    taken.add(id ?? key)
    return { sent, id, key }
  })
  const isTold = taken.has(stub.observationId) || named.has(stub.observationId)
  const whole = isTold ? undefined : standsForAll(all)
  const list = first.map((p) => ({ ...p, id: p.id ?? (p.sent === whole ? stub.observationId : newId()) }))
  return { list, problems }
}

const placesIn = ({ incoming, resource }: SentResult, path: string): readonly string[] =>
  incoming ? placesOf(incoming, path) : [`${resource.resourceType}.${path}`]

/** Patient, order and device are judged elsewhere and are ours; `result` is made anew. */
const withoutOurs = <T extends FhirResource>(resource: T): T => {
  if (resource.resourceType === 'Binary') return resource
  const { subject: _s, basedOn: _b, device: _d, result: _r, ...rest } = resource as unknown as Record<string, unknown>
  return rest as unknown as T
}

/** Without what our storage sets. */
const wordsOf = <T extends FhirResource>(resource: T): T => {
  const { id: _id, meta, ...rest } = resource
  const { versionId: _v, lastUpdated: _l, source: _s, tag = [], ...others } = meta ?? {}
  const theirs = tag.filter((t) => t.system !== systems.reportMark)
  const kept = { ...others, ...(theirs.length > 0 && { tag: theirs }) }
  return { ...rest, ...(Object.keys(kept).length > 0 && { meta: kept }) } as T
}

/** An address of a Binary that came along is one of ours. */
const withFiles = <T extends FhirResource>(resource: T, inBundle: ReadonlyMap<string, string>): T =>
  mapTree(resource, (node) => {
    const file = typeof node.url === 'string' ? inBundle.get(node.url) : undefined
    return file === undefined ? node : { ...node, url: file }
  })

const resolved = <T extends FhirResource>(
  incoming: Incoming,
  resource: T,
  inBundle: ReadonlyMap<string, string>,
  { service, own }: Surroundings,
): { readonly resource: T; readonly problems: readonly Problem[] } => {
  const { fhir } = service
  // what is on their own server is theirs to refer to: nobody here looks it up
  const theirs = mentionsOf(resource).flatMap(({ reference = '' }) =>
    fhir !== undefined && reference.startsWith(`${fhir}/`) ? [[reference, reference] as const] : [],
  )
  const done = resolveReferences(
    { ...incoming, resource: withFiles(withoutOurs(resource), inBundle) },
    { byIdentity: new Map(), own, inBundle: new Map([...theirs, ...inBundle]), source: service },
  )
  return { resource: wordsOf(done.resource as T), problems: done.problems }
}

/** Results of before that the report still names, without sending them again. */
const carriedOver = (
  { report }: SentReport,
  stub: StubState,
  list: readonly Placed[],
): { readonly kept: readonly ReportResult[]; readonly problem: readonly Reference[] } => {
  const sent = new Set(list.flatMap((p) => [...p.sent.mentions, `${p.sent.resource.resourceType}/${p.id}`]))
  const others = (report.result ?? []).filter((r) => r.reference !== undefined && !sent.has(r.reference))
  const before = new Map((stub.report?.results ?? []).map((r) => [r.id, r]))
  const ids = others.map((r) => idAsked(r, 'Observation') ?? '')
  return {
    kept: ids.flatMap((id) => before.get(id) ?? []).map(({ withdrawn: _w, ...r }) => r),
    problem: others.filter((_, i) => !before.has(ids[i] ?? '') && ids[i] !== stub.observationId),
  }
}

/** Entries in the order in which `result` names them, then what else came along. */
const inOrder = ({ report }: SentReport, list: readonly Placed[]): readonly Placed[] => {
  const order = (report.result ?? []).map((r) => r.reference ?? '')
  const rank = ({ sent }: Placed) => {
    const at = order.findIndex((reference) => sent.mentions.includes(reference))
    return at < 0 ? order.length : at
  }
  return list.toSorted((a, b) => rank(a) - rank(b))
}

/** The content that the stub would have, and what cannot be resolved in it. */
export const contentFor = (
  sent: SentReport,
  stub: StubState,
  around: Surroundings,
): {
  readonly content: Content
  readonly ids: ReadonlyMap<Incoming, string>
  readonly problems: readonly Problem[]
} => {
  const { list, problems } = placed(sent, stub, around.newId)
  const inBundle = new Map<string, string>(
    list.flatMap(({ sent: { resource, mentions }, id }) =>
      mentions.map((m) => [m, `${resource.resourceType}/${id}`] as const),
    ),
  )
  for (const mention of [sent.incoming.fullUrl ?? ''].filter((m) => m !== ''))
    inBundle.set(mention, `DiagnosticReport/${stub.id}`)
  const mine = { ...around, own: new Set([...around.own, ...inBundle.values()]) }
  const words = resolved(sent.incoming, sent.report, inBundle, mine)
  const parts = inOrder(sent, list).map((p) => ({
    ...p,
    done: resolved(p.sent.incoming ?? sent.incoming, p.sent.resource, inBundle, mine),
  }))
  const { kept, problem } = carriedOver(sent, stub, list)
  const results = [...parts.map(({ id, key, done }): ReportResult => ({ id, key, resource: done.resource })), ...kept]
  const still = new Set(results.map((r) => r.id))
  const gone = (stub.report?.results ?? [])
    .filter((r) => !still.has(r.id))
    .map((r): ReportResult => ({ ...r, withdrawn: true }))
  return {
    content: { words: words.resource, results: [...results, ...gone] },
    ids: new Map(parts.flatMap(({ sent: { incoming }, id }) => (incoming ? [[incoming, id] as const] : []))),
    problems: [
      ...problems,
      ...words.problems,
      ...parts.flatMap((p) => p.done.problems),
      ...problem.map((r) => refusal('reference-not-found', placesOf(sent.incoming, 'result'), { found: r.reference })),
    ],
  }
}
