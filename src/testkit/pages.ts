/**
 * Searches whose pages stay as they were when the first was asked for, so that what is written meanwhile moves nothing
 * from one page to another. Source: http://hl7.org/fhir/R4/http.html#paging
 */
import type { Bundle, BundleEntry, FhirResource } from 'fhir/r4.js'
import { matches } from './search.ts'
import { current, keyOf, ofType, referencesIn, type Shelf } from './shelf.ts'

interface Run {
  readonly matches: readonly FhirResource[]
  readonly shelf: Shelf
  readonly query: URLSearchParams
  readonly size: number
}

export interface Page {
  readonly run: string
  readonly offset: number
}

/** Older ones are forgotten. */
const runsKept = 1_000

/** `ServiceRequest:subject` and the like; `patient` is R4's name for a subject that is one. */
const included = (shelf: Shelf, found: readonly FhirResource[], query: URLSearchParams): FhirResource[] => {
  const names = query.getAll('_include').map((include) => include.split(':')[1]?.replace('patient', 'subject') ?? '')
  const keys = new Set(found.flatMap((resource) => names.flatMap((name) => referencesIn(resource, name))))
  return [...keys].flatMap((key) => current(shelf, key) ?? [])
}

const updated = ({ meta }: FhirResource): string => meta?.lastUpdated ?? ''

/** `_lastUpdated`, `-_lastUpdated`, or in the order in which things were stored. */
const sorted = (found: FhirResource[], sort: string | null): FhirResource[] => {
  if (sort === null) return found
  const rising = found.toSorted((a, b) => updated(a).localeCompare(updated(b)))
  return sort.startsWith('-') ? rising.toReversed() : rising
}

export function pages(usualSize: number) {
  const runs = new Map<string, Run>()
  let count = 0

  const entry = (base: string, resource: FhirResource, mode: 'match' | 'include'): BundleEntry<FhirResource> => ({
    fullUrl: `${base}/${keyOf(resource)}`,
    resource,
    search: { mode },
  })

  /** One page of a run; undefined when it is not known any more. */
  function page(base: string, { run: id, offset }: Page): Bundle<FhirResource> | undefined {
    const run = runs.get(id)
    if (!run) return undefined
    const shown = run.matches.slice(offset, offset + run.size)
    const more = run.matches.length > offset + run.size
    const at = (from: number) => `${base}?_run=${id}&_offset=${from}`
    return {
      resourceType: 'Bundle',
      type: 'searchset',
      total: run.matches.length,
      link: [
        { relation: 'self', url: at(offset) },
        ...(more ? [{ relation: 'next', url: at(offset + run.size) }] : []),
      ],
      entry: [
        ...shown.map((resource) => entry(base, resource, 'match')),
        ...included(run.shelf, shown, run.query).map((resource) => entry(base, resource, 'include')),
      ],
    }
  }

  return {
    page,
    /** Searches, and gives the first page. */
    search(shelf: Shelf, type: string, query: URLSearchParams, base: string): Bundle<FhirResource> {
      const found = ofType(shelf, type).filter((resource) => matches(resource, query))
      const id = String(++count)
      const size = Math.max(1, Number(query.get('_count') ?? usualSize))
      runs.set(id, { matches: sorted(found, query.get('_sort')), shelf, query, size })
      runs.delete(String(count - runsKept))
      const first = page(base, { run: id, offset: 0 }) ?? { resourceType: 'Bundle', type: 'searchset' }
      const self = { relation: 'self', url: `${base}/${type}?${query}` }
      return { ...first, link: [self, ...(first.link ?? []).slice(1)] }
    },
  }
}
