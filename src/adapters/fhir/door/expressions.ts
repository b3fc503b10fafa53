/** From a path in JSON to FHIRPath. */
import { isTree } from '../../../model/tree.ts'
import { loadDefinitions } from '../definitions/load.ts'
import { nameInPath } from './findings.ts'
import { type Shape, type Slot, shapeOf } from './shapes.ts'

type Path = readonly (string | number)[]

const typeOf = (value: unknown): string | undefined =>
  isTree(value) && typeof value.resourceType === 'string' && /^[A-Za-z]{1,64}$/.test(value.resourceType)
    ? value.resourceType
    : undefined

const shapeOfResource = (value: unknown): Shape | undefined => {
  const type = typeOf(value)
  return type !== undefined && loadDefinitions().resourceTypes.has(type) ? shapeOf(type) : undefined
}

const slotIn = (shape: Shape | undefined, name: string): Slot | undefined =>
  shape?.slots.get(name) ?? (name.startsWith('_') ? shape?.slots.get(name.slice(1)) : undefined)

/** The path below a resource in the words of its type: `quantity` for `quantityQuantity`. */
const stepsBelow = (resource: unknown, path: Path): string => {
  let value = resource
  let shape = shapeOfResource(resource)
  let slot: Slot | undefined
  let steps = ''
  for (const key of path) {
    if (typeof key === 'number') steps += `[${key}]`
    else {
      if (slot !== undefined) shape = slot.kind === 'resource' ? shapeOfResource(value) : shapeOf(slot.type)
      slot = slotIn(shape, key)
      if (slot === undefined) shape = undefined
      steps += `.${slot?.element ?? nameInPath(key)}`
    }
    value = Object(value)[key]
  }
  return steps
}

/** The FHIRPath from the root and, within an entry of a Bundle, the one from the entry's own resource. */
export const expressionsOf = (root: unknown, path: Path): string[] => {
  const type = typeOf(root)
  if (type === undefined) return []
  const whole = type + stepsBelow(root, path)
  if (type !== 'Bundle' || path[0] !== 'entry' || path[2] !== 'resource') return [whole]
  const resource = path.slice(0, 3).reduce<unknown>((value, key) => Object(value)[key], root)
  const inner = typeOf(resource)
  return inner === undefined ? [whole] : [whole, inner + stepsBelow(resource, path.slice(3))]
}
