/** Everybody who delivers: for each destination lanes of its own, woken by the queue and by the sweep. */
import { parkTooOld, withWork } from '../postgres/destinations.ts'
import { type Delivering, deliverNext } from './deliver.ts'
import { openLanes } from './lanes.ts'
import type { Queue } from './queue.ts'

export interface Couriers {
  /** Finds what is due and was not announced: retries, what a crash left behind, what a resumed destination has. */
  sweep(): Promise<void>
  /** Takes up nothing more, and waits for the calls that are under way. */
  stop(): Promise<void>
}

/**
 * Begins to deliver. As many messages are under way to a destination, and in memory, as it has connections: each call
 * has the whole of its deadline, and a destination that is slow or dead costs no other one anything.
 */
export const startCouriers = async (
  d: Delivering,
  queue: Queue,
  onError: (error: unknown) => void,
): Promise<Couriers> => {
  const lanes = new Map(
    [...d.peers, ...d.messengers].map(
      ([id, { connections }]) => [id, openLanes(connections, () => deliverNext(d, id), onError)] as const,
    ),
  )
  for (const [id, { wake }] of lanes) await queue.work(id, wake)
  return {
    sweep: async () => {
      await parkTooOld(d.db, d.patience.age)
      for (const id of await withWork(d.db, [...lanes.keys()])) lanes.get(id)?.wake()
    },
    stop: async () => {
      await Promise.all([...lanes.values()].map((l) => l.stop()))
    },
  }
}
