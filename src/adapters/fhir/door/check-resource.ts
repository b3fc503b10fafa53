import type { Problem } from '../../../model/problems.ts'
import { isTree } from '../../../model/tree.ts'
import { loadDefinitions } from '../definitions/load.ts'
import { ElementCheck } from './element-check.ts'
import { Findings, kindOf } from './findings.ts'
import { type Shape, shapeOf } from './shapes.ts'

/**
 * Checks a resource against R4 and returns everything that is wrong with it, at once: elements that R4 does not know,
 * types, cardinalities, empty values, the format of primitive values, days that do not exist, moments without offset,
 * codes outside required bindings, types that a reference may not lead to, contained resources, invariants, and every
 * modifierExtension whose url is not among `knownModifiers`. Takes any value that JSON can hold and never throws.
 *
 * Not looked into: the resources in a Bundle's entries (check each with its own `within`), and the content of
 * contained resources whose type Daybind does not use, modifier extensions excepted.
 *
 * @param expected the resource types that are taken here; absent: every type with a definition
 * @param within the FHIRPath of the resource in what surrounds it, `Bundle.entry[1].resource`; each problem is then
 *   told at two places, `Bundle.entry[1].resource.intent` and `ServiceRequest.intent`
 *
 * @example checkResource({ resourceType: 'Patient', gender: 'm' })[0]?.at // ['Patient.gender']
 */
export const checkResource = (
  resource: unknown,
  expected?: readonly string[],
  within?: string,
  knownModifiers: readonly string[] = [],
): readonly Problem[] => {
  const type = isTree(resource) && typeof resource.resourceType === 'string' ? resource.resourceType : undefined
  const isReal = type !== undefined && loadDefinitions().resourceTypes.has(type)
  const findings = new Findings(isReal ? type : '', within)
  const shape = checkType(resource, isReal ? type : undefined, expected, findings)
  if (shape && isTree(resource)) {
    new ElementCheck({ resource, shape, at: shape.type, findings, knownModifiers, depth: 0 }).run()
  }
  return findings.problems
}

/** The shape to check against; undefined, and a problem, where there is none. */
const checkType = (
  resource: unknown,
  realType: string | undefined,
  expected: readonly string[] | undefined,
  findings: Findings,
): Shape | undefined => {
  const wanted = expected ? expected.join(', ') : 'a resource type of R4'
  if (!isTree(resource)) {
    findings.add('wrong-type', '', { found: kindOf(resource), expected: 'a resource: a JSON object' })
  } else if (resource.resourceType === undefined) {
    findings.add('missing-element', '', { expected: `resourceType: ${wanted}` })
  } else if (realType === undefined || (expected && !expected.includes(realType))) {
    findings.add('wrong-resource-type', realType ?? '', { found: resource.resourceType, expected: wanted })
  } else {
    const shape = shapeOf(realType)
    if (!shape) findings.add('type-not-taken', realType, { found: realType })
    return shape
  }
  return undefined
}
