import { readFileSync } from 'node:fs'
import { loadDataType } from '@medplum/core'

interface Codes {
  /** Every resource type of R4, those included that Daybind has no definition of. */
  readonly resourceTypes: ReadonlySet<string>
  /** The codes of each value set with a required binding, by its canonical URL without version. */
  readonly valueSets: ReadonlyMap<string, ReadonlySet<string>>
}

const read = (file: string) => JSON.parse(readFileSync(new URL(file, import.meta.url), 'utf8'))

let loaded: Codes | undefined

/**
 * Reads the trimmed R4 definitions into memory, once for the process; later calls cost nothing. The service calls it
 * at its start, so that no request waits for it (a tenth of a second, 10 MB).
 */
export const loadDefinitions = (): Codes => {
  if (loaded) return loaded
  for (const structure of read('types.json')) loadDataType(structure)
  const codes: { resourceTypes: string[]; valueSets: Record<string, string[]> } = read('codes.json')
  loaded = {
    resourceTypes: new Set(codes.resourceTypes),
    valueSets: new Map(Object.entries(codes.valueSets).map(([url, list]) => [url, new Set(list)])),
  }
  return loaded
}
