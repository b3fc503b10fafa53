/** Secrets are looked up where the configuration says that they are kept: in the environment or in a file. */
import { dirname, resolve } from 'node:path'
import type { ReadSecret } from './values.ts'

export type ReadFile = (path: string) => string
export type Environment = Readonly<Record<string, string | undefined>>

/** The system's word for why a file cannot be read, such as ENOENT; never the message, which may quote it. */
export const causeOf = (error: unknown): string =>
  typeof error === 'object' && error !== null && 'code' in error ? String(error.code) : 'no reason given'

const checked = (secret: string, where: string) => (secret === '' ? { mistake: `${where} is empty` } : { secret })

/** One line end at the end of a file is not part of the secret. Paths are relative to the configuration file. */
export const secretReader =
  (environment: Environment, readFile: ReadFile, configurationPath: string): ReadSecret =>
  ({ env, file }) => {
    if (env !== undefined) {
      const secret = environment[env]
      const where = `environment variable ${env}`
      return secret === undefined ? { mistake: `${where} is not set` } : checked(secret, where)
    }
    const path = resolve(dirname(configurationPath), file ?? '')
    try {
      return checked(readFile(path).replace(/\r?\n$/, ''), `file ${path}`)
    } catch (error) {
      return { mistake: `file ${path} cannot be read (${causeOf(error)})` }
    }
  }
