/** The CapabilityStatement of the package, from the routes of the service; nothing of it is started. */
import type { Definition as Served } from '../src/adapters/http/definitions.ts'
import { requirements } from '../src/adapters/http/metadata.ts'
import { type RouteParts, routesOf } from '../src/service.ts'
import { type Definition, version } from './compile.ts'

/** Routes are made from these and call nothing of them until they are asked. */
const atRest = {
  ...{ db: {}, searching: {}, runner: {}, queue: {}, outside: {}, watching: {} },
  ...{ asked: [], keys: undefined, base: () => '' },
} as unknown as RouteParts

/** @param definitions the others, whose profiles it names by type */
export const capability = (definitions: readonly Definition[]): Definition => {
  const told = definitions.map((d) => ({ ...d, text: JSON.stringify(d), etag: '' }) as unknown as Served)
  return requirements(routesOf({ ...atRest, definitions: told }), told, version) as unknown as Definition
}
