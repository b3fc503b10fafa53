/** From FHIR Shorthand to FHIR: SUSHI, on a folder of its own, without a network. */
import { spawnSync } from 'node:child_process'
import { cpSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { isTree, mapTree, type Tree } from '../src/model/tree.ts'
import { fillCache } from './fhir-cache.ts'
import { operationsFsh } from './operations.ts'
import { searchesFsh } from './searches.ts'
import { tablesFsh } from './tables.ts'

const here = (path: string): string => fileURLToPath(new URL(path, import.meta.url))

/** The release that the package belongs to. */
export const version = (JSON.parse(readFileSync(here('../package.json'), 'utf8')) as { readonly version: string })
  .version

/** What is made from the tables of the code. */
const made: Readonly<Record<string, () => string>> = {
  'tables.fsh': tablesFsh,
  'operations.fsh': operationsFsh,
  'searches.fsh': searchesFsh,
}

const layOut = (project: string): void => {
  const input = join(project, 'input', 'fsh')
  mkdirSync(input, { recursive: true })
  const config = readFileSync(here('sushi-config.yaml'), 'utf8')
  writeFileSync(join(project, 'sushi-config.yaml'), `${config}version: ${version}\n`)
  cpSync(here('fsh'), input, { recursive: true })
  for (const [name, text] of Object.entries(made)) writeFileSync(join(input, `made-${name}`), text())
}

/** The discard port: nobody listens there. */
const nowhere = 'http://127.0.0.1:9'

/** Nothing is asked of any registry: what is not in the cache is not there. @throws with what SUSHI said of errors */
export const runSushi = (project: string, home: string): void => {
  const { status, stdout, stderr } = spawnSync(
    process.execPath,
    [here('../node_modules/fsh-sushi/dist/app.js'), 'build', project, '--snapshot'],
    {
      encoding: 'utf8',
      env: {
        ...process.env,
        HOME: home,
        ...{ HTTPS_PROXY: nowhere, https_proxy: nowhere, HTTP_PROXY: nowhere, http_proxy: nowhere },
        ...{ NO_PROXY: '', no_proxy: '' },
        npm_config_offline: 'true',
        npm_config_update_notifier: 'false',
      },
    },
  )
  if (status !== 0) throw new Error(`SUSHI found errors:\n${stdout}${stderr}`)
}

/** Mappings to other standards say nothing of ours, and are a third of a snapshot. */
const withoutMappings = (resource: Tree): Tree =>
  mapTree(resource, (node) => {
    if (!('mapping' in node)) return node
    const { mapping: _mapping, ...rest } = node
    return rest
  })

export type Definition = Tree & { readonly resourceType: string; readonly id: string }

const isDefinition = (value: unknown): value is Definition =>
  isTree(value) && typeof value.resourceType === 'string' && typeof value.id === 'string'

/** What SUSHI leaves without a version has that of the release. */
const versioned = (d: Definition): Definition => {
  if (d.version !== undefined) return d
  const { resourceType, id, url, ...rest } = d
  return { resourceType, id, url, version, ...rest }
}

/** All definitions, StructureDefinitions with snapshots, in the order of their types and ids. */
export const compile = (): readonly Definition[] => {
  const work = mkdtempSync(join(tmpdir(), 'daybind-profiles-'))
  try {
    const [project, home] = [join(work, 'project'), join(work, 'home')]
    fillCache(home)
    layOut(project)
    runSushi(project, home)
    const folder = join(project, 'fsh-generated', 'resources')
    return readdirSync(folder)
      .toSorted()
      .map((file) => withoutMappings(JSON.parse(readFileSync(join(folder, file), 'utf8')) as Tree))
      .filter(isDefinition)
      .map(versioned)
  } finally {
    rmSync(work, { recursive: true, force: true })
  }
}
