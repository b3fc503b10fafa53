/**
 * The FHIR package: `npm run profiles` writes profiles/package and profiles/examples anew, `-- --check` tells what
 * differs from what is committed, `-- --tgz FILE` packs what is committed in npm form, `-- --pages DIR` writes a page
 * for each profile.
 */
import { existsSync, mkdirSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { parseArgs } from 'node:util'
import { capability } from './capability.ts'
import { compile, type Definition } from './compile.ts'
import { examples } from './examples.ts'
import { pack } from './pack.ts'
import { pages } from './pages.ts'

/** Name of each file, and its text. */
type Files = ReadonlyMap<string, string>

type Made = Readonly<Record<keyof typeof folders, Files>>

export const folders = {
  package: fileURLToPath(new URL('package/', import.meta.url)),
  examples: fileURLToPath(new URL('examples/', import.meta.url)),
} as const

const textOf = (resource: object): string => `${JSON.stringify(resource, null, 2)}\n`

const withCapability = (definitions: readonly Definition[]): readonly Definition[] => [
  capability(definitions),
  ...definitions,
]

/** What the sources and the code say now. */
export const made = (): Made => ({
  package: new Map(withCapability(compile()).map((d) => [`${d.resourceType}-${d.id}.json`, textOf(d)])),
  examples: new Map(examples().map(({ name, resource }) => [`${name}.json`, textOf(resource)])),
})

const filesIn = (folder: string): Files =>
  new Map(
    (existsSync(folder) ? readdirSync(folder) : [])
      .filter((name) => name.endsWith('.json'))
      .map((name) => [name, readFileSync(join(folder, name), 'utf8')]),
  )

/** What was made when it was last written. */
export const committed = (): Made => ({ package: filesIn(folders.package), examples: filesIn(folders.examples) })

/** What differs, one sentence for each file. */
export const differences = (now: Made, before: Made): readonly string[] =>
  (['package', 'examples'] as const).flatMap((name) =>
    [...new Set([...now[name].keys(), ...before[name].keys()])].toSorted().flatMap((file) => {
      if (now[name].get(file) === before[name].get(file)) return []
      if (!before[name].has(file)) return [`profiles/${name}/${file} is not committed`]
      return [`profiles/${name}/${file} ${now[name].has(file) ? 'differs from what is made now' : 'is made no more'}`]
    }),
  )

const write = (): void => {
  for (const [name, files] of Object.entries(made())) {
    const folder = folders[name as keyof typeof folders]
    rmSync(folder, { recursive: true, force: true })
    mkdirSync(folder, { recursive: true })
    for (const [file, text] of files) writeFileSync(join(folder, file), text)
    console.log(`${files.size} files in profiles/${name}`)
  }
}

const check = (): void => {
  const found = differences(made(), committed())
  for (const each of found) console.log(each)
  console.log(found.length > 0 ? 'Write them anew: npm run profiles' : 'Everything is as it is made now.')
  process.exitCode = found.length > 0 ? 1 : 0
}

const writePages = (folder: string): void => {
  const definitions = [...committed().package.values()].map((text) => JSON.parse(text) as Definition)
  const written = [...pages(definitions)]
  mkdirSync(folder, { recursive: true })
  for (const [file, text] of written) writeFileSync(join(folder, file), text)
  console.log(`${written.length} pages in ${folder}`)
}

const main = (): void => {
  const { values } = parseArgs({
    options: { check: { type: 'boolean' }, tgz: { type: 'string' }, pages: { type: 'string' } },
  })
  if (values.check) check()
  if (values.tgz !== undefined) {
    pack(values.tgz, folders)
    console.log(`The package is in ${values.tgz}`)
  }
  if (values.pages !== undefined) writePages(values.pages)
  if (Object.keys(values).length === 0) write()
}

if (import.meta.main) main()
