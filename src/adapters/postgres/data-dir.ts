import { randomBytes } from 'node:crypto'
import { readdir, readFile, rename, rm, stat, utimes, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { setTimeout as sleep } from 'node:timers/promises'
import { CannotStart, processPlace, processStart } from './embedded-process.ts'

/**
 * DATA_DIR has one owner at a time.
 *
 * Each process that wants the folder writes a claim, a file of its own, and only then looks for others: of two that
 * come at once at least one sees the other. A claim is named once and never reused, so that clearing away a dead
 * one can never hit a living one; a lock file shared by all has no such safe moment for taking it over, and Node
 * offers no lock of the system.
 */

/** Who holds a data folder. Written as JSON into the claim. */
interface Claim {
  readonly pid: number
  /** The beginning of the process, see {@link processStart}. */
  readonly start: string
  /** Where `pid` means something, see {@link processPlace}. */
  readonly place: string
  /** When the claim was made, ISO 8601 in UTC. */
  readonly since: string
  /** Where the holder can be reached, once it listens. */
  readonly url?: string
}

export interface DataDirClaim {
  /** Lets the refusal of a second service name where this one listens. */
  announce(url: string): Promise<void>
  /** Gives the folder up; the second call does nothing. */
  release(): Promise<void>
}

const claimName = /^owner-[0-9a-f]{16}\.json$/

/** A holder elsewhere (another container on the same volume) shows that it lives by touching its claim this often. */
const beatEvery = 2_000
/** Silence of a holder elsewhere that counts as death, in milliseconds: five missed beats. */
const deathlySilence = 10_000

/**
 * Makes this process the owner of the folder, which must exist.
 *
 * Claims of dead processes are cleared away, whatever their number means by now. Two that start at the same moment
 * withdraw and try again after pauses of unequal length.
 *
 * @param silence milliseconds after which a holder on another machine or in another container, whose processes
 * cannot be seen from here, counts as dead when it gives no sign
 * @throws CannotStart naming the holder (process, since when, where it listens) when a living process has the folder,
 * this process included.
 */
export const claimDataDir = async (folder: string, silence = deathlySilence): Promise<DataDirClaim> => {
  for (let attempt = 1; ; attempt++) {
    const own = await makeClaim(folder)
    const holder = await livingClaim(folder, own.path, silence).catch(async (error: unknown) => {
      await own.release()
      throw error
    })
    if (holder === undefined) return own
    await own.release()
    if (attempt === 3) throw new CannotStart(heldBy(folder, holder))
    await sleep(30 + Math.random() * 150)
  }
}

const makeClaim = async (folder: string): Promise<DataDirClaim & { path: string }> => {
  const path = join(folder, `owner-${randomBytes(8).toString('hex')}.json`)
  const claim: Claim = {
    pid: process.pid,
    start: processStart(process.pid) ?? 'unknown',
    place: processPlace(),
    since: new Date().toISOString(),
  }
  await put(path, claim)
  const beat = setInterval(() => {
    const now = new Date()
    utimes(path, now, now).catch(() => undefined) // the folder was taken away under us: nothing left to hold
  }, beatEvery)
  beat.unref()
  return {
    path,
    announce: (url) => put(path, { ...claim, url }),
    release: async () => {
      clearInterval(beat)
      await rm(path, { force: true })
    },
  }
}

/** Whole or not at all: nobody ever reads half a claim. */
const put = async (path: string, claim: Claim): Promise<void> => {
  await writeFile(`${path}.new`, `${JSON.stringify(claim)}\n`)
  await rename(`${path}.new`, path)
}

const livingClaim = async (folder: string, own: string, silence: number): Promise<Claim | undefined> => {
  const others = (await readdir(folder)).filter((name) => claimName.test(name)).map((name) => join(folder, name))
  for (const path of others) {
    if (path === own) continue
    const claim = await readClaim(path)
    if (claim !== undefined && (await lives(path, claim, silence))) return claim
    await rm(path, { force: true })
  }
  return undefined
}

const readClaim = async (path: string): Promise<Claim | undefined> => {
  try {
    return JSON.parse(await readFile(path, 'utf8')) as Claim
  } catch (error) {
    // gone meanwhile, or not JSON, which a power cut can leave and a living holder cannot
    if (error instanceof SyntaxError || (error as NodeJS.ErrnoException).code === 'ENOENT') return undefined
    throw error
  }
}

const lives = async (path: string, claim: Claim, silence: number): Promise<boolean> =>
  claim.place === processPlace() ? processStart(claim.pid) === claim.start : beats(path, silence)

/** Watches the claim itself and compares no clocks: those of two machines may differ. */
const beats = async (path: string, silence: number): Promise<boolean> => {
  const touched = async () => (await stat(path).catch(() => undefined))?.mtimeMs
  const first = await touched()
  const deadline = performance.now() + silence
  while (performance.now() < deadline) {
    await sleep(silence / 20)
    const now = await touched()
    if (now === undefined) return false
    if (now !== first) return true
  }
  return false
}

const heldBy = (folder: string, { pid, since, url, place }: Claim): string => {
  const elsewhere = place === processPlace() ? '' : ' on another machine or in another container'
  const where = url === undefined ? '' : `, listening on ${url}`
  return `The data folder ${folder} is held by process ${pid}${elsewhere} since ${since}${where}: stop that service, or set DATA_DIR to a folder of its own.`
}
