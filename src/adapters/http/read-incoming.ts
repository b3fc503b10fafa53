/** What one resource that is pushed asks for: everything that can be told without looking anything up. */
import type { FhirResource } from 'fhir/r4.js'
import { type Incoming, readCriterion } from '../../flow/accept-order/incoming.ts'
import type { SystemValue } from '../../model/configuration.ts'
import { type Part, partOf, readPreconditions } from '../../model/preconditions.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import { isTree, mapTree } from '../../model/tree.ts'
import { checkResource } from '../fhir/door/check-resource.ts'
import type { Call } from './call.ts'

const criterionOf = (text: string, { at, ...where }: Part): Checked<SystemValue> => {
  const read = readCriterion(text)
  const expected = 'identifier=system|value'
  return read ? accept(read) : refuse([refusal('wrong-parameter', at, { found: text, expected, ...where })])
}

export interface Asked {
  readonly at: string
  readonly method: 'POST' | 'PUT'
  readonly resource: unknown
  readonly type?: string
  readonly targetId?: string
  readonly criterion?: string
  readonly ifNoneExist?: string
  readonly ifMatch?: string | undefined
  readonly ifNoneMatch?: string | undefined
  readonly fullUrl?: string
}

/** The query as sent. */
export const criterionText = (call: Call): string =>
  call.query.map(([k, v]) => `${k}=${encodeURIComponent(v)}`).join('&')

/** The headers that say under which condition a call may write. */
export const conditionsOf = (call: Call): Pick<Asked, 'ifMatch' | 'ifNoneMatch'> => ({
  ifMatch: call.header('if-match'),
  ifNoneMatch: call.header('if-none-match'),
})

/** Is it FHIR, and does the request fit it: everything that can be told without looking anything up. */
export const readIncoming = (asked: Asked): Checked<Incoming> => {
  const expected = asked.type === undefined ? undefined : [asked.type]
  const problems = [...checkResource(asked.resource, expected, asked.at === '' ? undefined : asked.at)]
  const request = asked.at.replace(/resource$/, 'request')
  const { criterion: query, ifNoneExist: asksNone } = asked
  const criterion = query === undefined ? accept(undefined) : criterionOf(query, partOf(request, 'url', 'identifier'))
  const ifNoneExist =
    asksNone === undefined ? accept(undefined) : criterionOf(asksNone, partOf(request, 'ifNoneExist', 'If-None-Exist'))
  const conditions = readPreconditions(asked, request)
  problems.push(...problemsOf(criterion, ifNoneExist, conditions))
  const resource = asked.resource as FhirResource
  if (asked.targetId !== undefined && isTree(resource) && resource.id !== undefined && resource.id !== asked.targetId)
    problems.push(refusal('wrong-id', `${asked.type}.id`, { found: resource.id, expected: asked.targetId }))
  if (problems.length > 0 || !criterion.ok || !ifNoneExist.ok || !conditions.ok) return refuse(problems)
  return accept({
    at: asked.at,
    method: asked.method,
    resource,
    ...(asked.fullUrl !== undefined && { fullUrl: asked.fullUrl }),
    ...(asked.targetId !== undefined && { targetId: asked.targetId }),
    ...(criterion.value && { criterion: criterion.value }),
    ...(ifNoneExist.value && { ifNoneExist: ifNoneExist.value }),
    ...conditions.value,
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
