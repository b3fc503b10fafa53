/** Looks into what was read of the file before the schema has accepted it. */
import { type Refused, valueAt } from './mistakes.ts'
import type { Path } from './places.ts'

export type Section = 'sites' | 'sources' | 'readingServices' | 'callers' | 'recipients'

export interface Entry {
  readonly path: Path
  readonly value: unknown
}

export const listAt = (raw: unknown, path: Path): Entry[] => {
  const list = valueAt(raw, path)
  return Array.isArray(list) ? list.map((value: unknown, i) => ({ path: [...path, i], value })) : []
}

export const textAt = (entry: Entry, key: string): string | undefined => {
  const value = valueAt(entry.value, [key])
  return typeof value === 'string' ? value : undefined
}

export const idsOf = (raw: unknown, ...sections: Section[]): string[] =>
  sections.flatMap((section) => listAt(raw, [section]).flatMap((entry) => textAt(entry, 'id') ?? []))

export const at = (entry: Entry, key: string, text: string): Refused => ({ path: [...entry.path, key], text })
