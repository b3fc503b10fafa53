/** How the answer to a write says what became of it. */
import type { Problem } from '../../model/problems.ts'
import type { Call } from './call.ts'
import { showsResource } from './prefer.ts'

interface Written {
  readonly type: string
  readonly id: string
  readonly outcome: string
  readonly version: number
  readonly warnings: readonly Problem[]
}

export const statusOfAnswer = ({ outcome }: Pick<Written, 'outcome'>): 200 | 201 => (outcome === 'created' ? 201 : 200)

export const locationOf = (base: () => string, { type, id, version }: Omit<Written, 'outcome' | 'warnings'>): string =>
  `${base()}/fhir/${type}/${id}/_history/${version}`

/** Of the answer to a write of one resource, as it is stored. */
export const writtenHeaders = (
  base: () => string,
  call: Call,
  row: { readonly version: number; readonly updated: string },
  answer: Written,
): Readonly<Record<string, string>> => {
  const { outcome, warnings } = answer
  // without the resource the caller learns its id here alone
  const needsLocation = outcome === 'held' || outcome === 'created' || !showsResource(call)
  return {
    etag: `W/"${row.version}"`,
    'last-modified': new Date(row.updated).toUTCString(),
    ...(needsLocation && { location: locationOf(base, answer) }),
    // the body is what is stored, so what was not applied is told here
    ...(warnings.length > 0 && { 'x-daybind-warning': warnings.map((w) => w.code).join(', ') }),
  }
}
