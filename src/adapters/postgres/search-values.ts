/** What a search parameter takes: told to whoever sent something else. */
import { loadDefinitions } from '../fhir/definitions/load.ts'
import type { SearchParameter } from './search-parameters.ts'

const aDate = 'a date or a moment (2026-03-02, 2026-03-02T09:30:00Z), behind eq, ne, gt, lt, ge, le, sa, eb or nothing'

const byKind: Readonly<Record<SearchParameter['kind'], string>> = {
  token: 'code, system|code, system| or |code',
  reference: 'an id, Type/id or an address',
  date: aDate,
  string: 'how a name begins, at least one letter or digit',
}

const shared: Readonly<Record<string, string>> = {
  _id: 'an id',
  _lastUpdated: aDate,
  _count: 'a whole number of at most nine digits',
  _sort: '_lastUpdated or -_lastUpdated',
  _total: 'none, estimate or accurate',
  _summary: 'count or false',
  _cursor: 'what stands in the link to the next page',
}

/** @param parameter as the type knows it; absent for those that all types share */
export const valueTaken = (name: string, modifier: string | undefined, parameter: SearchParameter | undefined) => {
  if (parameter === undefined) return shared[name] ?? 'a value'
  if (modifier === undefined) return byKind[parameter.kind]
  return parameter.kind === 'reference' ? `${name} or ${name}:identifier=system|value` : `${name} without a modifier`
}

/**
 * The forms in which a token is looked up. A code is indexed without its system, so that the system is held against that
 * of the element (R4, search.html, "token"): all its codes where it is asked for alone.
 */
export const tokenForms = ({ system }: SearchParameter, value: string): readonly string[] => {
  if (system === undefined || !value.startsWith(`${system}|`)) return [value]
  const code = value.slice(system.length + 1)
  if (code !== '') return [code]
  return [...(loadDefinitions().valueSets.get(system.replace('/fhir/', '/fhir/ValueSet/')) ?? [])]
}

/** An id, `Type/id`, or an address of any scheme. */
export const isReferenceValue = (value: string): boolean =>
  /^(?:(?:[A-Z][A-Za-z]+\/)?[A-Za-z0-9.-]{1,64}|[a-z][a-z0-9+.-]*:\S+)$/.test(value)
