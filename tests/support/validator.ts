/**
 * The reference validator, where FHIR_VALIDATOR names a program that runs it: it takes folders of definitions
 * (`--defs DIR`), prefixes of extensions that it may meet (`--extensions PREFIX`) and files, and prints one line of JSON
 * for each file. One process judges all files of a call, since it takes half a minute to be ready.
 */
import { spawn } from 'node:child_process'
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { home } from '../../src/model/systems.ts'

const program = process.env.FHIR_VALIDATOR

/** Why nothing can be validated here; undefined where it can. */
export const noValidator: string | undefined =
  program === undefined ? 'FHIR_VALIDATOR names no FHIR validator' : undefined

/** The definitions that the package holds, which the validator goes by besides R4's own. */
const ours = fileURLToPath(new URL('../../profiles/package/', import.meta.url))

export interface ValidatorIssue {
  readonly severity: 'fatal' | 'error' | 'warning' | 'information'
  readonly location?: string
  readonly id?: string
  readonly message: string
}

interface Verdict {
  readonly file: string
  readonly issues: readonly ValidatorIssue[]
}

/** What is to be judged: a resource, or its text where its exact digits matter. */
export interface ToValidate {
  readonly name: string
  readonly json: object | string
}

export const isError = ({ severity }: ValidatorIssue): boolean => severity === 'error' || severity === 'fatal'

const run = (command: string, args: readonly string[]): Promise<{ out: string; err: string; code: number | null }> =>
  new Promise((done, fail) => {
    const child = spawn(command, args, { stdio: ['ignore', 'pipe', 'pipe'] })
    const [out, err]: [Buffer[], Buffer[]] = [[], []]
    child.stdout.on('data', (part: Buffer) => out.push(part))
    child.stderr.on('data', (part: Buffer) => err.push(part))
    child.on('error', fail)
    child.on('close', (code) => done({ out: Buffer.concat(out).toString(), err: Buffer.concat(err).toString(), code }))
  })

/** Ends with 1 where a file has an error and with 2 where one cannot be read; anything else is the program's own trouble. */
const verdictsOf = async (args: readonly string[], count: number): Promise<readonly Verdict[]> => {
  if (program === undefined) throw new Error(noValidator)
  const { out, err, code } = await run(program, args)
  const verdicts = out
    .split('\n')
    .filter((line) => line !== '')
    .map((line) => JSON.parse(line) as Verdict)
  if (verdicts.length !== count || code === null || code > 2)
    throw new Error(`the validator judged ${verdicts.length} of ${count} files and ended with ${code}: ${err}`)
  return verdicts
}

/**
 * Judges all files by R4 and by our package, in one process.
 * @returns what the validator says of each, by its name; an empty list where it has nothing to say
 * @throws where the validator does not judge every file, or two have one name
 */
export const validate = async (
  files: readonly ToValidate[],
): Promise<Readonly<Record<string, readonly ValidatorIssue[]>>> => {
  if (new Set(files.map((f) => f.name)).size < files.length) throw new Error('two files to validate have one name')
  const folder = await mkdtemp(join(tmpdir(), 'daybind-validate-'))
  try {
    const paths = files.map((_, i) => join(folder, 'in', `${i}.json`))
    await mkdir(join(folder, 'in'))
    await Promise.all(
      files.map(({ json }, i) => writeFile(paths[i] ?? '', typeof json === 'string' ? json : JSON.stringify(json))),
    )
    const verdicts = await verdictsOf(['--defs', ours, '--extensions', `${home}/`, ...paths], files.length)
    const byPath = new Map(verdicts.map((v) => [v.file, v.issues]))
    return Object.fromEntries(files.map(({ name }, i) => [name, byPath.get(paths[i] ?? '') ?? []]))
  } finally {
    await rm(folder, { recursive: true, force: true })
  }
}

/** Every error of every file as `name: place: what`, for a test that expects none. */
export const errorsOf = (found: Readonly<Record<string, readonly ValidatorIssue[]>>): readonly string[] =>
  Object.entries(found).flatMap(([name, issues]) =>
    issues.filter(isError).map(({ location, message }) => `${name}: ${location ?? ''}: ${message}`),
  )
