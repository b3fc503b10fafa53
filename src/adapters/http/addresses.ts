/** Where an address leads: what the router cannot know of it, and what is told where nothing takes the call. */
import { type Problem, refusal } from '../../model/problems.ts'
import type { Route } from './call.ts'

type Params = Readonly<Record<string, string | undefined>>

/** Neither an operation nor one of R4's own words (`$validate`, `_search`), plainly written or not. */
const isName = (part: string): boolean => part !== '' && !/^(?:[$_]|%24|%5f)/i.test(part)

/** Every type that some address of ours names. */
const typesOf = (routes: readonly Route[]): ReadonlySet<string> =>
  new Set(routes.flatMap((r) => [...(r.fhir?.types ?? []), /^\/fhir\/([A-Z]\w*)/.exec(r.url)?.[1] ?? '']))

/** What the parts of a path stand for in `/fhir/:type/:id`; undefined where it has another form. */
const paramsIn = (path: readonly string[], url: string): Params | undefined => {
  const pattern = url.split('/')
  const fits =
    path.length === pattern.length && pattern.every((p, i) => p === path[i] || (p.startsWith(':') && path[i]))
  return fits ? Object.fromEntries(pattern.map((p, i) => [p.slice(1), path[i]])) : undefined
}

const partsOf = (url: string): readonly string[] => (url.split('?')[0] ?? '').replace(/(.)\/$/, '$1').split('/')

/** The methods of an address; what may be called is no secret, who may call it is asked at the call. */
export const allowOf = (routes: readonly Route[]): readonly string[] => [
  ...new Set(routes.flatMap((r) => (r.method === 'GET' ? ['GET', 'HEAD'] : [r.method]))),
  'OPTIONS',
]

export interface Addresses {
  /** Whether what the router has found is a type or resource at all: to it `$link-device` is an id like any other. */
  isThere(url: string, params: Params): boolean
  /** The routes of an address, whatever their method. */
  leadingFrom(url: string): readonly Route[]
  /** Why an address leads nowhere: the type or operation that nobody knows, by its name. */
  notKnown(url: string): Problem
}

/** @param routes all that there are */
export const addressesOf = (routes: readonly Route[]): Addresses => {
  const types = typesOf(routes)
  const isThere: Addresses['isThere'] = (url, { type, id }) =>
    !url.startsWith('/fhir/') || ((type === undefined || types.has(type)) && (id === undefined || isName(id)))
  /** The operations that there are where an unknown one was called. */
  const operationsAt = (path: readonly string[]): readonly string[] =>
    routes.flatMap(({ url, fhir }) => {
      const params = fhir?.operation && paramsIn([...path.slice(0, -1), `$${fhir.operation}`], url)
      return params && isThere(url, params) ? [`$${fhir.operation}`] : []
    })
  return {
    isThere,
    leadingFrom: (url) => {
      const path = partsOf(url)
      return routes.filter((r) => {
        const params = paramsIn(path, r.url)
        return params !== undefined && isThere(r.url, params)
      })
    },
    notKnown: (url) => {
      const path = partsOf(url)
      const [, root, type = ''] = path
      if (root !== 'fhir' || type === '') return refusal('not-known')
      if (isName(type) && !types.has(type)) return refusal('not-known', '', { found: type })
      const last = path.at(-1) ?? ''
      if (isName(last)) return refusal('not-known')
      const operations = /^[$%]/.test(last) ? [...new Set(operationsAt(path))] : []
      return refusal('not-known', '', {
        found: last,
        ...(operations.length > 0 && { expected: operations.join(', ') }),
      })
    },
  }
}
