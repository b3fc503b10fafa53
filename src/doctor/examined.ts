/** What the doctor looks at: the FHIR server of a source or reading service, as the configuration has it. */

import { isWrittenTo } from '../flow/forward-order/write-back.ts'
import { readingServiceScope, sourceScope } from '../flow/scopes.ts'
import type { Access, Configuration, Source } from '../model/configuration.ts'
import type { SigningKey } from '../model/signing-key.ts'

export interface Examined extends Access {
  readonly id: string
  readonly kind: 'source' | 'reading service'
  /** Without a slash at its end; absent: it pushes alone. */
  readonly base?: string
  /** What is asked for by SMART. */
  readonly scope: string
  readonly key?: SigningKey
  readonly publicUrl: string
  /** Whether Daybind writes there at all. */
  readonly written: boolean
  /** Of a source: how it is asked for orders. */
  readonly poll?: string
  readonly subscribe?: Source['subscribe']
  readonly evidence?: NonNullable<Source['evidence']>
}

const accessOf = ({ token, smart, tls }: Access): Access => ({
  ...(token !== undefined && { token }),
  ...(smart && { smart }),
  ...(tls && { tls }),
})

/** The one with this id, or undefined. */
export const examinedOf = (c: Configuration, id: string): Examined | undefined => {
  const common = { id, publicUrl: c.publicUrl, ...(c.keys && { key: c.keys.current }) }
  const source = c.sources.find((s) => s.id === id)
  if (source) {
    const { fhir, poll, subscribe, evidence, smart } = source
    return {
      ...common,
      ...accessOf(source),
      kind: 'source',
      written: isWrittenTo(source),
      scope: smart?.scope ?? sourceScope(source),
      ...(fhir !== undefined && { base: fhir }),
      ...(poll !== undefined && { poll }),
      ...(subscribe !== undefined && { subscribe }),
      ...(evidence !== undefined && { evidence }),
    }
  }
  const service = c.readingServices.find((r) => r.id === id)
  return (
    service && {
      ...common,
      ...accessOf(service),
      kind: 'reading service',
      written: true,
      base: service.fhir,
      scope: service.smart?.scope ?? readingServiceScope,
    }
  )
}
