/**
 * Resources are stored as the text behind their version: what is written is what is read, to the last digit, and a
 * read needs no parsing.
 */
import type { FhirResource } from 'fhir/r4.js'
import { writeJson } from '../fhir/door/exact-numbers.ts'

const tail = (object: object): string => {
  const text = writeJson(object)
  return text === '{}' ? '}' : `,${text.slice(1)}`
}

/** Everything of a resource but its type, id and version. */
export const storedText = (resource: FhirResource): string => {
  const { resourceType: _type, id: _id, meta, ...rest } = resource
  const { versionId: _v, lastUpdated: _l, ...kept } = meta ?? {}
  return `${tail(kept)}${tail(rest)}`
}

export interface StoredResource {
  readonly type: string
  readonly id: string
  readonly version: number
  /** ISO 8601 in UTC. */
  readonly updated: string
  readonly body: string
}

/** The resource as JSON text, with its id and version. */
export const resourceText = (r: StoredResource): string =>
  `{"resourceType":"${r.type}","id":"${r.id}","meta":{"versionId":"${r.version}","lastUpdated":"${r.updated}"${r.body}`
