/** `$link-device` at eight callers, beside a transaction of five statements at the same load. */
import { openClient } from './client.ts'
import { linkPath, linkText } from './link-message.ts'
import { type Driven, drive, inTurns, median, quantile } from './load.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import type { World } from './world.ts'

const callers = 8
const rounds = 5
/** Seconds; they tell how many orders will be needed. */
const warming = 1
const mostPerSecond = 3_000

const floorIs = 'begin and lock, two INSERTs, an UPDATE, commit; by HTTP'

const linesOf = (ours: readonly Driven[], floor: readonly Driven[]): readonly Line[] => {
  const waits = (driven: readonly Driven[]) => driven.flatMap((d) => d.waits)
  const wait = (share: number) =>
    against(
      `$link-device, p${share * 100}, ${callers} callers`,
      'ms',
      quantile(waits(ours), share),
      quantile(waits(floor), share),
      floorIs,
    )
  const slowest = wait(0.99)
  const rate = (driven: readonly Driven[]) => median(driven.map((d) => d.perSecond))
  return [
    against(`$link-device, ${callers} callers`, '/s', rate(ours), rate(floor), floorIs),
    wait(0.5),
    { ...slowest, target: { text: 'p99 ≤ 3 × the floor', holds: (slowest.ratio ?? Infinity) <= 3 } },
  ]
}

export const measureLinks = async (w: World): Promise<readonly Line[]> => {
  await w.orders.atLeast(w.scale.few)
  await w.orders.spare(mostPerSecond * warming)
  w.say(`$link-device at ${callers}`)
  const bedside = openClient(w.ours.url, callers, tokenOf('bay-3'))
  const floor = openClient(w.floor.url, callers)
  const link = () => bedside.post(linkPath, linkText(w.orders.take()))
  const five = () => floor.post('/five', linkText('0'))
  try {
    const { perSecond } = await drive(callers, warming, link)
    await w.orders.spare(Math.ceil(2 * perSecond * w.scale.seconds))
    await drive(callers, warming, five)
    const [ours = [], theirs = []] = await inTurns(rounds, [
      () => drive(callers, w.scale.seconds / rounds, link),
      () => drive(callers, w.scale.seconds / rounds, five),
    ])
    return linesOf(ours, theirs)
  } finally {
    await Promise.all([bedside.close(), floor.close()])
  }
}
