/** From the start of the process to the first 200 of `/readyz`, beside the start of a Node that does nothing. */
import { spawn } from 'node:child_process'
import { mkdir } from 'node:fs/promises'
import { join } from 'node:path'
import { openClient } from './client.ts'
import { median } from './load.ts'
import { type Running, startOurs } from './processes.ts'
import { against, type Line } from './report.ts'
import type { World } from './world.ts'

const floorIs = '`node -e 0`'

const untilReady = async (start: () => Promise<Running>): Promise<number> => {
  const began = performance.now()
  const running = await start()
  const client = openClient(running.url, 1)
  try {
    await client.get('/readyz')
    return performance.now() - began
  } finally {
    await client.close()
    await running.stop()
  }
}

const nothing = async (): Promise<number> => {
  const began = performance.now()
  await new Promise((resolve) => spawn(process.execPath, ['-e', '0'], { stdio: 'ignore' }).once('exit', resolve))
  return performance.now() - began
}

const times = async (count: number, once: () => Promise<number>): Promise<number> => {
  const all: number[] = []
  while (all.length < count) all.push(await once())
  return median(all)
}

export const measureStart = async (w: World): Promise<readonly Line[]> => {
  w.say('starts')
  const { folder } = w.server
  const own = join(folder, 'own')
  await mkdir(own, { mode: 0o711 })
  const onDatabase = (url: string) => untilReady(() => startOurs(folder, url, w.receiver.base))
  const onItsOwn = () => untilReady(() => startOurs(folder, undefined, w.receiver.base, own))
  const floor = await times(w.scale.times, nothing)
  const line = (name: string, ours: number): Line => against(name, 'ms', ours, floor, floorIs)
  const existing = line('start, existing database', await times(w.scale.times, () => onDatabase(w.oursDatabase)))
  return [
    { ...existing, target: { text: '≤ 2000 ms', holds: existing.ours <= 2_000 } },
    line('start, empty database', await onDatabase(await w.server.newDatabase())),
    line('start, making its own PostgreSQL', await onItsOwn()),
    line('start, with its own PostgreSQL', await times(Math.min(3, w.scale.times), onItsOwn)),
  ]
}
