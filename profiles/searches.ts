/** SearchParameters of our own, from the table that fills the index and answers searches. */
import { type SearchParameter, searchParameters, targets } from '../src/adapters/postgres/search-parameters.ts'
import { ownSearchParameter } from '../src/model/systems.ts'
import { lines, nameOf, quoted } from './fsh-text.ts'

const searchFsh = (type: string, { name, kind, paths }: SearchParameter): string => {
  const id = `${type}-${name}`
  return lines(
    [`Instance: ${id}`, 'InstanceOf: SearchParameter', 'Usage: #definition'],
    `* url = ${quoted(ownSearchParameter(type, name))}`,
    `* name = ${quoted(`${type}${nameOf(name)}`)}`,
    ['* status = #active', '* publisher = "Daybind"'],
    `* description = ${quoted(`Finds a ${type} by ${paths.join(' or ')}; R4 defines no such parameter.`)}`,
    [`* code = #${name}`, `* base = #${type}`, `* type = #${kind}`],
    `* expression = ${quoted(paths.map((path) => `${type}.${path}`).join(' | '))}`,
    kind === 'reference' ? (targets[name] ?? []).map((target, i) => `* target[${i}] = #${target}`) : [],
  )
}

export const searchesFsh = (): string =>
  Object.entries(searchParameters)
    .flatMap(([type, parameters]) => parameters.filter((p) => p.own).map((p) => searchFsh(type, p)))
    .join('\n')
