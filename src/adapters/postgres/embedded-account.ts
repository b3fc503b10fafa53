import { execFile } from 'node:child_process'
import { realpath, stat } from 'node:fs/promises'
import { dirname } from 'node:path'
import { promisify } from 'node:util'
import { CannotStart } from './embedded-process.ts'

const run = promisify(execFile)

/** Under whom the database server runs. Empty: under the user of the service itself. */
export interface Account {
  readonly uid?: number
  readonly gid?: number
}

/**
 * PostgreSQL refuses to run as root; a service that runs as root (a container, a build machine) hands it to the
 * system user `postgres`, which is made when the machine has none.
 *
 * @throws CannotStart when there is no such user and none can be made
 */
export const serverAccount = async (log: (line: string) => void): Promise<Account> => {
  if (process.getuid?.() !== 0) return {}
  const known = await lookUp()
  if (known !== undefined) return known
  log('Running as root, as which PostgreSQL refuses to run: making the system user "postgres" for it.')
  await run('useradd', [
    '--system',
    '--user-group',
    '--no-create-home',
    '--shell',
    '/usr/sbin/nologin',
    'postgres',
  ]).catch(() => undefined)
  const made = await lookUp()
  if (made !== undefined) return made
  throw new CannotStart(
    'PostgreSQL refuses to run as root and no user "postgres" could be made: start Daybind as an ordinary user, or set DATABASE_URL.',
  )
}

const lookUp = async (): Promise<Account | undefined> => {
  try {
    const [uid, gid] = await Promise.all([run('id', ['-u', 'postgres']), run('id', ['-g', 'postgres'])])
    return { uid: Number(uid.stdout), gid: Number(gid.stdout) }
  } catch {
    return undefined
  }
}

/**
 * Looks whether the account may enter a folder through all that lie above it; the system's own answer, EACCES from
 * deep inside, would not say which folder is shut.
 *
 * @throws CannotStart naming the shut folder and, in `advice`, the way out
 */
export const mustEnter = async (account: Account, folder: string, advice: string): Promise<void> => {
  if (account.uid === undefined) return
  const paths = [await realpath(folder)]
  for (let path = paths[0] as string; path !== dirname(path); path = dirname(path)) paths.unshift(dirname(path))
  for (const path of paths) {
    const { uid, gid, mode } = await stat(path)
    const enter = uid === account.uid ? 0o100 : gid === account.gid ? 0o010 : 0o001
    if ((mode & enter) !== 0) continue
    throw new CannotStart(
      `PostgreSQL runs as user "postgres", who may not enter ${path} (mode ${(mode & 0o7777).toString(8).padStart(4, '0')}): ${advice}.`,
    )
  }
}
