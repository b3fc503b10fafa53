/** What one resource that is pushed asks for: everything that can be told without looking anything up. */
import type { FhirResource } from 'fhir/r4.js'
import { type Incoming, readCriterion } from '../../flow/accept-order/incoming.ts'
import type { SystemValue } from '../../model/configuration.ts'
import { accept, type Checked, refusal, refuse } from '../../model/problems.ts'
import { isTree, mapTree } from '../../model/tree.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import type { Call } from './call.ts'

/** Where a part of the request stands: below an entry of the Bundle, else in the address or a header. */
interface Part {
  readonly at: string
  readonly location?: string
}

const criterionOf = (text: string, { at, ...where }: Part): Checked<SystemValue> => {
  const read = readCriterion(text)
  const expected = 'identifier=system|value'
  return read ? accept(read) : refuse([refusal('wrong-parameter', at, { found: text, expected, ...where })])
}

const readIfMatch = (text: string | undefined, { at, ...where }: Part): Checked<number | undefined> => {
  if (text === undefined) return accept(undefined)
  const version = /^(?:W\/)?"(\d{1,9})"$/.exec(text.trim())?.[1]
  return version === undefined
    ? refuse([refusal('wrong-parameter', at, { found: text, expected: 'W/"<version>"', ...where })])
    : accept(Number(version))
}

export interface Asked {
  readonly at: string
  readonly method: 'POST' | 'PUT'
  readonly resource: unknown
  readonly type?: string
  readonly targetId?: string
  readonly criterion?: string
  readonly ifNoneExist?: string
  readonly ifMatch?: string
  readonly fullUrl?: string
}

/** Is it FHIR, and does the request fit it: everything that can be told without looking anything up. */
export const readIncoming = (asked: Asked): Checked<Incoming> => {
  const expected = asked.type === undefined ? undefined : [asked.type]
  const problems = [...checkResource(asked.resource, expected, asked.at === '' ? undefined : asked.at)]
  const part = (name: string, header: string): Part =>
    asked.at === '' ? { at: '', location: `http.${header}` } : { at: asked.at.replace(/resource$/, `request.${name}`) }
  const { criterion: query, ifNoneExist: asksNone } = asked
  const criterion = query === undefined ? accept(undefined) : criterionOf(query, part('url', 'identifier'))
  const ifNoneExist =
    asksNone === undefined ? accept(undefined) : criterionOf(asksNone, part('ifNoneExist', 'If-None-Exist'))
  const ifMatch = readIfMatch(asked.ifMatch, part('ifMatch', 'If-Match'))
  for (const read of [criterion, ifNoneExist, ifMatch]) if (!read.ok) problems.push(...read.problems)
  const resource = asked.resource as FhirResource
  if (asked.targetId !== undefined && isTree(resource) && resource.id !== undefined && resource.id !== asked.targetId)
    problems.push(refusal('wrong-id', `${asked.type}.id`, { found: resource.id, expected: asked.targetId }))
  if (problems.length > 0 || !criterion.ok || !ifNoneExist.ok || !ifMatch.ok) return refuse(problems)
  return accept({
    at: asked.at,
    method: asked.method,
    resource,
    ...(asked.fullUrl !== undefined && { fullUrl: asked.fullUrl }),
    ...(asked.targetId !== undefined && { targetId: asked.targetId }),
    ...(criterion.value && { criterion: criterion.value }),
    ...(ifNoneExist.value && { ifNoneExist: ifNoneExist.value }),
    ...(ifMatch.value !== undefined && { ifMatch: ifMatch.value }),
  })
}

/** Addresses below our own base, as we answer them, are references by our ids. */
export const withOwnReferences = (call: Call, base: string): Call => {
  const prefix = `${base}/fhir/`
  if (!call.text.includes(prefix)) return call
  const body = mapTree(call.body, (node) =>
    typeof node.reference === 'string' && node.reference.startsWith(prefix)
      ? { ...node, reference: node.reference.slice(prefix.length) }
      : node,
  )
  return { ...call, body }
}
