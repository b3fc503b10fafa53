import { chmod, mkdtemp, readdir, rm, stat } from 'node:fs/promises'
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { TestProject } from 'vitest/node'
import { type EmbeddedDatabase, startEmbedded } from '../../src/adapters/postgres/embedded.ts'

declare module 'vitest' {
  interface ProvidedContext {
    /** A PostgreSQL to make databases in (`postgresql://…`), or an address that starts one when asked (`http://…`). */
    databaseSource: string
  }
}

const prefix = 'daybind-test-'

/**
 * One database server for all test files: that of DATABASE_URL, else an embedded one, started when the first file asks
 * for it, so that runs of pure tests do not pay for it.
 */
export default async (project: TestProject): Promise<(() => Promise<void>) | undefined> => {
  if (process.env.DATABASE_URL) {
    project.provide('databaseSource', process.env.DATABASE_URL)
    return undefined
  }
  let database: Promise<EmbeddedDatabase> | undefined
  let folder: string | undefined
  const start = async (): Promise<EmbeddedDatabase> => {
    await sweep()
    folder = await scratchFolder()
    return startEmbedded({ dataDir: folder, log: () => undefined })
  }
  const asked = createServer(async (_, response) => {
    try {
      database ??= start()
      response.end((await database).url)
    } catch (error) {
      response.writeHead(500).end(String(error))
    }
  })
  await new Promise<void>((listening) => asked.listen(0, '127.0.0.1', listening))
  project.provide('databaseSource', `http://127.0.0.1:${(asked.address() as AddressInfo).port}`)
  return async () => {
    asked.close()
    asked.closeAllConnections()
    await (await database?.catch(() => undefined))?.stop()
    if (folder !== undefined) await rm(folder, { recursive: true, force: true })
  }
}

/** A folder for one test or one run, outside of any home and passable for the user under which the server runs. */
export const scratchFolder = async (): Promise<string> => {
  const folder = await mkdtemp(join(tmpdir(), prefix))
  await chmod(folder, 0o711)
  return folder
}

/**
 * Clears away what killed runs left, their servers included. A folder that somebody still holds stays, and so does one
 * of the last minute, which may be about to be claimed.
 */
const sweep = async (): Promise<void> => {
  for (const name of (await readdir(tmpdir())).filter((entry) => entry.startsWith(prefix))) {
    const folder = join(tmpdir(), name)
    try {
      if (Date.now() - (await stat(folder)).mtimeMs < 60_000) continue
      // starting on it is what ends a server left behind there
      const left = (await readdir(folder)).includes('postgres')
        ? await startEmbedded({ dataDir: folder, log: () => undefined })
        : undefined
      await left?.stop()
      await rm(folder, { recursive: true, force: true })
    } catch {
      // held by another run, or of another user: not ours to clear
    }
  }
}
