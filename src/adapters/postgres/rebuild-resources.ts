/** Resources, their versions, readers and search index, held against the journal and against their own words. */
import type { FhirResource } from 'fhir/r4.js'
import { contentOf } from '../../flow/accept-order/incoming.ts'
import { withoutMark } from '../../flow/accept-order/origin.ts'
import type { State } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import { instantSql } from '../clock.ts'
import { parseExactly } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { contentText, type Recorded, type Replay, recordKey, replay, type Version } from './replay-journal.ts'
import { resourceText } from './resource-text.ts'
import { indexOf } from './search-parameters.ts'
import { counter, pagesOf, type TableCheck } from './table-check.ts'

interface JournalRow {
  readonly first: number
  readonly at: string
  readonly who: string
  readonly request_id: string
  readonly fact: string
  readonly state: State
}

/** What one step wrote at once has one moment, one request and one step; what waited for it comes after it. */
const writings = `select min(seq) over (partition by recorded_at, request_id, step) as first, ${instantSql('recorded_at')} as at,
    who, request_id, fact, state
  from journal where kind <> 'configuration' order by first, seq`

const replayJournal = async (tx: Tx): Promise<Replay> => {
  const all = replay()
  let open: Recorded[] = []
  let of = -1
  for await (const page of pagesOf<JournalRow>(tx, 'journal_writings', writings))
    for (const { first, at, who, request_id: requestId, fact, state } of page) {
      if (first !== of && open.length > 0) {
        all.take(open)
        open = []
      }
      of = first
      open.push({ at, who, requestId, fact, state })
    }
  if (open.length > 0) all.take(open)
  return all
}

interface StoredRow {
  readonly type: string
  readonly id: string
  readonly version: number
  readonly updated: string
  readonly body: string
  readonly seen_by: readonly string[]
  readonly tokens: readonly string[]
  readonly spans: readonly (number | null)[]
  readonly names: readonly { readonly param: string; readonly value: string }[]
  readonly earlier: readonly { readonly version: number; readonly updated: string; readonly body: string }[]
}

const ms = (column: string): string => `(extract(epoch from ${column}) * 1000)::float8`

const storedResources = `select r.type, r.id, r.version, ${instantSql('r.updated')} as updated, r.body, r.seen_by, r.tokens,
    array[${['r.from1', 'r.until1', 'r.from2', 'r.until2'].map(ms).join(', ')}] as spans,
    coalesce((select json_agg(json_build_object('param', n.param, 'value', n.value)) from names n where n.type = r.type and n.id = r.id), '[]') as names,
    coalesce((select json_agg(json_build_object('version', e.version, 'updated', ${instantSql('e.updated')}, 'body', e.body) order by e.version)
      from earlier_versions e where e.type = r.type and e.id = r.id), '[]') as earlier
  from resources r where r.type <> 'MeasureReport' order by r.type, r.id`

const holds = (resource: FhirResource, { content }: Version): boolean => {
  if ('text' in content) return contentText(resource) === content.text
  const { versionId: _v, lastUpdated: _l, ...meta } = resource.meta ?? {}
  const words = { ...resource, meta }
  return contentOf(content.byHand ? withoutMark(words) : words, resource).digest === content.digest
}

export const parsed = (
  type: string,
  id: string,
  of: { version: number; updated: string; body: string },
): FhirResource => parseExactly(resourceText({ type, id, ...of })) as FhirResource

const sorted = (list: readonly unknown[]): string => canonical(list.map(canonical).toSorted())

const msOfSpan = (text: string | null): number | null =>
  text === null ? null : text === 'infinity' ? Number.POSITIVE_INFINITY : Date.parse(text)

/** Where the index of a stored resource is not the one that its own words have. */
const indexFaults = (row: StoredRow, resource: FhirResource): readonly string[] => {
  const { tokens, spans, names } = indexOf(resource)
  const times = [...(spans[1] ?? [null, null]), ...(spans[2] ?? [null, null])].map(msOfSpan)
  return [
    ...(sorted(tokens) === sorted(row.tokens) ? [] : ['tokens']),
    ...(times.every((t, i) => Object.is(t, row.spans[i] ?? null)) ? [] : ['dates']),
    ...(sorted(names) === sorted(row.names) ? [] : ['names']),
  ]
}

const versionFaults = (row: StoredRow, versions: readonly Version[]): readonly string[] => {
  const stored = [...row.earlier, row]
  if (stored.length !== versions.length || stored.some((s, i) => s.version !== i + 1)) return ['version']
  const wrong = (i: number, version: Version): readonly string[] => {
    const there = stored[i] as StoredRow
    const which = i === stored.length - 1 ? '' : ` of version ${i + 1}`
    return [
      ...(there.updated === version.updated ? [] : [`updated${which}`]),
      ...(holds(parsed(row.type, row.id, there), version) ? [] : [`content${which}`]),
    ]
  }
  return versions.flatMap((v, i) => wrong(i, v))
}

const isRecord = (type: string): boolean => type === 'Provenance' || type === 'AuditEvent'

/** The resources, and the records of what was done. */
export const checkResources = async (tx: Tx): Promise<readonly TableCheck[]> => {
  const [count, records] = [counter('resources'), counter('resources: records of what was done')]
  const all = await replayJournal(tx)
  const left = new Map(all.records)
  const found = new Set<string>()
  for await (const page of pagesOf<StoredRow>(tx, 'stored_resources', storedResources))
    for (const row of page) {
      const [name, resource] = [`${row.type}/${row.id}`, parsed(row.type, row.id, row)]
      const ours = all.resources.get(name)
      if (isRecord(row.type)) {
        const key = recordKey(row.type, contentText(resource), row.seen_by)
        const n = left.get(key) ?? 0
        if (n > 0) left.set(key, n - 1)
        else records.wrong('surplus', name)
        const faults = indexFaults(row, resource)
        if (faults.length > 0) records.wrong('differing', `${name} (${faults.join(', ')})`)
      } else if (ours === undefined) count.wrong('surplus', name)
      else {
        found.add(name)
        const faults = [
          ...versionFaults(row, ours.versions),
          ...(sorted([...ours.seen]) === sorted(row.seen_by) ? [] : ['seen_by']),
          ...indexFaults(row, resource),
        ]
        if (faults.length > 0) count.wrong('differing', `${name} (${faults.join(', ')})`)
      }
    }
  for (const name of all.resources.keys()) if (!found.has(name)) count.wrong('missing', name)
  for (const [key, n] of left) if (n > 0) records.wrong('missing', key.split(' ')[0] ?? '', n)
  count.follows(all.resources.size)
  records.follows([...all.records.values()].reduce((sum, n) => sum + n, 0))
  return [count.check(), records.check()]
}
