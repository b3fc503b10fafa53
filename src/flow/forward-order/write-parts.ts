/** A message taken apart: its resources in an order in which they can be written one after another. Pure. */
import type { Bundle, FhirResource, Reference } from 'fhir/r4.js'
import type { SystemValue } from '../../model/configuration.ts'
import { ownIdentifier } from '../../model/resources/common.ts'
import { identifierSystems, systems } from '../../model/systems.ts'
import { mapTree, type Tree, visit } from '../../model/tree.ts'
import { readCriterion } from '../accept-order/incoming.ts'

export interface Part {
  readonly type: string
  /** Ours. */
  readonly id: string
  /** By which others in the message refer to it. */
  readonly url: string
  /** By which it is known over there; absent: by nothing. */
  readonly name?: SystemValue
  readonly resource: FhirResource
}

const urn = 'urn:uuid:'

export const urlOf = (id: string): string => `${urn}${id}`

/** Without the mark of a single sending: what is read before it is written needs none. */
const unmarked = (resource: FhirResource): FhirResource =>
  resource.resourceType === 'Task' && resource.identifier
    ? { ...resource, identifier: resource.identifier.filter((i) => i.system !== systems.deliveries) }
    : resource

const nameOf = (url: string, ifNoneExist: string | undefined): SystemValue | undefined =>
  readCriterion(ifNoneExist ?? url.split('?')[1] ?? '')

const mentioned = (resource: FhirResource): ReadonlySet<string> => {
  const urls = new Set<string>()
  visit(resource, (node) => {
    if (typeof node.reference === 'string' && node.reference.startsWith(urn)) urls.add(node.reference)
  })
  return urls
}

/** What is referred to comes first. */
const inOrder = (parts: readonly Part[]): readonly Part[] => {
  const done = new Map<string, Part>()
  const of = new Map(parts.map((p) => [p.url, p]))
  const add = (part: Part, above: ReadonlySet<string>): void => {
    if (done.has(part.url) || above.has(part.url)) return
    for (const url of mentioned(part.resource)) {
      const other = of.get(url)
      if (other) add(other, new Set([...above, part.url]))
    }
    done.set(part.url, part)
  }
  for (const part of parts) add(part, new Set())
  return [...done.values()]
}

/** The parts of a message of ours, each after those that it refers to. */
export const partsOf = (message: Bundle): readonly Part[] =>
  inOrder(
    (message.entry ?? []).flatMap(({ fullUrl = '', resource: held, request }) => {
      if (held === undefined) return []
      const resource = held as FhirResource
      const name = nameOf(request?.url ?? '', request?.ifNoneExist)
      const id = fullUrl.slice(urn.length)
      return [{ type: resource.resourceType, id, url: fullUrl, ...(name && { name }), resource: unmarked(resource) }]
    }),
  )

const isOwnType = (type: string): type is keyof typeof identifierSystems => type in identifierSystems

/** Names a part that is not over there, so that nobody needs to know our addresses. */
export const logicalTo = ({ type, id, name, resource }: Part): Reference => {
  const identifier = name ?? (isOwnType(type) ? ownIdentifier(type, id) : undefined)
  const serial = resource.resourceType === 'Device' ? resource.serialNumber : undefined
  return {
    type,
    ...(identifier && { identifier }),
    ...(serial !== undefined && { display: `Ambulatory ECG recorder, serial number ${serial}` }),
    ...(identifier === undefined && { display: 'known to the sender' }),
  }
}

/** @param to where each address of the message leads; one that leads nowhere stays as it is */
export const placed = (resource: FhirResource, to: (url: string) => Reference | undefined): FhirResource =>
  mapTree(resource, (node: Tree) => {
    const there = typeof node.reference === 'string' && node.reference.startsWith(urn) ? to(node.reference) : undefined
    if (there === undefined) return node
    const { reference: _ours, ...rest } = node
    return { ...rest, ...there }
  })
