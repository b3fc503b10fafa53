/** Several lanes that do one kind of work side by side: those of one destination, apart from those of any other. */

export interface Lanes {
  /** There may be work. Costs nothing where there is none. */
  wake(): void
  /** Takes up no more work, and waits for what is under way. */
  stop(): Promise<void>
}

/**
 * Each lane does `work` again and again until there is none. One that finds some wakes another, so that a single message
 * takes one lane and a backlog takes all. An error ends its lane; whoever wakes next begins anew.
 * @param work does one piece, and says whether there was one
 */
export const openLanes = (count: number, work: () => Promise<boolean>, onError: (error: unknown) => void): Lanes => {
  const running = new Set<Promise<void>>()
  let stopped = false
  /** Woken while every lane was busy: one that was just about to end looks once more. */
  let missed = false
  const lane = async (): Promise<void> => {
    while (!stopped) {
      missed = false
      if (await work()) wake()
      else if (!missed) return
    }
  }
  const wake = (): void => {
    if (stopped) return
    if (running.size >= count) {
      missed = true
      return
    }
    const begun: Promise<void> = lane()
      .catch(onError)
      .finally(() => running.delete(begun))
    running.add(begun)
  }
  return {
    wake,
    stop: async () => {
      stopped = true
      await Promise.all(running)
    },
  }
}
