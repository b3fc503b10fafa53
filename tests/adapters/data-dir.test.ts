import { mkdtemp, readdir, rm, stat, utimes, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { claimDataDir } from '../../src/adapters/postgres/data-dir.ts'
import { processPlace, processStart } from '../../src/adapters/postgres/embedded-process.ts'

let folder: string
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), 'daybind-test-'))
})
afterEach(() => rm(folder, { recursive: true, force: true }))

const claims = async () => (await readdir(folder)).filter((name) => name.startsWith('owner-'))

const foreign = 'owner-0123456789abcdef.json'
const leave = async (claim: object | string): Promise<string> => {
  const path = join(folder, foreign)
  await writeFile(path, typeof claim === 'string' ? claim : JSON.stringify(claim))
  return path
}
const since = '2026-03-02T08:00:00.000Z'
const here = { pid: process.pid, start: processStart(process.pid), place: processPlace(), since }

describe('the owner of a data folder', () => {
  it('is one process, until it releases', async () => {
    const first = await claimDataDir(folder)
    await expect(claimDataDir(folder)).rejects.toThrow(`is held by process ${process.pid} since `)
    await first.release()
    const second = await claimDataDir(folder)
    await second.release()
    await second.release()
    expect(await claims()).toEqual([])
  })

  it('is never more than one of many that come at once', async () => {
    for (let round = 0; round < 3; round++) {
      const outcomes = await Promise.allSettled(Array.from({ length: 8 }, () => claimDataDir(folder)))
      const won = outcomes.filter((outcome) => outcome.status === 'fulfilled')
      expect(won.length).toBeLessThanOrEqual(1)
      expect(await claims()).toHaveLength(won.length)
      for (const { value } of won) await value.release()
    }
  })

  it('is told to others with its address once it has announced it', async () => {
    const claim = await claimDataDir(folder)
    await claim.announce('http://127.0.0.1:8090')
    await expect(claimDataDir(folder)).rejects.toThrow('Z, listening on http://127.0.0.1:8090: stop that service')
    await claim.release()
  })

  it.each([
    ['a process whose number has since gone to another', { ...here, start: '1' }],
    ['a process that is gone', { ...here, pid: 2 ** 22 + 1 }], // above the largest pid_max of Linux, proc(5)
    ['nobody, torn by a power cut', '{"pid":'],
    ['nobody, emptied by a power cut', ''],
  ])('is not %s', async (_, claim) => {
    await leave(claim)
    const own = await claimDataDir(folder)
    expect(await claims()).not.toContain(foreign)
    await own.release()
  })

  it('may be on another machine or in another container, where it shows that it lives', async () => {
    const path = await leave({ ...here, start: '1', place: 'elsewhere' })
    const beat = setInterval(() => utimes(path, new Date(), new Date()), 20)
    try {
      await expect(claimDataDir(folder)).rejects.toThrow(
        `${folder} is held by process ${process.pid} on another machine or in another container since ${since}: stop that service`,
      )
      expect(await claims()).toEqual([foreign])
    } finally {
      clearInterval(beat)
    }
  })

  it('is not on another machine that has fallen silent', async () => {
    await leave({ ...here, place: 'elsewhere' })
    const own = await claimDataDir(folder, 200)
    expect(await claims()).not.toContain(foreign)
    await own.release()
  })

  it('goes on showing that it lives', async () => {
    const own = await claimDataDir(folder)
    const [name = ''] = await claims()
    await utimes(join(folder, name), 0, 0)
    const touched = async () => (await stat(join(folder, name))).mtimeMs
    await expect.poll(touched).toBeGreaterThan(0)
    await own.release()
  })
})
