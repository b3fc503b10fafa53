/** Lanes side by side: never more than there are, all of them for a backlog, and no call for work is lost. */
import { setImmediate as turn } from 'node:timers/promises'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { openLanes } from '../../src/adapters/queue/lanes.ts'

const unexpected = (error: unknown): never => {
  throw error
}

/** Work of which the test decides when a piece is done, and when there is none. */
const pieces = () => {
  const begun: (() => void)[] = []
  let left = 0
  let busy = 0
  let most = 0
  return {
    add: (n: number) => {
      left += n
    },
    most: () => most,
    left: () => left,
    finishOne: () => begun.shift()?.(),
    underWay: () => begun.length,
    work: async (): Promise<boolean> => {
      if (left === 0) return false
      left -= 1
      busy += 1
      most = Math.max(most, busy)
      await new Promise<void>((done) => begun.push(done))
      busy -= 1
      return true
    },
  }
}

const settle = async (): Promise<void> => {
  for (let i = 0; i < 20; i += 1) await turn()
}

describe('lanes', () => {
  test('do every piece of any backlog, however it comes, and never more at once than there are lanes', async () => {
    const script = fc.array(fc.oneof(fc.constant('finish' as const), fc.integer({ min: 1, max: 5 })), { maxLength: 30 })
    await fc.assert(
      fc.asyncProperty(fc.integer({ min: 1, max: 4 }), script, async (count, events) => {
        const p = pieces()
        const lanes = openLanes(count, p.work, unexpected)
        for (const event of events) {
          if (event === 'finish') p.finishOne()
          else {
            p.add(event)
            lanes.wake()
          }
          await turn()
        }
        for (let i = 0; i < 500 && (p.left() > 0 || p.underWay() > 0); i += 1) {
          p.finishOne()
          await turn()
        }
        expect([p.left(), p.underWay()]).toEqual([0, 0])
        expect(p.most()).toBeLessThanOrEqual(count)
        await lanes.stop()
      }),
      { numRuns: 50 },
    )
  })

  test('are all used for a backlog, which one call announces', async () => {
    const p = pieces()
    const lanes = openLanes(8, p.work, unexpected)
    p.add(100)
    lanes.wake()
    // each finds out only after a piece of its own that there may be more
    for (let i = 0; i < 8; i += 1) {
      await settle()
      p.finishOne()
    }
    await settle()
    expect(p.underWay()).toBe(8)
    expect(p.most()).toBe(8)
  })

  test('look again when they are woken while the last of them looks', async () => {
    let looked = 0
    let answer: (found: boolean) => void = unexpected
    const work = () => {
      looked += 1
      return new Promise<boolean>((resolve) => {
        answer = resolve
      })
    }
    const lanes = openLanes(1, work, unexpected)
    lanes.wake()
    lanes.wake()
    answer(false)
    await settle()
    expect(looked).toBe(2)
    answer(false)
    await settle()
    expect(looked).toBe(2)
  })

  test('end with an error that is told, and begin anew when they are woken', async () => {
    const told: unknown[] = []
    let looked = 0
    const work = async () => {
      looked += 1
      throw new Error(`trouble ${looked}`)
    }
    const lanes = openLanes(1, work, (error) => told.push(error))
    lanes.wake()
    await settle()
    lanes.wake()
    await settle()
    expect(told).toEqual([new Error('trouble 1'), new Error('trouble 2')])
  })

  test('stop when what is under way is done, and take up nothing more', async () => {
    const p = pieces()
    const lanes = openLanes(2, p.work, unexpected)
    p.add(10)
    lanes.wake()
    await settle()
    let stopped = false
    const stopping = lanes.stop().then(() => {
      stopped = true
    })
    await settle()
    expect([stopped, p.underWay()]).toEqual([false, 1])
    p.finishOne()
    await stopping
    lanes.wake()
    await settle()
    expect([p.left(), p.underWay()]).toEqual([9, 0])
  })
})
