/** The mark on what a clinic wrote itself, for example from a paper referral. */
import type { FhirResource } from 'fhir/r4.js'
import { systems } from '../../model/systems.ts'

const originTag = systems.origin

/** As it came: without our mark. */
export const withoutMark = (resource: FhirResource): FhirResource => {
  const { tag = [], ...meta } = resource.meta ?? {}
  const others = tag.filter((t) => t.system !== originTag)
  return { ...resource, meta: { ...meta, ...(others.length > 0 && { tag: others }) } }
}

export const markByHand = (resource: FhirResource): FhirResource => {
  const { meta } = withoutMark(resource)
  return { ...resource, meta: { ...meta, tag: [...(meta?.tag ?? []), { system: originTag, code: 'by-hand' }] } }
}
