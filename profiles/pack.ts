/** The package in npm form, as FHIR package registries and caches have it (https://hl7.org/fhir/packages.html). */
import { spawnSync } from 'node:child_process'
import { cpSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join, resolve } from 'node:path'
import { home } from '../src/model/systems.ts'
import { type Definition, version } from './compile.ts'
import { core, indexOf } from './fhir-cache.ts'

const manifest = {
  name: 'daybind.r4',
  version,
  canonical: home,
  title: 'Daybind, ambulatory heart-monitor orders',
  description: 'What Daybind takes and gives out, as FHIR R4. Not for emergencies; makes no diagnosis.',
  author: 'Daybind',
  license: 'Apache-2.0',
  type: 'Conformance',
  fhirVersions: [core.version],
  dependencies: { [core.name]: core.version },
} as const

const indexFile = (folder: string): void => {
  const files = readdirSync(folder).filter((name) => name.endsWith('.json') && name !== 'package.json')
  const read = (filename: string) => JSON.parse(readFileSync(join(folder, filename), 'utf8')) as Definition
  writeFileSync(
    join(folder, '.index.json'),
    indexOf(files.toSorted().map((filename) => ({ ...read(filename), filename }))),
  )
}

/** @param file the `.tgz` to write. @throws with what npm said */
export const pack = (file: string, folders: { readonly package: string; readonly examples: string }): void => {
  const work = mkdtempSync(join(tmpdir(), 'daybind-pack-'))
  try {
    const [content, packed] = [join(work, 'content'), join(work, 'packed')]
    cpSync(folders.package, content, { recursive: true })
    cpSync(folders.examples, join(content, 'example'), { recursive: true })
    mkdirSync(packed)
    writeFileSync(join(content, 'package.json'), JSON.stringify(manifest, null, 2))
    indexFile(content)
    indexFile(join(content, 'example'))
    const npm = spawnSync('npm', ['pack', content, '--ignore-scripts', '--pack-destination', packed], {
      encoding: 'utf8',
    })
    const [archive] = npm.status === 0 ? readdirSync(packed) : []
    if (archive === undefined) throw new Error(`npm pack failed:\n${npm.stderr}`)
    mkdirSync(join(resolve(file), '..'), { recursive: true })
    cpSync(join(packed, archive), file)
  } finally {
    rmSync(work, { recursive: true, force: true })
  }
}
