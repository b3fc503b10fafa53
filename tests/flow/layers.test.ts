import { readdirSync, readFileSync } from 'node:fs'
import { dirname, join, relative, resolve } from 'node:path'
import { fileURLToPath } from 'node:url'
import { describe, expect, test } from 'vitest'

const src = fileURLToPath(new URL('../../src/', import.meta.url))

interface Import {
  readonly file: string
  readonly from: string
  readonly typeOnly: boolean
}

const statement = /^(import|export)\s+(type\s)?(?:[\w*{}\s,$]*?\sfrom\s+)?['"]([^'"]+)['"]/gm
const dynamic = /\bimport\(\s*['"]([^'"]+)['"]/g

/** What a source text imports; files of ours by their path below src. */
const importsOf = (file: string, text: string): readonly Import[] => {
  const place = (from: string) => (from.startsWith('.') ? relative(src, resolve(src, dirname(file), from)) : from)
  return [
    ...[...text.matchAll(statement)].map((m) => ({ file, from: place(m[3] ?? ''), typeOnly: m[2] !== undefined })),
    ...[...text.matchAll(dynamic)].map((m) => ({ file, from: place(m[1] ?? ''), typeOnly: false })),
  ]
}

const files = readdirSync(src, { recursive: true, encoding: 'utf8' }).filter((f) => f.endsWith('.ts'))
const texts = new Map(files.map((f) => [f, readFileSync(join(src, f), 'utf8')]))
const imports = [...texts].flatMap(([file, text]) => importsOf(file, text))

/** The layer of a path below src, by its folder; undefined for a file at the top and for a package. */
const layers = [
  ...[
    'adapters/fhir',
    'adapters/notify',
    'adapters/postgres',
    'adapters/queue',
    'adapters/sources',
    'adapters/http',
    'adapters',
  ],
  ...['board', 'config', 'doctor', 'flow', 'model'],
]
const layerOf = (path: string): string | undefined => layers.find((layer) => path.startsWith(`${layer}/`))

/** Which other layers each may know. The database knows nothing of HTTP, and nobody below it knows the pages. */
const knows: Readonly<Record<string, readonly string[]>> = {
  model: [],
  flow: ['model'],
  config: ['model'],
  board: ['flow', 'model'],
  doctor: ['flow', 'model', 'adapters/fhir'],
  'adapters/fhir': ['flow', 'model'],
  'adapters/notify': ['flow', 'model', 'adapters/fhir'],
  'adapters/postgres': ['flow', 'model', 'adapters', 'adapters/fhir'],
  'adapters/queue': ['flow', 'model', 'adapters', 'adapters/fhir', 'adapters/notify', 'adapters/postgres'],
  'adapters/sources': ['flow', 'model', 'adapters', 'adapters/fhir', 'adapters/postgres'],
  'adapters/http': ['flow', 'model', 'adapters', 'adapters/fhir', 'adapters/postgres', 'adapters/queue'],
  // the clock and the watch, which belong to no one thing that is touched
  adapters: ['flow', 'model', 'adapters/postgres'],
}

/** What pure code may use of others: calendars, ids from names, hashes and bytes; of FHIR the types alone. */
const pure = ['luxon', 'uuid', 'node:crypto', 'node:buffer']
const isPure = (layer: string | undefined): boolean => layer === 'model' || layer === 'flow'

const breaks = ({ file, from, typeOnly }: Import): boolean => {
  const [mine, theirs] = [layerOf(file), layerOf(from)]
  if (mine === undefined || mine === theirs) return false
  if (theirs !== undefined) return !knows[mine]?.includes(theirs)
  return isPure(mine) && !pure.includes(from) && !(typeOnly && from === 'fhir/r4.js')
}

const told = (list: readonly Import[]) => list.map(({ file, from }) => `${file} imports ${from}`)

describe('the layers', () => {
  test('are seen: the reading of imports finds them in every form', () => {
    const text = [
      "import { a } from './a.ts'",
      "import type { B } from '../model/b.ts'",
      "import {\n  c,\n  type D,\n} from 'node:fs'",
      "import 'pg'",
      "export * from './e.ts'",
      "export { f } from './f.ts'",
      "import g, { h } from 'luxon'",
      "import * as i from 'zod'",
      "const later = await import('hono')",
      "// it says import { x } from 'y' in a comment",
    ].join('\n')
    expect(importsOf('flow/x.ts', text)).toEqual([
      { file: 'flow/x.ts', from: 'flow/a.ts', typeOnly: false },
      { file: 'flow/x.ts', from: 'model/b.ts', typeOnly: true },
      { file: 'flow/x.ts', from: 'node:fs', typeOnly: false },
      { file: 'flow/x.ts', from: 'pg', typeOnly: false },
      { file: 'flow/x.ts', from: 'flow/e.ts', typeOnly: false },
      { file: 'flow/x.ts', from: 'flow/f.ts', typeOnly: false },
      { file: 'flow/x.ts', from: 'luxon', typeOnly: false },
      { file: 'flow/x.ts', from: 'zod', typeOnly: false },
      { file: 'flow/x.ts', from: 'hono', typeOnly: false },
    ])
    for (const layer of layers) expect([layer, imports.some((i) => layerOf(i.file) === layer)]).toEqual([layer, true])
  })

  test.each<[string, Omit<Import, 'typeOnly'>, boolean, boolean]>([
    ['the flow may know the model', { file: 'flow/a.ts', from: 'model/b.ts' }, false, false],
    ['the model may not know the flow', { file: 'model/a.ts', from: 'flow/b.ts' }, false, true],
    ['not even its types', { file: 'model/a.ts', from: 'flow/b.ts' }, true, true],
    ['the flow may not know an adapter', { file: 'flow/a.ts', from: 'adapters/http/b.ts' }, true, true],
    ['nor the clock', { file: 'flow/a.ts', from: 'adapters/clock.ts' }, false, true],
    ['nor how it is configured', { file: 'flow/a.ts', from: 'config.ts' }, false, true],
    ['nor the disk', { file: 'flow/a.ts', from: 'node:fs' }, false, true],
    ['it may hash', { file: 'flow/a.ts', from: 'node:crypto' }, false, false],
    ['it may know the types of FHIR', { file: 'flow/a.ts', from: 'fhir/r4.js' }, true, false],
    ['the database may not know HTTP', { file: 'adapters/postgres/a.ts', from: 'adapters/http/b.ts' }, false, true],
    ['nobody may know the pages', { file: 'adapters/http/a.ts', from: 'board/b.ts' }, false, true],
    ['the pages may not know the database', { file: 'board/a.ts', from: 'adapters/postgres/b.ts' }, false, true],
    ['the service may know all', { file: 'service.ts', from: 'board/b.ts' }, false, false],
  ])('hold apart: %s', (_, edge, typeOnly, broken) => {
    expect(breaks({ ...edge, typeOnly })).toBe(broken)
  })

  test('are kept by every file', () => {
    expect(told(imports.filter(breaks))).toEqual([])
  })

  test('are wired in one place: nothing but the process imports the service', () => {
    const wiring = imports.filter((i) => i.from === 'service.ts' && i.file !== 'main.ts')
    expect(told(wiring)).toEqual([])
  })

  test('that are pure know neither the time nor luck', () => {
    const world = /\b(Date\.now|new Date\(\)|Math\.random|randomUUID|performance\.|setTimeout|setInterval|process\.)/
    const code = (text: string) => text.replace(/^\s*(\*|\/\/|\/\*).*$/gm, '')
    const impure = [...texts].filter(([file, text]) => isPure(layerOf(file)) && world.test(code(text)))
    expect(impure.map(([file]) => file)).toEqual([])
  })
})
